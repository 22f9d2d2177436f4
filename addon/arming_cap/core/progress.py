# SPDX-License-Identifier: GPL-3.0-or-later
"""How long work tells how far it is, and how it is stopped.

A progress callback takes the fraction done, 0 to 1, and a few words on the step. To cancel, the
callback raises `Cancelled`: it passes through the core unhandled, and nothing is left half-done.
"""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float, str], None]


def silent(fraction: float, text: str) -> None:
    """Report to nobody."""


def part_of(progress: Progress, start: float, end: float) -> Progress:
    """Return a progress callback that fills the span from `start` to `end` of another."""

    def scaled(fraction: float, text: str) -> None:
        progress(start + (end - start) * fraction, text)

    return scaled
