# SPDX-License-Identifier: GPL-3.0-or-later
"""Try-on rings and the split from the panel: shown before it is cut, one step to undo, sources kept."""

from __future__ import annotations

import bpy
import numpy as np
import pytest
import shapes
from stage_props import ball_in_band, put, select

from arming_cap.blender import overlay
from arming_cap.core.mesh import TriangleMesh


def tube_part(scene, unit_mm=1.0):
    """A tube of 300 mm, 60 mm across, 6 mm of wall, lying along X: too long for 220 mm."""
    tube = shapes.tube(24.0, 30.0, 300.0, 48)
    turned = tube.vertices[:, [2, 1, 0]] * [1, 1, -1]
    part = put(TriangleMesh(turned, tube.triangles), "PART", "Greave", unit_mm)
    part.arming_cap.piece = "Greave"
    select(part)
    own = scene.arming_cap.printer
    own.volume_width_mm = own.volume_depth_mm = own.volume_height_mm = 180.0
    return part


def corners(ob):
    points = np.array([v.co[:] for v in ob.data.vertices])
    matrix = np.array(ob.matrix_basis)
    return points @ matrix[:3, :3].T + matrix[:3, 3]


def kept(scene):
    from arming_cap.blender import splits

    return splits.says(scene)


def test_a_plan_is_shown_and_nothing_is_cut(scene):
    part = tube_part(scene)
    assert bpy.ops.arming_cap.plan_split() == {"FINISHED"}
    assert kept(scene)["piece"] == "Greave" and len(kept(scene)["parts"]) == 2
    fold = scene.collection.children["Plan of Greave"]
    cuts = [ob for ob in fold.objects if ob.arming_cap.cut == "PLANNED"]
    assert len(cuts) == 1 and len(fold.objects) == 3
    assert part.hide_get() and len(part.data.polygons) > 0
    assert bpy.ops.arming_cap.drop_plan() == {"FINISHED"}
    assert not part.hide_get() and not kept(scene) and "Plan of Greave" not in scene.collection.children


@pytest.mark.parametrize("unit_mm", [1.0, 1000.0])
def test_applying_adds_the_parts_where_they_are_worn(scene, unit_mm, tmp_path):
    scene.unit_settings.scale_length = unit_mm / 1000.0
    part = tube_part(scene, unit_mm)
    scene.arming_cap.printer.joint = "NONE"
    bpy.ops.arming_cap.plan_split()
    assert bpy.ops.arming_cap.apply_split() == {"FINISHED"}
    parts = scene.collection.children["Parts of Greave"].objects
    assert len(parts) == 2 and "Plan of Greave" not in scene.collection.children
    together = np.concatenate([corners(ob) for ob in parts]) * unit_mm
    whole = corners(part) * unit_mm
    assert np.abs(together.min(axis=0) - whole.min(axis=0)).max() < 0.01
    assert np.abs(together.max(axis=0) - whole.max(axis=0)).max() < 0.01
    assert bpy.ops.arming_cap.export_split(directory=str(tmp_path)) == {"FINISHED"}
    assert len(list(tmp_path.glob("greave-part-*.stl"))) == 2 and (tmp_path / "greave-assembly.3mf").exists()
    assert (tmp_path / "greave-build-sheet.html").exists()


def test_a_locked_cut_is_made(scene):
    tube_part(scene)
    scene.cursor.location = (100.0, 0.0, 0.0)
    bpy.ops.arming_cap.add_cut()
    mark = bpy.context.view_layer.objects.active
    assert mark.arming_cap.cut == "LOCKED"
    # Across the tube: Blender draws the circle about the object's own Y axis.
    mark.rotation_mode = "XYZ"
    mark.rotation_euler = (0.0, 0.0, np.radians(-90))
    select(scene.objects["Greave"])
    bpy.ops.arming_cap.plan_split()
    from arming_cap.blender import splits

    first = splits.planned_of(scene).plan.planes[0]
    assert abs(first.normal[0]) == pytest.approx(1.0, abs=1e-6)
    assert abs(first.offset) == pytest.approx(100.0, abs=1e-3)


