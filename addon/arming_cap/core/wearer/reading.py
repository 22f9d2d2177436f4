# SPDX-License-Identifier: GPL-3.0-or-later
"""Readings as people type them, and the slips that can be told from the numbers alone."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from ..errors import InputError
from . import hatsize
from .dimension import DIMENSIONS, Dimension, dimension

MM_PER = {"mm": 1.0, "cm": 10.0, "in": 25.4}
_NUMBER = r"[-+]?(?:\d+\s+\d+/\d+|\d+/\d+|[\d.]+(?:[eE][-+]?\d+)?)"
_VALUE = re.compile(
    rf"\s*(?P<low>{_NUMBER})\s*(?:(?:-|–|to)\s*(?P<high>{_NUMBER}))?"
    rf"\s*(?:(?:±|\+/?-)\s*(?P<sd>{_NUMBER}))?\s*(?P<unit>mm|cm|in|inch|inches|kg|\"|″|'')?\s*"
)
_INCHES = ("inch", "inches", '"', "″", "''")
# The ends of a range lie no farther apart than this share of it: two readings of one thing.
_WIDEST = 0.15


@dataclass(frozen=True)
class Reading:
    """One dimension as it was read.

    Attributes
    ----------
    value
        In the dimension's unit (mm; kg for the weight).
    sd
        Standard deviation of the reading as the user states it, same unit. None where nothing was stated: then it
        counts as taken the way the survey took it, whose spread already holds the observers' error.
    """

    value: float
    sd: float | None = None

    def spread(self, of: Dimension) -> float:
        """Return the stated standard deviation, or the dimension's default."""
        return of.default_sd if self.sd is None else self.sd


def parse_known(text: str) -> tuple[str, Reading]:
    """Read ``head_circumference=574``, ``...=574±3``, ``...=22 7/8in``, ``...=57-58cm`` or ``hat_size=7 1/4``.

    The unit is mm unless given.

    Raises
    ------
    InputError
        If the text is no reading, or the reading is not plausible.
    """
    name, sign, value = text.partition("=")
    if not sign or not value.strip():
        raise InputError("not a reading", source=repr(text), remedy="write NAME=MM or NAME=MM±SD")
    return parse_reading(name.strip(), value, source=repr(text))


def parse_reading(name: str, text: str, unit: str | None = None, source: str = "") -> tuple[str, Reading]:
    """Return the dimension that a text is a reading of, and the reading.

    Parameters
    ----------
    name
        Of a dimension, or ``hat_size``.
    text
        A number, with a fraction, as a range (``57-58``: the mean, with the spread of what lies evenly between), with
        a standard deviation (``574±3``), with a unit: any of these.
    unit
        Of a length that names none.

    Raises
    ------
    InputError
        If the text is no reading, or the reading is not plausible.
    """
    if name == hatsize.KEY:
        reading = Reading(*hatsize.circumference_of(text, source))
        check_reading("head_circumference", reading, source)
        return "head_circumference", reading
    of = dimension(name, source)
    match = _VALUE.fullmatch(text)
    if match is None:
        comma = "with a point instead of the comma, " if "," in text else ""
        raise InputError(
            f"{name} of {text.strip()!r} is no reading",
            source=source,
            remedy=f"write it {comma}as 155, 155±2, 57-58 or 22 7/8",
        )
    given = "in" if match["unit"] in _INCHES else match["unit"]
    given = given or (unit if of.unit == "mm" else None) or of.unit
    if (given == "kg") != (of.unit == "kg"):
        raise InputError(f"{of.in_words} is given in {given}", source=source, remedy=f"give it in {of.unit}")
    factor = MM_PER.get(given, 1.0)
    low = _number(match["low"], source) * factor
    high = low if match["high"] is None else _number(match["high"], source) * factor
    sd = None if match["sd"] is None else _number(match["sd"], source) * factor
    if high < low or high - low > _WIDEST * abs(high):
        raise InputError(
            f"{of.in_words} from {low:g} to {high:g} {of.unit} is no reading",
            source=source,
            remedy="write the smaller first; two readings of one thing lie close together",
        )
    if high > low and sd is None:
        sd = max((high - low) / math.sqrt(12), of.default_sd)
    reading = Reading((low + high) / 2, sd)
    check_reading(of.name, reading, source)
    return of.name, reading


