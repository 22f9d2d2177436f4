# SPDX-License-Identifier: GPL-3.0-or-later
"""Odd sizes are told with the factor that would make them likely; another way of drawing is turned to ours."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.errors import InputError
from arming_cap.core.piece import AXES, as_worn
from arming_cap.core.wearer.form import Form
from arming_cap.core.wearer.oddsize import odd_form, odd_piece


def helm(largest: float):
    return shapes.box((0.8 * largest, 0.95 * largest, largest))


def head() -> Form:
    mesh = shapes.ellipsoid((75, 98, 110), 48)
    up = (mesh.corners.mean(axis=1)[:, 2] > 0).astype(np.int64)
    return Form(mesh, ("nape", "crown"), up)


@pytest.mark.parametrize(
    ("largest", "words"),
    [
        (24, "in centimetres it would be 240 mm (--piece-units cm"),
        (0.24, "in metres it would be 240 mm (--piece-units m"),
        (9.5, "in inches it would be 241 mm (--piece-units in"),
        (2400, "0.1 times as large it would be 240 mm"),
        (9500, "0.03937 times as large it would be 374 mm"),
    ],
)
def test_the_factor_that_would_make_it_likely_is_named(largest, words):
    (line,) = odd_piece(helm(largest), "helm", head())
    assert words in line and "\n" not in line
    assert len(odd_piece(helm(largest), "helm")) == 1
    (stated,) = odd_piece(helm(largest), "helm", head(), stated=True)
    assert "--piece-units" not in stated and "times as large" in stated


def test_a_helm_half_as_large_as_the_head_is_odd_beside_it_and_a_likely_one_is_not():
    assert "118 mm beside a head of 196 mm" in odd_piece(helm(118), "helm", head())[0]
    for largest in (150, 250, 700):
        assert not odd_piece(helm(largest), "helm", head())
    # A cuff on a whole arm, by the arm's middle extent
    arm = Form(shapes.ellipsoid((45, 50, 350), 48))
    assert not odd_piece(helm(70), "cuff", arm) and odd_piece(helm(7), "cuff", arm)


def test_a_body_of_ten_metres_or_thirty_millimetres_is_odd():
    assert "0.03937 times as large it would be 390 mm" in odd_form(helm(9900), "head.ply")[0]
    assert "in centimetres it would be 300 mm (--wearer-units cm" in odd_form(helm(30), "head.ply")[0]
    assert not odd_form(helm(1850), "body.ply") and not odd_form(helm(260), "head.ply")


@pytest.mark.parametrize("face", AXES)
@pytest.mark.parametrize("up", AXES)
def test_face_and_top_come_to_ours(face, up):
    axis = {name: np.eye(3)["xyz".index(name[-1])] * (-1 if name[0] == "-" else 1) for name in AXES}
    if face[-1] == up[-1]:
        with pytest.raises(InputError, match="cannot face"):
            as_worn(face, up)
        return
    turned = as_worn(face, up)
    np.testing.assert_allclose(turned.apply(axis[face][None])[0], (0, -1, 0), atol=1e-12)
    np.testing.assert_allclose(turned.apply(axis[up][None])[0], (0, 0, 1), atol=1e-12)
    assert np.linalg.det(turned.rotation) == pytest.approx(1)
