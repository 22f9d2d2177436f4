# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections against closed forms, against trimesh and manifold3d, and on meshes that nobody would print."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import shapes
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from arming_cap.core.errors import InputError
from arming_cap.core.geometry.lips import unpinched
from arming_cap.core.geometry.plane import signed_area
from arming_cap.core.geometry.section import cut, plane_axes, wall_thickness
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.pose import Pose

Z = (0.0, 0.0, 1.0)
# A regular n-gon in a circle is short of its girth by the factor sin(x)/x, x = pi/n.
SEGMENTS = 96
CHORDS = np.sin(np.pi / SEGMENTS) / (np.pi / SEGMENTS)


def one(mesh, normal=Z, offset=0.0):
    return cut(mesh, normal, [offset])[0]


@pytest.mark.parametrize("height", [-1.0, -0.5, 0.0, 1e-13, 0.3, 1.0])
def test_box_gives_its_outline_at_every_height_floor_and_lid_included(height):
    section = one(shapes.box((3, 5, 2)), Z, height)
    assert [(loop.role, loop.closed) for loop in section.loops] == [("outer", True)]
    loop = section.loops[0]
    assert loop.girth_mm == pytest.approx(16) and loop.area_mm2 == pytest.approx(15)
    assert (loop.width_mm, loop.depth_mm) == pytest.approx((3, 5))
    assert section.inner_width_mm is None and section.inner_depth_mm is None


def test_a_plane_through_vertices_only_cuts_the_diagonal_of_a_box():
    section = one(shapes.box(), (1, 1, 0), 0.0)
    assert len(section.loops) == 1 and section.loops[0].closed
    assert section.loops[0].area_mm2 == pytest.approx(2 * 2 * np.sqrt(2))
    # A plane that meets one corner or one edge from outside cuts nothing off.
    assert one(shapes.box(), (1, 1, 1), 3.0).loops == ()
    assert one(shapes.box(), (1, 1, 0), 2.0).loops == ()
    assert one(shapes.box(), Z, 1.1).loops == ()


def test_rotated_box_cut_in_its_lid():
    pose = Pose.of((3, -7, 11), (31, 17, -23))
    normal = pose.rotation @ np.array([0, 0, 1.0])
    mesh = shapes.box((4, 4, 4)).moved(pose)
    for height in (-2.0, 2.0):
        section = one(mesh, normal, height + normal @ pose.translation_mm)
        assert [loop.area_mm2 for loop in section.loops] == pytest.approx([16])


def test_sphere_and_tube_against_the_circle():
    loop = one(shapes.sphere(100, SEGMENTS), Z, 0.0).loops[0]
    assert loop.girth_mm == pytest.approx(2 * np.pi * 100 * CHORDS, abs=1e-9)
    section = one(shapes.tube(90, 94, 100, SEGMENTS), Z, 50)
    assert [loop.role for loop in section.loops] == ["outer", "inner"]
    assert section.inner_width_mm == pytest.approx(180) and section.inner_depth_mm == pytest.approx(180)
    assert section.inner_girth_mm == pytest.approx(2 * np.pi * 90 * CHORDS)
    outer, inner = wall_thickness(section)
    # The chord's middle lies at r cos(pi / n): between parallel chords the wall is thinner by that factor.
    assert np.allclose(outer, 4 * np.cos(np.pi / SEGMENTS)) and np.allclose(inner, 4 * np.cos(np.pi / SEGMENTS))


def test_torus_lying_and_standing():
    profile_t = np.linspace(0, 2 * np.pi, 65)
    profile = np.stack([100 + 20 * np.cos(profile_t), 20 * np.sin(profile_t)], axis=1)
    profile[-1] = profile[0]
    torus = shapes.revolved(profile, 128)
    lying = one(torus, Z, 0.0)
    assert [loop.width_mm for loop in lying.loops] == pytest.approx([240, 160])
    standing = one(torus, (1, 0, 0), 0.0)
    assert [loop.role for loop in standing.loops] == ["outer", "outer"]
    assert [loop.depth_mm for loop in standing.loops] == pytest.approx([40, 40])


