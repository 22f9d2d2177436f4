# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane sections: outlines, how they nest, what they measure, and how wide the clear opening is.

A section is cut from any triangle soup. Exactly on a vertex, an edge or a face that lies in the plane it is the
limit from the side the normal comes from (from below, for a level plane); where there is nothing on that side, the
limit from the other. So a box cut at the height of its lid and at the height of its floor gives its outline both times.

Width runs along world X laid into the plane (world Y if the plane faces X), depth along normal x width.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..errors import InputError
from ..mesh import TriangleMesh
from ..progress import Progress, silent
from .chains import Chains, chains
from .opening import Opening, bridged, inside_of, rim_length, signed_area

# A point inside another loop is looked for at this many of a loop's points: all of them must lie inside.
NESTING_SAMPLES = 8
# A void that fills at least this share of the outline around it is where the wearer goes; no doubt is left to settle.
CLEARLY_A_RING = 0.5


@dataclass(frozen=True, eq=False)
class Loop:
    """One outline of a section.

    Attributes
    ----------
    points
        (n, 3) mm. A closed loop does not repeat its first point. Seen from the tip of the normal a closed outer loop
        runs counter-clockwise and an inner one clockwise: material is on the left.
    closed
        Whether the last point joins the first.
    role
        ``outer`` or ``inner``: the outermost loop is outer, the void inside it inner, an island in that outer again.
        An open loop has the role of the place it stands in: outer in the open.
    girth_mm
        Length along the loop.
    area_mm2
        Enclosed area, positive; of an open loop, 0.
    width_mm, depth_mm
        Extent along the plane's two axes.
    """

    points: FloatArray
    closed: bool
    role: str
    girth_mm: float
    area_mm2: float
    width_mm: float
    depth_mm: float

    def as_dict(self) -> dict[str, Any]:
        """Return the loop as JSON shows it."""
        return {
            "closed": self.closed,
            "role": self.role,
            "girth_mm": _rounded(self.girth_mm),
            "area_mm2": _rounded(self.area_mm2),
            "width_mm": _rounded(self.width_mm),
            "depth_mm": _rounded(self.depth_mm),
            "points": (np.round(self.points, 4) + 0.0).tolist(),
        }


@dataclass(frozen=True, eq=False)
class Section:
    """What one plane cuts out of a mesh.

    Attributes
    ----------
    normal
        (3,) unit length.
    offset
        The plane is ``normal · x = offset``, mm.
    loops
        Closed ones first, largest area first; then open ones, longest first.
    opening
        The clear opening: the room inside the walls (see `Opening`); None where there is no inside.
    """

    normal: FloatArray
    offset: float
    loops: tuple[Loop, ...]
    opening: Opening | None = None

    @property
    def inner_width_mm(self) -> float | None:
        """Clear width, from wall to facing wall on the inside; None where there is no inside."""
        return None if self.opening is None else self.opening.width_mm

    @property
    def inner_depth_mm(self) -> float | None:
        """Clear depth; to the line across the mouth where the outline is open on that side."""
        return None if self.opening is None else self.opening.depth_mm

    @property
    def inner_girth_mm(self) -> float | None:
        """Length round the clear opening, with the line across a mouth where there is one."""
        return None if self.opening is None else self.opening.girth_mm

    def as_dict(self) -> dict[str, Any]:
        """Return the section as JSON shows it."""
        opening = self.opening
        return {
            "normal": [_rounded(v, 9) for v in self.normal],
            "offset": _rounded(self.offset, 6),
            "loops": [loop.as_dict() for loop in self.loops],
            "inner_width_mm": None if opening is None else _rounded(opening.width_mm),
            "inner_depth_mm": None if opening is None else _rounded(opening.depth_mm),
            "inner_girth_mm": None if opening is None else _rounded(opening.girth_mm),
            "mouths_mm": [] if opening is None else [_rounded(m) for m in opening.mouths_mm],
        }


def _rounded(value: float, digits: int = 4) -> float:
    return round(float(value), digits) + 0.0


