# SPDX-License-Identifier: GPL-3.0-or-later
"""The widest way out through cells of three freedoms, with a proof that none is wider.

A cell is a box of placements: so much fore-aft, along the way out, and pitch. Over it the margin of each of the
piece's points lies below a plane and a small bend (`Margins.cap`), and the piece's margin below the least of them.
So any weighting of the points whose planes' slopes cancel bounds the cell: `weighed` looks for the one that bounds it
lowest (the dual of a linear program). A point pressed from the left and one pressed from the right together say how
much breadth is missing whatever the move, where either alone says nothing. That bound is the cell's *hope*. A chain of
placements from the seat to off the body passes through neighbouring cells, so its pinch is at most the least hope
among them.

Cells join in order of falling hope. Those that would join the seat to the outside are looked at more sharply, then
halved across the freedom that the hope leans on most, until halving changes nothing: then their hope bounds every
pinch. Only cells in the narrows are ever cut small. The widest chain of middles then either shows a way nearly as wide
as the bound, or where cells are too coarse.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field, fields

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray
from ...distance.forest import Forest
from ...distance.margins import Margins
from ...progress import Progress
from .freedoms import Freedoms

CELL_MM = 32.0
THINNEST = 2.0**-8  # of a largest cell's size
MOST_OPENED = 4  # balls of one cell; fewer make a hope larger, never wrong
LIMITING = 4  # points of a cell asked exactly, beside those that bound it
ROUNDS = 6  # of weighing
AT_ONCE = 128  # cells cut in one go
MOST_KEPT = 200
DEEPER = 1  # rounds of opening
WAIT = 0.3
OPEN = 1.0  # balls larger than this share of the cell's room give way to their children
BEND = 1 / 60.0  # per mm: a head's, for choosing points by; the points chosen are asked exactly


@dataclass(frozen=True, eq=False)
class Boxes:
    """How far three freedoms are searched, and through which largest cells.

    Attributes
    ----------
    low, count, size
        (3,) each: lowest placement, number and size of the largest cells: mm, mm, radians.
    """

    low: FloatArray
    count: IntArray
    size: FloatArray


def weighed(
    base: FloatArray, slope: FloatArray, owner: IntArray, count: int
) -> tuple[FloatArray, list[IntArray], FloatArray]:
    """Return bounds on the least of planes over unit boxes, and the planes they rest on.

    Parameters
    ----------
    base, slope
        (n,) and (n, 3): plane i is ``base + slope · q`` for q in [-1, 1]³.
    owner
        (n,) box of each plane, ascending; every box has one at least.
    count
        Number of boxes.

    Returns
    -------
    bounds
        (count,): the largest over a box of its least plane is at most this. For any weights w that sum to one the
        least plane is at most Σ w (base + slope · q) ≤ Σ w base + |Σ w slope|₁; weights go to one plane after the
        other where that helps most.
    planes
        Rows of the planes, one array (count,) for each round.
    lean
        (count, 3): Σ w slope.
    """

    def best(values: FloatArray, owner: IntArray) -> tuple[IntArray, IntArray]:
        """Return the boxes that have a value here, and for each the first place of its least."""
        start = np.flatnonzero(np.diff(owner, prepend=-1))
        least = np.minimum.reduceat(values, start)
        hit = np.flatnonzero(values == np.repeat(least, np.diff(start, append=len(owner))))
        box, at = np.unique(owner[hit], return_index=True)
        return box, hit[at]

    single = base + np.abs(slope).sum(axis=1)
    chosen = best(single, owner)[1]
    bound, total, lean = single[chosen], base[chosen].copy(), slope[chosen].copy()
    planes = [chosen]
    rows = np.arange(len(base))
    for _ in range(ROUNDS):
        # A plane that nowhere in the box dips below the bound cannot help.
        rows = rows[base[rows] - np.abs(slope[rows]).sum(axis=1) < bound[owner[rows]]]
        if not len(rows):
            break
        mine = owner[rows]
        rise, turn = base[rows] - total[mine], slope[rows] - lean[mine]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip(np.nan_to_num(-lean[mine] / turn, nan=0.0, posinf=0.0, neginf=0.0), 0.0, 1.0)
        # Convex and piecewise straight in the share, so least at a bend.
        value = (
            total[mine][:, None]
            + share * rise[:, None]
            + np.abs(lean[mine][:, None] + share[:, :, None] * turn[:, None]).sum(axis=2)
        )
        bend = value.argmin(axis=1)
        value = value[np.arange(len(rows)), bend]
        box, place = best(value, mine)
        better = value[place] < bound[box] - 1e-9
        box, place = box[better], place[better]
        if not len(box):
            break
        part = share[place, bend[place]]
        total[box] += part * rise[place]
        lean[box] += part[:, None] * turn[place]
        bound[box] = value[place]
        used = planes[0].copy()
        used[box] = rows[place]
        planes.append(used)
    return bound, planes, lean


@dataclass(eq=False)
class Cell:
    """A box of placements.

    Attributes
    ----------
    number
        In order of making.
    middle, half
        (3,) placement, and half the box's size.
    hope, margin
        No placement within has a margin above `hope`; the middle has about `margin`.
    rows
        The balls that may limit it.
    lean
        (3,) how much of its hope each freedom's extent is to blame for, mm.
    outside
        Whether it reaches off the body.
    sharp
        Whether planes were weighed for it.
    beside
        The cells that share a face with it.
    """

    number: int
    middle: FloatArray
    half: FloatArray
    hope: float
    margin: float
    rows: IntArray
    lean: FloatArray
    outside: bool
    sharp: bool = False
    beside: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.low: list[float] = (self.middle - self.half).tolist()
        self.high: list[float] = (self.middle + self.half).tolist()


@dataclass(frozen=True, eq=False)
class _Looks:
    """Balls of cells, by owner: where they are and how they turn, how far they move, and their planes over the cell."""

    owner: IntArray
    rows: IntArray
    points: FloatArray
    tangent: FloatArray
    room: FloatArray
    value: FloatArray
    tilt: FloatArray
    base: FloatArray
    slope: FloatArray

    def of(self, which: BoolArray | IntArray) -> _Looks:
        """Return some of them."""
        return _Looks(*(getattr(self, f.name)[which] for f in fields(self)))


def _merged(a: _Looks, b: _Looks) -> _Looks:
    """Return both, by owner."""
    both = _Looks(*(np.concatenate([getattr(a, f.name), getattr(b, f.name)]) for f in fields(a)))
    return both.of(np.argsort(both.owner, kind="stable"))


class WidestWay:
    """The search; see the module.

    Parameters
    ----------
    piece
        Forest of the piece at the seat.
    freedoms, boxes, margins
        How it moves, how far, and past what.
    far
        Along `out`, a placement beyond this is off the body.
    ceiling
        The margin at the seat: no way is wider.
    tolerance
        Cells are not cut where it would change a hope by less, mm.
    most_cells
        Where to stop.
    """

    def __init__(
        self,
        piece: Forest,
        freedoms: Freedoms,
        boxes: Boxes,
        margins: Margins,
        far: float,
        ceiling: float,
        tolerance: float,
        most_cells: int,
    ) -> None:
        self.freedoms, self.boxes, self.margins, self.piece = freedoms, boxes, margins, piece
        # In one, for one gather.
        self.parts = np.concatenate(freedoms.arms(piece.centres), axis=1)
        self.lever = np.linalg.norm(self.parts[:, 3:6], axis=1)
        self.far, self.ceiling, self.tolerance, self.most_cells = far, ceiling, tolerance, most_cells
        self.cells: dict[int, Cell] = {}
        self.made = 0
        self._fill(np.arange(piece.roots))

    def _placed(self, middle: FloatArray, owner: IntArray, rows: IntArray) -> tuple[FloatArray, FloatArray]:
        """Return centres (n, 3) in the placements of their owners, and how they move (n, 3) per radian of turn."""
        f = self.freedoms
        shift = middle[:, :1] * f.across + middle[:, 1:2] * f.out
        c, s = np.cos(middle[:, 2])[owner, None], np.sin(middle[:, 2])[owner, None]
        parts = self.parts.take(rows, axis=0)
        arm, turned = parts[:, 3:6], parts[:, 6:]
        return parts[:, :3] + c * arm + s * turned + shift[owner], c * turned - s * arm

    def _fill(self, roots: IntArray) -> None:
        """Make the largest cells, their hopes by the grid alone."""
        f = self.boxes
        shape = tuple(int(n) for n in f.count)
        at = np.stack(np.unravel_index(np.arange(np.prod(shape)), shape), axis=1)
        half = np.broadcast_to(f.size / 2, at.shape)
        middle = f.low + (2 * at + 1) * half
        edge = ((at[:, :2] == 0) | (at[:, :2] == f.count[:2] - 1)).any(axis=1)
        outside = edge | (middle[:, 1] + half[:, 1] >= self.far)
        for some in np.array_split(np.arange(len(at)), max(1, len(at) * len(roots) // 200_000)):
            owner, rows = np.repeat(np.arange(len(some)), len(roots)), np.tile(roots, len(some))
            points, _ = self._placed(middle[some], owner, rows)
            room = self._room(half[some], owner, rows)
            value = self.margins.rough(points)
            first = np.arange(len(some)) * len(roots)
            hope = np.minimum.reduceat(value + room + self.margins.rough_error(points), first)
            least = np.minimum.reduceat(value, first)
            keep = value - room - self.piece.radii[rows] <= np.minimum.reduceat(value + room, first)[owner]
            for n, k in enumerate(some):
                kept = roots[keep[first[n] : first[n] + len(roots)]]
                size = half[k] * (1, 1, float(self.lever.mean()))
                self._make(middle[k], half[k], float(hope[n]), float(least[n]), kept, size, bool(outside[k]))
        at_seat = (np.abs(middle) <= half * (1 + 1e-9)).all(axis=1)
        self.seat = int(np.flatnonzero(at_seat)[0])
        strides = (shape[1] * shape[2], shape[2], 1)
        for axis in range(3):
            low = np.flatnonzero(at[:, axis] < shape[axis] - 1)
            for n in low.tolist():
                self.cells[n].beside.add(n + strides[axis])
                self.cells[n + strides[axis]].beside.add(n)

    def _make(
        self,
        middle: FloatArray,
        half: FloatArray,
        hope: float,
        margin: float,
        rows: IntArray,
        lean: FloatArray,
        outside: bool,
    ) -> Cell:
        cell = Cell(self.made, middle, half, hope, margin, rows, lean, outside)
        self.cells[self.made] = cell
        self.made += 1
        return cell

    def _room(self, half: FloatArray, owner: IntArray, rows: IntArray) -> FloatArray:
        """Return how far the balls' centres (n,) move at most within the cells."""
        return np.hypot(half[:, 0], half[:, 1])[owner] + half[owner, 2] * self.lever[rows]

    def sharpen(self, cells: list[Cell]) -> None:
        """Bound some cells by weighing planes: chosen by the grid, then asked exactly."""
        piece = self.piece
        number = len(cells)
        half, middle = np.stack([c.half for c in cells]), np.stack([c.middle for c in cells])
        owner = np.repeat(np.arange(number), [len(c.rows) for c in cells])
        rows = np.concatenate([c.rows for c in cells])
        looks = self._seen(half, middle, owner, rows)
        for again in range(DEEPER + 1):
            _, planes, _ = weighed(looks.base, looks.slope, looks.owner, number)
            first = np.searchsorted(looks.owner, np.arange(number))
            size = np.diff(first, append=len(looks.owner))
            low = looks.value - piece.radii[looks.rows]
            order = np.lexsort((looks.value, looks.owner))
            lowest = [order[first + np.minimum(k, size - 1)] for k in range(LIMITING)]
            pick = np.unique(np.concatenate(planes + lowest))  # rows go by owner, so these do
            if again == DEEPER:
                break
            # The balls that count, and those that may hide more than they, give way to their children.
            large = (piece.radii[looks.rows] > OPEN * looks.room) & (piece.count[looks.rows] > 0)
            order = np.lexsort((low, looks.owner))
            deep = np.concatenate([order[first + np.minimum(k, size - 1)] for k in range(MOST_OPENED)])
            opened = np.zeros(len(large), bool)
            opened[pick] = opened[deep] = True
            opened &= large
            if not opened.any():
                break
            below, count = piece.opened(looks.rows[opened], np.ones(int(opened.sum()), bool))
            more = self._seen(half, middle, np.repeat(looks.owner[opened], count), below)
            looks = _merged(looks.of(~opened), more)
        owner, rows, room = looks.owner, looks.rows, looks.room
        value, points, tangent = looks.value, looks.points, looks.tangent
        swing = self.lever[rows[pick]] * 0.5 * half[owner[pick], 2] ** 2
        height, steep, bend, exact = self.margins.cap(points[pick], room[pick])
        bow = np.where(bend > 0, swing, 0.0) + bend * room[pick] ** 2
        tilt = self._leaning(half, owner[pick], steep, tangent[pick])
        hope, _, lean = weighed(height + bow, tilt, owner[pick], number)
        least = np.minimum.reduceat(exact, np.searchsorted(owner[pick], np.arange(number)))

        # Balls that nowhere in the cell come as low as its hope limit no part of it either.
        dip = np.maximum(looks.tilt, 0.6 * room) + piece.radii[rows] + 0.5 * BEND * room**2
        keep = value - dip <= hope[owner] + self.margins.jump
        keep[_but_lowest(value - dip, owner, keep, MOST_KEPT)] = False
        keep[pick] = True
        ends = first + size
        share = half * (1, 1, float(self.lever.mean()))
        # What a halving mends: its share of the lean, and of what the move bends and turns away.
        lean = np.abs(lean) + 0.1 * share
        for n, cell in enumerate(cells):
            mine = slice(first[n], ends[n])
            cell.rows = rows[mine][keep[mine]]
            cell.hope = min(cell.hope, float(hope[n]))
            cell.margin = float(least[n])
            cell.lean = lean[n]
            cell.sharp = True

    def _leaning(self, half: FloatArray, owner: IntArray, normal: FloatArray, tangent: FloatArray) -> FloatArray:
        """Return by how much margins (n, 3) change from a cell's middle to its side along each freedom."""
        f = self.freedoms
        turning = (normal * tangent).sum(axis=1)
        return np.stack([normal @ f.across, normal @ f.out, turning], axis=1) * half[owner]

    def _seen(self, half: FloatArray, middle: FloatArray, owner: IntArray, rows: IntArray) -> _Looks:
        """Return what the grid says of some balls of some cells."""
        points, tangent = self._placed(middle, owner, rows)
        room = self._room(half, owner, rows)
        value, normal = self.margins.rough_planes(points)
        slope = self._leaning(half, owner, normal, tangent)
        tilt = np.abs(slope).sum(axis=1)
        bow = 0.5 * self.lever[rows] * half[owner, 2] ** 2 + 0.5 * BEND * room**2
        cone = bow + tilt > room
        base = np.where(cone, value + room, value + bow)
        return _Looks(owner, rows, points, tangent, room, value, tilt, base, np.where(cone[:, None], 0.0, slope))

    def split(self, cells: list[Cell]) -> list[Cell]:
        """Halve cells; no half hopes for more than the whole."""
        made = []
        for cell in cells:
            axis = int(np.where(cell.half > THINNEST * self.boxes.size, cell.lean, -1.0).argmax())
            half = cell.half.copy()
            half[axis] /= 2
            pair = []
            for side in (-1, 1):
                middle = cell.middle.copy()
                middle[axis] += side * half[axis]
                one = self._make(middle, half, cell.hope, cell.margin, cell.rows, cell.lean, cell.outside)
                one.outside = cell.outside and (one.high[1] >= self.far or self._at_edge(one))
                pair.append(one)
            del self.cells[cell.number]
            if self.seat == cell.number:
                self.seat = pair[0 if pair[0].high[axis] >= 0.0 else 1].number
            for one in pair:
                one.beside = {n for n in cell.beside if _touching(one, self.cells[n])}
            for n in cell.beside:
                self.cells[n].beside.discard(cell.number)
            for one in pair:
                for n in one.beside:
                    self.cells[n].beside.add(one.number)
            pair[0].beside.add(pair[1].number)
            pair[1].beside.add(pair[0].number)
            made += pair
        self.sharpen(made)
        return made

    def _at_edge(self, cell: Cell) -> bool:
        """Return whether a cell reaches the border of the two translations searched."""
        f = self.boxes
        low, high = f.low.tolist(), (f.low + f.count * f.size).tolist()
        return any(cell.low[k] <= low[k] + 1e-9 or cell.high[k] >= high[k] - 1e-9 for k in (0, 1))

    def enough(self, hope: float) -> float:
        """Return how closely a pinch is to be known: where much is missing, not to a tenth of a millimetre."""
        return max(self.tolerance, min(0.5, -hope / 10))

    def fine(self, cell: Cell) -> bool:
        """Whether cutting a cell again would change next to nothing."""
        if not cell.sharp:
            return False
        return bool((cell.half <= THINNEST * self.boxes.size).all()) or (
            cell.hope - cell.margin <= self.enough(cell.hope) and self.extent(cell) < 2.0
        )

    def extent(self, cell: Cell) -> float:
        """Return how far the piece's points move at most from a cell's middle, mm."""
        return float(np.hypot(cell.half[0], cell.half[1]) + cell.half[2] * self.lever.max())

    def bound(self, until: float, progress: Progress) -> tuple[float, set[int]]:
        """Return a bound on every pinch, and the cells that hope for as much; not looking on below `until`."""
        parent: dict[int, int] = {}
        outside: dict[int, bool] = {}
        seat = self.seat
        cells = self.cells

        def root(key: int) -> int:
            while parent[key] != key:
                parent[key] = parent[parent[key]]
                key = parent[key]
            return key

        # Of cells that hope for as much, those with less margin join later: they are the ones to cut.
        heap = [(-min(c.hope, self.ceiling), -c.margin, key) for key, c in cells.items()]
        heapq.heapify(heap)
        aside: list[Cell] = []

        def look_closer() -> None:
            """Sharpen or halve what was put aside, and queue it again."""
            nonlocal seat
            again = [c for c in aside if not c.sharp]
            ripe = [c for c in aside if c.sharp]
            if again:
                self.sharpen(again)
            if ripe:
                again += self.split(ripe)
            seat = self.seat
            aside.clear()
            for one in again:
                heapq.heappush(heap, (-min(one.hope, self.ceiling), -one.margin, one.number))

        while heap or aside:
            hope = -heap[0][0] if heap else -np.inf
            # Cutting takes off a share of a cell's extent: what hopes for less than that waits its turn.
            if aside and (len(aside) >= AT_ONCE or hope < aside[0].hope - WAIT * self.extent(aside[0])):
                progress(0.1, "passage: proving how wide it can be")
                look_closer()
                continue
            if hope < until and not aside:
                return hope, set(parent)
            _, _, key = heapq.heappop(heap)
            cell = cells[key]
            beside = {root(n) for n in cell.beside if n in parent}
            home = root(seat) in beside if seat in parent else key == seat
            away = cell.outside or any(outside[b] for b in beside)
            if home and away:
                full = len(cells) > self.most_cells
                if not full and not self.fine(cell) and not (cell.sharp and cell.margin >= hope - self.enough(hope)):
                    aside.append(cell)
                    continue
                if aside:  # they may hope for more, once looked at
                    heapq.heappush(heap, (-hope, -cell.margin, key))
                    look_closer()
                    continue
            parent[key] = key
            outside[key] = away
            for b in beside:
                parent[b] = key
            if home and away:
                return hope, set(parent)
        return -np.inf, set(parent)

    def way(self, accepted: set[int]) -> list[Cell]:
        """Return the chain of accepted cells from the seat outwards whose least middle margin is largest."""
        seat = self.cells[self.seat]
        heap = [(-min(seat.margin, self.ceiling), 0, seat.number, seat.number)]
        before: dict[int, int] = {}
        count = 0
        while heap:
            least, _, key, came = heapq.heappop(heap)
            if key in before:
                continue
            before[key] = came
            if self.cells[key].outside:
                chain = [key]
                while before[chain[-1]] != chain[-1]:
                    chain.append(before[chain[-1]])
                return [self.cells[k] for k in chain[::-1]]
            for n in sorted(self.cells[key].beside):
                if n in accepted and n not in before:
                    count += 1
                    heapq.heappush(heap, (max(least, -min(self.cells[n].margin, self.ceiling)), count, n, key))
        return []

    def chain(self, way: list[Cell]) -> FloatArray:
        """Return the placements (k, 3) of a way, from the seat."""
        return np.concatenate([np.zeros((1, 3)), np.array([c.middle for c in way]).reshape(-1, 3)])

    def least(self, way: list[Cell]) -> float:
        """Return the least margin at a way's middles, the seat's included."""
        return min([self.ceiling, *(c.margin for c in way if c.middle[1] < self.far)]) if way else -np.inf

    def look_along(self, accepted: set[int], wanted: float) -> bool:
        """Look closer at the cells that keep ways from being as wide as wanted; say whether any could be."""
        narrow: dict[int, Cell] = {}
        open_still = set(accepted)
        while len(narrow) < AT_ONCE:
            way = self.way(open_still)
            more = {c.number: c for c in way if not self.fine(c) and not (c.sharp and c.margin >= wanted)}
            if not more and not narrow:  # wide enough at all middles: between them, then
                unsure = [c for c in way if not self.fine(c) and c.margin - self.extent(c) < wanted]
                most = max((self.extent(c) for c in unsure), default=0.0)
                more = {c.number: c for c in unsure if self.extent(c) > 0.5 * most}
            if not more:
                break
            narrow.update(more)
            open_still -= set(more)
            if self.seat in more:
                break
        blunt = [c for c in narrow.values() if not c.sharp]
        sharp = [c for c in narrow.values() if c.sharp]
        if blunt:
            self.sharpen(blunt)
        if sharp:
            self.split(sharp)
        return bool(narrow)


def _but_lowest(values: FloatArray, owner: IntArray, among: BoolArray, most: int) -> IntArray:
    """Return the rows of some of the values (n,) that are not among the `most` lowest of their owner's."""
    rows = np.flatnonzero(among)
    rows = rows[np.lexsort((values[rows], owner[rows]))]
    start = np.flatnonzero(np.diff(owner[rows], prepend=-1))
    rank = np.arange(len(rows)) - np.repeat(start, np.diff(start, append=len(rows)))
    return rows[rank >= most]


def _touching(a: Cell, b: Cell) -> bool:
    """Return whether two boxes share a face: they touch along one freedom and overlap along the others."""
    overlaps = 0
    for k in range(3):
        room = min(a.high[k], b.high[k]) - max(a.low[k], b.low[k])
        if room < -1e-9:
            return False
        overlaps += room > 1e-9
    return overlaps >= 2
