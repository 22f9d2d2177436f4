# SPDX-License-Identifier: GPL-3.0-or-later
"""The check of donning: whether a piece gets on, as a whole or with parts off, and at which scale it would."""

from __future__ import annotations

from dataclasses import replace

from ..fit.passage.along import margins_along
from ..fit.passage.donning import Passage, out_of_the_way, take_off
from ..fit.passage.facing import reasons
from ..fit.passage.mending import mends
from ..fit.passage.play import Begin
from ..fit.passage.scale import scale_bounds
from ..fit.passage.search import Search
from ..progress import Progress, part_of, silent
from ..report.results import DonningResult, PassageScale
from .job import Limits
from .worn import Worn, begin_of, begins_at, firm, flattened

Tried = dict[tuple[str, ...], Passage]  # by the parts that are off
# The passage is narrowed down to this share of the scale, by a search that decides rather than measures.
PASSAGE_WITHIN = 0.005


def search_of(limits: Limits) -> Search:
    """Return how a passage is looked for under some limits."""
    return Search(springs_mm=limits.springs_mm, neck_bend_deg=limits.neck_bend_deg)


def check_donning(worn: Worn, limits: Limits, progress: Progress = silent) -> DonningResult:
    """Judge whether the worn piece gets on: as a whole, else with its removable parts off; measure along the way.

    First asked of a body that gives nowhere, which is the harder question; then with the flesh that may give.
    """
    piece, options = worn.piece, search_of(limits)
    soft = flattened(worn.wearer, limits.padding_gives_mm)
    wearer = firm(soft)
    gives: tuple[str, ...] = ()

    gives_more = wearer.allowance_mm != soft.allowance_mm  # what fails now is asked again

    def taken_off(share: tuple[float, float], last: bool) -> tuple[Begin, tuple[str, ...] | None, Tried]:
        begin = begin_of(worn.one, piece, wearer, worn.pose, worn.rest)
        return begin, *take_off(piece, wearer, begin.pose, options, part_of(progress, *share), last)

    begin, off, tried = taken_off((0.0, 0.45), not gives_more)
    if off is None and gives_more:
        wearer, gives = soft, tuple(name for name, room in soft.allowance_mm.items() if room < 0)
        begin, off, tried = taken_off((0.45, 0.9), True)
    passage = tried[off] if off else tried[()]
    along = margins_along(piece, wearer, begin.pose, passage, off or (), part_of(progress, 0.9, 1.0))
    said = reasons(piece, wearer, begin.pose, passage, float(along.margin_mm[0]))
    short = 0.0 if worn.rest is None else worn.rest.short_mm
    return DonningResult(
        piece, wearer, off, tried, along, gives if off is not None else (), said, (), None, begin, short
    )


def passage_scale(
    worn: Worn, limits: Limits, found: DonningResult, least: float = 0.0, progress: Progress = silent
) -> PassageScale:
    """Return the smallest scale of the files, within the limits, at which the piece goes on as `found` has it.

    Parameters
    ----------
    found
        The donning at the scale checked: the parts that are off for it are off here, and its way is tried first.
    least
        Nothing smaller is of interest.
    """
    one, off, (low, most) = worn.one, found.off or (), limits.scales
    piece = out_of_the_way(one.piece, off)
    first = max(least, low) if least else one.scale
    wearer = flattened(one.wearer, limits.padding_gives_mm)
    found_scale = scale_bounds(
        piece,
        wearer,
        begins_at(one, wearer),
        replace(search_of(limits), proved=False),  # what is told is a scale that passes
        progress,
        (max(least, low), most),
        first,
        PASSAGE_WITHIN,
        found.motion,
    )
    return PassageScale(found_scale.passes, off, most)


def with_mends(
    worn: Worn, limits: Limits, found: DonningResult, scale: float | None, progress: Progress = silent
) -> DonningResult:
    """Return a donning with what was tried to mend it; `scale` is the scale to print at, where there is one."""
    one, at = worn.one, begins_at(worn.one, found.wearer)
    tries = mends(
        worn.piece,
        found.wearer,
        worn.pose if found.begin is None else found.begin.pose,
        found.passage,
        None if scale is None else scale / one.scale,
        search_of(limits),
        progress,
        lambda more: at(one.scale * more),
        found.tried,
    )
    return replace(found, mends=tries)
