# SPDX-License-Identifier: GPL-3.0-or-later
"""What outcomes of trying on say of the causes: importance weights, then a sampler that leaves them as they are.

An outcome speaks of the *room*: the least margin over the places where the piece may touch. Its words stand for spans
of the room (`SPANS`), with soft borders, for people differ: the ordered logit (McCullagh 1980). The causes' draws are
weighted by how likely each makes the outcomes, drawn again by their weights, and moved apart by elliptical slice
sampling (Murray, Adams and MacKay 2010), which needs no step size and leaves the law as it is. So no law is taken for
normal that is not: what would not pass cuts off one side of what was thought. The same bytes each time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...arrays import FloatArray
from .uncertainty import draws_of

# The room, mm over the allowance, that each word stands for. What would not pass pinched: some 2 mm of hair and flesh
# give. Tight went on and lacked comfort. Our own settings: common practice, no source.
SPANS: Mapping[str, tuple[float, float]] = {
    "would not pass": (-math.inf, -2.0),
    "tight": (-2.0, 0.0),
    "good": (0.0, 5.0),
    "loose": (5.0, math.inf),
}
# The middle of each span, of an open one 3 mm beyond its end.
MIDDLES: Mapping[str, float] = {"would not pass": -5.0, "tight": -1.0, "good": 2.5, "loose": 8.0}
BORDER_MM = 0.3  # scale of the logistic law of a border: nine people in ten draw it within 0.9 mm
GAP_SD_MM = 1.0  # of a gap that was felt and written down
# Outcomes that this share of the draws would bring about by chance, or less, contradict what is known.
UNLIKELY = 0.01
_STEPS, _SHRINKS = 5, 30
_FEWEST = 64
_FLOOR = 1e-12
# From how far margins have shrunk, (n, m), to the log of the chance of all outcomes, (n,).
Likelihood = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, eq=False)
class Outcome:
    """How a piece was when it was tried on.

    Attributes
    ----------
    margins, loads
        Of the places where it may touch, (m,) mm and (m, k): by how many mm a margin shrinks per unit of each cause.
    word
        One of `SPANS`.
    gap_mm
        The room that was felt, where it was; it then counts instead of the word.
    """

    margins: FloatArray
    loads: FloatArray
    word: str
    gap_mm: float | None = None

    def room(self, shrunk: FloatArray) -> FloatArray:
        """Return the room (n,) where the margins have shrunk by so much, (n, m)."""
        least: FloatArray = (self.margins - shrunk).min(axis=1)
        return least

    def log_likelihood(self, shrunk: FloatArray) -> FloatArray:
        """Return the log of the chance of this outcome, (n,), where the margins have shrunk by so much, (n, m)."""
        room = self.room(shrunk)
        if self.gap_mm is not None:
            return np.asarray(-0.5 * ((room - self.gap_mm) / GAP_SD_MM) ** 2)
        low, high = SPANS[self.word]
        return np.asarray(np.log(np.maximum(_below(high - room) - _below(low - room), _FLOOR)))


def _below(mm: FloatArray) -> FloatArray:
    return np.asarray(0.5 * (1 + np.tanh(mm / (2 * BORDER_MM))))


@dataclass(frozen=True, eq=False)
class Learnt:
    """What is known of the causes after some outcomes.

    Attributes
    ----------
    draws
        (n, k) of the causes, equally likely.
    centre
        (k,) mean of the draws in which the same places held the piece up as in most.
    held
        For each outcome, the place that most likely held the piece up.
    chance
        Of all outcomes together before they were seen.
    """

    draws: FloatArray
    centre: FloatArray
    held: tuple[int, ...]
    chance: float


def learnt(covariance: FloatArray, outcomes: Sequence[Outcome]) -> Learnt:
    """Return the law of causes, normal about 0 with a covariance (k, k), once some outcomes are known."""
    prior = draws_of(covariance)
    loads = np.concatenate([one.loads for one in outcomes]).T
    ends = np.cumsum([len(one.margins) for one in outcomes])[:-1]

    def likelihood(shrunk: FloatArray) -> FloatArray:
        parts = np.split(shrunk, ends, axis=1)
        return np.asarray(np.sum([one.log_likelihood(part) for one, part in zip(outcomes, parts)], axis=0))

    told = likelihood(prior @ loads)
    chance = float(np.exp(told).mean())
    random = np.random.default_rng(0)
    draws, share = prior, 0.0
    while share < 1:
        step = _step(told, 1 - share)
        weight = np.cumsum(np.exp(step * (told - told.max())))
        # Systematic resampling: each draw as often as its weight asks, to within one.
        at = np.searchsorted(weight, (np.arange(len(draws)) + 0.5) / len(draws) * weight[-1])
        at = np.minimum(at, len(draws) - 1)
        share = min(share + step, 1.0)
        draws, told = draws[at], told[at]
        for _ in range(_STEPS):
            draws, told = _moved(draws, told, prior[random.permutation(len(prior))], loads, likelihood, share, random)
    return Learnt(draws, *_centre(draws, outcomes), chance)


def _step(told: FloatArray, most: float) -> float:
    """Return the largest share, up to `most`, of the log likelihoods (n,) that leaves half of the draws counting.

    Outcomes that few draws bring about are taken in by such steps (del Moral, Doucet and Jasra 2006).
    """

    def counting(step: float) -> float:
        weight = np.exp(step * (told - told.max()))
        return float(weight.sum() ** 2 / (weight**2).sum())

    if counting(most) >= len(told) / 2:
        return most
    low, high = 0.0, most
    for _ in range(20):
        middle = (low + high) / 2
        low, high = (middle, high) if counting(middle) >= len(told) / 2 else (low, middle)
    return max(low, 1e-3)


def _moved(
    draws: FloatArray,
    told: FloatArray,
    other: FloatArray,
    loads: FloatArray,
    likelihood: Likelihood,
    share: float,
    random: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Return draws (n, k) and their log likelihoods after one step of elliptical slice sampling, each its own chain.

    `other` (n, k) are draws of the prior, `share` the power that the likelihood is taken to.
    """
    count = len(draws)
    here, there = draws @ loads, other @ loads
    level = share * told + np.log(np.maximum(random.random(count), 1e-300))
    angle = random.random(count) * 2 * np.pi
    low, high = angle - 2 * np.pi, angle.copy()
    taken, told = np.zeros(count), told.copy()
    open_ = np.arange(count)
    for _ in range(_SHRINKS):
        new = likelihood(here[open_] * np.cos(angle[open_])[:, None] + there[open_] * np.sin(angle[open_])[:, None])
        good = share * new >= level[open_]
        taken[open_[good]] = angle[open_[good]]
        told[open_[good]] = new[good]
        open_ = open_[~good]
        if not len(open_):
            break
        back = angle[open_] < 0
        low[open_[back]] = angle[open_[back]]
        high[open_[~back]] = angle[open_[~back]]
        angle[open_] = low[open_] + random.random(len(open_)) * (high[open_] - low[open_])
    return draws * np.cos(taken)[:, None] + other * np.sin(taken)[:, None], told


def _centre(draws: FloatArray, outcomes: Sequence[Outcome]) -> tuple[FloatArray, tuple[int, ...]]:
    """Return the mean of the draws (k,) in which the same places held the piece up, and which place of each outcome.

    The mean of all would be none of them: where it was the brow or the ears, neither is half too large. Of draws that
    share their tightest place, the mean leaves as much room there as they do in the mean, and nowhere less. What was
    too tight decides first; a share of draws too small to have a mean is not divided further.
    """
    order = sorted(range(len(outcomes)), key=lambda i: outcomes[i].gap_mm is not None or SPANS[outcomes[i].word][1] > 0)
    kept = np.arange(len(draws))
    held = [0] * len(outcomes)
    for i in order:
        one = outcomes[i]
        place = (one.margins - draws[kept] @ one.loads.T).argmin(axis=1)
        held[i] = int(np.bincount(place).argmax())
        if len(same := kept[place == held[i]]) >= _FEWEST:
            kept = same
    centre: FloatArray = draws[kept].mean(axis=0)
    return centre, tuple(held)
