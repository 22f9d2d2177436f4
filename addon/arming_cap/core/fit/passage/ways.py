# SPDX-License-Identifier: GPL-3.0-or-later
"""The widest way off the body: looked for on a lattice, widened in six freedoms, and bounded through cells."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray
from ...distance.field import Field
from ...distance.forest import Forest
from ...distance.margins import Margins
from ...distance.motion import LOOKS, Least, least_along, polished
from ...progress import Progress
from ...tolerances import TOLERANCES
from .cells import CELL_MM, Boxes, WidestWay
from .freedoms import Freedoms
from .lattice import Chain, Lattice
from .lift import Scene, straight_chain, way_out
from .widen import narrowest, widened

FINE = 2 * TOLERANCES.standoff_mm
POLISHES = 3
LONGER, QUICKLY = 32, 8  # times as many looks where the verdict hangs on what lies between
# Of the lattice from coarse to fine: steps to either side, how much wider than the narrowest is left alone, how closely
# margins are measured, how much wider than it shows a way may turn out, and from which width on it is not needed, mm.
LEVELS = ((3, 6.0, 0.4, 2.0, np.inf), (3, 2.0, 0.2, 1.0, np.inf), (3, 1.0, 0.1, 0.5, 1.0))
ALIKE_MM = 16.0  # voxels in which a piece and its mirror image are compared
WIDENS_MM = 1.0  # by what the last widening is not expected to help more
PATIENCE = 1500  # cells, in which the bound must come down by so much, or it is left where it is
PROGRESS_MM = 0.25
CLEARLY_MM = 0.5  # by how much the middles of cells must promise more than what was found


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
    neck_bend_deg
        How far the head may bow on its neck, either way, where the piece does not pass otherwise; 0 for a rigid form.
    springs_mm
        How far a slit may spring open on the way, each side giving way by half: the user's number, not a simulation.
    """

    pitch_deg: float = 75.0
    tolerance_mm: float = 0.3
    most_cells: int = 12_000
    proved: bool = True
    decide_only: bool = False
    springs_mm: float = 0.0
    neck_bend_deg: float = 0.0


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
    bound
        No way in the freedoms searched has a pinch above this, mm.
    at_seat
        The least margin at the seat.
    out
        (3,) direction off the body.
    cells
        Size of the proof.
    planes
        In how many planes of motion a way was looked for.
    """

    scene: Scene
    chain: FloatArray
    least: Least
    bound: float
    at_seat: Least
    out: FloatArray
    cells: int
    planes: int


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
    tight = FINE
    at_seat = least_along(scene.cover, scene.pivot, np.zeros((1, 6)), scene.field, scene.allowances, FINE)
    allowances = scene.allowances - options.springs_mm / 2
    about = (scene.field, allowances, tight)
    out = way_out(scene)
    line = straight_chain(out, scene.travel(out))
    straight = least_along(scene.cover, scene.pivot, line, *about, at_seat)
    progress(0.1, f"passage: pinch between {straight.margin_mm:.1f} and {at_seat.margin_mm:.1f} mm")
    chain, least, bound, cells, planes = line, straight, at_seat.margin_mm, 0, 0
    enough = options.decide_only and (straight.floor_mm >= 0 or at_seat.margin_mm < 0)
    if not enough and straight.margin_mm < at_seat.margin_mm - options.tolerance_mm:
        band = _Band(Forest.of(scene.cover), scene, Margins(scene.field, allowances), out, line, at_seat.margin_mm)
        chain, planes = _widest(band, straight.margin_mm, options, progress, known, elsewhere)
        if chain is not line:
            looks = LOOKS // 6 if options.decide_only else LOOKS
            least = least_along(scene.cover, scene.pivot, chain, *about, at_seat, looks)
            if straight.margin_mm >= least.margin_mm - options.tolerance_mm:
                chain, least = line, straight
        if options.most_cells and least.margin_mm < at_seat.margin_mm - options.tolerance_mm:
            chain, least, bound, cells = _bounded(band, chain, least, about, options, progress)
    if least.floor_mm < least.margin_mm - 2 * tight and least.triangle >= 0:
        least = polished(least, scene.cover, scene.pivot, chain, *about)
    if options.proved and least.floor_mm < 0 and least.margin_mm > tight:  # the verdict hangs on it: look longer
        longer = QUICKLY if options.decide_only else LONGER
        sure = least_along(scene.cover, scene.pivot, chain, *about, least, longer * LOOKS, enough=0.0)
        least = replace(least, floor_mm=sure.floor_mm) if sure.margin_mm >= least.margin_mm else sure
    return Found(scene, chain, least, max(bound, least.margin_mm), at_seat, out, cells, planes)


@dataclass(frozen=True, eq=False)
class _Band:
    """What finding and widening a chain needs; `line` is the straight one, `until` the margin at the seat."""

    forest: Forest
    scene: Scene
    margins: Margins
    out: FloatArray
    line: FloatArray
    until: float

    def width(self, chain: FloatArray) -> float:
        """Return about how narrow a chain is, mm."""
        return narrowest(chain, self.forest, self.scene.pivot, self.scene.reach, self.margins)

    def widest(self, chain: FloatArray, times: int, progress: Progress) -> tuple[FloatArray, float]:
        """Return a chain widened up to so many times, as long as that helps, and its width."""
        best = self.width(chain)
        for _ in range(times):
            again = widened(
                chain, self.forest, self.scene.pivot, self.scene.reach, self.margins, progress, until=self.until
            )
            found = self.width(again)
            if found < best + 0.05:
                break
            chain, best = again, found
        return chain, best

    def to_the_end(self, chain: FloatArray) -> FloatArray:
        """Return a chain (k, 6) with a straight run added until it is as far out as a straight lift ends."""
        rest = float(self.line[-1, :3] @ self.out - chain[-1, :3] @ self.out)
        if rest <= 0:
            return chain
        return np.concatenate([chain, [chain[-1] + np.concatenate([self.out * rest, np.zeros(3)])]])


def _widest(
    band: _Band, width: float, options: Search, progress: Progress, known: FloatArray | None, elsewhere: bool
) -> tuple[FloatArray, int]:
    """Return the widest chain found, the straight one where none is wider, and in how many planes it was looked for."""
    chain, passes = band.line, options.decide_only
    if known is not None:
        known = band.to_the_end(known)
        found = band.width(known)
        if not passes or found <= FINE:
            known, found = band.widest(known, 1, progress)
        if found > width:
            chain, width = known, found
        if (passes and width > FINE) or not elsewhere:
            return chain, 0
    planes = _planes_of_motion(band.scene, band.out)
    if _mirrored(band.scene, planes[0].axis):
        planes = planes[:1]
    tried = 0
    for freedoms in planes:
        tried += 1
        for one in _on_lattice(band, freedoms, options, progress):
            found = band.width(one)
            if found > width:
                chain, width = one, found
            if (passes and width > FINE) or width > band.until - options.tolerance_mm:
                return chain, tried
        if width > options.tolerance_mm:
            break
    if not passes or width > -WIDENS_MM:
        chain, _ = band.widest(chain, 1 if passes else POLISHES, progress)
    return chain, tried


def _on_lattice(band: _Band, freedoms: Freedoms, options: Search, progress: Progress) -> Iterator[FloatArray]:
    """Yield chains (k, 6), each wider than the one before as a rule, and each dearer."""
    lattice = Lattice(band.scene, band.forest, band.margins, freedoms, np.radians(options.pitch_deg), band.until)
    near = lattice.rough(progress)
    for number, (around, slack, within, error, plain) in enumerate(LEVELS[: 2 if options.decide_only else None]):
        if number:
            if near.width > plain or (options.decide_only and near.width < -2 * error):
                return
            lattice, near = lattice.finer(), Chain(2 * near.nodes, near.width)
        worth, enough = (-error, error) if options.decide_only else (-np.inf, np.inf)
        near = lattice.widest_near(near.nodes, around, slack, within, 4, progress, worth, enough)
        yield band.to_the_end(lattice.placements(near.nodes))


Bounded = tuple[FloatArray, Least, float, int]


def _bounded(
    band: _Band,
    chain: FloatArray,
    least: Least,
    about: tuple[Field, FloatArray, float],
    options: Search,
    progress: Progress,
) -> Bounded:
    """Return the widest chain, its least margin, a bound on all others, and the number of cells it took."""
    scene, bound, width = band.scene, band.until, least.margin_mm
    freedoms = _planes_of_motion(scene, band.out)[0]
    search = WidestWay(
        band.forest,
        freedoms,
        _boxes(scene, band.out, options),
        band.margins,
        scene.travel(band.out),
        bound,
        options.tolerance_mm / 2,
        options.most_cells,
    )
    seen, stuck, before = width, search.made + PATIENCE, bound
    while True:
        undecided = width < 0 <= bound  # first of all, on which side of 0 the pinch lies
        wanted = max(width, 0.0) if options.decide_only or undecided else width + search.enough(width)
        most, accepted = search.bound(wanted, progress)
        bound = min(bound, most)
        told = f"passage: pinch between {width:.1f} and {max(bound, width):.1f} mm"
        progress(0.3 + 0.6 * min(1.0, search.made / options.most_cells), told)
        way = search.way(accepted)
        if not way or most < wanted:
            if undecided and not options.decide_only and way:
                continue
            break
        if search.least(way) > seen + CLEARLY_MM:  # another road than the lattice found
            seen = search.least(way)
            six, found = band.widest(band.to_the_end(freedoms.placements(search.chain(way))), 1, progress)
            if found > width:
                one = least_along(scene.cover, scene.pivot, six, *about)
                if one.margin_mm > width:
                    chain, least, width = six, one, one.margin_mm
                    seen = max(seen, width)
        limit = options.most_cells if undecided else options.most_cells // 4
        if search.made > stuck:
            if bound > before - PROGRESS_MM:
                break
            stuck, before = search.made + PATIENCE, bound
        if search.made > limit or not search.look_along(accepted, wanted):
            break
    return chain, least, bound, search.made


def _planes_of_motion(scene: Scene, out: FloatArray) -> list[Freedoms]:
    """Return the freedoms that are searched: along the way out and fore-aft, and from side to side, and turns there."""
    side = np.array([1.0, 0.0, 0.0]) - out * out[0]
    if np.linalg.norm(side) < 0.5:
        side = np.array([0.0, 1.0, 0.0]) - out * out[1]
    side /= np.linalg.norm(side)
    return [Freedoms(np.cross(axis, out), out, axis, scene.pivot) for axis in (side, np.cross(side, out))]


def _boxes(scene: Scene, out: FloatArray, options: Search) -> Boxes:
    """Return how far the freedoms are searched, and through which cells."""
    far = scene.travel(out)
    turns = 2 * int(np.ceil(np.radians(options.pitch_deg) * scene.reach / CELL_MM))
    turn = 2 * np.radians(options.pitch_deg) / turns
    wide = 2 * int(np.ceil(scene.reach / CELL_MM))
    below = 2
    count = np.array([wide, int(np.ceil(far / CELL_MM)) + 1 + below, turns])
    size = np.array([CELL_MM, CELL_MM, turn])
    low = np.array([-wide / 2 * CELL_MM, -below * CELL_MM, -turns / 2 * turn])
    return Boxes(low, count, size)


def _mirrored(scene: Scene, axis: FloatArray) -> bool:
    """Return whether the piece is about its own mirror image across the plane normal to an axis (3,)."""
    points = scene.cover.centres[scene.cover.leaves] - scene.pivot
    twin = points - 2 * np.outer(points @ axis, axis)
    one, other = ({tuple(row) for row in np.rint(p / ALIKE_MM).astype(int).tolist()} for p in (points, twin))
    return len(one & other) > 0.6 * len(one)
