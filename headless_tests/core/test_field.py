# SPDX-License-Identifier: GPL-3.0-or-later
"""The distance field against closed forms, Open3D and its own promises."""

from __future__ import annotations

import functools

import numpy as np
import pytest
import shapes
from hypothesis import given
from hypothesis import strategies as st

from arming_cap.core import cache, memory
from arming_cap.core.distance import field as fields
from arming_cap.core.distance.field import Probe, field_of
from arming_cap.core.errors import Cancelled, InputError
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Form

RADIUS = 60.0


@functools.cache
def made_ball() -> fields.Field:
    return field_of(Form(shapes.sphere(RADIUS, 256)))


@pytest.fixture(scope="module")
def ball() -> fields.Field:
    return made_ball()


@pytest.fixture(scope="module")
def human() -> fields.Field:
    mesh = shapes.body("c")
    centre = mesh.corners.mean(axis=1)
    head = (centre[:, 2] > 1440) & (np.abs(centre[:, 0]) < 130)
    return field_of(Form(mesh, ("whole", "crown"), head.astype(np.int64)))


def around(mesh, n, spread, seed=0):
    rng = np.random.default_rng(seed)
    rows = rng.choice(len(mesh), n, p=mesh.areas / mesh.areas.sum())
    return mesh.corners[rows].mean(axis=1) + rng.normal(size=(n, 3)) * spread


