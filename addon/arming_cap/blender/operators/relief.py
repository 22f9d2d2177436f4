# SPDX-License-Identifier: GPL-3.0-or-later
"""Room inside where it is lacking: new objects, the outside and the scale as they were."""

from __future__ import annotations

from functools import partial
from typing import Any

from bpy.types import Context, Operator

from ... import errands
from ...core.errors import InputError
from .. import forms, work
from .. import scene as scenes
from ..language import tr
from .split import cast_to_split


class ARMINGCAP_OT_make_room(work.InBackground, Operator):
    """Take the inside of the active piece back where room is lacking, as new objects; the piece is kept, hidden"""

    bl_idname = "arming_cap.make_room"
    bl_label = "Make Room Inside"
    bl_options = {"UNDO"}

    doing = "Making room"

    _parts: tuple[str, ...]

    @classmethod
    def poll(cls, context: Context) -> bool:
        cast = cast_to_split(context)
        if cast is None or not cast.form:
            cls.poll_message_set(tr("Make a part of a piece with a wearer the active object first"))
            return False
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Copy out the piece and its wearer, as placed."""
        from ...core.piece import Part, Piece

        scene, cast = context.scene, cast_to_split(context)
        if scene.arming_cap.seat != "fixed":
            raise InputError(
                "room is made where the piece stands", source=cast.piece, remedy="place it, and set Seat to As Placed"
            )
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        self._parts = cast.parts
        piece = Piece(
            cast.piece, tuple(Part(name, scenes.mesh_of(scene.objects[name], depsgraph, mm)) for name in cast.parts)
        )
        body, form, wall = (
            scenes.body_of(scene, scene.objects[cast.form], depsgraph, mm),
            cast.form,
            round(scene.arming_cap.left_wall_mm, 3),
        )

        return work.Work(partial(errands.make_room, piece, body, form, wall))

    def end(self, context: Context, result: Any) -> set[str]:
        """Add the relieved parts in the place of the old ones, which are hidden and lose their role."""
        scene, mm = context.scene, scenes.mm_per_unit(context.scene)
        for part in result.piece.parts:
            forms.add_in_place_of(scene, part.name, part.mesh, f"{part.name} relieved", mm)
        for place, missing in result.short:
            said = tr("{missing:.1f} mm are still missing at part {part}: the wall ends there")
            self.say("WARNING", said.format(missing=missing, part=place.part))
        said = tr("least margin {before:.1f} mm before, {after:.1f} mm after; {gone:.1f} cm³ gone")
        before, after, gone = result.before.margin_mm, result.after.margin_mm, result.removed_mm3 / 1000
        self.say("INFO", said.format(before=before, after=after, gone=gone))
        return {"FINISHED"}


classes = (ARMINGCAP_OT_make_room,)
