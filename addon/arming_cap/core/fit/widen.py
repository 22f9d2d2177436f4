# SPDX-License-Identifier: GPL-3.0-or-later
"""A way made wider: each of its poses gives way to what presses on it, in as many freedoms as are allowed.

The chain is an elastic band. Each placement between its ends steps up the slope of its own least margin, softened
over the points that are nearly as tight, and across the way only, so that no placement flees along it. A step is kept
where the placement gains by it. Nothing here proves anything: the chain that comes out is measured like any other.
"""

from __future__ import annotations

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..progress import Progress
from .forest import Forest
from .margins import Margins
from .motion import rotations

SPACING_MM = 4.0
CLOSE_MM = 1.5  # and these at the last, when the form's triangles are asked
EXACT = 3  # choices of points at the last, exactly
TEAR = 2.0  # spacings
STEP_MM = 3.0
CALM_MM = 6.0  # placements with so much more than the tightest need not give
ROUNDS = 40
AT_ONCE = 5  # steps between two choices of the points to look at
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
    band = chain * scale
    soft = 2.0
    least = np.empty(0)
    for go in range(rounds // AT_ONCE):
        progress(go * AT_ONCE / rounds, "passage: widening the way")
        if go % 3 == 0:
            band = resampled(band, SPACING_MM)
            least = np.full(len(band), -np.inf)
        last = go >= rounds // AT_ONCE - EXACT
        calm = CLOSE_MM if last else CALM_MM
        tight = min(until, float(least[1:-1].min()) + calm)
        mine = 1 + np.flatnonzero(least[1:-1] <= tight)
        if not len(mine):
            break
        near, least[mine] = _near(band[mine] / scale, piece, pivot, margins, 2 * soft + STEP_MM, 5 * soft)
        tight = min(until, float(least[1:-1].min()) + calm)
        near = [one for one, value in zip(near, least[mine], strict=True) if value < tight]
        mine = mine[least[mine] < tight]
        if not len(mine):  # wide enough by balls as large as were looked at
            soft = max(soft / 1.6, 0.15)
            continue
        step = np.full(len(mine), max(STEP_MM * 0.6**go, 0.2))
        value, slope = _uphill(band[mine] / scale, near, piece.centres, pivot, margins, soft, last)
        for _ in range(AT_ONCE):
            way = band[mine + 1] - band[mine - 1]
            way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
            up = (slope / scale) @ allowed
            up -= (up * way).sum(axis=1, keepdims=True) * way
            size = np.linalg.norm(up, axis=1)[:, None]
            tried = band[mine] + step[:, None] * up / np.maximum(size, 1e-9) * np.minimum(1.0, 3 * size)
            tried = np.round(tried, 5)  # what sums round differently elsewhere ends here
            after, steeper = _uphill(tried / scale, near, piece.centres, pivot, margins, soft, last)
            better = (after > value) & _together(band, mine, tried)
            band[mine[better]] = tried[better]
            value[better], slope[better] = after[better], steeper[better]
            step *= np.where(better, 1.2, 0.5)
        _drawn(band, mine)
        soft = max(soft / 1.6, 0.15)
    return band / scale


def narrowest(
    chain: FloatArray, piece: Forest, pivot: FloatArray, reach: float, margins: Margins, spacing: float = 1.0
) -> float:
    """Return about the least margin along a chain, at placements `spacing` apart: to choose by, not to answer with."""
    lever = 0.6 * reach
    scale = np.array([1.0, 1.0, 1.0, lever, lever, lever])
    band = resampled(chain * scale, SPACING_MM)
    least = _near(band / scale, piece, pivot, margins, 0.0, 3.0)[1]
    tight = np.flatnonzero(least < least.min() + SPACING_MM)
    close = np.unique(np.clip(tight[:, None] + np.linspace(-0.5, 0.5, int(SPACING_MM / spacing) + 1), 0, len(band) - 1))
    finer = np.stack([np.interp(close, np.arange(len(band)), column) for column in band.T], axis=1)
    near, least = _near(finer / scale, piece, pivot, margins, 1.0, 1.0)
    some = np.flatnonzero(least < least.min() + 1.0)
    at = np.repeat(np.arange(len(some)), [len(near[n]) for n in some])
    points = piece.centres[np.concatenate([near[n] for n in some])]
    return float(margins.exact(_flat(finer[some] / scale, at, points, pivot)[0])[0].min())


def _together(band: FloatArray, mine: IntArray, tried: FloatArray) -> BoolArray:
    """Return which placements may move without tearing the band: no farther from a neighbour than a few spacings."""
    result = np.ones(len(mine), bool)
    for side in (-1, 1):
        before = np.linalg.norm(band[mine] - band[mine + side], axis=1)
        after = np.linalg.norm(tried - band[mine + side], axis=1)
        result &= after <= np.maximum(TEAR * SPACING_MM, before)
    return result


def _drawn(band: FloatArray, mine: IntArray) -> None:
    """Take kinks out of a band, a little at a time, where a placement has run off from both its neighbours."""
    away = 0.5 * (band[mine - 1] + band[mine + 1]) - band[mine]
    far = np.linalg.norm(away, axis=1) > SPACING_MM
    band[mine[far]] += 0.3 * away[far]


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


def _near(
    placements: FloatArray, piece: Forest, pivot: FloatArray, margins: Margins, within: float, finest: float
) -> tuple[list[IntArray], FloatArray]:
    """Return for each placement the points that are within reach of being its tightest, and its least margin."""
    number = len(placements)
    at, rows = np.repeat(np.arange(number), piece.roots), np.tile(np.arange(piece.roots), number)
    least = np.full(number, np.inf)
    done: list[tuple[IntArray, IntArray]] = []
    while len(rows):
        value = margins.rough(_flat(placements, at, piece.centres[rows], pivot)[0])
        start = np.flatnonzero(np.diff(at, prepend=-1))
        least[at[start]] = np.minimum(least[at[start]], np.minimum.reduceat(value, start))
        keep = value - piece.radii[rows] < least[at] + within
        large = (piece.radii[rows] > finest) & (piece.count[rows] > 0)
        ground = keep & ~large & (value < least[at] + within)
        done.append((at[ground], rows[ground]))
        at, rows = at[keep & large], rows[keep & large]
        rows, count = piece.opened(rows, np.ones(len(rows), bool))
        at = np.repeat(at, count)
    at, rows = np.concatenate([a for a, _ in done]), np.concatenate([r for _, r in done])
    order = np.argsort(at, kind="stable")
    return np.split(rows[order], np.searchsorted(at[order], np.arange(1, number))), least


def _uphill(
    placements: FloatArray,
    near: list[IntArray],
    points: FloatArray,
    pivot: FloatArray,
    margins: Margins,
    soft: float,
    exactly: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return the least margin (k,) of each placement, softened by `soft` mm, and its slope (k, 6)."""
    size = [len(n) for n in near]
    at, rows = np.repeat(np.arange(len(near)), size), np.concatenate(near)
    moved, arm = _flat(placements, at, points[rows], pivot)
    value, normal = margins.planes(moved) if exactly else margins.rough_planes(moved)
    first = np.concatenate([[0], np.cumsum(size)[:-1]])
    least = np.minimum.reduceat(value, first)
    weight = np.exp((least[at] - value) / soft)
    total = np.add.reduceat(weight, first)
    weight /= total[at]
    slope = np.concatenate([normal, np.cross(arm, normal)], axis=1) * weight[:, None]
    return least - soft * np.log(total), np.add.reduceat(slope, first, axis=0)
