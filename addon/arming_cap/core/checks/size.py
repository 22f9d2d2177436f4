# SPDX-License-Identifier: GPL-3.0-or-later
"""The check of the size: is the scale that was checked large enough, how sure is that, and what would do."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..fit.passage.donning import out_of_the_way, smallest_scale
from ..fit.passage.ways import Search
from ..fit.seat.seating import seat as find_seat
from ..fit.size.causes import Causes
from ..fit.size.padding import padding
from ..fit.size.sizing import Sizing, size
from ..piece import Piece
from ..pose import Pose
from ..progress import Progress, part_of
from ..report.model import Chart
from ..report.sizes import per_cent
from ..report.words import figure, place
from ..verdict import Place, Status, Verdict
from ..wearer.form import Wearer
from .job import Limits

# The passage is narrowed down to this share of the scale, by a search that decides rather than measures.
PASSAGE_WITHIN = 0.005
# A scale is typed with one decimal of a per cent; no verdict hangs on what is below that.
TYPED = 5e-4


def check_size(
    piece: Piece,
    wearer: Wearer,
    limits: Limits,
    scale: float,
    seat: str,
    causes: Causes | None,
    donning: Verdict | None,
    way: FloatArray | None,
    pose: Pose,
    progress: Progress,
) -> tuple[Verdict, dict[str, Any] | None, tuple[Chart, ...], tuple[str, ...]]:
    """Return the verdict on the scale, the sizing as JSON shows it, its chart, and warnings.

    Parameters
    ----------
    piece
        As the files hold it; `scale` is what is checked.
    donning
        The verdict on the passage at `scale`; None where that was not asked for, and the size then rests on the
        margins alone.
    way
        (k, 6) the motion of the passage found at `scale`.
    pose
        In which the piece is worn at `scale`.
    """
    try:
        found = size(
            piece,
            wearer,
            seat=seat,
            progress=part_of(progress, 0.0, 0.5),
            loosest_mm=limits.loosest_mm,
            distortion=limits.distortion_percent / 100,
            causes=causes,
            rest=(scale, pose) if seat == "best" else None,
            span=limits.scales,
        )
    except InputError as error:
        verdict = Verdict("size", Status.FAIL, None, "%", "a scale that fits", why=error.what, mend=error.remedy)
        return dataclasses.replace(verdict, number=100 * scale), None, (), ()
    passage = None
    if donning is not None:
        off = tuple(donning.details.get("take_off", ()))
        passage = _passage(out_of_the_way(piece, off), wearer, limits, found, seat, way, part_of(progress, 0.5, 0.95))
    pads = padding(piece, wearer, found.pose, found.scale, limits.foam_mm)
    shown = {**found.as_dict(), "padding": [pad.as_dict() for pad in pads]}
    if donning is not None:
        shown["passage_scale"] = None if passage is None else round(passage, 5)
        shown["passage_without"] = list(off)
    return _verdict(found, passage, scale, wearer, donning, limits), shown, _charts(found, scale), found.warnings


def _verdict(
    found: Sizing, passage: float | None, scale: float, wearer: Wearer, donning: Verdict | None, limits: Limits
) -> Verdict:
    low, high = found.range
    smallest, limit = found.scale, found.limited_by
    why = f"{per_cent(found.scale)} is the smallest that keeps every allowance of {wearer.name}"
    if high > low:
        why += f", {figure(100 * low)} to {figure(100 * high)} with what is not known for sure"
    status = Status.PASS if scale >= high - TYPED else Status.MARGINAL if scale >= low - TYPED else Status.FAIL
    mend = "" if status is Status.PASS else f"print it at {per_cent(high)} or more"
    if donning is not None and (passage is None or passage > smallest + TYPED):
        limit = donning.limited_by
        if passage is None:
            status = Status.FAIL
            why += f"; up to {per_cent(limits.scales[1], 0)} it was not found to go on"
            mend = "a wider rim, or a part that comes off"
        else:
            why += f"; it goes on from {per_cent(passage)}"
            smallest, high = passage, max(high, passage)
            if scale < passage - TYPED:
                status = Status.FAIL
                mend = f"print it at {per_cent(high)} or more"
    elif found.next_limits and status is not Status.PASS:
        why += f"; next come {' and '.join(place(one) for one in found.next_limits)}"
    if found.largest is None and found.largest_by is not None and status is Status.PASS:
        status = Status.MARGINAL
        why += f"; already there the {place(found.largest_by)} is looser than wanted"
        mend = "pad it there, or have it drawn narrower there"
    if found.largest is not None and scale > found.largest + TYPED and status is Status.PASS:
        status = Status.MARGINAL
        ends = place(found.largest_by or Place())
        why += f"; from {per_cent(found.largest)} the {ends} ends what fits"
        mend = f"print it at {per_cent(min(high, found.largest))} to {per_cent(found.largest)}"
    return Verdict(
        "size",
        status,
        100 * smallest,
        "%",
        f"no larger than the {per_cent(scale)} checked",
        50 * (found.range[1] - found.range[0]),
        limit,
        why,
        mend,
        {"chance": round(found.law.chance(scale), 3)},
    )


def _charts(found: Sizing, scale: float) -> tuple[Chart, ...]:
    if len(found.curve) < 2:
        return ()
    points = np.array(found.curve) * 100
    marked = np.array([[100 * scale, 0.0], [100 * scale, 100.0]])
    series: list[tuple[str, Any]] = [("chance of fitting", points)]
    if points[0, 0] <= 100 * scale <= points[-1, 0]:
        series.append(("the scale checked", marked))
    return (Chart("Chance of fitting at each scale", tuple(series), "scale, %", "chance, in 100"),)


def flattened(wearer: Wearer, gives_mm: float) -> Wearer:
    """Return the wearer with padding pressed down by so much, but not below the skin; what gives stays as it is."""
    pressed = {name: min(room, max(room - gives_mm, 0.0)) for name, room in wearer.allowance_mm.items()}
    return dataclasses.replace(wearer, allowance_mm=pressed)


def seats_on(wearer: Wearer, seat: str) -> Callable[[Piece], Pose]:
    """Return how the worn pose of a scaled piece is told, ``fixed`` or ``best``."""
    return lambda scaled: Pose() if seat == "fixed" else find_seat(scaled, wearer).pose


def _passage(
    piece: Piece,
    wearer: Wearer,
    limits: Limits,
    found: Sizing,
    seat: str,
    way: FloatArray | None,
    progress: Progress,
) -> float | None:
    """Return the smallest scale, not below the margins' own, at which a way on is found; None within the limits."""

    def named(share: float, what: str) -> None:
        progress(share, f"{piece.name} on {wearer.name}, {what}")

    passing = flattened(wearer, limits.padding_gives_mm)
    span = (found.scale, limits.scales[1])
    return smallest_scale(
        piece, passing, seats_on(wearer, seat), Search(), named, span, found.scale, PASSAGE_WITHIN, way
    )
