# SPDX-License-Identifier: GPL-3.0-or-later
"""How a passage is looked for: the one page on the search.

What is asked: is there a chain of placements from where the piece is worn (`play`) to off the body on which no margin
is below 0, the motion between them included? And, only where it is shown, how wide is the widest.

1. The least margin at the seat is every way's ceiling. Where it is below 0 the piece fails there, whatever the way;
   where it is next to nothing no way is told from none, and nothing is searched.
2. The way out is the direction, of 26, of the widest straight lift by the grid; up unless another is clearly wider
   (`lift`). Straight first: most pieces that pass do so straight.
3. A way known from another scale is widened and tried (`widen`).
4. Else placements with three freedoms, fore-aft, along the way out and the turn in that plane, are cut into boxes
   until a way is found or none can be (`subdivide`): subdivision with soft predicates (Wang, Chiang, Yap 2013),
   bounds by witnesses weighed as a linear program's dual (`weighing`). A lopsided piece is asked in a second plane,
   too. A *no* is proved for these freedoms once the boxes it rests on are closed by exact distances;
   `Passage.proved_in` says them.
5. A chain of boxes' middles is held against the triangles (`motion.least_along`, branch and bound in space and time),
   and gives way in all six freedoms where it is nearly wide enough (`widen`, a proximal bundle step by Frank and
   Wolfe). So a *yes* may turn in freedoms that the proof of a *no* does not know.
6. Where the pinch is wanted of a piece that passes, its way is widened and larger thresholds are asked of the boxes,
   each going on where the other stays. Of a piece that fails it is that of the widest chain of boxes, widened, and the
   bound is brought down by asking smaller thresholds.

The same tree over the piece (`distance.cover`, `distance.forest`) and the same field answer all of it; a scale
multiplies the tree's radii (`scale`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray, IntArray
from ...distance.margins import Margins, margins_of
from ...distance.motion import LOOKS, Least, least_along, polished
from ...progress import Progress
from ...tolerances import TOLERANCES
from .freedoms import Freedoms
from .lift import Scene, all_the_way, straight_chain, way_out
from .subdivide import Subdivision
from .widen import margins_at, narrowest, widened

FINE = 2 * TOLERANCES.standoff_mm
LONGER, QUICKLY = 32, 8  # times as many looks where the verdict hangs on what lies between
ALIKE_MM = 16.0  # voxels in which a piece and its mirror image are compared
ALIKE = 0.6  # share of voxels that are also the mirror image's: a visor's hinge or a plume spoils a few
CALM_MM = 0.5  # a way with so much room needs no widening where only its sign is asked
STEP_MM = 0.25  # by how much wider a way must be than the last one that was widened, to be widened in turn
WIDENS_MM = 1.5  # by what widening a way in six freedoms has been seen to help
FEW, MANY = 2, 20  # times a way is widened, as long as that helps
HELPS_MM, PATIENCE = 0.03, 2  # what helps, and how often in a row it may not: one widening may prepare the next
TIGHTENING, WIDER = 1500, 500  # boxes more, for a lower bound and for a wider way
HALVINGS = 2  # of what is open between a way that fails and the bound on all others
SHARE = 0.1  # where much is missing, the pinch is told to this share of it


@dataclass(frozen=True)
class Search:
    """How a passage is looked for.

    Attributes
    ----------
    pitch_deg
        How far the piece is tilted either way.
    tolerance_mm
        How closely the pinch is to be known.
    most_cells
        Where to stop and give the bounds found.
    proved
        Whether to look longer at what lies between the looks at the way found, where the verdict hangs on it.
    decide_only
        Whether to stop as soon as it is known on which side of 0 the pinch lies.
    measured
        Whether the pinch of what was decided is measured, too: else it is about `Found.width`.
    neck_bend_deg
        How far the head may bow on its neck, either way, where the piece does not pass otherwise; 0 for a rigid form.
    springs_mm
        How far a slit may spring open on the way: the user's number, not a simulation; see `springs.sprung`.
    """

    pitch_deg: float = 75.0
    tolerance_mm: float = 0.3
    most_cells: int = 12_000
    proved: bool = True
    decide_only: bool = False
    measured: bool = True
    springs_mm: float = 0.0
    neck_bend_deg: float = 0.0

    @property
    def pitch_rad(self) -> float:
        """How far the piece is tilted either way, radians."""
        return float(np.radians(self.pitch_deg))


@dataclass(frozen=True, eq=False)
class Found:
    """What a search came to.

    Attributes
    ----------
    scene
        The seated piece and the form.
    chain
        (k, 6) placements of the widest way found.
    least
        Its least margin.
    width
        The same, or about that where it was not measured, mm.
    bound
        No way in the freedoms searched has a pinch above this, mm; a way in six freedoms may.
    at_seat
        The least margin at the seat.
    out
        (3,) direction off the body.
    cells
        How many boxes of placements were looked at.
    planes
        In how many planes of motion a way was looked for.
    """

    scene: Scene
    chain: FloatArray
    least: Least
    width: float
    bound: float
    at_seat: Least
    out: FloatArray
    cells: int
    planes: int

    @property
    def passes(self) -> bool:
        """Whether nothing on the way lies below 0, between its placements either."""
        return self.least.margin_mm >= 0 and self.least.floor_mm >= 0


def find_way(
    scene: Scene, options: Search, progress: Progress, known: FloatArray | None = None, elsewhere: bool = True
) -> Found:
    """Return the widest way found and a bound on all others.

    Parameters
    ----------
    scene
        The seated piece and the form.
    options
        How closely to look.
    progress
        Told the bounds as they close; may cancel.
    known
        A chain (k, 6) that is likely to be wide.
    elsewhere
        Whether to look for another way where that one, widened, does not pass.
    """
    at_seat = least_along(scene.cover, scene.pivot, np.zeros((1, 6)), scene.field, scene.allowances, FINE)
    out = way_out(scene)
    scene = all_the_way(scene, out)
    hunt = _Hunt(scene, margins_of(scene.field, scene.allowances), options, out, at_seat, progress)
    hunt.start()
    if not hunt.decided() and known is not None:
        hunt.try_known(known)
    # Where the seat itself leaves next to nothing, no other way is told from none.
    if not hunt.decided() and elsewhere and (not options.decide_only or at_seat.margin_mm >= FINE):
        for freedoms in hunt.planes():
            hunt.look(freedoms)
            if hunt.decided():
                break
    least = hunt.told()
    width = least.margin_mm if options.measured else hunt.width
    return Found(scene, hunt.chain, least, width, hunt.bound, at_seat, out, hunt.cells, hunt.looked)


class _Hunt:
    """The best way so far, `chain`, about `width` wide, and the `bound` on all others.

    Its exact least margin `least` is None where only a side of 0 is asked and the grid leaves no doubt that it fails.
    """

    def __init__(
        self, scene: Scene, margins: Margins, options: Search, out: FloatArray, at_seat: Least, progress: Progress
    ) -> None:
        self.scene, self.margins, self.options, self.out = scene, margins, options, out
        self.at_seat, self.progress = at_seat, progress
        self.bound = at_seat.margin_mm
        self.line = straight_chain(out, scene.travel(out))
        self.chain = self.line
        self.cells = self.looked = 0
        self.forest = scene.forest

    def start(self) -> None:
        """Draw the piece straight off."""
        self.width = self.rough(self.line)
        self.least = self.asked(self.line)
        self.width = self.sure(self.width, self.least)
        self._tell()

    def asked(self, chain: FloatArray) -> Least | None:
        """Return the exact least margin of a chain (k, 6); None where only its sign is asked and that is negative.

        By the sign alone: the grid may be wrong by what the allowances differ by.
        """
        if not self.options.decide_only:
            least = self.exact(chain, LOOKS)
            if least.floor_mm < 0 <= least.margin_mm:  # whether it passes is asked alone, which is sooner known
                sure = self.exact(chain, QUICKLY * LOOKS, 0.0)
                least = replace(least, floor_mm=max(least.floor_mm, sure.floor_mm)) if sure.margin_mm >= 0 else sure
            return least
        least = self.exact(chain, QUICKLY * LOOKS, 0.0, -FINE)
        return None if least.margin_mm < -FINE else least

    def exact(self, chain: FloatArray, looks: int, enough: float = np.inf, least: float = -np.inf) -> Least:
        """Return the exact least margin of a chain (k, 6)."""
        scene, about = self.scene, (self.scene.field, self.margins.allowances, FINE)
        return least_along(scene.cover, scene.pivot, chain, *about, self.at_seat, looks, enough, least)

    def passes(self, tau: float) -> bool:
        """Whether the way found has a margin of `tau`: of 0, with what lies between the looks."""
        return self.least is not None and self.width >= tau and (self.least.floor_mm >= 0 or tau != 0)

    def decided(self) -> bool:
        """Whether nothing that is asked hangs on looking on."""
        if self.options.decide_only:
            return self.passes(0.0) or self.bound < 0
        return self.width >= self.bound - self.options.tolerance_mm

    def try_known(self, chain: FloatArray) -> None:
        """Try a way known from elsewhere, widened."""
        self.take(self.to_the_end(chain), 1)

    def to_the_end(self, chain: FloatArray) -> FloatArray:
        """Return a chain (k, 6) with a straight run added until it is as far out as a straight lift ends."""
        rest = float(self.line[-1, :3] @ self.out - chain[-1, :3] @ self.out)
        if rest <= 0:
            return chain
        return np.concatenate([chain, [chain[-1] + np.concatenate([self.out * rest, np.zeros(3)])]])

    def rough(self, chain: FloatArray) -> float:
        """Return about how narrow a chain is, mm."""
        return narrowest(chain, self.forest, self.scene.pivot, self.scene.reach, self.margins)

    def widened(self, chain: FloatArray, times: int, best: float) -> tuple[FloatArray, float]:
        """Return a chain, about `best` wide, widened up to so many times, as long as that helps; and how wide it is."""
        scene, until = self.scene, self.at_seat.margin_mm
        band, stays = chain, 0
        for _ in range(times):
            if stays == PATIENCE or best > until - HELPS_MM:
                break
            band = widened(band, self.forest, scene.pivot, scene.reach, self.margins, self.progress, until=until)
            width = self.rough(band)
            stays = 0 if width > best + HELPS_MM else stays + 1
            if width > best:
                chain, best = band, width
        return chain, best

    def take(self, chain: FloatArray, times: int, width: float | None = None) -> None:
        """Widen a chain, about `width` wide where that is known, and keep it where it is the widest so far."""
        width = self.rough(chain) if width is None else width
        if not self.options.decide_only or width <= CALM_MM:
            chain, width = self.widened(chain, times, width)
        if width > self.width - FINE - self.margins.jump:
            least = self.asked(chain)
            sure = self.sure(width, least)
            if least is not None or self.least is None:
                if self._worth(sure, least) > self._worth(self.width, self.least):
                    self.chain, self.least, self.width = chain, least, sure
                    self._tell()

    def sure(self, width: float, least: Least | None) -> float:
        """Return how wide a way about `width` wide is, where its least margin was measured."""
        if least is None:
            return width
        if least.margin_mm >= 0 and not self.options.measured:
            return max(width, 0.0) if least.floor_mm >= 0 else width  # the triangles know better than the grid
        return least.margin_mm

    def _worth(self, width: float, least: Least | None) -> tuple[bool, float, float]:
        """Return what ways are compared by: where only a side of 0 is asked, first whether it is known to pass."""
        floor = -np.inf if least is None else least.floor_mm
        return self.options.decide_only and floor >= 0, width, floor

    def planes(self) -> list[Freedoms]:
        """Return the freedoms that are searched: the second plane of motion only where the piece is lopsided."""
        planes = _planes_of_motion(self.scene, self.out)
        return planes[:1] if _mirrored(self.scene, planes[0].axis) else planes

    def look(self, freedoms: Freedoms) -> None:
        """Look for a way in some freedoms, and where the pinch is wanted for the widest."""
        first, self.looked = not self.looked, self.looked + 1
        before, bound = self.bound, self.bound
        if not self.passes(0.0) and self.options.most_cells and self.at_seat.margin_mm >= 0:
            search = self.boxes(freedoms, 0.0, self.options.most_cells)
            decision = search.decide(0.0, _Tried(self, freedoms), self.progress)
            if decision.answer is not True:
                self.take(self._six(freedoms, search.widest()), 0 if self.options.decide_only else 1)
            if decision.answer is False:
                bound = min(before, decision.bound)
                if not self.options.decide_only:
                    bound = self._tightened(search, freedoms, bound, TIGHTENING)
            self.cells += len(search.low)
            self.bound = bound if first else max(self.bound, bound)  # a way in either plane is a way
            self._tell()
        if not self.options.decide_only and bound >= 0 and self.at_seat.margin_mm >= 0:
            self._widest(freedoms)

    def boxes(self, freedoms: Freedoms, tau: float, most: int) -> Subdivision:
        """Return boxes of some freedoms, to ask thresholds up to `tau` of."""
        return Subdivision(self.scene, self.forest, self.margins, freedoms, self.options.pitch_rad, tau, most)

    def _tightened(self, search: Subdivision, freedoms: Freedoms, bound: float, more: int) -> float:
        """Return a lower bound on all ways in some freedoms, by halving what is open between it and the way found.

        With up to `more` boxes; a wider way that comes up is taken.
        """
        search.most = len(search.low) + more
        for _ in range(HALVINGS):
            if bound - self.width <= max(self.options.tolerance_mm, -SHARE * bound):
                break
            tau = 0.5 * (bound + self.width)
            decision = search.decide(tau, _Tried(self, freedoms), self.progress)
            if decision.answer is None:
                break
            if decision.answer is False:
                bound = min(bound, decision.bound, tau)
            self._tell(bound)
        return bound

    def _widest(self, freedoms: Freedoms) -> None:
        """Look for a wider way than the one that passes."""
        self.take(self.chain, FEW)
        if not self.decided():
            self._tightened(self.boxes(freedoms, self.at_seat.margin_mm, 0), freedoms, self.at_seat.margin_mm, WIDER)
        if not self.decided():
            self.take(self.chain, MANY)

    def _six(self, freedoms: Freedoms, chain: FloatArray) -> FloatArray:
        return self.to_the_end(freedoms.placements(chain))

    def _tell(self, bound: float | None = None) -> None:
        bound = self.bound if bound is None else bound
        self.progress(0.3, f"passage: pinch between {self.width:.1f} and {max(bound, self.width):.1f} mm")

    def told(self) -> Least:
        """Return the least margin of the way found, looked at longer where the verdict hangs on what lies between."""
        scene, allowances, decide = self.scene, self.margins.allowances, self.options.decide_only
        if self.least is None and not self.options.measured:
            return replace(self.at_seat, margin_mm=min(self.width, self.at_seat.margin_mm), floor_mm=-np.inf)
        least = self.exact(self.chain, LOOKS // 6) if self.least is None else self.least
        if decide and self.passes(0.0):  # that it passes is known: by how much is told, not searched
            if self.options.measured:
                again = self.exact(self.chain, LOOKS)
                least = replace(again, floor_mm=max(again.floor_mm, least.floor_mm))
            return least
        if not decide and least.floor_mm < least.margin_mm - 2 * FINE and least.triangle >= 0:
            least = polished(least, scene.cover, scene.pivot, self.chain, scene.field, allowances, FINE)
        if self.options.proved and self.options.measured and least.floor_mm < 0 and least.margin_mm > FINE:
            longer = QUICKLY if decide else LONGER
            sure = least_along(
                scene.cover, scene.pivot, self.chain, scene.field, allowances, FINE, least, longer * LOOKS, enough=0.0
            )
            least = replace(least, floor_mm=sure.floor_mm) if sure.margin_mm >= least.margin_mm else sure
        return least


class _Tried:
    """Chains of boxes' middles held against the piece: as they are, and widened in six freedoms."""

    def __init__(self, hunt: _Hunt, freedoms: Freedoms) -> None:
        self.hunt, self.freedoms = hunt, freedoms
        self.before = -np.inf

    def __call__(self, chain: FloatArray, tau: float) -> tuple[bool, IntArray]:
        hunt, aim = self.hunt, tau + FINE  # the grid errs by less where it matters
        six = hunt._six(self.freedoms, chain)
        margins, place = _margins_along(six, hunt, aim)
        width = float(margins.min())
        if width >= aim or width > max(self.before + STEP_MM, min(tau, hunt.width) - WIDENS_MM):
            self.before = width
            hunt.take(six, 1, width if width < aim else None)
        if hunt.passes(tau):
            return True, np.empty(0, np.int64)
        narrow = margins < max(aim, width + FINE)
        return False, np.unique(np.clip(np.ceil(place[narrow]).astype(np.int64), 1, len(chain) - 1))


