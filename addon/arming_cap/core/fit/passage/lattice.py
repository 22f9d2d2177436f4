# SPDX-License-Identifier: GPL-3.0-or-later
"""A way found on a lattice of three freedoms: first a rough one through all of it, then the widest near that.

The rough map is an erosion. Turned by one angle, the piece is a set of voxels; moved by whole voxels, each of them
reads the margin a fixed number of voxels on. So the margins of all moves at once are the least of shifted copies of
one box of margins, one copy for each of the piece's voxels. Its error is a voxel or two, enough to say by which road
to go. `Lattice.widest_near` then measures the placements about that road properly, those that could widen it, and
takes the widest chain among them; the more often it is asked and the finer its steps, the nearer that comes to the
widest there is. Nothing here proves that there is no wider way: `subdivide` does.
"""

from __future__ import annotations

from collections import deque
from copy import copy
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...arrays import FloatArray, IntArray
from ...distance.forest import Forest
from ...distance.margins import Margins
from ...progress import Progress
from .freedoms import Freedoms
from .lift import Scene

STEP = 0.04  # of the piece's reach
LARGEST_MM, SMALLEST_MM = 6.0, 2.0  # steps
TURN = 2.0  # steps that a step of turn moves a point at the middle lever
ASIDE = 18  # steps that the rough map reaches fore and aft
BELOW = 4  # and back beyond the seat
CLEAR_MM = 30.0  # margins are mapped to here beyond the form
PER_MM = 64  # of the rough map's whole numbers
FAR = 16_000
NEIGHBOURS = [step for step in product((-1, 0, 1), repeat=3) if any(step)]
AT_ONCE = 1500  # placements measured in one go

Node = tuple[int, int, int]
Int16 = NDArray[np.int16]


@dataclass(frozen=True, eq=False)
class Chain:
    """Neighbouring nodes (k, 3) of a lattice, from the seat outwards, and the least margin among them."""

    nodes: IntArray
    width: float


