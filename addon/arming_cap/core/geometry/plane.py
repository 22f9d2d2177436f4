# SPDX-License-Identifier: GPL-3.0-or-later
"""Points, lines and outlines in the plane."""

from __future__ import annotations

import numpy as np

from ..arrays import BoolArray, FloatArray

# An outline comes back from the 2D booleans rounded, and half a foil away from a surface without thickness.
ON_LINE_MM = 1e-3
LONG_MM = 8.0  # segments wider than this across are looked at one by one; it only sets the pace


def signed_area(polygon: FloatArray) -> float:
    """Return the area of a closed 2D outline (n, 2), positive where it runs counter-clockwise."""
    p = polygon - polygon[0]
    q = np.roll(p, -1, axis=0)
    return 0.5 * float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum())


def points_inside(points: FloatArray, outline: FloatArray) -> BoolArray:
    """Return for each of some 2D points (p, 2) whether a closed outline (n, 2) goes round it (even-odd)."""
    ahead = np.roll(outline, -1, axis=0)
    over = outline[None, :, 1] > points[:, None, 1]
    spans = over != (ahead[None, :, 1] > points[:, None, 1])
    rise = np.where(ahead[:, 1] == outline[:, 1], 1.0, ahead[:, 1] - outline[:, 1])
    slope = (ahead[:, 0] - outline[:, 0]) / rise
    at = outline[None, :, 0] + (points[:, None, 1] - outline[None, :, 1]) * slope[None]
    return (spans & (at > points[:, None, 0])).sum(axis=1) % 2 == 1


def near_lines(points: FloatArray, start: FloatArray, end: FloatArray) -> BoolArray:
    """Return for each of some points (n, 2) whether it is on one of some segments, (m, 2) each end."""
    long = np.abs(end - start)[:, 0] > LONG_MM
    near = _on_any(points, start[long], end[long])
    rest = np.flatnonzero(~near)
    near[rest] = _on_any(points[rest], start[~long], end[~long])
    return near


def _on_any(points: FloatArray, start: FloatArray, end: FloatArray) -> BoolArray:
    """Return which points (n, 2) are on one of some segments (m, 2): of those only that lie over the same x."""
    near = np.zeros(len(points), bool)
    if not len(start) or not len(points):
        return near
    order = np.argsort(np.minimum(start[:, 0], end[:, 0]))
    start, along = start[order], (end - start)[order]
    squared = (along**2).sum(axis=1)
    squared[squared == 0] = 1.0
    low, high = start[:, 0] + np.minimum(along[:, 0], 0), start[:, 0] + np.maximum(along[:, 0], 0)
    # Past `last` every segment begins to the right of a point, before `first` every one has ended to its left.
    first = np.searchsorted(np.maximum.accumulate(high), points[:, 0] - ON_LINE_MM, side="left")
    last = np.searchsorted(low, points[:, 0] + ON_LINE_MM, side="right")
    count = np.maximum(last - first, 0)
    for rows in np.array_split(np.arange(len(points)), 1 + int(count.sum()) // 1_000_000):
        point = np.repeat(rows, count[rows])
        before = np.cumsum(count[rows]) - count[rows]
        segment = np.arange(len(point)) + np.repeat(first[rows] - before, count[rows])
        to = points[point] - start[segment]
        t = np.clip((to * along[segment]).sum(axis=1) / squared[segment], 0, 1)
        off = to - t[:, None] * along[segment]
        near[point[np.hypot(off[:, 0], off[:, 1]) <= ON_LINE_MM]] = True
    return near
