# SPDX-License-Identifier: GPL-3.0-or-later
"""How long work tells how far it is, and how it is stopped.

A progress callback takes the fraction done, 0 to 1, and a few words on the step. To cancel, the
callback raises `Cancelled`: it passes through the core unhandled, and nothing is left half-done.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from .errors import OutOfTime

Progress = Callable[[float, str], None]


def silent(fraction: float, text: str) -> None:
    """Report to nobody."""


def part_of(progress: Progress, start: float, end: float) -> Progress:
    """Return a progress callback that fills the span from `start` to `end` of another."""

    def scaled(fraction: float, text: str) -> None:
        progress(start + (end - start) * fraction, text)

    return scaled


def within(progress: Progress, seconds: float | None) -> Progress:
    """Return a progress callback that raises `OutOfTime` once so many seconds have gone by; None for no end."""
    if seconds is None:
        return progress
    end = time.monotonic() + seconds

    def limited(fraction: float, text: str) -> None:
        if time.monotonic() > end:
            raise OutOfTime
        progress(fraction, text)

    return limited
