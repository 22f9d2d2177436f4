# SPDX-License-Identifier: GPL-3.0-or-later
"""Playing the passage: copies move in a scene of their own, and the scene that was checked stays as it is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import bpy
import numpy as np
from bpy.props import IntProperty
from bpy.types import Context, Object, Operator, Scene
from mathutils import Matrix, Quaternion, Vector

from ...core.piece import Hinge
from ...core.pose import Pose
from .. import results
from ..scene import mm_per_unit

MM_PER_FRAME, DEG_PER_FRAME = 4.0, 2.0
PINCH = "Pinch"
STRIP = "Trim Strip"


def passage_of(fit: dict[str, Any]) -> dict[str, Any] | None:
    """Return the donning verdict's passage, with `take_off` beside it, or None where none was searched."""
    for verdict in fit["verdicts"]:
        passage = verdict["details"].get("passage") if verdict["check"] == "donning" else None
        if passage and len(passage["path"]) > 1:
            return {
                **passage,
                "take_off": verdict["details"].get("take_off", []),
                "passes": verdict["verdict"] == "pass",
            }
    return None


class ARMINGCAP_OT_play_passage(Operator):
    """Show how the piece is put on, in a scene of its own: a marker at the pinch, and the strip that is met"""

    bl_idname = "arming_cap.play_passage"
    bl_label = "Play Passage"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        fit: int
    else:
        fit: IntProperty(name="Fit", description="Which piece on its wearer, counted from 0", min=0)

    @classmethod
    def poll(cls, context: Context) -> bool:
        if not any(passage_of(fit) for fit in results.of(context.scene).fits):
            cls.poll_message_set("Run the checks first: no passage was found yet")
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        fits = results.of(scene).fits
        passage = passage_of(fits[self.fit]) if self.fit < len(fits) else None
        if passage is None:
            self.report({"ERROR"}, "no passage was searched for this piece; run the checks again")
            return {"CANCELLED"}
        fit = fits[self.fit]
        from .. import scene as scenes

        cast = next((one for one in scenes.cast_of(scene) if one.piece == fit["piece"]), None)
        form = scene.objects.get(fit["wearer"])
        if cast is None or form is None:
            self.report({"ERROR"}, "the piece or its form is no longer in the scene; run the checks again")
            return {"CANCELLED"}
        mm = mm_per_unit(scene)
        away, depsgraph = passage["take_off"], scenes.depsgraph_of(scene)
        hinges = {name: scenes.hinge_of(scene.objects[name], depsgraph, mm) for name in away}
        worn = [scene.objects[name] for name in cast.parts if name not in away or hinges[name]]
        swings = {name: _swing(hinge, mm) for name, hinge in hinges.items() if hinge}
        strip = None if passage["passes"] else _strip(scene, fit["piece"], passage)
        stage = _stage(scene, f"Passage of {fit['piece']}")
        stage.collection.objects.link(form)
        _moved_along(stage, worn, passage, mm, strip, swings)
        if context.window is not None:
            context.window.scene = stage
        return {"FINISHED"}


def _stage(scene: Scene, name: str) -> Scene:
    """Return an empty scene that counts as the given one does, and remembers where to go back to."""
    stage = bpy.data.scenes.new(name)
    stage.unit_settings.system = scene.unit_settings.system
    stage.unit_settings.scale_length = scene.unit_settings.scale_length
    stage.arming_cap.unit = scene.arming_cap.unit
    stage.arming_cap.preview_of = scene.name
    return stage


def _strip(scene: Scene, piece: str, passage: dict[str, Any]) -> Any:
    """Return what the way meets of a piece that does not pass, as the core finds it; None where that is no trim."""
    from ...core.checks.size import flattened
    from ...core.fit.passage.donning import out_of_the_way
    from ...core.fit.passage.lift import seated
    from ...core.fit.passage.mending import TRIM_MM, strip_along
    from .. import scene as scenes

    draft = scenes.draft_of(scene)
    worn, form = next((one, form) for one, form in draft.worn if one.name == piece)
    wearer = flattened(draft.bodies[form].wearer(form), draft.padding_gives_mm)
    path = [Pose.of(p["translation_mm"], p["rotation_deg"]) for p in passage["path"]]
    rest = out_of_the_way(worn, tuple(passage["take_off"]))
    strip = strip_along(seated(rest, wearer, path[0]), path, path[0])
    return strip if strip is not None and strip.depth_mm <= TRIM_MM else None


def _swing(hinge: Hinge, mm: float) -> Matrix:
    """Return how a part swings open, in scene units."""
    point = Matrix.Translation((hinge.point_mm / mm).tolist())
    turn = Matrix.Rotation(math.radians(hinge.opens_deg), 4, Vector(hinge.axis.tolist()))
    return point @ turn @ point.inverted()