def test_a_cut_can_be_kept_to_one_part_and_the_joints_be_chosen(scene, tmp_path):
    """Two bars side by side, each too long: cut at 100 and at 50, each cut in one of them alone."""
    from arming_cap.blender import splits

    bars = shapes.two(shapes.box((300, 30, 30), (0, -40, 0)), shapes.box((300, 30, 30), (0, 40, 0)))
    part = put(bars, "PART", "Rails")
    part.arming_cap.piece = "Rails"
    own = scene.arming_cap.printer
    own.volume_width_mm = own.volume_depth_mm = own.volume_height_mm = 180.0
    own.joint, own.joint_wide_mm, own.joint_deep_mm, own.material = "dowel", 6.0, 8.0, "PETG"
    own.shrinkage = (0.0, 0.0, 0.5)
    for x, y in ((60.0, -40.0), (-60.0, 40.0)):
        select(part)
        scene.cursor.location = (x, y, 0.0)
        bpy.ops.arming_cap.add_cut()
        mark = bpy.context.view_layer.objects.active
        mark.arming_cap.one_part = True
        mark.rotation_mode = "XYZ"
        mark.rotation_euler = (0.0, 0.0, np.radians(-90))
    select(part)
    bpy.ops.arming_cap.plan_split()
    planes = splits.planned_of(scene).plan.planes
    assert sorted(round(p.offset * p.normal[0]) for p in planes) == [-60, 60] and len(kept(scene)["parts"]) == 4
    bpy.ops.arming_cap.apply_split()
    joints = splits.done_of(scene).joints
    assert {j.kind for j in joints} == {"dowel"} and {round(j.diameter_mm, 3) for j in joints} == {6.2}
    bpy.ops.arming_cap.export_split(directory=str(tmp_path))
    assert list(tmp_path.glob("rails-dowel-*.stl"))
    assert "shrinkage of 0 x 0 x 0.5 %" in (tmp_path / "rails-build-sheet.html").read_text("utf-8")


def test_a_planned_cut_can_be_forbidden_and_stays_so(scene):
    from arming_cap.blender import splits

    tube_part(scene)
    bpy.ops.arming_cap.plan_split()
    (first,) = splits.planned_of(scene).plan.planes
    mark = next(ob for ob in scene.objects if ob.arming_cap.cut == "PLANNED")
    mark.arming_cap.cut = "FORBIDDEN"
    for _ in range(2):
        bpy.ops.arming_cap.plan_split()
        for plane in splits.planned_of(scene).plan.planes:
            alike = abs(np.dot(plane.normal, first.normal)) > np.cos(np.radians(5.0))
            assert not (alike and abs(abs(plane.offset) - abs(first.offset)) < 5.0)
    assert [ob.name for ob in scene.collection.objects if ob.arming_cap.cut == "FORBIDDEN"] == [mark.name]


def test_what_was_painted_stays_whole(scene):
    """Both ends are painted as one place: no cut can part them, so none is left, and the plan says so."""
    part = tube_part(scene)
    part.vertex_groups.new(name="Stays Whole").add(list(range(len(part.data.vertices))), 1.0, "REPLACE")
    bpy.ops.arming_cap.plan_split()
    assert [row.endswith("too large still") for row in kept(scene)["parts"]] == [True]
    with pytest.raises(RuntimeError, match="cannot be made to fit"):
        bpy.ops.arming_cap.apply_split()


def test_a_printer_that_is_far_too_small_is_refused_in_one_line(scene):
    tube_part(scene)
    own = scene.arming_cap.printer
    own.volume_width_mm = own.volume_depth_mm = own.volume_height_mm = 20.0
    with pytest.raises(RuntimeError, match="Greave"):
        bpy.ops.arming_cap.plan_split()
    assert not kept(scene)


def test_parts_are_told_apart_by_colour_as_a_new_file_shows_them(scene):
    """Solid shading shows materials. Dropping the plan leaves none of them behind."""
    tube_part(scene)
    bpy.ops.arming_cap.plan_split()
    parts = [ob for ob in scene.collection.children["Plan of Greave"].objects if ob.type == "MESH"]
    colours = [np.array(ob.active_material.diffuse_color[:3]) for ob in parts]
    assert np.linalg.norm(colours[0] - colours[1]) > 0.3
    bpy.ops.arming_cap.drop_plan()
    assert not bpy.data.materials


