# SPDX-License-Identifier: GPL-3.0-or-later
"""What is known of the wearer: readings, estimates, and the form made from them."""

from __future__ import annotations

from typing import Any

from bpy.types import Context, Panel, PropertyGroup, UILayout

from ...core.wearer.dimension import DIMENSIONS
from ...core.wearer.population import SPEAKS_FOR
from .. import cards
from .. import scene as scenes
from ..language import tr
from ..operators import scan
from .shared import DONE, FAILED, OPEN, Tab, paragraph


class ARMINGCAP_PT_card(Tab, Panel):
    """The wearer card and its form"""

    bl_label = "Wearer Card"
    bl_order = 0
    bl_options = {"DEFAULT_CLOSED"}

    @staticmethod
    def state(context: Context) -> str:
        """Done when there is a wearer, from a card or not; failed where a reading cannot be."""
        if context.scene.arming_cap.card.trouble:
            return FAILED
        return DONE if scenes.forms(context.scene) else OPEN

    def draw(self, context: Context) -> None:
        layout, own = self.layout, context.scene.arming_cap.card
        paragraph(layout, context, "Not needed where you have a scan or a body mesh: give that the role Wearer", "INFO")
        row = layout.row(align=True)
        row.operator("arming_cap.new_card", text="New", icon="FILE_NEW")
        row.operator("arming_cap.open_card", text="Open", icon="FILE_FOLDER")
        row.operator("arming_cap.save_card", text="Save", icon="FILE_TICK")
        column = layout.column()
        column.use_property_split = True
        column.use_property_decorate = False
        column.prop(own, "title")
        column.prop(own, "sex")
        column.prop(own, "body_part")
        if own.trouble:
            box = layout.box()
            box.alert = True
            paragraph(box, context, own.trouble, "ERROR")
        found = cards.estimates_of(own)
        for text in found["warnings"]:
            paragraph(layout, context, text, "ERROR")
        self._dimensions(layout, context, own, found["values"])
        row = layout.row()
        row.scale_y = 1.4
        row.operator("arming_cap.make_form", icon="USER")

    @staticmethod
    def _dimensions(layout: UILayout, context: Context, own: PropertyGroup, values: dict[str, Any]) -> None:
        kind = own.body_part.rpartition(" ")[2]
        names = [n for n, d in DIMENSIONS.items() if d.group == kind] + ["stature", "weight"]
        shown = names[: cards.FIRST]
        column = layout.column(align=True)
        for name in shown:
            _line(column, own, name, values.get(name))
        header, body = layout.panel("arming_cap_dimensions", default_closed=True)
        header.label(text="More Dimensions")
        if body is not None:
            column = body.column(align=True)
            for name in names:
                if name not in shown:
                    _line(column, own, name, values.get(name))
        if any(value[2] == "estimated" for name, value in values.items() if name in shown):
            paragraph(layout, context, tr("With ±: estimated from {survey}", survey=SPEAKS_FOR), "INFO")


def _line(layout: UILayout, own: PropertyGroup, name: str, value: list[Any] | None) -> None:
    """Draw one dimension: the reading, or in its place, paler, the estimate with its spread; type over it."""
    of = DIMENSIONS[name]
    split = layout.split(factor=0.56, align=True)
    words = split.row()
    words.alignment = "LEFT"
    words.operator("arming_cap.how_to_measure", text=tr(of.in_words.title()), emboss=False).dimension = name
    estimate = f"{value[0]:.0f} ± {value[1]:.0f} {of.unit}" if value else tr("not known")
    split.prop(own, f"typed_{name}", text="", placeholder=estimate)


class ARMINGCAP_PT_tried(Tab, Panel):
    """What was tried on, and how it was"""

    bl_label = "Tried On"
    bl_parent_id = "ARMINGCAP_PT_card"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Context) -> None:
        layout = self.layout
        told = cards.history_of(context.scene.arming_cap.card)
        for number, text in enumerate(told):
            row = layout.row(align=True)
            paragraph(row, context, text, "DOT")
            row.operator("arming_cap.forget_outcome", text="", icon="X", emboss=False).row = number
        if not told:
            paragraph(layout, context, "Nothing yet. What is recorded here makes the next size better", "INFO")
        layout.operator("arming_cap.record_outcome", icon="GREASEPENCIL")


class ARMINGCAP_PT_scan(Tab, Panel):
    """A scan of the wearer, and how far it deviates from the form made of it"""

    bl_label = "Scan"
    bl_parent_id = "ARMINGCAP_PT_card"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Context) -> None:
        layout, ob = self.layout, context.active_object
        column = layout.column()
        column.use_property_split = True
        column.use_property_decorate = False
        column.prop(context.scene.arming_cap.card, "cap_mm")
        layout.operator("arming_cap.import_scan", icon="IMPORT")
        if ob is None:
            return
        if scan.is_scan(ob) or ob.arming_cap.landmark:
            marks = scan.landmarks_of(ob.parent if ob.arming_cap.landmark else ob)
            if marks:
                paragraph(layout, context, "Drag the landmarks to both ears and the nose root, left is the wearer's")
            else:
                layout.operator("arming_cap.add_landmarks", icon="EMPTY_AXIS")
            layout.operator("arming_cap.find_head", icon="VIEWZOOM")
        if ob.arming_cap.scan_says:
            paragraph(layout, context, ob.arming_cap.scan_says, "INFO")
            colours = tr("Rust: the scan lies {span:g} mm inside the form. Blue: {span:g} mm outside. Grey: no scan")
            paragraph(layout, context, colours.format(span=scan.SPAN_MM))


classes = (ARMINGCAP_PT_card, ARMINGCAP_PT_scan, ARMINGCAP_PT_tried)
