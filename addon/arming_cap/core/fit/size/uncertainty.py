# SPDX-License-Identifier: GPL-3.0-or-later
"""How sure a size is: from what moves the wearer's surface to a range of scales and the chance of fitting at each.

About the answer each place's margin is taken as linear in the scale and in the *causes*, the things that are not known
for sure: dimensions, a scan's error, allowances. The causes are normal, so each draw of them has its smallest scale,
the largest over the places of what each asks for. The draws are a fixed lattice (Roberts 2018) put through the normal
quantile: the same bytes each time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Any

import numpy as np

from ...arrays import FloatArray

DRAWS = 4096
NORMAL_90 = 1.6448536269514722  # half-width of a normal law's 90 % interval, in standard deviations
# Places whose margin grows slower than this share of the piece's reach are not mended by scale: grazing ones, and the
# far side of something thin that the piece has pressed into.
SLOWEST = 0.2
_POINTS = 25


@dataclass(frozen=True)
class Law:
    """The law of the smallest scale that fits.

    Attributes
    ----------
    range
        Scales that fit with 5 % and with 95 % probability.
    curve
        (scale, probability of fitting), over the range and a little beyond.
    """

    range: tuple[float, float]
    curve: tuple[tuple[float, float], ...]

    @property
    def width(self) -> float:
        """Of the range."""
        return self.range[1] - self.range[0]

    def chance(self, scale: float) -> float:
        """Return the probability of fitting at a scale, 0 to 1."""
        scales, chances = zip(*self.curve)
        if len(scales) == 1:
            return 1.0 if scale >= scales[0] - 1e-9 else 0.0
        return float(np.interp(scale, scales, chances))


@dataclass(frozen=True, eq=False)
class Places:
    """Where a piece may touch, at the answer: margins (m,) mm, slopes (m,) mm per unit of scale, loads (m, k).

    A load is by how many mm a place's margin shrinks per unit of a cause. Slopes below `slowest` do not count.
    """

    margins: FloatArray
    slopes: FloatArray
    loads: FloatArray
    slowest: float


def draws_of(covariance: FloatArray) -> FloatArray:
    """Return `DRAWS` draws (n, k) of causes that are normal about 0 with a covariance (k, k), evenly spread."""
    draws: FloatArray = _normals(len(covariance)) @ _root(covariance).T
    return draws


def law_of(scale: float, places: Places, draws: FloatArray) -> Law:
    """Return the law of the smallest scale about `scale`, for draws (n, k) of the causes."""
    asked = places.slopes > places.slowest
    if not asked.any() or not draws.any() or not places.loads.any():
        return Law((scale, scale), ((scale, 1.0),))
    shift = (draws @ places.loads[asked].T - places.margins[asked]) / places.slopes[asked]
    found = np.sort(scale + shift.max(axis=1))
    low, high = (float(v) for v in np.quantile(found, (0.05, 0.95)))
    low, high = min(low, scale), max(high, scale)
    room = max(0.25 * (high - low), 0.002)
    where = np.linspace(low - room, high + room, _POINTS)
    chance = np.searchsorted(found, where, side="right") / len(found)
    return Law((low, high), tuple((float(s), float(p)) for s, p in zip(where, chance)))


def after_reading(draws: FloatArray, row: int, reading_sd: float) -> FloatArray:
    """Return draws (n, k) once cause `row` has been read with an error of `reading_sd`, at the value expected.

    Each draw is drawn in along the causes that go with the one read, so that the covariance is Kalman's: the square
    root filter (Whitaker and Hamill 2002). Normal draws stay normal.
    """
    about = draws - draws.mean(axis=0)
    column = about.T @ about[:, row] / len(draws)
    seen = column[row] + reading_sd**2
    if not seen > 0:
        return draws
    share = 1 / (1 + reading_sd / math.sqrt(seen))
    nearer: FloatArray = draws - share * np.outer(about[:, row], column / seen)
    return nearer


def _root(covariance: FloatArray) -> FloatArray:
    """Return L (k, k) with L Lᵀ = covariance, by Cholesky; causes without spread have zero columns."""
    k = len(covariance)
    root = np.zeros((k, k))
    for j in range(k):
        left = covariance[j, j] - root[j, :j] @ root[j, :j]
        if left > 1e-12 * max(covariance[j, j], 1e-12):
            root[j, j] = np.sqrt(left)
            root[j + 1 :, j] = (covariance[j + 1 :, j] - root[j + 1 :, :j] @ root[j, :j]) / root[j, j]
    return root


@lru_cache(maxsize=8)
def _normals(k: int) -> Any:
    """Return `DRAWS` normal draws of k independent causes, (DRAWS, k), evenly spread."""
    # The lattice's step is the positive root of x^(k+1) = x + 1; its powers are badly approximable together.
    root = 2.0
    for _ in range(60):
        root = (1 + root) ** (1 / (k + 1))
    count = np.arange(DRAWS) + 0.5
    uniform = (0.5 + np.outer(count, root ** -np.arange(1.0, k + 1))) % 1.0
    if k == 1:
        uniform = count[:, None] / DRAWS
    quantile = NormalDist().inv_cdf
    return np.array([[quantile(min(max(float(u), 1e-9), 1 - 1e-9)) for u in row] for row in uniform])
