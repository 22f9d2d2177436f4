# SPDX-License-Identifier: GPL-3.0-or-later
"""Sight is one of the checks: of helmets by itself, of anything else where it is asked for."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.fit import check_fit
from arming_cap.core.checks.job import CHECKS, Fitting, Limits
from arming_cap.core.fit.sight import eyes_of, judge_sight, look_out
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer
from arming_cap.core.wearer.recognise import form_of

ONLY = Limits(checks=("placement", "sight"))


@pytest.fixture(scope="module")
def wearer():
    return Wearer("Ilse", form_of(shapes.body("a")))


def hood(wearer, open_in_front):
    """A sphere of 200 mm about the eyes: a closed shell, or its inside alone with the front half open."""
    middle = sum(eyes_of(wearer.form)) / 2
    ball, outer = shapes.sphere(200.0, 40), shapes.sphere(203.0, 40)
    mesh = TriangleMesh(ball.vertices + middle, ball.triangles, "hood")
    if not open_in_front:
        inner = TriangleMesh(mesh.vertices, mesh.triangles[:, ::-1], "inside")
        mesh = joined([TriangleMesh(outer.vertices + middle, outer.triangles, "hood"), inner], "hood")
    else:
        mesh = mesh.submesh(np.flatnonzero((mesh.corners[:, :, 1] > middle[1] - 10.0).all(axis=1)))
    return Piece("Hood", (Part("hood", mesh),))


@pytest.mark.parametrize(("open_in_front", "status"), [(True, Status.PASS), (False, Status.FAIL)])
def test_the_verdict_is_that_of_the_verb(wearer, open_in_front, status):
    piece = hood(wearer, open_in_front)
    fit = check_fit(Fitting(piece, wearer), ONLY)
    alone = judge_sight(look_out(piece, *eyes_of(wearer.form), wearer.form))
    (verdict,) = (v for v in fit.verdicts if v.check == "sight")
    assert verdict.status is alone.status is status and verdict.number == alone.number


def test_a_bracer_is_not_looked_out_of(wearer):
    band = shapes.tube(60.0, 63.0, 40.0, 48)
    low = TriangleMesh(band.vertices + [0, 0, 800.0], band.triangles, "band")
    piece = Piece("Band", (Part("band", low),))
    limits = Limits(checks=CHECKS)
    from arming_cap.core.checks import fit as checks

    assert not checks._is_looked_out_of(piece, Fitting(piece, wearer)) and limits.checks == CHECKS
    assert checks._is_looked_out_of(piece := hood(wearer, True), Fitting(piece, wearer))


def test_asked_of_a_form_without_eyes_it_is_not_checked():
    ball = Wearer("Ball", Form(shapes.sphere(90.0, 32)))
    tube = shapes.tube(110.0, 113.0, 60.0, 64)
    piece = Piece("Band", (Part("band", tube.moved(Pose.of((0, 0, -30.0)))),))
    fit = check_fit(Fitting(piece, ball), ONLY)
    assert [v.status for v in fit.verdicts if v.check == "sight"] == [Status.NOT_CHECKED]
