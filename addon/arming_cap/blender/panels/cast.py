# SPDX-License-Identifier: GPL-3.0-or-later
"""Who wears what."""

from __future__ import annotations

from bpy.types import Context, Object, Panel, Scene, UILayout

from .. import scene as scenes
from ..language import tr
from ..operators.roles import selected
from .shared import DONE, OPEN, ROLE_ICONS, Tab

ROLE_BUTTONS = {"FORM": "Wearer", "PART": "Part", "REMOVABLE": "Removable"}
"""Roles in one word each: three buttons share a row."""


def _allowances(layout: UILayout, form: Object) -> None:
    """Draw the room a form keeps: everywhere, and by region."""
    own = form.arming_cap
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    column.prop(own, "allowance_mm")
    column.prop(own, "card")
    header, body = layout.panel("arming_cap_regions", default_closed=True)
    header.label(text=tr("Other Regions ({count})", count=len(own.allowances)))
    if body is None:
        return
    column = body.column(align=True)
    for number, row in enumerate(own.allowances):
        line = column.row(align=True)
        line.prop(row, "region", text="")
        line.prop(row, "room_mm", text="")
        line.operator("arming_cap.remove_allowance", text="", icon="X").row = number
    column.operator("arming_cap.add_allowance", icon="ADD")


def _named(layout: UILayout, text: str, name: str, icon: str) -> None:
    """Draw a row that selects what it names."""
    row = layout.row()
    row.alignment = "LEFT"
    row.operator("arming_cap.select_named", text=text, translate=False, icon=icon, emboss=False).target = name


class ARMINGCAP_PT_roles(Tab, Panel):
    """Who wears what"""

    bl_label = "Wearers and Pieces"
    bl_order = 1

    @staticmethod
    def state(context: Context) -> str:
        """Done when everybody has a role and something to wear."""
        return OPEN if scenes.missing(context.scene) else DONE

    def draw(self, context: Context) -> None:
        layout, scene = self.layout, context.scene
        self._selection(layout, context)
        column = layout.column(align=True)
        for form in scenes.forms(scene):
            worn = [cast for cast in scenes.cast_of(scene) if cast.form == form.name]
            box = column.box().column(align=True)
            _named(box, form.name, form.name, ROLE_ICONS["FORM"])
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
        many = tr("{count} objects", count=len(chosen)) if chosen else tr("Nothing selected")
        layout.label(
            text=chosen[0].name if len(chosen) == 1 else many,
            translate=len(chosen) != 1,
            icon="OBJECT_DATA" if chosen else "RESTRICT_SELECT_ON",
        )
        row = layout.row(align=True)
        for key in ROLE_BUTTONS:
            # Pressed is what it is; pressed again it is nothing.
            on = role == key
            button = row.operator("arming_cap.set_role", text=tr(ROLE_BUTTONS[key]), depress=on)
            button.role = "NONE" if on else key
        if any(ob.arming_cap.role in {"PART", "REMOVABLE"} for ob in chosen):
            layout.operator("arming_cap.set_piece", icon="GROUP")
        if role == "REMOVABLE" and context.active_object in chosen:
            own = context.active_object.arming_cap
            line = layout.row(align=True)
            line.prop(own, "hinge")
            if own.hinge:
                line.prop(own, "opens", text="")
        if role == "FORM" and context.active_object in chosen:
            _allowances(layout, context.active_object)

    @staticmethod
    def _piece(layout: UILayout, scene: Scene, cast: scenes.Cast) -> None:
        members = [scene.objects[name].arming_cap for name in cast.parts]
        removable = [own for own in members if own.role == "REMOVABLE"]
        count = tr("1 part") if len(cast.parts) == 1 else tr("{count} parts", count=len(cast.parts))
        column = layout.column(align=True)
        _named(column, cast.piece, cast.parts[0], ROLE_ICONS["PART"])
        column.label(
            text=tr("{parts}, {count} removable", parts=count, count=len(removable)) if removable else count,
            icon="BLANK1",
        )


classes = (ARMINGCAP_PT_roles,)
