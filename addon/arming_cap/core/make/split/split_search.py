# SPDX-License-Identifier: GPL-3.0-or-later
"""Where to cut: a beam search over trees of planes.

After Luo, Baran, Rusinkiewicz and Matusik, "Chopper: Partitioning Models into 3D-Printable Parts", ACM TOG 31(6),
2012: each plane cuts one part of the tree, the beam keeps the plans with the least weighted cost. Our terms are a
maker's: how many parts, how much seam is seen, above all from the front, how square cuts stand to the wall, room for
joints, slivers, and left like right. A piece that is its own mirror image is planned by halves: what is cut on one
side is cut alike on the other.

Every plane is first weighed on sample points alone, for both its sides at once; only the most promising are tried on
the stand-in solid.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...progress import Progress, silent
from ..solid.solid import raw_mesh
from .split_candidates import EXCESS, candidates
from .split_cell import Cell, Plane, SeamCost, box_of, nearest_to

BEAM = 5
MANY = 16  # parts expected, from which on only two plans are followed
TRIED = 12  # planes tried on the solid, for each part that is cut
BRANCHES = 4  # of them are followed


@dataclass(frozen=True)
class Weights:
    """What a plan is judged by; each in parts, so that 1 is as bad as one part more.

    Attributes
    ----------
    front
        Per 100 mm of seam that is seen from the front.
    shown
        Per 1000 mm of seam on any outer surface.
    square
        For a cut that lies along the wall; a square one costs nothing.
    joints
        For a cut without room for joints anywhere along it.
    sliver
        For a part thinner than the smallest size, or of less than a fiftieth of the piece.
    symmetry
        For a cut whose mirror image is no cut, on a symmetric piece.
    stand
        For a part that fits the printer only on a corner, on no flat side.
    even
        For a cut that takes next to nothing off; one that halves costs nothing.
    """

    front: float = 0.25
    shown: float = 0.12
    square: float = 0.3
    joints: float = 0.35
    sliver: float = 0.5
    symmetry: float = 0.6
    stand: float = 0.2
    even: float = 0.1


@dataclass(frozen=True, eq=False)
class Limits:
    """What the maker holds the search to.

    Attributes
    ----------
    locked
        Cuts to make first, in this order.
    forbidden
        Planes not to use, nor any within `alike_mm` and `alike_deg` of one.
    whole
        Groups of points (k, 3): no cut may part a group.
    smallest_mm
        Least thickness of a part, by any way of laying it.
    joint_wall_mm
        Wall that a joint needs.
    """

    locked: tuple[Plane, ...] = ()
    forbidden: tuple[Plane, ...] = ()
    whole: tuple[FloatArray, ...] = ()
    smallest_mm: float = 15.0
    joint_wall_mm: float = 2.75
    alike_mm: float = 5.0
    alike_deg: float = 5.0

    def of_body(self, row: int, bodies: Sequence[Any]) -> Limits:
        """Return what of the limits holds for one of several bodies: a cut near a point is the nearest body's alone."""
        if len(bodies) == 1:
            return self
        locked = []
        for plane in self.locked:
            crossed = list(range(len(bodies)))
            if plane.near is not None:
                sides = [np.sign(plane.distances(raw_mesh(b)[0])) for b in bodies]
                crossed = [i for i in crossed if np.ptp(sides[i]) > 0]
                crossed = crossed and [crossed[nearest_to(plane.near, [bodies[i] for i in crossed])]]
            if row in crossed:
                locked.append(plane)
        return replace(self, locked=tuple(locked))

    def mirrored(self, middle: float) -> Limits:
        """Return the limits with their images in the plane x = middle added: what holds left holds right."""
        images = []
        for group in self.whole:
            image = group.copy()
            image[:, 0] = 2 * middle - image[:, 0]
            images.append(image)
        forbidden = (*self.forbidden, *(p.mirrored(middle) for p in self.forbidden))
        return replace(self, forbidden=forbidden, whole=(*self.whole, *images))

    def allow(self, plane: Plane, cell: Cell) -> bool:
        """Return whether a plane may cut a cell."""
        normal = np.asarray(plane.normal)
        near = np.cos(np.radians(self.alike_deg))
        for other in self.forbidden:
            side = float(normal @ np.asarray(other.normal))
            if abs(side) > near and abs(plane.offset - np.sign(side) * other.offset) < self.alike_mm:
                return False
        low, high = cell.bounds
        for group in self.whole:
            here = group[((group >= low) & (group <= high)).all(axis=1)]
            if len(here) and np.ptp(np.sign(plane.distances(here))) > 0:
                return False
        return True


