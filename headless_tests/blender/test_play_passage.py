# SPDX-License-Identifier: GPL-3.0-or-later
"""Playing a passage: copies go the path that was checked, frame by frame, and the scene stays as it was."""

from __future__ import annotations

import re

import bpy
import numpy as np
import pytest
import shapes
from mathutils import Vector
from stage_props import ball_in_band

from arming_cap.core.pose import Pose

PATH = (((0, 0, 0), (0, 0, 0)), ((0, 5, 40), (10, 0, 0)), ((0, 20, 90), (30, 0, 0)), ((0, 30, 400), (30, 0, 0)))


def pose_dict(translation, rotation):
    return Pose.of(translation, rotation, pivot_mm=(0, 0, 1500.0)).as_dict()


@pytest.fixture
def checked(scene):
    """A band with verdicts on it whose passage tilts about a point far from the file's origin."""
    from arming_cap.blender import results

    ball_in_band()
    passage = {
        "path": [pose_dict(*step) for step in PATH],
        "at": [90.0, 0.0, 2.0],
        "pinch_step": 2.0,
        "pinch_pose": pose_dict(*PATH[2]),
    }
    verdict = {"check": "donning", "verdict": "pass", "details": {"passage": passage, "take_off": []}}
    fit = {"piece": "Band", "wearer": "Ball", "verdict": "pass", "verdicts": [verdict]}
    results.keep(scene, {"result": {"fits": [fit]}}, results.footing(scene), {})
    return scene


def state(scene):
    return {ob.name: np.array(ob.matrix_world).round(6).tolist() for ob in scene.objects}


def test_the_copy_stands_in_every_pose_of_the_path(checked):
    before = state(checked)
    assert bpy.ops.arming_cap.play_passage(fit=0) == {"FINISHED"}
    stage = bpy.data.scenes["Passage of Band"]
    copy = next(ob for ob in stage.objects if ob.name.startswith("Band"))
    home = np.array(checked.objects["Band"].matrix_world)
    keys = sorted({key.co.x for curve in curves(stage.objects["Way"]) for key in curve.keyframe_points})
    assert len(keys) == len(PATH) and keys[0] == 1.0
    for frame, step in zip(keys, reversed(PATH)):
        stage.frame_set(int(frame), subframe=frame % 1.0)
        pose = Pose.of(*pose_dict(*step).values())
        expected = np.eye(4)
        expected[:3, :3], expected[:3, 3] = pose.rotation, pose.translation_mm
        assert np.abs(np.array(copy.matrix_world) - expected @ home).max() < 0.02
    assert state(checked) == before and len(checked.objects) == 2
    assert copy.arming_cap.role == "NONE"


def curves(ob):
    action = ob.animation_data.action
    found = getattr(action, "fcurves", None)
    return found or [c for la in action.layers for st in la.strips for bag in st.channelbags for c in bag.fcurves]


def test_it_begins_at_the_pinch_where_two_marks_meet(checked):
    bpy.ops.arming_cap.play_passage(fit=0)
    stage = bpy.data.scenes["Passage of Band"]
    marker = stage.timeline_markers[0]
    assert marker.name == "Pinch" and marker.frame == stage.frame_current
    on_form, on_piece, way = (stage.objects[name] for name in ("Pinch on the Form", "Pinch on the Piece", "Way"))
    gap = on_form.location - way.matrix_basis @ on_piece.location
    # The marker stands on a whole frame: at the most half a frame's way from the pinch.
    assert gap.length < 4.0


def test_going_back_leaves_nothing_behind(checked):
    from arming_cap.blender.operators.passage import ARMINGCAP_OT_end_passage as back

    before = state(checked)
    bpy.ops.arming_cap.play_passage(fit=0)
    stage = bpy.data.scenes["Passage of Band"]
    with bpy.context.temp_override(scene=stage):
        assert back.poll(bpy.context)
        bpy.ops.arming_cap.end_passage()
    assert [one.name for one in bpy.data.scenes] == [checked.name]
    assert state(checked) == before and {ob.name for ob in bpy.data.objects} == {"Ball", "Band"}


def test_a_part_that_is_gone_is_said(checked):
    bpy.data.objects.remove(checked.objects["Ball"])
    with pytest.raises(RuntimeError, match="no longer in the scene"):
        bpy.ops.arming_cap.play_passage(fit=0)
    with pytest.raises(RuntimeError, match="No passage was searched"):
        bpy.ops.arming_cap.play_passage(fit=4)


