# SPDX-License-Identifier: GPL-3.0-or-later
"""Sizing against closed forms, Monte Carlo, and the trade's own figures."""

from __future__ import annotations

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st

from arming_cap.core.errors import InputError
from arming_cap.core.fit.sizing import size
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Form, Wearer

EXACT = 0.001  # a tenth of a per cent


def piece_of(mesh: TriangleMesh) -> Piece:
    return Piece("piece", (Part("piece", mesh),))


@pytest.fixture(scope="module")
def ball() -> Wearer:
    return Wearer("ball", Form(shapes.sphere(60, 128)))


@settings(max_examples=4)
@given(st.floats(48, 110), st.floats(0, 15))
def test_sphere_in_sphere_in_closed_form(radius, clearance):
    # s·R - r = c. The facets' sagitta, R(1 - cos(π/128))·2, is 0.05 mm: six hundredths of a per cent.
    wearer = Wearer("ball", Form(shapes.sphere(60, 128)))
    found = size(piece_of(shapes.sphere(radius, 128)), wearer, clearance)
    assert found.scale == pytest.approx((60 + clearance) / radius, rel=EXACT)
    assert found.limited_by.region == "whole"


def test_off_centre_with_the_seat_fixed(ball):
    # Centre of the piece at s·e from the origin: s·R - s·e - r = c
    found = size(piece_of(shapes.sphere(80, 128, centre=(10, 0, 0))), ball, 3.0)
    assert found.scale == pytest.approx(63 / 70, rel=EXACT)
    np.testing.assert_allclose(found.pose.translation_mm, 0)


def test_off_centre_with_the_best_seat(ball):
    # Seated, the offset does not matter: s·R - r = c
    found = size(piece_of(shapes.sphere(80, 128, centre=(10, -6, 4))), ball, 3.0, "best")
    assert found.scale == pytest.approx(63 / 80, rel=EXACT)


def test_a_worn_place_far_from_the_files_origin():
    # The origin is at the feet, 1600 mm below: seated, that must not matter
    up = np.array([0.0, 0, 1600])
    wearer = Wearer("ball", Form(shapes.sphere(60, 128, centre=up)))
    found = size(piece_of(shapes.sphere(80, 128, centre=up + [3, 0, 0])), wearer, 5.0, "best")
    assert found.scale == pytest.approx(65 / 80, rel=EXACT)
    # Fixed, it is taken literally: the piece sinks as it shrinks, s·R - (1 - s)·1600 - r = c
    fixed = size(piece_of(shapes.sphere(80, 128, centre=up)), wearer, 5.0)
    assert fixed.scale == pytest.approx((1600 + 65) / 1680, rel=1e-4)


def test_ellipsoid_in_ellipsoid_in_closed_form():
    # Half-axes 50, 60, 70 in 55, 75, 80, c = 0: concentric ellipsoids touch first where the ratio is greatest,
    # s = max(50/55, 60/75, 70/80)
    wearer = Wearer("egg", Form(shapes.ellipsoid((50, 60, 70), 128)))
    found = size(piece_of(shapes.ellipsoid((55, 75, 80), 128)), wearer)
    assert found.scale == pytest.approx(50 / 55, rel=EXACT)
    assert abs(found.limited_by.at[0]) == pytest.approx(50, abs=0.5)


def test_allowances_by_region_and_what_comes_next():
    mesh = shapes.sphere(60, 128)
    up = (mesh.corners.mean(axis=1)[:, 2] > 0).astype(np.int64)
    wearer = Wearer("ball", Form(mesh, ("nape", "crown"), up), {"crown": 6.0, "nape": 2.0})
    found = size(piece_of(shapes.sphere(80, 128)), wearer, 1.0)
    assert found.scale == pytest.approx(67 / 80, rel=EXACT)
    assert found.limited_by.region == "crown"
    assert [place.region for place in found.next_limits] == ["nape"]
    assert found.margins["nape"] == pytest.approx(4.0, abs=0.1)


def test_the_range_agrees_with_monte_carlo():
    # Radius of the form normal with a 90 % half-width of 2 mm: s = r/R; 200,000 draws
    mesh = shapes.sphere(60, 128)
    wearer = Wearer("ball", Form(mesh, spread_mm={"whole": 2.0}))
    found = size(piece_of(shapes.sphere(80, 128)), wearer)
    draws = (60 + np.random.default_rng(0).normal(0, 2.0 / 1.6449, 200_000)) / 80
    np.testing.assert_allclose(found.range, np.percentile(draws, [5, 95]), atol=0.001)
    for scale, chance in found.curve:
        assert chance == pytest.approx((draws <= scale).mean(), abs=0.02)


def test_as_the_trade_has_it():
    # Common practice, no source: 207 × 246 mm inside, wearer 150 wide and 215 from nose to back: worn at 90 %.
    # Seated with 5 mm, the depth limits: (215 + 10)/246 = 0.915; the same in kind.
    wearer = Wearer("egg", Form(shapes.ellipsoid((75, 107.5, 115), 128)))
    found = size(piece_of(shapes.ellipsoid((103.5, 123, 140), 128)), wearer, 5.0, "best", Pose.of((4, 5, -6)))
    assert found.scale == pytest.approx(0.915, abs=0.004)
    assert 0.88 < found.scale < 0.93


def test_pieces_that_no_scale_fits_say_so(ball):
    plate = TriangleMesh([[-40, -40, 0], [40, -40, 0], [0, 40, 0]], [[0, 1, 2]], "plate")
    with pytest.raises(InputError, match="no scale up to 400 % fits"):
        size(piece_of(plate), ball)
    with pytest.raises(InputError, match="not around"):
        size(piece_of(shapes.box((5, 5, 5), (100, 0, 0))), Wearer("b", Form(shapes.sphere(10, 64))))
    with pytest.raises(InputError, match="not known"):
        size(piece_of(plate), ball, seat="somewhere")
