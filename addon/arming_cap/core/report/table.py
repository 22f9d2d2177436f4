# SPDX-License-Identifier: GPL-3.0-or-later
"""A run as rows of plain text."""

from __future__ import annotations

from .model import RunReport
from .words import number

HEADS = ("Piece", "Wearer", "Check", "Number", "Requirement", "Verdict", "What limits it")


def rows(run: RunReport) -> list[tuple[str, ...]]:
    """Return one row for each verdict, under `HEADS`; a fit without any verdict still has its row."""
    out: list[tuple[str, ...]] = []
    for fit in run.fits:
        for v in fit.verdicts:
            limit = str(v.limited_by) or v.why
            out.append((fit.piece, fit.wearer, v.check, number(v), v.requirement, v.status.value, limit))
        if not fit.verdicts:
            out.append((fit.piece, fit.wearer, "–", "not measured", "", fit.status.value, "no check was made"))
    return out
