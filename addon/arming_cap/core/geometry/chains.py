# SPDX-License-Identifier: GPL-3.0-or-later
"""From triangles and parallel planes to chains of points: the topology of a plane section.

Every crossing triangle gives one segment, from where the boundary of the triangle descends through the plane to
where it climbs, so that an outward-facing triangle has its solid on the segment's left seen from the tip of the
normal. A segment's two ends have numbers 2 s and 2 s + 1; ends that stand on the same mesh edge meet there. This is
decided by vertex rows and signs, never by coordinates, so no rounding can open a loop.

A vertex on the plane is counted with one side of it (simulation of simplicity, Edelsbrunner and Mücke 1990, with the
plane instead of the vertices moved by an infinitesimal): what comes out is the limit of the sections just below or
just above, and vertices, edges and faces that lie in the plane need no case of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..mesh import TriangleMesh

# Rounding of a height, relative to the coordinates: a vertex this near to a plane lies on it.
ON_PLANE = 1e-11
# Ends of different mesh edges at one place to this many mm are the same point: far above rounding, far below print.
SAME_PLACE_MM = 1e-6
# Open ends this near are a crack of the mesh and are closed: finer than any printer or tape can tell.
CRACK_MM = 0.01


@dataclass(frozen=True, eq=False)
class Chains:
    """Chains of points on a set of parallel planes.

    Attributes
    ----------
    points
        (n, 3) mm, chain after chain; a closed chain does not repeat its first point.
    first
        (c + 1,) rows of `points` where each chain starts, and the end of the last.
    plane
        (c,) the number of each chain's plane.
    closed
        (c,) whether the last point joins the first.
    triangle
        (c,) a triangle that each chain runs through.
    """

    points: FloatArray
    first: IntArray
    plane: IntArray
    closed: BoolArray
    triangle: IntArray


def chains(mesh: TriangleMesh, normal: FloatArray, offsets: FloatArray, above: bool) -> Chains:
    """Return the section of any triangle soup with the planes ``normal · x = offsets``.

    Parameters
    ----------
    mesh
        Any triangles.
    normal
        (3,) unit length.
    offsets
        (k,) mm, ascending.
    above
        Take the limit from the side the normal points to; else from the other.
    """
    heights = mesh.vertices @ normal
    # Reach of the coordinates that went into a height, hence of its rounding.
    slack = ON_PLANE * float(max(np.abs(mesh.vertices).max(initial=0.0), np.abs(offsets).max(initial=0.0)))
    # rank = how many planes a vertex lies above; what lies on a plane counts as below or above it.
    if above:
        rank = np.searchsorted(offsets, heights - slack, side="left")
    else:
        rank = np.searchsorted(offsets, heights + slack, side="right")
    plane, ends, triangle = _segments(mesh, rank)
    height_at = offsets[plane]

    def place(e: IntArray) -> FloatArray:
        low, high = ends[e, 0], ends[e, 1]
        start, rise = heights[low], heights[high] - heights[low]
        along = np.clip((height_at[e >> 1] - start) / rise, 0.0, 1.0)
        corner = mesh.vertices[low]
        return corner + along[:, None] * (mesh.vertices[high] - corner)

    key = (ends[:, 0] * len(mesh.vertices) + ends[:, 1]) * len(offsets) + np.repeat(plane, 2)
    partner = _partners(key)
    alive = np.ones(len(plane), bool)
    loose = np.flatnonzero(partner < 0)
    if len(loose):
        # A triangle given twice may hang on one loose edge: its second copy would lead straight back.
        back = partner[loose ^ 1]
        twice = loose[(back >= 0) & (key[loose] == key[back ^ 1]) & (loose < (back ^ 1))]
        alive[partner[twice ^ 1] >> 1] = False
        partner[twice ^ 1] = -1
        loose = np.flatnonzero((partner < 0) & np.repeat(alive, 2))
        _join_loose(loose, place(loose), np.repeat(plane, 2)[loose], normal, partner, alive)
    walked, first, closed = _walk(partner, alive)
    segment = walked[first[:-1]] >> 1
    return _without_repeats(Chains(place(walked), first, plane[segment], closed, triangle[segment]))


def _segments(mesh: TriangleMesh, rank: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Return each segment's plane (s,), its ends' mesh edges as vertex rows, lower first (2 s, 2), and triangle."""
    a, b, c = (rank[mesh.triangles[:, i]] for i in range(3))
    low = np.minimum(np.minimum(a, b), c)
    crossed = np.maximum(np.maximum(a, b), c) - low
    rows = np.flatnonzero(crossed)
    count = crossed[rows]
    triangle = np.repeat(rows, count)
    starts = np.cumsum(count) - count
    plane = np.arange(len(triangle)) + np.repeat(low[rows] - starts, count)
    up = [r[triangle] > plane for r in (a, b, c)]
    # Which corner stands alone on its side, by the three signs; the segment cuts it off.
    code = up[0] + 2 * up[1] + 4 * up[2]
    corners, own = mesh.triangles.ravel(), 3 * triangle
    tip = corners[own + np.array([0, 0, 1, 2, 2, 1, 0, 0])[code]]
    after = corners[own + np.array([0, 1, 2, 0, 0, 2, 1, 0])[code]]
    before = corners[own + np.array([0, 2, 0, 1, 1, 0, 2, 0])[code]]
    # The boundary runs before -> tip -> after: it climbs on the first edge where the tip is the upper corner.
    climbs_first = np.array([0, 1, 1, 0, 1, 0, 0, 0], bool)[code]
    climb = np.where(climbs_first, before, after)
    descend = np.where(climbs_first, after, before)
    ends = np.empty((2 * len(triangle), 2), np.int64)
    for offset, other in ((0, descend), (1, climb)):
        ends[offset::2, 0] = np.minimum(tip, other)
        ends[offset::2, 1] = np.maximum(tip, other)
    whole = climb != descend  # a triangle on two vertices has no extent
    if not whole.all():
        plane, ends, triangle = plane[whole], ends[np.repeat(whole, 2)], triangle[whole]
    return plane, ends, triangle


