# SPDX-License-Identifier: GPL-3.0-or-later
"""The check of the size: is the scale that was checked large enough, how sure is that, and what would do."""

from __future__ import annotations

import numpy as np

from ..errors import InputError
from ..fit.size.causes import Causes
from ..fit.size.padding import padding
from ..fit.size.sizing import Sizing, size
from ..fit.size.tape import tape_of
from ..progress import Progress, part_of, silent
from ..report.results import DonningResult, SizeResult
from ..verdict import Place
from .donning import passage_scale
from .job import Limits
from .worn import Worn


def check_size(
    worn: Worn,
    limits: Limits,
    donning: DonningResult | None = None,
    causes: Causes | None = None,
    progress: Progress = silent,
) -> SizeResult:
    """Return the sizes that fit, and how the scale checked stands among them.

    Parameters
    ----------
    worn
        The piece in the pose in which it is worn at the scale checked.
    donning
        Of the piece at that scale; where None the size rests on the margins alone.
    causes
        What may make the wearer another than the form says; by default the form's spread.
    """
    one = worn.one
    try:
        found = _sized(worn, limits, causes, part_of(progress, 0.0, 0.5))
    except InputError as error:
        beside = min((r.room_mm for r in worn.clearance.regions.values()), default=np.inf)
        near = worn.rest is not None and worn.rest.kind != "stops" and beside <= (limits.loosest_mm or np.inf)
        return SizeResult(one.scale, one.wearer.name, None, error, near=near)
    passage, tightest = None, Place()
    if donning is not None:
        passage = passage_scale(worn, limits, donning, found.scale, part_of(progress, 0.5, 0.95))
        tightest = Place(donning.passage.region, donning.passage.part, donning.passage.at)
    pads = padding(one.piece, one.wearer, found.pose, found.scale, limits.foam_mm)
    tape = tape_of(one.piece, one.wearer, found.pose, found.scale)
    return SizeResult(one.scale, one.wearer.name, found, None, passage, tightest, pads, tape)


def _sized(worn: Worn, limits: Limits, causes: Causes | None, progress: Progress) -> Sizing:
    one = worn.one
    return size(
        one.piece,
        one.wearer,
        limits.clearance_mm,
        one.seat,
        progress=progress,
        loosest_mm=limits.loosest_mm,
        distortion=limits.distortion_percent / 100,
        causes=causes,
        pinned=limits.pinned,
        first=one.scale,
        span=limits.scales,
    )
