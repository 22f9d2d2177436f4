# SPDX-License-Identifier: GPL-3.0-or-later
"""The passage's answers that rest on several searches: what to take off, and the scale that passes."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.fit.passage.donning import find_passage, smallest_scale, take_off
from arming_cap.core.fit.passage.ways import Search
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
    found = find_passage(helm(neck_z), BALL, Pose(), Search(most_cells=200))
    assert found.verdict is Status.PASS and found.floor_mm >= 0
    assert found.pinch_mm == pytest.approx(np.sqrt(90**2 - neck_z**2) - 80, abs=0.2)
    assert found.bound_mm >= found.pinch_mm


def test_a_neck_too_narrow_is_refused_with_proof():
    found = find_passage(helm(-60), BALL, Pose(), Search(most_cells=4000, decide_only=True))
    assert found.verdict is Status.FAIL and found.bound_mm < 0
    # The best there is leaves the difference of the two radii; the bound may only lie above it.
    assert found.pinch_mm == pytest.approx(np.sqrt(90**2 - 60**2) - 80, abs=0.2)
    assert found.bound_mm >= found.pinch_mm


def test_smallest_scale_is_the_one_whose_neck_is_the_ball():
    scale = smallest_scale(helm(-60), BALL, lambda piece: Pose())
    assert scale == pytest.approx(80 / np.sqrt(90**2 - 60**2), rel=0.0025)


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
    names, tried = take_off(piece, BALL, Pose(), Search(most_cells=1500, decide_only=True))
    assert names == ("lid",)
    assert not tried[()].passes and not tried[("crest",)].passes and tried[("lid",)].passes


def test_the_same_question_has_the_same_answer():
    first, second = (find_passage(helm(-40), BALL, Pose(), Search(most_cells=300)).as_dict() for _ in range(2))
    assert first == second
