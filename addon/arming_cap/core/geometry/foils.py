# SPDX-License-Identifier: GPL-3.0-or-later
"""Which shells of a mesh are surfaces without thickness, and which are solids, be they torn."""

from __future__ import annotations

import numpy as np

from ..arrays import BoolArray
from ..mesh import TriangleMesh, shell_labels

# A surface whose longest unbroken open edge is at least so much of the way round it has a rim: it has no thickness.
RIM_SHARE = 0.5
# Corners of a mesh this near (mm) are one where open edges are looked for.
WELD_MM = 0.02


def foils(mesh: TriangleMesh) -> BoolArray:
    """Return for each triangle whether its shell is a surface without thickness, (m,): open, with a rim.

    A rim is an unbroken open edge as long as a good part of the way round the shell. Holes of a dirty solid are not.
    """
    kept: BoolArray | None = mesh.__dict__.get("_foils")  # as a cached property keeps it: a mesh never changes
    if kept is None:
        kept = mesh.__dict__["_foils"] = _foils(mesh)
    return kept


def _foils(mesh: TriangleMesh) -> BoolArray:
    rounded = TriangleMesh(np.round(mesh.vertices / WELD_MM) * WELD_MM, mesh.triangles).welded()
    label = shell_labels(rounded)
    edges = np.sort(rounded.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    own = np.repeat(label, 3)
    whole = edges[:, 0] != edges[:, 1]
    edges, own = edges[whole], own[whole]
    key = edges[:, 0] * len(rounded.vertices) + edges[:, 1]
    order = np.argsort(key)
    apart = np.diff(key[order], prepend=-1, append=-1) != 0
    rows = order[apart[1:] & apart[:-1]]
    rim = np.zeros(int(label.max(initial=-1)) + 1)
    if len(rows):
        open_edges = edges[rows]
        length = np.linalg.norm(rounded.vertices[open_edges[:, 1]] - rounded.vertices[open_edges[:, 0]], axis=1)
        lines = shell_labels(TriangleMesh(rounded.vertices, open_edges[:, [0, 1, 1]]))
        longest = np.bincount(lines, length)
        np.maximum.at(rim, own[rows], longest[lines])
    low, high = np.full((len(rim), 3), np.inf), np.full((len(rim), 3), -np.inf)
    corners = rounded.corners
    np.minimum.at(low, label, corners.min(axis=1))
    np.maximum.at(high, label, corners.max(axis=1))
    around = 2 * np.sort(high - low, axis=1)[:, :2].sum(axis=1)
    return (rim >= RIM_SHARE * around)[label]
