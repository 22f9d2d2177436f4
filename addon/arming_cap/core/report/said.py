# SPDX-License-Identifier: GPL-3.0-or-later
"""What the checks found, in words: the one place where a result becomes sentences, for panel, terminal and report."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import Any

from ..distance.clearance import Clearance
from ..fit.passage.donning import Passage, out_in_words
from ..fit.passage.mending import Mend
from ..make.walls.thickness import Thickness
from ..verdict import Place, Status, Verdict
from ..wearer.form import WHOLE
from ..wearer.plain import plain
from .results import (
    TYPED,
    Advised,
    ClearanceResult,
    DonningResult,
    MeshResult,
    PlacementResult,
    Placing,
    Reason,
    Result,
    SightResult,
    SizeResult,
    Unmade,
    WallsResult,
)
from .words import figure, per_cent, place, rest_in_words

# What a mend costs, in words; what counts nothing is left out.
PRICES = {
    "percent": "by {} %",
    "give_mm": "by {} mm",
    "at_y_mm": "{} mm behind the files' origin",
    "depth_mm": "{} mm deep",
    "area_cm2": "{} cm\N{SUPERSCRIPT TWO} in all",
}
PAST_END = 0.02  # a smaller share of the piece past the end of the form is not worth a word
COUNTED = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def verdict_of(result: Result) -> Verdict:
    """Return a check's verdict with its words."""
    return _SAYS[type(result)](result)


def past_end(found: Clearance) -> str:
    """Return in words how much of a piece lies past the end of its wearer's form."""
    return f"the form ends at the shoulders: {100 * found.past_end:.0f} % of the piece lies past it and is not judged"


def length(mm: float) -> str:
    """Return a length as one says it: ``35 mm``, ``1.2 m``."""
    return f"{figure(mm / 1000)} m" if mm >= 1000 else f"{figure(mm, 0)} mm"


def _unmade(result: Unmade) -> Verdict:
    why, mend = result.what or result.reason.value, result.remedy
    if result.reason is Reason.OUT_OF_TIME:
        why, mend = f"no answer within the {result.budget_s:g} s it was given", "give it more time"
        if result.most_mm is not None:
            why += f"; no way can be wider than {figure(result.most_mm)} mm, the room where it is worn"
    elif result.reason is Reason.NO_EYES:
        why, mend = "no eyes were recognised on the form", "give the wearer a form with a head, or leave sight out"
    details: dict[str, Any] = {"reason": result.reason.name.lower()}
    if result.most_mm is not None:
        details["bounds_mm"] = [None, round(result.most_mm, 3) + 0.0]
    return Verdict(result.check, Status.NOT_CHECKED, why=why, mend=mend, details=details)


def _mesh(result: MeshResult) -> Verdict:
    remarks = [f"{name}: {', '.join(f.remarks())}" for name, f in result.facts.items() if f.remarks()]
    faulty = result.status is not Status.PASS
    return Verdict(
        "mesh",
        result.status,
        sum(result.faults(name) for name in result.facts),
        "faults",
        "none",
        limited_by=Place(part=result.worst) if faulty else Place(),
        why="; ".join(remarks) or "every part is a closed, sound mesh",
        mend="the checks hold as they are; repair the mesh before slicing it" if faulty else "",
        details={name: dataclasses.asdict(f) for name, f in result.facts.items()},
    )