def test_ellipse_girth_against_ramanujan():
    # Ramanujan 1914, second formula; head length 200 and breadth 155 as in the worked example: 559.8750 mm.
    a, b = 100.0, 77.5
    h = ((a - b) / (a + b)) ** 2
    ramanujan = np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    assert ramanujan == pytest.approx(559.8750, abs=5e-5)
    loop = one(shapes.ellipsoid((b, a, 120), 2048 // 2), Z, 0.0).loops[0]
    assert loop.girth_mm == pytest.approx(ramanujan, abs=0.01)


def test_helmet_of_207_by_246_inside():
    # Common practice, no source: a helmet 207 mm wide and 246 mm deep inside. Not wall to wall (215 by 254).
    inner, outer = shapes.ellipsoid((103.5, 123, 140), 256), shapes.ellipsoid((107.5, 127, 144), 256)
    helmet = joined([outer, TriangleMesh(inner.vertices, inner.triangles[:, ::-1])])
    section = one(helmet, Z, 0.0)
    assert section.inner_width_mm == pytest.approx(207) and section.inner_depth_mm == pytest.approx(246)
    assert one(helmet, (0, 0, 5), 0.0).inner_width_mm == pytest.approx(207)


def test_inside_of_a_c_shaped_wall():
    section = one(shapes.c_shape(), Z, 50)
    assert [(loop.role, loop.closed) for loop in section.loops] == [("outer", True)]
    assert section.inner_width_mm == pytest.approx(160, abs=0.1)
    # From the back of the inside to the line across the outer lips.
    assert section.inner_depth_mm == pytest.approx(80 + 84 * np.cos(np.radians(30)), abs=0.1)
    assert section.room.mouths_mm == pytest.approx((80.0,), abs=0.1)  # between the inner corners, 2 r sin 30


def test_inside_between_two_half_walls_and_of_surfaces_without_thickness():
    half = shapes.c_shape(half_gap_deg=95.0, segments=60)
    other = half.moved(Pose.of(rotation_deg=(0, 0, 180)))
    section = one(joined([half, other]), Z, 50)
    assert len(section.loops) == 2
    assert section.inner_depth_mm == pytest.approx(160, abs=0.2)
    assert len(section.room.mouths_mm) == 2

    foil = shapes.revolved([(80, 0), (80, 100)], 180)
    section = one(foil, Z, 50)
    assert section.loops[0].closed and section.inner_width_mm == pytest.approx(160, abs=1e-3)
    middle = foil.corners.mean(axis=1)
    slit = foil.submesh(middle[:, 1] > -60)
    section = one(slit, Z, 50)
    assert len(section.loops) == 1 and not section.loops[0].closed
    assert section.inner_width_mm == pytest.approx(160, abs=1e-2)


def test_no_inside_in_solids_but_in_a_small_void():
    assert one(shapes.body("a"), Z, 1300.0).inner_width_mm is None
    assert one(shapes.dome(100, 104, -60), Z, 102).inner_width_mm is None
    section = one(shapes.tube(5, 60, 40), Z, 20)
    assert section.inner_width_mm == pytest.approx(10)


@pytest.mark.parametrize("letter", ["a", "b", "c"])
def test_bodies_against_trimesh_and_manifold(letter):
    mesh = shapes.body(letter)
    referee = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    solid = manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.copy(), mesh.triangles.astype(np.uint64)))
    heights = mesh.bounds[0, 2] + np.ptp(mesh.bounds[:, 2]) * np.array([0.2, 0.61, 0.88, 0.93, 0.97])
    for height, section in zip(heights, cut(mesh, Z, heights)):
        path = referee.section(plane_normal=Z, plane_origin=(0, 0, height))
        assert sum(loop.girth_mm for loop in section.loops) == pytest.approx(path.length, abs=0.01)
        if solid.status() == manifold3d.Error.NoError:
            area = sum(loop.area_mm2 * (1 if loop.role == "outer" else -1) for loop in section.loops)
            assert area == pytest.approx(solid.slice(float(height)).area(), rel=1e-4)


