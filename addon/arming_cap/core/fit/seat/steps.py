# SPDX-License-Identifier: GPL-3.0-or-later
"""Steps in the six freedoms of a seat, counted in millimetres, by the wearer's own axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...arrays import FloatArray
from ...distance.field import Field, Probe
from ...pose import Pose, rotation_about

FREEDOMS = ("side", "fore_aft", "height", "pitch", "roll", "yaw")
ARM_MM = 100.0  # a turn counts as the movement at this distance


@dataclass(frozen=True, eq=False)
class Steps:
    """The freedoms of a piece about its middle.

    Attributes
    ----------
    axes
        (3, 3), columns: the wearer's left, back and up.
    centre
        (3,) mm, of the piece's inside, in its frame.
    """

    axes: FloatArray
    centre: FloatArray

    def pose_at(self, base: Pose, place: FloatArray, scale: float) -> Pose:
        """Return a pose after a step (6,): mm, and turns about the centre in mm at `ARM_MM`."""
        pivot = base.apply(scale * self.centre[None])[0]
        turn = np.eye(3)
        if (angle := float(np.linalg.norm(place[3:])) / ARM_MM) > 1e-12:
            turn = rotation_about(self.axes @ place[3:], float(np.degrees(angle)))
        return base.then(Pose(turn, pivot - turn @ pivot + self.axes @ place[:3]))

    def moves(self, points: FloatArray, pose: Pose, scale: float) -> FloatArray:
        """Return how points (n, 3) of the piece move with the freedoms: (n, 3, 6)."""
        arm = scale * (points - self.centre) @ pose.rotation.T
        turned = np.cross(self.axes.T[None], arm[:, None]).transpose(0, 2, 1) / ARM_MM
        return np.concatenate([np.repeat(self.axes[None], len(points), axis=0), turned], axis=2)

    def slopes(self, field: Field, points: FloatArray, pose: Pose, scale: float) -> FloatArray:
        """Return the slopes (n, 6) in the freedoms of the standoffs of a piece's points (n, 3)."""
        slope = np.asarray(Probe(field, points).gradient(pose, scale), float)
        arm = scale * (points - self.centre) @ pose.rotation.T
        return np.column_stack([slope @ self.axes, np.cross(arm, slope) @ self.axes / ARM_MM])


def moved(pose: Pose, shift: FloatArray) -> Pose:
    """Return a pose moved by `shift` (3,) mm."""
    return Pose(pose.rotation, pose.translation_mm + shift)
