# SPDX-License-Identifier: GPL-3.0-or-later
"""Giving objects their roles."""

from typing import TYPE_CHECKING

from bpy.props import EnumProperty, StringProperty
from bpy.types import Context, Object, Operator

from .. import forms, results, splits
from ..language import tr
from ..properties import REGIONS, ROLES
from ..scene import WITH_SURFACE


def selected(context: Context) -> list[Object]:
    """Return the selected objects that can have a role."""
    return [ob for ob in context.selected_objects if ob.type in WITH_SURFACE]


class ARMINGCAP_OT_set_role(Operator):
    """Say what the selected objects are in the checks"""

    bl_idname = "arming_cap.set_role"
    bl_label = "Set Role"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        role: str
    else:
        role: EnumProperty(name="Role", description="What they are", items=ROLES, default="PART")

    @classmethod
    def poll(cls, context: Context) -> bool:
        if selected(context):
            return True
        cls.poll_message_set(tr("Select one or more objects with a surface first"))
        return False

    def execute(self, context: Context) -> set[str]:
        objects = selected(context)
        for ob in objects:
            ob.arming_cap.role = self.role
        splits.adopt_printer(context.scene)
        results.look_again()
        role = tr({key: label for key, label, *_ in ROLES}[self.role])
        self.report({"INFO"}, tr("Role of {count} selected: {role}", count=len(objects), role=role))
        return {"FINISHED"}


class ARMINGCAP_OT_select_named(Operator):
    """Select this object, and nothing else"""

    bl_idname = "arming_cap.select_named"
    bl_label = "Select"
    bl_options = {"UNDO", "INTERNAL"}

    if TYPE_CHECKING:
        target: str
    else:
        target: StringProperty(name="Object", description="What is selected", options={"HIDDEN", "SKIP_SAVE"})

    def execute(self, context: Context) -> set[str]:
        ob = context.scene.objects.get(self.target)
        if ob is None:
            self.report({"ERROR"}, tr("'{name}' is no longer in the scene", name=self.target))
            return {"CANCELLED"}
        forms.choose(ob)
        return {"FINISHED"}


class ARMINGCAP_OT_set_piece(Operator):
    """Put the selected parts together as one piece, and say which form it is worn on"""

    bl_idname = "arming_cap.set_piece"
    bl_label = "Group as Piece"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        piece: str
        worn_by: str
    else:
        piece: StringProperty(name="Piece", description="What the piece is called in reports")
        worn_by: StringProperty(name="Worn By", description="The form it is worn on. Left empty, the scene's only one")

    @classmethod
    def poll(cls, context: Context) -> bool:
        if any(ob.arming_cap.role in {"PART", "REMOVABLE"} for ob in selected(context)):
            return True
        cls.poll_message_set(tr("Select one or more parts first"))
        return False

    def invoke(self, context: Context, event: object) -> set[str]:
        first = context.active_object or selected(context)[0]
        self.piece = first.arming_cap.piece
        self.worn_by = first.arming_cap.worn_by.name if first.arming_cap.worn_by else ""
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, context: Context) -> None:
        self.layout.use_property_split = True
        self.layout.prop(self, "piece")
        self.layout.prop_search(self, "worn_by", context.scene, "objects")

    def execute(self, context: Context) -> set[str]:
        form = context.scene.objects.get(self.worn_by) if self.worn_by else None
        if self.worn_by and (form is None or form.arming_cap.role != "FORM"):
            said = tr("{name}: this is no form; choose an object with the role Wearer", name=self.worn_by)
            self.report({"ERROR"}, said)
            return {"CANCELLED"}
        for ob in selected(context):
            if ob.arming_cap.role in {"PART", "REMOVABLE"}:
                ob.arming_cap.piece = self.piece.strip()
                ob.arming_cap.worn_by = form
        results.look_again()
        return {"FINISHED"}


def _is_form(cls: type[Operator], context: Context) -> bool:
    if context.active_object is not None and context.active_object.arming_cap.role == "FORM":
        return True
    cls.poll_message_set(tr("Make a form the active object first"))
    return False


class ARMINGCAP_OT_add_allowance(Operator):
    """Give one region of the active form an allowance of its own"""

    bl_idname = "arming_cap.add_allowance"
    bl_label = "Add Region"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        return _is_form(cls, context)

    def execute(self, context: Context) -> set[str]:
        rows = context.active_object.arming_cap.allowances
        taken = {row.region for row in rows}
        free = [name for name, *_ in REGIONS if name not in taken]
        if not free:
            self.report({"ERROR"}, tr("every region has its allowance already"))
            return {"CANCELLED"}
        ears = [name for name in ("ear_left", "ear_right") if name in free]
        rows.add().region = (ears or free)[0]
        results.look_again()
        return {"FINISHED"}


class ARMINGCAP_OT_remove_allowance(Operator):
    """Let this region keep the same room as the rest"""

    bl_idname = "arming_cap.remove_allowance"
    bl_label = "Remove Region"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        row: int
    else:
        row: results.hidden_row("Row", "Which of the regions, counted from 0")

    @classmethod
    def poll(cls, context: Context) -> bool:
        return _is_form(cls, context)

    def execute(self, context: Context) -> set[str]:
        rows = context.active_object.arming_cap.allowances
        if self.row >= len(rows):
            self.report({"ERROR"}, tr("there is no such row"))
            return {"CANCELLED"}
        rows.remove(self.row)
        results.look_again()
        return {"FINISHED"}


classes = (
    ARMINGCAP_OT_set_role,
    ARMINGCAP_OT_select_named,
    ARMINGCAP_OT_set_piece,
    ARMINGCAP_OT_add_allowance,
    ARMINGCAP_OT_remove_allowance,
)
