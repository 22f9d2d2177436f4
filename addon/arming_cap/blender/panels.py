# SPDX-License-Identifier: GPL-3.0-or-later
"""The sidebar tab. It draws what is known and computes nothing."""

from __future__ import annotations

import textwrap
from typing import Any

from bpy.types import Context, Object, Panel, Scene, UILayout

from .. import engines
from ..core.report import words
from ..core.report.model import CARE_LINE
from ..core.wearer.regions import in_words
from . import results, work
from . import scene as scenes
from .operators.roles import selected
from .properties import ROLES

ICONS = {"pass": "CHECKMARK", "marginal": "ERROR", "fail": "CANCEL", "not checked": "QUESTION"}
ROLE_ICONS = {key: icon for key, _, _, icon, _ in ROLES}
ROLE_WORDS = {key: label for key, label, *_ in ROLES}


def paragraph(layout: UILayout, context: Context, text: str, icon: str = "NONE") -> None:
    """Draw a text in as many lines as the sidebar's width asks for."""
    pixels = context.region.width / context.preferences.system.ui_scale
    width = max(18, int((pixels - (75 if icon != "NONE" else 50)) / 6.3))
    column = layout.column(align=True)
    column.scale_y = 0.8
    for number, line in enumerate(textwrap.wrap(text, width)):
        column.label(text=line, icon=icon if number == 0 else "BLANK1" if icon != "NONE" else "NONE")


def figure(verdict: dict[str, Any], spread: bool = True) -> str:
    """Return a verdict's number with its unit, as the reports write it; counts without decimals."""
    value = verdict["number"]
    if value is None:
        return "not measured"
    decimals = 0 if float(value).is_integer() and verdict["unit"] not in ("mm", "deg", "°") else 1
    around = f" ± {words.figure(verdict['uncertainty'])}" if spread and verdict["uncertainty"] > 0 else ""
    return f"{words.figure(value, decimals)}{around} {verdict['unit']}".strip()


def _allowances(layout: UILayout, form: Object) -> None:
    """Draw the room a form keeps: everywhere, and by region."""
    own = form.arming_cap
    layout.prop(own, "allowance_mm")
    header, body = layout.panel("arming_cap_regions", default_closed=True)
    header.label(text=f"Other Regions ({len(own.allowances)})")
    if body is None:
        return
    column = body.column(align=True)
    for number, row in enumerate(own.allowances):
        line = column.row(align=True)
        line.prop(row, "region", text="")
        line.prop(row, "room_mm", text="")
        line.operator("arming_cap.remove_allowance", text="", icon="X").row = number
    column.operator("arming_cap.add_allowance", icon="ADD")


class _Tab:
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Arming Cap"


class ARMINGCAP_PT_roles(_Tab, Panel):
    """Who wears what"""

    bl_label = "Wearers and Pieces"
    bl_order = 0

    def draw(self, context: Context) -> None:
        layout, scene = self.layout, context.scene
        self._selection(layout, context)
        column = layout.column(align=True)
        for form in scenes.forms(scene):
            worn = [cast for cast in scenes.cast_of(scene) if cast.form == form.name]
            box = column.box().column(align=True)
            box.label(text=form.name, icon=ROLE_ICONS["FORM"])
            if not worn:
                box.label(text="Wears nothing yet", icon="BLANK1")
            for cast in worn:
                self._piece(box, scene, cast)
        homeless = [cast for cast in scenes.cast_of(scene) if not cast.form]
        if homeless:
            box = column.box().column(align=True)
            box.label(text="No wearer chosen", icon="QUESTION")
            for cast in homeless:
                self._piece(box, scene, cast)

    @staticmethod
    def _selection(layout: UILayout, context: Context) -> None:
        chosen = selected(context)
        roles = {ob.arming_cap.role for ob in chosen}
        role = roles.pop() if len(roles) == 1 else ""
        split = layout.split(factor=0.4)
        name = chosen[0].name if len(chosen) == 1 else f"{len(chosen)} objects" if chosen else "Nothing selected"
        split.label(text=name)
        word = ROLE_WORDS[role] if role else "Several Roles" if chosen else "Role"
        split.operator_menu_enum("arming_cap.set_role", "role", text=word, icon=ROLE_ICONS.get(role, "NONE"))
        if any(ob.arming_cap.role in {"PART", "REMOVABLE"} for ob in chosen):
            layout.operator("arming_cap.set_piece", icon="GROUP")
        if role == "FORM" and context.active_object in chosen:
            _allowances(layout, context.active_object)

    @staticmethod
    def _piece(layout: UILayout, scene: Scene, cast: scenes.Cast) -> None:
        removable = [name for name in cast.parts if scene.objects[name].arming_cap.role == "REMOVABLE"]
        count = f"{len(cast.parts)} {'part' if len(cast.parts) == 1 else 'parts'}"
        column = layout.column(align=True)
        column.label(text=cast.piece, icon=ROLE_ICONS["PART"])
        column.label(text=f"{count}, {len(removable)} removable" if removable else count, icon="BLANK1")


