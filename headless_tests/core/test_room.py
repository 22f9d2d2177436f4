# SPDX-License-Identifier: GPL-3.0-or-later
"""The room of a section: right in a soup, or withheld with the reason."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, FillRule, Manifold

from arming_cap.core.geometry.foils import foils
from arming_cap.core.geometry.room import Walls
from arming_cap.core.geometry.section import cut
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.pose import Pose

Z = (0.0, 0.0, 1.0)
SHELL = shapes.revolved([(96, z) for z in range(200, -1, -10)] + [(100, z) for z in range(0, 201, 10)] + [(96, 200)])


def at(mesh, height=103.0, wearer=None):
    return cut(mesh, Z, [height], wearer=wearer)[0]


def around(solid, radius, count, turned_deg=5.0):
    """Copies of a solid set round the axis at half the shell's height."""
    angles = np.linspace(0, 360, count, endpoint=False)
    place = [(radius * np.cos(np.radians(a)), radius * np.sin(np.radians(a)), 100) for a in angles]
    return joined([solid.moved(Pose.of(p, (0, 0, a + turned_deg))) for p, a in zip(place, angles)])


CROSSED = joined([SHELL, around(shapes.box((14, 20, 190)), 98, 30)])


def without(mesh, share, seed, flipped=0.3):
    """A mesh with a share of its faces missing and another flipped."""
    rng = np.random.default_rng(seed)
    triangles = mesh.triangles[rng.random(len(mesh)) >= share]
    turn = rng.random(len(triangles)) < flipped
    return TriangleMesh(mesh.vertices, np.where(turn[:, None], triangles[:, ::-1], triangles), "soup")


def test_the_room_of_a_lined_shell_is_the_liners():
    liner = shapes.tube(90, 94, 180).moved(Pose.of((0, 0, 10)))
    bare = shapes.revolved([(90, 10), (90, 190)])
    for lined in (joined([SHELL, liner]), joined([SHELL, bare]), joined([liner, SHELL])):
        assert at(lined).inner_width_mm == pytest.approx(180, abs=1e-3)
        assert at(lined, 196).inner_width_mm == pytest.approx(192, abs=1e-3)


def test_material_is_where_outlines_are_however_they_run():
    # Referee: shapely's polygon of the axis, in the plane that all outlines' lines cut up.
    section = at(CROSSED)
    lines = [shapely.LinearRing(loop.points[:, :2]) for loop in section.loops]
    faces = shapely.polygonize([shapely.unary_union(lines)])
    (face,) = [f for f in faces.geoms if f.contains(shapely.Point(0, 0))]
    low_x, low_y, high_x, high_y = face.bounds
    assert section.inner_width_mm == pytest.approx(high_x - low_x, abs=1e-3)
    assert section.inner_depth_mm == pytest.approx(high_y - low_y, abs=1e-3)
    assert section.room.area_mm2 == pytest.approx(face.area, rel=1e-5)
    assert section.inner_girth_mm == pytest.approx(face.length, rel=1e-5)
    flipped = at(without(CROSSED, 0.0, 1))
    assert flipped.inner_width_mm == pytest.approx(section.inner_width_mm, abs=1e-6)
    twice = at(joined([CROSSED, CROSSED.submesh(np.arange(len(CROSSED)) % 3 == 0)]))
    assert twice.inner_width_mm == pytest.approx(section.inner_width_mm, abs=1e-3)


@pytest.mark.parametrize("share", [0.005, 0.02, 0.05, 0.15])
def test_a_soup_with_missing_faces_gives_the_inner_width_or_none_with_the_reason(share):
    true = at(CROSSED).inner_width_mm
    given = 0
    for seed in range(12):
        section = at(without(CROSSED, share, seed))
        if section.room is None:
            assert any("torn" in remark for remark in section.remarks)
        else:
            given += 1
            assert section.inner_width_mm == pytest.approx(true, abs=0.3)
    assert given >= (10 if share == 0.005 else 0)


