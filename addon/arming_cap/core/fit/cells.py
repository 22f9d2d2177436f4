# SPDX-License-Identifier: GPL-3.0-or-later
"""The widest way out through cells of three freedoms, with a proof that none is wider.

A cell is a box of placements: so much fore-aft, along the way out, and pitch. At its middle a point of the piece has
margin m; anywhere in the cell the point has moved by at most δ + r·φ (half the cell's diagonal; the point's distance
from the pitch axis times half the cell's angle). So no placement in the cell has a margin above the least
m + δ + r·φ over any points of the piece: the cell's *hope*. A chain of placements from the seat to off the body
passes through neighbouring cells, so its pinch is at most the least hope among them.

Cells join in order of falling hope. The cell that would join the seat to the outside is cut in eight instead, until
cutting changes nothing: then its hope bounds every pinch. Only cells in the narrows are ever cut small. The widest
chain of middles then either shows a way nearly as wide as the bound, or where cells are still too coarse.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np

from ..arrays import FloatArray, IntArray
from ..progress import Progress
from ..wearer.field import Field
from .cover import Cover
from .motion import rotations

Key = tuple[int, int, int, int]  # level, and the cell's number along the three freedoms at that level
CELL_MM = 32.0
DEEPEST = 8
MOST_BALLS = 600  # looked at in one cell; fewer make a hope larger, never wrong
LIMITING = 4  # points of a cell asked exactly


@dataclass(frozen=True, eq=False)
class Freedoms:
    """Three freedoms and how far they are searched.

    Attributes
    ----------
    across, out
        Unit vectors (3,): the two translations.
    axis
        Unit vector (3,) the piece turns about, through the pivot.
    pivot
        (3,) mm.
    low, count, size
        Lowest placement, number and size of the largest cells: mm, mm, radians.
    """

    across: FloatArray
    out: FloatArray
    axis: FloatArray
    pivot: FloatArray
    low: FloatArray
    count: IntArray
    size: FloatArray

    def placements(self, q: FloatArray) -> FloatArray:
        """Return the six numbers (n, 6) of placements (n, 3)."""
        return np.concatenate([q[:, :1] * self.across + q[:, 1:2] * self.out, q[:, 2:] * self.axis], axis=1)


@dataclass(eq=False)
class Cell:
    """A box of placements, its margin at the middle, its hope, and the balls that may limit it."""

    key: Key
    middle: FloatArray
    margin: float
    hope: float
    rows: IntArray
    outside: bool


@dataclass(frozen=True, eq=False)
class Way:
    """A chain of placements (k, 3) from the seat, the least margin at them, and a bound on any such margin."""

    chain: FloatArray
    margin_mm: float
    bound_mm: float
    cells: int
    through: tuple[Cell, ...]


class WidestWay:
    """The search; see the module.

    Parameters
    ----------
    piece
        Cover of the piece at the seat.
    freedoms, field, allowances
        Where it moves, past what, and what standoff each of the form's triangles must keep.
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
        piece: Cover,
        freedoms: Freedoms,
        field: Field,
        allowances: FloatArray,
        far: float,
        ceiling: float,
        tolerance: float,
        most_cells: int,
    ) -> None:
        self.piece, self.freedoms, self.field, self.allowances = piece, freedoms, field, allowances
        self.far, self.ceiling, self.tolerance, self.most_cells = far, ceiling, tolerance, most_cells
        arm = piece.centres - freedoms.pivot
        self.lever = np.linalg.norm(arm - np.outer(arm @ freedoms.axis, freedoms.axis), axis=1)
        self.leaves: dict[Key, Cell] = {}
        self.cut: set[Key] = set()
        grid = np.stack(np.meshgrid(*(np.arange(n) for n in freedoms.count), indexing="ij"), axis=-1).reshape(-1, 3)
        for some in np.array_split(grid, max(1, len(grid) * piece.roots // 200_000)):
            self._add(0, some, np.arange(piece.roots))

    def _add(self, level: int, cells: IntArray, rows: IntArray) -> list[Cell]:
        """Make leaves of some cells (n, 3) of one level, looking at some balls."""
        f = self.freedoms
        size = f.size / 2**level
        middle = f.low + (cells + 0.5) * size
        room = 0.5 * float(np.hypot(size[0], size[1])) + 0.5 * size[2] * self.lever[rows]
        while True:  # balls much larger than the cell give way to their children
            large = (self.piece.radii[rows] > 0.7 * room) & (self.piece.count[rows] > 0)
            if not large.any() or len(rows) > MOST_BALLS:
                break
            rows = np.concatenate([rows[~large], self.piece.children(rows[large])])
            room = 0.5 * float(np.hypot(size[0], size[1])) + 0.5 * size[2] * self.lever[rows]
        placed = f.placements(middle)
        turn = rotations(placed[:, 3:])
        points = (self.piece.centres[rows] - f.pivot) @ turn.transpose(0, 2, 1) + (placed[:, None, :3] + f.pivot)
        flat = points.reshape(-1, 3)
        # The grid says which few points matter. Any few give a true hope if asked exactly, so only they are.
        rough = (self.field.standoff(flat) - self.allowances.min()).reshape(len(cells), -1)
        error = min(self.field.error_mm, np.sqrt(3) * self.field.spacing)
        few = min(LIMITING, len(rows))
        lowest = np.argpartition(rough + room, few - 1, axis=1)[:, :few]
        chosen = np.take_along_axis(points, lowest[:, :, None], axis=1).reshape(-1, 3)
        distance, triangle, _ = self.field.surface.nearest(chosen)
        # The grid knows the side; where it may err, outside is taken: a hope may be too large. That it never errs
        # beyond 0.15 mm of the surface is argued from its cell, not proved.
        grid = np.take_along_axis(rough, lowest, axis=1).ravel() + self.allowances.min()
        distance = np.where((grid < 0) & (distance > 0.15), -distance, distance)
        margins = (distance - self.allowances[triangle]).reshape(len(cells), few)
        least = margins.min(axis=1)
        hope = (margins + room[lowest]).min(axis=1) + np.ptp(self.allowances)
        keep = rough - room - self.piece.radii[rows] - error <= hope[:, None] + np.ptp(self.allowances)
        made = []
        last = f.count * 2**level - 1
        for n, cell in enumerate(cells):
            edge = bool((cell[:2] == 0).any() or (cell[:2] == last[:2]).any())
            outside = edge or middle[n, 1] + size[1] / 2 >= self.far
            key = (level, int(cell[0]), int(cell[1]), int(cell[2]))
            one = Cell(key, middle[n], float(least[n]), float(hope[n]), rows[keep[n]], outside)
            self.leaves[key] = one
            made.append(one)
        return made

    def split(self, cell: Cell) -> list[Cell]:
        """Cut a leaf in eight; no child hopes for more than its parent."""
        level, *at = cell.key
        del self.leaves[cell.key]
        self.cut.add(cell.key)
        corner = np.stack(np.meshgrid([0, 1], [0, 1], [0, 1], indexing="ij"), axis=-1).reshape(-1, 3)
        children = self._add(level + 1, 2 * np.array(at) + corner, cell.rows)
        for child in children:
            child.hope = min(child.hope, cell.hope)
        return children

    def enough(self, hope: float) -> float:
        """Return how closely a pinch is to be known: where centimetres are missing, not to a tenth of a millimetre."""
        return max(self.tolerance, -hope / 10)

    def fine(self, cell: Cell) -> bool:
        """Whether cutting a cell again would change next to nothing."""
        return cell.key[0] >= DEEPEST or cell.hope - cell.margin <= self.enough(cell.hope)

    def neighbours(self, key: Key) -> list[Key]:
        """Return the leaves that share a face with a leaf."""
        found: list[Key] = []
        for axis in (1, 2, 3):
            for step in (-1, 1):
                beside = list(key)
                beside[axis] += step
                if not 0 <= beside[axis] < int(self.freedoms.count[axis - 1]) << key[0]:
                    continue
                one = (beside[0], beside[1], beside[2], beside[3])
                if one in self.cut:
                    self._facing(one, axis, 0 if step > 0 else 1, found)
                    continue
                while one not in self.leaves:
                    one = (one[0] - 1, one[1] >> 1, one[2] >> 1, one[3] >> 1)
                found.append(one)
        return found

    def _facing(self, key: Key, axis: int, side: int, found: list[Key]) -> None:
        """Add the leaves below a cut cell on one side of it."""
        for a in (0, 1):
            for b in (0, 1):
                bits = [a, b]
                bits.insert(axis - 1, side)
                child = (key[0] + 1, 2 * key[1] + bits[0], 2 * key[2] + bits[1], 2 * key[3] + bits[2])
                if child in self.leaves:
                    found.append(child)
                else:
                    self._facing(child, axis, side, found)

    def seat_cell(self) -> Cell:
        """Return the leaf that holds the seat."""
        at = -self.freedoms.low / self.freedoms.size
        for level in range(DEEPEST + 1):
            i, j, k = np.floor(at * 2**level).astype(int).tolist()
            if (level, i, j, k) in self.leaves:
                return self.leaves[level, i, j, k]
        raise AssertionError("the seat lies in no cell")

    def bound(self, decide: float | None, progress: Progress) -> tuple[float, set[Key]]:
        """Return a bound on every pinch, and the cells that hope for as much."""
        parent: dict[Key, Key] = {}
        outside: dict[Key, bool] = {}
        seat = self.seat_cell()

        def root(key: Key) -> Key:
            while parent[key] != key:
                parent[key] = parent[parent[key]]
                key = parent[key]
            return key

        # Of cells that hope for as much, those with less margin join later: they are the ones to cut.
        heap = [(-min(c.hope, self.ceiling), -c.margin, key) for key, c in self.leaves.items()]
        heapq.heapify(heap)
        accepted: set[Key] = set()
        while heap:
            if len(accepted) % 64 == 0:
                progress(0.1, "passage: proving how wide it can be")
            hope, _, key = heapq.heappop(heap)
            cell = self.leaves[key]
            if decide is not None and -hope < decide:
                return -hope, accepted
            beside = {root(n) for n in self.neighbours(key) if n in accepted}
            if seat.key in accepted:
                home = root(seat.key) in beside
            else:
                home = key == seat.key
            away = cell.outside or any(outside[b] for b in beside)
            full = len(self.leaves) > self.most_cells
            if home and away and not full and cell.margin < -hope - self.enough(-hope) and not self.fine(cell):
                children = self.split(cell)
                if key == seat.key:
                    seat = self.seat_cell()
                for child in children:
                    heapq.heappush(heap, (-min(child.hope, self.ceiling), -child.margin, child.key))
                continue
            accepted.add(key)
            parent[key] = key
            outside[key] = away
            for b in beside:
                parent[b] = key
            if home and away:
                return -hope, accepted
        return -np.inf, accepted

    def way(self, accepted: set[Key]) -> list[Cell]:
        """Return the chain of accepted cells from the seat outwards whose least middle margin is largest."""
        seat = self.seat_cell()
        heap = [(-min(seat.margin, self.ceiling), 0, seat.key, seat.key)]
        before: dict[Key, Key] = {}
        count = 0
        while heap:
            least, _, key, came = heapq.heappop(heap)
            if key in before:
                continue
            before[key] = came
            if self.leaves[key].outside:
                chain = [key]
                while before[chain[-1]] != chain[-1]:
                    chain.append(before[chain[-1]])
                return [self.leaves[k] for k in chain[::-1]]
            for n in self.neighbours(key):
                if n in accepted and n not in before:
                    count += 1
                    heapq.heappush(heap, (max(least, -min(self.leaves[n].margin, self.ceiling)), count, n, key))
        return []

    def search(self, progress: Progress, decide: float | None) -> Way:
        """Return the widest way; stop early once `decide` (mm) is certainly met or missed."""
        while True:
            bound, accepted = self.bound(decide, progress)
            chain = self.way(accepted)
            inner = [c for c in chain if c.middle[1] < self.far]
            least = min([min(c.margin for c in inner)] if inner else [self.ceiling]) if chain else -np.inf
            least = min(least, self.ceiling, bound)
            progress(
                min(0.9, len(self.leaves) / self.most_cells), f"passage: pinch between {least:.1f} and {bound:.1f} mm"
            )
            narrow = [c for c in chain if min(c.margin, self.ceiling) < bound - self.enough(bound) and not self.fine(c)]
            settled = decide is not None and (bound < decide or least > decide + 1.0)
            if not chain or not narrow or settled or len(self.leaves) > self.most_cells:
                q = np.array([c.middle for c in chain]).reshape(-1, 3)
                return Way(np.concatenate([np.zeros((1, 3)), q]), least, bound, len(self.leaves), tuple(chain))
            # Large cells first: most of them turn out hopeless before they are cut small.
            largest = min(c.key[0] for c in narrow)
            for cell in narrow:
                if cell.key[0] == largest:
                    self.split(cell)

    def cut_near(self, way: Way, when: float) -> bool:
        """Cut the cells at both ends of a stretch of a way whose middle is narrower than its ends; say if any was."""
        at = int(when)
        some = {c.key: c for c in way.through[max(at - 1, 0) : at + 1] if not self.fine(c)}
        for cell in some.values():
            self.split(cell)
        return bool(some)
