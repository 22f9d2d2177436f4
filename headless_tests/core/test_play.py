# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the way of a worn piece begins: within the play of its seat, and never where it only stops."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.donning import check_donning
from arming_cap.core.checks.job import Fitting, Limits
from arming_cap.core.checks.worn import worn
from arming_cap.core.fit.passage.donning import find_passage
from arming_cap.core.fit.passage.play import PLAY_MM, begun
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("ball", Form(shapes.sphere(40, 64)))


def cap(radius: float, low: float) -> Piece:
    return Piece("cap", (Part("cap", shapes.dome(radius, radius + 3, low, 64, 16)),))


def test_a_piece_at_rest_touches_and_still_goes_on():
    """At rest a wide cap hangs on the ball's top: nothing is left there, and all round it the radii differ by 5 mm."""
    here = worn(Fitting(cap(45, -10), BALL, seat="best"), pinned=())
    assert here.rest.kind == "rests" and here.clearance.min_standoff_mm < 0.3
    found = check_donning(here, Limits())
    assert found.status is Status.PASS and found.short_mm == 0
    # Lifted by z the top is free by z; the neck, of sqrt(45² - 10²) = 43.9 mm, leaves 3.9 mm over the ball.
    assert 0 < found.begin.off_mm <= PLAY_MM
    assert 1.0 < found.passage.pinch_mm < np.sqrt(45**2 - 10**2) - 40 + 0.2


def test_a_piece_that_stops_short_does_not_go_on_though_it_comes_off():
    """A cap of 38 mm on a ball of 40 comes off from where it stops; at rest it would be 2 mm in the ball."""
    here = worn(Fitting(cap(38, -10), BALL, seat="best"), pinned=())
    assert here.rest.kind == "stops"
    assert find_passage(here.piece, BALL, here.pose, Search(decide_only=True, most_cells=0)).pinch_mm > -0.3
    found = check_donning(here, Limits())
    assert found.status is Status.FAIL and found.short_mm > 1.0
    # The way begins with what it lacks at rest, so no way has more; the search for one that fails stops half a mm near.
    assert -found.short_mm - 0.5 < found.passage.pinch_mm < -found.short_mm + 0.1


@pytest.mark.parametrize("pressed", [1.0, 3.0])
def test_a_way_that_begins_higher_than_the_seat_is_a_way(pressed):
    """A cap pressed onto the ball's top by 1 mm fails at its seat and passes from a little higher; where it begins is
    no farther than asked for."""
    piece = cap(45, -10)
    seat = Pose.of((0, 0, -5 - pressed))
    at_seat = find_passage(piece, BALL, seat, Search(decide_only=True))
    assert at_seat.verdict is Status.FAIL and at_seat.pinch_mm == pytest.approx(-pressed, abs=0.2)
    begin = begun(piece, BALL, seat)
    assert pressed < begin.off_mm <= PLAY_MM + 1e-9
    higher = find_passage(piece, BALL, begin.pose, Search(decide_only=True))
    # Straight up by the play it has at most what that leaves over the press.
    assert higher.verdict is Status.PASS and 0.5 < higher.pinch_mm <= PLAY_MM - pressed + 0.2


def test_a_seat_with_room_is_where_the_way_begins():
    begin = begun(cap(45, -10), BALL, Pose())
    assert begin.off_mm == 0 and not begin.pose.translation_mm.any()
