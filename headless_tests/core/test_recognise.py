"""Heads are found in bodies, busts and bare heads; nothing else is taken for a head.

The eyeball centres that the bodies came with (headless_tests/data/human/landmarks.json) are the outside reference.
"""

from __future__ import annotations

import json

import igl
import manifold3d
import numpy as np
import pytest
from shapes import DATA, body, box, dome, ellipsoid, sphere, tube

from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.recognise import form_of
from arming_cap.core.wearer.template import template_head

MARKS = json.loads((DATA / "human" / "landmarks.json").read_text())


def trimmed(mesh: TriangleMesh, normal, at) -> TriangleMesh:
    solid = manifold3d.Manifold(manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32)))
    cut = solid.trim_by_plane(normal, at).to_mesh()
    return TriangleMesh(np.asarray(cut.vert_properties)[:, :3], np.asarray(cut.tri_verts).astype(int)).welded()


def eye(letter: str) -> np.ndarray:
    return np.array(MARKS[f"adult_{letter}"]["eye_centre_left"])


def decimated(mesh: TriangleMesh, count: int) -> TriangleMesh:
    solid = manifold3d.Manifold(manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32)))
    for tolerance in (0.3, 0.6, 1.0, 1.5, 2.0, 3.0):
        thin = solid.simplify(tolerance)
        if thin.num_tri() <= count:
            break
    out = thin.to_mesh()
    return TriangleMesh(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts).astype(int)).welded()


def finer(mesh: TriangleMesh) -> TriangleMesh:
    return TriangleMesh(*igl.upsample(mesh.vertices, mesh.triangles, 1))


@pytest.mark.parametrize("letter", "abc")
@pytest.mark.parametrize("change", ["body", "bust", "bare", "coarse", "fine", "scaled"])
def test_a_head_is_found_and_its_eyes_lie_where_the_body_has_them(letter, change):
    mesh, centre, scale = body(letter), eye(letter), 1.0
    if change != "body":
        mesh = trimmed(mesh, (0, 0, 1), centre[2] - (108 if change == "bare" else 215))
    if change == "coarse":
        mesh = decimated(mesh, 5000)
    if change == "fine":
        mesh = finer(mesh)
    if change == "scaled":
        scale = 1.15
        mesh = mesh.scaled(scale).moved(Pose.of((310, -500, 77)))
        centre = centre * scale + [310, -500, 77]
    form = form_of(mesh)
    pupil = form.landmarks["pupil_left"]
    # The pupil lies on the front of a ball of some 12 to 16 mm radius round the eyeball's centre.
    assert abs(pupil[0] - centre[0]) < 4.0
    assert abs(pupil[2] - centre[2]) < 5.0
    assert 8.0 < centre[1] - pupil[1] < 22.0 * scale
    assert {"nose", "ear_left", "ear_right", "crown", "chin"} <= set(form.region_names)
    centres = mesh.corners.mean(axis=1)
    for name, direction in (("ear_left", 1), ("ear_right", -1)):
        rows = form.region_of_triangle == form.region_names.index(name)
        assert (np.sign(centres[rows, 0] - form.landmarks["sellion"][0]) == direction).all()


@pytest.mark.parametrize("letter", "abc")
def test_the_rest_of_a_body_is_called_body(letter):
    mesh = body(letter)
    form = form_of(mesh)
    low = mesh.corners.mean(axis=1)[:, 2] < eye(letter)[2] - 300
    assert {form.region_names[i] for i in np.unique(form.region_of_triangle[low])} == {"body"}


def headless(letter: str) -> TriangleMesh:
    return trimmed(body(letter), (0, 0, -1), -(eye(letter)[2] - 130))


def turned_round(letter: str) -> TriangleMesh:
    return body(letter).moved(Pose.of(rotation_deg=(0, 0, 180)))


@pytest.mark.parametrize(
    "make",
    [
        lambda: sphere(100.0),
        lambda: sphere(1.0),
        lambda: ellipsoid((77, 99, 115)),
        lambda: ellipsoid((75, 100, 130)),
        lambda: ellipsoid((60, 110, 140)),
        lambda: box((150, 200, 240)),
        lambda: tube(80, 90, 220),
        lambda: dome(110, 114),
        lambda: headless("a"),
        lambda: headless("c"),
        lambda: trimmed(headless("b"), (1, 0, 0), 200.0),  # an arm
        lambda: trimmed(trimmed(body("a"), (0, 0, -1), -700.0), (1, 0, 0), 5.0),  # a leg
        lambda: turned_round("b"),
    ],
)
def test_what_is_no_head_or_turned_away_is_whole(make):
    form = form_of(make())
    assert form.region_names == ("whole",)
    assert not form.landmarks


def test_the_template_is_closed_symmetric_and_has_its_landmarks_in_order():
    head = template_head()
    assert head.mesh.soundness.solid and head.mesh.soundness.shells == 1
    v = head.mesh.vertices
    np.testing.assert_array_equal(v[head.mirror], v * [-1.0, 1.0, 1.0])
    at = head.landmarks_on(v)
    down = [at[n][2] for n in ("vertex", "glabella", "sellion", "pronasale", "subnasale", "menton", "larynx")]
    assert (np.diff(down) < 0).all()
    assert at["pronasale"][1] == v[np.abs(v[:, 0]) < 1, 1].min()
    assert at["ear_lateral_left"][0] > at["tragion_left"][0] > 0
