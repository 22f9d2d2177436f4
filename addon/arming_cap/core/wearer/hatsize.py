# SPDX-License-Identifier: GPL-3.0-or-later
"""Hat sizes as readings of the head circumference.

=================  ==========================================  =======================================
written            means                                       source
=================  ==========================================  =======================================
7 1/4, US 7 1/4    circumference in inches over pi             the hat trade's rule (from memory)
UK 7 1/8           an eighth less than the US size             common practice, no source
58                 circumference in cm                         metric sizes are the circumference
XS S M L XL XXL    53 55 57 59 61 63 cm, each one cm about it  common practice, no source: makers differ
=================  ==========================================  =======================================

A size stands for all heads up to half a step on either side: that, taken as even, is its spread.
"""

from __future__ import annotations

import math
import re

from ..errors import InputError

KEY = "hat_size"
# Circumference in cm at the middle of a letter's span.
LETTERS_CM = {"XXS": 51.0, "XS": 53.0, "S": 55.0, "M": 57.0, "L": 59.0, "XL": 61.0, "XXL": 63.0}
_NUMBERED = re.compile(r"(?:(US|UK)\s*)?(\d+)(?:\s+(\d)/(\d))?(?:\.(\d+))?(?:\s*cm)?", re.IGNORECASE)
_EVEN = 1 / math.sqrt(12)  # standard deviation of what lies evenly within a step of 1


def circumference_of(size: str, source: str = "") -> tuple[float, float]:
    """Return the head circumference that a hat size stands for, and its standard deviation, mm.

    Raises
    ------
    InputError
        If it is no hat size.
    """
    text = " ".join(size.strip().strip("\"'").split())
    if (letter := text.upper()) in LETTERS_CM:
        return 10 * LETTERS_CM[letter], 20 * _EVEN
    match = _NUMBERED.fullmatch(text)
    if match is not None and match[4] not in ("0",):
        trade, whole, over, under, decimals = match.groups()
        number = float(f"{whole}.{decimals or 0}") + (int(over) / int(under) if over else 0.0)
        if 5.5 <= number <= 9:
            inches = math.pi * (number + (0.125 if (trade or "").upper() == "UK" else 0.0))
            return 25.4 * inches, 25.4 * math.pi / 8 * _EVEN
        if 43 <= number <= 72 and trade is None:
            return 10 * number, 10 * _EVEN
    raise InputError(
        f"{size!r} is no hat size",
        source=source,
        remedy=f"write it as 7 1/4, UK 7 1/8, 58, or one of {', '.join(LETTERS_CM)}",
    )
