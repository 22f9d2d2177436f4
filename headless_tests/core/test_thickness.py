# SPDX-License-Identifier: GPL-3.0-or-later
"""Wall thickness against closed forms, and against trimesh's two methods."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import shapes
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from arming_cap.core.errors import InputError
from arming_cap.core.make.walls.thickness import Material, thickness
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose


def piece(*meshes):
    return Piece("piece", tuple(Part(f"part{i}", m) for i, m in enumerate(meshes)))


def flipped(mesh):
    return TriangleMesh(mesh.vertices, mesh.triangles[:, ::-1], mesh.name)


def wedge(thin, thick, length=60.0, width=30.0):
    """A plate that grows evenly from one end (x = 0) to the other; its floor lies in z = 0."""
    corners = [[x, y, z] for x, top in ((0, thin), (length, thick)) for y in (0, width) for z in (0, top)]
    return TriangleMesh(np.array(corners, float), shapes.box().triangles, "wedge")


def shell(outer, inner, segments=192):
    return joined([shapes.sphere(outer, segments), flipped(shapes.sphere(inner, segments))])


def test_a_spherical_shell_is_as_thick_as_its_radii_differ():
    found = thickness(piece(shell(50, 47)))
    # Chords of the 192-gon lie up to R (1 - cos(pi / 192)) = 0.007 mm under the sphere.
    assert found.least_mm == pytest.approx(3, abs=0.01) and found.median_mm == pytest.approx(3, abs=0.01)
    assert found.ray_mm == pytest.approx(found.sphere_mm, abs=0.01) and found.agreeing > 0.99
    assert found.warning == ""


def test_a_box_is_as_thick_as_its_least_side_and_its_edges_are_no_walls():
    found = thickness(piece(shapes.box((30, 20, 4))))
    assert found.least_mm == pytest.approx(4, abs=1e-6)


def test_a_tube_is_as_thick_as_its_wall():
    found = thickness(piece(shapes.tube(40, 43, 50, 256)))
    # Between the middles of facing facets: (43 - 40) cos(pi / 256).
    assert found.least_mm == pytest.approx(3 * np.cos(np.pi / 256), abs=2e-3)


def test_a_wedge_is_thinnest_at_its_thin_end():
    found = thickness(piece(wedge(1.0, 6.0)), limit_mm=1.5)
    # Two planes leaning by a, one of them 1 mm over the other at the end: the ball between is 1 (1 - tan²(a/2)).
    lean = np.arctan(5 / 60)
    assert found.least_mm == pytest.approx(1 - np.tan(lean / 2) ** 2, abs=0.01)
    assert found.at[0] == pytest.approx(0, abs=0.1)
    # Thinner than 1.5 mm, by the ball, up to where the floor's own height is 1.5 / (1 - tan²(a/2)); seen from the
    # sloping side at a right angle to it, nearly the same. Both faces count.
    reach = (1.5 / (1 - np.tan(lean / 2) ** 2) - 1) / (5 / 60)
    assert found.thin_mm2 == pytest.approx(30 * reach * 2, rel=0.1)
    assert "under 1.50 mm" in found.warning and "part0" in found.warning


def test_a_spot_is_told_and_what_holds_beside_it():
    # The wedge's end is thin all along: no spot. A plate of 4 mm with a pit down to 0.5 mm has one, of 0.09 mm².
    assert thickness(piece(wedge(1.0, 6.0))).remark == ""
    plate, pit = (manifold3d.Manifold.cube((a, a, h), True) for a, h in ((30.0, 4.0), (0.3, 3.5)))
    solid = (plate - pit.translate((3.0, 4.0, 0.25))).refine_to_length(1.0).to_mesh64()
    found = thickness(piece(TriangleMesh(np.asarray(solid.vert_properties)[:, :3], np.asarray(solid.tri_verts))))
    assert found.least_mm == pytest.approx(0.5, abs=1e-6) and found.broad_mm == pytest.approx(4, abs=1e-6)
    assert "0.50 mm, is at a spot" in found.remark and "at least 4.00 mm" in found.remark
    assert found.warning  # a spot is warned of all the same


def test_a_ball_between_planes_has_the_diameter_of_the_textbook():
    tip = wedge(1e-6, 60 * np.tan(np.radians(20)))
    material = Material(tip.corners)
    point, up = np.array([[20.0, 15.0, 0.0]]), np.array([[0.0, 0.0, 1.0]])
    ray, against = material.ray(point, up)
    assert ray[0] == pytest.approx(20 * np.tan(np.radians(20)), abs=1e-4)
    assert against[0] == pytest.approx(np.cos(np.radians(20)))
    sphere, _, facing = material.sphere(point, up, ray)
    assert sphere[0] == pytest.approx(2 * 20 * np.tan(np.radians(10)), abs=1e-4)
    assert facing[0] == pytest.approx(np.cos(np.radians(20)), abs=1e-4)


def test_thickness_goes_with_the_scale():
    one, half = (thickness(piece(shapes.box((30, 20, 4), (9, 8, 7))), s) for s in (1.0, 0.5))
    assert half.least_mm == pytest.approx(0.5 * one.least_mm)
    assert np.array(half.at) == pytest.approx(0.5 * np.array(one.at)) and half.skin_mm2 == pytest.approx(
        0.25 * one.skin_mm2, rel=1e-6
    )


def test_the_inside_is_found_whichever_way_triangles_face():
    for mesh in (flipped(shell(50, 47)), flipped(shapes.box((30, 20, 4)))):
        assert thickness(piece(mesh)).least_mm == pytest.approx(3 if len(mesh) > 100 else 4, abs=0.01)


def test_turned_faces_and_copies_change_no_wall():
    clean = wedge(3.0, 5.0)
    clean = TriangleMesh(*trimesh.remesh.subdivide(clean.vertices, clean.triangles)[:2], "wedge")
    rng = np.random.default_rng(4)
    turned = np.where((rng.random(len(clean)) < 0.33)[:, None], clean.triangles[:, ::-1], clean.triangles)
    want = thickness(piece(clean))
    for triangles in (turned, np.concatenate([clean.triangles, clean.triangles[:, [1, 2, 0]]])):
        found = thickness(piece(TriangleMesh(clean.vertices, triangles, "wedge")))
        assert found.least_mm == pytest.approx(want.least_mm, abs=1e-6)
        assert found.median_mm == pytest.approx(want.median_mm, abs=1e-6)
        assert found.skin_mm2 == pytest.approx(want.skin_mm2, rel=1e-6)


def test_walls_inside_other_material_do_not_count():
    # A block through a plate in one mesh: its 1 mm of skin within the plate bounds nothing.
    soup = joined([shapes.box((30, 20, 4)), shapes.box((8, 8, 12)), shapes.box((3, 3, 1))])
    assert thickness(piece(soup)).least_mm == pytest.approx(4, abs=0.01)


def test_the_thin_part_and_place_are_named():
    thin = shapes.box((20, 20, 0.7), (100, 0, 0))
    found = thickness(piece(shapes.box((30, 20, 4)), thin))
    assert found.part == "part1" and found.least_mm == pytest.approx(0.7, abs=1e-6) and found.at[0] > 80
    assert found.thin_mm2 == pytest.approx(800, rel=0.03)


def test_a_hole_in_the_mesh_does_not_spoil_the_rest():
    tube = shapes.tube(40, 43, 50, 128)
    open_ = TriangleMesh(tube.vertices, tube.triangles[3:], "open")
    assert thickness(piece(open_)).least_mm == pytest.approx(3, abs=0.01)


def test_a_sheet_has_no_wall():
    sheet = shapes.revolved([(80, 0), (80, 100)], 60)
    with pytest.raises(InputError, match="no part encloses material"):
        thickness(piece(sheet))


@settings(max_examples=6)
@given(
    st.tuples(*[st.floats(2, 25)] * 3),
    st.tuples(*[st.floats(-180, 180)] * 3),
)
def test_any_turned_box_has_its_least_side(size, turn):
    box = shapes.box(size).moved(Pose.of((5, 6, 7), turn))
    assert thickness(piece(box)).least_mm == pytest.approx(min(size), rel=1e-4)


def test_the_sphere_is_the_largest_that_holds_no_point_of_the_surface():
    # By definition: of all points q of the surface, the least |q - p|² / (2 (q - p) · n), here over a dense cloud.
    mesh = shapes.dome(60, 63, -20, segments=48, rings=16)
    share = np.array([(i, j, 16 - i - j) for i in range(17) for j in range(17 - i)]) / 16
    cloud = (share @ mesh.corners).reshape(-1, 3)
    material = Material(mesh.corners)
    rows = np.arange(0, len(material.corners), 97)
    points, inward = material.corners[rows].mean(axis=1), material.inward[rows]
    sphere, _, _ = material.sphere(points, inward, material.ray(points, inward)[0])
    for point, way, diameter in zip(points, inward, sphere):
        to = cloud - point
        height = to @ way
        above = height > 0.05
        brute = ((to[above] ** 2).sum(axis=1) / height[above]).min()
        assert diameter <= brute + 1e-6
        # The cloud's points are up to 0.6 mm apart, its nearest 0.3 from the exact spot: 0.3² / 3 mm too large.
        assert diameter == pytest.approx(min(brute, 30), abs=0.03)


def test_both_methods_agree_with_trimesh():
    # Referee: trimesh.proximity.thickness, its ray and its largest tangent sphere.
    pytest.importorskip("rtree", reason="trimesh's proximity queries need it")
    mesh = shapes.dome(60, 63, -20, segments=48, rings=16)
    material = Material(mesh.corners)
    rows = np.arange(0, len(material.corners), 37)
    points, inward = material.corners[rows].mean(axis=1), material.inward[rows]
    ray, _ = material.ray(points, inward)
    sphere, _, _ = material.sphere(points, inward, ray)
    other = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    by_ray = trimesh.proximity.thickness(other, points + 1e-4 * inward, normals=-inward, method="ray")
    by_ball = trimesh.proximity.thickness(other, points, normals=-inward, method="max_sphere")
    near = by_ray < 29  # ours calls anything from 30 mm on 30 mm
    assert near.sum() > 30
    assert ray[near] == pytest.approx(by_ray[near], abs=2e-3)
    assert np.median(np.abs(sphere - by_ball)[near]) < 1e-3
    assert (np.abs(sphere - by_ball)[near] < 0.02).mean() > 0.97
