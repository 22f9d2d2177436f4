# SPDX-License-Identifier: GPL-3.0-or-later
"""Try-on rings and paper templates: files in a folder, and the rings in the scene to look at."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import bpy
import numpy as np
from bpy.props import BoolProperty, EnumProperty, StringProperty
from bpy.types import Context, Event, Object, Operator, Scene

from ... import errands
from ...core.errors import InputError
from .. import forms, preferences, work
from .. import scene as scenes
from ..language import tr
from .split import OfPiece, OnPiece, at_cursor, cast_to_split, circle, lay_circle, new_fold

LEVELS = (
    ("CHOSEN", "That Decide", "At the levels that decide, which are then shown as circles to move, tilt or delete"),
    ("SHOWN", "Shown", "In the planes of the circles that the scene shows for this piece"),
)
PINCHES = (
    ("lift", "Straight Off", "Where it is tightest when drawn straight off"),
    ("way", "On the Widest Way", "Where it is tightest on the widest way, tilted too; this may take a minute"),
    ("none", "Not Sought", "Take no ring for the way on"),
)
RINGS, PLANES = "Rings", "Ring Planes"


def planes_shown(scene: Scene, piece: str, mm: float) -> list[Any]:
    """Return the planes of a piece's circles as rings to take, each named after its circle."""
    from ...core.make.rings.ring import RingPlane

    planes = []
    for ob in sorted(scene.objects, key=lambda ob: ob.name):
        if not (ob.arming_cap.ring and ob.arming_cap.piece in ("", piece)):
            continue
        matrix = np.array(ob.matrix_world)
        normal = matrix[:3, 1] / np.linalg.norm(matrix[:3, 1])
        if normal[np.argmax(np.abs(normal))] < 0:  # a circle turned over is the same plane: its front stays in front
            normal = -normal
        planes.append(RingPlane(ob.name, tuple(normal.tolist()), float(normal @ matrix[:3, 3]) * mm))
    return planes


def ring_circle(name: str, piece: str, size: float) -> Object:
    """Return a new circle in whose plane a ring can be taken, not yet in a scene; its size in scene units."""
    mark = circle(name, piece, size)
    mark.arming_cap.ring = True
    return mark


class ARMINGCAP_OT_add_ring_plane(OnPiece, Operator):
    """Add a plane through the 3D cursor that a ring can be taken in; turn and move it like any object"""

    bl_idname = "arming_cap.add_ring_plane"
    bl_label = "Add Ring Plane"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        at_cursor(ring_circle("level", cast_to_split(context).piece, 120.0 / scenes.mm_per_unit(scene)), scene)
        return {"FINISHED"}


class ARMINGCAP_OT_make_rings(OfPiece, work.AfterChoosing, Operator):
    """Cut try-on rings from the piece at the levels that decide, and draw the same sections 1:1 for paper"""

    bl_idname = "arming_cap.make_rings"
    bl_label = "Make Try-on Rings"
    bl_options = {"UNDO"}

    doing = "Cutting the rings"
    chooses = "directory"

    if TYPE_CHECKING:
        directory: str
        page: str
        levels: str
        pinch: str
        keep_loose: bool
        label: str
    else:
        directory: StringProperty(name="Folder", description="Where to write the files", subtype="DIR_PATH")
        levels: EnumProperty(name="Levels", description="Where rings are taken", items=LEVELS, default="CHOSEN")
        pinch: EnumProperty(
            name="Tightest", description="The tightest place of the way on", items=PINCHES, default="lift"
        )
        keep_loose: BoolProperty(
            name="Keep Loose Pieces", description="Keep what touches the ring nowhere, such as ornaments and inner lips"
        )
        label: StringProperty(name="Label", description="Cut into the rings too, such as scale, date or a code")
        page: EnumProperty(name="Paper", description="Paper of the templates", items=preferences.PAGES, default="A4")

    def invoke(self, context: Context, event: Event) -> set[str]:
        """Let the chooser begin with the maker's own paper and folder."""
        mine = preferences.own()
        if mine is not None and not self.properties.is_property_set("page"):
            self.page = mine.page
        return super().invoke(context, event)

    def begin(self, context: Context) -> work.Work:
        """Copy out the piece and its wearer."""
        from ...core.make.rings.ring import RingOptions
        from ...core.piece import Part, Piece

        scene, cast = context.scene, cast_to_split(context)
        self._piece = cast.piece
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        planes = planes_shown(scene, cast.piece, mm) if self.levels == "SHOWN" else None
        if planes == []:
            raise InputError("no plane is shown", source=cast.piece, remedy="add one, or take the levels that decide")
        parts = tuple(Part(name, scenes.mesh_of(scene.objects[name], depsgraph, mm)) for name in cast.parts)
        piece = Piece(cast.piece, parts)
        body = scenes.body_of(scene, scene.objects[cast.form], depsgraph, mm) if cast.form else None
        form_name, folder, page = cast.form, Path(bpy.path.abspath(self.directory)), self.page
        own = scene.arming_cap.printer
        options = RingOptions(
            keep_loose=self.keep_loose,
            volume_mm=(own.volume_width_mm, own.volume_depth_mm, own.volume_height_mm),
            label=self.label,
            pinch=self.pinch,
        )

        return work.Work(partial(errands.make_rings, piece, body, form_name, planes, folder, page, options))

    def end(self, context: Context, result: Any) -> set[str]:
        """Show the rings where they were cut, as objects without a role, and the planes that were chosen."""
        scene, mm = context.scene, scenes.mm_per_unit(context.scene)
        fold = new_fold(scene, RINGS, self._piece)
        for ring in result:
            fold.objects.link(forms.mesh_object(f"{self._piece}, {ring.name}", ring.mesh, mm, smooth=False))
        if self.levels == "CHOSEN":
            planes = new_fold(scene, PLANES, self._piece)
            for ring in result:
                bounds = ring.mesh.bounds
                mark = ring_circle(ring.name, self._piece, 0.6 * float(np.ptp(bounds, axis=0).max()) / mm)
                lay_circle(mark, ring.normal, ring.offset, bounds.mean(axis=0), mm)
                planes.objects.link(mark)
        for ring in result:
            for remark in ring.remarks:
                self.say("WARNING", f"{ring.name}: {remark}")
        said = tr("Rings written to {folder}, with their templates: {count}", folder=self.directory, count=len(result))
        self.say("INFO", said)
        return {"FINISHED"}


classes = (ARMINGCAP_OT_add_ring_plane, ARMINGCAP_OT_make_rings)
