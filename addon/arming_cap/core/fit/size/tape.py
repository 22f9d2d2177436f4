# SPDX-License-Identifier: GPL-3.0-or-later
"""What a tape says of a helmet's size: its inside at the band, less the head, less the hair on both sides.

A maker holds a tape into the helmet and against the head. The sum is rough: a head's outline is squarer than an oval
and runs a few per cent beyond one of its breadth and length, so a helmet that is to spare by the tape may still press
beside the forehead. It stands beside the size so that a slip is seen, and decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ...distance.surface import surface_of
from ...piece import Piece
from ...pose import Pose
from ...wearer.form import Wearer

_RAYS = 360
_LEVEL_MM = 8.0  # above and below the band, where a head is as broad; the ears begin farther down
_NEAR_DEG = 8.0  # to either side, before and behind, something must be met so near for a tape to have an end there


@dataclass(frozen=True)
class Tape:
    """Breadth and length at the band, mm each, None in length where the helmet is open before the face there.

    Attributes
    ----------
    inside_mm
        Of the piece.
    head_mm
        Of the head: head breadth and head length (ISO 7250-1).
    hair_mm
        What the sides, and front and back, must keep, both ends together.
    """

    inside_mm: tuple[float | None, float | None]
    head_mm: tuple[float, float]
    hair_mm: tuple[float, float]

    @property
    def spare_mm(self) -> tuple[float | None, float | None]:
        """What is left of the inside."""
        b, n = (
            None if inside is None else inside - head - hair
            for inside, head, hair in zip(self.inside_mm, self.head_mm, self.hair_mm)
        )
        return b, n

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it: breadth, then length."""

        def out(values: tuple[float | None, ...]) -> list[float | None]:
            return [None if v is None else round(v, 2) + 0.0 for v in values]

        return {
            "inside_mm": out(self.inside_mm),
            "head_mm": out(self.head_mm),
            "hair_mm": out(self.hair_mm),
            "spare_mm": out(self.spare_mm),
        }


def tape_of(piece: Piece, wearer: Wearer, pose: Pose, scale: float) -> Tape | None:
    """Return what a tape says of a piece in the pose in which it is worn; None off the head, or where it meets none.

    The band is taken level, at the height at which the head is broadest.
    """
    marks = wearer.form.landmarks
    if not {"euryon_left", "euryon_right", "glabella", "opisthocranion"} <= set(marks):
        return None
    left, right = np.asarray(marks["euryon_left"], float), np.asarray(marks["euryon_right"], float)
    brow, back = np.asarray(marks["glabella"], float), np.asarray(marks["opisthocranion"], float)
    middle = np.array([0.5 * (left + right)[0], 0.5 * (brow + back)[1], 0.5 * (left + right)[2]])
    turn = np.arange(_RAYS) * 2 * np.pi / _RAYS
    ways = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(_RAYS)])
    start = pose.inverse().apply(middle[None])[0] / scale
    reach = scale * surface_of(piece).reach(np.repeat(start[None], _RAYS, axis=0), ways @ pose.rotation)
    met = np.isfinite(reach)

    def across(axis: int) -> float | None:
        ends = []
        for sign in (1.0, -1.0):
            near = met & (sign * ways[:, axis] > np.cos(np.radians(_NEAR_DEG)))
            if not near.any():
                return None
            ends.append(float((sign * reach[met] * ways[met, axis]).max()))
        return sum(ends)

    inside = across(0), across(1)
    if inside == (None, None):
        return None
    need = wearer.allowance
    hair = need("parietal_left") + need("parietal_right"), need("forehead") + need("occiput")
    vertices = wearer.form.mesh.vertices
    level = vertices[np.abs(vertices[:, 2] - middle[2]) < _LEVEL_MM]
    breadth = max(float(np.ptp(level[:, 0])) if len(level) else 0.0, float(np.linalg.norm(left - right)))
    return Tape(inside, (breadth, float(np.linalg.norm(brow - back))), hair)
