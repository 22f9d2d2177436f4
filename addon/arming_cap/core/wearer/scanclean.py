# SPDX-License-Identifier: GPL-3.0-or-later
"""Making a scan small and whole enough to search: vertex clusters, and which shells are loose.

Noise goes with the average over a cell; what is smaller than a cell goes too, so the cell is chosen for the use.
"""

from __future__ import annotations

import igl
import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..mesh import TriangleMesh

# A shell of less than this share of the largest one's area does not say where the head is.
LOOSE_SHARE = 0.12


def clustered(mesh: TriangleMesh, cell: float) -> TriangleMesh:
    """Return the mesh with all vertices of a cubic cell merged into their mean (Rossignac and Borrel 1993).

    Parameters
    ----------
    cell
        Side of the cell, in the mesh's own unit.
    """
    group = cell_of(mesh.vertices, cell)
    mean = _means(mesh.vertices, group)
    triangles = group[mesh.triangles]
    a, b, c = triangles.T
    triangles = triangles[(a != b) & (b != c) & (c != a)]
    # Several triangles may have become one; a pair of opposite ones is a fold of the noise, and goes.
    low = triangles[np.arange(len(triangles))[:, None], (triangles.argmin(axis=1)[:, None] + [0, 1, 2]) % 3]
    n = len(mean)
    forward = (low[:, 0] * n + low[:, 1]) * n + low[:, 2]
    backward = (low[:, 0] * n + low[:, 2]) * n + low[:, 1]
    kinds, first = np.unique(forward, return_index=True)
    return TriangleMesh(mean, low[first[~np.isin(kinds, backward)]], mesh.name)


def shells(mesh: TriangleMesh, cell: float) -> tuple[IntArray, FloatArray]:
    """Return each triangle's shell, largest first, and the shells' areas in the mesh's unit squared.

    The areas are those of the clustered surface: noise would add to them.
    """
    label = np.asarray(igl.vertex_components(mesh.triangles), np.int64).ravel()[mesh.triangles[:, 0]]
    group = cell_of(mesh.vertices, cell)
    calm = TriangleMesh(_means(mesh.vertices, group)[group], mesh.triangles)
    area = np.bincount(label, weights=calm.areas)
    order = np.argsort(-area, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return np.asarray(rank[label], np.int64), np.asarray(area[order], float)


def cell_of(points: FloatArray, cell: float) -> IntArray:
    """Return the number of the cubic cell of each point, counted over the cells that hold any, (n,)."""
    column = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    span = column.max(axis=0) + 1
    _, group = np.unique((column[:, 0] * span[1] + column[:, 1]) * span[2] + column[:, 2], return_inverse=True)
    return np.asarray(group.ravel())


def _means(points: FloatArray, group: IntArray) -> FloatArray:
    """Return the mean point of each group."""
    count = np.bincount(group)
    return np.stack([np.bincount(group, weights=points[:, i]) / count for i in range(3)], axis=1)


def matter(label: IntArray, area: FloatArray) -> BoolArray:
    """Return which triangles belong to shells large enough to search for a head."""
    return np.asarray((area > LOOSE_SHARE * area[0])[label])
