# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes and poses: counts and volumes known beforehand, trimesh as referee."""

from __future__ import annotations

import numpy as np
import pytest
import shapes
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from arming_cap.core.mesh import MIXERS, TriangleMesh, distinct_rows, joined, shell_labels
from arming_cap.core.pose import Pose, euler_matrix, rotation_about

angles = st.floats(-180, 180, allow_nan=False)
lengths = st.floats(-1000, 1000, allow_nan=False)


def soup(mesh: TriangleMesh) -> TriangleMesh:
    """The same triangles, each with corners of its own, as an STL file holds them."""
    return TriangleMesh(mesh.corners.reshape(-1, 3), np.arange(3 * len(mesh)).reshape(-1, 3))


def test_a_box_is_sound_and_has_its_volume():
    box = shapes.box((2, 3, 5))
    assert box.volume_mm3 == pytest.approx(30)
    assert box.areas.sum() == pytest.approx(2 * (6 + 10 + 15))
    assert box.soundness.solid and not box.soundness.remarks()


def test_a_sphere_comes_near_its_formula():
    ball = shapes.sphere(50, 192)
    assert ball.volume_mm3 == pytest.approx(4 / 3 * np.pi * 50**3, rel=1e-3)


def test_welding_restores_what_a_soup_repeats():
    ball = shapes.sphere(10, 32)
    welded = soup(ball).welded()
    assert len(welded.vertices) == len(ball.vertices)
    assert welded.soundness.solid
    again = welded.welded()
    assert np.array_equal(again.vertices, welded.vertices) and np.array_equal(again.triangles, welded.triangles)


def test_minus_zero_is_the_same_place_as_zero():
    mesh = TriangleMesh([[0, 0, 0], [1, 0, 0], [0, 1, 0], [-0.0, 0, 0], [0, -1, 0]], [[0, 1, 2], [3, 4, 1]])
    assert len(mesh.welded().vertices) == 4


@pytest.mark.parametrize(
    ("spoil", "fact", "count"),
    [
        (lambda t: t[1:], "open_edges", 3),
        (lambda t: np.vstack([t, t[:1]]), "duplicate_triangles", 1),
        (lambda t: np.vstack([t[:1, ::-1], t[1:]]), "flipped_edges", 3),
        (lambda t: np.vstack([t, [[0, 0, 1]]]), "zero_area_triangles", 1),
        (lambda t: np.vstack([t, [[t[0, 0], t[0, 1], 7 if 7 not in t[0, :2] else 0]]]), "non_manifold_edges", 1),
    ],
)
def test_each_fault_is_counted(spoil, fact, count):
    box = shapes.box()
    facts = TriangleMesh(box.vertices, spoil(box.triangles)).soundness
    assert getattr(facts, fact) >= count if fact == "non_manifold_edges" else getattr(facts, fact) == count
    assert not facts.solid and facts.remarks()


def test_shells_are_counted_in_order_of_their_first_triangle():
    three = joined([shapes.sphere(3, 16, (x, 0, 0)) for x in (20, 0, 10)])
    labels = shell_labels(three)
    assert three.soundness.shells == 3
    assert [labels[i * len(labels) // 3] for i in range(3)] == [0, 1, 2]


def test_a_void_is_an_inside_out_shell_and_no_fault():
    outer, inner = shapes.sphere(10, 32), shapes.sphere(8, 32)
    hollow = joined([outer, TriangleMesh(inner.vertices, inner.triangles[:, ::-1])])
    assert hollow.soundness.solid and hollow.soundness.inside_out_shells == 1


@pytest.mark.parametrize("letter", "abc")
def test_the_bodies_agree_with_trimesh(letter):
    body = shapes.body(letter)
    referee = trimesh.Trimesh(body.vertices, body.triangles, process=False)
    assert referee.is_watertight == body.soundness.closed
    assert body.volume_mm3 == pytest.approx(referee.volume)
    assert body.areas.sum() == pytest.approx(referee.area)
    assert body.soundness.shells == referee.body_count


def test_nobody_may_write_into_a_shared_mesh():
    with pytest.raises(ValueError):
        shapes.box().vertices[0, 0] = 1.0


def test_triangles_must_index_the_vertices():
    with pytest.raises(ValueError, match="must index"):
        TriangleMesh(np.zeros((3, 3)), [[0, 1, 3]])


@given(st.tuples(angles, angles, angles), st.tuples(lengths, lengths, lengths))
def test_a_pose_is_rigid_and_undone_by_its_inverse(rotation, translation):
    pose = Pose.of(translation, rotation)
    assert pose.rotation @ pose.rotation.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(pose.rotation) == pytest.approx(1)
    points = np.array([[1.0, 2, 3], [-50, 7, 900]])
    assert pose.then(pose.inverse()).apply(points) == pytest.approx(points, abs=1e-8)
    assert euler_matrix(pose.rotation_deg) == pytest.approx(pose.rotation, abs=1e-7)


@given(st.tuples(angles, angles, angles), st.tuples(lengths, lengths, lengths))
def test_turning_about_a_pivot_keeps_the_pivot(rotation, pivot):
    kept = Pose.of(rotation_deg=rotation, pivot_mm=pivot).apply(np.array([pivot]))
    assert kept[0] == pytest.approx(np.array(pivot), abs=1e-9)


def test_euler_angles_are_blenders_xyz_order():
    x, y, z = (rotation_about(np.eye(3)[i], a) for i, a in enumerate((10, 20, 30)))
    assert euler_matrix((10, 20, 30)) == pytest.approx(z @ y @ x)


def test_rows_that_share_a_key_are_told_apart():
    # The first number undoes the second: each such row has the key of a row of noughts.
    second = np.array([3, 5, 3, 7, 0], np.uint64)
    mixed = second * MIXERS[1]
    undone = pow(int(MIXERS[0]), -1, 2**64)
    first = np.array([int(word) * undone % 2**64 for word in mixed ^ (mixed >> np.uint64(17))], np.uint64)
    rows = np.column_stack([first, second])
    kept, same = distinct_rows(rows)
    assert len(kept) == 4 and same[0] == same[2] and len(set(same)) == 4
    assert (rows[kept][same] == rows).all()


@given(st.lists(st.integers(0, 11), min_size=3, max_size=36))
def test_welding_and_shells_are_those_of_a_slow_count(numbers):
    places = np.array([(x, y, -0.0 * z) for x in range(3) for y in range(2) for z in range(2)]) * 0.1
    torn = TriangleMesh(places[numbers[: len(numbers) // 3 * 3]], np.arange(len(numbers) // 3 * 3).reshape(-1, 3))
    welded = torn.welded()
    assert list(map(tuple, welded.vertices.tolist())) == list(dict.fromkeys(map(tuple, torn.vertices.tolist())))
    assert (welded.corners == torn.corners).all()
    again = welded.welded()
    assert (again.vertices == welded.vertices).all() and (again.triangles == welded.triangles).all()
    shells: list[set[int]] = []
    for triangle in welded.triangles.tolist():
        met = [shell for shell in shells if shell & set(triangle)]
        shells = [shell for shell in shells if shell not in met] + [set(triangle).union(*met)]
    owner = [next(i for i, shell in enumerate(shells) if t[0] in shell) for t in welded.triangles.tolist()]
    order = list(dict.fromkeys(owner))
    assert shell_labels(welded).tolist() == [order.index(i) for i in owner]
