# SPDX-License-Identifier: GPL-3.0-or-later
"""A way made wider: each of its poses gives way to what presses on it, in as many freedoms as are allowed.

The chain is an elastic band. For each placement between its ends the margins of the points that are nearly tightest
are planes in the placement's six numbers; the step goes to where the least of the planes, less the step's square over
twice a length, is largest (a proximal bundle step), across the way only, so that no placement flees along it. The
middles between a placement and its neighbours count with it. It is kept where the least margin grows, by the grid. The
step is found by its dual: weights on the planes, Frank and Wolfe's method with steps that move weight from the plane
that helps least to the one that limits most (Lacoste-Julien and Jaggi 2015, "On the global linear convergence of
Frank-Wolfe optimization variants"). Nothing here proves anything: the chain that comes out is measured like any other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray
from ...distance.forest import Forest
from ...distance.margins import CHUNK, Margins
from ...distance.motion import rotations
from ...progress import Progress

SPACING_MM = 4.0
TEAR = 2.0  # spacings
STEP_MM = 2.0  # of the first steps, and how far points are looked for
FINEST_MM = 0.5
CALM_MM = 1.0  # placements with so much more than the tightest need not give
ROUNDS = 10
AT_ONCE = 5  # steps between two choices of the points to look at
WEIGHINGS = 25
MOST_NEAR = 150  # points of a placement whose planes are weighed: evenly of those near to its tightest
SIX = np.eye(6)


def widened(
    chain: FloatArray,
    piece: Forest,
    pivot: FloatArray,
    reach: float,
    margins: Margins,
    progress: Progress,
    freedoms: FloatArray = SIX,
    until: float = np.inf,
    rounds: int = ROUNDS,
) -> FloatArray:
    """Return a chain with the same ends, wider where it was narrow.

    Parameters
    ----------
    chain
        (k, 6) placements.
    piece, pivot, reach
        Forest of the piece at the seat, what it turns about, and its radius about that, mm.
    margins
        Of the form.
    freedoms
        (f, 6) orthonormal rows: which ways a placement may give, turns counted in radians.
    until
        A margin beyond which no placement need give, mm.
    rounds
        How many steps each placement may take.
    """
    lever = 0.6 * reach  # mm of a turn of one radian, for steps and lengths
    scale = np.array([1.0, 1.0, 1.0, lever, lever, lever])
    allowed = freedoms.T @ freedoms
    band = resampled(chain * scale, SPACING_MM)
    least = np.full(len(band), -np.inf)
    length = np.full(len(band), STEP_MM)
    for go in range(2 * (rounds // AT_ONCE)):
        progress(0.5 * go * AT_ONCE / rounds, "passage: widening the way")
        # Every other placement moves, so that its neighbours stand still.
        mine = np.arange(1 + go % 2, len(band) - 1, 2)
        tight = min(until, float(least[1:-1].min()) + CALM_MM)
        mine = mine[least[mine] <= tight]
        if not len(mine):
            continue
        threes = _threes(band, mine, band[mine]) / scale
        near, values = tightest(threes, piece, pivot, margins, 2 * STEP_MM, FINEST_MM, CALM_MM, until)
        least[mine] = values.reshape(-1, 3).min(axis=1)
        tight = min(until, float(least[1:-1].min()) + CALM_MM)
        near = [near[3 * n + k] for n, i in enumerate(mine.tolist()) if least[i] < tight for k in range(3)]
        mine = mine[least[mine] < tight]
        if not len(mine):
            continue
        planes = _planes(_threes(band, mine, band[mine]) / scale, near, piece.centres, pivot, margins)
        start = band[mine]
        for _ in range(AT_ONCE):
            way = band[mine + 1] - band[mine - 1]
            way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
            slope = (planes.slope / scale) @ allowed
            slope -= (slope * way[planes.owner]).sum(axis=1, keepdims=True) * way[planes.owner]
            tried = np.round(band[mine] + _uphill(planes, slope, length[mine]), 5)  # sums round alike from here on
            after = _planes(_threes(band, mine, tried) / scale, near, piece.centres, pivot, margins)
            better = (after.least > planes.least) & _together(band, mine, tried)
            better &= np.linalg.norm(tried - start, axis=1) < STEP_MM  # no farther than points were looked for
            band[mine[better]] = tried[better]
            planes = planes.instead(after, better)
            length[mine] = np.clip(length[mine] * np.where(better, 1.3, 0.35), 0.05, 2 * STEP_MM)
        least[mine] = planes.least
    return band / scale


def _threes(band: FloatArray, mine: IntArray, own: FloatArray) -> FloatArray:
    """Return placements (3k, d): k of them, each with the middles between it and its neighbours in a band."""
    return np.stack([own, 0.5 * (own + band[mine - 1]), 0.5 * (own + band[mine + 1])], axis=1).reshape(-1, own.shape[1])


@dataclass(frozen=True, eq=False)
class _Planes:
    """Margins of points of some placements and of the middles beside them, as planes in the placements' six numbers.

    `owner` (n,) ascending says whose a point is, `value` (n,) its margin, `slope` (n, 6); `least` (k,) of each.
    """

    owner: IntArray
    value: FloatArray
    slope: FloatArray
    least: FloatArray

    def instead(self, other: _Planes, which: BoolArray) -> _Planes:
        """Return these with those of some placements taken from others of the same points."""
        rows = which[self.owner]
        return _Planes(
            self.owner,
            np.where(rows, other.value, self.value),
            np.where(rows[:, None], other.slope, self.slope),
            np.where(which, other.least, self.least),
        )


def _uphill(planes: _Planes, slope: FloatArray, length: FloatArray) -> FloatArray:
    """Return steps (k, 6): where the least of a placement's planes, less |step|²/2·length, is largest."""
    # A plane that lies higher than the step can bring down does not count.
    some = np.flatnonzero(planes.value < planes.least[planes.owner] + 4 * length[planes.owner])
    owner, value, slope = planes.owner[some], planes.value[some], slope[some]
    start = np.flatnonzero(np.diff(owner, prepend=-1))
    rows = np.arange(len(owner))

    def first(which: FloatArray) -> IntArray:
        """Return for each placement the row of its least."""
        least = np.minimum.reduceat(which, start)
        return np.minimum.reduceat(np.where(which == least[owner], rows, len(rows)), start)

    weight = np.zeros(len(owner))
    weight[first(value)] = 1.0
    total = np.add.reduceat(weight[:, None] * slope, start, axis=0)
    for _ in range(WEIGHINGS):
        rise = value + length[owner] * (slope * total[owner]).sum(axis=1)  # of the dual, by a plane's weight
        to = first(rise)
        back = first(np.where(weight > 0, -rise, np.inf))
        change = slope[to] - slope[back]
        bend = length * (change**2).sum(axis=1)
        share = np.where(bend > 0, (rise[back] - rise[to]) / np.maximum(bend, 1e-12), 0.0)
        share = np.clip(share, 0.0, weight[back])
        if not (share > 1e-6).any():
            break
        weight[to] += share
        weight[back] -= share
        total += share[:, None] * change
    return length[:, None] * total


