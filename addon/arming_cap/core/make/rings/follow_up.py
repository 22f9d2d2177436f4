# SPDX-License-Identifier: GPL-3.0-or-later
"""The next ring to try: only where what was tried before leaves a doubt.

A level is settled at a scale by an outcome at that scale, or at another where the gap all round differs by less than a
ring resolves; by ``tight`` or ``would not pass`` at a larger scale, for it will be no better; by ``loose`` at a smaller
one. Outcomes of one level that contradict each other settle nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ...wearer.card import KnownFit
from .levels import RingPlane

# What a hand feels of a gap all round, mm; common practice, no source.
RESOLVED_MM = 1.0
_SIZE = {"would not pass": -2, "tight": -1, "good": 0, "loose": 1}


def follow_up(
    planes: Sequence[RingPlane],
    girths_mm: Sequence[float],
    scale: float,
    known: Sequence[KnownFit],
    piece: str,
    sha256: str = "",
    height_mm: float = 8.0,
) -> tuple[RingPlane, ...]:
    """Return the rings still worth trying, each saying in `proves` why.

    Parameters
    ----------
    planes, girths_mm
        The rings planned at this scale, and the inner girth of each.
    scale
        The piece's, against its file.
    known
        The outcomes on the wearer's card, of this piece or any.
    piece, sha256
        Its name, and the SHA-256 of its file; outcomes of another file do not count where both are known.
    height_mm
        Of the bands: an outcome belongs to a plane whose band it lies in, its level scaled along.
    """
    own = [f for f in known if f.sha256 == sha256] if sha256 else []
    own += [f for f in known if f.piece == piece and not (f.sha256 and sha256)]
    found = []
    for plane, girth in zip(planes, girths_mm):
        here = [f for f in own if f.level_mm is None or _in_band(f, plane, scale, height_mm)]
        here = [f for f in here if not f.region or not plane.tests or _names(f.region, plane)]
        if why := _doubt(here, girth, scale):
            found.append(replace(plane, proves="; ".join(filter(None, (why, plane.proves)))))
    return tuple(found)


def _in_band(fit: KnownFit, plane: RingPlane, scale: float, height_mm: float) -> bool:
    assert fit.level_mm is not None
    offset = plane.offset / float(np.linalg.norm(plane.normal))
    return abs(fit.level_mm * scale / fit.scale - offset) <= height_mm / 2


def _names(region: str, plane: RingPlane) -> bool:
    """Return whether an outcome's region is one the ring tests; one without a side means both."""
    return region == "whole" or any(test == region or test.rsplit("_", 1)[0] == region for test in plane.tests)


def _doubt(outcomes: Sequence[KnownFit], girth: float, scale: float) -> str:
    """Return why a level is still worth a ring; empty where its outcomes settle it."""
    if not outcomes:
        return "not tried yet"
    # The gap all round that a difference in scale makes at this girth.
    gap = [girth / (2 * np.pi) * (1 - f.scale / scale) for f in outcomes]
    same = {f.verdict for f, g in zip(outcomes, gap) if abs(g) < RESOLVED_MM}
    if len(same) > 1:
        return f"its outcomes contradict each other: {' and '.join(sorted(same, key=_SIZE.__getitem__))}"
    if same:
        return ""
    for f, g in zip(outcomes, gap):
        size = _SIZE[f.verdict]
        if (size < 0 and g < 0) or (size > 0 and g > 0):
            return ""
    nearest = outcomes[int(np.argmin(np.abs(gap)))]
    return f"{nearest.verdict} at {100 * nearest.scale:.1f} %, which does not tell for {100 * scale:.1f} %"
