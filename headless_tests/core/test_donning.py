# SPDX-License-Identifier: GPL-3.0-or-later
"""The passage search against closed forms: holes over a ball on a stem."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.errors import Cancelled, InputError
from arming_cap.core.fit.passage.donning import find_passage
from arming_cap.core.fit.passage.lift import all_the_way, seated, straight_lift
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = 50.0


def ball_on_stem() -> Wearer:
    return Wearer("ball", Form(shapes.ball_on_stem(BALL)))


def ring(radius: float, z: float = -70.0, name: str = "ring") -> Piece:
    # The stated radius is that of the hole's flats: a polygon's clear opening is its inscribed circle.
    tube = shapes.tube(radius / np.cos(np.pi / 192), radius + 10, 4, 192)
    return Piece(name, (Part(name, tube.moved(Pose.of((0, 0, z)))),))


@pytest.mark.parametrize("gap", [3.0, -0.5])
def test_ball_through_circular_hole(gap: float) -> None:
    # Closed form: pinch = hole radius - ball radius. The bound of the proof may not lie below it.
    found = find_passage(ring(BALL + gap), ball_on_stem(), Pose(), Search())
    assert found.pinch_mm == pytest.approx(gap, abs=0.2)
    assert found.bound_mm >= gap - 0.05
    assert found.where == "way"
    if gap < 0:
        assert found.verdict is Status.FAIL and found.bound_mm < 0 and found.proved_in
    else:
        assert found.verdict is not Status.FAIL


@pytest.mark.parametrize("gap", [4.0, -4.0])
def test_straight_lift_over_a_ball(gap: float) -> None:
    found = straight_lift(ring(BALL + gap), ball_on_stem(), Pose(), np.array([0.0, 0.0, 1.0]))
    assert found.pinch_mm == pytest.approx(gap, abs=0.1)
    assert found.passes == (gap > 0)
    # The ring's lower half meets the equator: its 4 mm rim passes z = 0 after 66 to 70 mm.
    assert 64 <= found.lifted_mm <= 72


def test_the_field_is_fine_all_along_the_way_out() -> None:
    # A post on a plate too large for one fine grid: the field about the seat ends far below the post's top.
    form = Form(shapes.two(shapes.box((60, 60, 500)), shapes.box((520, 520, 10), centre=(0, 0, -255.0))))
    scene = seated(ring(50.0, -200.0), Wearer("post", form), Pose())
    top = 250.0
    assert scene.field.box[1, 2] < top
    along = all_the_way(scene, np.array([0.0, 0.0, 1.0]))
    assert along.field.spacing == scene.field.spacing
    assert along.field.box[1, 2] >= top and along.field.box[0, 2] <= -200.0
    assert all_the_way(along, np.array([0.0, 0.0, 1.0])).field is along.field


def test_far_too_small_is_refused_with_proof() -> None:
    found = find_passage(ring(BALL - 15), ball_on_stem(), Pose(), Search(decide_only=True))
    assert found.verdict is Status.FAIL
    assert found.bound_mm < 0


def test_it_can_be_stopped() -> None:
    def stop(fraction: float, text: str) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        find_passage(ring(BALL + 3), ball_on_stem(), Pose(), progress=stop)


def test_bad_axis_is_said() -> None:
    with pytest.raises(InputError, match="no direction"):
        straight_lift(ring(60.0), ball_on_stem(), Pose(), np.zeros(3))
