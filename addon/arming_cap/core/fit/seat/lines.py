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
