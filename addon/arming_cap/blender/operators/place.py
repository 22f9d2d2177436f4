# SPDX-License-Identifier: GPL-3.0-or-later
"""Going to what a verdict points at."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bpy.types import Context, Operator

from .. import results
from ..scene import mm_per_unit


class ARMINGCAP_OT_show_place(Operator):
    """Select the part that limits this verdict and put the 3D cursor where it does"""

    bl_idname = "arming_cap.show_place"
    bl_label = "Show Place"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        fit: int
        verdict: int
    else:
        fit: results.hidden_row("Fit", "Which piece on its wearer, counted from 0")
        verdict: results.hidden_row("Verdict", "Which of its verdicts, counted from 0")

    @classmethod
    def poll(cls, context: Context) -> bool:
        if not results.of(context.scene).fits:
            cls.poll_message_set("Run the checks first")
            return False
        if context.mode != "OBJECT":
            cls.poll_message_set("Go to Object Mode first")
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        scene = context.scene
        try:
            fit = results.of(scene).fits[self.fit]
            place = fit["verdicts"][self.verdict]["limited_by"]
        except IndexError:
            self.report({"ERROR"}, "there is no such verdict; run the checks again")
            return {"CANCELLED"}
        part = scene.objects.get(place["part"]) or scene.objects.get(fit["wearer"])
        if part is None and place["at"] is None:
            self.report(
                {"ERROR"}, f"'{place['part'] or fit['wearer']}' is no longer in the scene; run the checks again"
            )
            return {"CANCELLED"}
        show_place(context, "" if part is None else part.name, place["at"])
        return {"FINISHED"}


def show_place(context: Context, name: str, at: Sequence[float] | None) -> None:
    """Select the object of this name, where there is one, and put the 3D cursor where `at` (3,) mm is."""
    scene = context.scene
    part = scene.objects.get(name)
    if part is not None and part.name in context.view_layer.objects:
        for ob in context.selected_objects:
            ob.select_set(False)
        part.hide_set(False)
        part.select_set(True)
        context.view_layer.objects.active = part
    if at is not None:
        unit = mm_per_unit(scene)
        scene.cursor.location = [value / unit for value in at]


classes = (ARMINGCAP_OT_show_place,)