def narrowest(
    chain: FloatArray, piece: Forest, pivot: FloatArray, reach: float, margins: Margins, spacing: float = 1.0
) -> float:
    """Return about the least margin along a chain, at placements `spacing` apart: to choose by, not to answer with."""
    lever = 0.6 * reach
    scale = np.array([1.0, 1.0, 1.0, lever, lever, lever])
    band = resampled(chain * scale, SPACING_MM)
    least = tightest(band / scale, piece, pivot, margins, 0.0, 3.0, SPACING_MM)[1]
    tight = np.flatnonzero(least < least.min() + SPACING_MM)
    close = np.unique(np.clip(tight[:, None] + np.linspace(-0.5, 0.5, int(SPACING_MM / spacing) + 1), 0, len(band) - 1))
    finer = np.stack([np.interp(close, np.arange(len(band)), column) for column in band.T], axis=1)
    return float(tightest(finer / scale, piece, pivot, margins, 0.0, FINEST_MM, 0.0)[1].min())


def margins_at(
    placements: FloatArray, piece: Forest, pivot: FloatArray, margins: Margins, until: float = np.inf
) -> FloatArray:
    """Return the rough margins (k,) of placements (k, 6); of those beyond `until` only that they are."""
    return tightest(placements, piece, pivot, margins, 0.0, FINEST_MM, np.inf, until)[1]


def _together(band: FloatArray, mine: IntArray, tried: FloatArray) -> BoolArray:
    """Return which placements may move without tearing the band: no farther from a neighbour than a few spacings."""
    result = np.ones(len(mine), bool)
    for side in (-1, 1):
        before = np.linalg.norm(band[mine] - band[mine + side], axis=1)
        after = np.linalg.norm(tried - band[mine + side], axis=1)
        result &= after <= np.maximum(TEAR * SPACING_MM, before)
    return result


def resampled(chain: FloatArray, spacing: float) -> FloatArray:
    """Return points along a polyline (k, d), evenly spread, no farther apart than `spacing`."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(chain, axis=0), axis=1))])
    keep = np.concatenate([[True], np.diff(length) > 1e-9])
    chain, length = chain[keep], length[keep]
    number = max(int(np.ceil(length[-1] / spacing)), 2)
    at = np.linspace(0.0, length[-1], number + 1)
    return np.stack([np.interp(at, length, column) for column in chain.T], axis=1)


def _flat(placements: FloatArray, at: IntArray, points: FloatArray, pivot: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return points (n, 3), each in its own placement (`at` ascending), and their arms from the pivot there."""
    arm = np.empty_like(points)
    moved = np.empty_like(points)
    x, y, z = (points - pivot).T.copy()
    ends = np.searchsorted(at, np.arange(len(placements) + 1))
    # Written out, not left to a matrix library: the same sums everywhere.
    for turn, shift, low, high in zip(
        rotations(placements[:, 3:]).tolist(), (placements[:, :3] + pivot).tolist(), ends[:-1], ends[1:], strict=True
    ):
        mine = slice(low, high)
        for k in range(3):
            arm[mine, k] = turn[k][0] * x[mine] + turn[k][1] * y[mine] + turn[k][2] * z[mine]
            moved[mine, k] = arm[mine, k] + shift[k]
    return moved, arm


