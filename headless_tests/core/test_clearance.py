# SPDX-License-Identifier: GPL-3.0-or-later
"""Clearance against closed forms, FCL, dense sampling, and what must not matter."""

from __future__ import annotations

import functools

import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from arming_cap.core.distance.clearance import measure
from arming_cap.core.distance.field import field_of
from arming_cap.core.errors import InputError
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Form, Wearer

EXACT = 0.05


def piece_of(*meshes: TriangleMesh) -> Piece:
    return Piece("piece", tuple(Part(f"{m.name} {i}", m) for i, m in enumerate(meshes)))


@pytest.fixture(scope="module")
def human() -> Wearer:
    mesh = shapes.body("c")
    centre = mesh.corners.mean(axis=1)
    head = (centre[:, 2] > 1440) & (np.abs(centre[:, 0]) < 130)
    region = np.where(head, 1 + (centre[:, 1] < -50) + 2 * (centre[:, 2] > 1580), 0)
    return Wearer("c", Form(mesh, ("whole", "nape", "chin", "crown", "forehead"), region))


def test_sphere_in_sphere_in_closed_form():
    # Radii 60 and 70, centres 4 apart: least standoff 6, at the far end of the line of centres. The two
    # polyhedra lie within r(1 - cos(pi/n))·2 of their spheres.
    wearer = Wearer("ball", Form(shapes.sphere(60, 256)))
    found = measure(piece_of(shapes.sphere(70, 256)), wearer, Pose.of((4, 0, 0)))
    assert found.min_standoff_mm == pytest.approx(6.0, abs=EXACT + 0.03)
    assert found.at[0] == pytest.approx(-66.0, abs=0.2)
    assert found.region == "whole"
    # The mean of |70 n + 4 x| - 60 over the sphere: 70 + 4²/(3·70) - 60, integrated by hand
    assert found.regions["whole"].mean_mm == pytest.approx(10.076, abs=0.1)


def test_the_depth_of_a_penetration_in_closed_form():
    wearer = Wearer("ball", Form(shapes.sphere(60, 256)))
    found = measure(piece_of(shapes.sphere(70, 256)), wearer, Pose.of((13, 0, 0)))
    assert found.min_standoff_mm == pytest.approx(-3.0, abs=EXACT + 0.03)


@pytest.mark.parametrize("height", [60.5, 64.0, 80.0])
def test_the_nearest_point_may_lie_inside_a_large_face(height):
    wearer = Wearer("ball", Form(shapes.sphere(60, 256)))
    plate = TriangleMesh([[-900, -700, height], [1100, -800, height], [50, 1300, height]], [[0, 1, 2]], "plate")
    found = measure(piece_of(plate), wearer)
    assert found.min_standoff_mm == pytest.approx(height - 60, abs=EXACT + 0.01)
    np.testing.assert_allclose(found.at, [0, 0, height], atol=4.0)


def test_only_the_surface_seen_first_counts_in_mean_and_percentile():
    wearer = Wearer("ball", Form(shapes.sphere(60, 192)))
    shell = joined([shapes.sphere(66, 192), shapes.sphere(72, 192)], "shell")
    found = measure(piece_of(shell), wearer).regions["whole"]
    assert found.mean_mm == pytest.approx(6.0, abs=0.05)
    assert found.p5_mm == pytest.approx(6.0, abs=0.05)


def test_regions_margins_and_parts():
    ball = shapes.sphere(60, 128)
    up = (ball.corners.mean(axis=1)[:, 2] > 0).astype(np.int64)
    form = Form(ball, ("chin", "crown"), up, spread_mm={"crown": 1.5})
    wearer = Wearer("ball", form, {"crown": 5.0, "default": 2.0})
    low = TriangleMesh([[-20, -20, -63], [20, -20, -63], [0, 30, -63]], [[0, 1, 2]], "low")
    high = TriangleMesh([[-20, -20, 67], [20, -20, 67], [0, 30, 67]], [[0, 1, 2]], "high")
    found = measure(piece_of(low, high), wearer)
    assert (found.part, found.region) == ("low 0", "chin")
    assert found.regions["chin"].margin_mm == pytest.approx(1.0, abs=0.06)
    assert found.regions["crown"].margin_mm == pytest.approx(0.5, abs=0.06)
    assert (found.limiting, found.limited_by.part) == ("crown", "high 1")
    assert found.margin_mm == found.regions["crown"].margin_mm


