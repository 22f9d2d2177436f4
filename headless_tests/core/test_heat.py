# SPDX-License-Identifier: GPL-3.0-or-later
"""Margins at every vertex against spheres in closed form, and against the clearance's own minimum."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.distance.clearance import measure
from arming_cap.core.distance.heat import heat
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Form, Wearer


def ball(allowance=None) -> Wearer:
    mesh = shapes.sphere(60, 64)
    up = (mesh.corners.mean(axis=1)[:, 2] > 0).astype(np.int64)
    return Wearer("ball", Form(mesh, ("nape", "crown"), up), allowance or {})


def test_both_bodies_have_the_margin_of_spheres_in_closed_form():
    wearer = ball({"crown": 4.0, "nape": 1.0})
    shell, off = shapes.sphere(80, 64), np.array([5.0, 0, 0])
    piece = Piece("two", (Part("a", shell), Part("b", shapes.sphere(250, 32))))
    found = heat(piece, wearer, Pose.of(off), 0.95)
    # A point of the piece: its distance from the ball's middle less 60; of the ball: along the radius to the shell
    at = 0.95 * shell.vertices + off
    need = np.where(at[:, 2] > 0, 4.0, 1.0)
    clear = np.abs(at[:, 2]) > 3  # the border of two regions is a convention
    np.testing.assert_allclose(found.parts["a"][clear], (np.linalg.norm(at, axis=1) - 60 - need)[clear], atol=0.2)
    v = wearer.form.mesh.vertices
    need = np.where(v[:, 2] > 0, 4.0, 1.0)
    clear = np.abs(v[:, 2]) > 3
    np.testing.assert_allclose(found.form[clear], (0.95 * 80 - np.linalg.norm(v - off, axis=1) - need)[clear], atol=0.2)
    assert np.isnan(found.parts["b"]).all()


def test_a_piece_under_the_skin_is_negative_on_both_and_the_least_is_the_clearances():
    wearer = ball()
    piece = Piece("shell", (Part("a", shapes.sphere(58, 64)),))
    found = heat(piece, wearer)
    assert found.form.max() < 0 and found.parts["a"].max() < 0
    loose = Piece("shell", (Part("a", shapes.sphere(70, 64, centre=(0, 3, 0))),))
    assert np.nanmin(heat(loose, wearer).parts["a"]) == pytest.approx(measure(loose, wearer).margin_mm, abs=0.1)


def test_orientation_of_the_form_does_not_matter():
    wearer = ball()
    mesh = wearer.form.mesh
    turned = Wearer("b", Form(TriangleMesh(mesh.vertices, mesh.triangles[:, ::-1])))
    piece = Piece("shell", (Part("a", shapes.sphere(70, 48)),))
    np.testing.assert_allclose(heat(piece, turned).form, heat(piece, wearer).form, atol=1e-9)


def test_a_nose_in_a_face_opening_has_room_and_is_not_under_the_skin():
    """A peg on a ball stands out of a hole: the nearest rim lies beside it, behind the peg's skin and outside the body.

    The peg of radius 10 stands in the middle of a hole of radius 20 in a plate: each of its sides is 10 mm away.
    """
    peg = shapes.revolved([(0.0, -40.0), (10.0, -40.0), (10.0, 40.0), (0.0, 40.0)], 64)
    plate = shapes.tube(20.0, 60.0, 4.0, 64)
    plate = TriangleMesh(plate.vertices - [0, 0, 2.0], plate.triangles)
    wearer = Wearer("peg", Form(peg))
    found = heat(Piece("plate", (Part("a", plate),)), wearer)
    assert np.nanmin(found.form) > 9.9
    tip = np.abs(peg.vertices[:, 2]) > 39.0
    # From the tip's edge to the rim: 10 mm aside and 38 mm down; that way is behind the tip's own plane.
    edge = tip & (np.linalg.norm(peg.vertices[:, :2], axis=1) > 9.0)
    np.testing.assert_allclose(found.form[edge], np.hypot(10.0, 38.0), atol=0.2)
