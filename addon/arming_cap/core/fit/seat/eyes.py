# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a piece is open before the eyes, so that seating can keep the eyes inside.

From each pupil a fan of rays looks ahead through the piece as it was laid on. The free rays next to straight ahead are
the eye's opening; where it ends above, below and to either side, the first ray that is blocked meets its edge. These
edges move with the piece, and the pupils must stay between them.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray
from ...distance.surface import PieceSurface
from ...pose import Pose
from .steps import Steps

FAN_DEG = 60.0
STEP_DEG = 2.0
# Straight ahead may be covered where the piece was laid on; an opening farther off than this is not the eyes'.
OFF_DEG = 25.0
KEEP_MM = 1.0
# How far above an eye its opening is looked from; negative below.
LIFTS_MM = (0.0, 12.0, -12.0, 24.0, -24.0, 40.0, 60.0)
_FAR_MM = 400.0
_STAYS = 0.1  # an edge that moves by less of a lift than this is beside the eye
HALVINGS = 6  # of the two degrees between two rays, to where an edge lies


class Eyes:
    """The edges of a piece's eye openings, and how far pupils lie outside them.

    Parameters
    ----------
    surface
        The piece.
    landmarks
        The form's; without ``pupil_left`` and ``pupil_right`` there is nothing to keep.
    pose, scale
        Where the piece was laid on.
    """

    def __init__(self, surface: PieceSurface, landmarks: Mapping[str, FloatArray], pose: Pose, scale: float) -> None:
        self._surface, self._scale = surface, scale
        self._edges: list[tuple[FloatArray, int, float, FloatArray]] = []
        angle = np.arange(-FAN_DEG, FAN_DEG + 1e-9, STEP_DEG)
        side, up = np.radians(np.meshgrid(angle, angle, indexing="ij"))
        rays = np.stack([np.sin(side) * np.cos(up), -np.cos(side) * np.cos(up), np.sin(up)], axis=-1)
        back = pose.inverse()
        for name in ("pupil_left", "pupil_right"):
            if name not in landmarks:
                continue
            pupil = np.asarray(landmarks[name], float)
            flat = rays.reshape(-1, 3)
            # The opening may lie above or below the eyes as the piece sits: then look from nearer to it.
            for lift in LIFTS_MM:
                eye = pupil - [0.0, 0.0, lift]
                start = back.apply(eye[None])[0] / scale
                reach = surface.reach(np.repeat(start[None], len(flat), axis=0), flat @ pose.rotation)
                reach = reach.reshape(side.shape) * scale
                found = _opening(reach > _FAR_MM, angle)
                if found is not None:
                    break
            if found is None:
                continue
            i, j, low_i, high_i, low_j, high_j = found
            for row, column, axis, sign in (
                (low_i, j, 0, 1.0), (high_i, j, 0, -1.0), (i, low_j, 2, 1.0), (i, high_j, 2, -1.0),
            ):  # fmt: skip
                if 0 <= row < len(angle) and 0 <= column < len(angle):
                    inwards = (row + int(sign), column) if axis == 0 else (row, column + int(sign))
                    self._edges.append((self._edge(start, rays[row, column], rays[inwards], pose), axis, sign, pupil))

    def _edge(self, start: FloatArray, blocked: FloatArray, free: FloatArray, pose: Pose) -> FloatArray:
        """Return where (3,) in the piece's frame the edge lies between a blocked ray and a free one, both unit (3,)."""
        reached = 0.0
        for _ in range(HALVINGS):
            ray = blocked + free
            ray /= np.linalg.norm(ray)
            reach = float(self._surface.reach(start[None], (ray @ pose.rotation)[None])[0])
            if reach * self._scale > _FAR_MM:
                free = ray
            else:
                blocked, reached = ray, reach
        if not reached:
            reached = float(self._surface.reach(start[None], (blocked @ pose.rotation)[None])[0])
        edge: FloatArray = start + reached * (blocked @ pose.rotation)
        return edge

    def covered(self, pose: Pose, scale: float) -> float:
        """Return by how many mm an edge covers a pupil at most."""
        return float(self.over(pose, scale).max(initial=0.0))

    def lift(self, pose: Pose, scale: float, up: FloatArray, most: float) -> tuple[float, float]:
        """Return the least lift along `up`, up to `most`, that covers the pupils least, and what stays covered, mm."""
        if not self._edges:
            return 0.0, 0.0
        lift, covered = self.lifts(self.over(pose, scale)[:, None], up, most)
        return float(lift[0]), float(covered[0])

    def lifts(self, over: FloatArray, up: FloatArray, most: float) -> tuple[FloatArray, FloatArray]:
        """Return what `lift` does, (n,) each, for n times what the edges cover (k, n).

        Upper edges cover the less and lower ones the more the piece is lifted, by as much as it is lifted; the others
        stay. So the least lift is where the upper ones cover no more than either of these, or what is left.
        """
        rises = self.rises(up)
        above = np.max(over[rises < -_STAYS], axis=0, initial=-_FAR_MM)
        below = np.max(over[rises > _STAYS], axis=0, initial=-_FAR_MM)
        beside = np.max(over[np.abs(rises) <= _STAYS], axis=0, initial=0.0)
        lift = np.clip(np.minimum(above - beside, 0.5 * (above - below)), 0.0, most)
        lift = np.where(above > beside, np.minimum(np.maximum(lift, 0.0), most), 0.0)
        return lift, np.maximum(beside, np.maximum(above - lift, below + lift))

    def over(self, pose: Pose, scale: float) -> FloatArray:
        """Return by how many mm each edge (k,) covers its pupil; negative where it leaves it free."""
        if not self._edges:
            return np.zeros(0)
        edges, axes, signs, pupils = self._columns
        at = scale * edges @ pose.rotation.T + pose.translation_mm - pupils
        over: FloatArray = signs * np.take_along_axis(at, axes[:, None], axis=1)[:, 0] + KEEP_MM
        return over

    def rises(self, up: FloatArray) -> FloatArray:
        """Return by how many mm each edge (k,) covers more after a millimetre along `up`."""
        if not self._edges:
            return np.zeros(0)
        _, axes, signs, _ = self._columns
        rises: FloatArray = signs * up[axes]
        return rises

    def slopes(self, steps: Steps, pose: Pose, scale: float) -> FloatArray:
        """Return the slopes (k, 6) of `over` in the freedoms."""
        if not self._edges:
            return np.zeros((0, 6))
        edges, axes, signs, _ = self._columns
        return signs[:, None] * steps.moves(edges, pose, scale)[np.arange(len(axes)), axes]

    @cached_property
    def _columns(self) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
        edges, axes, signs, pupils = zip(*self._edges)
        return np.array(edges), np.array(axes), np.array(signs), np.array(pupils)

    def __bool__(self) -> bool:
        return bool(self._edges)


def _opening(free: BoolArray, angle: FloatArray) -> tuple[int, int, int, int, int, int] | None:
    """Return the ray in the middle of the opening, and the first rays beyond it to either side, below and above.

    The opening is what hangs together about the free ray nearest to straight ahead; None where there is none near.
    """
    off = np.hypot(angle[:, None], angle[None, :])
    off = np.where(free, off, np.inf)
    i, j = (int(v) for v in np.unravel_index(int(np.argmin(off)), off.shape))
    if off[i, j] > OFF_DEG:
        return None
    for _ in range(3):  # to the middle of the column, of the row, and again
        low_j, high_j = _run(free[i], j)
        j = (low_j + high_j) // 2
        low_i, high_i = _run(free[:, j], i)
        i = (low_i + high_i) // 2
    return i, j, low_i, high_i, *_run(free[i], j)


def _run(free: BoolArray, at: int) -> tuple[int, int]:
    """Return the blocked rays on either side of a free one in a row; -1 or the row's length where there is none."""
    blocked = np.flatnonzero(~free)
    before, after = blocked[blocked < at], blocked[blocked > at]
    return int(before[-1]) if len(before) else -1, int(after[0]) if len(after) else len(free)