def on_head(turn=(0, 0, 0), shift=(0, 0, 0)) -> Pose:
    return Pose.of(np.array([0.0, -20.0, 1580.0]) + shift, turn)


@functools.lru_cache(maxsize=2)
def in_fcl(mesh):
    import fcl

    model = fcl.BVHModel()
    model.beginModel(len(mesh.vertices), len(mesh.triangles))
    model.addSubModel(np.array(mesh.vertices), np.array(mesh.triangles))
    model.endModel()
    return fcl.CollisionObject(model)


@settings(max_examples=6)
@given(st.tuples(*[st.floats(-20, 20)] * 3), st.tuples(*[st.floats(-12, 12)] * 3))
def test_fcl_finds_the_same_distance_on_a_body(human, turn, shift):
    fcl = pytest.importorskip("fcl")
    shell = shapes.dome(150, 154, -40, segments=64, rings=32)
    pose = on_head(turn, shift)
    referee = fcl.distance(
        in_fcl(shell.moved(pose)), in_fcl(human.form.mesh), fcl.DistanceRequest(), fcl.DistanceResult()
    )
    found = measure(piece_of(shell), human, pose)
    if referee > 0:
        assert found.min_standoff_mm == pytest.approx(referee, abs=EXACT)
    else:
        assert found.min_standoff_mm <= EXACT


@settings(max_examples=5)
@given(st.tuples(*[st.floats(-25, 25)] * 3), st.tuples(*[st.floats(-40, 40)] * 3))
def test_no_denser_sampling_finds_less_in_any_region(human, turn, shift):
    shell = shapes.dome(128, 132, -40, segments=40, rings=20)
    pose = on_head(turn, shift)
    found = measure(piece_of(shell), human, pose)
    rng = np.random.default_rng(0)
    corners = shell.moved(pose).corners[rng.choice(len(shell), 8000, p=shell.areas / shell.areas.sum())]
    points = np.einsum("ij,ijk->ik", rng.dirichlet((0.7, 0.7, 0.7), len(corners)), corners)
    field = field_of(human.form)
    value, triangle, _ = field.exact(points)
    assert value.min() >= found.min_standoff_mm - EXACT
    # a region's border is known to 8 mm only: look at points with none of another region so near
    names = np.array(human.form.regions_at(triangle))
    for name, region in found.regions.items():
        inner = np.flatnonzero(names == name)
        if len(inner) and (names != name).any():
            inner = inner[cKDTree(points[names != name]).query(points[inner])[0] > 8.0]
        if len(inner):
            assert value[inner].min() >= region.min_mm - EXACT


@given(st.tuples(*[st.floats(-180, 180)] * 3), st.tuples(*[st.floats(-500, 500)] * 3))
@settings(max_examples=5)
def test_moving_both_changes_nothing(turn, shift):
    form, shell = shapes.ellipsoid((30, 38, 34), 64), shapes.ellipsoid((35, 45, 38), 48)
    move, seat = Pose.of(shift, turn), Pose.of((1, 2, -1), (3, 5, -4))
    here = measure(piece_of(shell), Wearer("a", Form(form)), seat)
    there = measure(piece_of(shell), Wearer("a", Form(form.moved(move))), seat.then(move))
    assert there.min_standoff_mm == pytest.approx(here.min_standoff_mm, abs=EXACT)