class Lattice:
    """Placements at whole steps of three freedoms from the seat.

    Parameters
    ----------
    scene
        The seated piece and the form.
    forest
        Of the piece.
    margins
        Of the form.
    freedoms
        Two translations and a turn; their steps are chosen here.
    pitch
        How far it turns either way, radians.
    ceiling
        The margin at the seat: no way is wider.
    """

    def __init__(
        self,
        scene: Scene,
        forest: Forest,
        margins: Margins,
        freedoms: Freedoms,
        pitch: float,
        ceiling: float,
    ) -> None:
        self.scene, self.forest, self.margins, self.freedoms, self.ceiling = scene, forest, margins, freedoms, ceiling
        foot, arm, quarter = freedoms.arms(forest.centres)
        grid = margins.field.fine  # in its units, as it is asked
        parts = np.concatenate([foot - grid.origin, arm, quarter], axis=1)
        self._parts = np.ascontiguousarray(parts.T / grid.spacing, dtype=np.float32)
        self._radii = forest.radii.astype(np.float32)
        lever = float(np.linalg.norm(arm, axis=1).mean())
        shift = float(np.clip(STEP * scene.reach, SMALLEST_MM, LARGEST_MM))
        turns = max(int(np.ceil(pitch * lever / (TURN * shift))), 1)
        self.step = np.array([shift, shift, pitch / turns])
        self.high = np.array([ASIDE, int(np.ceil(scene.travel(freedoms.out) / shift)), turns])
        self.low = np.array([-ASIDE, -BELOW, -turns])
        self._known: dict[Node, float] = {}  # least margins
        self._capped: dict[Node, float] = {}  # where only this was asked of them: whether they reach it

    def finer(self) -> Lattice:
        """Return the same with steps of half the size."""
        fine = copy(self)
        fine.step, fine.high, fine.low = self.step / 2, 2 * self.high, 2 * self.low
        fine._known, fine._capped = {}, {}
        return fine

    def placements(self, nodes: IntArray) -> FloatArray:
        """Return the six numbers (k, 6) of nodes (k, 3)."""
        return self.freedoms.placements(nodes * self.step)

    def rough(self, progress: Progress) -> Chain:
        """Return a shortest chain among the widest by the rough map."""
        level = self._mapped(progress)
        seat = (-self.low[0], -self.low[1], -self.low[2])
        nodes = _shortest(level, _flooded(level), seat)
        chain = nodes + self.low
        return Chain(chain, min(float(level[tuple(nodes.T)].min()) / PER_MM, self.ceiling))

    def _mapped(self, progress: Progress) -> Int16:
        """Return the rough margins of all nodes, in `PER_MM`ths of a millimetre."""
        f, step = self.freedoms, float(self.step[0])
        back, aside_mm = BELOW * step, ASIDE * step
        frame = np.stack([f.axis, f.across, f.out])
        points = (_thinned(self.forest.centres, step) - f.pivot) @ frame.T
        form = (self.scene.form.mesh.vertices - f.pivot) @ frame.T
        # The box holds what the piece can come to, as far as the form is near.
        reach, beside = self.scene.reach, np.array([points[:, 0].min(), points[:, 0].max()])
        low = np.maximum([beside[0] - step, -reach - aside_mm, -reach - back], form.min(axis=0) - CLEAR_MM)
        high = np.minimum([beside[1] + step, reach + aside_mm, np.inf], form.max(axis=0) + CLEAR_MM)
        shape = np.maximum(np.ceil((high - low) / step).astype(int) + 1, 1)
        grid = low + step * np.stack(np.unravel_index(np.arange(shape.prod()), tuple(shape)), axis=1)
        values = self.margins.rough(grid @ frame + f.pivot)
        box = np.clip(np.rint(values * PER_MM), -FAR, FAR).astype(np.int16).reshape(shape)
        count = self.high - self.low + 1
        level = np.full(tuple(count), FAR, np.int16)
        for k in range(int(count[2])):
            progress(0.1 + 0.1 * k / int(count[2]), "passage: looking for a way")
            turn = (k + self.low[2]) * self.step[2]
            c, s = float(np.cos(turn)), float(np.sin(turn))
            turned = np.stack(
                [points[:, 0], points[:, 1] * c + points[:, 2] * s, points[:, 2] * c - points[:, 1] * s], axis=1
            )
            voxels = np.unique(np.rint((turned - low) / step).astype(np.int64), axis=0)
            voxels[:, 1:] += self.low[:2]
            some = np.full(tuple(count[:2]), FAR, np.int16)
            for side, aside, out in voxels.tolist():
                if not 0 <= side < shape[0]:
                    continue
                a, b = max(0, -aside), min(int(count[0]), int(shape[1]) - aside)
                o, p = max(0, -out), min(int(count[1]), int(shape[2]) - out)
                if a < b and o < p:
                    mine = some[a:b, o:p]
                    np.minimum(mine, box[side, aside + a : aside + b, out + o : out + p], out=mine)
            level[:, :, k] = some
        return level

    def _least(self, q: FloatArray, floor: float, enough: float, within: float) -> FloatArray:
        """Return the least margins (k,) of placements (k, 3) to `within` mm above.

        Below `floor` only that they are, and from `enough` on only that they reach it.
        """
        f, piece = self.freedoms, self.forest
        number = len(q)
        shift = ((q[:, :1] * f.across + q[:, 1:2] * f.out) / self.margins.field.spacing).T.astype(np.float32)
        c, s = np.cos(q[:, 2]).astype(np.float32), np.sin(q[:, 2]).astype(np.float32)
        at, rows = np.repeat(np.arange(number), piece.roots), np.tile(np.arange(piece.roots), number)
        least = np.full(number, np.inf, np.float32)
        while len(rows):
            parts = self._parts.take(rows, axis=1)
            u = parts[3:6] * c[at]
            u += parts[6:] * s[at]
            u += parts[:3]
            u += shift[:, at]
            value = self.margins.rough_at(u)
            start = np.flatnonzero(np.diff(at, prepend=-1))
            here = at[start]
            least[here] = np.minimum(least[here], np.minimum.reduceat(value, start))
            low = least[at]
            value -= self._radii[rows]
            keep = np.flatnonzero((value < np.minimum(low - within, enough)) & (low >= floor))
            at, rows = at[keep], rows[keep]
            below = np.flatnonzero(piece.count[rows])
            at, rows = at[below], rows[below]
            rows, count = piece.opened(rows, np.ones(len(rows), bool))
            at = np.repeat(at, count)
        return least.astype(np.float64)

    def _measure(self, nodes: list[Node], floor: float, enough: float, within: float, progress: Progress) -> None:
        """Learn the margins of nodes, those below `floor` and from `enough` on only so far."""
        enough = min(enough, self.ceiling)
        new = [node for node in nodes if node not in self._known or self._capped.get(node, enough) < enough]
        for start in range(0, len(new), AT_ONCE):
            progress(0.2 + 0.1 * start / len(new), "passage: looking along the way")
            some = new[start : start + AT_ONCE]
            values = self._least(np.array(some) * self.step, floor, enough, within)
            for node, value in zip(some, np.minimum(values, enough).tolist(), strict=True):
                self._known[node] = value
                if value == enough:
                    self._capped[node] = enough
                else:
                    self._capped.pop(node, None)

    def widest_near(
        self,
        chain: IntArray,
        around: int,
        slack: float,
        within: float,
        times: int,
        progress: Progress,
        worth: float = -np.inf,
        enough: float = np.inf,
    ) -> Chain:
        """Return the widest chain near one, where it is narrow.

        Parameters
        ----------
        chain
            (k, 3) nodes, the seat first.
        around
            How many steps to either side.
        slack
            Where the chain has so much more margin than where it is narrowest it stays as it is, mm.
        within
            How closely margins are measured, mm.
        times
            How often to look again near what was found, as long as that helps.
        progress
            Told of it; may cancel.
        worth
            A way narrower than this is not looked for, mm.
        enough
            Nor one that is wider than this, mm.
        """
        best = Chain(_joined(chain), -np.inf)
        cube = list(product(range(-around, around + 1), repeat=3))
        for _ in range(times):
            path = [(int(a), int(b), int(c)) for a, b, c in best.nodes]
            self._measure(path, -np.inf, np.inf, within, progress)
            width = min(self._known[node] for node in path)
            tube = set(path)
            for a, b, c in path:
                if self._known[a, b, c] < width + slack:
                    tube.update((a + i, b + j, c + k) for i, j, k in cube)
            tube = {node for node in tube if -self.high[2] <= node[2] <= self.high[2]}
            floor = max(width, worth)
            self._measure(sorted(tube), floor, min(enough, max(width, worth) + slack), within, progress)
            best = best if best.width >= width else Chain(best.nodes, width)
            again = self._widest({node for node in tube if self._known[node] >= floor}, path[0], path[-1])
            if again is None:
                break
            if again.width < best.width + 0.02:
                break
            best = again
        return best

    def _widest(self, tube: set[Node], seat: Node, goal: Node) -> Chain | None:
        """Return the shortest of the widest chains through some nodes; None where none leads through."""
        known = self._known
        heap = [(-known[seat], 0, seat)]
        seen: set[Node] = set()
        width = known[seat]
        while heap:
            least, steps, node = heappop(heap)
            if node in seen:
                continue
            seen.add(node)
            width = min(width, -least)
            if node == goal:
                break
            for i, j, k in NEIGHBOURS:
                n = (node[0] + i, node[1] + j, node[2] + k)
                if n in tube and n not in seen:
                    heappush(heap, (max(least, -known[n]), steps + 1, n))
        if goal not in seen:
            return None
        before = {seat: seat}
        queue = deque([seat])
        while queue and goal not in before:
            node = queue.popleft()
            for i, j, k in NEIGHBOURS:
                n = (node[0] + i, node[1] + j, node[2] + k)
                if n in tube and n not in before and known[n] >= width:
                    before[n] = node
                    queue.append(n)
        path = [goal]
        while path[-1] != seat:
            path.append(before[path[-1]])
        return Chain(np.array(path[::-1]), width)


