# SPDX-License-Identifier: GPL-3.0-or-later
"""Bringing meshes and cards in: from the menus, or dropped into a 3D view."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import bpy
from bpy.props import CollectionProperty, EnumProperty, StringProperty
from bpy.types import Context, Event, FileHandler, Operator, OperatorFileListElement

from ... import errands
from ...core.errors import InputError
from .. import forms, results, splits, work
from ..language import tr
from ..properties import ROLES
from ..scene import mm_per_unit

MESHES = ("obj", "stl", "ply", "off", "glb", "3mf")
"""What `core.formats` reads, by ending."""
BRINGS = tuple(role for role in ROLES if role[0] != "NONE")


class ARMINGCAP_OT_bring_mesh(work.AfterChoosing, Operator):
    """Bring meshes in as a wearer or as parts of a piece, in millimetres and where their files have them"""

    bl_idname = "arming_cap.bring_mesh"
    bl_label = "Bring In Wearer or Piece"
    bl_options = {"UNDO"}

    doing = "Reading meshes"
    chooses = "directory"

    if TYPE_CHECKING:
        directory: str
        files: Any
        filter_glob: str
        role: str
    else:
        directory: StringProperty(
            name="Folder", description="Where the files are", subtype="DIR_PATH", options={"HIDDEN", "SKIP_SAVE"}
        )
        files: CollectionProperty(
            name="Files",
            description="The meshes to read",
            type=OperatorFileListElement,
            options={"HIDDEN", "SKIP_SAVE"},
        )
        filter_glob: StringProperty(
            name="Files Shown",
            description="Only meshes are shown",
            default=";".join(f"*.{ending}" for ending in MESHES),
            options={"HIDDEN"},
        )
        role: EnumProperty(
            name="They Are", description="What the meshes are in the checks", items=BRINGS, default="PART"
        )

    @classmethod
    def poll(cls, context: Context) -> bool:
        return cls.idle()

    def invoke(self, context: Context, event: Event) -> set[str]:
        """Ask what they are where files were dropped; else let the user choose both."""
        if self.directory and not bpy.app.background:
            return context.window_manager.invoke_props_dialog(self)
        return super().invoke(context, event)

    def draw(self, context: Context) -> None:
        """Draw the one question."""
        self.layout.prop(self, "role", expand=True)

    def begin(self, context: Context) -> work.Work:
        """Name the files; they are read beside the window."""
        folder = Path(bpy.path.abspath(self.directory))
        paths = [folder / one.name for one in self.files if one.name]
        if not paths:
            raise InputError("no file was chosen", remedy="choose one or more meshes")
        return work.Work(partial(errands.read_meshes, paths), "Reading the files")

    def end(self, context: Context, result: Any) -> set[str]:
        """Add an object for each file."""
        scene, mm = context.scene, mm_per_unit(context.scene)
        for name, mesh, warnings in result:
            ob = forms.add_mesh(scene, mesh, name, mm)
            ob.arming_cap.role = self.role
            forms.choose(ob)
            for text in warnings:
                self.say("WARNING", f"{name}: {text}")
        splits.adopt_printer(scene)
        results.look_again()
        word = tr({key: label for key, label, *_ in ROLES}[self.role])
        self.say("INFO", tr("Read as {role}: {names}", role=word, names=", ".join(name for name, *_ in result)))
        return {"FINISHED"}


def _over_a_view(context: Context) -> bool:
    return context.area is not None and context.area.type == "VIEW_3D"


class ARMINGCAP_FH_mesh(FileHandler):
    """Meshes that are dropped into a 3D view"""

    bl_idname = "ARMINGCAP_FH_mesh"
    bl_label = "Wearer or Piece"
    bl_import_operator = "arming_cap.bring_mesh"
    bl_file_extensions = ";".join(f".{ending}" for ending in MESHES)

    @classmethod
    def poll_drop(cls, context: Context) -> bool:
        """Only over a 3D view."""
        return _over_a_view(context)


class ARMINGCAP_FH_card(FileHandler):
    """Wearer cards that are dropped into a 3D view"""

    bl_idname = "ARMINGCAP_FH_card"
    bl_label = "Wearer Card"
    bl_import_operator = "arming_cap.open_card"
    bl_file_extensions = ".toml"

    @classmethod
    def poll_drop(cls, context: Context) -> bool:
        """Only over a 3D view."""
        return _over_a_view(context)


classes = (ARMINGCAP_OT_bring_mesh, ARMINGCAP_FH_mesh, ARMINGCAP_FH_card)
