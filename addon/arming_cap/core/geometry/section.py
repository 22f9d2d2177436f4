# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane sections: outlines, how they nest, what they measure, and how wide the clear opening is.

A section is cut from any triangle soup. Exactly on a vertex, an edge or a face that lies in the plane it is the
limit from the side the normal comes from (from below, for a level plane); where there is nothing on that side, the
limit from the other. So a box cut at the height of its lid and at the height of its floor gives its outline both times.

Width runs along world X laid into the plane (world Y if the plane faces X), depth along normal x width.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..errors import InputError
from ..mesh import TriangleMesh
from ..progress import Progress, silent
from .chains import Chains, chains
from .foils import foils
from .plane import points_inside
from .room import Room, Walls, in_space

# A point inside another loop is looked for at this many of a loop's points: all of them must lie inside.
NESTING_SAMPLES = 8


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
    is_foil
        Tells of a loop's number whether it is of a surface without thickness.
    worn
        The wearer's section with the same plane, where there is a wearer.
    """

    normal: FloatArray
    offset: float
    loops: tuple[Loop, ...]
    is_foil: Callable[[int], bool] = field(default=lambda _: False, repr=False)
    worn: Section | None = None

    @cached_property
    def _found(self) -> tuple[Room | None, str]:
        """The room, and why there is none or what is doubtful about it."""
        if not self.loops:
            return None, ""
        width, depth = plane_axes(self.normal)
        flat = [loop.points @ np.column_stack([width, depth]) for loop in self.loops]
        # Near the origin, where the 2D booleans keep their digits.
        middle = 0.5 * (flat[0].min(axis=0) + flat[0].max(axis=0))
        walls = Walls([f - middle for f in flat], np.array([loop.closed for loop in self.loops]), self.is_foil)
        worn = [] if self.worn is None else [loop.points for loop in self.worn.loops if loop.closed]
        region = walls.room([p @ np.column_stack([width, depth]) - middle for p in worn])
        if region is None:
            return None, ""
        if doubt := walls.doubt(region):
            return None, doubt
        frame = (width, depth, self.normal * self.offset + middle @ np.stack([width, depth]))
        return in_space(region, walls, frame), ""

    @property
    def room(self) -> Room | None:
        """The free region that holds the wearer (see `Room`); None where there is none, or none that can be told."""
        return self._found[0]

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is doubtful about the room, in words; empty where nothing is."""
        room, withheld = self._found
        said = [f"the room is not given: {withheld}"] if withheld else []
        if room is not None:
            if room.tears_mm:
                widest = np.ceil(10 * max(room.tears_mm)) / 10
                said.append(f"{len(room.tears_mm)} tears up to {widest:.1f} mm wide were taken as closed")
            if room.holes_mm:
                across = (
                    f"{max(room.holes_mm):.1f} mm wide was bridged by a straight line: the room may be larger there"
                )
                said.append(f"a hole {across}")
            for word, straight, reaches in zip(("wide", "deep"), room.straight_mm, room.reaches_in, strict=True):
                if reaches:
                    said.append(
                        f"something reaches in: straight across its middle the room is {straight:.1f} mm {word}"
                    )
        return tuple(said)

    @property
    def inner_width_mm(self) -> float | None:
        """Width of the room, from wall to facing wall on the inside; None where there is none."""
        return None if self.room is None else self.room.width_mm

    @property
    def inner_depth_mm(self) -> float | None:
        """Depth of the room; to the line across the mouth where the outline is open on that side."""
        return None if self.room is None else self.room.depth_mm

    @property
    def inner_girth_mm(self) -> float | None:
        """Length round the room, with the line across a mouth where there is one."""
        return None if self.room is None else self.room.girth_mm

    def as_dict(self) -> dict[str, Any]:
        """Return the section as JSON shows it."""
        room = self.room
        return {
            "normal": [_rounded(v, 9) for v in self.normal],
            "offset": _rounded(self.offset, 6),
            "loops": [loop.as_dict() for loop in self.loops],
            "inner_width_mm": None if room is None else _rounded(room.width_mm),
            "inner_depth_mm": None if room is None else _rounded(room.depth_mm),
            "inner_girth_mm": None if room is None else _rounded(room.girth_mm),
            "inner_area_mm2": None if room is None else _rounded(room.area_mm2),
            "straight_width_mm": None if room is None else _rounded(room.straight_mm[0]),
            "straight_depth_mm": None if room is None else _rounded(room.straight_mm[1]),
            "mouths_mm": [] if room is None else [_rounded(m) for m in room.mouths_mm],
            "remarks": list(self.remarks),
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
    wearer: TriangleMesh | None = None,
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
    wearer
        The form, in the same frame: the room is the one that holds it.

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
    worn = [None] * len(distance) if wearer is None else cut(wearer, facing, distance)
    is_foil = cache(lambda: foils(mesh))
    sections: list[Section | None] = [None] * len(distance)
    for g, normal in enumerate(directions):
        progress(g / len(directions), "cutting sections")
        rows = np.flatnonzero(group.ravel() == g)
        rows = rows[np.argsort(distance[rows], kind="stable")]
        for row, (loops, triangles) in zip(rows, _parallel(mesh, normal, distance[rows])):

            def of_foil(i: int, triangles: IntArray = triangles) -> bool:
                return bool(is_foil()[triangles[i]])

            sections[row] = Section(normal, float(distance[row]), loops, of_foil, worn[row])
    progress(1.0, "cutting sections")
    return [s for s in sections if s is not None]


def _parallel(mesh: TriangleMesh, normal: FloatArray, offsets: FloatArray) -> list[tuple[tuple[Loop, ...], IntArray]]:
    """Cut with parallel planes, `offsets` ascending; return each one's loops and a triangle of each."""
    found = _measured(chains(mesh, normal, offsets, above=False), normal, len(offsets))
    empty = [i for i, (loops, _) in enumerate(found) if not loops]
    if empty:
        above = chains(mesh, normal, offsets[empty], above=True)
        for i, measured in zip(empty, _measured(above, normal, len(empty))):
            found[i] = measured
    return found


def _measured(cut: Chains, normal: FloatArray, planes: int) -> list[tuple[tuple[Loop, ...], IntArray]]:
    """Turn the chains of parallel planes into loops."""
    if not len(cut.closed):
        return [((), cut.triangle)] * planes
    flat = cut.points @ np.column_stack(plane_axes(normal))
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
    bounds = np.searchsorted(cut.plane[order], np.arange(planes + 1))

    found = []
    for k in range(planes):
        rows = order[bounds[k] : bounds[k + 1]]
        outlines = [flat[cut.first[i] : cut.first[i + 1]] for i in rows]
        inner = _nesting(outlines, cut.closed[rows], low[rows], high[rows]).sum(axis=1) % 2 == 1
        loops = []
        for i, within in zip(rows, inner.tolist()):
            points = cut.points[cut.first[i] : cut.first[i + 1]]
            if cut.closed[i] and (area[i] < 0) != within:
                points = points[::-1]
            figures = (float(v) for v in (girth[i], abs(area[i]), *(high[i] - low[i])))
            loops.append(Loop(points, bool(cut.closed[i]), "inner" if within else "outer", *figures))
        found.append((tuple(loops), cut.triangle[rows]))
    return found


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
