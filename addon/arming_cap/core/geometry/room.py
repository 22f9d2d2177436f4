# SPDX-License-Identifier: GPL-3.0-or-later
"""The room of a section: the free region of the plane that holds the wearer, whatever loops the mesh makes of it.

Material is where the outlines are; which way they run, and how often one lies inside another, says nothing. Two points
are in one region where every outline either goes round both or round neither (even-odd, one outline at a time), and a
way between them crosses none. So the room is found from one point in it: the hull of the section, within each outline
that goes round the point, without what the others enclose, and of that the connected part that holds the point. The
walls of crossing solids, copies that lie on one another, flipped faces and liners need no case of their own.

Without a wearer the point is the middle of the section, or of the best region: the largest, its area weighted by the
square of how much of its outline is wall. An outline of a solid that goes round the point makes it material, unless
another does so again; an outline of a surface without thickness does not (`foils`).

Where walls do not close, an outline's open ends are joined by the straight line between them. Up to `TEAR_MM` that is
a tear of the mesh, and counts as wall; a longer line, and where the room ends at the hull, is a mouth.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..arrays import BoolArray, FloatArray
from .lips import narrowest, runs, unpinched, without_forecourts, without_rims
from .plane import near_lines, points_inside, signed_area

# An open region with more of its outline open than this is no inside. Where it is less than a fair share of the hull,
# as between an arm and a chest, the second number counts.
MOST_OPEN = 0.5
FAIR_SHARE = 0.4
MOST_OPEN_SMALL = 0.25
# Open ends this near are two sides of a tear, such as a missing triangle.
TEAR_MM = 5.0
# Ends this near are one place of the wall, though the one may overlap the other's line.
MEET_MM = 0.1
# Longer gaps are joined where both lines they join are so many times as long: what ends there is the same wall.
LONG_LINE = 2.0
# An open line stands for a wall this thick (mm).
FOIL_MM = 2e-4
# A section in more open lines than this is confetti; nothing is joined, and no room is told.
MOST_TORN = 200
# So many tears, of so much of all outlines together, leave too little wall to tell a room by.
FEW = 3
MOST_GONE = 0.06
# A surface without thickness that is so much of a section has borders; the open edges of smaller ones are tears.
BORDER_SHARE = 0.3
# A straight line through the room that ends this much short of its hull is told of.
STRAIGHT_SHARE = 0.95

_Numbered = tuple[int, FloatArray]


@dataclass(frozen=True, eq=False)
class Room:
    """The room inside the walls of a section.

    Attributes
    ----------
    outline
        (n, 3) mm, closed, counter-clockwise seen from the tip of the normal.
    width_mm, depth_mm
        Its extent along the plane's axes, from wall to facing wall; to the straight line across a mouth.
    girth_mm
        Length of the outline, the straight lines across mouths included.
    area_mm2
        Of the room, without what stands free in it.
    straight_mm
        How long straight lines along the two axes are inside it, through the point it was found from.
    reaches_in
        Whether something stands in the way of each of these lines, so that it ends before the room's convex hull does.
    mouths_mm
        The closest distance of the two lips of each mouth, the longest line across first; empty for a ring.
    lips
        The ends of the lines across that close the outline, (2, 3) mm each, in the same order, the room on the left
        going from one to the other.
    tears_mm, holes_mm
        Lengths of the tears that were taken as closed, and of longer gaps in the walls of a solid that were bridged by
        a straight line.
    """

    outline: FloatArray
    width_mm: float
    depth_mm: float
    girth_mm: float
    area_mm2: float
    straight_mm: tuple[float, float] = (0.0, 0.0)
    reaches_in: tuple[bool, bool] = (False, False)
    mouths_mm: tuple[float, ...] = ()
    lips: tuple[FloatArray, ...] = ()
    tears_mm: tuple[float, ...] = ()
    holes_mm: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class _Region:
    """A free region: its outline (n, 2), which of its stretches are open (n,), its area, and the point it holds."""

    contour: FloatArray
    open: BoolArray
    area: float
    point: FloatArray

    @property
    def lengths(self) -> FloatArray:
        return np.linalg.norm(np.roll(self.contour, -1, axis=0) - self.contour, axis=1)

    @property
    def open_share(self) -> float:
        return float(self.lengths[self.open].sum() / self.lengths.sum())


class Walls:
    """The outlines of one section, and the regions between them.

    Parameters
    ----------
    outlines
        (n, 2) each, mm in the plane's axes; open ones last.
    closed
        (c,) whether an outline is closed.
    is_foil
        Tells of an outline's number whether it is of a surface without thickness; asked only where it matters.
    """

    def __init__(self, outlines: Sequence[FloatArray], closed: BoolArray, is_foil: Callable[[int], bool]) -> None:
        from manifold3d import CrossSection, FillRule

        self.outlines, self.closed, self.is_foil = outlines, closed, is_foil
        joined, self.lines, self.gaps = _joined(self._open_lines())
        self.loops = [(int(i), outlines[i]) for i in np.flatnonzero(closed)] + joined
        self.fills = [CrossSection([o], FillRule.EvenOdd) for _, o in self.loops]
        self.hull = CrossSection.hull_points(np.concatenate(outlines))
        foils = [q for _, line, _ in self.lines for q in _foil(line)]
        self.foils = CrossSection(foils, FillRule.Positive) if foils else CrossSection()

    def _open_lines(self) -> dict[int, tuple[FloatArray, BoolArray]]:
        """Return the open outlines by number, each with which of its two ends are loose: not on another outline.

        One that lies on others all along, such as a copy of a few faces, is left out.
        """
        rows = np.flatnonzero(~self.closed)
        ends = np.array([self.outlines[i][[0, -1]] for i in rows]).reshape(-1, 2)
        lines = {}
        for i in rows.tolist():
            own = self.outlines[i]
            others = [(o, c) for k, (o, c) in enumerate(zip(self.outlines, self.closed)) if k != i]
            start, end = _stretches(others)
            if not len(start) or len(rows) > MOST_TORN:
                lines[i] = own, np.array([True, True])
                continue
            spots = np.concatenate([own, 0.5 * (own[1:] + own[:-1])])
            on = near_lines(spots, start, end)
            if not on.all():
                others_ends = ends[np.repeat(rows != i, 2)]
                gap = np.linalg.norm(own[[0, -1]][:, None] - others_ends[None], axis=2).min(axis=1, initial=np.inf)
                lines[i] = own, ~on[[0, len(own) - 1]] | (gap <= MEET_MM)
        return lines

    def doubt(self, region: _Region) -> str:
        """Why a region cannot be told from what is in the wall, in words; empty where it can."""
        if len(self.lines) > MOST_TORN:
            return f"its walls are in {len(self.lines)} loose lines, so that the room cannot be told from the wall"
        long = 0.1 * float(np.linalg.norm(np.ptp(np.concatenate(self.outlines), axis=0)))
        loose = [
            i
            for i, line, free in self.lines
            if free.all() and np.linalg.norm(np.ptp(line, axis=0)) > long and not self._has_border(i)
        ]
        gone = self.tears_mm + self.holes_mm
        missing = sum(gone) / sum(_length(o) for o in self.outlines)
        if loose or (len(gone) >= FEW and (missing > MOST_GONE or len(runs(region.open)) >= FEW)):
            return (
                f"its walls are torn in {len(gone) + len(loose)} places, so that the room cannot be told from the wall"
            )
        return ""

    def _has_border(self, i: int) -> bool:
        """Return whether an outline is of a surface whose open edges are its border: without thickness, and large."""
        every = np.concatenate(self.outlines)
        large = np.linalg.norm(np.ptp(self.outlines[i], axis=0)) > BORDER_SHARE * np.linalg.norm(np.ptp(every, axis=0))
        return bool(large) and self.is_foil(i)

    @property
    def holes_mm(self) -> list[float]:
        """Lengths of the longer gaps in walls that were joined by a straight line."""
        return [length for i, gap in self.gaps if (length := _length(gap)) > TEAR_MM and not self._has_border(i)]

    @property
    def tears_mm(self) -> list[float]:
        """Lengths of the tears that were closed."""
        return [length for _, gap in self.gaps if (length := _length(gap)) <= TEAR_MM]

    def room(self, wearer: Sequence[FloatArray]) -> _Region | None:
        """Return the room that holds a wearer, given as closed outlines (n, 2); the section's own without one."""
        from manifold3d import CrossSection, FillRule

        whole = self.hull.area()
        if whole <= 0:
            return None
        body = CrossSection(list(wearer), FillRule.EvenOdd) ^ self.hull if wearer else CrossSection()
        seeds = [_point_in(p.to_polygons()) for p in sorted(body.decompose(), key=lambda p: -p.area()) if p.area() > 0]
        for seed in [*seeds, np.array(self.hull.bounds()).reshape(2, 2).mean(axis=0)]:
            region = self._region(seed, whole)
            if region is not None:
                return region
        regions = [r for seed in self._seeds(whole) if (r := self._region(seed, whole)) is not None]
        return max(regions, key=lambda r: r.area * (1 - r.open_share) ** 2, default=None)

    def _seeds(self, whole: float) -> Iterator[FloatArray]:
        """Return a point in each region that an even number of outlines goes round, and in each of the rest."""
        from manifold3d import CrossSection, FillRule

        odd = CrossSection([o for _, o in self.loops], FillRule.EvenOdd) if self.loops else CrossSection()
        for part in ((self.hull - odd) - self.foils).decompose() + odd.decompose():
            if part.area() > 1e-4 * whole:
                yield _point_in(part.to_polygons())

    def _region(self, point: FloatArray, whole: float) -> _Region | None:
        """Return the free region that holds a point; None where that is material, a notch, or the open."""
        from manifold3d import CrossSection, OpType

        around = [bool(points_inside(point[None], o)[0]) for _, o in self.loops]
        if self._is_material([own for own, holds in zip(self.loops, around) if holds]):
            return None
        region = CrossSection.batch_boolean(
            [self.hull, *(f for f, h in zip(self.fills, around) if h)], OpType.Intersect
        )
        others = [f for f, h in zip(self.fills, around) if not h]
        region = CrossSection.batch_boolean([region, *others, self.foils], OpType.Subtract)
        for part in region.decompose():
            polygons = part.to_polygons()
            if sum(bool(points_inside(point[None], p)[0]) for p in polygons) % 2:
                return self._measured(polygons, float(part.area()), point, whole)
        return None

    def _is_material(self, around: Sequence[_Numbered]) -> bool:
        """Return whether an odd number of solids' outlines goes round a point; copies of one count once."""
        distinct: list[_Numbered] = []
        for i, o in around:
            if not any(_same(o, other) for _, other in distinct):
                distinct.append((i, o))
        return len(distinct) % 2 == 1 and sum(not self.is_foil(i) for i, _ in distinct) % 2 == 1

    def _measured(self, polygons: Sequence[FloatArray], area: float, point: FloatArray, whole: float) -> _Region | None:
        contour = unpinched(max(polygons, key=lambda p: abs(signed_area(p))))
        islands = sum(abs(signed_area(p)) for p in polygons) - max(abs(signed_area(p)) for p in polygons)
        if not points_inside(point[None], contour)[0]:
            return None
        hull = self.hull.to_polygons()[0]
        middle = 0.5 * (contour + np.roll(contour, -1, axis=0))
        long = [gap for _, gap in self.gaps if _length(gap) > TEAR_MM]
        start = np.concatenate([hull, *(gap[:1] for gap in long)])
        end = np.concatenate([np.roll(hull, -1, axis=0), *(gap[1:] for gap in long)])
        mouth = near_lines(middle, start, end)
        if not mouth.any():
            return _Region(contour, mouth, abs(signed_area(contour)) - islands, point)
        start, end = _stretches(list(zip(self.outlines, self.closed)))
        mouth[mouth] &= ~near_lines(middle[mouth], start, end)
        contour, mouth = without_rims(*without_forecourts(contour, mouth))
        region = _Region(contour, mouth, abs(signed_area(contour)) - islands, point)
        most = MOST_OPEN if region.area >= FAIR_SHARE * whole else MOST_OPEN_SMALL
        return region if points_inside(point[None], contour)[0] and region.open_share <= most else None


