# SPDX-License-Identifier: GPL-3.0-or-later
"""Splitting a piece for the printer: a plan that is shown, then a cut in one step, then files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from bpy.types import Collection, Context, Object, Operator, Scene
from mathutils import Vector

from ...core.errors import InputError
from .. import forms, splits, work
from .. import scene as scenes
from ..language import tr, tr_error
from .export import IntoFolder
from .place import choose_part, show_place

PLAN, PARTS = "Plan", "Parts"
APART = 0.35
"""How far a plan's parts are drawn apart, as a share of their distance from the piece's middle."""

# Ours: warm beside cool, pale beside dark, so that neighbours differ for colour-blind eyes too. Parts have numbers.
COLOURS = (
    *((0.16, 0.36, 0.56), (0.83, 0.52, 0.20), (0.50, 0.70, 0.72), (0.50, 0.20, 0.26)),
    *((0.78, 0.74, 0.46), (0.24, 0.44, 0.30), (0.76, 0.58, 0.68), (0.36, 0.30, 0.50)),
)


def cast_to_split(context: Context) -> scenes.Cast | None:
    """Return the piece of the active part; where no part is active, the scene's only piece."""
    casts = scenes.cast_of(context.scene)
    active = context.active_object
    chosen = [one for one in casts if active is not None and active.name in one.parts]
    return chosen[0] if chosen else casts[0] if len(casts) == 1 else None


def new_fold(scene: Scene, kind: str, piece: str) -> Collection:
    """Return an empty collection for what is made of a piece; what an earlier run put there goes."""
    name = f"{kind} of {piece}"
    drop(scene, kind, piece)
    fold = bpy.data.collections.new(name)
    scene.collection.children.link(fold)
    return fold


def drop(scene: Scene, kind: str, piece: str) -> bool:
    """Remove what was made of a piece, but for cuts that the maker has fixed; return whether there was anything."""
    fold = scene.collection.children.get(f"{kind} of {piece}")
    if fold is None:
        return False
    for ob in list(fold.objects):
        if ob.arming_cap.cut in {"LOCKED", "FORBIDDEN"}:
            ob.arming_cap.piece = piece
            fold.objects.unlink(ob)
            scene.collection.objects.link(ob)
            continue
        data, materials = ob.data, [slot.material for slot in ob.material_slots]
        bpy.data.objects.remove(ob)
        if data is not None and not data.users:
            bpy.data.meshes.remove(data)
        for material in materials:
            if material is not None and not material.users:
                bpy.data.materials.remove(material)
    bpy.data.collections.remove(fold)
    return True


def _add(fold: Collection, name: str, mesh: Any, mm: float, number: int) -> Object:
    ob = forms.mesh_object(name, mesh, mm, smooth=False)
    colour = (*COLOURS[number % len(COLOURS)], 1.0)
    # In Solid shading Blender shows a material's viewport colour, in its other modes the material itself.
    material = bpy.data.materials.new(name)
    material.diffuse_color = ob.color = colour
    ob.data.materials.append(material)
    fold.objects.link(ob)
    return ob


class OnPiece:
    """An operator that needs the active piece."""

    @classmethod
    def poll(cls, context: Context) -> bool:
        if cast_to_split(context) is None:
            cls.poll_message_set(tr("Make a part of the piece the active object first"))
            return False
        return True


class OfPiece(OnPiece, work.InBackground):
    """Long work on the active piece."""

    _piece: str

    @classmethod
    def poll(cls, context: Context) -> bool:
        return super().poll(context) and cls.idle()

    def refused(self, context: Context, error: InputError) -> set[str]:
        """Say why, and go to the place where that can be shown."""
        if error.at is not None:
            choose_part(context, error.source)
            show_place(context, error.at, tr(error.what))
        return super().refused(context, error)


class ARMINGCAP_OT_plan_split(OfPiece, Operator):
    """Look for the best way to cut the piece for this printer, and show it. Nothing is cut yet. Esc stops"""

    bl_idname = "arming_cap.plan_split"
    bl_label = "Plan Split"
    bl_options = {"UNDO"}

    doing = "Planning the split"

    def begin(self, context: Context) -> work.Work:
        """Copy out the piece, the printer, and the cuts that the maker has fixed."""
        scene, cast = context.scene, cast_to_split(context)
        self._piece = cast.piece
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        members = [scene.objects[name] for name in cast.parts]
        meshes = [scenes.mesh_of(ob, depsgraph, mm) for ob in members]
        asked = splits.asked_of(scene, cast.piece, members, mm)
        name = cast.piece

        def task(progress: Any) -> Any:
            return splits.planned(meshes, name, asked, progress)

        return work.Work(task, "Uniting the parts", apart=False)

    def end(self, context: Context, result: splits.Planned) -> set[str]:
        """Show the plan's parts a little apart, its cuts as empties, and hide the piece meanwhile."""
        scene, mm = context.scene, scenes.mm_per_unit(context.scene)
        fold = new_fold(scene, PLAN, self._piece)
        middle = result.work.view.centre
        for number, part in enumerate(result.plan.parts):
            own = part.mesh.bounds.mean(axis=0)  # the name is drawn at the object's origin
            mesh = replace(part.mesh, vertices=part.mesh.vertices - own)
            ob = _add(fold, f"{self._piece} {number + 1}", mesh, mm, number)
            ob.location = ((own + APART * (own - middle)) / mm).tolist()
            ob.show_name = True
        size = 0.5 * float(np.ptp(result.box, axis=0).max()) / mm
        for number, plane in enumerate(result.plan.planes):
            mark = bpy.data.objects.new(f"Cut {number + 1}", None)
            mark.empty_display_type, mark.empty_display_size = "CIRCLE", size
            lay_circle(mark, plane.normal, plane.offset, middle, mm)
            mark.arming_cap.cut = "PLANNED"
            fold.objects.link(mark)
        for name in scenes_parts(scene, self._piece):
            scene.objects[name].hide_set(True)
        splits.keep(scene, self._piece, result)
        self.say("INFO", splits.says(scene)["says"][0])
        return {"FINISHED"}


