# SPDX-License-Identifier: GPL-3.0-or-later
"""What to print: try-on rings first, then the piece in parts that fit the printer."""

from __future__ import annotations

from bpy.types import Context, Panel

from .. import splits
from .shared import Tab, paragraph


class ARMINGCAP_PT_print(Tab, Panel):
    """Rings to try on, and parts that fit the printer"""

    bl_label = "Print"
    bl_order = 4
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Context) -> None:
        layout, own = self.layout, context.scene.arming_cap.printer
        row = layout.row(align=True)
        row.operator("arming_cap.make_rings", icon="MESH_TORUS").levels = "CHOSEN"
        row.operator("arming_cap.add_ring_plane", text="", icon="ADD")
        if any(ob.arming_cap.ring for ob in context.scene.objects):
            layout.operator("arming_cap.make_rings", text="Rings in the Planes Shown").levels = "SHOWN"
        layout.operator("arming_cap.make_room", icon="MOD_SKIN")
        column = layout.column(align=True)
        column.use_property_split = True
        column.use_property_decorate = False
        column.prop(own, "volume_width_mm", text="Printer Width")
        column.prop(own, "volume_depth_mm", text="Depth")
        column.prop(own, "volume_height_mm", text="Height")
        column.prop(own, "margin_mm")
        column.prop(own, "with_joints")
        row = layout.row(align=True)
        row.operator("arming_cap.plan_split", icon="MOD_EXPLODE")
        row.operator("arming_cap.add_cut", text="", icon="ADD")
        active = context.active_object
        if active is not None and active.arming_cap.cut != "NONE":
            row = layout.row()
            row.use_property_split = True
            row.use_property_decorate = False
            row.prop(active.arming_cap, "cut")
        kept = splits.says(context.scene)
        if not kept:
            return
        box = layout.box().column(align=True)
        box.label(text=kept["piece"], icon="MOD_EXPLODE")
        for text in (*kept["says"], *kept["parts"]):
            paragraph(box, context, text)
        row = layout.row(align=True)
        row.operator("arming_cap.apply_split", icon="CHECKMARK")
        row.operator("arming_cap.drop_plan", text="", icon="X")
        layout.operator("arming_cap.export_split", icon="EXPORT")


classes = (ARMINGCAP_PT_print,)
