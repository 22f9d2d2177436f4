# SPDX-License-Identifier: GPL-3.0-or-later
"""The search for a passage: is there a way off on which the margin is nowhere below a threshold?

A placement has three freedoms here: across, along the way out, and a turn. Their box is cut into boxes, and of each
box two numbers are known: the margin in its middle, and a bound that no margin in the box is above. For a threshold a
box is *closed* if its bound is below it, and *good* if its middle reaches it. Then

* the boxes that are not closed are flooded from the seat. If the flood does not reach the outside there is no way,
  whatever the boxes' sizes. That is proved once the closed boxes about the flood are closed by exact distances too;
* if good boxes alone lead from the seat to the outside, the chain of their middles is held against the piece, between
  the middles too. Where it fails the boxes there, and those beside them, are cut;
* else two kinds of boxes are cut, and the flood is made again: the largest on some ways that cross few boxes that are
  not good, for a yes; and, for a no, those that join the seat's side to the outside when boxes join in order of
  falling bounds, since a wall closes there first.

That frame is subdivision search with soft predicates (Wang, Chiang, Yap 2013, "On soft predicates in subdivision
motion planning", from memory).

A box is bounded by witnesses, points of the piece's surface. Alone, a witness bounds it by its margin and how far it
moves in the box. Together they do better: within a box each margin lies below a plane and a small bend (`Margins.cap`),
and any weighting of planes whose slopes cancel bounds the least of them (`weighed`, the dual of a linear program). A
point pressed from the left and one pressed from the right together say how much breadth is missing whatever the move.
Witnesses come from the parent first, then from the piece's tree of balls, nearest first. The grid finds them; only
those that a wall rests on are asked exactly.

A box is cut across the freedoms that its bound leans on, so that boxes along a wall stay wide. What is spent is counted
in boxes, not in seconds, so that the same question has the same answer on every machine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray
from ...distance.forest import Forest
from ...distance.margins import Margins
from ...progress import Progress
from .faces import Faces, grid_faces
from .freedoms import Freedoms
from .lift import Scene
from .weighing import weighed
from .witnesses import Looks, Slopes, lowest_of_each, merged

ROOT_MM = 64.0  # of the largest boxes
DEPTH = 10  # halvings down to the smallest: 0.06 mm, finer than a margin is told
AROUND = 2  # largest boxes to a reach of the piece, across and for the turn: two on either side of the seat
BELOW = 1  # largest boxes back beyond the seat: as far as it may be pushed on to turn off
LOOKS_AT_ONCE = 6_000  # inherited balls of the boxes evaluated in one go
CHUNK = 8192  # looks per gather: the temporaries stay in the second-level cache
FINEST_MM = 0.5  # balls smaller than this are not opened: the verdict is asked of the triangles
HIDING = 0.25  # a ball larger than this share of the box's room is opened where it may hide the least margin
OPEN = 0.5  # and than this where it counts in the weighing
OPENINGS = 1  # rounds of that
LOWEST = 4  # balls opened in a round beside those of the bound
PLANES = 8  # at most that a bound rests on: one for each round of weighing, one alone, one spare
BLAME = 0.1  # share of a freedom's extent that a bound owes to its bend
AT_ONCE = 1500  # boxes asked exactly in one go
WAIT = 0.3  # cutting takes off such a share of a box's extent: what is bounded by less than that is not cut yet
LARGEST = 0.5  # of the largest box on a way: smaller ones wait
WAYS = 3  # on which boxes are cut before the flood is made again
SHORT = 1e-6  # what a good box counts beside one that is not
TRIES = 150  # chains held against the piece for one threshold
CORNERS = np.array([[i >> 2 & 1, i >> 1 & 1, i & 1] for i in range(8)])


# Told a chain of placements (k, 3) and a threshold: whether it holds, and at which of its rows it fails.
Tried = Callable[[FloatArray, float], tuple[bool, IntArray]]


@dataclass(frozen=True)
class Decision:
    """Whether there is a way, None where that was not settled, and for a no the largest bound of the wall in it."""

    answer: bool | None
    bound: float = np.inf


class Subdivision:
    """Boxes of placements, and what is known of each; see the module.

    Parameters
    ----------
    scene, forest, margins
        The seated piece, its balls down to its corners, and what it moves past.
    freedoms
        Two translations and a turn.
    pitch
        How far it turns either way, radians.
    ceiling
        The largest threshold that will be asked, mm.
    most
        Boxes: where to stop.

    Attributes
    ----------
    low, high
        (n, 3) in units of the smallest box.
    value
        (n,) about the margin in the middle, mm.
    guess, proof
        (n,) no margin in the box is above: by the grid, and by exact distances.
    lean
        (n, 3) how much of its bound each freedom's extent is to blame for, mm.
    live
        (n,) whether it was not cut.
    edges
        Two arrays of the boxes on either side of each face.
    """

    def __init__(
        self,
        scene: Scene,
        forest: Forest,
        margins: Margins,
        freedoms: Freedoms,
        pitch: float,
        ceiling: float,
        most: int = 60_000,
    ) -> None:
        self.scene, self.forest, self.margins, self.freedoms = scene, forest, margins, freedoms
        self.ceiling, self.most = ceiling, most
        grid = margins.field.fine
        foot, arm, quarter = freedoms.arms(forest.centres)
        self._exact = (foot, arm, quarter)
        self._parts = np.ascontiguousarray(
            (np.concatenate([foot - grid.origin, arm, quarter], axis=1) / grid.spacing).T, dtype=np.float32
        )
        self._radii = forest.radii.astype(np.float32)
        self._lever = np.linalg.norm(arm, axis=1).astype(np.float32)
        self.lever = float(self._lever.mean())
        self.far = scene.travel(freedoms.out)
        turns = AROUND * int(np.ceil(pitch * scene.reach / ROOT_MM))
        wide = AROUND * int(np.ceil(scene.reach / ROOT_MM))
        count = np.array([wide, int(np.ceil(self.far / ROOT_MM)) + 1 + BELOW, turns])
        self.size = np.array([ROOT_MM, ROOT_MM, 2 * pitch / turns])
        self.unit = self.size / 2**DEPTH
        self.origin = np.array([-wide / 2 * ROOT_MM, -BELOW * ROOT_MM, -pitch])
        self.top = count * 2**DEPTH
        at = np.stack(np.unravel_index(np.arange(count.prod()), tuple(count)), axis=1)
        self.low = (at * 2**DEPTH).astype(np.int32)
        self.high = self.low + 2**DEPTH
        number = len(at)
        self.value = np.full(number, np.inf)
        self.guess = np.full(number, np.inf)
        self.proof = np.full(number, np.inf)
        self.lean = np.zeros((number, 3))
        self.planes = np.zeros((number, PLANES), np.int32)
        self.first = np.zeros(number, np.int64)
        self.count = np.full(number, forest.roots, np.int64)
        self.live = np.ones(number, bool)
        self.pool = np.arange(forest.roots, dtype=np.int32)
        self.edges = grid_faces(tuple(int(n) for n in count))
        self._evaluate(np.arange(number))

    def middle(self, boxes: IntArray) -> FloatArray:
        """Return the placements (n, 3) in the middle of some boxes: mm, mm, radians."""
        return self.origin + 0.5 * (self.low[boxes] + self.high[boxes]) * self.unit

    def half(self, boxes: IntArray) -> FloatArray:
        """Return half the sizes (n, 3) of some boxes: mm, mm, radians."""
        return 0.5 * (self.high[boxes] - self.low[boxes]) * self.unit

    def extent(self, boxes: IntArray) -> FloatArray:
        """Return how far a point at the mean lever moves at most from the middles of some boxes (n,), mm."""
        half = self.half(boxes)
        return np.hypot(half[:, 0], half[:, 1]) + half[:, 2] * self.lever

    def _outside(self) -> BoolArray:
        """Return which boxes lie off the body: at either side, or as far out as a straight lift ends.

        Not those at the lower end: nothing is taken off by pushing it farther on than that.
        """
        edge = (self.low[:, 0] == 0) | (self.high[:, 0] == self.top[0])
        return edge | (self.origin[1] + self.high[:, 1] * self.unit[1] >= self.far)

    def _at(self, placement: FloatArray) -> IntArray:
        """Return the live boxes that hold placements (k, 3), all of them at borders."""
        u = (placement - self.origin) / self.unit
        live = np.flatnonzero(self.live)
        inside = (
            ((u[:, None] >= self.low[live] - 1e-6) & (u[:, None] <= self.high[live] + 1e-6)).all(axis=2).any(axis=0)
        )
        return live[inside]

    # -- looking

    def _place(self, middle: FloatArray, owner: IntArray, rows: IntArray) -> tuple[Any, Any]:
        """Return where balls are in their owners' middles, (3, n) in spacings, and how they move by a turn, (3, n)."""
        f, grid = self.freedoms, self.margins.field.fine
        shift = ((middle[:, :1] * f.across + middle[:, 1:2] * f.out) / grid.spacing).T.astype(np.float32)
        c, s = np.cos(middle[:, 2]).astype(np.float32)[owner], np.sin(middle[:, 2]).astype(np.float32)[owner]
        parts = self._parts.take(rows, axis=1)
        arm, quarter = parts[3:6], parts[6:]
        u = arm * c
        u += quarter * s
        u += parts[:3]
        u += shift.take(owner, axis=1)
        quarter *= c
        arm *= s
        quarter -= arm
        return u, quarter

    def _look(self, middle: FloatArray, half: FloatArray, owner: IntArray, rows: IntArray) -> Looks:
        """Return what the grid says of balls in the middles of boxes."""
        value = np.empty(len(rows), np.float32)
        for start in range(0, len(rows), CHUNK):
            some = slice(start, start + CHUNK)
            value[some] = self.margins.rough_at(self._place(middle, owner[some], rows[some])[0])
        h = half.astype(np.float32)
        room = np.hypot(h[:, 0], h[:, 1])[owner]
        room += h[:, 2][owner] * self._lever[rows]
        return Looks(owner, rows, value, room)

    def _slopes(self, middle: FloatArray, half: FloatArray, looks: Looks) -> Slopes:
        u, turn = self._place(middle, looks.owner, looks.rows)
        slope = self.margins.rough_planes_at(u)[1]
        lean = self._leaning(slope, turn, half.astype(np.float32), looks.owner)
        lean /= np.float32(self.margins.field.spacing)
        return Slopes(u, slope, turn, lean)

    def _leaning(self, normal: Any, tangent: Any, half: Any, owner: IntArray) -> Any:
        """Return by how much margins change from a box's middle to its side along each freedom, (3, n)."""
        f = self.freedoms
        lean = np.empty(normal.shape, np.float32)
        for row, way in ((0, f.across), (1, f.out)):
            lean[row] = normal[0] * np.float32(way[0]) + normal[1] * np.float32(way[1]) + normal[2] * np.float32(way[2])
        lean[2] = (normal * tangent).sum(axis=0) * np.float32(self.margins.field.spacing)
        lean *= half.T.take(owner, axis=1)
        return lean

    def _evaluate(self, boxes: IntArray) -> None:
        """Learn what the grid says of some boxes, from the balls that they inherit."""
        heap = np.cumsum(self.count[boxes])
        if not len(boxes):
            return
        cuts = np.searchsorted(heap, np.arange(LOOKS_AT_ONCE, int(heap[-1]), LOOKS_AT_ONCE))
        for some in np.split(boxes, np.unique(cuts)):
            if len(some):
                self._evaluate_some(some)

    def _evaluate_some(self, boxes: IntArray) -> None:
        middle, half = self.middle(boxes), self.half(boxes)
        number, roots = len(boxes), self.forest.roots
        count = self.count[boxes]
        owner = np.repeat(np.arange(number), count)
        rows = self.pool[np.arange(len(owner)) + np.repeat(self.first[boxes] - np.cumsum(count) + count, count)]
        looks = self._look(middle, half, owner, rows)
        least = np.full(number, np.inf)
        cone = np.full(number, np.inf)
        if len(rows):
            start = np.flatnonzero(np.diff(owner, prepend=-1))
            least[owner[start]] = np.minimum.reduceat(looks.value, start)
            cone[owner[start]] = np.minimum.reduceat(looks.value + looks.room, start)
        more = np.flatnonzero(cone >= self.ceiling)
        if len(more):
            fresh, least = self._lowest(
                middle, half, np.repeat(more, roots), np.tile(np.arange(roots), len(more)), least
            )
            looks = merged([looks.of(looks.value < self.ceiling + looks.room), fresh])
        self.value[boxes] = least
        room = least >= self.ceiling  # no bound: such a box is cut across its longest sides
        self.lean[boxes[room]] = half[room] * (1, 1, self.lever)
        # Boxes that one point closes need no weighing, and those that leave room no bound.
        unsure = (least < self.ceiling) & (cone >= self.ceiling)
        self._by_one(boxes, middle, half, looks.of(((least < self.ceiling) & ~unsure)[looks.owner]))
        looks = looks.of((least >= self.ceiling)[looks.owner] | unsure[looks.owner])
        if len(looks.owner):
            looks = looks.of(lowest_of_each(looks, self._slopes(middle, half, looks)))
        first = looks.of(unsure[looks.owner])
        if len(first.owner):
            looks = merged([self._weighed(boxes, half, middle, first), looks.of(~unsure[looks.owner])])
        number_kept = np.bincount(looks.owner, minlength=number)
        self.first[boxes] = len(self.pool) + np.cumsum(number_kept) - number_kept
        self.count[boxes] = number_kept
        self.pool = np.concatenate([self.pool, looks.rows.astype(np.int32)])

    def _lowest(
        self, middle: FloatArray, half: FloatArray, owner: IntArray, rows: IntArray, least: FloatArray
    ) -> tuple[Looks, FloatArray]:
        """Return the balls that may come below the ceiling in boxes, opened until the least margin is about known."""
        least = least.copy()
        done: list[Looks] = []
        while len(rows):
            looks = self._look(middle, half, owner, rows)
            start = np.flatnonzero(np.diff(owner, prepend=-1))
            here = owner[start]
            least[here] = np.minimum(least[here], np.minimum.reduceat(looks.value, start))
            radius = self._radii[rows]
            deep = looks.value - radius
            keep = deep - looks.room < self.ceiling
            large = (deep < np.minimum(least, self.ceiling)[owner]) & (
                radius > np.maximum(HIDING * looks.room, FINEST_MM)
            )
            large &= keep & (self.forest.count[rows] > 0)
            done.append(looks.of(keep & ~large & (looks.value - looks.room < self.ceiling)))
            rows, opened = self.forest.opened(rows[large], np.ones(int(large.sum()), bool))
            owner = np.repeat(owner[large], opened)
        return merged(done), least

    def _by_one(self, boxes: IntArray, middle: FloatArray, half: FloatArray, looks: Looks) -> None:
        """Bound boxes by their lowest points alone."""
        if not len(looks.owner):
            return
        start = np.flatnonzero(np.diff(looks.owner, prepend=-1))
        cones = looks.value + looks.room
        lowest = looks.of(np.lexsort((cones, looks.owner))[start])
        box = boxes[lowest.owner]
        self.guess[box] = np.minimum(self.guess[box], lowest.value + lowest.room)
        lean = self._slopes(middle, half, lowest).lean.T
        self.lean[box] = np.abs(lean) + BLAME * self.half(box) * (1, 1, self.lever)
        self.planes[box] = lowest.rows[:, None]

    def _weighed(self, boxes: IntArray, half: FloatArray, middle: FloatArray, looks: Looks) -> Looks:
        """Bound boxes by weighing planes; balls that count give way to their children once or twice."""
        for again in range(OPENINGS + 1):
            planes = self._guess(boxes, middle, half, looks)
            if again == OPENINGS:
                break
            start = np.flatnonzero(np.diff(looks.owner, prepend=-1))
            size = np.diff(start, append=len(looks.owner))
            radius = self._radii[looks.rows]
            deep = np.lexsort((looks.value - radius, looks.owner))
            pick = np.zeros(len(radius), bool)
            for k in range(LOWEST):
                pick[deep[start + np.minimum(k, size - 1)]] = True
            pick[planes.ravel()] = True
            pick &= (radius > OPEN * looks.room) & (radius > FINEST_MM) & (self.forest.count[looks.rows] > 0)
            pick &= (self.guess[boxes] >= self.ceiling)[looks.owner]
            if not pick.any():
                break
            rows, opened = self.forest.opened(looks.rows[pick], np.ones(int(pick.sum()), bool))
            more = self._look(middle, half, np.repeat(looks.owner[pick], opened), rows)
            more = more.of(more.value - more.room < self.ceiling)
            looks = merged([looks.of(~pick), more])
        return looks

    def _guess(self, boxes: IntArray, middle: FloatArray, half: FloatArray, looks: Looks) -> IntArray:
        """Bound boxes by the grid; return the rows of looks that they rest on."""
        slopes = self._slopes(middle, half, looks)
        height, out, bend = self.margins.rough_cap(slopes.at, looks.value, slopes.normal, looks.room)
        slope = self._leaning(out, slopes.tangent, half.astype(np.float32), looks.owner).T
        swing = 0.5 * self._lever[looks.rows] * half[looks.owner, 2].astype(np.float32) ** 2
        base = height + swing + bend * looks.room**2
        start = np.flatnonzero(np.diff(looks.owner, prepend=-1))
        names = looks.owner[start]
        owner = np.repeat(np.arange(len(start)), np.diff(start, append=len(looks.owner)))
        bound, planes, lean = weighed(base.astype(float), slope.astype(float), owner, len(names))
        box = boxes[names]
        cones = looks.value + looks.room
        order = np.lexsort((cones, owner))[start]
        cone = cones[order] < bound
        bound = np.where(cone, cones[order], bound)
        lean = np.where(cone[:, None], slopes.lean.T[order], lean)
        self.guess[box] = np.minimum(self.guess[box], bound)
        self.lean[box] = np.abs(lean) + BLAME * half[names] * (1, 1, self.lever)
        chosen = np.stack([*planes, *[planes[0]] * (PLANES - 1 - len(planes)), order], axis=1)
        self.planes[box] = looks.rows[chosen]
        return chosen

    def prove(self, boxes: IntArray) -> None:
        """Bound some boxes by exact distances of their witnesses."""
        number = len(boxes)
        middle, half = self.middle(boxes), self.half(boxes)
        owner = np.repeat(np.arange(number), PLANES)
        rows = self.planes[boxes].ravel().astype(np.int64)
        key = np.unique(owner * len(self._radii) + rows)
        owner, rows = key // len(self._radii), key % len(self._radii)
        f = self.freedoms
        c, s = np.cos(middle[:, 2])[owner, None], np.sin(middle[:, 2])[owner, None]
        foot, arm, quarter = (part[rows] for part in self._exact)
        points = foot + c * arm + s * quarter + (middle[:, :1] * f.across + middle[:, 1:2] * f.out)[owner]
        tangent = c * quarter - s * arm
        lever = np.linalg.norm(arm, axis=1)
        room = np.hypot(half[:, 0], half[:, 1])[owner] + half[owner, 2] * lever
        height, steep, bend, exact = self.margins.cap(points, room)
        swing = lever * 0.5 * half[owner, 2] ** 2
        bow = np.where(bend > 0, swing, 0.0) + bend * room**2
        slope = np.stack([steep @ f.across, steep @ f.out, (steep * tangent).sum(axis=1)], axis=1) * half[owner]
        bound, _, lean = weighed(height + bow, slope, owner, number)
        self.proof[boxes] = np.minimum(self.proof[boxes], bound)
        self.guess[boxes] = self.proof[boxes]
        self.lean[boxes] = np.abs(lean) + BLAME * half * (1, 1, self.lever)
        least = np.minimum.reduceat(exact, np.searchsorted(owner, np.arange(number)))
        self.value[boxes] = np.minimum(self.value[boxes], least)

    # -- cutting

    def _splittable(self, boxes: IntArray) -> BoolArray:
        return (self.high[boxes] - self.low[boxes] > 1).any(axis=1)

    def split(self, boxes: IntArray) -> IntArray:
        """Cut boxes across the freedoms that their bounds lean on; return the children."""
        size = self.high[boxes] - self.low[boxes]
        lean = np.where(size > 1, np.maximum(self.lean[boxes], 1e-12), 0.0)
        axes = lean >= 0.5 * lean.max(axis=1, keepdims=True)
        child = ~(CORNERS[None].astype(bool) & ~axes[:, None]).any(axis=2)  # (n, 8)
        parent, corner = np.nonzero(child)
        cut, which = axes[parent], CORNERS[corner]
        half = size[parent] // 2
        low = self.low[boxes[parent]] + np.where(cut, which * half, 0)
        high = np.where(cut, low + half, low + size[parent])
        first = len(self.low)
        number = len(low)
        mother = boxes[parent]
        self.low = np.concatenate([self.low, low.astype(np.int32)])
        self.high = np.concatenate([self.high, high.astype(np.int32)])
        for name in ("value", "guess", "proof", "lean", "planes", "first", "count"):
            held = getattr(self, name)
            setattr(self, name, np.concatenate([held, held[mother]]))
        self.guess[first:] = self.proof[first:]  # not inherited: the grid's planes of a part are closer
        self.live = np.concatenate([self.live, np.ones(number, bool)])
        self.live[boxes] = False
        born = np.bincount(parent, minlength=len(boxes))
        start, kids = np.arange(len(self.low)), np.ones(len(self.low), np.int64)
        start[boxes] = first + np.cumsum(born) - born
        kids[boxes] = born
        a, b = self.edges
        mine = ~(self.live[a] & self.live[b])
        old = (np.concatenate([a[mine], boxes]), np.concatenate([b[mine], boxes]))
        number = kids[old[0]] * kids[old[1]]
        which = np.repeat(np.arange(len(number)), number)
        place = np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number)
        left = start[old[0]][which] + place // kids[old[1]][which]
        right = start[old[1]][which] + place % kids[old[1]][which]
        good = (old[0][which] != old[1][which]) | (left < right)
        left, right = left[good], right[good]
        room = np.minimum(self.high[left], self.high[right]) - np.maximum(self.low[left], self.low[right])
        touch = (room >= 0).all(axis=1) & ((room > 0).sum(axis=1) >= 2)
        self.edges = (np.concatenate([a[~mine], left[touch]]), np.concatenate([b[~mine], right[touch]]))
        children: IntArray = np.arange(first, len(self.low), dtype=np.int64)
        self._evaluate(children)
        return children

    # -- flooding

    def decide(self, tau: float, tried: Tried, progress: Progress) -> Decision:
        """Decide whether there is a way with a margin of at least `tau`, no more than the ceiling."""
        tries = 0
        while True:
            progress(0.5, "passage: looking for a way")
            alive = self.live & (self.guess >= tau)
            graph = Faces(self.edges, alive)
            home = np.zeros(len(self.low), bool)
            home[self._at(np.zeros((1, 3)))] = True
            away = self._outside() & alive
            weight = np.where(self.value >= tau, SHORT, 1.0)
            near = graph.spread(home & alive, weight)
            if not np.isfinite(near[away]).any():
                wall = self._wall(np.isfinite(near), home, alive)
                unsure = wall[self.proof[wall] >= tau]
                if not len(unsure):
                    return Decision(False, bound=float(self.proof[wall].max(initial=-np.inf)))
                for some in np.array_split(unsure, len(unsure) // AT_ONCE + 1):
                    self.prove(some)
                continue
            far = graph.spread(away, weight)
            nodes = graph.path(near, far, weight)
            if (self.value[nodes] >= tau).all():
                tries += 1
                good, failing = tried(self._chain(nodes), tau)
                if good:
                    return Decision(True)
                pick = nodes[np.clip(np.concatenate([failing - 2, failing - 1]), 0, len(nodes) - 1)]
                pick = self._beside(pick, alive)
            else:
                pick = self._on_ways(graph, near, far, weight, tau)
            pick = np.union1d(pick, self._in_the_way(graph, home & alive, away))
            pick = pick[self._splittable(pick)]
            if not len(pick) or len(self.low) > self.most or tries > TRIES:
                return Decision(None)
            self.split(pick)

    def widest(self) -> FloatArray:
        """Return placements (k, 3) from the seat outwards through the boxes whose middles leave most room."""
        graph = Faces(self.edges, self.live)
        home = np.zeros(len(self.low), bool)
        home[self._at(np.zeros((1, 3)))] = True
        away = self._outside() & self.live
        wide = graph.widest(home, np.where(home, np.inf, self.value))
        width = float(wide[away].max())
        weight = np.where(self.value >= width, SHORT, 1.0)
        return self._chain(graph.path(graph.spread(home, weight), graph.spread(away, weight), weight))

    def _chain(self, nodes: IntArray) -> FloatArray:
        return np.concatenate([np.zeros((1, 3)), self.middle(nodes)])

    def _wall(self, reached: BoolArray, home: BoolArray, alive: BoolArray) -> IntArray:
        """Return the closed boxes about those that were reached."""
        a, b = self.edges
        wall = np.concatenate([b[reached[a] & ~alive[b]], a[reached[b] & ~alive[a]]])
        return np.union1d(wall, np.flatnonzero(home & ~alive & self.live))

    def _on_ways(self, graph: Faces, near: FloatArray, far: FloatArray, weight: FloatArray, tau: float) -> IntArray:
        """Return the larger of the boxes that leave too little room on some ways that cross few of them."""
        weight = weight.copy()
        home, away = near <= weight, far <= weight
        picked = np.empty(0, np.int64)
        for again in range(WAYS):
            if again:
                near, far = graph.spread(home, weight), graph.spread(away, weight)
            nodes = graph.path(near, far, weight)
            narrow = nodes[self.value[nodes] < tau]
            weight[narrow] += 1.0  # another way next time, if there is one as short
            extent = self.extent(narrow)
            picked = np.union1d(picked, narrow[extent >= LARGEST * extent.max()])
        return picked

    def _beside(self, nodes: IntArray, alive: BoolArray) -> IntArray:
        """Return boxes and those beside them that are no smaller: where one way fails, its neighbours seldom pass."""
        near = np.zeros(len(self.low), bool)
        near[nodes] = True
        a, b = self.edges
        touched = np.concatenate([b[near[a]], a[near[b]]])
        extent = self.extent(np.arange(len(self.low)))
        return np.union1d(nodes, touched[alive[touched] & (extent[touched] >= extent[nodes].min() * 0.99)])

    def _in_the_way(self, graph: Faces, home: BoolArray, away: BoolArray) -> IntArray:
        """Return the boxes that join the seat's side to the outside when boxes join in order of falling bounds."""
        width = float(graph.widest(home, self.guess)[away].max())
        weight = np.where(self.guess <= width, 1.0, SHORT)
        total = graph.spread(home, weight) + graph.spread(away, weight) - weight
        soon = self.guess >= width - WAIT * self.extent(np.arange(len(self.low)))
        return np.flatnonzero(np.isfinite(total) & (self.guess <= width) & soon & (total < 1.5))