def _number(text: str, source: str) -> float:
    """Return the value of ``22.5``, ``7/8`` or ``22 7/8``."""
    whole, _, fraction = text.strip().rpartition(" ") if "/" in text else (text, "", "")
    try:
        over, _, under = fraction.partition("/")
        part = int(over) / int(under) if fraction else 0.0
        value = float(whole) if whole.strip() else 0.0
    except (ValueError, ZeroDivisionError):
        raise InputError("not a number", source=source, remedy="write it as 155, 155±2, 57-58 or 22 7/8") from None
    return value - part if whole.strip().startswith("-") else value + part


def check_reading(name: str, reading: Reading, source: str = "") -> None:
    """Raise `InputError` with the likely cause where one reading cannot be right; nothing is put right silently."""
    of = dimension(name, source)
    value, sd = reading.value, reading.sd
    if not math.isfinite(value):
        raise InputError(f"{of.in_words} is not a finite number", source=source, remedy="take it again")
    if sd is not None and not (math.isfinite(sd) and sd >= 0):
        raise InputError(
            f"the spread of {of.in_words} is {sd:g}",
            source=source,
            remedy="state how far two readings differ, 0 or more",
        )
    if of.low <= value <= of.high:
        return
    slips = {"inches": 25.4, "centimetres": 10.0, "metres": 1000.0} if of.unit == "mm" else {"pounds": 0.45359237}
    likely = [unit for unit, factor in slips.items() if of.low <= value * factor <= of.high]
    if value <= 0:
        remedy = "a dimension is greater than 0"
    elif likely:
        remedy = f"was it read in {' or '.join(likely)}? give {of.unit}, or state the unit"
    elif of.low <= value / 10 <= of.high:
        remedy = "a decimal point lost? take it again"
    else:
        remedy = "take it again: " + of.how[0].lower() + of.how[1:]
    raise InputError(
        f"{of.in_words} of {value:g} {of.unit} is not plausible ({of.low:g} to {of.high:g})",
        source=source,
        remedy=remedy,
    )


def ellipse_perimeter(length: float, breadth: float) -> float:
    """Return the perimeter of an ellipse from its two full axes (Ramanujan 1914, second form), same unit."""
    a, b = length / 2, breadth / 2
    h = ((a - b) / (a + b)) ** 2
    return math.pi * (a + b) * (1 + 3 * h / (10 + math.sqrt(4 - 3 * h)))


# Circumference, breadth, length: a head tape lies on or outside the ellipse of the two; in the survey one man in a
# hundred reads less than 0.7 mm above it. Not asked of chest and waist: breath moves them between two readings.
_OUTLINES = (("head_circumference", "head_breadth", "head_length"),)
# Shorter first: the girth that must pass is never less than the one below it.
_ORDER = (
    ("wrist_circumference", "hand_circumference"),
    ("ankle_circumference", "calf_circumference"),
    ("ankle_circumference", "heel_ankle_circumference"),
    ("lower_thigh_circumference", "thigh_circumference"),
    ("neck_circumference", "neck_base_circumference"),
    ("head_length", "nose_to_back_depth"),
    ("sitting_height", "stature"),
)


def check_together(known: Mapping[str, Reading], source: str = "") -> None:
    """Raise `InputError` where readings contradict each other beyond three of their standard deviations.

    Each reading is checked alone first. Combinations that are merely rare are not refused here: see
    `population.estimate`, which warns.
    """
    for name, reading in known.items():
        check_reading(name, reading, source)

    def spread(*names: str) -> float:
        return 3 * math.hypot(*(max(known[n].spread(DIMENSIONS[n]), DIMENSIONS[n].default_sd) for n in names))

    for girth, breadth, length in _OUTLINES:
        if {girth, breadth, length} <= known.keys():
            least = ellipse_perimeter(known[length].value, known[breadth].value)
            if known[girth].value < least - spread(girth, breadth, length):
                raise InputError(
                    f"{DIMENSIONS[girth].in_words} {known[girth].value:g} mm is shorter than the ellipse of its "
                    f"{DIMENSIONS[breadth].in_words} and {DIMENSIONS[length].in_words} ({least:.0f} mm)",
                    source=source,
                    remedy="the tape slipped, or the caliper was not square: take all three again",
                )
    for less, more in _ORDER:
        if {less, more} <= known.keys() and known[less].value > known[more].value + spread(less, more):
            raise InputError(
                f"{DIMENSIONS[less].in_words} {known[less].value:g} mm is more than "
                f"{DIMENSIONS[more].in_words} {known[more].value:g} mm",
                source=source,
                remedy="were the two swapped? take both again",
            )