def test_lines_whose_ends_overlap_by_a_hair_are_one_wall():
    # The inner skin in six arcs, each 0.01 mm too long at either end: its ends lie on its neighbours.
    turns = [np.linspace(a - 1e-4, a + np.pi / 3 + 1e-4, 40) for a in np.arange(6) * np.pi / 3]
    skins = [(100, np.linspace(0, 2 * np.pi, 240)), *((96, t) for t in turns)]
    walls = Walls(
        [r * np.column_stack([np.cos(t), np.sin(t)]) for r, t in skins], np.zeros(7, bool), is_foil=lambda _: True
    )
    region = walls.room([])
    assert np.ptp(region.contour[:, 0]) == pytest.approx(192, abs=0.01)
    assert walls.doubt(region) == ""


def test_a_wall_of_loose_triangles_has_no_room_and_says_why():
    # Each triangle's corners moved by themselves, farther than a crack is wide.
    corners = SHELL.corners.reshape(-1, 3)
    moved = corners + np.random.default_rng(2).uniform(-0.2, 0.2, corners.shape)
    section = at(TriangleMesh(moved, np.arange(len(moved)).reshape(-1, 3)), wearer=WEARER)
    assert section.room is None
    assert "loose lines" in section.remarks[0]


def test_a_wall_with_small_tears_keeps_its_room_and_says_so():
    for seed in range(8):
        section = at(without(SHELL, 0.02, seed))
        assert section.inner_width_mm == pytest.approx(192, abs=0.1)
        if not all(loop.closed for loop in section.loops):
            assert any("taken as closed" in remark for remark in section.remarks)


def test_a_large_hole_in_the_inner_skin_does_not_make_the_wall_room():
    middle = SHELL.corners.mean(axis=1)
    inner = np.abs(np.hypot(middle[:, 0], middle[:, 1]) - 96) < 1
    holed = SHELL.submesh(~(inner & (middle[:, 1] > 90) & (np.abs(middle[:, 2] - 100) < 30)))
    section = at(holed)
    assert 180 < section.inner_depth_mm <= 192 and section.inner_width_mm == pytest.approx(192, abs=1e-3)
    assert any("bridged" in remark for remark in section.remarks)


def test_horns_and_rivets_that_reach_in_count():
    horns = joined([SHELL, shapes.box((60, 20, 20), (100, 0, 100)), shapes.box((60, 20, 20), (-100, 0, 100))])
    section = at(horns)
    plain = at(SHELL)
    assert section.room.straight_mm[0] == pytest.approx(140, abs=1e-3)
    assert section.inner_width_mm < plain.inner_width_mm - 0.9
    # What lies inside: from the chord at x = 70 to the wall, 20 mm wide.
    assert plain.room.area_mm2 - section.room.area_mm2 == pytest.approx(2 * 20 * (96 - 70), rel=0.02)
    assert any("reaches in" in remark and "140.0 mm wide" in remark for remark in section.remarks)
    rivets = at(joined([SHELL, around(shapes.box((16, 4, 4)), 98, 12, 0.0)]), 100)
    assert rivets.room.straight_mm == pytest.approx((180, 180), abs=1e-3)


def test_a_mouth_is_the_closest_distance_of_its_lips():
    # Beads of radius 6 on the lips, at 82 mm from the axis and 30 degrees off the front: 82 - 12 = 70 mm apart.
    lip = 82 * np.array([np.sin(np.radians(30)), -np.cos(np.radians(30))])
    beads = [shapes.tube(0.001, 6, 100, 64).moved(Pose.of((side * lip[0], lip[1], 0))) for side in (1, -1)]
    assert at(joined([shapes.c_shape(), *beads]), 50).room.mouths_mm == pytest.approx((70.0,), abs=0.05)
    # A slot of 50 mm between inner corners in a wall of 4: 54 and more between the outer ones.
    half = float(np.degrees(np.arcsin(25 / 40)))
    narrow = at(shapes.c_shape(40, 46, half), 50).room
    assert narrow.mouths_mm == pytest.approx((50.0,), abs=1e-3)
    assert np.linalg.norm(narrow.lips[0][1] - narrow.lips[0][0]) == pytest.approx(50 * 46 / 40, abs=1e-3)
    # Less than half a circle: the lips flare, and are nearest at their inner corners.
    for half in (90.0, 100.0):
        assert at(shapes.c_shape(half_gap_deg=half), 50).room.mouths_mm[0] == pytest.approx(
            160 * np.sin(np.radians(half)), abs=0.1
        )


