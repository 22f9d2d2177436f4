# SPDX-License-Identifier: GPL-3.0-or-later
"""Where on a piece its way on and off is tightest, for a try-on ring to be taken there.

Rings are wanted at once, the widest way takes longer to find: by default the piece is only drawn straight off. Where
that passes it is a way on, and a ring at its tightest place proves it. Where it does not, that is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...arrays import FloatArray
from ...distance.clearance import Clearance
from ...errors import InputError
from ...fit.passage.donning import find_passage
from ...fit.passage.lift import drawn_off, meeting, seated, way_out
from ...fit.passage.search import Search
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, silent
from ...tolerances import TOLERANCES
from ...verdict import Status, judge
from ...wearer.form import WHOLE, Wearer
from ...wearer.regions import in_words

# How the tightest place of the way is looked for: drawn straight off, over all ways, or not.
LIFT, WAY, NONE = "lift", "way", "none"
WAYS = (LIFT, WAY, NONE)


@dataclass(frozen=True)
class Pinch:
    """The tightest place of the way.

    Attributes
    ----------
    words
        What a ring there proves.
    at
        On the piece as worn, mm; None where a ring there would prove nothing.
    says
        A sentence for the user where there is no such place; empty otherwise.
    decides
        Whether it settles that and where the piece goes on: then no ring need stand in for it.
    """

    words: str
    at: tuple[float, float, float] | None
    says: str = ""
    decides: bool = True


def pinch_of(
    piece: Piece, wearer: Wearer, clearance: Clearance, how: str = LIFT, progress: Progress = silent
) -> Pinch | None:
    """Return where on a piece, in worn position, its way off the wearer is tightest; None where that is not asked.

    Parameters
    ----------
    clearance
        As measured there: a way can be no wider than the seat.
    how
        ``lift`` draws the piece straight off, in under two seconds for 200,000 triangles; ``way`` looks for the widest
        way, tilted too, which may take a minute; ``none`` looks for none.

    Raises
    ------
    InputError
        If `how` is none of these.
    """
    if how not in WAYS:
        raise InputError(f"'{how}' is no way to look for the pinch", remedy=f"use one of {', '.join(WAYS)}")
    if how == NONE:
        return None
    if how == WAY:
        found = find_passage(piece, wearer, Pose(), Search(), progress)
        margin, region = found.pinch_mm, found.region
        # The pinch is told where the piece is at that moment; a ring is cut where it is worn.
        at = found.pinch_pose.inverse().apply(np.array(found.at)[None])[0]
        what, beyond = "the pinch of the passage", ""
    else:
        margin, region, at = _drawn_off(piece, wearer, progress)
        what, beyond = "the tightest place on the way straight off", "whether it passes tilted was not looked for"
    where = f"{f', at the {in_words(region)}' if region not in ('', WHOLE) else ''}"
    seat = min((r.min_mm - r.allowance_mm for r in clearance.regions.values()), default=clearance.min_standoff_mm)
    if margin >= seat - Search().tolerance_mm:
        return Pinch("", None, "nothing on the way off is tighter than the seat")
    unsure = max(wearer.form.spread_mm.get(region, 0.0), TOLERANCES.scan_error_mm)
    if beyond and judge(margin, unsure) is Status.FAIL:
        return Pinch("", None, f"drawn straight off it is {-margin:.1f} mm too tight{where}; {beyond}", False)
    return Pinch(f"{what}{where}: {margin:+.1f} mm give or take {unsure:.1f}", _tuple(at))


def _drawn_off(piece: Piece, wearer: Wearer, progress: Progress) -> tuple[float, str, FloatArray]:
    """Return the least margin of a piece drawn straight off, the region there, and where on the worn piece (3,)."""
    scene = seated(piece, wearer, Pose(), progress)
    out = way_out(scene)
    progress(0.5, "the tightest place of the way")
    chain, least = drawn_off(scene, out)
    moved = least.point + out * float(np.linalg.norm(chain[1, :3])) * least.when
    return least.margin_mm, meeting(scene, moved, least.triangle)[2], least.point


def _tuple(at: FloatArray) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in at)
    return x, y, z
