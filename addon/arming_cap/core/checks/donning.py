# SPDX-License-Identifier: GPL-3.0-or-later
"""The check of donning: whether a piece gets on as a whole or with parts off, and the drawings of the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from ..fit.passage.along import margins_along
from ..fit.passage.donning import Passage, out_in_words, smallest_scale, take_off
from ..fit.passage.facing import reasons
from ..fit.passage.mending import Mend, mends
from ..piece import Piece
from ..pose import Pose
from ..progress import Progress, part_of
from ..report.model import Chart, Drawing
from ..report.way import way_drawn
from ..report.words import figure
from ..verdict import Place, Status, Verdict
from ..wearer.form import WHOLE, Wearer
from ..wearer.regions import in_words

# What a mend costs, in words; what counts nothing is left out.
PRICES = {
    "percent": "by {} %",
    "give_mm": "by {} mm",
    "at_y_mm": "at Y {} mm",
    "depth_mm": "{} mm deep",
    "area_cm2": "{} cm\N{SUPERSCRIPT TWO} in all",
}


def check_donning(
    piece: Piece, wearer: Wearer, pose: Pose, progress: Progress, seat_of: Callable[[Piece], Pose] | None = None
) -> tuple[Verdict, Passage, tuple[Drawing, ...], tuple[Chart, ...]]:
    """Judge whether the piece gets on: as a whole, else with its removable parts off; find the way and draw it.

    First asked of a body that gives nowhere, which is the harder question; then with the flesh that may give. Where
    `seat_of` is given, the worn pose of a scaled piece, it is tried what would let on a piece that does not go on.
    """
    firm = replace(wearer, allowance_mm={k: max(v, 0.0) for k, v in wearer.allowance_mm.items()})
    off, tried = take_off(piece, firm, pose, progress=part_of(progress, 0.0, 0.45))
    gives = ""
    if off is None and firm.allowance_mm != wearer.allowance_mm:
        off, tried = take_off(piece, wearer, pose, progress=part_of(progress, 0.45, 0.9))
        firm = wearer
        soft = [in_words(name) for name, room in wearer.allowance_mm.items() if room < 0]
        gives = f", if {' and '.join(soft)} give" if off is not None else ""
    whole = tried[()]
    found = tried[off] if off else whole
    region = in_words(found.region) if found.region not in (WHOLE, "") else "wearer"
    where = f"where {found.part} meets the {region}"
    manner = "lifted straight" if found.straight else "tilted on the way"
    if found.passes:
        taken = f"with {out_in_words(piece, off)} it goes on" if off else "it goes on"
        why = f"{taken}, {manner}{gives}; tightest {where}"
        if off:
            why += f"; as a whole no way is wider than {figure(whole.bound_mm)} mm"
    elif found.verdict is Status.FAIL:
        why = f"no way on is wider than {figure(found.bound_mm)} mm; tightest {where}"
    else:
        least, most = figure(found.pinch_mm), figure(found.bound_mm)
        why = f"undecided: the widest way found has {least} mm, none has more than {most} mm"
    along = margins_along(piece, firm, pose, found, off or (), progress=part_of(progress, 0.9, 1.0))
    why = "; ".join([why, *reasons(piece, wearer, pose, found, float(along.margin_mm[0]))])
    mend = ""
    if not found.passes:
        short = figure(max(-found.pinch_mm, 0.1))
        mend = f"{short} mm more room there: a larger scale, a wider rim, or a part that comes off"
    tries: tuple[Mend, ...] = ()
    if seat_of is not None and not found.passes:
        scale = smallest_scale(piece, firm, seat_of, progress=part_of(progress, 0.92, 0.95))
        tries = mends(
            piece, firm, pose, found, scale, progress=part_of(progress, 0.95, 1.0), seat_of=seat_of, tried=tried
        )
        mend = _said(tries) or mend
    drawing, chart = way_drawn(along, found)
    verdict = Verdict(
        "donning",
        found.verdict,
        found.pinch_mm,
        "mm",
        "a way on and off, nowhere tighter than 0 mm over the allowances",
        0.0 if found.passes else max(found.bound_mm - found.pinch_mm, 0.0),
        Place(found.region, found.part, found.at),
        why,
        mend,
        {
            "take_off": list(off or ()),
            "passage": {**found.as_dict(), "along": along.as_list()},
            "alternatives": {
                ", ".join(names) or "nothing off": {
                    "verdict": p.verdict.value,
                    "pinch_mm": round(p.pinch_mm, 2),
                    "bound_mm": round(p.bound_mm, 2),
                }
                for names, p in tried.items()
            },
            **({"mends": [one.as_dict() for one in tries]} if tries else {}),
        },
    )
    return verdict, found, (drawing,), (chart,)


def _said(tries: tuple[Mend, ...]) -> str:
    """Return in words which mends help, with what each costs, and which do not."""
    words: dict[bool, list[str]] = {True: [], False: []}
    for one in tries:
        price = [PRICES[name].format(figure(value)) for name, value in one.price.items() if name in PRICES]
        words[one.passes].append(f"{one.what} ({', '.join(price)})" if price else one.what)
    parts = [f"any of these, each tried: {'; '.join(words[True])}"] if words[True] else []
    parts += [f"tried in vain: {'; '.join(words[False])}"] if words[False] else []
    return ". ".join(part[0].upper() + part[1:] if number else part for number, part in enumerate(parts))
