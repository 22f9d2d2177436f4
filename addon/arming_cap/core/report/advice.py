# SPDX-License-Identifier: GPL-3.0-or-later
"""The first line of a report: the scale of the file to print at, how it goes on, what to see to first."""

from __future__ import annotations

from collections.abc import Mapping

from ..fit.passage.donning import out_in_words
from ..verdict import Place, Status
from ..wearer.plain import plain
from .model import FirstLine
from .results import Advised, ClearanceResult, DonningResult, PlacementResult, Result, SizeResult, Unmade
from .said import PAST_END, past_end, verdict_of
from .words import figure, per_cent

WORTH = 0.005  # a smaller scale that would do as well is named from this difference on


def first_line(scale: float, results: Mapping[str, Result]) -> FirstLine:
    """Return what the checks of a piece at `scale` come to, for somebody at the bench."""
    placed, size = results.get("placement"), results.get("size")
    if isinstance(placed, PlacementResult) and placed.status is Status.FAIL and not isinstance(size, SizeResult):
        said = verdict_of(placed)
        return FirstLine(f"Not to be printed yet: {said.why}. First {said.mend}.", None)
    clear = results.get("clearance")
    if isinstance(clear, Unmade) and clear.remedy and not isinstance(size, SizeResult):
        return FirstLine(f"Not judged yet: {clear.what}. First {clear.remedy}.", None)
    if isinstance(size, SizeResult):
        told, at = _size(size), size.advice.scale
    else:
        told, at = _unsized(scale, results)
    return FirstLine(" ".join([*told, *_way(results, at is not None), *_first(results, size)]), at)


def _size(size: SizeResult) -> tuple[str, ...]:
    advice, found = size.advice, size.sizing
    if advice.kind is Advised.ANY_SCALE and size.none is not None:
        return (f"Room does not decide its size: {size.none.what}.",)
    if found is None:
        return (f"Not to be printed yet: {size.none.what if size.none else 'no scale fits'}.",)
    loose = found.largest_by or Place()
    ends = plain(loose.region) if loose.region not in ("", "whole") else loose.part
    if advice.kind is Advised.NO_WAY:
        most = size.passage.most if size.passage is not None else 0.0
        return (f"Not to be printed yet: up to {per_cent(most, 0)} no way on was found.",)
    if advice.kind is Advised.TOO_LOOSE:
        goes_on = f"it fits and goes on from {per_cent(size.smallest or 0.0)} only"
        return (
            f"Not to be printed yet: {goes_on}, and from {per_cent(found.largest or 0.0)} the {ends} ends what fits.",
        )
    assert advice.scale is not None
    told = f"Print at {per_cent(advice.scale)}"
    if advice.scale == size.scale and size.smallest is not None and size.smallest < size.scale - WORTH:
        return (f"{told}; it fits from {per_cent(size.smallest)}.",)
    if advice.kind is Advised.LIKELY:
        return (f"{told}, the largest that fits: {_in_ten(advice.chance)} that it is large enough.",)
    if advice.kind is Advised.PADDED:
        return (f"{told}, and pad it at the {ends}.",)
    return (f"{told}.",)


def _unsized(scale: float, results: Mapping[str, Result]) -> tuple[tuple[str, ...], float | None]:
    """Return what is said where no size was asked for."""
    fits = [results[name].status for name in ("clearance", "donning") if name in results]
    if not fits:
        return (), None
    if all(status is Status.PASS for status in fits):
        return (f"Fits at {per_cent(scale)}; other scales were not looked at.",), scale
    if Status.FAIL in fits:
        return (f"Not to be printed at {per_cent(scale)}: it does not fit.",), None
    return (f"Whether it fits at {per_cent(scale)} is not sure.",), None


def _way(results: Mapping[str, Result], printed: bool) -> tuple[str, ...]:
    """Return how the piece goes on."""
    donning = results.get("donning")
    if donning is None or not printed:
        return ()
    if not isinstance(donning, DonningResult):
        return ("Whether it goes on was not found out.",)
    if not donning.passage.passes:
        size = results.get("size")
        if isinstance(size, SizeResult) and size.passage is not None and size.passage.scale is not None:
            off = f" with {out_in_words(donning.piece, size.passage.off)}" if size.passage.off else ""
            return (f"There it goes on{off}; as it is now it does not.",)
        return ("Whether it goes on is not sure.",)
    manner = "straight" if donning.passage.straight else "tilted"
    off = f", with {out_in_words(donning.piece, donning.off)}" if donning.off else ""
    held = donning.passage.springs_mm
    slit = f", the slit held open by {held:g} mm" if held else ""
    return (f"It goes on {manner}{off}{slit}.",)


def _first(results: Mapping[str, Result], size: Result | None) -> tuple[str, ...]:
    """Return what to see to first: sight, then what to measure, then the mesh."""
    told = []
    sight = results.get("sight")
    if sight is not None and sight.status is Status.FAIL:
        told.append(f"The wearer does not see enough: {verdict_of(sight).mend}.")
    elif sight is not None and sight.status is Status.NOT_CHECKED:
        told.append("What the wearer sees was not found out.")
    clear = results.get("clearance")
    if isinstance(clear, ClearanceResult) and clear.found.past_end >= PAST_END:
        told.append(f"{past_end(clear.found).capitalize()}.")
    if isinstance(size, SizeResult) and size.sizing is not None and size.sizing.next_reading is not None:
        advice, (low, high) = size.sizing.next_reading, size.sizing.range
        now = f"{figure(100 * low)} to {figure(100 * high)} %"
        then = f"{figure(100 * advice.range[0])} to {figure(100 * advice.range[1])} %"
        told.append(f"Measure the {plain(advice.dimension)} before: {now} then becomes {then}.")
    return tuple(told)


def _in_ten(chance: float) -> str:
    return f"{round(10 * chance)} in 10"
