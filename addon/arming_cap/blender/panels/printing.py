# SPDX-License-Identifier: GPL-3.0-or-later
"""What to print: try-on rings first, then the piece in parts that fit the printer."""

from __future__ import annotations

from bpy.types import Context, Panel, PropertyGroup, UILayout

from .. import joint_picture, splits
from ..properties import WEIGHTS
from .shared import DONE, OPEN, Tab, paragraph

WHAT_GOES_IN = {"pin": "Filament", "dowel": "Dowel", "magnet": "Magnet", "tongue": "Filament Elsewhere"}
"""What a joint is measured by, as it lies on the bench."""


def _bench(layout: UILayout, own: PropertyGroup) -> None:
    """Draw what the maker has at hand: the printer, what holds the parts, the glue; and the joint that comes of it."""
    box = layout.box().column()
    box.label(text="On the Bench", icon="TOOL_SETTINGS")
    row = box.row(align=True)
    for key in ("volume_width_mm", "volume_depth_mm", "volume_height_mm"):
        row.prop(own, key, text="")
    box.use_property_split = True
    box.use_property_decorate = False
    box.prop(own, "margin_mm", text="Brim Round It")
    box.prop(own, "glue_mm", text="Glue Film")
    box.prop(own, "joint", text="Held By")
    if own.joint == "NONE":
        return
    column = box.column(align=True)
    column.prop(own, "joint_wide_mm", text=WHAT_GOES_IN[own.joint])
    column.prop(own, "joint_deep_mm", text="Sunk Each Side")
    column.prop(own, "joint_play_mm", text="Slides With")
    picture = joint_picture.icon_of(own.joint, own.joint_wide_mm, own.joint_deep_mm, own.joint_play_mm, own.glue_mm)
    if picture:
        box.template_icon(icon_value=picture, scale=5.0)


class ARMINGCAP_PT_print(Tab, Panel):
    """Rings to try on, and parts that fit the printer"""

    bl_label = "Print"
    bl_order = 4
    bl_options = {"DEFAULT_CLOSED"}

    @staticmethod
    def state(context: Context) -> str:
        """Done when the piece was cut."""
        return DONE if splits.done_of(context.scene) is not None else OPEN

    def draw(self, context: Context) -> None:
        layout, own = self.layout, context.scene.arming_cap.printer
        row = layout.row(align=True)
        row.operator("arming_cap.make_rings", icon="MESH_TORUS").levels = "CHOSEN"
        row.operator("arming_cap.add_ring_plane", text="", icon="ADD")
        if any(ob.arming_cap.ring for ob in context.scene.objects):
            layout.operator("arming_cap.make_rings", text="Rings in the Planes Shown").levels = "SHOWN"
        column = layout.column(align=True)
        column.operator("arming_cap.make_room", icon="MOD_SKIN")
        column.prop(context.scene.arming_cap, "left_wall_mm")
        _bench(layout, own)
        row = layout.row(align=True)
        row.operator("arming_cap.plan_split", icon="MOD_EXPLODE")
        row.operator("arming_cap.add_cut", text="", icon="ADD")
        active = context.active_object
        if active is not None and active.arming_cap.cut != "NONE":
            row = layout.row()
            row.use_property_split = True
            row.use_property_decorate = False
            row.prop(active.arming_cap, "cut")
            row = layout.row()
            row.use_property_split = True
            row.use_property_decorate = False
            row.active = active.arming_cap.cut == "LOCKED"
            row.prop(active.arming_cap, "one_part")
        kept = splits.says(context.scene)
        if not kept:
            return
        box = layout.box().column(align=True)
        box.label(text=kept["piece"], translate=False, icon="MOD_EXPLODE")
        for text in (*kept["says"], *kept["parts"]):
            paragraph(box, context, text)
        row = layout.row(align=True)
        row.operator("arming_cap.apply_split", icon="CHECKMARK")
        row.operator("arming_cap.drop_plan", text="", icon="X")
        layout.operator("arming_cap.export_split", icon="EXPORT")


class ARMINGCAP_PT_print_split(Tab, Panel):
    """What a split is judged by, how parts are joined, and what the files allow for"""

    bl_label = "Split in Detail"
    bl_parent_id = "ARMINGCAP_PT_print"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Context) -> None:
        layout, own = self.layout, context.scene.arming_cap.printer
        layout.use_property_split = True
        layout.use_property_decorate = False
        column = layout.column(align=True)
        column.prop(own, "smallest_mm")
        column.prop(own, "close_mm")
        column = layout.column(align=True)
        column.prop(own, "shrinkage")
        column.prop(own, "material")
        column = layout.column(align=True)
        column.label(text="What Counts against a Plan")
        for index, (title, *_) in enumerate(WEIGHTS.values()):
            column.prop(own, "weights", index=index, text=title)


classes = (ARMINGCAP_PT_print, ARMINGCAP_PT_print_split)