def in_space(region: _Region, walls: Walls, frame: tuple[FloatArray, FloatArray, FloatArray]) -> Room:
    """Return a region as a room in space; `frame` are the plane's two axes and a point on it, (3,) each."""
    from manifold3d import CrossSection

    across, along, origin = frame
    lift = np.stack([across, along])
    contour = region.contour
    mouths = [(contour[[i, j]], narrowest(contour, i, j)[0]) for i, j in runs(region.open)]
    mouths.sort(key=lambda m: -float(np.linalg.norm(m[0][1] - m[0][0])))
    size = np.ptp(contour, axis=0)
    hull = CrossSection.hull_points(contour).to_polygons()[0]
    # Each axis in turn as the first.
    straight, free = ([_straight(o[:, way], region.point[way]) for way in ([0, 1], [1, 0])] for o in (contour, hull))
    return Room(
        contour @ lift + origin,
        float(size[0]),
        float(size[1]),
        float(region.lengths.sum()),
        region.area,
        (straight[0], straight[1]),
        (straight[0] < STRAIGHT_SHARE * free[0], straight[1] < STRAIGHT_SHARE * free[1]),
        tuple(narrow for _, narrow in mouths),
        tuple(ends @ lift + origin for ends, _ in mouths),
        tuple(walls.tears_mm),
        tuple(walls.holes_mm),
    )


