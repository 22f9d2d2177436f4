# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigid poses and uniform scale, in the convention of Blender's object transform.

A point p of a file goes to ``R · (scale · p) + t``, R = Rz · Ry · Rx. The three angles and the translation are the
numbers Blender shows as Rotation (XYZ Euler) and Location of an object whose origin is the file's,
so that a maker can type a reported pose into the sidebar.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .arrays import FloatArray


def euler_matrix(rotation_deg: FloatArray | tuple[float, float, float]) -> FloatArray:
    """Return the (3, 3) rotation Rz · Ry · Rx for angles about X, Y and Z in degrees."""
    (cx, cy, cz), (sx, sy, sz) = np.cos(np.radians(rotation_deg)), np.sin(np.radians(rotation_deg))
    return np.array(
        [
            [cy * cz, sx * sy * cz - cx * sz, cx * sy * cz + sx * sz],
            [cy * sz, sx * sy * sz + cx * cz, cx * sy * sz - sx * cz],
            [-sy, sx * cy, cx * cy],
        ]
    )


def matrix_euler(rotation: FloatArray) -> FloatArray:
    """Return the angles in degrees (3,) that `euler_matrix` turns into this rotation."""
    sy = -rotation[2, 0]
    if abs(sy) < 1 - 1e-12:
        x = np.arctan2(rotation[2, 1], rotation[2, 2])
        z = np.arctan2(rotation[1, 0], rotation[0, 0])
    else:  # looking straight along the Y turn: X and Z turn about one axis, so Z is taken as 0
        x = np.arctan2(-rotation[1, 2], rotation[1, 1])
        z = 0.0
    return np.degrees([x, np.arcsin(np.clip(sy, -1, 1)), z])


def rotation_about(axis: FloatArray, angle_deg: float) -> FloatArray:
    """Return the (3, 3) rotation by `angle_deg` about the unit vector `axis` (Rodrigues)."""
    x, y, z = axis / np.linalg.norm(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    angle = np.radians(angle_deg)
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k)


@dataclass(frozen=True)
class Pose:
    """A rigid motion.

    Attributes
    ----------
    rotation
        (3, 3), orthonormal with determinant +1.
    translation_mm
        (3,).
    """

    rotation: FloatArray = field(default_factory=lambda: np.eye(3))
    translation_mm: FloatArray = field(default_factory=lambda: np.zeros(3))

    @classmethod
    def of(
        cls,
        translation_mm: Any = (0.0, 0.0, 0.0),
        rotation_deg: Any = (0.0, 0.0, 0.0),
        pivot_mm: Any = (0.0, 0.0, 0.0),
    ) -> Pose:
        """Return the pose that turns about `pivot_mm` by the three angles, then moves."""
        rotation = euler_matrix(np.asarray(rotation_deg, float))
        pivot = np.asarray(pivot_mm, float)
        return cls(rotation, pivot - rotation @ pivot + np.asarray(translation_mm, float))

    @classmethod
    def of_matrix(cls, matrix: FloatArray) -> Pose | None:
        """Return a matrix (4, 4) as a pose; None where it also scales, shears or mirrors."""
        turn = matrix[:3, :3]
        if not np.allclose(turn @ turn.T, np.eye(3), atol=1e-5) or np.linalg.det(turn) < 0:
            return None
        if not np.array_equal(turn, np.eye(3)):  # single precision leaves it not quite orthonormal
            left, _, right = np.linalg.svd(turn)
            turn = left @ right
        return cls(turn, matrix[:3, 3].copy())

    def apply(self, points: FloatArray) -> FloatArray:
        """Move points (n, 3)."""
        return points @ self.rotation.T + self.translation_mm

    def then(self, after: Pose) -> Pose:
        """Return this pose followed by another."""
        return Pose(after.rotation @ self.rotation, after.rotation @ self.translation_mm + after.translation_mm)

    def inverse(self) -> Pose:
        """Return the pose that undoes this one."""
        return Pose(self.rotation.T, -self.rotation.T @ self.translation_mm)

    @property
    def rotation_deg(self) -> FloatArray:
        """The three angles about X, Y and Z, (3,)."""
        return matrix_euler(self.rotation)

    def as_dict(self) -> dict[str, list[float]]:
        """Return the pose as JSON shows it."""
        return {
            "translation_mm": [round(float(v), 4) + 0.0 for v in self.translation_mm],
            "rotation_deg": [round(float(v), 4) + 0.0 for v in self.rotation_deg],
        }
