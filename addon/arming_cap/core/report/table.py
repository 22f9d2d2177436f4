# SPDX-License-Identifier: GPL-3.0-or-later
"""A fit as rows of plain text, and a run's verdicts counted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from ..verdict import Status
from .model import FitReport, cast_of
from .words import figure, number, place

HEADS = ("Check", "Verdict", "Number", "Requirement", "What limits it")


def rows(fit: FitReport) -> list[tuple[str, ...]]:
    """Return one row for each verdict, under `HEADS`; a fit without any verdict still has its row."""
    if not fit.verdicts:
        return [("–", fit.status.value, "not measured", "–", "–")]
    return [
        (v.check, v.status.value, number(v), v.requirement or "–", place(v.limited_by) or "–") for v in fit.verdicts
    ]


def remarks(fit: FitReport) -> list[str]:
    """Return what was found and what would mend it, a line for each verdict that is no pass; the same said once."""
    if not fit.verdicts:
        return ["no check was made"]
    said: dict[str, list[str]] = {}
    for v in fit.verdicts:
        if v.status is not Status.PASS and (v.why or v.mend):
            words = ". ".join(part for part in (v.why, v.mend and f"To mend: {v.mend}") if part)
            said.setdefault(words, []).append(v.check)
    return [f"{', '.join(checks)}: {words}" for words, checks in said.items()]


def cast_rows(fits: Sequence[FitReport]) -> list[tuple[str, ...]]:
    """Return who can wear what at which scale, under a row of heads; empty where nothing was sized for two or more."""
    cast = cast_of(fits)
    wearers = list(dict.fromkeys(name for row in cast for name in row.scales))
    if len(cast) * len(wearers) < 2:
        return []
    found: list[tuple[str, ...]] = [("Piece", *wearers, "Serves most")]
    for row in cast:
        cells = []
        for name in wearers:
            held = row.scales.get(name)
            if held is None:
                cells.append("no scale" if name in row.scales else "–")
            else:
                cells.append(span(*held))
        serves = "–" if row.serves is None else f"{figure(100 * row.serves)} %: {len(row.served)} of {len(row.scales)}"
        found.append((row.piece, *cells, serves))
    return found


def span(low: float, high: float | None) -> str:
    """Return the scales that fit, in per cent."""
    if high is None:
        return f"{figure(100 * low)} up"
    return f"{figure(100 * low)}, padded" if high <= low else f"{figure(100 * low)} to {figure(100 * high)}"


def counted(fits: Iterable[FitReport]) -> dict[Status, int]:
    """Return how many verdicts there are of each status, worst first; a fit without any counts as not checked."""
    found = Counter(status for fit in fits for status in ([v.status for v in fit.verdicts] or [fit.status]))
    return {status: found[status] for status in sorted(Status, key=lambda s: -s.severity)}
