# SPDX-License-Identifier: GPL-3.0-or-later
"""A scan in Blender: found by itself, or by three empties that the maker drags."""

from __future__ import annotations

import bpy
import numpy as np
import pytest
import shapes

from arming_cap.core.formats import write_mesh
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.recognise import form_of

POSE = Pose.of((300.0, -200.0, 90.0), (110.0, 25.0, -140.0))


@pytest.fixture(scope="module")
def bust():
    """Head and chest of a CC0 body, cut open below, with its landmarks as recognised upright (mm)."""
    whole = shapes.body("a")
    form = form_of(whole)
    cut = form.landmarks["tragion_left"][2] - 240.0
    return whole.submesh(np.flatnonzero((whole.corners[:, :, 2] > cut).all(axis=1))), form.landmarks


@pytest.fixture
def file(bust, tmp_path):
    """The bust as a phone would leave it: turned anyhow, in metres."""
    mesh = bust[0]
    path = tmp_path / "ilse.ply"
    write_mesh(path, TriangleMesh(POSE.apply(mesh.vertices) / 1000.0, mesh.triangles))
    return path


def attribute(ob, name):
    values = np.empty(len(ob.data.vertices), np.float32)
    ob.data.attributes[name].data.foreach_get("value", values)
    return values


def test_a_turned_scan_in_metres_becomes_a_form(scene, file, bust):
    scene.arming_cap.card.typed_head_circumference = "560"
    scene.arming_cap.card.title = "Ilse"
    assert bpy.ops.arming_cap.import_scan(filepath=str(file)) == {"FINISHED"}
    form = bpy.context.view_layer.objects.active
    assert (form.name, form.arming_cap.role) == ("Ilse", "FORM")
    assert "unit is m" in form.arming_cap.scan_says
    # ISO 20685: a scan's head dimensions within 1 mm of the hand's; the ears' distance is the scan's own here.
    from arming_cap.blender.scene import facts_of

    marks = facts_of(form, 1.0)["landmarks"]
    truth = bust[1]
    apart = np.linalg.norm(np.subtract(marks["tragion_left"], marks["tragion_right"]))
    assert apart == pytest.approx(np.linalg.norm(truth["tragion_left"] - truth["tragion_right"]), abs=2.0)
    assert marks["sellion"][1] < marks["tragion_left"][1] and marks["vertex"][2] > 80.0
    deviation = attribute(form, "deviation_mm")
    assert np.nanpercentile(np.abs(deviation), 90) < 1.5 and np.isnan(deviation).any()  # the cut has no scan
    assert form.data.color_attributes.active_color.name == "deviation_mm_colour"
    assert scene.objects["ilse"].hide_get()


def test_where_no_head_is_found_three_landmarks_are_offered(scene, tmp_path):
    path = tmp_path / "egg.ply"
    write_mesh(path, shapes.sphere(100.0, 32))
    assert bpy.ops.arming_cap.import_scan(filepath=str(path)) == {"FINISHED"}
    scan = scene.objects["egg"]
    marks = {ob.name for ob in scan.children}
    assert marks == {"Left Ear", "Right Ear", "Nose Root"}
    assert not [ob for ob in scene.objects if ob.arming_cap.role == "FORM"]
    # Placed or not, an egg stays an egg.
    with pytest.raises(RuntimeError, match="landmarks"):
        bpy.ops.arming_cap.find_head()


def test_dragged_landmarks_replace_the_search(scene, file, bust):
    from arming_cap.blender import forms
    from arming_cap.core.formats import read_mesh

    read = read_mesh(file)
    scan = forms.add_mesh(scene, read.mesh, "ilse", 1.0)
    scan.arming_cap.scan_unit = "FIND"
    forms.choose(scan)
    bpy.ops.arming_cap.add_landmarks()
    with pytest.raises(RuntimeError, match="has its three landmarks"):
        bpy.ops.arming_cap.add_landmarks()
    for mark in scan.children:
        there = POSE.apply(bust[1][mark.arming_cap.landmark][None])[0] / 1000.0
        mark.location = there.tolist()
    scan.scale = (1000.0,) * 3
    assert bpy.ops.arming_cap.find_head() == {"FINISHED"}
    form = bpy.context.view_layer.objects.active
    assert form.arming_cap.role == "FORM" and "unit is m" in form.arming_cap.scan_says


def test_a_file_that_is_no_mesh_leaves_nothing(scene, tmp_path):
    path = tmp_path / "note.ply"
    path.write_text("no mesh")
    with pytest.raises(RuntimeError, match=r"note\.ply"):
        bpy.ops.arming_cap.import_scan(filepath=str(path))
    assert not scene.objects