@pytest.mark.parametrize("slant_mm", [-2.0, -0.02, 0.0, 0.02, 2.0])
def test_the_ends_of_a_half_round_wall_are_not_room_whichever_way_they_slant(slant_mm):
    # Half a tube of 80 mm inside: 160 wide. Its ends slant, the outer corner before or behind the inner one.
    angle = np.linspace(0, np.pi, 181)
    inner, outer = (np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1) for r in (80.0, 84.0))
    outer[[0, -1], 1] -= slant_mm
    half = Manifold.extrude(CrossSection([np.concatenate([outer, inner[::-1]])], FillRule.EvenOdd), 50.0).to_mesh()
    section = at(TriangleMesh(np.asarray(half.vert_properties, float)[:, :3], np.asarray(half.tri_verts), "half"), 25.0)
    assert section.inner_width_mm == pytest.approx(160, abs=0.01)
    assert section.room.mouths_mm[0] == pytest.approx(160, abs=0.01)


def test_what_stands_out_does_not_widen_an_open_room():
    plain = at(shapes.c_shape(), 50)
    for horns in ([(170, 0, 50), (200, 20, 20)], [(90, -70, 50), (20, 200, 20)]):
        (x, y, z), size = horns
        section = at(joined([shapes.c_shape(), shapes.box(size, (x, y, z)), shapes.box(size, (-x, y, z))]), 50)
        assert section.inner_width_mm <= plain.inner_width_mm + 1e-3
        assert section.inner_depth_mm == pytest.approx(plain.inner_depth_mm, abs=4.0)
        assert section.room.mouths_mm == pytest.approx((80.0,), abs=0.1)


def test_the_wearer_says_which_room_is_meant():
    left, right = shapes.tube(40, 44, 100), shapes.tube(60, 64, 100).moved(Pose.of((150, 0, 0)))
    pair = joined([left, right])
    leg = shapes.tube(0.001, 30, 300).moved(Pose.of((5, 0, -100)))
    assert at(pair, 50).inner_width_mm == pytest.approx(120, abs=1e-3)
    assert at(pair, 50, leg).inner_width_mm == pytest.approx(80, abs=1e-3)
    other = leg.moved(Pose.of((150, 0, 0)))
    assert at(pair, 50, joined([leg.moved(Pose.of((900, 0, 0))), other])).inner_width_mm == pytest.approx(120, abs=1e-3)


def test_solids_hold_no_room_however_dirty():
    body, crown = shapes.body("a"), shapes.dome(100, 104, -60)
    assert at(body, 1300).room is None and at(joined([body, body]), 1300).room is None
    middle = crown.corners.mean(axis=1)
    holed = crown.submesh(~((middle[:, 2] > 0) & (np.hypot(middle[:, 0] - 60, middle[:, 1]) < 20)))
    for mesh in (crown, holed, without(crown, 0.0, 3)):
        assert at(mesh, 102).room is None
    assert not foils(crown).any() and not foils(holed).any() and not foils(body).any()
    assert foils(shapes.revolved([(80, 0), (80, 100)])).all()


def test_the_room_is_the_same_far_from_the_origin():
    far = TriangleMesh(CROSSED.vertices + [1e5, -1e5, 1e5], CROSSED.triangles)
    assert at(far, 1e5 + 103).inner_width_mm == pytest.approx(at(CROSSED).inner_width_mm, abs=1e-3)


