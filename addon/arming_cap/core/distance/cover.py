# SPDX-License-Identifier: GPL-3.0-or-later
"""A piece's surface under a tree of balls, for questions that most of the surface cannot answer.

Each ball's centre is a point of the surface itself. The standoff changes no faster than one moves, so one look at a
centre bounds the ball from both sides: the least standoff under it is at most the centre's, and at least the
centre's less the radius.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import FloatArray, IntArray
from ..mesh import TriangleMesh
from ..pose import Pose

LEAF_MM = 3.0  # triangles larger than this are cut until they are not
GRID_MM = 4.0  # side of the smallest cells that balls are gathered in
LEVELS = 5  # 4, 8, 16, 32 and 64 mm
BOX_CORNERS = np.array([[i >> 2 & 1, i >> 1 & 1, i & 1] for i in range(8)])


@dataclass(frozen=True, eq=False)
class Cover:
    """A forest of balls over a surface; rows of one level follow those of the level above.

    Attributes
    ----------
    centres
        (n, 3) points of the surface, mm.
    radii
        (n,) mm; all of the surface below a ball lies within.
    first, count
        (n,) a ball's children are the rows ``first`` to ``first + count``; a leaf has none.
    leaf
        (n,) row of `corners` that a leaf covers, -1 for others.
    corners
        (k, 3, 3) the surface cut into small triangles.
    triangle_at
        (n,) the mesh's triangle that a ball's centre lies on.
    hulls
        (n, 8, 3) corners of a box about all of the surface below a ball that is no leaf: turned as that lies, so that
        over a smooth wall it is thin (Gottschalk, Lin, Manocha 1996, "OBBTree").
    roots
        How many of the first rows are roots.
    """

    centres: FloatArray
    radii: FloatArray
    first: IntArray
    count: IntArray
    leaf: IntArray
    corners: FloatArray
    triangle_at: IntArray
    hulls: FloatArray
    roots: int

    def points(self, rows: IntArray) -> FloatArray:
        """Return points (k, 8, 3) whose convex hull holds all of the surface below some balls."""
        inner = self.leaf[rows] < 0
        result = np.empty((len(rows), 8, 3))
        result[inner] = self.hulls[rows[inner]]
        result[~inner] = self.corners[self.leaf[rows[~inner]]][:, [0, 1, 2, 0, 1, 2, 0, 1]]
        return result

    def children(self, rows: IntArray) -> IntArray:
        """Return the children of some balls, a leaf standing for itself."""
        count = np.maximum(self.count[rows], 1)
        start = np.where(self.count[rows] > 0, self.first[rows], rows)
        offset: IntArray = np.arange(int(count.sum()), dtype=np.int64)
        return offset + np.repeat(start - np.cumsum(count) + count, count)

    def placed(self, pose: Pose, scale: float = 1.0) -> Cover:
        """Return the cover of the surface scaled about the origin and then moved."""

        def there(points: FloatArray) -> FloatArray:
            return pose.apply(scale * points.reshape(-1, 3)).reshape(points.shape)

        return replace(
            self,
            centres=there(self.centres),
            radii=scale * self.radii,
            corners=there(self.corners),
            hulls=there(self.hulls),
        )

    @property
    def leaves(self) -> IntArray:
        """Rows of the leaves."""
        return np.flatnonzero(self.leaf >= 0)


def halved(corners: FloatArray) -> FloatArray:
    """Cut triangles (k, 3, 3) at the middle of their longest side; the halves of row i are rows i and k + i."""
    sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    turn = (sides.argmax(axis=1)[:, None] + np.arange(3)) % 3
    a, b, c = (np.take_along_axis(corners, turn[:, [i], None], axis=1)[:, 0] for i in range(3))
    m = 0.5 * (a + b)
    return np.concatenate([np.stack([a, m, c], axis=1), np.stack([m, b, c], axis=1)])


def centres_and_radii(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the centroids of triangles (k, 3, 3) and the distance to their farthest corners."""
    centre = corners.mean(axis=1)
    return centre, np.sqrt(((corners - centre[:, None]) ** 2).sum(axis=2).max(axis=1))


