# SPDX-License-Identifier: GPL-3.0-or-later
"""Objects as the core sees them: units, modifiers, roles, and what is refused."""

from __future__ import annotations

import json
import re

import bpy
import numpy as np
import pytest
import shapes
from stage_props import ball_in_band, put, select

from arming_cap.core.errors import InputError
from arming_cap.core.mesh import TriangleMesh


def scenes():
    from arming_cap.blender import scene

    return scene


def read(ob):
    module = scenes()
    scene = bpy.context.scene
    return module.mesh_of(ob, module.depsgraph_of(scene), module.mm_per_unit(scene))


@pytest.mark.parametrize(
    ("system", "scale", "choice", "mm", "words"),
    [
        ("METRIC", 1.0, "SCENE", 1000.0, "1 unit is 1 m"),
        ("METRIC", 0.001, "SCENE", 1.0, "1 unit is 1 mm"),
        ("METRIC", 0.01, "SCENE", 10.0, "1 unit is 1 cm"),
        ("IMPERIAL", 1.0, "SCENE", 1000.0, "1 unit is 1 m"),  # Blender counts in metres and shows feet
        ("IMPERIAL", 0.0254, "SCENE", 25.4, "1 unit is 1 inch"),  # the international inch of 1959, from memory
        ("IMPERIAL", 0.3048, "SCENE", 304.8, "1 unit is 1 foot"),
        ("NONE", 1.0, "SCENE", 1.0, "1 unit is 1 mm"),
        ("METRIC", 1.0, "MM", 1.0, "1 unit is 1 mm"),
        ("METRIC", 0.001, "M", 1000.0, "1 unit is 1 m"),
    ],
)
def test_a_box_is_as_long_as_its_unit_says(scene, system, scale, choice, mm, words):
    scene.unit_settings.system, scene.unit_settings.scale_length = system, scale
    scene.arming_cap.unit = choice
    box = put(shapes.box((2.0, 3.0, 4.0)))
    assert scenes().mm_per_unit(scene) == mm
    assert scenes().unit_in_words(scene) == words
    np.testing.assert_allclose(np.ptp(read(box).bounds, axis=0), np.array([2, 3, 4]) * mm, rtol=1e-9)


def test_the_world_matrix_and_modifiers_count(scene):
    box = put(shapes.box((10.0, 20.0, 30.0)))
    parent = bpy.data.objects.new("Hanger", None)
    scene.collection.objects.link(parent)
    parent.location = (0, 0, 500)
    box.parent = parent
    box.rotation_euler = (0, 0, np.pi / 2)
    box.scale = (2, 1, 1)
    mirror = box.modifiers.new("Copies", "ARRAY")
    mirror.count, mirror.use_relative_offset, mirror.use_constant_offset = 2, False, True
    mirror.constant_offset_displace = (0, 0, 100)
    mesh = read(box)
    # By hand: x is doubled to 20 and turned into y; two copies 100 mm apart; 500 mm up.
    np.testing.assert_allclose(mesh.bounds, [[-10, -10, 485], [10, 10, 615]], atol=1e-4)
    assert mesh.soundness.shells == 2 and mesh.soundness.solid


@pytest.mark.parametrize("scale", [(-1, 1, 1), (-1, -1, -1), (-1, -1, 1)])
def test_a_mirrored_object_is_not_inside_out(scene, scale):
    ball = put(shapes.sphere(50.0, 32))
    ball.scale = scale
    assert read(ball).volume_mm3 == pytest.approx(shapes.sphere(50.0, 32).volume_mm3, rel=1e-5)


def test_double_precision_starts_before_the_world_matrix(scene):
    box = put(shapes.box((1.0, 1.0, 1.0)))
    box.location = (12345.678, 0, 0)
    stored = np.float32(12345.678)  # Blender keeps locations in single precision; nothing is lost after that
    assert read(box).bounds[1, 0] == pytest.approx(float(stored) + 0.5, abs=1e-9)


def test_what_is_being_edited_is_read_as_it_is_seen(scene):
    box = put(shapes.box((10.0, 10.0, 10.0)))
    select(box)
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.transform.resize(value=(3, 3, 3))
    try:
        np.testing.assert_allclose(np.ptp(read(box).bounds, axis=0), 30.0, atol=1e-4)
    finally:
        bpy.ops.object.mode_set(mode="OBJECT")