def test_rings_and_templates_are_written_and_shown(scene, tmp_path):
    _, band = ball_in_band()
    select(band)
    assert bpy.ops.arming_cap.make_rings(directory=str(tmp_path / "rings")) == {"FINISHED"}
    assert (tmp_path / "rings" / "templates.pdf").exists()
    assert list((tmp_path / "rings").glob("*.3mf"))
    rings = [ob for ob in scene.objects if ob.name.startswith("Band, ")]
    marks = [ob for ob in scene.objects if ob.arming_cap.ring]
    assert len(rings) == len(marks) >= 1
    for ring, mark in zip(sorted(rings, key=lambda o: o.name), sorted(marks, key=lambda o: o.name)):
        # Shown where it was cut: 8 mm about its plane.
        assert ring.name == f"Band, {mark.name}"
        level = corners(ring)[:, 2]
        assert (level.min(), level.max()) == pytest.approx((mark.location.z - 4, mark.location.z + 4), abs=0.01)


@pytest.mark.parametrize("unit_mm", [1.0, 1000.0])
def test_planes_are_added_moved_tilted_and_taken(scene, tmp_path, unit_mm):
    scene.unit_settings.scale_length = unit_mm / 1000.0
    _, band = ball_in_band(unit_mm)
    select(band)
    scene.cursor.location = (0.0, 0.0, 5.0 / unit_mm)
    assert bpy.ops.arming_cap.add_ring_plane() == {"FINISHED"}
    mark = bpy.context.view_layer.objects.active
    assert mark.arming_cap.ring
    mark.name = "brow"
    mark.location.z = 8.0 / unit_mm
    mark.rotation_mode = "XYZ"
    mark.rotation_euler = (np.radians(90 + 10), 0.0, 0.0)  # Blender draws the circle about its own Y axis
    bpy.context.view_layer.update()
    select(band)
    out = tmp_path / "rings"
    assert bpy.ops.arming_cap.make_rings(directory=str(out), levels="SHOWN") == {"FINISHED"}
    (ring,) = [ob for ob in scene.objects if ob.name.startswith("Band, ")]
    assert ring.name == "Band, brow" and (out / "band-ring-brow.3mf").exists()
    normal = np.array([0.0, -np.sin(np.radians(10)), np.cos(np.radians(10))])
    over = corners(ring) * unit_mm @ normal - 8.0 * normal[2]
    assert (over.min(), over.max()) == pytest.approx((-4, 4), abs=0.01)
    assert mark.name in scene.objects  # the maker's own plane stays


def test_no_plane_a_missing_one_and_a_torn_mesh_are_one_line_with_the_place_shown(scene, tmp_path):
    _, band = ball_in_band()
    select(band)
    out = tmp_path / "rings"
    with pytest.raises(RuntimeError, match="no plane is shown"):
        bpy.ops.arming_cap.make_rings(directory=str(out), levels="SHOWN")
    scene.cursor.location = (0.0, 0.0, 500.0)
    bpy.ops.arming_cap.add_ring_plane()
    select(band)
    with pytest.raises(RuntimeError, match="misses the piece"):
        bpy.ops.arming_cap.make_rings(directory=str(out), levels="SHOWN")
    sheet = put(shapes.revolved([(110, 0), (110, 100)], 90), "PART", "Sheet")  # a wall without thickness
    sheet.arming_cap.piece = "Sheet"
    select(sheet)
    with pytest.raises(RuntimeError, match="open edges, the first at"):
        bpy.ops.arming_cap.make_rings(directory=str(out))
    assert bpy.context.view_layer.objects.active == sheet and sheet.select_get()
    assert tuple(scene.cursor.location) == (0.0, 0.0, 500.0)  # the place is drawn in the view, the cursor is the user's
    assert np.hypot(*overlay.place.at_mm[:2]) == pytest.approx(110, abs=0.5)
    assert overlay.place.at_mm[2] in (0.0, 100.0)
    assert not out.exists()


def test_room_is_made_in_new_objects_and_the_piece_is_kept(scene):
    """A ball of 90 mm that keeps 11 mm, in a band of 100 to 103 mm: 1 mm is taken out, 1.2 mm and more are left."""
    form, band = ball_in_band()
    form.arming_cap.allowance_mm = 11.0
    select(band)
    assert bpy.ops.arming_cap.make_room() == {"FINISHED"}
    new = scene.objects["Band relieved"]
    assert new.arming_cap.role == "PART" and band.arming_cap.role == "NONE" and band.hide_get()
    level = [v.co[:] for v in new.data.vertices if abs(v.co[2]) < 5.0]
    radius = np.hypot(*np.array(level)[:, :2].T)
    assert radius.min() == pytest.approx(101.0, abs=0.35)
    assert corners(new).max(axis=0) == pytest.approx(corners(band).max(axis=0), abs=0.01)