def _margins_along(chain: FloatArray, hunt: _Hunt, until: float) -> tuple[FloatArray, FloatArray]:
    """Return rough margins along a chain (k, 6) every 2 mm or so, and where along it (in its rows) they are."""
    lever = 0.6 * hunt.scene.reach
    scale = np.array([1.0, 1.0, 1.0, lever, lever, lever])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(chain * scale, axis=0), axis=1))])
    at = np.linspace(0.0, length[-1], max(int(length[-1] / 2.0), 2) + 1)
    place = np.interp(at, length, np.arange(len(chain)))
    placed = np.stack([np.interp(place, np.arange(len(chain)), column) for column in chain.T], axis=1)
    return margins_at(placed, hunt.forest, hunt.scene.pivot, hunt.margins, until), place


def _planes_of_motion(scene: Scene, out: FloatArray) -> list[Freedoms]:
    """Return the freedoms that are searched: along the way out and fore-aft, and from side to side, and turns there."""
    side = np.array([1.0, 0.0, 0.0]) - out * out[0]
    if np.linalg.norm(side) < 0.5:
        side = np.array([0.0, 1.0, 0.0]) - out * out[1]
    side /= np.linalg.norm(side)
    return [Freedoms(np.cross(axis, out), out, axis, scene.pivot) for axis in (side, np.cross(side, out))]


def _mirrored(scene: Scene, axis: FloatArray) -> bool:
    """Return whether the piece is about its own mirror image across the plane normal to an axis (3,)."""
    points = scene.cover.centres[scene.cover.leaves] - scene.pivot
    twin = points - 2 * np.outer(points @ axis, axis)
    one, other = ({tuple(row) for row in np.rint(p / ALIKE_MM).astype(int).tolist()} for p in (points, twin))
    return len(one & other) > ALIKE * len(one)