def test_sphere_in_closed_form(ball):
    # |p| - r; the polyhedron lies inside the sphere by at most r(1 - cos(pi/128)) = 0.018 mm
    rng = np.random.default_rng(1)
    direction = rng.normal(size=(5000, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    radius = rng.uniform(50, 95, 5000)
    points = direction * radius[:, None]
    np.testing.assert_allclose(ball.exact(points)[0], radius - RADIUS, atol=0.02)
    # Taylor about a node h√3/2 away, curvature 1/50: 3/8 h² / 50 · 2 = 0.06 mm; twice as coarse beyond the band
    near = np.abs(radius - RADIUS) < 10
    np.testing.assert_allclose(ball.standoff(points)[near], (radius - RADIUS)[near], atol=0.08)
    np.testing.assert_allclose(ball.standoff(points), radius - RADIUS, atol=0.2)
    np.testing.assert_allclose(ball.gradient(points)[near], direction[near], atol=0.06)


def test_beyond_the_grid_it_is_a_bound_from_below(ball):
    rng = np.random.default_rng(2)
    points = rng.uniform(-600, 600, (20000, 3))
    outside = ((points < ball.box[0]) | (points > ball.box[1])).any(axis=1)
    truth = np.linalg.norm(points, axis=1) - RADIUS
    got = ball.standoff(points)
    assert (got[outside] <= truth[outside] + 0.3).all()
    assert (got[outside] > 0.35 * truth[outside]).all()


def test_exact_agrees_with_open3d_on_a_body(human):
    o3d = pytest.importorskip("open3d", exc_type=ImportError)
    mesh = human.form.mesh
    points = around(mesh, 20000, 15.0)
    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        o3d.core.Tensor(mesh.vertices.astype(np.float32)), o3d.core.Tensor(mesh.triangles.astype(np.uint32))
    )
    referee = scene.compute_signed_distance(o3d.core.Tensor(points.astype(np.float32)), nsamples=11).numpy()
    ours = human.exact(points)[0]
    np.testing.assert_allclose(np.abs(ours), np.abs(referee), atol=2e-3)
    assert (np.sign(ours) == np.sign(referee))[np.abs(ours) > 0.01].mean() > 0.9999


@pytest.mark.parametrize(
    "mesh",
    [
        shapes.two(shapes.box((60, 40, 0.4)), shapes.box((60, 40, 9.0), centre=(0, 0, 5.3))),  # a sheet, a narrow slot
        shapes.two(shapes.box((3.0, 70, 50)), shapes.box((70, 3.0, 50), centre=(37, 0, 0))),  # walls meet in corners
        shapes.two(shapes.box((1.2, 1.2, 60)), shapes.box((30, 30, 6), centre=(9, 0, 36))),  # a thin stem
    ],
    ids=["sheet and slot", "corners", "thin stem"],
)
def test_every_node_has_its_side_and_those_told_as_near_are_exact(mesh):
    # Referee: libigl's winding number and exact distance, asked at every node itself.
    fine = field_of(Form(mesh)).fine
    points = fine.origin + fine.spacing * np.stack(np.unravel_index(np.arange(len(fine.nodes)), fine.shape), axis=1)
    surface = fields.ExactDistance(mesh)
    told = fine.nodes[:, 0]
    distance = surface.nearest(points)[0]
    off = np.flatnonzero(distance > 1e-3)
    assert np.array_equal(told[off] < 0, surface.inside(points[off]))
    near = np.abs(told) <= 12.0
    assert near.sum() > 1000
    assert np.abs(np.abs(told[near]) - distance[near]).max() < 1e-3


def test_floor_is_never_above_the_exact_distance(human):
    for spread in (3.0, 15.0, 60.0):
        points = around(human.form.mesh, 20000, spread, seed=int(spread))
        assert (human.floor(points) <= human.exact(points)[0]).all()


def bits_of_surface(mesh, n, spread, size, seed):
    """Return triangles (n, 3, 3) about `size` large, about a mesh."""
    rng = np.random.default_rng(seed)
    return around(mesh, n, spread, seed)[:, None] + rng.normal(size=(n, 3, 3)) * size


@pytest.mark.parametrize("size", [0.1, 2.0, 20.0])
def test_floor_over_a_triangle_is_below_all_that_lies_on_it(human, size):
    hulls = bits_of_surface(human.form.mesh, 3000, 15.0, size, seed=3)
    floor = human.floor_over(hulls)
    weights = np.random.default_rng(4).dirichlet((0.5, 0.5, 0.5), 40)
    for weight in [*np.eye(3), *weights]:
        assert (floor <= human.exact(np.einsum("k,nkd->nd", weight, hulls))[0]).all()
    middle = hulls.mean(axis=1)
    inside = ((middle > human.box[0] + 30) & (middle < human.box[1] - 30)).all(axis=1)
    assert np.isfinite(floor)[inside].mean() > 0.8


def test_floor_over_a_triangle_along_a_ball_loses_little(ball):
    # A triangle of reach s that lies along the ball, d off it: its floor is below d by s²/2 (1/L + 1/R) at most, with
    # the lift L of at least 24 - d - 4√3/2 mm, and by as much again for the node that lies beside the perpendicular.
    rng = np.random.default_rng(5)
    away, reach = 3.0, 2.0
    out = rng.normal(size=(2000, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    beside = np.linalg.svd(out[:, None])[2][:, 1:]
    angle = np.radians([0, 120, 240])
    corners = reach * (np.cos(angle)[None, :, None] * beside[:, :1] + np.sin(angle)[None, :, None] * beside[:, 1:])
    floor = ball.floor_over((RADIUS + away) * out[:, None] + corners)
    lift, node = 24 - away - 2 * np.sqrt(3), 2 * np.sqrt(3)
    assert floor.min() > away - (reach + node) ** 2 / 2 * (1 / lift + 1 / RADIUS) - 0.05
    assert np.median(floor) > away - 0.45


def test_standoff_is_near_the_exact_distance_on_a_body(human):
    points = around(human.form.mesh, 40000, 6.0)
    inside = ((points > human.box[0]) & (points < human.box[1])).all(axis=1)
    error = np.abs(human.standoff(points) - human.exact(points)[0])[inside]
    assert np.median(error) < 0.05
    assert np.percentile(error, 99) < 1.0
    assert error.max() < 3.5  # two half-diagonals of a cell: a node's value and gradient are right


@given(
    st.tuples(*[st.floats(-40, 40)] * 3),
    st.tuples(*[st.floats(-180, 180)] * 3),
    st.floats(0.3, 2.0),
)
def test_a_probe_asks_at_the_moved_points(shift, turn, scale):
    ball = made_ball()
    points = around(ball.form.mesh, 500, 10.0) + [300.0, 0, 0]
    pose = Pose.of(shift, turn)
    moved = pose.apply(scale * points)
    np.testing.assert_allclose(Probe(ball, points).standoff(pose, scale), ball.standoff(moved), atol=0.1)


def test_kept_on_disk_and_the_same_from_there(tmp_path, monkeypatch):
    monkeypatch.setenv("ARMING_CAP_CACHE", str(tmp_path))
    form = Form(shapes.ellipsoid((31, 22, 27), 48))
    points = around(form.mesh, 3000, 9.0)
    memory._memory.clear()
    first = field_of(form).standoff(points)
    (kept,) = tmp_path.iterdir()
    memory._memory.clear()
    monkeypatch.setattr(fields, "_sampled", lambda *a: pytest.fail("made again"))
    np.testing.assert_array_equal(field_of(form).standoff(points), first)
    monkeypatch.undo()
    monkeypatch.setenv("ARMING_CAP_CACHE", str(tmp_path))
    whole = kept.read_bytes()
    for damage in (b"", whole[: len(whole) // 2], whole[:5000] + bytes([whole[5000] ^ 255]) + whole[5001:]):
        kept.write_bytes(damage)
        memory._memory.clear()
        np.testing.assert_array_equal(field_of(form).standoff(points), first)
        assert kept.read_bytes() == whole


def test_no_cache_folder_is_no_obstacle(tmp_path, monkeypatch):
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    monkeypatch.setenv("ARMING_CAP_CACHE", str(blocked))
    memory._memory.clear()
    assert field_of(Form(shapes.sphere(20, 24))).standoff(np.array([[30.0, 0, 0]]))[0] == pytest.approx(10, abs=0.2)
    monkeypatch.setenv("ARMING_CAP_CACHE", "")
    assert cache.folder() is None


def test_cancelling_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("ARMING_CAP_CACHE", str(tmp_path))

    def stop(fraction, text):
        raise Cancelled

    memory._memory.clear()
    with pytest.raises(Cancelled):
        field_of(Form(shapes.sphere(25, 24)), progress=stop)
    assert not list(tmp_path.iterdir())


def test_an_inside_out_form_is_the_same_form():
    mesh = shapes.sphere(40, 48)
    flipped = Form(type(mesh)(mesh.vertices, mesh.triangles[:, ::-1]))
    points = around(mesh, 1000, 8.0)
    np.testing.assert_allclose(field_of(flipped).exact(points)[0], field_of(Form(mesh)).exact(points)[0], atol=1e-9)


def test_a_box_names_where_a_large_form_is_filled_finely():
    form = Form(shapes.ellipsoid((400, 300, 900), 64))
    box = np.array([[300.0, -50, -50], [420, 50, 50]])
    field = field_of(form, box)
    assert field.spacing == 2.0 and field.coarse is not None
    assert (field.box[0] <= box[0]).all() and (field.box[1] >= box[1]).all()
    assert field_of(form, box + 1.0).fine is field.fine  # snapped: near-by questions share a grid


def test_a_form_in_a_wrong_unit_is_refused_before_memory_is_taken(monkeypatch):
    # A head of 200 m: at 16 mm a node the field would take terabytes.
    ball = Form(shapes.sphere(100_000, 24))
    monkeypatch.setattr(np, "meshgrid", None)
    with pytest.raises(InputError, match=r"GB of memory.*check the unit"):
        field_of(ball)
    with pytest.raises(InputError, match=r"GB of memory"):
        field_of(ball, np.array([[-100.0] * 3, [100.0] * 3]))
