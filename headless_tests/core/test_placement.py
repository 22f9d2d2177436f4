# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts that are not where they are worn fail in words, and nothing else passes on them."""

from __future__ import annotations

import pytest
import shapes

from arming_cap.core.checks.fit import check_fit
from arming_cap.core.checks.job import Fitting, Limits
from arming_cap.core.checks.placement import placement
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report.results import Placing
from arming_cap.core.report.said import verdict_of
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("Ball", Form(shapes.sphere(90, 64)))


def piece(**parts) -> Piece:
    return Piece("helm", tuple(Part(name, mesh) for name, mesh in parts.items()))


def half(sign: float, gap: float = 0.0):
    """The half of a tube of 100 mm about the wearer, on the side of `sign`, drawn off the middle by `gap`."""
    tube = shapes.tube(100, 104, 60, 96).moved(Pose.of((0, 0, -30)))
    return tube.submesh((sign * tube.corners[:, :, 0].mean(axis=1) > 0).nonzero()[0]).moved(Pose.of((sign * gap, 0, 0)))


LAID = {
    "shell": shapes.dome(95, 99).moved(Pose.of((1240, 0, 0))),
    "face": shapes.box((80, 60, 40), (114, 0, 20)),
    "jaw": shapes.box((70, 60, 40), (0, -300, 20)),
}


@pytest.mark.parametrize("seat", ["fixed", "best"])
def test_parts_that_lie_apart_fail_in_words_and_nothing_passes_on_them(seat):
    one = Fitting(piece(**LAID), BALL, seat=seat)
    report = check_fit(one, Limits())
    by_check = {v.check: v for v in report.verdicts}
    placed = by_check["placement"]
    assert placed.status is Status.FAIL and "three parts lie up to 1.1 m apart, as for printing" in placed.why
    assert "put them where they are worn" in placed.mend
    for name in ("clearance", "donning", "size"):
        assert by_check[name].status is Status.NOT_CHECKED and by_check[name].why == placed.why
    assert report.advice.scale is None and report.advice.says.startswith("Not to be printed yet: three parts")


def test_parts_side_by_side_on_the_print_bed_fail_too():
    """8 mm apart on one floor: near enough to be one piece, were they not laid out."""
    bed = [shapes.dome(60, 64, segments=48, rings=16).moved(Pose.of((x, 0, 0))) for x in (0, 136)]
    found = placement(piece(one=bed[0], two=bed[1]), BALL, "best")
    assert found.placing is Placing.LAID_OUT and found.distance_mm == pytest.approx(8, abs=0.2)
    assert "two parts stand side by side on one floor, 8 mm apart" in verdict_of(found).why


@pytest.mark.parametrize("seat", ["fixed", "best"])
def test_halves_that_meet_are_worn(seat):
    assert placement(piece(left=half(1), right=half(-1)), BALL, seat).placing is Placing.WORN


def test_halves_with_slots_between_are_worn_where_they_are_on_the_body():
    """Both stand on one floor and touch nowhere, 12 mm apart: a breastplate and a backplate on straps."""
    assert placement(piece(left=half(1, 6), right=half(-1, 6)), BALL, "fixed").placing is Placing.WORN


def test_two_plates_far_apart_are_one_piece_where_both_are_on_the_body():
    plates = piece(left=shapes.box((4, 40, 40), (100, 0, 0)), right=shapes.box((4, 40, 40), (-100, 0, 0)))
    assert placement(plates, BALL, "fixed").placing is Placing.WORN
    assert placement(plates, BALL, "best").placing is Placing.APART


def test_a_piece_beside_its_wearer_is_away_by_its_surface_and_not_by_a_box():
    """In the corner of the ball's box, 187 mm from its middle... and 60 mm more: the boxes are 35 mm apart."""
    beside = piece(shell=shapes.box((20, 20, 20), (135, 135, 135)))
    found = placement(beside, BALL, "fixed")
    # The near corner is 125 √3 = 216.5 mm from the middle.
    assert found.placing is Placing.AWAY and found.distance_mm == pytest.approx(216.5 - 90, abs=0.5)
    assert placement(beside, BALL, "best").placing is Placing.WORN


def test_what_hangs_clear_of_the_wearer_gets_no_verdict():
    """A dome of 140 about a ball of 90 rests on nothing: 50 mm are free all round."""
    report = check_fit(Fitting(piece(dome=shapes.dome(140, 144)), BALL), Limits())
    by_check = {v.check: v for v in report.verdicts}
    assert by_check["placement"].status is Status.FAIL and "hangs 50 mm clear" in by_check["placement"].why
    for name in ("clearance", "donning"):
        assert by_check[name].status is Status.NOT_CHECKED
    assert by_check["clearance"].number == pytest.approx(50, abs=0.1)  # the figure is still told
    # Its size says what it lacks: 90/140 = 64.3 %.
    assert by_check["size"].status is not Status.PASS and report.advice.scale == pytest.approx(0.643, abs=0.003)


def test_the_refusal_of_a_seat_leaves_a_report():
    lost = Fitting(piece(dome=shapes.dome(95, 99).moved(Pose.of((0, 0, 230)))), BALL)
    report = check_fit(lost, Limits(checks=("mesh", "placement", "clearance", "donning")))
    assert [v.check for v in report.verdicts] == ["mesh", "placement", "clearance", "donning"]
    assert report.status is Status.FAIL or report.status is Status.NOT_CHECKED
