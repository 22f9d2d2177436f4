# SPDX-License-Identifier: GPL-3.0-or-later
"""Climbing without slopes, against places known in closed form."""

import numpy as np
import pytest

from arming_cap.core.fit.seat.climb import climbed


@pytest.mark.parametrize("freedoms", [1, 3, 6])
def test_the_top_of_a_skewed_hill_is_found(freedoms):
    top = np.linspace(-1.0, 1.5, freedoms)
    steep = np.geomspace(1.0, 30.0, freedoms)
    found = climbed(lambda x: -float((steep * (x - top) ** 2).sum()), freedoms, 1.0, 600 * freedoms)
    assert found == pytest.approx(top, abs=0.02)


def test_an_edge_does_not_hold_it():
    # The least of two planes: along the ridge it rises slowly, across it falls fast on both sides, where slopes alone
    # jump to and fro. Beyond x = 2 it falls.
    def worth(x):
        return min(0.3 * x[0] + x[1], 0.3 * x[0] - x[1]) - 2 * max(0.0, x[0] - 2)

    assert worth(climbed(worth, 2, 1.0, 300)) == pytest.approx(0.6, abs=0.01)


def test_a_jump_is_not_stepped_over_to_the_worse():
    found = climbed(lambda x: x[0] if x[0] < 1 else x[0] - 5, 1, 0.5, 300)
    assert found[0] == pytest.approx(1.0, abs=1e-3)


def test_it_is_never_worse_than_its_start_and_the_same_every_time():
    worth = lambda x: float(np.cos(3 * x).sum() - (x**2).sum())  # noqa: E731
    first, second = (climbed(worth, 4, 2.0, 80) for _ in range(2))
    assert worth(first) >= worth(np.zeros(4)) and (first == second).all()


def test_with_no_freedom_it_stays():
    assert climbed(lambda x: 0.0, 0, 1.0, 10).shape == (0,)
