# SPDX-License-Identifier: GPL-3.0-or-later
"""Speed as ratios, measured in one run against the library a user would pick instead."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Row:
    """One line of the bench.

    Attributes
    ----------
    what
        The work, with its size.
    ours_s
        Our median time in seconds.
    rival, rival_s
        What it is compared with, and its median time; empty and None where a bare figure is all there is.
    wanted
        What was asked for, in words: ``at least 10x faster``, ``under 5 s``.
    note
        Anything a reader must know: memory, error, sizes.
    """

    what: str
    ours_s: float
    rival: str = ""
    rival_s: float | None = None
    wanted: str = ""
    note: str = ""


def median_time(work: Callable[[], Any], runs: int = 5, warmup: int = 1) -> float:
    """Return the median wall time of some calls, in seconds."""
    for _ in range(warmup):
        work()
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return sorted(times)[len(times) // 2]