solid_in_room = st.tuples(*[st.floats(-110, 110)] * 2, *[st.floats(2, 60)] * 2, st.floats(0, 180))
WEARER = shapes.tube(0.001, 10, 400).moved(Pose.of((0, 0, -100)))


@settings(max_examples=40, deadline=None)
@given(st.lists(solid_in_room, max_size=4), solid_in_room)
def test_the_room_never_grows_when_material_is_added(solids, one):
    def boxed(some):
        return [shapes.box((w, d, 50)).moved(Pose.of((x, y, 100), (0, 0, turn))) for x, y, w, d, turn in some]

    def free_of_the_axis(box):
        return np.hypot(*box.vertices[:, :2].T).min() > 0 and not _holds_axis(box)

    kept = [b for b in boxed(solids) if free_of_the_axis(b)]
    extra = [b for b in boxed([one]) if free_of_the_axis(b)]
    before, after = (at(joined([SHELL, *some]), wearer=WEARER).room for some in (kept, kept + extra))
    assert after.area_mm2 <= before.area_mm2 + 1e-2
    assert after.width_mm <= before.width_mm + 1e-3 and after.depth_mm <= before.depth_mm + 1e-3


def _holds_axis(box):
    loop = at(box, 100.0).loops[0].points[:, :2]
    return shapely.Polygon(loop).contains(shapely.Point(0, 0))


@settings(max_examples=15, deadline=None)
@given(
    st.tuples(*[st.floats(-180, 180)] * 3), st.tuples(*[st.floats(-900, 900)] * 3), st.floats(0.1, 20), st.integers()
)
def test_motion_scale_and_order_change_no_room(angles, shift, scale, seed):
    pose = Pose.of(shift, angles)
    order = np.random.default_rng(abs(seed)).permutation(len(CROSSED))
    mesh = TriangleMesh(CROSSED.vertices * scale, CROSSED.triangles[order]).moved(pose)
    normal = pose.rotation @ np.array(Z)
    there = cut(mesh, normal, [103.0 * scale + normal @ pose.translation_mm])[0].room
    here = at(CROSSED).room
    assert there.girth_mm == pytest.approx(scale * here.girth_mm, rel=1e-5)
    assert there.area_mm2 == pytest.approx(scale**2 * here.area_mm2, rel=1e-5)


def test_girths_converge_under_refinement():
    # A regular n-gon's girth falls short by (pi/n)²/6: four times less at each doubling.
    girths = [at(shapes.tube(90, 94, 200, n)).inner_girth_mm for n in (24, 48, 96, 192)]
    short = 2 * np.pi * 90 - np.array(girths)
    assert (short > 0).all() and short[:-1] / short[1:] == pytest.approx(4, rel=0.02)


def test_a_bowl_that_tapers_has_its_mouth_at_its_rim():
    # A wedge of two walls, 160 mm apart at the rim and nearer all the way in, with a slot that splits its outline.
    line = np.array([[-80.0, 0.0], [-40.0, 90.0], [40.0, 90.0], [80.0, 0.0]])
    inner = np.concatenate([line[:2], [[-45, 90], [-45, 94]], [[-84, 0]]])
    other = inner * (-1, 1)
    import manifold3d

    shapes_ = manifold3d.CrossSection([inner[::-1], other], manifold3d.FillRule.NonZero)
    front = manifold3d.CrossSection([[(-30, 88), (30, 88), (30, 94), (-30, 94)]])
    solid = manifold3d.Manifold.extrude(shapes_ + front, 50).to_mesh64()
    bowl = TriangleMesh(np.asarray(solid.vert_properties)[:, :3], np.asarray(solid.tri_verts), "bowl")
    room = at(bowl, 25).room
    assert max(room.mouths_mm) == pytest.approx(160, abs=1.0)
