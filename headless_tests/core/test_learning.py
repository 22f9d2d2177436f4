# SPDX-License-Identifier: GPL-3.0-or-later
"""Learning from outcomes: against quadrature, on simulated makers; a reading as expected never widens a range."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arming_cap.core.fit.size.learning import BORDER_MM, MIDDLES, SPANS, Outcome, learnt
from arming_cap.core.fit.size.uncertainty import Places, after_reading, draws_of, law_of

RADIUS = 80.0  # a shell's, mm per unit of scale
BODY = 76.0  # what it must hold as measured


def tried(scale: float, word: str, gap: float | None = None, k: int = 1) -> Outcome:
    """A ball in a shell with k sides that err by themselves."""
    return Outcome(np.full(k, scale * RADIUS - BODY), np.eye(k), word, gap)


def sized(found, k: int = 1) -> tuple[float, tuple[float, float]]:
    """The next scale and its range, as sizing makes them: exact at the centre, linear about it."""
    scale = (BODY + found.centre.max()) / RADIUS
    places = Places(scale * RADIUS - BODY - found.centre, np.full(k, RADIUS), np.eye(k), 1.0)
    return scale, law_of(scale, places, found.draws - found.centre).range


@pytest.mark.parametrize("word", SPANS)
def test_one_outcome_against_quadrature(word):
    # The law of a normal error given a logistic-bordered span of the room, on a fine lattice
    sd, scale = 3.0, 0.97
    x = np.linspace(-6 * sd, 6 * sd, 40_001)
    room = scale * RADIUS - BODY - x
    low, high = SPANS[word]
    below = lambda mm: 1 / (1 + np.exp(-np.clip(mm / BORDER_MM, -500, 500)))  # noqa: E731
    weight = np.exp(-0.5 * (x / sd) ** 2) * (below(high - room) - below(low - room))
    weight /= weight.sum()
    mean = weight @ x
    found = learnt(np.array([[sd**2]]), [tried(scale, word)])
    assert found.draws.mean() == pytest.approx(mean, abs=0.08)
    assert found.draws.std() == pytest.approx(np.sqrt(weight @ (x - mean) ** 2), rel=0.05)
    assert np.percentile(found.draws, [5, 95]) == pytest.approx(np.interp([0.05, 0.95], np.cumsum(weight), x), abs=0.25)


def test_a_gap_that_was_felt_is_a_reading():
    # Normal with normal: the textbook's gain
    found = learnt(np.array([[9.0]]), [tried(1.0, "good", gap=1.0)])
    assert found.draws.mean() == pytest.approx(9 / 10 * (RADIUS - BODY - 1.0), abs=0.08)
    assert found.draws.std() == pytest.approx(np.sqrt(0.9), rel=0.05)


@pytest.mark.parametrize("k", [1, 5])
def test_what_the_words_mean(k):
    covariance = np.full((k, k), 4.0) + 12.0 * np.eye(k)
    before = law_of(BODY / RADIUS, Places(np.zeros(k), np.full(k, RADIUS), np.eye(k), 1.0), draws_of(covariance))
    # Would not pass at 100 %: above it with high probability
    scale, (low, high) = sized(learnt(covariance, [tried(1.0, "would not pass", k=k)]), k)
    assert scale > low > 1.0
    # Tight at 100 and good at 105: between, and narrower than before anything was tried
    scale, (low, high) = sized(learnt(covariance, [tried(1.0, "tight", k=k), tried(1.05, "good", k=k)]), k)
    assert 1.0 < scale < 1.05 and 0.995 < low and high < 1.055
    assert high - low < 0.6 * before.width
    # Loose at 105: at least 5 mm less
    scale, (low, high) = sized(learnt(covariance, [tried(1.05, "loose", k=k)]), k)
    assert scale < 1.05 - 4 / RADIUS and high < 1.05 - 3.5 / RADIUS


def test_outcomes_that_contradict_each_other_are_known_by_their_chance():
    covariance = np.array([[16.0]])
    agree = learnt(covariance, [tried(1.0, "tight"), tried(1.05, "good")])
    contradict = learnt(covariance, [tried(1.0, "loose"), tried(1.05, "would not pass")])
    assert contradict.chance < 0.01 < agree.chance


def _makers(count: int, tries: int, k: int = 3):
    """Yield for each simulated maker and try: the truth, the next scale and its range."""
    rng = np.random.default_rng(11)
    covariance = np.full((k, k), 4.0) + 8.0 * np.eye(k)
    root = np.linalg.cholesky(covariance)
    words = list(SPANS)
    borders = np.array([SPANS[word][1] for word in words[:-1]])
    for _ in range(count):
        truth = root @ rng.normal(size=k)
        outcomes: list[Outcome] = []
        scale = (BODY + 0.0) / RADIUS
        answers = []
        for _ in range(tries):
            room = scale * RADIUS - BODY - truth.max()
            felt = borders + rng.logistic(scale=BORDER_MM)
            outcomes.append(tried(scale, words[int((room >= felt).sum())], k=k))
            scale, span = sized(learnt(covariance, outcomes), k)
            answers.append((scale, span))
        yield (BODY + truth.max()) / RADIUS, answers


def test_makers_come_closer_with_each_piece_and_the_range_says_how_close():
    count, tries = 60, 3
    error, inside, width = np.zeros((count, tries)), np.zeros((count, tries)), np.zeros((count, tries))
    for i, (truth, answers) in enumerate(_makers(count, tries)):
        for j, (scale, (low, high)) in enumerate(answers):
            error[i, j] = abs(scale - truth)
            inside[i, j] = low <= truth <= high
            width[i, j] = high - low
    mean = error.mean(axis=0)
    assert (np.diff(mean) < 0).all(), mean
    assert (np.diff(width.mean(axis=0)) < 0).all()
    # 180 answers, of which a binomial law of 90 % leaves 82 to 97 in 100 inside in 999 of 1000 cases
    assert 0.82 <= inside.mean() <= 0.97, inside.mean(axis=0)


def test_middles_lie_in_their_spans():
    assert all(SPANS[word][0] <= middle <= SPANS[word][1] for word, middle in MIDDLES.items())


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 6), st.integers(1, 12), st.floats(0.05, 3.0))
def test_a_reading_at_its_expected_value_never_widens_the_range(seed, k, m, error):
    rng = np.random.default_rng(seed)
    half = rng.normal(size=(k, k))
    draws = draws_of(half @ half.T)
    # At the answer one place has no margin left; slopes as of a shell, loads as of dimensions
    margins = rng.uniform(0, 6, m)
    places = Places(margins - margins.min(), rng.uniform(30, 90, m), rng.normal(size=(m, k)), 1.0)
    before = law_of(1.0, places, draws)
    after = law_of(1.0, places, after_reading(draws, int(rng.integers(k)), error))
    assert after.width <= before.width * 1.02 + 1e-6  # 4096 draws tell no less


def test_a_reading_leaves_kalmans_covariance():
    covariance = np.array([[4.0, 1.5], [1.5, 2.0]])
    draws = draws_of(covariance)
    left = np.cov(after_reading(draws, 0, 0.7).T, ddof=0)
    exact = np.cov(draws.T, ddof=0)
    column = exact[:, 0]
    np.testing.assert_allclose(left, exact - np.outer(column, column) / (exact[0, 0] + 0.49), atol=1e-9)