def test_a_search_that_is_stopped_keeps_its_bounds():
    import shapes

    from arming_cap.blender.work import Work
    from arming_cap.core.errors import Cancelled
    from arming_cap.core.fit.passage.donning import find_passage
    from arming_cap.core.piece import Part, Piece
    from arming_cap.core.wearer.form import Form, Wearer

    helm = Piece("helm", (Part("helm", shapes.dome(45, 48, -25, 48, 16)),))
    ball = Wearer("ball", Form(shapes.sphere(40, 48)))

    class Watched(Work):
        steps = 0

        def __call__(self, fraction, text):
            self.steps += 1
            if self.steps > 1 and self.bounds:  # as Esc does, between two steps
                self.stop()
            super().__call__(fraction, text)

    work = Watched(lambda progress: find_passage(helm, ball, Pose(), progress=progress), apart=False)
    work.run()
    assert isinstance(work.error, Cancelled) and work.result is None
    said = re.fullmatch(
        r"stopped, nothing has changed; so far, passage: pinch between (\S+) and (\S+) mm", work.stopped
    )
    # Closed form: a neck of 37.4 mm over a ball of 40, both of flat facets; worn, there are 5 mm.
    assert -2.7 < float(said[1]) < -2.2 and 4.7 < float(said[2]) < 5.1
    assert Work(lambda progress: None).stopped == "stopped, nothing has changed"


def test_what_the_way_meets_is_shown_as_a_strip_on_the_piece(scene):
    from arming_cap.blender import results

    form, _ = ball_in_band(inner=88.0)
    form.arming_cap.allowance_mm = 0.0  # too narrow for a ball of 90: the band is met where it passes the equator
    path = [Pose.of((0, 0, z)).as_dict() for z in (0.0, 400.0)]
    passage = {"path": path, "at": [88.0, 0.0, 0.0], "pinch_step": 0.0, "pinch_pose": path[0]}
    verdict = {"check": "donning", "verdict": "fail", "details": {"passage": passage, "take_off": []}}
    fit = {"piece": "Band", "wearer": "Ball", "verdict": "fail", "verdicts": [verdict]}
    results.keep(scene, {"result": {"fits": [fit]}}, results.footing(scene), {})
    # The whole band is met inside: that is no trim. Drawn up from above the equator only its lower edge is.
    assert bpy.ops.arming_cap.play_passage(fit=0) == {"FINISHED"}
    stage = bpy.data.scenes["Passage of Band"]
    assert not [ob for ob in stage.objects if ob.name.startswith("Trim Strip")]
    with bpy.context.temp_override(scene=stage):
        bpy.ops.arming_cap.end_passage()
    raised = Pose.of((0, 0, 40.0)).as_dict()
    passage.update(path=[raised, path[1]], pinch_pose=raised)
    results.keep(scene, {"result": {"fits": [fit]}}, results.footing(scene), {})
    bpy.ops.arming_cap.play_passage(fit=0)
    stage = bpy.data.scenes["Passage of Band"]
    (strip,) = (ob for ob in stage.objects if ob.name.startswith("Trim Strip"))
    assert strip.parent == stage.objects["Way"] and "mm deep at most" in strip.name
    points = np.array([v.co for v in strip.data.vertices])
    # Inside the ball a radius of 88 lies below z = 18.9; the band's edge is worn at 10 there. A wall's depth goes too.
    assert points[:, 2].min() == pytest.approx(-30, abs=0.01) and -21.1 < points[:, 2].max() < -11
    worn = (np.array(strip.matrix_world) @ np.column_stack([points, np.ones(len(points))]).T)[2]
    np.testing.assert_allclose(worn, points[:, 2] + 40, atol=0.1)
    with bpy.context.temp_override(scene=stage):
        bpy.ops.arming_cap.end_passage()
    assert not [mesh for mesh in bpy.data.meshes if mesh.name.startswith("Trim Strip")]


def test_a_hinged_part_is_shown_swung_open(checked):
    from stage_props import put

    from arming_cap.blender import results

    visor = put(shapes.box((5.0, 5.0, 5.0), (0, -120, 0)), "REMOVABLE", "Visor")
    pivot = bpy.data.objects.new("Pivot", None)
    checked.collection.objects.link(pivot)
    pivot.rotation_euler = (0, np.pi / 2, 0)  # its Z along the scene's X
    visor.arming_cap.hinge, visor.arming_cap.opens = pivot, np.radians(-90.0)
    (fit,) = results.of(checked).fits
    fit["verdicts"][0]["details"]["take_off"] = ["Visor"]
    results.keep(checked, {"result": {"fits": [fit]}}, results.footing(checked), {})
    bpy.context.view_layer.update()
    assert bpy.ops.arming_cap.play_passage(fit=0) == {"FINISHED"}
    stage = bpy.data.scenes["Passage of Band"]
    copy = next(ob for ob in stage.objects if ob.name.startswith("Visor"))
    last = max(key.co.x for curve in curves(stage.objects["Way"]) for key in curve.keyframe_points)
    stage.frame_set(int(last), subframe=last % 1.0)  # worn again: swung by a quarter turn about X it stands above
    corners = np.array([copy.matrix_world @ Vector(corner) for corner in copy.bound_box])
    assert corners.mean(axis=0) == pytest.approx((0, 0, 120), abs=0.05)
