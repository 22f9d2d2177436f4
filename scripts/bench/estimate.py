# SPDX-License-Identifier: GPL-3.0-or-later
"""How long an estimate and the forms made of it take."""

from __future__ import annotations

from arming_cap.core.wearer.headform import head_form_of
from arming_cap.core.wearer.limbform import limb_form_of
from arming_cap.core.wearer.population import estimate
from arming_cap.core.wearer.reading import Reading

from . import Row, median_time


def rows() -> list[Row]:
    """Return the bench's rows."""
    one = {"head_circumference": Reading(574.0)}
    return [
        Row("51 dimensions from one reading, sex given", median_time(lambda: estimate(one, "m")), wanted="under 10 ms"),
        Row("51 dimensions from one reading, sex unknown", median_time(lambda: estimate(one)), wanted="under 10 ms"),
        Row(
            "headform from an estimate",
            median_time(lambda: head_form_of(estimate(one, "m"))),
            wanted="under 1 s",
        ),
        Row(
            "leg form from an estimate",
            median_time(lambda: limb_form_of(estimate(one, "m"), "leg")),
            wanted="under 1 s",
        ),
    ]
