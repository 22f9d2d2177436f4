# SPDX-License-Identifier: GPL-3.0-or-later
"""Try-on rings and paper templates: files in a folder, and the rings in the scene to look at."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import bpy
from bpy.props import EnumProperty, StringProperty
from bpy.types import Context, Operator

from .. import forms, work
from .. import scene as scenes
from .split import OfPiece, cast_to_split

PAGES = (("A4", "A4", "210 × 297 mm"), ("Letter", "Letter", "8.5 × 11 inches"))


class ARMINGCAP_OT_make_rings(OfPiece, work.AfterChoosing, Operator):
    """Cut try-on rings from the piece at the levels that decide, and draw the same sections 1:1 for paper"""

    bl_idname = "arming_cap.make_rings"
    bl_label = "Make Try-on Rings"
    bl_options = {"REGISTER", "UNDO"}

    doing = "Cutting the rings"
    chooses = "directory"

    if TYPE_CHECKING:
        directory: str
        page: str
    else:
        directory: StringProperty(name="Folder", description="Where to write the files", subtype="DIR_PATH")
        page: EnumProperty(name="Paper", description="Paper of the templates", items=PAGES, default="A4")

    def begin(self, context: Context) -> work.Work:
        """Copy out the piece and its wearer."""
        from ...core.piece import Part, Piece

        scene, cast = context.scene, cast_to_split(context)
        self._piece = cast.piece
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        parts = tuple(Part(name, scenes.mesh_of(scene.objects[name], depsgraph, mm)) for name in cast.parts)
        piece = Piece(cast.piece, parts)
        body = scenes.body_of(scene.objects[cast.form], depsgraph, mm) if cast.form else None
        form_name, folder, page = cast.form, Path(bpy.path.abspath(self.directory)), self.page

        def task(progress: Any) -> Any:
            from ...core.make.tryon import try_on

            wearer = body.wearer(form_name) if body else None
            return try_on(piece, wearer, None, folder, page, progress=progress)

        return work.Work(task)

    def end(self, context: Context, result: Any) -> set[str]:
        """Show the rings where they were cut, as objects without a role."""
        scene, mm = context.scene, scenes.mm_per_unit(context.scene)
        for ring in result.rings:
            forms.add_mesh(scene, ring.mesh, f"{self._piece}, {ring.plane.name}", mm)
        self.report({"INFO"}, f"{len(result.rings)} rings and their templates written to {self.directory}")
        return {"FINISHED"}


classes = (ARMINGCAP_OT_make_rings,)
