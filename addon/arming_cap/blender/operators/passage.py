# SPDX-License-Identifier: GPL-3.0-or-later
"""Playing the passage: copies move in a scene of their own, and the scene that was checked stays as it is."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import bpy
import numpy as np
from bpy.types import Context, Object, Operator, Scene
from mathutils import Matrix, Quaternion, Vector

from ... import errands
from ...core.errors import InputError
from ...core.piece import Hinge
from ...core.pose import Pose
from .. import results, work
from .. import scene as scenes
from ..language import tr

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


class ARMINGCAP_OT_play_passage(work.InBackground, Operator):
    """Play how the piece is put on, in a scene of its own: a marker at the pinch, and the strip that is met"""

    bl_idname = "arming_cap.play_passage"
    bl_label = "Play Passage"
    bl_options = {"UNDO"}

    doing = "Looking at the way"

    _fit: dict[str, Any]
    _passage: dict[str, Any]

    if TYPE_CHECKING:
        fit: int
    else:
        fit: results.hidden_row("Fit", "Which piece on its wearer, counted from 0")

    @classmethod
    def poll(cls, context: Context) -> bool:
        if not any(passage_of(fit) for fit in results.of(context.scene).fits):
            cls.poll_message_set(tr("Run the checks first: no passage was found yet"))
            return False
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Find the passage; what it meets of a piece that does not pass is looked for beside the window."""
        scene = context.scene
        fits = results.of(scene).fits
        passage = passage_of(fits[self.fit]) if self.fit < len(fits) else None
        if passage is None:
            raise InputError("no passage was searched for this piece", remedy="run the checks again")
        self._fit, self._passage = fits[self.fit], passage
        _cast_and_form(scene, self._fit)
        if passage["passes"]:
            return work.Work(lambda progress: None, apart=False)
        return work.Work(partial(errands.strip, scenes.draft_of(scene), self._fit["piece"], passage))

    def end(self, context: Context, result: Any) -> set[str]:
        """Build the scene, and play."""
        scene, fit, passage = context.scene, self._fit, self._passage
        try:
            cast, form = _cast_and_form(scene, fit)
            mm, away, depsgraph = scenes.mm_per_unit(scene), passage["take_off"], scenes.depsgraph_of(scene)
            hinges = {name: scenes.hinge_of(scene.objects[name], depsgraph, mm) for name in away}
        except InputError as error:
            return self.refused(context, error)
        worn = [scene.objects[name] for name in cast.parts if name not in away or hinges[name]]
        swings = {name: _swing(hinge, mm) for name, hinge in hinges.items() if hinge}
        stage = _stage(scene, f"Passage of {fit['piece']}")
        stage.collection.objects.link(form)
        _moved_along(stage, worn, passage, mm, result, swings)
        _put_aside(stage, [scene.objects[name] for name in away if not hinges[name]], form)
        if context.window is not None:
            context.window.scene = stage
        if not bpy.app.background:
            stage.frame_set(1)
            if not context.screen.is_animation_playing:
                bpy.ops.screen.animation_play()
        return {"FINISHED"}


def _cast_and_form(scene: Scene, fit: dict[str, Any]) -> tuple[scenes.Cast, Object]:
    """Return the piece of a fit and its form; raises `InputError` where they are gone."""
    cast = next((one for one in scenes.cast_of(scene) if one.piece == fit["piece"]), None)
    form = scene.objects.get(fit["wearer"])
    if cast is None or form is None:
        raise InputError("the piece or its wearer is no longer in the scene", remedy="run the checks again")
    return cast, form


UNITS = "length_unit mass_unit time_unit temperature_unit system_rotation scale_length".split()


def _stage(scene: Scene, name: str) -> Scene:
    """Return an empty scene that counts as the given one does, and remembers where to go back to."""
    stage = bpy.data.scenes.new(name)
    before = {one: {key: getattr(one.unit_settings, key) for key in UNITS} for one in bpy.data.scenes if one != stage}
    stage.unit_settings.system = scene.unit_settings.system
    for key in UNITS:
        setattr(stage.unit_settings, key, before[scene][key])
    # Blender answers a change of the system by resetting the units of the scene that the window shows.
    for one, units in before.items():
        for key, value in units.items():
            setattr(one.unit_settings, key, value)
    stage.arming_cap.unit = scene.arming_cap.unit
    stage.arming_cap.preview_of = scene.name
    return stage


def _put_aside(stage: Scene, gone: list[Object], form: Object) -> None:
    """Show the parts that are taken off as wires, beside the wearer."""
    corners = np.array(form.bound_box) @ _turn(form).T + _place(form)
    for ob in gone:
        own = np.array(ob.bound_box) @ _turn(ob).T + _place(ob)
        copy = ob.copy()
        copy.name = f"{ob.name}, Taken Off"
        copy.animation_data_clear()
        copy.arming_cap.role = "NONE"
        copy.parent = None
        aside = float(corners[:, 0].max() - own[:, 0].min() + 0.3 * np.ptp(own[:, 0]))
        copy.matrix_world = Matrix.Translation((aside, 0.0, 0.0)) @ ob.matrix_world
        copy.display_type, copy.show_name = "WIRE", True
        stage.collection.objects.link(copy)


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
    on_form = _mark(stage, f"{PINCH} on the Form", at / mm, 4.0 / mm, None)
    on_form.show_name = False  # both lie on each other at the pinch: one name is readable, two are not
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


def _mark(stage: Scene, name: str, at: Any, size: float, parent: Object | None) -> Object:
    mark = bpy.data.objects.new(name, None)
    mark.empty_display_type, mark.empty_display_size = "SPHERE", size
    mark.location = at.tolist()
    mark.parent = parent
    mark.show_name = mark.show_in_front = True
    stage.collection.objects.link(mark)
    return mark


class ARMINGCAP_OT_end_passage(Operator):
    """Go back to the scene that was checked, and drop the copies"""

    bl_idname = "arming_cap.end_passage"
    bl_label = "Back to the Scene"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if context.scene.arming_cap.preview_of:
            return True
        cls.poll_message_set(tr("No passage is being played"))
        return False

    def execute(self, context: Context) -> set[str]:
        stage = context.scene
        home = bpy.data.scenes.get(stage.arming_cap.preview_of)
        if home is None:
            self.report({"ERROR"}, tr("there is no scene '{scene}' any more", scene=stage.arming_cap.preview_of))
            return {"CANCELLED"}
        own = [ob for ob in stage.objects if ob.users_scene == (stage,)]
        if context.window is not None:
            context.window.scene = home
        if not bpy.app.background and context.screen.is_animation_playing:
            bpy.ops.screen.animation_cancel(restore_frame=False)
        meshes = [ob.data for ob in own if ob.name.startswith(STRIP)]
        actions = [ob.animation_data.action for ob in own if ob.animation_data and ob.animation_data.action]
        for ob in own:
            bpy.data.objects.remove(ob)
        for action in actions:
            if not action.users:
                bpy.data.actions.remove(action)
        for mesh in meshes:
            bpy.data.meshes.remove(mesh)
        bpy.data.scenes.remove(stage)
        return {"FINISHED"}


classes = (ARMINGCAP_OT_play_passage, ARMINGCAP_OT_end_passage)
