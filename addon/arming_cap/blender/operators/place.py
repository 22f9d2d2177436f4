# SPDX-License-Identifier: GPL-3.0-or-later
"""Going to what a verdict points at."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bpy.types import Context, Operator
from mathutils import Vector

from ...core.wearer.regions import in_words
from .. import overlay, results
from ..language import tr
from ..scene import mm_per_unit
from ..words import figure, within

CLOSE_MM = 260.0
"""So far from a place the view stops: about a head of surroundings."""


class ARMINGCAP_OT_show_place(Operator):
    """Select the part that limits this verdict and go to where it does; a second click goes back"""

    bl_idname = "arming_cap.show_place"
    bl_label = "Show Place"
    bl_options = {"UNDO"}

    if TYPE_CHECKING:
        fit: int
        verdict: int
    else:
        fit: results.hidden_row("Fit", "Which piece on its wearer, counted from 0")
        verdict: results.hidden_row("Verdict", "Which of its verdicts, counted from 0")

    @classmethod
    def poll(cls, context: Context) -> bool:
        if not results.of(context.scene).fits:
            cls.poll_message_set(tr("Run the checks first"))
            return False
        if context.mode != "OBJECT":
            cls.poll_message_set(tr("Go to Object Mode first"))
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        if overlay.place_shown() == (self.fit, self.verdict):
            go_back(context)
            return {"FINISHED"}
        try:
            fit = results.of(scene).fits[self.fit]
            verdict = fit["verdicts"][self.verdict]
        except IndexError:
            self.report({"ERROR"}, tr("there is no such verdict; run the checks again"))
            return {"CANCELLED"}
        place = verdict["limited_by"]
        part = scene.objects.get(place["part"]) or scene.objects.get(fit["wearer"])
        if part is None and place["at"] is None:
            gone = place["part"] or fit["wearer"]
            self.report({"ERROR"}, tr("'{name}' is no longer in the scene; run the checks again", name=gone))
            return {"CANCELLED"}
        choose_part(context, "" if part is None else part.name)
        if place["at"] is not None:
            number = figure(verdict, spread=False)
            where = within(in_words(place["region"])) if place["region"] else place["part"]
            text = f"{tr(verdict['check'].capitalize())}: {number}{', ' if where else ''}{where}"
            show_place(context, place["at"], text, self.fit, self.verdict)
        return {"FINISHED"}


def choose_part(context: Context, name: str) -> None:
    """Select the object of this name, where there is one."""
    part = context.scene.objects.get(name)
    if part is not None and part.name in context.view_layer.objects:
        for ob in context.selected_objects:
            ob.select_set(False)
        part.hide_set(False)
        part.select_set(True)
        context.view_layer.objects.active = part


def show_place(context: Context, at: Sequence[float], text: str, fit: int = -1, verdict: int = -1) -> None:
    """Let the view go to where `at` (3,) mm is, with a text beside it; the 3D cursor stays where the user has it."""
    before = overlay.place.back if overlay.place is not None else None
    view = overlay.view_of(context)
    if view is not None:
        region = view[1]
        before = before or (region.view_location.copy(), region.view_distance, region.view_rotation.copy())
        mm = mm_per_unit(context.scene)
        overlay.go_to(region, Vector(at) / mm, CLOSE_MM / mm)
    overlay.place = overlay.Shown(fit, verdict, tuple(at), text, before)
    overlay.redraw_views()


def go_back(context: Context) -> None:
    """Let the view go back to where it was before a place was shown."""
    shown, overlay.place = overlay.place, None
    view = overlay.view_of(context)
    if view is not None and shown is not None and shown.back is not None:
        overlay.go_to(view[1], *shown.back)
    overlay.redraw_views()


classes = (ARMINGCAP_OT_show_place,)