@given(st.tuples(*[st.floats(-20, 20)] * 3), st.tuples(*[st.floats(-6, 6)] * 3), st.tuples(*[st.floats(-4, 4)] * 3))
@settings(max_examples=6)
def test_no_pose_changes_the_standoff_by_more_than_it_moves_the_piece(turn, shift, more):
    # 1-Lipschitz: a point's distance to a surface changes by no more than the point moves.
    form, shell = shapes.ellipsoid((30, 38, 34), 64), shapes.ellipsoid((35, 45, 38), 48)
    here, there = Pose.of(shift, turn), Pose.of(tuple(np.add(shift, more)), tuple(np.add(turn, more)))
    wearer = Wearer("a", Form(form))
    a, b = (measure(piece_of(shell), wearer, pose).min_standoff_mm for pose in (here, there))
    moved = np.linalg.norm(here.apply(shell.vertices) - there.apply(shell.vertices), axis=1).max()
    assert abs(a - b) <= moved + 2 * EXACT


@given(st.integers(0, 10_000))
@settings(max_examples=4)
def test_the_order_of_triangles_and_parts_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    wearer = Wearer("a", Form(shapes.ellipsoid((30, 38, 34), 64)))
    shell = shapes.ellipsoid((35, 45, 38), 48)
    rows = rng.permutation(len(shell))
    parts = [Part(f"p{i}", shell.submesh(r)) for i, r in enumerate(np.array_split(rows, 3))]
    whole = measure(piece_of(shell), wearer, Pose.of((1, 2, -1)))
    for order in ([0, 1, 2], [2, 0, 1]):
        found = measure(Piece("p", tuple(parts[i] for i in order)), wearer, Pose.of((1, 2, -1)))
        assert found.min_standoff_mm == pytest.approx(whole.min_standoff_mm, abs=EXACT)
        assert found.region == whole.region


def test_scaling_both_scales_the_standoff():
    form, shell = shapes.ellipsoid((30, 38, 34), 64), shapes.ellipsoid((35, 45, 38), 48)
    once = measure(piece_of(shell), Wearer("a", Form(form)), Pose.of((0, 1, 2)))
    twice = measure(piece_of(shell), Wearer("a", Form(form.scaled(2))), Pose.of((0, 2, 4)), 2.0)
    assert twice.min_standoff_mm == pytest.approx(2 * once.min_standoff_mm, abs=2 * EXACT)


def test_dirt_changes_nothing(human):
    clean = shapes.dome(150, 154, -40, segments=64, rings=32)
    rng = np.random.default_rng(3)
    triangles = clean.triangles.copy()
    flip = rng.random(len(triangles)) < 0.3
    triangles[flip] = triangles[flip][:, ::-1]
    twice = triangles[rng.integers(0, len(triangles), 500)]
    flat = np.stack([twice[:, 0], twice[:, 0], twice[:, 1]], axis=1)
    a, b, c = clean.triangles[100]
    middle = 0.5 * (clean.vertices[a] + clean.vertices[b])
    vertices = np.concatenate([clean.vertices, middle[None]])
    tee = np.array([[a, len(vertices) - 1, c], [len(vertices) - 1, b, c]])
    dirty = TriangleMesh(vertices, np.concatenate([np.delete(triangles, 100, axis=0), tee, twice, flat]), "dirty")
    pose = on_head((4, 2, 1))
    one, other = measure(piece_of(clean), human, pose), measure(piece_of(dirty), human, pose)
    assert other.min_standoff_mm == pytest.approx(one.min_standoff_mm, abs=EXACT)
    for name, region in one.regions.items():
        assert other.regions[name].min_mm == pytest.approx(region.min_mm, abs=EXACT)
        assert other.regions[name].mean_mm == pytest.approx(region.mean_mm, abs=1.0)


def test_parallel_shells_are_measured_too():
    wearer = Wearer("ball", Form(shapes.sphere(60, 96)))
    found = measure(piece_of(shapes.sphere(62, 400)), wearer)
    assert found.min_standoff_mm == pytest.approx(2.0, abs=found.tolerance_mm + 0.05)
    assert found.tolerance_mm <= 0.2


def test_nothing_near_is_an_error_in_one_line():
    wearer = Wearer("ball", Form(shapes.sphere(60, 48)))
    with pytest.raises(InputError, match="nowhere within"):
        measure(piece_of(shapes.box(centre=(900, 0, 0))), wearer)
    line = TriangleMesh([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]], "line")
    with pytest.raises(InputError, match="no surface"):
        measure(piece_of(line), wearer)
