# SPDX-License-Identifier: GPL-3.0-or-later
"""A plane through piece and wearer against circles in closed form."""

from __future__ import annotations

import time

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st

from arming_cap.core.distance.across import across
from arming_cap.core.mesh import TriangleMesh

LEVEL = np.array([0.0, 0.0, 1.0])


def band(inner=100.0, aside=0.0):
    mesh = shapes.tube(inner, inner + 3.0, 60.0, 256)
    return TriangleMesh(mesh.vertices + [aside, 0.0, -30.0], mesh.triangles, "band")


@settings(max_examples=25, deadline=None)
@given(aside=st.floats(0.0, 9.0), height=st.floats(-25.0, 25.0))
def test_the_gap_of_a_ball_in_a_band(aside, height):
    """At height h a ball of 90 mm is a circle of sqrt(90² - h²); moved aside, the band is nearer by that."""
    found = across(band(aside=aside), shapes.sphere(90.0, 128), LEVEL, height)
    circle = np.sqrt(90.0**2 - height**2)
    assert found.gap_mm == pytest.approx(100.0 - aside - circle, abs=0.08)  # facets of both
    assert np.linalg.norm(found.gap[0] - found.gap[1]) == pytest.approx(abs(found.gap_mm), abs=1e-9)
    assert np.abs(found.gap[:, 2] - height).max() < 1e-9
    assert found.room_mm == pytest.approx((200.0, 200.0, 200.0 * np.pi), abs=0.2)
    assert found.body_mm == pytest.approx((2 * circle, 2 * circle, 2 * np.pi * circle), abs=0.6)


def test_a_piece_that_runs_into_the_wearer_has_a_gap_below_nothing():
    found = across(band(aside=13.0), shapes.sphere(90.0, 128), LEVEL, 0.0)
    assert found.gap_mm == pytest.approx(-3.0, abs=0.1)


def test_where_there_is_no_wearer_or_the_plane_misses_there_is_no_gap():
    assert across(band(), None, LEVEL, 0.0).gap_mm is None
    missed = across(band(), shapes.sphere(90.0, 32), LEVEL, 500.0)
    assert (missed.gap_mm, missed.room_mm, missed.body_mm, missed.piece) == (None, None, None, ())


def test_it_is_quick_enough_to_be_dragged():
    """50 ms of processor time for 400,000 triangles, tested at three times that."""
    ball = shapes.sphere(90.0, 450)
    shell = TriangleMesh(ball.vertices * 1.1, ball.triangles)
    assert len(ball.triangles) > 200_000
    across(shell, ball, LEVEL, 1.0)
    before = time.process_time()
    for step in range(5):
        across(shell, ball, np.array([0.1, 0.2, 0.97]), float(step))
    assert (time.process_time() - before) / 5 < 0.15
