# SPDX-License-Identifier: GPL-3.0-or-later
"""A slit that springs: a limb as wide as it opens goes through, and nothing wider."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.donning import search_of
from arming_cap.core.fit.passage.donning import find_passage
from arming_cap.core.fit.passage.scale import scale_bounds
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.fit.passage.springs import slit_of, sprung
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose, rotation_about
from arming_cap.core.wearer.form import Form, Wearer
from arming_cap.errands import Draft

INNER, OUTER, HEIGHT, SLIT = 30.0, 32.0, 30.0, 36.0
QUICK = Search(decide_only=True, most_cells=60)


def slotted(inner=INNER, outer=OUTER, height=HEIGHT, slit=SLIT, narrower=0.0) -> Piece:
    """A tube about Z, slit along its back; `narrower` is how much smaller its lower end is in radius."""
    import manifold3d

    def cone(radius, end, length, low):
        return manifold3d.Manifold.cylinder(length, radius - end, radius, 128).translate((0, 0, low))

    solid = cone(outer, narrower, height, 0) - cone(inner, narrower, height + 2, -1)
    solid -= manifold3d.Manifold.cube((slit, 2 * outer, height + 2)).translate((-slit / 2, 0, -1))
    made = solid.to_mesh64()
    mesh = TriangleMesh(np.asarray(made.vert_properties)[:, :3], np.asarray(made.tri_verts, np.int64), "tube")
    return Piece("tube", (Part("tube", mesh),))


def limb(width) -> Wearer:
    """A cylinder so wide and much longer than the tube, on plates too large to be slipped over."""
    radius = width / 2 / np.cos(np.pi / 96)  # its flats are the width apart
    low, high = -66.0, HEIGHT + 66.0
    profile = [(0, low - 10), (66, low - 10), (66, low), (radius, low)]
    profile += [(radius, high), (66, high), (66, high + 10), (0, high + 10)]
    return Wearer("limb", Form(shapes.revolved(profile, 96)))


@pytest.mark.parametrize("opens", [6.0, 14.0])
@pytest.mark.parametrize("turn", [0.0, 37.0])
def test_the_slit_opens_by_what_is_stated_and_the_wall_opposite_stays(opens, turn):
    pose = Pose(rotation_about(np.array([0.0, 0.0, 1.0]), turn), np.array([5.0, -80.0, 300.0]))
    piece = slotted().moved(pose)
    opened = sprung(piece, opens).moved(pose.inverse()).mesh.vertices
    behind = opened[:, 1] > 12
    width = opened[behind & (opened[:, 0] > 0), 0].min() - opened[behind & (opened[:, 0] < 0), 0].max()
    assert width == pytest.approx(SLIT + opens, abs=0.01)
    drawn = slotted().mesh.vertices
    opposite = np.abs(drawn[:, 0]) < 2
    assert np.linalg.norm(opened[opposite] - drawn[opposite], axis=1).max() < 0.05 * opens
    # Nowhere does the wall come nearer to the axis: what lay clear at the seat does not touch as the slit opens.
    assert (np.hypot(*opened[:, :2].T) >= np.hypot(*drawn[:, :2].T) - 0.1).all()


def test_a_tube_and_a_helmet_have_no_slit():
    assert slit_of(Piece("t", (Part("t", shapes.tube(50, 53, 100)),))) is None
    assert slit_of(Piece("h", (Part("h", shapes.dome(90, 94, -50)),))) is None
    assert slit_of(slotted()) is not None


def test_of_a_tapered_piece_nothing_opens_by_more_than_is_stated():
    piece = slotted(narrower=9.0)
    before, after = piece.mesh.vertices, sprung(piece, 7.0).mesh.vertices
    moved = np.abs(after[:, 0]) - np.abs(before[:, 0])
    lips = np.isclose(np.abs(before[:, 0]), SLIT / 2) & (before[:, 1] > 6)
    low, high = before[:, 2] < 1, before[:, 2] > HEIGHT - 1
    assert 2 * moved[lips & high].min() == pytest.approx(7.0, abs=0.05)
    assert 0 < 2 * moved[lips & low].min() < 7.0


@pytest.mark.parametrize("off, passes", [(-0.5, True), (0.5, False)])
def test_a_limb_as_wide_as_the_opened_slit_passes_and_no_wider(off, passes):
    # Closed form: between lips that are SLIT + 12 apart goes a cylinder of that width, though the tube holds it.
    wearer = limb(SLIT + 12 + off)
    found = find_passage(slotted(), wearer, Pose(), replace(QUICK, springs_mm=12.0))
    assert found.passes is passes
    if passes:
        assert found.springs_mm == 12.0 and any("as stated" in word for word in found.freedoms)
        assert 0 <= found.pinch_mm <= -off / 2 + 0.05
    assert not find_passage(slotted(), wearer, Pose(), QUICK).passes


def test_what_the_tube_does_not_hold_springs_in_by_no_slit():
    # The slit opens to 76 mm, but where it is worn the tube closes round a limb that is 62.4 mm wide: it holds 60.
    found = find_passage(slotted(), limb(62.4), Pose(), replace(QUICK, springs_mm=40.0))
    assert not found.passes and found.springs_mm == 0


def test_a_piece_without_a_slit_gets_no_wider():
    narrow = Piece("helm", (Part("helm", shapes.dome(45, 47, -22.5, 48, 24)),))  # neck 39.0 mm against a ball of 40
    ball = Wearer("ball", Form(shapes.sphere(40, 48)))
    plain = find_passage(narrow, ball, Pose(), QUICK)
    asked = find_passage(narrow, ball, Pose(), replace(QUICK, springs_mm=20.0))
    assert not asked.passes and asked.pinch_mm == pytest.approx(plain.pinch_mm, abs=1e-9)
    assert any("no slit" in word for word in asked.freedoms)


def test_the_smallest_scale_opens_the_slit_by_the_same_millimetres():
    # Closed form: the tube scaled by s has lips 36 s + 12 mm apart; 51.6 mm pass from s = 1.1.
    asked = replace(QUICK, proved=False, springs_mm=12.0)
    found = scale_bounds(slotted(), limb(51.6), lambda _: Pose(), asked, span=(1.085, 1.115), within=0.05)
    assert 1.085 <= found.fails < 1.1 < found.passes <= 1.115


def test_the_panels_number_comes_to_the_search():
    limits = Draft("Scene", (), {}, "fixed", 0.0, 25.0, None, (), springs_mm=12.0).job().limits
    assert search_of(limits).springs_mm == 12.0