@given(
    st.tuples(*[st.floats(-180, 180)] * 3),
    st.tuples(*[st.floats(-500, 500)] * 3),
    st.floats(-0.99, 0.99),
)
def test_a_rigid_motion_of_mesh_and_plane_changes_no_measure(angles, shift, share):
    mesh = joined([shapes.tube(30, 33, 80, 24), shapes.box((5, 6, 7), (100, 0, 0))])
    pose = Pose.of(shift, angles)
    normal = np.array([0.2, -0.3, 0.9])
    normal /= np.linalg.norm(normal)
    here = one(mesh, normal, 30 * share)
    turned = pose.rotation @ normal
    there = one(mesh.moved(pose), turned, 30 * share + turned @ pose.translation_mm)
    assert [loop.role for loop in here.loops] == [loop.role for loop in there.loops]
    for a, b in zip(here.loops, there.loops):
        assert a.closed and b.closed
        assert b.girth_mm == pytest.approx(a.girth_mm, abs=1e-6)
        assert b.area_mm2 == pytest.approx(a.area_mm2, abs=1e-5)


@given(st.lists(st.integers(0, 200), min_size=3, max_size=3, unique=True), st.integers(0, 3))
def test_planes_through_any_three_vertices_of_a_closed_mesh_give_closed_loops(rows, shape):
    mesh = [
        shapes.tube(30, 33, 80, 24),
        shapes.box(),
        shapes.sphere(20, 24),
        shapes.tube(10, 12, 5, 64),
    ][shape]
    a, b, c = mesh.vertices[np.array(rows) % len(mesh.vertices)]
    normal = np.cross(b - a, c - a)
    if np.linalg.norm(normal) < 1e-6:
        return
    section = one(mesh, normal, float(normal @ a))
    assert all(loop.closed for loop in section.loops)
    for loop in section.loops:
        # Area from the loop's 3D points, independent of the axes: half the summed cross products.
        p = loop.points - loop.points[0]
        area = 0.5 * np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0) @ section.normal
        assert area == pytest.approx(loop.area_mm2 * (1 if loop.role == "outer" else -1), abs=1e-6)
        assert np.allclose(loop.points @ section.normal, section.offset, atol=1e-7)


@given(st.integers(1, 5), st.floats(0.5, 39.5))
def test_nested_tubes_alternate(count, height):
    tubes = joined([shapes.tube(10 + 10 * i, 14 + 10 * i, 40, 32) for i in range(count)])
    roles = [loop.role for loop in one(tubes, Z, height).loops]
    assert roles == ["outer", "inner"] * count


def soup(mesh):
    return TriangleMesh(mesh.corners.reshape(-1, 3), np.arange(3 * len(mesh)).reshape(-1, 3))


@pytest.mark.parametrize("height", [0.0, 17.3, 50.0, 100.0])
def test_dirty_meshes_give_the_clean_answer(height):
    clean = shapes.tube(90, 94, 100)
    want = [(loop.role, loop.girth_mm) for loop in one(clean, Z, height).loops]
    flipped = clean.triangles.copy()
    flipped[::3] = flipped[::3, ::-1]
    sliver = np.array([[0, 0, 1], [5, 5, 9]])
    dirty = {
        "unwelded": soup(clean),
        "flipped": TriangleMesh(clean.vertices, flipped),
        "duplicate": joined([clean, clean]).welded(),
        "duplicate unwelded": soup(joined([clean, clean])),
        "both sides": TriangleMesh(clean.vertices, np.concatenate([clean.triangles, clean.triangles[:, ::-1]])),
        "some twice": TriangleMesh(clean.vertices, np.concatenate([clean.triangles, clean.triangles[::7]])),
        "zero area": TriangleMesh(clean.vertices, np.concatenate([clean.triangles, sliver])),
    }
    for name, mesh in dirty.items():
        section = one(mesh, Z, height)
        assert [(x.role, pytest.approx(x.girth_mm, abs=1e-6)) for x in section.loops] == want, name
        assert all(x.closed for x in section.loops), name


