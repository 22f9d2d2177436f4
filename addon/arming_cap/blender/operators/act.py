# SPDX-License-Identifier: GPL-3.0-or-later
"""Acting on a verdict: the size it gives, the seat it found, a ring where it limits. Each is one step of undo."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from bpy.props import StringProperty
from bpy.types import Context, Object, Operator, Scene
from mathutils import Matrix, Vector

from ... import errands
from ...core.errors import InputError
from .. import forms, results, work
from .. import scene as scenes
from ..language import tr
from .rings import ring_circle
from .split import lay_circle

if TYPE_CHECKING:
    from ...core.piece import Piece
    from ...core.pose import Pose

STEP = 0.001
"""Scales are given in tenths of a per cent, rounded up: what is typed into a slicer."""


def cast_of_fit(scene: Scene, row: int) -> tuple[dict[str, Any], scenes.Cast] | None:
    """Return a fit of the last run and its piece as it is in the scene now; None where either is gone."""
    fits = results.of(scene).fits
    if row >= len(fits):
        return None
    cast = next((one for one in scenes.cast_of(scene) if one.piece == fits[row]["piece"]), None)
    return None if cast is None else (fits[row], cast)


def _piece_of_fit(scene: Scene, row: int) -> Piece:
    """Return a copy of a fit's piece as it is in the scene now; raises `InputError` where it is gone."""
    from ...core.piece import Part, Piece

    found = cast_of_fit(scene, row)
    if found is None:
        raise InputError("the piece is no longer in the scene", remedy="run the checks again")
    cast, mm, depsgraph = found[1], scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
    parts = tuple(Part(name, scenes.mesh_of(scene.objects[name], depsgraph, mm)) for name in cast.parts)
    return Piece(cast.piece, parts)


def scale_that_fits(size: dict[str, Any] | None) -> float | None:
    """Return the scale to print at, of what was checked; None where none is known."""
    return size.get("print_at") if size else None


def scaling(scene: Scene, row: int) -> tuple[float, float | None] | None:
    """Return by what to scale a fit's piece, and what it is then of its file; None where no scale is known to fit.

    The second is None where the objects say no single scale.
    """
    found = cast_of_fit(scene, row)
    fits = None if found is None else scale_that_fits(found[0].get("size"))
    if fits is None:
        return None
    objects = [scene.objects[name] for name in found[1].parts]
    now = scenes.file_scale(objects, scenes.mm_per_unit(scene))
    whole = (now or 1.0) * fits
    rounded = math.ceil(whole / STEP - 1e-6) * STEP
    return rounded / (now or 1.0), (rounded if now else None)


def _matrix(pose: Pose, mm: float) -> Matrix:
    """Return a pose in the units of a scene whose unit is `mm` long."""
    return Matrix.Translation((pose.translation_mm / mm).tolist()) @ Matrix(pose.rotation.tolist()).to_4x4()


class _OfFit:
    """On a fit of the last run, by its row."""

    if TYPE_CHECKING:
        fit: int
    else:
        fit: results.hidden_row("Fit", "Which piece on its wearer, counted from 0")

    @classmethod
    def poll(cls, context: Context) -> bool:
        if not results.of(context.scene).fits:
            cls.poll_message_set(tr("Run the checks first"))
            return False
        if results.of(context.scene).changes:
            cls.poll_message_set(tr("The verdicts are out of date: check again first"))
            return False
        return True

    def gone(self) -> set[str]:
        """Say that there is nothing to act on."""
        self.report({"ERROR"}, tr("the piece is no longer in the scene, or this was not found; run the checks again"))
        return {"CANCELLED"}


class ARMINGCAP_OT_scale_piece(_OfFit, Operator):
    """Scale the piece to the size to print at, about the origin that its verdict speaks of"""

    bl_idname = "arming_cap.scale_piece"
    bl_label = "Scale to What Fits"
    bl_options = {"UNDO"}

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        wanted = scaling(scene, self.fit)
        if wanted is None:
            return self.gone()
        # The size is about the origin of the piece's frame, the world's: where the files have theirs.
        _, cast = cast_of_fit(scene, self.fit)
        scenes.transform(scene, cast.parts, Matrix.Scale(wanted[0], 4))
        results.look_again()
        now = 100 * (wanted[1] or wanted[0])
        self.report({"INFO"}, tr("{piece} is now {scale:.1f} %: check it again", piece=cast.piece, scale=now))
        return {"FINISHED"}


class ARMINGCAP_OT_move_to_seat(_OfFit, Operator):
    """Move the piece to where the checks found that it comes to rest"""

    bl_idname = "arming_cap.move_to_seat"
    bl_label = "Move to Seat"
    bl_options = {"UNDO"}

    def execute(self, context: Context) -> set[str]:
        from ...core.pose import Pose

        scene = context.scene
        found = cast_of_fit(scene, self.fit)
        if found is None:
            return self.gone()
        fit, cast = found
        pose = Pose.of(fit["seat"]["translation_mm"], fit["seat"]["rotation_deg"])
        scenes.transform(scene, cast.parts, _matrix(pose, scenes.mm_per_unit(scene)))
        scene.arming_cap.seat = "fixed"
        results.look_again()
        return {"FINISHED"}