class _Looking:
    """Rough margins of a piece's balls in many placements, in the grid's own units and in single precision."""

    def __init__(self, placements: FloatArray, piece: Forest, pivot: FloatArray, margins: Margins) -> None:
        grid = margins.field.fine
        self.margins = margins
        self._arms = np.ascontiguousarray((piece.centres - pivot).T / grid.spacing, dtype=np.float32)
        self._turns = rotations(placements[:, 3:]).astype(np.float32)
        self._shifts = ((placements[:, :3] + pivot - grid.origin) / grid.spacing).astype(np.float32)

    def rough(self, at: IntArray, rows: IntArray) -> FloatArray:
        """Return the margins (n,) of some balls, each in its own placement (`at` ascending)."""
        u = self._arms.take(rows, axis=1)
        start = np.flatnonzero(np.diff(at, prepend=-1))
        for low, high in zip(start.tolist(), [*start[1:].tolist(), len(at)], strict=True):
            turn, shift, arm = self._turns[at[low]], self._shifts[at[low]], u[:, low:high]
            # Written out, not left to a matrix library: the same sums everywhere.
            moved = [turn[k, 0] * arm[0] + turn[k, 1] * arm[1] + turn[k, 2] * arm[2] + shift[k] for k in range(3)]
            u[:, low:high] = moved
        value = np.empty(len(at))
        for low in range(0, len(at), CHUNK):
            value[low : low + CHUNK] = self.margins.rough_at(u[:, low : low + CHUNK])
        return value


def tightest(
    placements: FloatArray,
    piece: Forest,
    pivot: FloatArray,
    margins: Margins,
    within: float,
    finest: float,
    spare: float,
    until: float = np.inf,
) -> tuple[list[IntArray], FloatArray]:
    """Return for each placement the points that are `within` mm of being its tightest, and its least margin.

    By the grid, of balls no larger than `finest` and of corners; of very many near points a share evenly. Where the
    least margin is more than `spare` above the tightest placement's, or beyond `until`, only that it is so.
    """
    number = len(placements)
    at, rows = np.repeat(np.arange(number), piece.roots), np.tile(np.arange(piece.roots), number)
    least = np.full(number, np.inf)
    look = _Looking(placements, piece, pivot, margins)
    done: list[tuple[IntArray, IntArray]] = []
    while len(rows):
        value = look.rough(at, rows)
        start = np.flatnonzero(np.diff(at, prepend=-1))
        least[at[start]] = np.minimum(least[at[start]], np.minimum.reduceat(value, start))
        most = min(float(least.min()) + spare, until)
        keep = value - piece.radii[rows] < np.minimum(least[at], most) + within
        large = (piece.radii[rows] > finest) & (piece.count[rows] > 0)
        ground = keep & ~large & (value < least[at] + within)
        done.append((at[ground], rows[ground]))
        at, rows = at[keep & large], rows[keep & large]
        rows, count = piece.opened(rows, np.ones(len(rows), bool))
        at = np.repeat(at, count)
    at, rows = np.concatenate([a for a, _ in done]), np.concatenate([r for _, r in done])
    order = np.lexsort((rows, at))
    each = np.split(rows[order], np.searchsorted(at[order], np.arange(1, number)))
    return [own[:: -(-len(own) // MOST_NEAR)] if len(own) > MOST_NEAR else own for own in each], least


def _planes(
    placements: FloatArray,
    near: list[IntArray],
    points: FloatArray,
    pivot: FloatArray,
    margins: Margins,
) -> _Planes:
    """Return the margins of the points near to the tightest of placements (3k, 6), by threes."""
    size = [len(n) for n in near]
    at, rows = np.repeat(np.arange(len(near)), size), np.concatenate(near)
    moved, arm = _flat(placements, at, points[rows], pivot)
    value, normal = margins.rough_planes(moved)
    slope = np.concatenate([normal, np.cross(arm, normal)], axis=1)
    slope[at % 3 > 0] *= 0.5  # a middle moves half as far
    least = np.full(len(near), np.inf)  # of those that have no point near
    some = np.flatnonzero(size)
    least[some] = np.minimum.reduceat(value, (np.cumsum(size) - size)[some])
    return _Planes(at // 3, value, slope, least.reshape(-1, 3).min(axis=1))