def _stretches(outlines: Sequence[tuple[FloatArray, Any]]) -> tuple[FloatArray, FloatArray]:
    """Return both ends (m, 2) of every stretch of some outlines, each with whether it is closed."""
    if not outlines:
        return np.empty((0, 2)), np.empty((0, 2))
    start = np.concatenate([o if c else o[:-1] for o, c in outlines])
    return start, np.concatenate([np.roll(o, -1, axis=0) if c else o[1:] for o, c in outlines])


def _joined(
    outlines: dict[int, tuple[FloatArray, BoolArray]],
) -> tuple[list[_Numbered], list[tuple[int, FloatArray, BoolArray]], list[_Numbered]]:
    """Join the loose ends of one wall by straight lines, the shortest first.

    Returns
    -------
    The outlines (n, 2) that close so; those that stay open, with which ends are loose; and the lines (2, 2) drawn;
    each with the number of an outline it came from.
    """
    lines = dict(outlines)
    done: list[_Numbered] = []
    gaps: list[_Numbered] = []
    while lines and len(lines) <= MOST_TORN:
        names = list(lines)
        ends = np.array([lines[i][0][[0, -1]] for i in names]).reshape(-1, 2)
        loose = np.concatenate([lines[i][1] for i in names])
        gap = np.linalg.norm(ends[:, None] - ends[None], axis=2)
        length = np.repeat([_length(lines[i][0]) for i in names], 2)
        most = np.minimum(length[:, None], length[None]) / LONG_LINE
        own = np.arange(len(ends)) // 2
        most[own[:, None] != own[None]] = np.maximum(most, TEAR_MM)[own[:, None] != own[None]]
        gap[(gap > most) | ~loose | ~loose[:, None]] = np.inf
        np.fill_diagonal(gap, np.inf)
        a, b = np.unravel_index(int(np.argmin(gap)), gap.shape)
        if not np.isfinite(gap[a, b]):
            break
        gaps.append((names[a // 2], ends[[a, b]]))
        (first, free), second = lines.pop(names[a // 2]), lines.pop(names[b // 2], None)
        if second is None:
            done.append((names[a // 2], first))
            continue
        # The near ends in the middle.
        way, back = (1 if a % 2 else -1), (-1 if b % 2 else 1)
        line = np.concatenate([first[::way], second[0][::back]])
        lines[names[a // 2]] = line, np.array([free[::way][0], second[1][::back][1]])
    return done, [(i, line, free) for i, (line, free) in lines.items()], gaps


def _length(line: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def _same(a: FloatArray, b: FloatArray) -> bool:
    """Return whether two outlines are copies of one: the same box and the same area."""
    boxes = [np.concatenate([o.min(axis=0), o.max(axis=0)]) for o in (a, b)]
    areas = [abs(signed_area(o)) for o in (a, b)]
    return bool(np.abs(boxes[0] - boxes[1]).max() < 1e-3) and abs(areas[0] - areas[1]) <= 1e-4 * areas[0]


def _foil(line: FloatArray) -> list[FloatArray]:
    """Return a thin counter-clockwise rectangle round each stretch of an open line; neighbours overlap."""
    start, end = line[:-1], line[1:]
    along = end - start
    length = np.linalg.norm(along, axis=1)[:, None]
    along = along / np.where(length > 0, length, 1.0) * (FOIL_MM / 2)
    aside = np.stack([-along[:, 1], along[:, 0]], axis=1)
    corners = [start - along - aside, end + along - aside, end + along + aside, start - along + aside]
    return list(np.stack(corners, axis=1))


def _crossings(contour: FloatArray, y: float) -> FloatArray:
    """Return where a closed outline crosses the line at a height, ascending."""
    ahead = np.roll(contour, -1, axis=0)
    spans = (contour[:, 1] > y) != (ahead[:, 1] > y)
    a, b = contour[spans], ahead[spans]
    return np.sort(a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0]))


def _straight(contour: FloatArray, point: FloatArray) -> float:
    """Return how long the line along x through a point is inside an outline."""
    at = _crossings(contour, float(point[1]))
    return float(at[at > point[0]].min() - at[at <= point[0]].max())


def _point_in(polygons: Sequence[FloatArray]) -> FloatArray:
    """Return a point in a region: the middle of its longest stretch on a level half way up."""
    every = np.concatenate(polygons)
    # Not exactly half way, where outlines like to have their corners.
    y = float(every[:, 1].min() + 0.4987 * np.ptp(every[:, 1]))
    at = np.sort(np.concatenate([_crossings(p, y) for p in polygons]))
    low, high = at[0:-1:2], at[1::2]
    k = int(np.argmax(high - low))
    return np.array([0.5 * (low[k] + high[k]), y])
