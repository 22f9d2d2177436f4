# SPDX-License-Identifier: GPL-3.0-or-later
"""The passage against RRT-Connect over FCL; `scripts/validate_passages.py` has the long table."""

from __future__ import annotations

import pytest

pytest.importorskip("ompl")
pytest.importorskip("fcl")

from helmets import Helmet, grown, head, planned, shell

from arming_cap.core.fit.passage.donning import find_passage
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Form, Wearer


@pytest.mark.parametrize("helmet", [Helmet("a", neck=0.9), Helmet("a", chin_mm=35.0)])
def test_what_the_planner_finds_is_no_wider_than_our_pinch(helmet):
    mesh = shell(helmet)
    found = find_passage(Piece("helm", (Part("helm", mesh),)), Wearer("a", Form(head("a")[0])), Pose())
    assert found.passes and found.pinch_mm > 1.0
    assert planned(mesh, grown("a", 0.0), 3.0)
    assert not planned(mesh, grown("a", round(found.pinch_mm + 0.5, 2)), 0.5)