def test_an_eye_closed_in_the_outliner_takes_nothing_away(scene):
    """A face part hidden to look inside the helm is still checked, modifiers and all."""
    box = put(shapes.box((10.0, 10.0, 10.0)))
    box.modifiers.new("Finer", "SUBSURF")
    seen = read(box)
    box.hide_set(True)
    box.location.x = 5
    assert len(read(box)) == len(seen) > 12
    assert read(box).bounds.mean(axis=0)[0] == pytest.approx(5.0, abs=1e-6)


def nothing(scene):
    return put(TriangleMesh(np.zeros((3, 3)), np.empty((0, 3), int), "Empty"), "PART")


def not_finite(scene):
    ob = put(shapes.box(name="Broken"), "PART")
    ob.data.vertices[0].co.x = float("nan")
    return ob


def flat(scene):
    return put(TriangleMesh(np.zeros((3, 3)), np.array([[0, 1, 2]]), "Flat"), "PART")


def far_away(scene):
    ob = put(shapes.box(name="Far"), "PART")
    ob.location.x = 2e6
    return ob


def switched_off(scene):
    ob = put(shapes.box((100.0, 100.0, 100.0), name="Off"), "PART")
    ob.hide_viewport = True
    return ob


def excluded(scene):
    collection = bpy.data.collections.new("Later")
    scene.collection.children.link(collection)
    ob = put(shapes.box((100.0, 100.0, 100.0), name="Later"), "PART")
    scene.collection.objects.unlink(ob)
    collection.objects.link(ob)
    bpy.context.view_layer.layer_collection.children["Later"].exclude = True
    return ob


def open_form(scene):
    ob = scene.objects["Ball"]
    cut = TriangleMesh(shapes.sphere(90.0, 32).vertices, shapes.sphere(90.0, 32).triangles[5:], "Ball")
    ob.data.clear_geometry()
    ob.data.from_pydata(cut.vertices.tolist(), [], cut.triangles.tolist())
    return ob


@pytest.mark.parametrize(
    ("spoil", "name", "says"),
    [
        (nothing, "Empty", "no faces"),
        (not_finite, "Broken", "not finite"),
        (flat, "Flat", "zero area"),
        (far_away, "Far", "kilometre"),
        (switched_off, "Off", "switched off"),
        (excluded, "Later", "switched off"),
        (open_form, "Ball", "not closed"),
    ],
)
def test_what_cannot_be_checked_is_refused_in_one_line_and_changes_nothing(scene, spoil, name, says):
    """The button says word for word what the command line would, and the scene is as it was."""
    ball_in_band()
    spoil(scene)
    bpy.context.view_layer.update()
    scene.arming_cap.results = "kept"
    before = state(scene)
    with pytest.raises(InputError) as told:
        scenes().job_of_scene(scene)
    line = str(told.value)
    assert line.startswith(f"{name}: ") and says in line and ";" in line and "\n" not in line
    doubts = scenes().size_doubts(scene)  # the button is off with that reason, before anything is read
    with pytest.raises(RuntimeError, match=re.escape(doubts[0] if doubts else line)):
        bpy.ops.arming_cap.check_fit()
    assert state(scene) == before


def state(scene):
    return json.dumps(
        [
            (ob.name, ob.arming_cap.role, str(ob.matrix_world), len(ob.data.vertices), ob.select_get(view_layer=None))
            if ob.name in bpy.context.view_layer.objects
            else ob.name
            for ob in scene.objects
        ]
        + [scene.arming_cap.results, str(scene.cursor.location), len(bpy.data.meshes), len(bpy.data.objects)]
    )


def test_roles_given_to_a_selection(scene):
    a, b, c = put(shapes.box(name="A")), put(shapes.box(name="B")), put(shapes.box(name="C"))
    select(a, b)
    assert bpy.ops.arming_cap.set_role(role="REMOVABLE") == {"FINISHED"}
    assert [ob.arming_cap.role for ob in (a, b, c)] == ["REMOVABLE", "REMOVABLE", "NONE"]
    assert [ob.name for ob in scenes().parts(scene)] == ["A", "B"]


def test_what_is_missing_is_said_step_by_step(scene):
    assert "no object is a wearer" in str(scenes().missing(scene))
    _, part = ball_in_band()
    assert scenes().missing(scene) is None
    part.arming_cap.role = "NONE"
    assert "part of a piece" in str(scenes().missing(scene))