@dataclass(frozen=True, eq=False)
class Node:
    """A part in the tree of cuts: cut further by `plane`, or final where that is None.

    Attributes
    ----------
    bounds
        (2, 3) of its material, to find it again on the exact solid.
    above, below
        The parts on the side the plane's normal points to, and on the other.
    """

    bounds: FloatArray
    plane: Plane | None = None
    above: tuple[Node, ...] = ()
    below: tuple[Node, ...] = ()

    def mirrored(self, middle: float) -> Node:
        """Return the node's image in the plane x = middle."""
        bounds = self.bounds.copy()
        bounds[:, 0] = 2 * middle - bounds[::-1, 0]
        return Node(
            bounds,
            self.plane and self.plane.mirrored(middle),
            tuple(n.mirrored(middle) for n in self.above),
            tuple(n.mirrored(middle) for n in self.below),
        )

    def replaced(self, old: Plane, new: Plane) -> Node:
        """Return the tree with one plane in the place of another."""
        return Node(
            self.bounds,
            new if self.plane == old else self.plane,
            tuple(n.replaced(old, new) for n in self.above),
            tuple(n.replaced(old, new) for n in self.below),
        )

    @property
    def leaves(self) -> int:
        """How many parts it ends in."""
        return 1 if self.plane is None else sum(n.leaves for n in (*self.above, *self.below))

    @property
    def planes(self) -> tuple[Plane, ...]:
        """Every cut below it, in the order they are made."""
        if self.plane is None:
            return ()
        return (self.plane, *(p for n in (*self.above, *self.below) for p in n.planes))


@dataclass(eq=False)
class Branch:
    """One way to cut a cell: what it costs besides parts, and the cells it leaves.

    A twin stands for its mirror image too; `side` is 1 for cells above the plane and 0 for those below.
    """

    plane: Plane
    seam: SeamCost
    cost: float
    cells: list[Cell]
    side: list[int]
    twin: list[bool]

    @cached_property
    def guess(self) -> float:
        """The cost with the parts it will probably lead to."""
        return self.cost + sum(c.count * (c.need + EXCESS * max(0.0, c.excess - 1.0)) for c in self.cells)


@dataclass
class Tally:
    """How much was weighed."""

    weighed: int = 0
    tried: int = 0