def plane_axes(normal: FloatArray | Sequence[float]) -> tuple[FloatArray, FloatArray]:
    """Return the unit vectors (3,) along which a plane's width and depth run."""
    n = np.asarray(normal, float)
    n = n / np.linalg.norm(n)
    for axis in (np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])):
        width = axis - n * (n @ axis)
        length = np.linalg.norm(width)
        if length > 1e-6:
            break
    width = width / length
    return width, np.cross(n, width)


def cut(
    mesh: TriangleMesh,
    normals: FloatArray | Sequence[float] | Sequence[Sequence[float]],
    offsets: FloatArray | Sequence[float] | float,
    progress: Progress = silent,
) -> list[Section]:
    """Cut a mesh with planes ``n · x = d``.

    Parameters
    ----------
    mesh
        Any triangles: open, non-manifold, not welded, repeated, flipped, crossing each other.
    normals
        (3,) one for all planes, or (k, 3). Any length but zero: ``2 n · x = 2 d`` is the plane ``n · x = d``.
    offsets
        (k,) or a number.
    progress
        Called between groups of parallel planes.

    Returns
    -------
    One section per plane, in the order given; without loops where the plane misses the mesh.

    Raises
    ------
    InputError
        If a normal has no length, or a number is not finite.
    """
    distance = np.atleast_1d(np.asarray(offsets, float))
    facing = np.asarray(normals, float)
    if facing.ndim == 2 and len(distance) == 1:
        distance = np.repeat(distance, len(facing))
    facing = np.broadcast_to(facing, (len(distance), 3))
    if not (np.isfinite(facing).all() and np.isfinite(distance).all()):
        raise InputError("a section plane holds a number that is not finite", remedy="give NX,NY,NZ,D in numbers")
    length = np.linalg.norm(facing, axis=1)
    if (length == 0).any():
        raise InputError("a section plane's normal has no length", remedy="give a direction, such as 0,0,1")
    facing = facing / length[:, None] + 0.0
    distance = distance / length

    directions, group = np.unique(facing, axis=0, return_inverse=True)
    sections: list[Section | None] = [None] * len(distance)
    rim = cache(lambda: rim_length(mesh))
    for g, normal in enumerate(directions):
        progress(g / len(directions), "cutting sections")
        rows = np.flatnonzero(group.ravel() == g)
        rows = rows[np.argsort(distance[rows], kind="stable")]
        for row, section in zip(rows, _parallel(mesh, rim, normal, distance[rows])):
            sections[row] = section
    progress(1.0, "cutting sections")
    return [s for s in sections if s is not None]


def _parallel(mesh: TriangleMesh, rim: Callable[[], float], normal: FloatArray, offsets: FloatArray) -> list[Section]:
    """Cut with parallel planes, `offsets` ascending."""
    below = chains(mesh, normal, offsets, above=False)
    sections = _measured(below, rim, normal, offsets)
    empty = np.array([i for i, s in enumerate(sections) if not s.loops], np.int64)
    if len(empty):
        above = chains(mesh, normal, offsets[empty], above=True)
        for i, section in zip(empty, _measured(above, rim, normal, offsets[empty])):
            sections[i] = section
    return sections