def test_two_wearers_and_two_pieces(scene):
    _, part = ball_in_band()
    other = put(shapes.sphere(80.0, 32), "FORM", "Other")
    assert "which wearer" in str(scenes().missing(scene))
    select(part)
    assert bpy.ops.arming_cap.set_piece(piece="Collar", worn_by="Other") == {"FINISHED"}
    second = put(shapes.tube(100.0, 103.0, 20.0), "PART", "Ring")
    select(second)
    with pytest.raises(RuntimeError, match="no form"):
        bpy.ops.arming_cap.set_piece(piece="Ring", worn_by="Band")
    bpy.ops.arming_cap.set_piece(piece="Ring", worn_by="Ball")
    worn = [(cast.piece, cast.parts, cast.form) for cast in scenes().cast_of(scene)]
    assert worn == [("Collar", ("Band",), "Other"), ("Ring", ("Ring",), "Ball")]
    bpy.data.objects.remove(other)
    assert "which wearer" not in str(scenes().missing(scene))  # one form is left: there is no choice to make


def test_a_job_holds_what_the_scene_says(scene):
    form, part = ball_in_band()
    visor = put(shapes.box((5.0, 5.0, 5.0), (0, -120, 0)), "REMOVABLE", "Visor")
    form.arming_cap.allowance_mm = 6.1
    select(form)
    bpy.ops.arming_cap.add_allowance()
    bpy.ops.arming_cap.add_allowance()
    form.arming_cap.allowances[1].region = "nape"
    form.arming_cap.allowances[1].room_mm = 1.5
    scene.arming_cap.seat = "best"
    job = scenes().job_of_scene(scene)
    (fitting,) = job.fittings
    assert fitting.piece.name == "Band" and fitting.wearer.name == "Ball" and fitting.seat == "best"
    assert [(p.name, p.removable) for p in fitting.piece.parts] == [("Band", False), ("Visor", True)]
    assert fitting.wearer.allowance_mm == {"default": 6.1, "ear_left": -2.0, "nape": 1.5}
    assert [entry["file"] for entry in job.inputs] == ["Ball", "Band", "Visor"]
    bpy.ops.arming_cap.remove_allowance(row=0)
    assert [row.region for row in form.arming_cap.allowances] == ["nape"]
    assert visor.arming_cap.role == "REMOVABLE" and part.arming_cap.role == "PART"


def test_a_removable_part_swings_about_its_empty(scene):
    ball_in_band()
    visor = put(shapes.box((5.0, 5.0, 5.0), (0, -120, 0)), "REMOVABLE", "Visor")
    empty = bpy.data.objects.new("Pivot", None)
    scene.collection.objects.link(empty)
    empty.location, empty.rotation_euler, empty.scale = (0, 10, 40), (0, np.pi / 2, 0), (3, 3, 3)
    visor.arming_cap.hinge, visor.arming_cap.opens = empty, np.radians(-110.0)
    band, part = scenes().job_of_scene(scene).fittings[0].piece.parts
    assert band.hinge is None and part.hinge.opens_deg == pytest.approx(-110.0, abs=1e-3)
    np.testing.assert_allclose(part.hinge.point_mm, (0, 10, 40), atol=1e-4)
    np.testing.assert_allclose(part.hinge.axis, (1, 0, 0), atol=1e-6)
    visor.arming_cap.role = "PART"  # then it does not come off, nor swing
    assert scenes().job_of_scene(scene).fittings[0].piece.parts[1].hinge is None
    visor.arming_cap.role, empty.scale = "REMOVABLE", (0, 0, 0)
    with pytest.raises(Exception, match="scaled to nothing"):
        scenes().job_of_scene(scene)


def test_the_same_scene_in_metres_and_in_millimetres_is_the_same_job(scene):
    ball_in_band()
    small = scenes().job_of_scene(scene).fittings[0]
    for ob in list(scene.objects):
        bpy.data.objects.remove(ob)
    scene.unit_settings.scale_length = 1.0
    ball_in_band(unit_mm=1000.0)
    large = scenes().job_of_scene(scene).fittings[0]
    for a, b in ((small.piece.mesh, large.piece.mesh), (small.wearer.form.mesh, large.wearer.form.mesh)):
        np.testing.assert_allclose(a.vertices, b.vertices, atol=1e-4)  # single precision in Blender


@pytest.mark.parametrize(("scale", "words"), [(1.0, "larger than a door"), (0.00001, "smaller than a thimble")])
def test_an_odd_size_is_warned_of_and_never_converted(scene, scale, words):
    ball_in_band()
    assert scenes().size_doubts(scene) == []
    scene.unit_settings.scale_length = scale
    doubts = scenes().size_doubts(scene)
    assert len(doubts) == 2 and all(words in doubt for doubt in doubts)
    if scale < 1:  # larger than a kilometre is refused outright
        assert scenes().job_of_scene(scene).warnings == tuple(doubts)