def lay_circle(mark: Object, normal: Any, offset: float, middle: Any, mm: float) -> None:
    """Lay a circle into a plane: its own Y axis, which Blender draws the circle about, along the normal."""
    n = np.asarray(normal, float)
    at = middle - (float(middle @ n) - offset) * n
    mark.rotation_mode = "QUATERNION"
    mark.rotation_quaternion = Vector((0.0, 1.0, 0.0)).rotation_difference(Vector(n.tolist()))
    mark.location = (at / mm).tolist()


def scenes_parts(scene: Scene, piece: str) -> tuple[str, ...]:
    """Return the names of a piece's parts."""
    return next((cast.parts for cast in scenes.cast_of(scene) if cast.piece == piece), ())


def circle(name: str, piece: str, size: float) -> Object:
    """Return a new circle that stands for a plane through a piece, not yet in a scene; its size in scene units."""
    mark = bpy.data.objects.new(name, None)
    mark.empty_display_type, mark.empty_display_size, mark.arming_cap.piece = "CIRCLE", size, piece
    return mark


def at_cursor(mark: Object, scene: Scene) -> None:
    """Lay a circle level through the 3D cursor, and make it the active object."""
    mm, cursor = scenes.mm_per_unit(scene), np.array(scene.cursor.location)
    lay_circle(mark, (0.0, 0.0, 1.0), float(cursor[2]) * mm, cursor * mm, mm)
    scene.collection.objects.link(mark)
    forms.choose(mark)


class ARMINGCAP_OT_add_cut(OnPiece, Operator):
    """Add a cut through the 3D cursor that the next plan must make; turn and move it like any object"""

    bl_idname = "arming_cap.add_cut"
    bl_label = "Add Cut"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        mark = circle("Cut", cast_to_split(context).piece, 150.0 / scenes.mm_per_unit(scene))
        mark.arming_cap.cut = "LOCKED"
        at_cursor(mark, scene)
        return {"FINISHED"}


class ARMINGCAP_OT_drop_plan(Operator):
    """Remove the plan from the scene and show the piece again"""

    bl_idname = "arming_cap.drop_plan"
    bl_label = "Drop Plan"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if splits.says(context.scene):
            return True
        cls.poll_message_set(tr("There is no plan"))
        return False

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        piece = splits.says(scene)["piece"]
        drop(scene, PLAN, piece)
        for name in scenes_parts(scene, piece):
            scene.objects[name].hide_set(False)
        splits.forget(scene)
        return {"FINISHED"}


class ARMINGCAP_OT_apply_split(OfPiece, Operator):
    """Cut the piece by the plan, with joints, into new objects in worn position; the piece is kept, hidden"""

    bl_idname = "arming_cap.apply_split"
    bl_label = "Apply Split"
    bl_options = {"UNDO"}

    doing = "Cutting the piece"

    @classmethod
    def poll(cls, context: Context) -> bool:
        if splits.planned_of(context.scene) is None:
            cls.poll_message_set(tr("Plan the split first; a plan is of the session that made it"))
            return False
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Take the plan."""
        planned = splits.planned_of(context.scene)
        self._piece = planned.work.name
        return work.Work(lambda progress: splits.carried_out(planned, progress), "Cutting", apart=False)

    def end(self, context: Context, result: Any) -> set[str]:
        """Add the parts; the plan's preview goes."""
        scene, mm = context.scene, scenes.mm_per_unit(context.scene)
        drop(scene, PLAN, self._piece)
        fold = new_fold(scene, PARTS, self._piece)
        for part in result.parts:
            # As it comes out of the printer, shrunk; and from the plate to where it is worn.
            printed = replace(part.mesh, vertices=part.mesh.vertices / part.scale)
            _add(fold, part.mesh.name, printed.moved(part.worn), mm, part.number - 1)
        for name in scenes_parts(scene, self._piece):
            scene.objects[name].hide_set(True)
        splits.keep_done(scene, result)
        self.say("INFO", tr("{parts} parts, {joints} joints", parts=len(result.parts), joints=len(result.joints)))
        return {"FINISHED"}


class ARMINGCAP_OT_export_split(IntoFolder, Operator):
    """Write the parts as they print, the plates, the assembly and the build sheet to a folder"""

    bl_idname = "arming_cap.export_split"
    bl_label = "Export Parts"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if splits.done_of(context.scene) is None:
            cls.poll_message_set(tr("Apply the split first; its files are of the session that made it"))
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        from ...core.report.build_sheet import hand_over

        folder = Path(bpy.path.abspath(self.directory))
        try:
            written = hand_over(splits.done_of(context.scene), folder)
        except InputError as error:
            self.report({"ERROR"}, tr_error(error))
            return {"CANCELLED"}
        self.report({"INFO"}, tr("{count} parts written to {folder}", count=len(written["parts"]), folder=folder))
        return {"FINISHED"}


classes = (
    ARMINGCAP_OT_plan_split,
    ARMINGCAP_OT_add_cut,
    ARMINGCAP_OT_drop_plan,
    ARMINGCAP_OT_apply_split,
    ARMINGCAP_OT_export_split,
)
