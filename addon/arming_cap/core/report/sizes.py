# SPDX-License-Identifier: GPL-3.0-or-later
"""A sizing in sentences, the same in the terminal, the page and the panel."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from ..verdict import Place
from ..wearer.plain import plain
from .model import Chart
from .words import figure, per_cent, place

if TYPE_CHECKING:  # what measures loads the geometry libraries, and the panel shows sizes without them
    from ..fit.size.sizing import Sizing
    from .results import SizeResult


def sentences(found: Mapping[str, Any], clearance_mm: float = 0.0, chances: bool = True) -> list[str]:
    """Return what a sizing says, from the keys of its JSON; without the chances of fitting where they are drawn."""
    low, high = found["range"]
    where = place(_place(found["limited_by"]))
    spread = f" ({figure(100 * low)} to {figure(100 * high)})" if high > low else ""
    keeps = f"with {clearance_mm:g} mm beyond the allowances" if clearance_mm else "with the allowances kept"
    lines = [f"smallest: {per_cent(found['scale'], 2)}{spread}, {keeps}; limited at the {where}"]
    if following := [place(_place(one)) for one in found["next_limits"]]:
        lines.append(f"next come the {' and the '.join(following)}")
    ends = found.get("largest_limited_by")
    if found.get("largest") is not None and ends is not None:
        lines.append(f"largest: {per_cent(found['largest'], 2)}, where the {place(_place(ends))} ends it")
    elif ends is not None:
        lines.append(f"already there the {place(_place(ends))} is looser than wanted")
    if tape := found.get("tape"):
        lines.append(_by_tape(tape))
    off = found.get("passage_without") or ()
    manner = f"without {' and '.join(off)}" if off else "as a whole"
    if found.get("passage_scale") is not None:
        lines.append(f"smallest that goes on {manner}: {per_cent(found['passage_scale'], 2)}")
    elif "passage_scale" in found:
        lines.append(f"at no scale was it found to go on {manner}")
    if found.get("grams") is not None:
        more = found["grams_drawn"] - found["grams"]
        against = f", {abs(more):.0f} g {'less' if more >= 0 else 'more'} than as drawn"
        lines.append(
            f"printed solid in PLA: {found['grams']:.0f} g{against}; each per cent more adds "
            f"{found['grams_per_percent']:.1f} g"
        )
    if walls := found.get("walls"):
        lines.append(f"thinnest wall there: {figure(walls['least_mm'], 2)} mm, in {walls['part']}")
    if chances and len(found["curve"]) > 1:
        lines.append(f"chance of fitting: {_chances(found['curve'])}")
    if advice := found.get("next_reading"):
        a, b = advice["range"]
        lines.append(
            f"to be surer, measure the {plain(advice['dimension'])} next: "
            f"{figure(100 * a)} to {figure(100 * b)} would be left"
        )
    if axes := found.get("per_axis"):
        x, y, z = (per_cent(v) for v in axes["scale"])
        lines.append(
            f"unequal, if the look allows: X {x}, Y {y}, Z {z} ({figure(100 * axes['distortion'])} % apart) "
            f"saves {figure(100 * axes['saves'], 0)} % of the material"
        )
    return lines


def sized_as_dict(result: SizeResult) -> dict[str, Any] | None:
    """Return a sizing as JSON shows it; None where no scale fits."""
    if result.sizing is None:
        return None
    shown = {**result.sizing.as_dict(), "padding": [pad.as_dict() for pad in result.pads]}
    shown["tape"] = None if result.tape is None else result.tape.as_dict()
    if result.passage is not None:
        scale = result.passage.scale
        shown["passage_scale"] = None if scale is None else round(scale, 5)
        shown["passage_without"] = list(result.passage.off)
    advice = result.advice
    shown["print_at"] = None if advice.scale is None else round(advice.scale, 5)
    shown["print_at_because"] = advice.kind.value
    return shown


def chances_drawn(sizing: Sizing, scale: float) -> tuple[Chart, ...]:
    """Return the chance of fitting over the scale, with the scale that was checked; none where nothing is unsure."""
    if len(sizing.curve) < 2:
        return ()
    points = np.array(sizing.curve) * 100
    series: list[tuple[str, Any]] = [("chance of fitting", points)]
    if points[0, 0] <= 100 * scale <= points[-1, 0]:
        series.append(("the scale checked", np.array([[100 * scale, 0.0], [100 * scale, 100.0]])))
    return (Chart("Chance of fitting at each scale", tuple(series), "scale, %", "chance, in 100"),)


def steps(found: Mapping[str, Any], count: int = 5) -> list[tuple[float, float]]:
    """Return some scales evenly from where 5 in 100 fit to where 95 do, each with its chance of fitting, 0 to 1.

    Empty where nothing is unsure.
    """
    curve = found["curve"]
    if len(curve) < 2:
        return []
    scales, chances = (np.array(row) for row in zip(*curve))
    ends = [float(scales[min(int(np.searchsorted(chances, p)), len(scales) - 1)]) for p in (0.05, 0.95)]
    return [(float(s), float(np.interp(s, scales, chances))) for s in np.linspace(ends[0], ends[1], count)]


def foam(found: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the padding plan, a line of foam for each region in words, and last the sums under ``in all``."""
    plan: dict[str, dict[float, float]] = {}
    for pad in found.get("padding", ()):
        for region in (plain(pad["region"]), "in all"):
            areas = plan.setdefault(region, {})
            areas[pad["thickness_mm"]] = areas.get(pad["thickness_mm"], 0.0) + pad["area_mm2"]
    order = [region for region in plan if region != "in all"] + ["in all"] * bool(plan)
    return [
        (region, ", ".join(f"{mm:g} mm on {figure(area / 100, 0)} cm²" for mm, area in sorted(plan[region].items())))
        for region in order
    ]


def _by_tape(tape: Mapping[str, Any]) -> str:
    """Return the sum that a maker does with a tape: inside less head less hair, in breadth and in length."""
    sums = []
    for name, inside, head, hair, spare in zip(
        ("breadth", "length"), tape["inside_mm"], tape["head_mm"], tape["hair_mm"], tape["spare_mm"]
    ):
        if inside is not None:
            sums.append(
                f"{name} {figure(inside, 0)} less the head's {figure(head, 0)} less {figure(hair, 0)} of hair and "
                f"liner leaves {figure(spare, 0)} mm"
            )
    return f"by tape, inside at the band: {'; '.join(sums)}"


def _chances(curve: list[list[float]]) -> str:
    """Return a few points of the curve: where 5, 50 and 95 in 100 are reached."""
    said = []
    for wanted in (0.05, 0.5, 0.95):
        scale = next((s for s, p in curve if p >= wanted), curve[-1][0])
        chance = next((p for s, p in curve if s == scale), 1.0)
        said.append(f"{100 * chance:.0f} in 100 at {per_cent(scale)}")
    return ", ".join(dict.fromkeys(said))


def _place(held: Mapping[str, Any]) -> Place:
    return Place(held["region"], held["part"], None)
