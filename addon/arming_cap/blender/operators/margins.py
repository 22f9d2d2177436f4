# SPDX-License-Identifier: GPL-3.0-or-later
"""The margins of a fit painted on the form and on the parts, as attributes that stay in the file."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from bpy.types import Context, Event, Operator, Scene

from ... import errands
from ...core.errors import InputError
from .. import forms, overlay, results, work
from .. import scene as scenes
from ..language import tr

MARGIN = "margin_mm"


def shown(scene: Scene) -> bool:
    """Return whether the margins are painted now."""
    return bool(scene.arming_cap.margins_shown)


def hide(scene: Scene) -> None:
    """Take the paint off, and shade the views as they were."""
    scene.arming_cap.margins_shown = False
    for ob in scene.objects:
        if ob.type == "MESH":
            forms.unpaint(ob, MARGIN)
    forms.hide_colours()
    overlay.redraw_views()


class ARMINGCAP_OT_show_margins(work.InBackground, Operator):
    """Paint the room that is left or lacking on the form and inside the parts, where they are worn, or take it off"""

    bl_idname = "arming_cap.show_margins"
    bl_label = "Show Margins"
    bl_options = {"UNDO"}

    doing = "Measuring the margins"

    if TYPE_CHECKING:
        fit: int
    else:
        fit: results.hidden_row("Fit", "Which piece on its wearer, counted from 0")

    _corners: dict[str, Any]

    @classmethod
    def poll(cls, context: Context) -> bool:
        if not results.of(context.scene).fits:
            cls.poll_message_set(tr("Run the checks first"))
            return False
        return cls.idle()

    def invoke(self, context: Context, event: Event) -> set[str]:
        """Show beside the window, or hide at once."""
        return self.execute(context) if shown(context.scene) else super().invoke(context, event)

    def execute(self, context: Context) -> set[str]:
        """Show or hide."""
        if not shown(context.scene):
            return super().execute(context)
        hide(context.scene)
        return {"FINISHED"}

    def begin(self, context: Context) -> work.Work:
        """Copy out form and parts, each triangle's corners still known by the mesh's own vertices."""
        from ...core.piece import Part, Piece
        from ...core.pose import Pose

        scene = context.scene
        fits = results.of(scene).fits
        if self.fit >= len(fits):
            raise InputError("there is no such fit", remedy="run the checks again")
        fit = fits[self.fit]
        cast = next((one for one in scenes.cast_of(scene) if one.piece == fit["piece"]), None)
        if cast is None or cast.form != fit["wearer"]:
            raise InputError("the piece or its form is no longer in the scene", remedy="run the checks again")
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        self._corners = {name: _own_corners(scene.objects[name], depsgraph) for name in (cast.form, *cast.parts)}
        body = scenes.body_of(scene, scene.objects[cast.form], depsgraph, mm)
        parts = tuple(Part(name, scenes.mesh_of(scene.objects[name], depsgraph, mm)) for name in cast.parts)
        pose = Pose.of(fit["seat"]["translation_mm"], fit["seat"]["rotation_deg"])

        return work.Work(partial(errands.margins, Piece(cast.piece, parts), body, cast.form, pose))

    def end(self, context: Context, result: Any) -> set[str]:
        """Paint every object that is still what it was."""
        from ...core.report.ramp import margin_colours

        for name, (triangles, values) in result.items():
            ob = context.scene.objects.get(name)
            own = self._corners[name]
            if ob is None or ob.type != "MESH" or own.max() >= len(ob.data.vertices):
                self.say("ERROR", tr("'{name}' has changed meanwhile; run the checks again", name=name))
                return {"CANCELLED"}
            painted = np.full(len(ob.data.vertices), np.nan)
            painted[own.ravel()] = values[triangles.ravel()]  # welding keeps the triangles and their order
            forms.paint(ob, MARGIN, painted, margin_colours(painted))
        context.scene.arming_cap.margins_shown = True
        forms.show_colours()
        overlay.redraw_views()
        return {"FINISHED"}


def _own_corners(ob: Any, depsgraph: Any) -> Any:
    """Return the triangles' corners (m, 3) as rows of the object's own vertices.

    Raises
    ------
    InputError
        If modifiers give the object other vertices than its mesh has.
    """
    evaluated = ob.evaluated_get(depsgraph)
    mesh = evaluated.to_mesh()
    try:
        mesh.calc_loop_triangles()
        corners = np.empty(3 * len(mesh.loop_triangles), np.int32)
        mesh.loop_triangles.foreach_get("vertices", corners)
        count = len(mesh.vertices)
    finally:
        evaluated.to_mesh_clear()
    if ob.type != "MESH" or count != len(ob.data.vertices):
        raise InputError(
            "its modifiers make other vertices than its mesh has", source=ob.name, remedy="apply them on a copy first"
        )
    corners = corners.reshape(-1, 3)
    # A mirrored object is wound the other way round where it is read.
    return corners[:, ::-1] if ob.matrix_world.determinant() < 0 else corners


classes = (ARMINGCAP_OT_show_margins,)