def _placement(result: PlacementResult) -> Verdict:
    apart = length(result.distance_mm)
    count = COUNTED[len(result.parts)] if len(result.parts) < len(COUNTED) else str(len(result.parts))
    move = "translation_mm of each part in the job, or the object in Blender; assemble joins what was cut by planes"
    why, mend = {
        Placing.WORN: ("the parts sit beside each other on the wearer", ""),
        Placing.SOLID: (
            f"it is solid, {100 * result.distance_mm:.0f} % of its hull is material: nobody gets into it",
            "hollow it, with a wall of your choice: arming-cap hollow FILE --wall 3 --out DIR; "
            "2 to 4 mm is common practice",
        ),
        Placing.STACKED: (
            "; ".join(result.pairs) + ": they look exported each at the origin",
            f"move each part to where it is worn: {move}",
        ),
        Placing.APART: (
            f"{count} parts lie up to {apart} apart, as for printing",
            f"put them where they are worn: {move}",
        ),
        Placing.LAID_OUT: (
            f"{count} parts stand side by side on one floor, {apart} apart, as for printing",
            f"put them where they are worn: {move}",
        ),
        Placing.AWAY: (
            f"the piece is {apart} away from the wearer's body",
            "move the piece to where it is worn, or ask for seat = 'best'",
        ),
        Placing.FREE: (
            f"the piece touches the wearer nowhere: it hangs {apart} clear of what it should rest on",
            "check its size and units, or move it to where it is worn",
        ),
    }[result.placing]
    number, unit = result.distance_mm, "mm"
    if result.placing is Placing.STACKED:
        number, unit = len(result.pairs), "pairs of parts"
    elif result.placing is Placing.SOLID:
        number, unit = 100 * result.distance_mm, "% solid"
    return Verdict(
        "placement",
        result.status,
        number,
        unit,
        "each part where it is worn",
        limited_by=Place(part=result.parts[0]) if result.status is Status.FAIL else Place(),
        why=why,
        mend=mend,
        details={"placing": result.placing.name.lower()},
    )


def _clearance(result: ClearanceResult) -> Verdict:
    region, figures, found = result.limiting, result.figures, result.found
    where = plain(region) if region != WHOLE else "closest place"
    allowance, spread, room = figures.allowance_mm, figures.spread_mm, result.room_mm
    why = f"{figure(figures.min_mm)} mm at the {where} of {result.wearer}, where {allowance:g} mm are to be kept"
    over = f"{figure(room)} mm over the allowance of {allowance:g} mm at the {where} of {result.wearer}"
    stops = result.rest is not None and result.rest.kind == "stops"
    if figures.free_mm is not None:
        why = f"{over}, beside what carries it"
        if stops:
            why = f"at its rest it would lack {figure(-room)} mm of the room at the {where} of {result.wearer}"
    if result.rest is not None:
        why = "; ".join([rest_in_words(result.rest), why] if stops else [why, rest_in_words(result.rest)])
    if found.past_end >= PAST_END:
        why += f"; {past_end(found)}"
    if spread:
        why += f"; the form is known to {figure(spread)} mm there"
    mend = ""
    if not result.carried:
        why, mend = f"the piece rests on nothing; {why}", "put it where it is worn"
    elif result.status is not Status.PASS:
        mend = f"{figure(max(spread - room, 0.1))} mm more room there"
        mend += " to be sure of it" if result.status is Status.MARGINAL else ""
        mend += ": a larger scale, thinner padding, or relief inside"
    return Verdict(
        "clearance",
        result.status,
        room,
        "mm",
        f"at least 0 mm over an allowance of {allowance:g} mm",
        max(spread, found.tolerance_mm),
        Place(region, figures.part, figures.at),
        why,
        mend,
        {
            "min_standoff_mm": round(found.min_standoff_mm, 3),
            "allowance_mm": allowance,
            "regions": {name: result.status_of(name).value for name in found.regions},
        },
    )


