# SPDX-License-Identifier: GPL-3.0-or-later
"""The clear opening of a section: the room inside its walls, also where the walls do not close.

Where a wall goes all the way round, the opening is the void inside it. A helmet cut through its face opening is one
C-shaped loop that has no void: the inside is a bay of it. So take the convex hull of the whole section and remove the
walls. What is left falls into rooms. A room's outline is wall, except where it is a stretch of the hull: a mouth.
The inside is the largest room, its area weighted by the square of how much of its outline is wall. A bay must fill a
fair part of the hull and be walled for at least half its way round: the notch between a body's arm and its chest is no
inside. A void, being closed, need not be large; but a large bay wins over the small voids in a hollow wall.

Width and depth are extents of that room: from wall to facing wall, or to the straight line across a mouth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..arrays import BoolArray, FloatArray
from ..mesh import TriangleMesh

# A room that is less of the hull than this is a notch in a solid, no inside.
LEAST_SHARE = 0.4
# A room with more of its outline open than this is no inside.
MOST_OPEN = 0.5
# Open edges this long, as a share of an outline, make it the outline of a surface without thickness.
RIM_SHARE = 0.25
# Open ends this near are two sides of a tear, such as a missing triangle, where the opening is looked for.
TEAR_MM = 5.0
# A section in more open lines than this is confetti; nothing is bridged.
MOST_TORN = 200
# A surface without thickness stands for a wall this thick (mm) where rooms are looked for.
FOIL_MM = 2e-4
# A room's outline comes back from the 2D booleans rounded, and half a foil away from a surface.
ON_LINE_MM = 1e-3
LONG_MM = 8.0  # segments wider than this across are looked at one by one; it only sets the pace


@dataclass(frozen=True, eq=False)
class Opening:
    """The room inside the walls of a section.

    Attributes
    ----------
    outline
        (n, 3) mm, closed, counter-clockwise seen from the tip of the normal.
    width_mm, depth_mm
        Its extent along the plane's axes: the clear opening, not wall to wall.
    girth_mm
        Length of the outline, the straight lines across mouths included.
    area_mm2
        Enclosed area.
    mouths_mm
        Lengths of the lines across where no wall is, longest first; empty for a ring.
    lips
        The ends of those lines, (2, 3) mm each, in the same order, the room on the left going from one to the other.
    """

    outline: FloatArray
    width_mm: float
    depth_mm: float
    girth_mm: float
    area_mm2: float
    mouths_mm: tuple[float, ...] = ()
    lips: tuple[FloatArray, ...] = ()


def bridged(outlines: list[FloatArray], closed: BoolArray) -> tuple[list[FloatArray], BoolArray]:
    """Return outlines (n, 2) with the tears up to `TEAR_MM` between open ends closed, the shortest first."""
    lines = {i: o for i, (o, c) in enumerate(zip(outlines, closed)) if not c}
    done = [o for o, c in zip(outlines, closed) if c]
    while lines:
        names = list(lines)
        ends = np.array([lines[i][[0, -1]] for i in names]).reshape(-1, 2)
        gap = np.linalg.norm(ends[:, None] - ends[None], axis=2)
        np.fill_diagonal(gap, np.inf)
        a, b = np.unravel_index(int(np.argmin(gap)), gap.shape)
        if gap[a, b] > TEAR_MM or len(names) > MOST_TORN:
            break
        first, second = lines.pop(names[a // 2]), lines.pop(names[b // 2], None)
        if second is None:
            done.append(first)
        else:  # the near ends in the middle
            first, second = first[:: 1 if a % 2 else -1], second[:: -1 if b % 2 else 1]
            lines[names[a // 2]] = np.concatenate([first, second])
    return done + list(lines.values()), np.array([True] * len(done) + [False] * len(lines))


def inside_of(
    outlines: list[FloatArray],
    closed: BoolArray,
    nesting: BoolArray,
    girths: FloatArray,
    rim: Callable[[], float],
    frame: tuple[FloatArray, FloatArray, FloatArray],
) -> Opening | None:
    """Return the inside of a section whose walls form no plain ring.

    Parameters
    ----------
    outlines
        (n, 2) each, mm in the plane's axes; closed outer ones counter-clockwise, closed inner ones clockwise.
    closed
        (c,) whether an outline is closed.
    nesting
        (c, c) bool, whether outline i lies inside outline j.
    girths
        (c,) mm.
    rim
        Returns the total length of the mesh's open edges; asked only where it matters.
    frame
        The plane's two axes and a point on it, (3,) each.
    """
    from manifold3d import CrossSection, FillRule

    if not len(outlines):
        return None
    # A closed outline that nothing lies in bounds a solid, unless it is a surface without thickness: then the
    # mesh has a rim, of a length like the outline's own. Small holes of a dirty solid make no rim.
    foil = ~closed
    alone = closed & ~nesting.any(axis=0) & ~nesting.any(axis=1)
    if alone.any():
        foil = foil | (alone & (rim() >= RIM_SHARE * girths))
    hull = CrossSection.hull_points(np.concatenate(outlines))
    whole = hull.area()
    if whole <= 0:
        return None
    outermost = closed & ~nesting.any(axis=1)
    if (
        not foil.any()
        and whole - sum(signed_area(outlines[i]) for i in np.flatnonzero(outermost)) < LEAST_SHARE * whole
    ):
        return None  # no bay is large enough to be the inside
    solid = CrossSection([o for o, thin in zip(outlines, foil) if not thin], FillRule.Positive)
    foils = [q for o, thin, c in zip(outlines, foil, closed) if thin for q in _foil(o, bool(c))]
    walls = solid + CrossSection(foils, FillRule.Positive) if foils else solid
    around = hull.to_polygons()[0]
    best: tuple[float, FloatArray, list[FloatArray], float] | None = None
    for room in (hull - walls).decompose():
        if room.area() < LEAST_SHARE * whole:
            continue
        contour = _unpinched(max(room.to_polygons(), key=lambda p: abs(signed_area(p))))
        lengths = np.linalg.norm(np.roll(contour, -1, axis=0) - contour, axis=1)
        mouth = _near_lines(contour, around, np.roll(around, -1, axis=0)) & ~_on_wall(contour, outlines, closed)
        open_share = float(lengths[mouth].sum() / lengths.sum())
        if open_share > MOST_OPEN:
            continue
        score = room.area() * (1 - open_share) ** 2
        if best is None or score > best[0]:
            best = (score, contour, _runs(contour, mouth), float(lengths.sum()))
    if best is None:
        return None
    _, contour, mouths, girth = best
    size = np.ptp(contour, axis=0)
    across, along, origin = frame

    def in_space(flat: FloatArray) -> FloatArray:
        return flat @ np.stack([across, along]) + origin

    mouths.sort(key=lambda ends: -float(np.linalg.norm(ends[1] - ends[0])))
    return Opening(
        in_space(contour),
        float(size[0]),
        float(size[1]),
        girth,
        abs(signed_area(contour)),
        tuple(float(np.linalg.norm(ends[1] - ends[0])) for ends in mouths),
        tuple(in_space(ends) for ends in mouths),
    )


def _unpinched(contour: FloatArray) -> FloatArray:
    """Return the largest loop of an outline (n, 2) that touches itself.

    Where a rib of the outside touches the hull, the bay beside it hangs together with the room by that one point.
    """
    while True:
        order = np.argsort(contour[:, 0], kind="stable")
        for k in (1, 2, 3):
            a, b = order[:-k], order[k:]
            apart = np.abs(a - b)
            meets = (apart > 1) & (apart < len(contour) - 1)
            meets &= np.abs(contour[a] - contour[b]).max(axis=1, initial=0.0) <= ON_LINE_MM
            if meets.any():
                at = int(np.argmax(meets))
                i, j = sorted((int(a[at]), int(b[at])))
                contour = max(contour[i:j], np.roll(contour, -j, axis=0)[: len(contour) - j + i], key=_size)
                break
        else:
            return contour


def _size(outline: FloatArray) -> float:
    return abs(signed_area(outline))


def signed_area(polygon: FloatArray) -> float:
    """Return the area of a closed 2D outline (n, 2), positive where it runs counter-clockwise."""
    p = polygon - polygon[0]
    q = np.roll(p, -1, axis=0)
    return 0.5 * float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum())


def _foil(outline: FloatArray, closed: bool) -> list[FloatArray]:
    """Return a thin counter-clockwise rectangle round each stretch of a line; neighbours overlap at the corner."""
    end = np.roll(outline, -1, axis=0) if closed else outline[1:]
    start = outline if closed else outline[:-1]
    along = end - start
    length = np.linalg.norm(along, axis=1)[:, None]
    along = along / np.where(length > 0, length, 1.0) * (FOIL_MM / 2)
    aside = np.stack([-along[:, 1], along[:, 0]], axis=1)
    corners = [start - along - aside, end + along - aside, end + along + aside, start - along + aside]
    return list(np.stack(corners, axis=1))


def _on_wall(contour: FloatArray, outlines: list[FloatArray], closed: BoolArray) -> BoolArray:
    start = np.concatenate([o if c else o[:-1] for o, c in zip(outlines, closed)])
    end = np.concatenate([np.roll(o, -1, axis=0) if c else o[1:] for o, c in zip(outlines, closed)])
    return _near_lines(contour, start, end)


def _near_lines(contour: FloatArray, start: FloatArray, end: FloatArray) -> BoolArray:
    """Return for each stretch of a contour whether its middle is on one of some segments."""
    middle = 0.5 * (contour + np.roll(contour, -1, axis=0))
    long = np.abs(end - start)[:, 0] > LONG_MM
    near = _on_any(middle, start[long], end[long])
    rest = np.flatnonzero(~near)
    near[rest] = _on_any(middle[rest], start[~long], end[~long])
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


def _runs(contour: FloatArray, chosen: BoolArray) -> list[FloatArray]:
    """Return the two ends (2, 2) of each unbroken run of chosen stretches, round the closed outline."""
    starts = np.flatnonzero(chosen & ~np.roll(chosen, 1))
    ends = np.flatnonzero(~chosen & np.roll(chosen, 1))
    if len(starts) and ends[0] < starts[0]:
        ends = np.roll(ends, -1)
    return [contour[[i, j]] for i, j in zip(starts, ends)]


def rim_length(mesh: TriangleMesh) -> float:
    """Return the total length of a mesh's open edges in mm."""
    if _boundary_checksum(mesh) == 0:
        return 0.0
    welded = mesh.welded()
    edges = np.sort(welded.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    edges = edges[edges[:, 0] != edges[:, 1]]
    key = edges[:, 0] * len(welded.vertices) + edges[:, 1]
    order = np.argsort(key)
    apart = np.diff(key[order], prepend=-1, append=-1) != 0
    open_edges = edges[order[apart[1:] & apart[:-1]]]
    ends = welded.vertices[open_edges]
    return float(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum())


def _boundary_checksum(mesh: TriangleMesh) -> int:
    """Return 0 where every edge is run through as often one way as the other: no open edge, no flipped face.

    Each directed edge adds an antisymmetric product of two scrambled vertex numbers, modulo 2**64; what cancels
    is 0 and what does not is 0 by accident once in 2**64. It costs a tenth of sorting the edges.
    """
    number = np.arange(1, len(mesh.vertices) + 1, dtype=np.uint64)
    p = (number * np.uint64(0x9E3779B97F4A7C15)) ^ (number << np.uint64(29))
    p = p * np.uint64(0xBF58476D1CE4E5B9)
    p ^= p >> np.uint64(31)
    q = (p + number) * np.uint64(0x94D049BB133111EB)
    q ^= q >> np.uint64(29)
    a, b, c = (mesh.triangles[:, i] for i in range(3))
    pa, pb, pc, qa, qb, qc = p[a], p[b], p[c], q[a], q[b], q[c]
    # (a,b) + (b,c) + (c,a) of p q' - q p', gathered by the factor p
    return int((pa * (qb - qc) + pb * (qc - qa) + pc * (qa - qb)).sum(dtype=np.uint64))
