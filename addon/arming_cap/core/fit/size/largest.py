# SPDX-License-Identifier: GPL-3.0-or-later
"""The largest scale: where a piece that grows begins to touch again, or becomes looser than its maker wants.

A piece hangs on what carries it: on a head the skull, on other bodies every region. It is as loose as the region of
these that it stands off the most at its nearest, beyond the allowance. Faces, ears and necks stand free inside a
helmet by design and do not count.
"""

from __future__ import annotations

import numpy as np

from ...distance.clearance import Clearance
from ...progress import Progress
from ...tolerances import TOLERANCES
from ...verdict import Place
from ..seat.seats import Seats
from .scales import SCALE_TOLERANCE, turns

CARRYING = ("crown", "forehead", "occiput", "temple", "parietal")


def largest_scale(
    seats: Seats, found: Clearance, loosest_mm: float | None, progress: Progress
) -> tuple[float | None, Place | None]:
    """Return the largest scale in one run with the smallest, measured as `found`, and what ends the run."""
    ends: list[tuple[float, Place]] = []
    smallest = found.scale
    if seats.seater is None:
        first = smallest + 2 * SCALE_TOLERANCE
        for turn in turns(seats.margin, seats.rate, first, seats.span[1]) if seats.margin(first) >= 0 else ():
            end = seats.close_in(turn.after, turn.before)
            if end is not None and end > smallest:
                ends.append((end, seats.place(turn.after)))
            break
    if loosest_mm is not None:
        progress(0.3, f"sizing {seats.piece.name}: the largest scale")
        room, place = _loosest(found, loosest_mm)
        if room < 0:
            return None, place
        if (end_and_place := _where_too_loose(seats, found, room, loosest_mm)) is not None:
            ends.append(end_and_place)
    if not ends:
        return None, None
    return min(ends, key=lambda end: end[0])


def _where_too_loose(seats: Seats, found: Clearance, room: float, loosest_mm: float) -> tuple[float, Place] | None:
    """Return the scale at which the loosest region stands off as far as it may, and where; None within the span.

    Looked for by the field, then settled by exact measurements.
    """
    rows = np.array([seats.wearer.form.region_names.index(name) for name in carrying(found)])
    slope = 0.6 * seats.rate

    def left(scale: float) -> float:
        return loosest_mm - seats.loosest(scale, rows)

    scale, rough = found.scale, left(found.scale)
    off = room - rough  # what the field and its points miss
    while rough + off > 0:
        after = scale + max(1.15 * (rough + off) / slope, 0.01)
        if after > seats.span[1]:
            return None
        new = left(after)
        slope = min(max((rough - new) / (after - scale), 0.2 * seats.rate), 2 * seats.rate)
        scale, rough = after, new
    scale += (rough + off) / slope
    place = Place()
    for _ in range(4):
        short, place = _loosest(seats.measured(scale, quick=True), loosest_mm)
        if abs(short) <= max(TOLERANCES.standoff_mm, SCALE_TOLERANCE * scale * slope):
            break
        scale = max(scale + short / slope, found.scale)
    return scale, place


def _loosest(found: Clearance, loosest_mm: float) -> tuple[float, Place]:
    """Return what the loosest carrying region has left before it is too loose (mm), and where that is."""
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
