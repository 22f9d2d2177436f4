# SPDX-License-Identifier: GPL-3.0-or-later
"""The passage's answers that rest on several searches: what to take off, and the scale that passes."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.fit.passage.donning import find_passage, take_off
from arming_cap.core.fit.passage.scale import scale_bounds
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("ball", Form(shapes.sphere(80)))


def helm(neck_z: float) -> Piece:
    """A spherical helm of 90 mm inside, open below `neck_z`: its neck is a circle of radius sqrt(90² - neck_z²)."""
    return Piece("helm", (Part("helm", shapes.dome(90, 94, neck_z)),))


@pytest.mark.parametrize("neck_z", [-30, -40])
def test_a_wide_neck_passes_with_its_circles_pinch(neck_z):
    """Closed form: hole radius less ball radius."""
    found = find_passage(helm(neck_z), BALL, Pose(), Search())
    assert found.verdict is Status.PASS and found.floor_mm >= 0
    assert found.pinch_mm == pytest.approx(np.sqrt(90**2 - neck_z**2) - 80, abs=0.2)
    # A pass needs no proof that none is wider: none was made, and the seat's own margin, 10 mm, is the bound told.
    assert found.cells == 0 and found.proved_in == ()
    assert found.bound_mm == pytest.approx(10, abs=0.2)


def test_a_neck_too_narrow_is_refused_with_proof():
    found = find_passage(helm(-60), BALL, Pose(), Search())
    assert found.verdict is Status.FAIL and found.cells > 0
    # The best there is leaves the difference of the two radii; the bound may only lie above it.
    assert found.pinch_mm == pytest.approx(np.sqrt(90**2 - 60**2) - 80, abs=0.2)
    assert np.sqrt(90**2 - 60**2) - 80 - 0.05 <= found.bound_mm < 0
    assert found.proved_in[0] == "fore-aft" and len(found.proved_in) == 3


@pytest.mark.parametrize("gap", [5.0, 2.0, 0.5, -0.5, -2.0])
def test_which_side_of_nothing_a_round_neck_lies_on(gap):
    """Closed form: the neck's radius less the ball's; decided, not measured. 96 facets take up to 0.05 mm from it."""
    found = find_passage(helm(-np.sqrt(90**2 - (80 + gap) ** 2)), BALL, Pose(), Search(decide_only=True))
    assert found.verdict is (Status.PASS if gap > 0 else Status.FAIL)
    assert found.floor_mm >= 0 if gap > 0 else found.bound_mm < 0


def test_smallest_scale_is_the_one_whose_neck_is_the_ball():
    found = scale_bounds(helm(-60), BALL, lambda scale: Pose())
    true = 80 / np.sqrt(90**2 - 60**2)
    assert found.fails < found.passes == pytest.approx(true, rel=0.0025) and found.passes / found.fails - 1 < 0.0025
    # The flood's own proof reaches as close to that as it can tell: here half a millimetre of the neck.
    assert found.passes > true * 0.9995


def test_the_part_that_closes_the_neck_is_the_one_to_take_off():
    """A helm that passes, closed below by a lid that does not: only the lid needs to come off."""
    lid = shapes.revolved([(0, -72), (94, -72), (94, -69), (0, -69)], name="lid")
    flat = lid.vertices.copy()
    flat[:, 2] = np.clip(flat[:, 2], -100, -60) - 20
    piece = Piece(
        "helm",
        (
            Part("shell", shapes.dome(90, 94, -30)),
            Part("crest", shapes.box((4, 60, 20), (0, 0, 105)), removable=True),
            Part("lid", TriangleMesh(flat, lid.triangles), removable=True),
        ),
    )
    names, tried = take_off(piece, BALL, Pose(), Search(decide_only=True))
    assert names == ("lid",)
    assert not tried[()].passes and not tried[("crest",)].passes and tried[("lid",)].passes


def test_the_same_question_has_the_same_answer():
    first, second = (find_passage(helm(-40), BALL, Pose(), Search()).as_dict() for _ in range(2))
    assert first == second
