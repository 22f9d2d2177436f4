# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers and verdicts in words, the same in every format of the report."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from ..fit.seat.rest import Rest
from ..verdict import Place, Verdict
from ..wearer.form import WHOLE
from ..wearer.plain import plain

MINUS = "\N{MINUS SIGN}"


def figure(value: float, decimals: int = 1) -> str:
    """Return a number for reading: a true minus sign, no minus zero, a dash where it is not finite."""
    if not math.isfinite(value):
        return "\N{EN DASH}"
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", MINUS)


def per_cent(scale: float, decimals: int = 1) -> str:
    """Return a scale as makers say it: ``91.5 %``."""
    return f"{figure(100 * scale, decimals)} %"


def number(verdict: Verdict) -> str:
    """Return a verdict's number with its uncertainty and unit, e.g. ``3.2 ± 0.4 mm``; a count has no decimals."""
    if verdict.number is None or not math.isfinite(verdict.number):
        return "not measured"
    # A spread that rounds to nothing is not worth a word.
    spread = f" ± {figure(verdict.uncertainty)}" if verdict.uncertainty >= 0.05 else ""
    if isinstance(verdict.number, int):
        return f"{verdict.number} {verdict.unit}"
    value = verdict.number
    if verdict.unit == "°":  # cut off, not rounded: what is a hair under a demand must not read as if it met it
        value = math.floor(10 * value + 1e-6) / 10
    return f"{figure(value)}{spread} {verdict.unit}".strip()


def place(where: Place) -> str:
    """Return a place for reading, e.g. ``left temple at visor``; empty where nothing is known of it."""
    region = "" if where.region == "whole" else plain(where.region)
    return " at ".join(part for part in (region, where.part) if part)


def pose_in_words(seat: str, pose: Mapping[str, Sequence[float]]) -> str:
    """Return where a piece is worn: as filed, or what it was moved and turned by to come to rest."""
    moved, turned = pose["translation_mm"], pose["rotation_deg"]
    if not any(moved) and not any(turned):
        return "worn as placed in the file" if seat == "fixed" else "seated: it rests as placed in the file"
    move = ", ".join(figure(v) for v in moved)
    return f"seated: moved by ({move}) mm, turned by ({', '.join(figure(v) for v in turned)})°"


def rest_in_words(rest: Rest) -> str:
    """Return what carries a seated piece, or stops it, and the padding that it asks for."""
    regions = list(dict.fromkeys(plain(s.region) for s in rest.supports if s.region != WHOLE))[:2]
    where = " and ".join(regions) or "body"
    if rest.kind == "strapped":
        return "nothing carries it: a strap must hold it there"
    if rest.kind == "girth":
        return f"it sinks until its girth stops it at the {where}"
    if rest.kind == "stops":
        return f"it is too small to come to rest: it stops at the {where}, {figure(rest.short_mm)} mm short"
    said = f"it rests on the {where}"
    if rest.supports:
        said += f", {figure(rest.supports[0].gap_mm)} mm off the skin"
    if rest.padding_mm >= 0.5:
        said += f", with {figure(rest.padding_mm)} mm more padding there to bring its opening to the eyes"
    if rest.covered_mm >= 1.0:
        said += f"; its edge still covers the eyes by {figure(rest.covered_mm)} mm"
    return said


def printable(text: str) -> str:
    """Return text without the control characters that XML and HTML cannot hold."""
    return re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text)
