# SPDX-License-Identifier: GPL-3.0-or-later
"""The best place along one line, for worths that are no smoother than a tent."""

from __future__ import annotations

from collections.abc import Callable, Sequence

GOLDEN = 0.6180339887498949


def climbed_by(worth: Callable[[float], float], at: float, steps: Sequence[float]) -> tuple[float, float]:
    """Return the largest worth and where it is, walking from `at` by each of some steps while that helps."""
    best = worth(at), at
    for step in steps:
        for sign in (1.0, -1.0):
            while (new := worth(best[1] + sign * step)) > best[0]:
                best = new, best[1] + sign * step
    return best


def narrowed(worth: Callable[[float], float], low: float, high: float, within: float) -> tuple[float, float]:
    """Return the largest worth seen and where, by golden sections of an interval down to `within` (Kiefer 1953)."""
    a, b = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_a, at_b = worth(a), worth(b)
    best = max((at_a, a), (at_b, b))
    while high - low > within:
        if at_a >= at_b:
            high, b, at_b = b, a, at_a
            a = high - GOLDEN * (high - low)
            at_a = worth(a)
            best = max(best, (at_a, a))
        else:
            low, a, at_a = a, b, at_b
            b = low + GOLDEN * (high - low)
            at_b = worth(b)
            best = max(best, (at_b, b))
    return best