class ARMINGCAP_PT_fit(_Tab, Panel):
    """The checks and their verdicts"""

    bl_label = "Fit"
    bl_order = 1

    def draw(self, context: Context) -> None:
        layout, scene = self.layout, context.scene
        settings = layout.column()
        settings.use_property_split = True
        settings.use_property_decorate = False
        settings.prop(scene.arming_cap, "unit")
        settings.prop(scene.arming_cap, "seat")
        settings.prop(scene.arming_cap, "padding_gives_mm")
        self._doubts(layout, context)
        busy = work.running
        if busy is None:
            row = layout.row()
            row.scale_y = 1.4
            row.operator("arming_cap.check_fit", icon="PLAY")
            if trouble := scenes.missing(scene):
                paragraph(layout, context, trouble.remedy[:1].upper() + trouble.remedy[1:], "INFO")
        else:
            row = layout.row(align=True)
            row.progress(factor=busy.fraction, text=f"{busy.fraction:.0%}")
            row.operator("arming_cap.stop", text="", icon="X")
            paragraph(layout, context, busy.text[:1].upper() + busy.text[1:], "TIME")
        paragraph(layout, context, CARE_LINE, "INFO")

    @staticmethod
    def _doubts(layout: UILayout, context: Context) -> None:
        scene = context.scene
        doubts = scenes.size_doubts(scene)
        if doubts:
            paragraph(layout.box(), context, doubts[0], "ERROR")
        else:
            layout.label(text=scenes.unit_in_words(scene).capitalize(), icon="DRIVER_DISTANCE")


class ARMINGCAP_PT_verdicts(_Tab, Panel):
    """What the last run found"""

    bl_label = "Verdicts"
    bl_order = 2

    @classmethod
    def poll(cls, context: Context) -> bool:
        return bool(results.of(context.scene).fits)

    def draw(self, context: Context) -> None:
        layout = self.layout
        kept = results.of(context.scene)
        if kept.changes:
            box = layout.box()
            box.alert = True
            more = f" and {len(kept.changes) - 1} more" if len(kept.changes) > 1 else ""
            paragraph(box, context, f"Out of date: {kept.changes[0]}{more}", "FILE_REFRESH")
        for warning in kept.document.get("warnings", []):
            paragraph(layout, context, warning, "ERROR")
        for row, fit in enumerate(kept.fits):
            self._fit(layout, context, row, fit)
        layout.operator("arming_cap.export_report", icon="EXPORT")

    def _fit(self, layout: UILayout, context: Context, row: int, fit: dict[str, Any]) -> None:
        head = layout.box().column(align=True)
        head.label(text=f"{fit['piece']} on {fit['wearer']}")
        word = head.row()
        word.alert = fit["verdict"] == "fail"
        word.label(text=fit["verdict"].upper(), icon=ICONS[fit["verdict"]])
        for number, verdict in enumerate(fit["verdicts"]):
            self._verdict(layout, context, row, number, verdict)
        for warning in fit.get("warnings", []):
            paragraph(layout, context, warning, "ERROR")

    @staticmethod
    def _verdict(layout: UILayout, context: Context, row: int, number: int, verdict: dict[str, Any]) -> None:
        status = verdict["verdict"]
        # A pass that asks for something, such as a part taken off, is not folded away.
        plain = status == "pass" and not verdict["details"].get("take_off")
        header, body = layout.panel(f"arming_cap_{row}_{number}_{verdict['check']}", default_closed=plain)
        header.label(text=f"{verdict['check'].capitalize()}, {status}", icon=ICONS[status])
        value = header.row()
        value.alignment = "RIGHT"
        value.alert = status == "fail"
        value.label(text=figure(verdict, spread=False))
        if body is None:
            return
        if verdict["uncertainty"] > 0:
            paragraph(body, context, f"Found: {figure(verdict)}")
        if verdict["requirement"]:
            paragraph(body, context, f"Asked: {verdict['requirement']}")
        place = verdict["limited_by"]
        where = " at ".join(word for word in (in_words(place["region"]), place["part"]) if word)
        if where:
            paragraph(body, context, f"Limited by: {where}")
        for sentence in (verdict["why"], verdict["mend"]):
            if sentence:
                paragraph(body, context, sentence[:1].upper() + sentence[1:])
        if place["part"] or place["at"]:
            button = body.operator("arming_cap.show_place", icon="RESTRICT_SELECT_OFF")
            button.fit, button.verdict = row, number


class ARMINGCAP_PT_packages(_Tab, Panel):
    """What keeps the checks from running"""

    bl_label = "Packages"
    bl_order = 3

    @classmethod
    def poll(cls, context: Context) -> bool:
        return bool(engines.known_problem())

    def draw(self, context: Context) -> None:
        box = self.layout.box()
        paragraph(box, context, engines.known_problem(), "ERROR")
        box.operator("arming_cap.copy_details", icon="COPYDOWN")


classes = (ARMINGCAP_PT_packages, ARMINGCAP_PT_roles, ARMINGCAP_PT_fit, ARMINGCAP_PT_verdicts)
