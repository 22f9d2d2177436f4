# SPDX-License-Identifier: GPL-3.0-or-later
"""The best place along one line, for worths that are no smoother than a tent."""

from __future__ import annotations

from collections.abc import Callable, Sequence


def climbed_by(worth: Callable[[float], float], at: float, steps: Sequence[float]) -> tuple[float, float]:
    """Return the largest worth and where it is, walking from `at` by each of some steps while that helps."""
    best = worth(at), at
    for step in steps:
        for sign in (1.0, -1.0):
            while (new := worth(best[1] + sign * step)) > best[0]:
                best = new, best[1] + sign * step
    return best


def narrowed(worth: Callable[[float], float], low: float, high: float, within: float) -> float:
    """Return the place of the largest worth between two, where it first rises and then falls (Kiefer 1953)."""
    golden = 0.5 * (5**0.5 - 1)
    ends = [high - golden * (high - low), low + golden * (high - low)]
    worths = [worth(end) for end in ends]
    while high - low > within:
        if worths[0] > worths[1]:
            high, ends[1], worths[1] = ends[1], ends[0], worths[0]
            ends[0] = high - golden * (high - low)
            worths[0] = worth(ends[0])
        else:
            low, ends[0], worths[0] = ends[0], ends[1], worths[1]
            ends[1] = low + golden * (high - low)
            worths[1] = worth(ends[1])
    return 0.5 * (low + high)