def _donning(result: DonningResult) -> Verdict:
    found, whole = result.passage, result.whole
    region = plain(found.region) if found.region not in (WHOLE, "") else "wearer"
    where = f"where {found.part} meets the {region}"
    manner = "lifted straight" if found.straight else "tilted on the way"
    if found.passes:
        taken = f"with {out_in_words(result.piece, result.off)} it goes on" if result.off else "it goes on"
        soft = f", if {' and '.join(plain(name) for name in result.gives)} give" if result.gives else ""
        held = f", the slit held open by {found.springs_mm:g} mm as stated" if found.springs_mm else ""
        why = f"{taken}, {manner}{held}{soft}; tightest {where}"
        if result.off:
            not_so = f"it does not{_searched(whole)}" if whole.verdict is Status.FAIL else "no way on was found"
            why += f"; as a whole {not_so}: the widest way found lacks {figure(-whole.pinch_mm)} mm"
    elif found.verdict is Status.FAIL:
        why = f"no way on is wider than {figure(found.bound_mm)} mm{_searched(found)}"
        why += f"; the widest that was found has {figure(found.pinch_mm)} mm; tightest {where}"
    else:
        least, most = figure(found.pinch_mm), figure(found.bound_mm)
        why = (
            f"not sure that it goes on: the widest way found has {least} mm, none more than {most} mm{_searched(found)}"
        )
    if result.short_mm:
        why = f"it stops {figure(result.short_mm)} mm short of where it would rest: worn there it is in the body; {why}"
    elif result.begin is not None and result.begin.off_mm:
        why += f"; the way begins {figure(result.begin.off_mm)} mm off the seat, where there is room"
    mend = ""
    if not found.passes:
        short = figure(max(-found.pinch_mm, 0.1))
        mend = f"{short} mm more room there: a larger scale, a wider rim, or a part that comes off"
        mend = mends_in_words(result.mends) or mend
    return Verdict(
        "donning",
        result.status,
        found.pinch_mm,
        "mm",
        "a way on and off, nowhere tighter than 0 mm over the allowances",
        0.0 if found.passes else max(found.bound_mm - found.pinch_mm, 0.0),
        Place(found.region, found.part, found.at),
        "; ".join([why, *result.reasons]),
        mend,
        {
            "take_off": list(result.off or ()),
            "begins_mm": 0.0 if result.begin is None else round(result.begin.off_mm, 2),
            "short_mm": round(result.short_mm, 2),
            "passage": {**found.as_dict(), "along": result.along.as_list()},
            "alternatives": {
                ", ".join(names) or "nothing off": {
                    "verdict": p.verdict.value,
                    "pinch_mm": round(p.pinch_mm, 2),
                    "bound_mm": round(p.bound_mm, 2),
                }
                for names, p in result.tried.items()
            },
            **({"mends": [one.as_dict() for one in result.mends]} if result.mends else {}),
        },
    )


def _searched(found: Passage) -> str:
    """Return for which freedoms a bound holds, to be put after it; nothing where it holds for all."""
    if not found.proved_in:
        return ""
    if found.out[2] < 1 - 1e-9:
        return ", moved along its way off, across it in one plane, and turned in that plane"
    return ", moved up, fore and aft, and pitched"


def price_in_words(mend: Mend) -> str:
    """Return what a mend costs, in brackets; nothing where that is no length or share."""
    price = [PRICES[name].format(figure(value)) for name, value in mend.price.items() if name in PRICES]
    return f" ({', '.join(price)})" if price else ""


def mends_in_words(tries: Sequence[Mend]) -> str:
    """Return which mends help, with what each costs, and which do not."""
    words: dict[bool, list[str]] = {True: [], False: []}
    for one in tries:
        words[one.passes].append(one.what + price_in_words(one))
    parts = [f"any of these, each tried: {'; '.join(words[True])}"] if words[True] else []
    parts += [f"tried in vain: {'; '.join(words[False])}"] if words[False] else []
    return ". ".join(part[0].upper() + part[1:] if number else part for number, part in enumerate(parts))


def _sight(result: SightResult) -> Verdict:
    return result.verdict


def _size(result: SizeResult) -> Verdict:
    asked = f"{per_cent(result.scale)}, the scale that was checked, or less"
    if result.sizing is None:
        why, mend = (result.none.what, result.none.remedy) if result.none else ("", "")
        if result.every:
            mend = "room decides nothing here: choose the scale by its look, and try it on"
        return Verdict("size", result.status, 100 * result.scale, "%", "a scale that fits", why=why, mend=mend)
    found, smallest = result.sizing, result.smallest
    return Verdict(
        "size",
        result.status,
        100 * (found.scale if smallest is None else smallest),
        "%",
        asked,
        50 * (found.range[1] - found.range[0]),
        result.passage_place if result.asks_for_way else found.limited_by,
        _size_why(result),
        _size_mend(result),
        {"chance": round(found.law.chance(result.scale), 3)},
    )