@dataclass(eq=False)
class Search:
    """The search over one body.

    Attributes
    ----------
    whole_mm3
        Volume of the piece: slivers are measured against it.
    planes
        More planes to weigh: the borders of parts, and whatever the maker draws.
    """

    weights: Weights
    limits: Limits
    whole_mm3: float
    planes: tuple[Plane, ...] = ()
    tally: Tally = field(default_factory=Tally)
    _branches: dict[int, list[Branch]] = field(default_factory=dict)

    def run(self, root: Cell, progress: Progress = silent) -> Node:
        """Return the best tree of cuts found.

        A part for which no cut is allowed stays as it is, too large: the caller sees that it does not fit.
        """
        start = self._locked(((), (root,), 0.0))
        beam, best, best_cost = [start], None, np.inf
        for step in itertools.count():
            grown: list[State] = []
            for state in beam:
                made, cells, cost = state
                progress(1 - 0.8**step, f"weighing cuts: {self.tally.weighed} weighed")
                open_cells = [c for c in cells if not c.turn.fits and not self._stuck(c)]
                if not open_cells:
                    total = cost + sum(c.count * (1 if c.turn.fits else 9) for c in cells)
                    if total < best_cost - 1e-9:
                        best, best_cost = state, total
                    continue
                cell = max(open_cells, key=lambda c: c.excess)
                rest = tuple(c for c in cells if c is not cell)
                for branch in self.branches(cell):
                    grown.append(((*made, (cell, branch)), (*rest, *branch.cells), cost + branch.cost))
            grown = [s for s in grown if _least(s) < best_cost - 1e-9]
            grown.sort(key=_guess)
            # A plan of very many parts is not worth the last per cent: follow fewer.
            beam = grown[: BEAM if root.need <= MANY else 2]
            if not beam:
                break
        assert best is not None
        return self._tree(root, {id(cell): branch for cell, branch in best[0]})

    def _locked(self, state: State) -> State:
        """Return the state after the cuts that the maker has settled: each cuts every part that it crosses."""
        for plane in self.limits.locked:
            made, cells, cost = state
            crossed = [c for c in cells if np.ptp(np.sign(plane.distances(c.hull))) > 0]
            if plane.near is not None and crossed:
                crossed = [crossed[nearest_to(plane.near, [c.solid for c in crossed])]]
            for cell in crossed:
                branch = self._try(cell, plane, cell.surface.seam(plane, self.limits.joint_wall_mm), 0.0)
                if branch is not None:
                    made, cells = (*made, (cell, branch)), (*(c for c in cells if c is not cell), *branch.cells)
            state = (made, cells, cost)
        return state

    def _stuck(self, cell: Cell) -> bool:
        return not self.branches(cell)

    def _tree(self, cell: Cell, made: dict[int, Branch]) -> Node:
        branch = made.get(id(cell))
        if branch is None:
            return Node(cell.bounds)
        middle = cell.view.middle_x
        sides: tuple[list[Node], list[Node]] = ([], [])
        for child, side, twin in zip(branch.cells, branch.side, branch.twin):
            node = self._tree(child, made)
            sides[side].append(node)
            if twin:
                assert middle is not None
                crosswise = abs(branch.plane.normal[0]) > 0.5
                sides[1 - side if crosswise else side].append(node.mirrored(middle))
        return Node(cell.bounds, branch.plane, tuple(sides[1]), tuple(sides[0]))

    def branches(self, cell: Cell) -> list[Branch]:
        """Return the best ways to cut a cell, best first."""
        if id(cell) not in self._branches:
            self._branches[id(cell)] = self._grown(cell)
        return self._branches[id(cell)]

    def _grown(self, cell: Cell) -> list[Branch]:
        planes, hope = candidates(cell, self.planes)
        self.tally.weighed += len(planes)
        order = np.argsort(hope, kind="stable")
        priced: list[tuple[float, int, Plane, SeamCost, float]] = []
        for i in order[: 8 * TRIED]:
            plane = planes[i]
            if not self.limits.allow(plane, cell):
                continue
            seam = cell.surface.seam(plane, self.limits.joint_wall_mm)
            if seam.area_mm2 <= 0:
                continue
            cost = self.price(cell, plane, seam)
            priced.append((float(hope[i]) + cost, int(i), plane, seam, cost))
        priced.sort(key=lambda p: p[:2])
        found: list[Branch] = []
        per_normal: dict[tuple[float, ...], int] = {}
        for _, _, plane, seam, cost in priced:
            if per_normal.get(plane.normal, 0) >= 3:
                continue
            per_normal[plane.normal] = per_normal.get(plane.normal, 0) + 1
            branch = self._try(cell, plane, seam, cost)
            if branch is not None:
                found.append(branch)
            if sum(per_normal.values()) >= TRIED:
                break
        found.sort(key=lambda b: b.guess)
        return found[:BRANCHES]

    def price(self, cell: Cell, plane: Plane, seam: SeamCost) -> float:
        """Return what a cut costs besides the parts it leaves."""
        w = self.weights
        cost = w.front * seam.front_mm / 100 + w.shown * seam.shown_mm / 1000 + w.square * seam.leaning
        cost += w.joints * seam.tight
        middle = cell.view.middle_x
        if cell.symmetric and middle is not None and abs(plane.normal[0]) > 1e-9:
            central = abs(abs(plane.normal[0]) - 1) < 1e-9 and abs(plane.offset * plane.normal[0] - middle) < 1e-6
            cost += 0.0 if central else w.symmetry
        return cell.count * cost

    def _try(self, cell: Cell, plane: Plane, seam: SeamCost, cost: float) -> Branch | None:
        """Cut the stand-in and return what is left; None where the plane leaves all on one side."""
        self.tally.tried += 1
        above, below = cell.sides(plane)
        if not above or not below:
            return None
        middle = cell.view.middle_x if cell.symmetric else None
        x = plane.normal[0]
        if middle is not None and abs(abs(x) - 1) < 1e-9 and abs(plane.offset * x - middle) < 1e-6:
            sides = [(s, 1, True) for s in above]
            symmetric = [False] * len(sides)
        elif middle is not None and abs(x) < 1e-9:
            sides, symmetric = [], []
            for side, solids in ((1, above), (0, below)):
                for solid, own, twin in paired(solids, middle):
                    sides.append((solid, side, twin))
                    symmetric.append(own)
        else:
            sides = [(s, 1, False) for s in above] + [(s, 0, False) for s in below]
            symmetric = [False] * len(sides)
        cells = [
            Cell(s, cell.room, cell.view, (*cell.planes, plane), own, cell.count * (2 if twin else 1))
            for (s, _, twin), own in zip(sides, symmetric)
        ]
        thin = self.limits.smallest_mm
        sizes = [sum(s.volume() for s in side) for side in (above, below)]
        cost += cell.count * self.weights.even * abs(sizes[0] - sizes[1]) / sum(sizes)
        for child in cells:
            small = child.thinnest < thin or child.volume < 0.02 * self.whole_mm3
            cost += child.count * self.weights.sliver * small
            if self.weights.stand and child.turn.fits and not child.stands:
                cost += child.count * self.weights.stand
        return Branch(plane, seam, cost, cells, [side for _, side, _ in sides], [twin for _, _, twin in sides])


State = tuple[tuple[tuple[Cell, Branch], ...], tuple[Cell, ...], float]


def _least(state: State) -> float:
    """Return a cost below which no plan that goes on from here can end."""
    return state[2] + sum(c.count * (1 if c.turn.fits else 2) for c in state[1])


def _guess(state: State) -> float:
    return state[2] + sum(c.count * (c.need + EXCESS * max(0.0, c.excess - 1.0)) for c in state[1])


def paired(solids: Sequence[Any], middle: float) -> list[tuple[Any, bool, bool]]:
    """Return shells of a symmetric cut: each with whether it is its own mirror image, and whether it has a twin.

    Of two twins the one with the larger x is kept.
    """
    found: list[tuple[Any, bool, bool]] = []
    for solid in solids:
        low, high = box_of(solid)[:, 0] - middle
        if low < 0 < high:
            found.append((solid, True, False))
        elif low >= 0:
            found.append((solid, False, True))
    return found
