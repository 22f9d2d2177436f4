# SPDX-License-Identifier: GPL-3.0-or-later
"""The curve of the margin along a passage, against a closed form, and its drawing as ghosts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.fit import check_fit
from arming_cap.core.checks.job import Fitting, Limits
from arming_cap.core.fit.passage.along import CLEAR_MM, margins_along
from arming_cap.core.fit.passage.donning import find_passage
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report import html, svg
from arming_cap.core.report.chart import chart
from arming_cap.core.report.model import RunReport
from arming_cap.core.report.way import way_drawn
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("ball", Form(shapes.sphere(40)))
NECK = float(np.sqrt(45**2 - 15**2))


def helm() -> Piece:
    """A spherical helm of 45 mm inside, open below z = -15: its neck is a circle of radius `NECK`."""
    return Piece("helm", (Part("helm", shapes.dome(45, 48, -15)),))


@pytest.fixture(scope="module")
def lifted():
    piece = helm()
    found = find_passage(piece, BALL, Pose(), Search(decide_only=True))
    return found, margins_along(piece, BALL, Pose(), found)


def test_a_neck_over_a_ball_has_its_closed_forms_margin_in_every_pose(lifted):
    found, along = lifted
    lift = np.array([pose.translation_mm[2] for pose in along.poses])
    # The neck's edge is nearest all the way up. 0.1 mm is what a margin may lie above the true one, and facets differ.
    np.testing.assert_allclose(along.margin_mm, np.hypot(NECK, lift - 15) - 40, atol=0.2)
    np.testing.assert_allclose(along.way_mm, lift, atol=1e-6)
    assert along.steps[along.pinch] == pytest.approx(found.pinch_step, abs=1e-6)
    assert along.margin_mm.min() == along.margin_mm[along.pinch] == pytest.approx(found.pinch_mm, abs=1e-9)
    # It ends where it is clear for good, not before.
    assert along.margin_mm[-1] >= CLEAR_MM - 0.5 and along.way_mm[-1] < found.path[-1].translation_mm[2]


def test_the_ghosts_show_the_tilt_and_the_chart_marks_the_pinch(lifted):
    found, along = lifted
    drawing, curve = way_drawn(along, found)
    assert ", straight;" in drawing.title and "put on from 6 to 1" in drawing.title
    assert [label for label, _ in drawing.marks] == ["1", "2", "3", "4", "5", "6", f"pinch {found.pinch_mm:.1f} mm"]
    assert {line.kind for line in drawing.outlines} >= {"form", "ghost", "pinched"}
    ((label, (_, margin)),) = curve.marks
    assert label == f"pinch {found.pinch_mm:.1f} mm" and margin == pytest.approx(found.pinch_mm)
    assert label in chart(curve) and "piece, at the pinch" in svg.drawing(drawing)
    # Turned 30 degrees about X where it leaves, as the right hand turns: nose down, back up.
    poses = (*along.poses[:-1], Pose.of(along.poses[-1].translation_mm, (30, 0, 0)))
    tilted, _ = way_drawn(replace(along, poses=poses), found)
    assert tilted.marks[5][0] == "6: 30°" and "tilted forward" in tilted.title
    worn = [line for line in tilted.outlines if line.kind in ("inner", "outer")]
    last = tilted.outlines[-len(worn) :]
    for one, other in zip(worn, last, strict=True):
        turn = np.radians(30)
        matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        np.testing.assert_allclose(other.points, one.points @ matrix.T + poses[-1].translation_mm[1:], atol=1e-9)


def test_the_check_draws_the_way_and_keeps_its_curve():
    report = check_fit(Fitting(helm(), BALL), Limits(checks=("donning",)))
    assert report.drawings[0].title.startswith("The way off") and report.charts[0].marks
    curve = report.verdicts[0].details["passage"]["along"]
    assert curve[0]["way_mm"] == 0.0 and min(c["margin_mm"] for c in curve) == pytest.approx(NECK - 40, abs=0.15)
    page = html.dumps(RunReport("one", (report,)))
    assert "it is put on from 6 to 1" in page and "Room along the way off" in page
