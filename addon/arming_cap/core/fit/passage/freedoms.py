# SPDX-License-Identifier: GPL-3.0-or-later
"""Two translations and a turn: the three freedoms in which a way off the body is looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...arrays import FloatArray


@dataclass(frozen=True, eq=False)
class Freedoms:
    """Three freedoms.

    Attributes
    ----------
    across, out
        Unit vectors (3,): the two translations.
    axis
        Unit vector (3,) the piece turns about, through the pivot.
    pivot
        (3,) mm.
    """

    across: FloatArray
    out: FloatArray
    axis: FloatArray
    pivot: FloatArray

    def placements(self, q: FloatArray) -> FloatArray:
        """Return the six numbers (n, 6) of placements (n, 3) in mm, mm and radians."""
        return np.concatenate([q[:, :1] * self.across + q[:, 1:2] * self.out, q[:, 2:] * self.axis], axis=1)

    def arms(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the feet of points (n, 3) on the axis, their arms from there, and the arms a quarter turn on, mm.

        Turned by an angle a point is at ``foot + cos · arm + sin · quarter``.
        """
        arm = points - self.pivot
        along = np.outer(arm @ self.axis, self.axis)
        return along + self.pivot, arm - along, np.cross(self.axis, arm)
