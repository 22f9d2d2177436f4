# SPDX-License-Identifier: GPL-3.0-or-later
"""The balls of a cover with their triangles' corners below: the edges of a piece are what touches first."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..memory import remembered
from ..mesh import TriangleMesh, distinct_rows
from ..pose import Pose
from .cover import Cover, cover


@dataclass(frozen=True, eq=False)
class Forest:
    """Balls over a surface down to its corners.

    Attributes
    ----------
    centres, radii, first, count
        As `Cover` has them; a leaf with corners opens into these and itself.
    roots
        How many of the first rows are roots.
    """

    centres: FloatArray
    radii: FloatArray
    first: IntArray
    count: IntArray
    roots: int

    @classmethod
    def of(cls, piece: Cover) -> Forest:
        """Return the forest of a cover; each corner stands below one of the leaves that have it."""
        points = piece.corners.reshape(-1, 3)
        owner, _ = distinct_rows(points + 0.0)  # -0.0 and 0.0 are one place
        corner, leaf = points[owner], piece.leaves[owner // 3]
        order = np.argsort(leaf, kind="stable")
        corner, leaf = corner[order], leaf[order]
        parents, own = np.unique(leaf, return_counts=True)
        total = len(piece.radii)
        first, count = piece.first.copy(), piece.count.copy()
        count[parents] = own + 1
        start = np.cumsum(own + 1) - own - 1
        first[parents] = total + start
        itself = np.zeros(len(corner) + len(parents), bool)
        itself[start] = True
        centres, radii = np.empty((len(itself), 3)), np.zeros(len(itself))
        centres[~itself], centres[itself] = corner, piece.centres[parents]
        radii[itself] = piece.radii[parents]
        none = np.zeros(len(itself), np.int64)
        return cls(
            np.concatenate([piece.centres, centres]),
            np.concatenate([piece.radii, radii]),
            np.concatenate([first, none]),
            np.concatenate([count, none]),
            piece.roots,
        )

    def placed(self, pose: Pose, scale: float = 1.0) -> Forest:
        """Return the balls of the surface scaled about the origin and then moved."""
        return replace(self, centres=pose.apply(scale * self.centres), radii=scale * self.radii)

    def opened(self, rows: IntArray, large: BoolArray) -> tuple[IntArray, IntArray]:
        """Return rows in order with the large ones replaced by their children, and how many stand for each."""
        count = np.where(large, self.count[rows], 1)
        start = np.where(large, self.first[rows], rows)
        offset = np.arange(int(count.sum()), dtype=np.int64)
        return offset + np.repeat(start - np.cumsum(count) + count, count), count


class Tree:
    """The cover of a mesh, and its forest once that is asked for."""

    def __init__(self, mesh: TriangleMesh) -> None:
        self.cover = cover(mesh)

    @cached_property
    def forest(self) -> Forest:
        """Of the cover."""
        return Forest.of(self.cover)


def tree_of(mesh: TriangleMesh) -> Tree:
    """Return the tree over a mesh, from memory if need be."""
    return remembered(f"tree:{mesh.content_hash}", 8, lambda: Tree(mesh))