def _size_why(result: SizeResult) -> str:
    found = result.sizing
    assert found is not None
    low, high = found.range
    why = f"{per_cent(found.scale)} is the smallest that keeps every allowance of {result.wearer}"
    if high > low:
        why += f", {figure(100 * low)} to {figure(100 * high)} with what is not known for sure"
    if result.passage is not None and result.asks_for_way:
        if result.passage.scale is None:
            why += f"; up to {per_cent(result.passage.most, 0)} it was not found to go on"
        else:
            why += f"; it goes on from {per_cent(result.passage.scale)}"
    elif found.next_limits and result.status is not Status.PASS:
        why += f"; next come {' and '.join(place(one) for one in found.next_limits)}"
    if result.always_loose:
        why += f"; already there the {place(found.largest_by or Place())} is looser than wanted"
    elif result.advice.kind is Advised.TOO_LOOSE or (result.is_loose and found.largest is not None):
        why += f"; from {per_cent(found.largest or 0.0)} the {place(found.largest_by or Place())} ends what fits"
    return why


def _size_mend(result: SizeResult) -> str:
    """Return the one scale to print at, or why there is none."""
    advice = result.advice
    if result.status is Status.PASS:
        return ""
    if advice.kind is Advised.NO_WAY:
        return "a wider rim, or a part that comes off"
    if advice.kind is Advised.TOO_LOOSE:
        return "no scale does it all: let a part come off or widen the rim, or allow more room where it is loose"
    assert advice.scale is not None
    mend = f"print it at {per_cent(advice.scale)}" if abs(advice.scale - result.scale) > TYPED else ""
    if advice.kind is Advised.LIKELY:
        more = f"the largest that fits: {100 * advice.chance:.0f} in 100 that it is large enough"
        mend = f"{mend}, {more}" if mend else more
    if advice.kind is Advised.PADDED:
        pad = "pad it where it is loose, or have it drawn narrower there"
        mend = f"{mend}, and {pad}" if mend else pad
    return mend


def _walls(result: WallsResult) -> Verdict:
    found, limit = result.found, result.limit_mm
    why = f"the thinnest wall at {per_cent(result.scale)}; half of the skin has {found.median_mm:.1f} mm or more"
    thin = result.status is Status.MARGINAL
    if thin:
        area = f"{found.thin_mm2 / 100:.1f} cm²" if found.thin_mm2 >= 5 else "less than 0.1 cm²"
        why += f"; {area} of skin is thinner than {limit:g} mm"
    if found.remark:
        why += f"; {found.remark}"
    return Verdict(
        "walls",
        result.status,
        found.least_mm,
        "mm",
        f"at least {limit:g} mm everywhere",
        0.0,
        Place("", found.part, result.at),
        why,
        f"thicken it there by {limit - found.least_mm:.2f} mm, or print it solid and with care" if thin else "",
        {"ray_mm": round(found.ray_mm, 3), "sphere_mm": round(found.sphere_mm, 3), **_walls_figures(found)},
    )


def _walls_figures(found: Thickness) -> dict[str, float]:
    return {
        "broad_mm": round(found.broad_mm, 3),
        "median_mm": round(found.median_mm, 3),
        "thin_mm2": round(found.thin_mm2, 1),
        "skin_mm2": round(found.skin_mm2, 1),
        "agreeing": round(found.agreeing, 4),
    }


_SAYS: dict[type, Callable[[Any], Verdict]] = {
    Unmade: _unmade,
    MeshResult: _mesh,
    PlacementResult: _placement,
    ClearanceResult: _clearance,
    DonningResult: _donning,
    SightResult: _sight,
    SizeResult: _size,
    WallsResult: _walls,
}