def _measured(cut: Chains, rim: Callable[[], float], normal: FloatArray, offsets: FloatArray) -> list[Section]:
    """Turn the chains of parallel planes into sections."""
    width, depth = plane_axes(normal)
    if not len(cut.closed):
        return [Section(normal, float(d), ()) for d in offsets]
    flat = cut.points @ np.column_stack([width, depth])
    first, last = cut.first[:-1], cut.first[1:] - 1
    ahead = np.arange(1, len(flat) + 1)
    ahead[last] = np.where(cut.closed, first, last)
    step = flat[ahead] - flat
    girth = np.add.reduceat(np.hypot(step[:, 0], step[:, 1]), first)
    # About the loop's own first point: far from the origin the products would swallow the digits.
    own = flat - np.repeat(flat[first], np.diff(cut.first), axis=0)
    area = 0.5 * np.add.reduceat(own[:, 0] * step[:, 1] - own[:, 1] * step[:, 0], first)
    area[~cut.closed] = 0.0
    low, high = np.minimum.reduceat(flat, first), np.maximum.reduceat(flat, first)
    order = np.lexsort((-girth, -np.abs(area), ~cut.closed, cut.plane))
    bounds = np.searchsorted(cut.plane[order], np.arange(len(offsets) + 1))

    sections = []
    for k, offset in enumerate(offsets):
        rows = order[bounds[k] : bounds[k + 1]]
        outlines = [flat[cut.first[i] : cut.first[i + 1]] for i in rows]
        nesting = _nesting(outlines, cut.closed[rows], low[rows], high[rows])
        loops = []
        for at, i in enumerate(rows):
            inner = bool(nesting[at].sum() % 2)
            points = cut.points[cut.first[i] : cut.first[i + 1]]
            if cut.closed[i] and (area[i] < 0) != inner:
                points, outlines[at] = points[::-1], outlines[at][::-1]
            size = high[i] - low[i]
            loops.append(
                Loop(
                    points,
                    bool(cut.closed[i]),
                    "inner" if inner else "outer",
                    float(girth[i]),
                    float(abs(area[i])),
                    float(size[0]),
                    float(size[1]),
                )
            )
        if not cut.closed[rows].all():
            opening = _torn_opening(outlines, cut.closed[rows], rim, (width, depth, normal * offset))
            sections.append(Section(normal, float(offset), tuple(loops), opening))
            continue
        # Loops come largest first, so the first void is the largest.
        void = next((i for i, loop in enumerate(loops) if loop.closed and loop.role == "inner"), None)
        opening = None
        if void is None or not _rings(loops, nesting, void):
            frame = (width, depth, normal * offset)
            opening = inside_of(outlines, cut.closed[rows], nesting, girth[rows], rim, frame)
        if opening is None and void is not None:
            loop = loops[void]
            opening = Opening(loop.points[::-1], loop.width_mm, loop.depth_mm, loop.girth_mm, loop.area_mm2)
        sections.append(Section(normal, float(offset), tuple(loops), opening))
    return sections


def _torn_opening(
    outlines: list[FloatArray],
    closed: BoolArray,
    rim: Callable[[], float],
    frame: tuple[FloatArray, FloatArray, FloatArray],
) -> Opening | None:
    """Return the clear opening of a section with open outlines: small tears count as closed."""
    outlines, closed = bridged(outlines, closed)
    low = np.array([o.min(axis=0) for o in outlines])
    high = np.array([o.max(axis=0) for o in outlines])
    nesting = _nesting(outlines, closed, low, high)
    area = np.array([signed_area(o) if c else 0.0 for o, c in zip(outlines, closed)])
    inner = nesting.sum(axis=1) % 2 == 1
    outlines = [o[::-1] if (a < 0) != i and c else o for o, a, i, c in zip(outlines, area, inner, closed)]
    girth = np.array(
        [
            np.linalg.norm(np.roll(o, -1, axis=0) - o, axis=1)[: None if c else -1].sum()
            for o, c in zip(outlines, closed)
        ]
    )
    voids = np.flatnonzero(inner & closed)
    void = None
    if len(voids):
        i = int(voids[np.argmax(np.abs(area[voids]))])
        size = high[i] - low[i]
        across, along, origin = frame
        outline = outlines[i][::-1] @ np.stack([across, along]) + origin
        void = Opening(outline, float(size[0]), float(size[1]), float(girth[i]), float(abs(area[i])))
        if void.area_mm2 >= CLEARLY_A_RING * np.abs(area[nesting[i]]).min():
            return void
    return inside_of(outlines, closed, nesting, girth, rim, frame) or void


def _rings(loops: list[Loop], nesting: BoolArray, void: int) -> bool:
    """Return whether a void fills so much of the outline around it that it can only be the inside."""
    around = min(loops[j].area_mm2 for j in np.flatnonzero(nesting[void]))
    return loops[void].area_mm2 >= CLEARLY_A_RING * around


