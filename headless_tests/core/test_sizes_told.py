# SPDX-License-Identifier: GPL-3.0-or-later
"""What a sizing says in words: the chance at a few scales, and the foam by region and in all."""

from __future__ import annotations

import pytest

from arming_cap.core.report.sizes import foam, steps


def test_the_chance_is_told_evenly_from_5_to_95_in_100():
    # A straight line from 0 at 90 % to 1 at 100 %: 5 in 100 at the first point at or above, 90.5
    curve = [[0.9 + 0.001 * k, 0.01 * k] for k in range(101)]
    told = steps({"curve": curve}, 3)
    assert told == [pytest.approx(pair) for pair in ((0.905, 0.05), (0.95, 0.5), (0.995, 0.95))]
    assert steps({"curve": [[0.9, 1.0]]}) == []


def test_foam_is_summed_by_region_and_in_all():
    pads = [
        {"region": "crown", "thickness_mm": 10.0, "area_mm2": 2000},
        {"region": "crown", "thickness_mm": 5.0, "area_mm2": 1000},
        {"region": "temple_left", "thickness_mm": 5.0, "area_mm2": 500},
    ]
    assert foam({"padding": pads}) == [
        ("top of the head (crown)", "5 mm on 10 cm², 10 mm on 20 cm²"),
        ("left temple", "5 mm on 5 cm²"),
        ("in all", "5 mm on 15 cm², 10 mm on 20 cm²"),
    ]
    assert foam({}) == []