def _partners(key: IntArray) -> IntArray:
    """Return for each end the one other end with its key; -1 where there is none or more than one."""
    order = np.argsort(key)
    ordered = key[order]
    same = ordered[1:] == ordered[:-1]
    pair = same.copy()
    pair[1:] &= ~same[:-1]
    pair[:-1] &= ~same[1:]
    at = np.flatnonzero(pair)
    partner = np.full(len(key), -1, np.int64)
    partner[order[at]] = order[at + 1]
    partner[order[at + 1]] = order[at]
    return partner


def _join_loose(
    loose: IntArray, places: FloatArray, plane: IntArray, normal: FloatArray, partner: IntArray, alive: BoolArray
) -> None:
    """Join the ends that no mesh edge joins to exactly one other: by place, then by direction, then over cracks.

    `partner` and `alive` are changed in place; duplicates of a segment die.
    """
    cell = np.round(places / SAME_PLACE_MM).astype(np.int64)
    _, group = np.unique(np.column_stack([plane, cell]), axis=0, return_inverse=True)
    group = group.ravel()
    group_of = np.full(len(partner), -1, np.int64)
    group_of[loose] = group

    # A segment with both ends loose may have no length, or repeat another (a triangle given twice).
    both = np.unique(loose >> 1)
    both = both[(group_of[2 * both] >= 0) & (group_of[2 * both + 1] >= 0)]
    ends = np.sort(np.column_stack([group_of[2 * both], group_of[2 * both + 1]]), axis=1)
    _, keep = np.unique(ends, axis=0, return_index=True)
    dies = np.ones(len(both), bool)
    dies[keep] = False
    dies |= ends[:, 0] == ends[:, 1]
    alive[both[dies]] = False
    here = alive[loose >> 1]
    loose, places, plane, group = loose[here], places[here], plane[here], group[here]

    order = np.argsort(group, kind="stable")
    bounds = np.flatnonzero(np.diff(group[order], prepend=-1, append=-1))
    size = np.diff(bounds)
    two = bounds[:-1][size == 2]
    partner[loose[order[two]]] = loose[order[two + 1]]
    partner[loose[order[two + 1]]] = loose[order[two]]
    crowded = np.flatnonzero(size > 2)
    if len(crowded):
        slot = np.full(len(partner), -1, np.int64)
        slot[loose] = np.arange(len(loose))
        for g in crowded:
            _pair_by_turn(loose[order[bounds[g] : bounds[g + 1]]], slot, places, normal, partner)
    left = np.flatnonzero(partner[loose] < 0)
    _close_cracks(loose[left], places[left], plane[left], partner)