def _nesting(outlines: list[FloatArray], closed: BoolArray, low: FloatArray, high: FloatArray) -> BoolArray:
    """Return (c, c) bool: whether loop i lies inside closed loop j. Loops that cross are not inside each other."""
    count = len(outlines)
    inside = np.zeros((count, count), bool)
    if count < 2:
        return inside
    boxed = (low[:, None] >= low[None]).all(axis=2) & (high[:, None] <= high[None]).all(axis=2) & closed[None, :]
    np.fill_diagonal(boxed, False)
    for i, j in np.argwhere(boxed):
        if inside[j, i]:  # two copies of one loop: the first is around the second, not the other way too
            continue
        sample = outlines[i][:: max(1, len(outlines[i]) // NESTING_SAMPLES)]
        inside[i, j] = bool(points_inside(sample, outlines[j]).all())
    return inside


def points_inside(points: FloatArray, outline: FloatArray) -> BoolArray:
    """Return for each of some 2D points (p, 2) whether a closed outline (n, 2) goes round it (even-odd)."""
    ahead = np.roll(outline, -1, axis=0)
    over = outline[None, :, 1] > points[:, None, 1]
    spans = over != (ahead[None, :, 1] > points[:, None, 1])
    rise = np.where(ahead[:, 1] == outline[:, 1], 1.0, ahead[:, 1] - outline[:, 1])
    slope = (ahead[:, 0] - outline[:, 0]) / rise
    at = outline[None, :, 0] + (points[:, None, 1] - outline[None, :, 1]) * slope[None]
    return (spans & (at > points[:, None, 0])).sum(axis=1) % 2 == 1


def wall_thickness(section: Section) -> list[FloatArray]:
    """Return for each loop the thickness of material behind it, (n,) mm, one per stretch between its points.

    Measured from the middle of the stretch, square to it, to where the material ends; NaN for an open loop and
    where nothing faces it.
    """
    width, depth = plane_axes(section.normal)
    axes = np.column_stack([width, depth])
    flats = [loop.points @ axes for loop in section.loops if loop.closed]
    if not flats:
        return [np.full(len(loop.points), np.nan) for loop in section.loops]
    start = np.concatenate(flats)
    step = np.concatenate([np.roll(f, -1, axis=0) - f for f in flats])
    middle = start + 0.5 * step
    into = np.stack([-step[:, 1], step[:, 0]], axis=1) / np.linalg.norm(step, axis=1)[:, None]
    thick = np.full(len(start), np.nan)
    for rows in np.array_split(np.arange(len(start)), 1 + len(start) ** 2 // 2_000_000):
        thick[rows] = _first_hit(middle[rows], into[rows], rows, start, step)
    result = []
    taken = 0
    for loop in section.loops:
        result.append(thick[taken : taken + len(loop.points)] if loop.closed else np.full(len(loop.points), np.nan))
        taken += len(loop.points) if loop.closed else 0
    return result


def _first_hit(origin: FloatArray, ray: FloatArray, rows: IntArray, start: FloatArray, step: FloatArray) -> FloatArray:
    """Return how far 2D rays (r, 2) run until they meet a segment other than their own; NaN where they meet none."""
    to = start[None] - origin[:, None]
    cross = ray[:, None, 0] * step[None, :, 1] - ray[:, None, 1] * step[None, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        along = (to[:, :, 0] * step[None, :, 1] - to[:, :, 1] * step[None, :, 0]) / cross
        on = (to[:, :, 0] * ray[:, None, 1] - to[:, :, 1] * ray[:, None, 0]) / cross
    hits = (cross != 0) & (on >= 0) & (on <= 1) & (along > 0)
    hits[np.arange(len(rows)), rows] = False
    nearest = np.where(hits, along, np.inf).min(axis=1)
    return np.where(np.isfinite(nearest), nearest, np.nan)


def clear_opening(section: Section) -> Opening | None:
    """Return the room inside the walls of a section, None where there is none; see `Opening`."""
    return section.opening
