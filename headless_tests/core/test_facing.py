# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces that cannot go on for a plain reason are told it: closed, upside down, in the body, far away."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.placement import placement
from arming_cap.core.errors import InputError
from arming_cap.core.fit.passage.donning import find_passage
from arming_cap.core.fit.passage.enclosed import enclosed_depth
from arming_cap.core.fit.passage.facing import (
    check_exchanged,
    faces_backwards,
    opens_towards,
    reasons,
    solid_share,
)
from arming_cap.core.fit.passage.lift import seated
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report.said import verdict_of
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("ball", Form(shapes.sphere(40, 48)))


@dataclass
class Refused:
    """A passage as `reasons` reads it."""

    passes: bool = False


def piece(mesh: TriangleMesh) -> Piece:
    return Piece("helm", (Part("helm", mesh),))


def helm(turned=0.0) -> Piece:
    """Open below: the share of all directions that its neck takes is (1 - sin 19.5°)/2."""
    return piece(shapes.dome(45, 48, -15, 48, 24).moved(Pose.of((0, 0, 0), (turned, 0, 0))))


def hollow() -> Piece:
    inside = shapes.sphere(46, 48)
    return piece(joined([shapes.sphere(49, 48), TriangleMesh(inside.vertices, inside.triangles[:, ::-1])], "hollow"))


def test_an_opening_has_its_share_and_direction():
    share, mean = opens_towards(helm(), BALL, Pose())
    assert share == pytest.approx((1 - 15 / 45) / 2, rel=0.55) and share < (1 - 15 / 48) / 2
    assert mean[2] < -0.7 and abs(mean[0]) < 0.01 and abs(mean[1]) < 0.01
    # Worn turned over it faces the other way.
    assert opens_towards(helm(), BALL, Pose.of((0, 0, 0), (180, 0, 0)))[1][2] > 0.7


@pytest.mark.parametrize("closed", [piece(shapes.sphere(46, 48)), hollow()])
def test_a_closed_shell_is_said_to_have_no_opening(closed):
    assert [said for said in reasons(closed, BALL, Pose(), Refused(), 1.0) if "no opening" in said]


def head() -> Wearer:
    """A ball with eyes 20 mm above its middle, looking to -Y."""
    eyes = {f"pupil_{side}": np.array([x, -30.0, 20.0]) for side, x in (("left", 15.0), ("right", -15.0))}
    return Wearer("head", Form(shapes.sphere(40, 48), ("crown",), landmarks=eyes))


def test_an_opening_that_faces_up_is_said_on_a_head_alone():
    (said,) = reasons(helm(180), head(), Pose(), Refused(), 1.0)
    assert "faces up" in said
    assert not reasons(helm(), head(), Pose(), Refused(), 1.0)
    assert not reasons(helm(180), head(), Pose(), Refused(passes=True), -1.0)
    # The wide end of a cuff on a hanging arm is up
    assert not reasons(helm(180), BALL, Pose(), Refused(), 1.0)


def test_a_helm_that_faces_backwards_is_asked_about():
    mesh = shapes.dome(45, 48, -15, 96, 48)
    middle = mesh.corners.mean(axis=1)
    window = (middle[:, 1] < 0) & (np.abs(middle[:, 0]) < 25) & (middle[:, 2] > 5) & (middle[:, 2] < 35)
    open_ = piece(mesh.submesh(np.flatnonzero(~window)))
    assert faces_backwards(open_, head(), Pose()) == ""
    assert "face backwards" in faces_backwards(open_, head(), Pose.of((0, 0, 0), (0, 0, 180)))
    assert faces_backwards(piece(mesh), head(), Pose()) == ""  # closed all round: no question of turning


def test_piece_and_wearer_exchanged_are_refused():
    with pytest.raises(InputError, match="look exchanged; name the body as the wearer"):
        check_exchanged(piece(shapes.sphere(40, 48)), Wearer("helm", Form(shapes.dome(45, 48, -42, 48, 24))))
    check_exchanged(helm(), BALL)
    # A cuff within a body's box holds some of the body
    arm = Wearer("arm", Form(shapes.ellipsoid((40, 45, 300), 48)))
    check_exchanged(piece(shapes.tube(30, 33, 60, 48)), arm)


def test_a_solid_is_to_be_hollowed_first():
    for block in (piece(shapes.ellipsoid((95, 113, 120), 48)), piece(shapes.box((180, 220, 240)))):
        assert solid_share(block) == pytest.approx(1.0, abs=1e-6)
        for seat in ("fixed", "best"):  # before it is asked how it is worn
            said = verdict_of(placement(block, BALL, seat))
            assert said.status is Status.FAIL and "is solid, 100 %" in said.why and "arming-cap hollow" in said.mend
    for worn in (helm(), piece(shapes.tube(75, 79, 90, 48)), piece(shapes.box((200, 300, 5)))):
        assert solid_share(worn) == 0


def test_a_seat_in_the_body_is_said_with_its_depth():
    (said,) = reasons(helm(), BALL, Pose(), Refused(), -9.0)
    assert "9.0 mm too deep" in said


@pytest.mark.parametrize("closed", [piece(shapes.sphere(46, 48)), hollow()])
def test_a_closed_shell_is_refused_without_a_search(closed):
    # The ball's middle is 40 mm deep; the points asked lie in a grid about 4 mm apart.
    found = find_passage(closed, BALL, Pose(), Search(most_cells=0))
    assert found.verdict is Status.FAIL and -40.5 < found.bound_mm < -35
    assert enclosed_depth(seated(helm(), BALL, Pose())) is None