def _moved_along(
    stage: Scene, worn: list[Object], passage: dict[str, Any], mm: float, strip: Any, swings: dict[str, Matrix]
) -> None:
    """Copy the parts onto an empty that goes the way, hinged ones swung open: from its far end to the seat."""
    bpy.context.view_layer.update()
    corners = np.concatenate([np.array(ob.bound_box) @ _turn(ob).T + _place(ob) for ob in worn]) * mm
    # About the piece's own middle: what lies between two poses is then close to the motion that was checked.
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    poses = [Pose.of(p["translation_mm"], p["rotation_deg"]) for p in passage["path"]][::-1]
    frames = _frames(poses, middle)
    way = bpy.data.objects.new("Way", None)
    way.empty_display_type, way.empty_display_size = "PLAIN_AXES", 30.0 / mm
    way.rotation_mode = "QUATERNION"
    stage.collection.objects.link(way)
    back = Matrix.Translation((-middle / mm).tolist())
    for ob in worn:
        copy = ob.copy()
        copy.animation_data_clear()
        copy.arming_cap.role = "NONE"
        copy.parent = way
        copy.matrix_parent_inverse = Matrix.Identity(4)
        copy.matrix_basis = back @ swings.get(ob.name, Matrix.Identity(4)) @ ob.matrix_world
        stage.collection.objects.link(copy)
    if strip is not None:
        mesh = bpy.data.meshes.new(STRIP)
        mesh.from_pydata(
            (strip.corners.reshape(-1, 3) / mm).tolist(), [], np.arange(3 * len(strip.corners)).reshape(-1, 3).tolist()
        )
        shown = bpy.data.objects.new(f"{STRIP}, {strip.depth_mm:.0f} mm deep at most", mesh)
        shown.parent, shown.matrix_basis = way, back
        shown.show_name = shown.show_in_front = True
        stage.collection.objects.link(shown)
    before = Quaternion()
    for frame, pose in zip(frames, poses):
        turn = Matrix(pose.rotation.tolist()).to_quaternion()
        turn = -turn if turn.dot(before) < 0 else turn
        before = turn
        way.location = (pose.apply(middle) / mm).tolist()
        way.rotation_quaternion = turn
        way.keyframe_insert("location", frame=frame)
        way.keyframe_insert("rotation_quaternion", frame=frame)
    _straight_between(way)
    stage.frame_start, stage.frame_end = 1, round(frames[-1])
    step = len(poses) - 1 - passage["pinch_step"]
    pinch_frame = round(float(np.interp(step, np.arange(len(poses)), frames)))
    stage.timeline_markers.new(PINCH, frame=pinch_frame)
    at = np.array(passage["at"])
    there = Pose.of(passage["pinch_pose"]["translation_mm"], passage["pinch_pose"]["rotation_deg"])
    _mark(stage, f"{PINCH} on the Form", at / mm, 4.0 / mm, None)
    _mark(stage, f"{PINCH} on the Piece", (there.inverse().apply(at) - middle) / mm, 4.0 / mm, way)
    stage.frame_set(pinch_frame)


def _turn(ob: Object) -> Any:
    return np.array(ob.matrix_world)[:3, :3]


def _place(ob: Object) -> Any:
    return np.array(ob.matrix_world)[:3, 3]


def _frames(poses: list[Pose], middle: Any) -> list[float]:
    """Return the frame of each pose: as many as the way is long, and at least one between two."""
    frames = [1.0]
    for one, other in zip(poses, poses[1:]):
        length = float(np.linalg.norm(other.apply(middle) - one.apply(middle)))
        cosine = (np.trace(one.rotation.T @ other.rotation) - 1) / 2
        angle = float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
        frames.append(frames[-1] + max(length / MM_PER_FRAME, angle / DEG_PER_FRAME, 0.05))
    return frames


def _straight_between(ob: Object) -> None:
    """Let the object move straight from key to key: a smoothed curve would leave the way that was checked."""
    action = ob.animation_data.action
    curves = getattr(action, "fcurves", None)
    if curves is None:  # Blender 5: curves lie in a layer's strip, one bag for each slot
        curves = [
            c for layer in action.layers for strip in layer.strips for bag in strip.channelbags for c in bag.fcurves
        ]
    for curve in curves:
        for key in curve.keyframe_points:
            key.interpolation = "LINEAR"


def _mark(stage: Scene, name: str, at: Any, size: float, parent: Object | None) -> None:
    mark = bpy.data.objects.new(name, None)
    mark.empty_display_type, mark.empty_display_size = "SPHERE", size
    mark.location = at.tolist()
    mark.parent = parent
    mark.show_name = mark.show_in_front = True
    stage.collection.objects.link(mark)


class ARMINGCAP_OT_end_passage(Operator):
    """Go back to the scene that was checked, and drop the copies"""

    bl_idname = "arming_cap.end_passage"
    bl_label = "Back to the Scene"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if context.scene.arming_cap.preview_of:
            return True
        cls.poll_message_set("No passage is being played")
        return False

    def execute(self, context: Context) -> set[str]:
        stage = context.scene
        home = bpy.data.scenes.get(stage.arming_cap.preview_of)
        if home is None:
            self.report({"ERROR"}, f"there is no scene '{stage.arming_cap.preview_of}' any more")
            return {"CANCELLED"}
        own = [ob for ob in stage.objects if ob.users_scene == (stage,)]
        if context.window is not None:
            context.window.scene = home
        meshes = [ob.data for ob in own if ob.name.startswith(STRIP)]
        for ob in own:
            bpy.data.objects.remove(ob)
        for mesh in meshes:
            bpy.data.meshes.remove(mesh)
        bpy.data.scenes.remove(stage)
        return {"FINISHED"}


classes = (ARMINGCAP_OT_play_passage, ARMINGCAP_OT_end_passage)