def _pair_by_turn(ends: IntArray, slot: IntArray, places: FloatArray, normal: FloatArray, partner: IntArray) -> None:
    """Pair what arrives at a crowded place with what leaves it, the sharpest turn to the solid side first.

    So solids that touch along an edge keep a loop each. Ends of which only one kind is left pair among themselves.
    """
    other = slot[ends ^ 1]
    here = places[slot[ends[0]]]
    # Where the far end is not loose its place is not known here: such ends keep the order they have.
    towards = np.where((other >= 0)[:, None], places[other] - here, 0.0)
    side = np.array([1.0, 0.0, 0.0]) if abs(normal[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    x = np.cross(normal, side)
    y = np.cross(normal, x)
    angle = np.arctan2(towards @ y, towards @ x)
    arrives = [i for i in range(len(ends)) if ends[i] & 1]
    leaves = [i for i in range(len(ends)) if not ends[i] & 1]
    for i in arrives:
        if leaves:
            # The solid lies left of the way in: turning on, the first way out clockwise from the way back.
            best = min(leaves, key=lambda j: ((angle[i] - angle[j]) % (2 * np.pi), ends[j]))
            leaves.remove(best)
            partner[ends[i]], partner[ends[best]] = ends[best], ends[i]
    rest = [i for i in range(len(ends)) if partner[ends[i]] < 0]
    for i, j in zip(rest[::2], rest[1::2]):
        partner[ends[i]], partner[ends[j]] = ends[j], ends[i]


def _close_cracks(ends: IntArray, places: FloatArray, plane: IntArray, partner: IntArray) -> None:
    """Join open ends on one plane that are nearer than `CRACK_MM`, nearest first."""
    order = np.lexsort((places[:, 2], places[:, 1], places[:, 0], plane))
    ends, places, plane = ends[order], places[order], plane[order]
    found: list[tuple[float, int, int]] = []
    for step in range(1, len(ends)):
        near = (plane[step:] == plane[:-step]) & (places[step:, 0] - places[:-step, 0] <= CRACK_MM)
        if not near.any():
            break
        at = np.flatnonzero(near)
        gap = np.linalg.norm(places[at + step] - places[at], axis=1)
        found += [
            (float(d), int(i), int(i + step))
            for d, i in zip(gap, at)
            if d <= CRACK_MM and ends[i] ^ 1 != ends[i + step]
        ]
    for _, i, j in sorted(found):
        if partner[ends[i]] < 0 and partner[ends[j]] < 0:
            partner[ends[i]], partner[ends[j]] = ends[j], ends[i]


def _walk(partner: IntArray, alive: BoolArray) -> tuple[IntArray, IntArray, BoolArray]:
    """Return the ends in walking order, where each chain starts (c + 1,), and which chains are closed (c,).

    One end stands for the point it lies at; an open chain's last point is the end it stops at.
    """
    segments = len(alive)
    crossing = np.arange(2 * segments) ^ 1
    onward: list[int] = partner[crossing].tolist() if segments else []
    seen = bytearray((~alive).astype(np.uint8).tobytes())
    walked: list[int] = []
    first = [0]
    closed: list[bool] = []

    # Starting where a chain arrives from nowhere keeps the direction of its triangles where they agree.
    open_ends = np.flatnonzero((partner < 0) & np.repeat(alive, 2))
    for end in np.concatenate([open_ends[open_ends % 2 == 0], open_ends[open_ends % 2 == 1]]).tolist():
        if not seen[end >> 1]:
            while end >= 0:
                seen[end >> 1] = 1
                walked.append(end)
                last, end = end, onward[end]
            walked.append(last ^ 1)
            first.append(len(walked))
            closed.append(False)
    start = seen.find(0)
    while start >= 0:  # what is left are cycles: each comes back to its first end
        end = begin = 2 * start
        while True:
            seen[end >> 1] = 1
            walked.append(end)
            end = onward[end]
            if end == begin:
                break
        first.append(len(walked))
        closed.append(True)
        start = seen.find(0, start)
    return np.array(walked, np.int64), np.array(first, np.int64), np.array(closed, bool)


def _without_repeats(cut: Chains) -> Chains:
    """Drop points that repeat the one before them, and chains that are left with no extent."""
    points, first, closed = cut.points, cut.first, cut.closed
    if not len(closed):
        return cut
    before = np.arange(len(points)) - 1
    before[first[:-1]] = np.where(closed, first[1:] - 1, first[:-1])
    keep = (np.abs(points - points[before]) > SAME_PLACE_MM).any(axis=1)
    keep[first[:-1]] |= ~closed
    count = np.add.reduceat(keep, first[:-1], dtype=np.int64)
    # Two segments that close are one triangle given twice, a line; more that come to two points have no extent.
    line = closed & (np.diff(first) == 2)
    closed = closed & ~line
    real = count >= np.where(closed, 3, 2)
    points = points[keep & np.repeat(real, np.diff(first))]
    first = np.concatenate([[0], np.cumsum(count[real])])
    return Chains(points, first, cut.plane[real], closed[real], cut.triangle[real])