def _thinned(points: FloatArray, cell: float) -> FloatArray:
    """Return one of the points (n, 3) in each cell of a grid."""
    key = np.floor((points - points.min(axis=0)) / cell).astype(np.int64)
    code = (key[:, 0] << 42) + (key[:, 1] << 21) + key[:, 2]
    return points[np.unique(code, return_index=True)[1]]


def _flooded(level: Int16) -> Int16:
    """Return the largest least level on a way to each node from the far end of the second freedom."""
    flood = np.full(level.shape, -FAR - 1, np.int16)
    flood[:, -1] = level[:, -1]
    while True:
        before = flood.copy()
        for axis in (1, 0, 2):
            water, ground = np.moveaxis(flood, axis, 0), np.moveaxis(level, axis, 0)
            for order in (range(len(water) - 2, -1, -1), range(1, len(water))):
                side = 1 if order.step < 0 else -1
                for k in order:
                    np.maximum(water[k], np.minimum(_spread(water[k + side]), ground[k]), out=water[k])
        if (before == flood).all():
            return flood


def _spread(values: NDArray[Any]) -> NDArray[Any]:
    """Return the largest of each value and those beside it, across corners too."""
    for axis in range(values.ndim):
        one = np.moveaxis(values, axis, 0)
        wide = one.copy()
        np.maximum(wide[1:], one[:-1], out=wide[1:])
        np.maximum(wide[:-1], one[1:], out=wide[:-1])
        values = np.moveaxis(wide, 0, axis)
    return values


def _shortest(level: Int16, flood: Int16, seat: tuple[int, ...]) -> IntArray:
    """Return the nodes (k, 3) of a shortest chain from the seat to the far end, none lower than it must be."""
    open_ = level >= flood[seat]
    away = np.full(level.shape, -1, np.int32)
    front = np.zeros(level.shape, bool)
    front[:, -1] = open_[:, -1]
    away[front] = 0
    steps = 0
    while front.any() and away[seat] < 0:
        steps += 1
        front = _spread(front) & open_ & (away < 0)
        away[front] = steps
    path = [tuple(int(k) for k in seat)]
    while away[path[-1]] > 0:
        here = path[-1]
        beside = [tuple(h + s for h, s in zip(here, step, strict=True)) for step in NEIGHBOURS]
        inside = [n for n in beside if all(0 <= k < most for k, most in zip(n, level.shape, strict=True))]
        path.append(max((n for n in inside if away[n] == away[here] - 1), key=lambda n: int(level[n])))
    return np.array(path, dtype=np.int64)


def _joined(chain: IntArray) -> IntArray:
    """Return a chain of nodes (k, 3) with the nodes between them put in, so that each neighbours the next."""
    rows = [chain[:1]]
    for a, b in zip(chain[:-1], chain[1:], strict=True):
        steps = int(np.abs(b - a).max())
        share = np.arange(1, steps + 1)[:, None] / max(steps, 1)
        rows.append(np.rint(a + share * (b - a)).astype(np.int64))
    return np.concatenate(rows)