def test_open_and_non_manifold_meshes():
    clean = shapes.tube(90, 94, 100)
    torn = clean.submesh(np.arange(len(clean)) != 40)
    for height in (30.0, 60.0):
        assert sum(not loop.closed for loop in one(torn, Z, height).loops) <= 1
    # Two boxes that share an edge keep a loop each; a fin on a box is an open line.
    pair = joined([shapes.box(), shapes.box(centre=(2, 2, 0))]).welded()
    assert [(x.closed, x.area_mm2) for x in one(pair, Z, 0.1).loops] == [(True, pytest.approx(4))] * 2
    fin = TriangleMesh([[1, 1, -1], [1, 1, 1], [3, 3, 0]], [[0, 1, 2]])
    loops = one(joined([shapes.box(), fin]).welded(), Z, 0.1).loops
    assert [loop.closed for loop in loops] == [True, False]
    # Solids that run through one another: each loop stays what it is.
    crossed = joined([shapes.box(), shapes.box(centre=(1, 0.5, 0))])
    assert [loop.role for loop in one(crossed, Z, 0.1).loops] == ["outer", "outer"]


@given(st.integers(0, 10_000))
def test_random_soup_never_fails_and_loses_no_length(seed):
    rng = np.random.default_rng(seed)
    mesh = TriangleMesh(np.round(rng.uniform(-5, 5, (12, 3))), rng.integers(0, 12, (30, 3)))
    section = one(mesh, rng.normal(size=3), rng.uniform(-1, 1))
    want = 0.0
    seen = set()
    for corners in mesh.corners:
        h = corners @ section.normal - section.offset
        if (h > 0).all() or (h < 0).all():
            continue
        ends = []
        for i in range(3):
            p, q, hp, hq = corners[i], corners[i - 1], h[i], h[i - 1]
            if hp * hq < 0:
                ends.append(p + (q - p) * hp / (hp - hq))
        key = tuple(sorted(tuple(np.round(e, 6)) for e in ends))
        if len(ends) == 2 and key not in seen:
            seen.add(key)
            want += np.linalg.norm(ends[0] - ends[1])
    assert sum(loop.girth_mm for loop in section.loops) == pytest.approx(want, abs=0.05)


def test_many_planes_at_once_are_the_same_as_one_by_one():
    mesh = joined([shapes.dome(100, 104, -60), shapes.box((30, 30, 30), (90, 0, 0))])
    normals = np.array([[0, 0, 2.0], [1, 0, 0], [0, 0, 2.0], [0, 3, 4]])
    offsets = np.array([20.0, 5.0, -100.0, 50.0])
    together = cut(mesh, normals, offsets)
    for section, normal, offset in zip(together, normals, offsets):
        assert section.as_dict() == cut(mesh, normal, offset)[0].as_dict()
    assert together[0].offset == pytest.approx(10) and together[3].offset == pytest.approx(10)


def test_axes_follow_the_contract():
    assert np.allclose(plane_axes((0, 0, 2)), [(1, 0, 0), (0, 1, 0)])
    assert np.allclose(plane_axes((1, 0, 0)), [(0, 1, 0), (0, 0, 1)])
    assert np.allclose(plane_axes((0, -1, 0)), [(1, 0, 0), (0, 0, 1)])


def test_bad_planes_are_refused_in_one_line():
    for normal, offset in (((0, 0, 0), 1.0), ((0, 0, np.nan), 1.0), ((0, 0, 1), np.inf)):
        with pytest.raises(InputError):
            cut(shapes.box(), normal, offset)


def test_torn_walls_keep_their_clear_opening():
    clean = shapes.dome(100, 104, -60, segments=256)
    torn = clean.submesh(np.arange(len(clean)) % 211 != 0)
    heights = np.linspace(-50, 70, 40)
    for a, b in zip(cut(clean, Z, heights), cut(torn, Z, heights)):
        assert b.inner_width_mm == pytest.approx(a.inner_width_mm, abs=0.2)


def test_what_hangs_together_with_the_room_by_a_point_is_no_part_of_it():
    # Two triangular bays, one within the last bit's rounding, that touch a room of 30 by 20 at its corners.
    outline = np.array(
        [(0, 0), (30, 0), (30, 20), (34, 20), (34, 25), (30 + 4e-4, 20 - 3e-4), (0, 20), (-3, 20), (-3, 24), (0, 20)],
        float,
    )
    for shift in range(len(outline)):
        room = unpinched(np.roll(outline, shift, axis=0))
        assert abs(signed_area(room)) == pytest.approx(600, abs=0.02)
        assert np.ptp(room, axis=0) == pytest.approx((30, 20), abs=1e-3)
    convex = outline[:3]
    assert unpinched(convex) is convex
