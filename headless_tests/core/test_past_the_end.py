# SPDX-License-Identifier: GPL-3.0-or-later
"""A form ends where it ends: what lies past a bust's cut is not judged there, and is said not to be."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.fit import check_fit
from arming_cap.core.checks.job import Fitting, Limits
from arming_cap.core.distance.clearance import measure
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import CUT, Form, Wearer
from arming_cap.core.wearer.template import template_head


@pytest.fixture(scope="module")
def bust() -> Wearer:
    head = template_head()
    return Wearer("Mia", head.form_on(head.mesh.vertices, "card", "bust"), {"default": 10.0})


def test_the_cut_is_a_region_of_which_nothing_is_asked(bust):
    form = bust.form
    assert form.region_names[-1] == CUT
    assert np.array_equal(np.asarray(form.region_of_triangle) == len(form.region_names) - 1, form.on_cut)
    assert bust.allowance(CUT) < 0 < bust.allowance("crown")
    # As it comes back from a file of regions, and where nothing was cut.
    again = Form(form.mesh, form.region_names, form.region_of_triangle, on_cut=form.on_cut)
    assert again.region_names == form.region_names
    assert CUT not in Form(shapes.sphere(50)).region_names


def worn(bust, plate_gap: float) -> Piece:
    """A hood that clears the head by far, and a plate so far under the cut below the chest."""
    low, high = bust.form.mesh.bounds
    hood = shapes.dome(150, 154, 0).moved(Pose.of((0, float(bust.form.landmarks["tragion_left"][1]), 20)))
    plate = shapes.box((100, 60, 4), (0, float(low[1] + high[1]) / 2, float(low[2]) - plate_gap - 2))
    return Piece("suit", (Part("hood", hood), Part("plate", plate)))


def test_what_lies_past_the_end_takes_no_part_in_a_verdict(bust):
    """5 mm under the cut, where 10 are to be kept of skin: there is no skin."""
    near, far = (measure(worn(bust, gap), bust) for gap in (5.0, 80.0))
    assert CUT not in near.regions
    assert near.margin_mm == pytest.approx(far.margin_mm, abs=0.05) and near.min_standoff_mm > 10
    plate = 2 * (100 * 60 + 160 * 4) / worn(bust, 5.0).mesh.areas.sum()
    assert near.past_end == pytest.approx(plate, rel=0.1)
    limits = Limits(checks=("placement", "clearance"))
    verdict = check_fit(Fitting(worn(bust, 5.0), bust), limits).verdicts[1]
    assert verdict.status is Status.PASS and "the form ends at the shoulders" in verdict.why


def test_a_plate_into_the_body_still_fails(bust):
    """30 mm up into the chest is metal in the chest, whatever is cut off below."""
    low, high = bust.form.mesh.bounds
    plate = shapes.box((100, 60, 4), (0, float(low[1] + high[1]) / 2, float(low[2]) + 45))
    found = check_fit(Fitting(Piece("plate", (Part("plate", plate),)), bust), Limits(checks=("placement", "clearance")))
    assert found.verdicts[1].status is Status.FAIL