def cover(mesh: TriangleMesh, leaf_mm: float = LEAF_MM) -> Cover:
    """Return the cover of a mesh."""
    corners, source = mesh.corners, np.arange(len(mesh))
    done: list[FloatArray] = []
    origin: list[IntArray] = []
    while len(corners):
        large = centres_and_radii(corners)[1] > leaf_mm
        done.append(corners[~large])
        origin.append(source[~large])
        corners, source = halved(corners[large]), np.tile(source[large], 2)
    corners, source = np.concatenate(done), np.concatenate(origin)

    centre, radius = centres_and_radii(corners)
    cell = np.floor((centre - centre.min(axis=0)) / GRID_MM).astype(np.int64)
    code = _interleaved(cell)
    order = np.argsort(code, kind="stable")
    corners, source, code = corners[order], source[order], code[order]
    centre, radius = centre[order], radius[order]

    # From the leaves up: (centres, radii, child counts) of each level.
    hulls: list[FloatArray] = []
    levels = [(centre, radius, np.zeros(len(centre), np.int64), source)]
    for level in range(LEVELS):
        own = code >> (3 * level)
        start = np.flatnonzero(np.diff(own, prepend=-1))
        count = np.diff(start, append=len(own))
        below, reach, _, on = levels[-1]
        mean = np.add.reduceat(below, start, axis=0) / count[:, None]
        group = np.repeat(np.arange(len(start)), count)
        away = ((below - mean[group]) ** 2).sum(axis=1)
        # The first child with the least distance: lexsort is stable, so the same on every machine.
        chosen = np.lexsort((away, group))[start]
        heart = below[chosen]
        extent = np.linalg.norm(below - heart[group], axis=1) + reach
        # About the boxes below: the surface itself has ten times the corners.
        hulls.append(_boxes(hulls[-1] if hulls else corners, start))
        levels.append((heart, np.maximum.reduceat(extent, start), count, on[chosen]))
        code = code[start]
    return _assembled(levels[::-1], corners, np.concatenate(hulls[::-1]))


def _boxes(bits: FloatArray, start: IntArray) -> FloatArray:
    """Return the corners (k, 8, 3) of boxes about runs of bits (n, c, 3), along the runs' principal axes."""
    each = bits.shape[1]
    count = each * np.diff(start, append=len(bits))
    group = np.repeat(np.arange(len(start)), count)
    points = bits.reshape(-1, 3)
    mean = np.add.reduceat(points, each * start, axis=0) / count[:, None]
    away = (points - mean[group]).T
    spread = np.empty((len(start), 3, 3))
    for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)):
        spread[:, i, j] = spread[:, j, i] = np.add.reduceat(away[i] * away[j], each * start)
    axes = np.linalg.eigh(spread)[1]  # columns
    ends = np.empty((len(start), 8, 3))
    for k in range(3):
        axis = axes[:, :, k][group].T
        along = axis[0] * away[0] + axis[1] * away[1] + axis[2] * away[2]
        low, high = np.minimum.reduceat(along, each * start), np.maximum.reduceat(along, each * start)
        ends[:, :, k] = np.where(BOX_CORNERS[:, k] > 0, high[:, None], low[:, None])
    return mean[:, None] + ends @ axes.transpose(0, 2, 1)


def _assembled(
    levels: Sequence[tuple[FloatArray, FloatArray, IntArray, IntArray]], corners: FloatArray, hulls: FloatArray
) -> Cover:
    begin = np.cumsum([0] + [len(level[0]) for level in levels])
    centres = np.concatenate([level[0] for level in levels])
    radii = np.concatenate([level[1] for level in levels])
    count = np.concatenate([level[2] for level in levels])
    triangle_at = np.concatenate([level[3] for level in levels])
    first = np.concatenate(
        [
            begin[k + 1] + np.cumsum(n) - n if k + 1 < len(levels) else np.zeros(len(n), np.int64)
            for k, (_, _, n, _) in enumerate(levels)
        ]
    )
    leaf = np.full(begin[-1], -1, np.int64)
    leaf[begin[-2] :] = np.arange(len(corners))
    return Cover(centres, radii, first, count, leaf, corners, triangle_at, hulls, len(levels[0][0]))


def _interleaved(cell: IntArray) -> IntArray:
    """Return Morton codes (n,) of cells (n, 3) of up to 20 bits each: cells of one parent are neighbours."""
    code = np.zeros(len(cell), np.int64)
    for bit in range(20):
        for axis in range(3):
            code |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return code