class ARMINGCAP_OT_put_together(_OfFit, work.InBackground, Operator):
    """Put the parts of the piece together by the flat faces in which it was cut; the largest stays where it is"""

    bl_idname = "arming_cap.put_together"
    bl_label = "Put Parts Together"
    bl_options = {"UNDO"}

    doing = "Putting parts together"

    @classmethod
    def poll(cls, context: Context) -> bool:
        return super().poll(context) and cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Copy the parts out; how they belong together is looked for beside the window."""
        return work.Work(partial(errands.put_together, _piece_of_fit(context.scene, self.fit)))

    def end(self, context: Context, result: Any) -> set[str]:
        """Move the objects."""
        assembly, said = result
        scene = context.scene
        if any(scene.objects.get(name) is None for name in assembly.poses):
            return self.gone()
        mm = scenes.mm_per_unit(scene)
        scenes.transform_each(scene, {name: _matrix(pose, mm) for name, pose in assembly.poses.items()})
        results.look_again()
        for text in said:
            self.say("INFO", text)
        return {"FINISHED"}


class ARMINGCAP_OT_make_hollow(_OfFit, work.InBackground, Operator):
    """Make the solid piece a shell with Wall of Shell all around, open below, as new objects; it is kept, hidden"""

    bl_idname = "arming_cap.make_hollow"
    bl_label = "Make Hollow"
    bl_options = {"UNDO"}

    doing = "Making it hollow"

    @classmethod
    def poll(cls, context: Context) -> bool:
        return super().poll(context) and cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Copy the parts out."""
        wall = round(context.scene.arming_cap.shell_wall_mm, 3)
        return work.Work(partial(errands.make_hollow, _piece_of_fit(context.scene, self.fit), wall))

    def end(self, context: Context, result: Any) -> set[str]:
        """Add the shells in the place of the solid parts, which are hidden and lose their role."""
        scene, mm = context.scene, scenes.mm_per_unit(context.scene)
        for name, shell in result.items():
            forms.add_in_place_of(scene, name, shell.mesh, f"{name} hollow", mm)
            for remark in shell.remarks:
                self.say("WARNING", f"{name}: {remark}")
            wide, deep = shell.opening_mm
            said = tr("{name}: {gone:.1f} cm³ taken away, {left:.1f} cm³ left; open below, {wide:.0f} by {deep:.0f} mm")
            gone, left = shell.removed_mm3 / 1000, shell.material_mm3 / 1000
            self.say("INFO", said.format(name=name, gone=gone, left=left, wide=wide, deep=deep))
        results.look_again()
        return {"FINISHED"}


class ARMINGCAP_OT_take_part_off(_OfFit, Operator):
    """Let this part come off while the piece is put on, and check again"""

    bl_idname = "arming_cap.take_part_off"
    bl_label = "Take Part Off"
    bl_options = {"UNDO"}

    if TYPE_CHECKING:
        part: str
    else:
        part: StringProperty(name="Part", description="The part that comes off", options={"HIDDEN", "SKIP_SAVE"})

    def execute(self, context: Context) -> set[str]:
        ob: Object | None = context.scene.objects.get(self.part)
        if ob is None:
            return self.gone()
        ob.arming_cap.role = "REMOVABLE"
        results.look_again()
        return {"FINISHED"}


class ARMINGCAP_OT_ring_there(_OfFit, Operator):
    """Add a ring plane through the place that limits this verdict, ready for Rings in the Planes Shown"""

    bl_idname = "arming_cap.ring_there"
    bl_label = "Ring Plane There"
    bl_options = {"UNDO"}

    if TYPE_CHECKING:
        verdict: int
    else:
        verdict: results.hidden_row("Verdict", "Which of its verdicts, counted from 0")

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        found = cast_of_fit(scene, self.fit)
        at = None
        if found is not None and self.verdict < len(found[0]["verdicts"]):
            at = found[0]["verdicts"][self.verdict]["limited_by"]["at"]
        if at is None:
            return self.gone()
        mm = scenes.mm_per_unit(scene)
        mark = ring_circle(
            found[0]["verdicts"][self.verdict]["limited_by"]["region"] or "level", found[1].piece, 120 / mm
        )
        box = np.concatenate(
            [
                np.array([ob.matrix_world @ Vector(c) for c in ob.bound_box])
                for ob in (scene.objects[name] for name in found[1].parts)
            ]
        )
        lay_circle(mark, (0.0, 0.0, 1.0), at[2], mm * (box.min(axis=0) + box.max(axis=0)) / 2, mm)
        context.collection.objects.link(mark)
        forms.choose(mark)
        return {"FINISHED"}


classes = (
    ARMINGCAP_OT_scale_piece,
    ARMINGCAP_OT_move_to_seat,
    ARMINGCAP_OT_put_together,
    ARMINGCAP_OT_make_hollow,
    ARMINGCAP_OT_take_part_off,
    ARMINGCAP_OT_ring_there,
)
