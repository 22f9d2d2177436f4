# SPDX-License-Identifier: GPL-3.0-or-later
"""The largest scale: where a piece that grows begins to touch again, or becomes looser than its maker wants.

A piece hangs on what carries it: on a head the skull, on other bodies every region. It is as loose as the region of
these that it stands off the most at its nearest, beyond the allowance. Faces, ears and necks stand free inside a
helmet by design and do not count.
"""

from __future__ import annotations

import numpy as np

from ..progress import Progress
from ..verdict import Place
from .clearance import Clearance
from .scales import HIGHEST, SCALE_TOLERANCE, close_in, turns
from .seats import Seats

CARRYING = ("crown", "forehead", "occiput", "temple", "parietal")
_START = 0.01


def largest_scale(
    seats: Seats, smallest: float, clearance_mm: float, loosest_mm: float | None, progress: Progress
) -> tuple[float | None, Place | None]:
    """Return the largest scale in one run with `smallest`, and what ends the run; see `Sizing.largest`."""
    ends: list[tuple[float, Place]] = []
    if seats.seater is None:
        first = smallest + 2 * SCALE_TOLERANCE
        for turn in turns(seats.margin, seats.rate, first, HIGHEST) if seats.margin(first) >= 0 else ():
            found = seats.close_in(turn.after, turn.before)
            if found is not None and found > smallest:
                ends.append((found, seats.place(turn.after)))
            break
    if loosest_mm is not None:
        progress(0.3, f"sizing {seats.piece.name}: the largest scale")
        room, place = _loosest(seats, smallest, loosest_mm)
        if room < 0:
            return None, place
        if (scale := _where_too_loose(seats, smallest, room, loosest_mm)) is not None:
            ends.append((scale, _loosest(seats, scale, loosest_mm)[1]))
    if not ends:
        return None, None
    return min(ends, key=lambda end: end[0])


def _where_too_loose(seats: Seats, smallest: float, room: float, loosest_mm: float) -> float | None:
    """Return the scale at which the loosest region stands off as far as it may, None up to `HIGHEST`."""

    def left(scale: float) -> float:
        return _loosest(seats, scale, loosest_mm)[0]

    scale, stride = smallest, max(1.3 * room / seats.rate, 4 * SCALE_TOLERANCE)
    while scale + stride < HIGHEST:
        after = scale + stride
        new = left(after)
        if new < 0:
            return close_in(left, after, scale, 0.5 * seats.rate)
        slope = max((room - new) / stride, 0.1 * seats.rate)
        scale, room = after, new
        stride = min(1.1 * room / slope + 4 * SCALE_TOLERANCE, 0.3 * scale)
    return None


def _loosest(seats: Seats, scale: float, loosest_mm: float) -> tuple[float, Place]:
    """Return what the loosest carrying region has left before it is too loose (mm), and where that is."""
    found = seats.measured(scale)
    names = carrying(found)
    loose = [found.regions[n].min_mm - found.regions[n].allowance_mm for n in names]
    worst = int(np.argmax(loose))
    place = found.regions[names[worst]]
    return loosest_mm - loose[worst], Place(names[worst], place.part, place.at)


def carrying(found: Clearance) -> list[str]:
    """Return the regions that carry the piece, of those it is near to."""
    bare = {name: name.removesuffix("_left").removesuffix("_right") for name in found.regions}
    skull = [name for name in found.regions if bare[name] in CARRYING]
    return skull or list(found.regions)
