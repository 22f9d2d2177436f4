# SPDX-License-Identifier: GPL-3.0-or-later
"""One plane through piece and wearer, quickly: both outlines, the room inside the piece, and the gap between them.

The one place that the live section of the panel asks; what a section is and measures stands in `geometry.section`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import BoolArray, FloatArray
from ..geometry.section import Section, cut, plane_axes
from ..mesh import TriangleMesh


@dataclass(frozen=True, eq=False)
class Across:
    """What a plane shows.

    Attributes
    ----------
    piece, wearer
        Outlines, (n, 3) mm each, closed ones with their first point repeated.
    room_mm
        Clear width, depth and girth inside the piece; None where there is no inside.
    body_mm
        The same of the wearer's largest outline; None where the plane misses the wearer.
    gap_mm, gap
        The least distance between the two in the plane, negative where the piece's outline is inside the wearer's,
        with its two ends (2, 3) mm; None where either is missing.
    """

    piece: tuple[FloatArray, ...]
    wearer: tuple[FloatArray, ...]
    room_mm: tuple[float, float, float] | None
    body_mm: tuple[float, float, float] | None
    gap_mm: float | None
    gap: FloatArray | None


def across(piece: TriangleMesh, wearer: TriangleMesh | None, normal: FloatArray, offset: float) -> Across:
    """Cut a piece and its wearer with the plane ``normal · x = offset``, mm; see `Across`."""
    (shell,) = cut(piece, normal, offset, wearer=wearer)
    body = shell.worn
    inside = shell.inner_width_mm, shell.inner_depth_mm, shell.inner_girth_mm
    room = None if None in inside else (inside[0] or 0.0, inside[1] or 0.0, inside[2] or 0.0)
    outer = [loop for loop in body.loops if loop.closed and loop.role == "outer"] if body else []
    measured = (outer[0].width_mm, outer[0].depth_mm, outer[0].girth_mm) if outer else None
    lines, skins = _outlines(shell), _outlines(body) if body else ()
    gap_mm, gap = _gap(lines, skins, shell.normal)
    return Across(lines, skins, room, measured, gap_mm, gap)


def _outlines(section: Section) -> tuple[FloatArray, ...]:
    return tuple(
        np.concatenate([loop.points, loop.points[:1]]) if loop.closed else loop.points for loop in section.loops
    )


def _gap(
    lines: tuple[FloatArray, ...], skins: tuple[FloatArray, ...], normal: FloatArray
) -> tuple[float | None, FloatArray | None]:
    """Return the least distance between two sets of outlines in one plane, signed, and its ends."""
    if not lines or not skins:
        return None, None
    axes = np.array(plane_axes(normal))
    a, b = (np.concatenate([_segments(one @ axes.T, one) for one in kind]) for kind in (lines, skins))
    # Corner to corner first; only what can still be nearer is measured along the segments.
    flat_a, flat_b = a[:, 0, :2], b[:, 0, :2]
    near2 = (flat_a**2).sum(1)[:, None] + (flat_b**2).sum(1)[None] - 2 * flat_a @ flat_b.T
    reach = _lengths(a)[:, None] + _lengths(b)[None]
    near = np.sqrt(np.maximum(near2, 0.0))
    rows, columns = np.nonzero(near - reach <= near.min())
    one, other = a[rows], b[columns]
    best: tuple[float, FloatArray] | None = None
    for point, segment in ((one[:, 0], other), (other[:, 0], one)):
        foot = _foot(point[:, :2], segment)
        distance = np.linalg.norm(foot[:, :2] - point[:, :2], axis=1)
        k = int(distance.argmin())
        if best is None or distance[k] < best[0]:
            best = float(distance[k]), np.array([point[k, 2:], foot[k, 2:]])
    assert best is not None
    inside = _within(flat_a, b)
    if inside.any():
        # How deep: the deepest of the corners that are inside.
        depth = near[inside].min(axis=1)
        k = int(depth.argmax())
        row = int(np.flatnonzero(inside)[k])
        foot = _foot(np.repeat(flat_a[row : row + 1], len(b), axis=0), b)
        away = np.linalg.norm(foot[:, :2] - flat_a[row], axis=1)
        return -float(away.min()), np.array([a[row, 0, 2:], foot[int(away.argmin()), 2:]])
    return best


def _segments(flat: FloatArray, points: FloatArray) -> FloatArray:
    """Return a polyline's segments (s, 2, 5): their ends in the plane, and in space."""
    both = np.concatenate([flat, points], axis=1)
    return np.stack([both[:-1], both[1:]], axis=1)


def _lengths(segments: FloatArray) -> FloatArray:
    return np.linalg.norm(segments[:, 1, :2] - segments[:, 0, :2], axis=1)


def _foot(points: FloatArray, segments: FloatArray) -> FloatArray:
    """Return the nearest point (k, 5) of each segment to its point (k, 2)."""
    start, way = segments[:, 0], segments[:, 1] - segments[:, 0]
    length2 = np.maximum((way[:, :2] ** 2).sum(axis=1), 1e-18)
    share = np.clip(((points - start[:, :2]) * way[:, :2]).sum(axis=1) / length2, 0.0, 1.0)
    foot: FloatArray = start + share[:, None] * way
    return foot


def _within(points: FloatArray, segments: FloatArray) -> BoolArray:
    """Return which points (n, 2) are inside closed outlines, by the parity of a ray."""
    x, y = points[:, 0, None], points[:, 1, None]
    (x0, y0), (x1, y1) = segments[:, 0, :2].T, segments[:, 1, :2].T
    spans = (y0 > y) != (y1 > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        right = x < x0 + (y - y0) * (x1 - x0) / (y1 - y0)
    crossings: BoolArray = ((spans & right).sum(axis=1) % 2).astype(bool)
    return crossings
