# SPDX-License-Identifier: GPL-3.0-or-later
"""The same operators where a Blender user looks for them: the Object menu, File > Import and Export, and so search."""

from __future__ import annotations

from typing import Any

import bpy
from bpy.types import Context, Menu


class ARMINGCAP_MT_object(Menu):
    """What can be done with wearers and pieces"""

    bl_label = "Arming Cap"

    def draw(self, context: Context) -> None:
        """List the steps in the order of the work."""
        layout = self.layout
        layout.operator_context = "INVOKE_DEFAULT"
        layout.operator_menu_enum("arming_cap.set_role", "role", text="Set Role")
        layout.operator("arming_cap.set_piece")
        layout.separator()
        layout.operator("arming_cap.live_section")
        layout.operator("arming_cap.check_fit")
        layout.operator("arming_cap.record_outcome")
        layout.separator()
        layout.operator("arming_cap.make_room")
        layout.operator("arming_cap.make_rings")
        layout.operator("arming_cap.plan_split")
        layout.operator("arming_cap.apply_split")


def _object(menu: Any, context: Context) -> None:
    menu.layout.separator()
    menu.layout.menu("ARMINGCAP_MT_object")


def _import(menu: Any, context: Context) -> None:
    menu.layout.operator("arming_cap.import_scan", text="Wearer Scan (.obj/.stl/.ply/.glb/.3mf)")
    menu.layout.operator("arming_cap.open_card", text="Wearer Card (.toml)")


def _export(menu: Any, context: Context) -> None:
    menu.layout.operator("arming_cap.export_report", text="Fit Report (.html/.json)")
    menu.layout.operator("arming_cap.export_split", text="Parts of a Split (.3mf)")
    menu.layout.operator("arming_cap.save_card", text="Wearer Card (.toml)")


ENTRIES = (
    ("VIEW3D_MT_object", _object),
    ("TOPBAR_MT_file_import", _import),
    ("TOPBAR_MT_file_export", _export),
)
classes = (ARMINGCAP_MT_object,)


def register() -> None:
    """Add the entries."""
    for name, entry in ENTRIES:
        getattr(bpy.types, name).append(entry)


def unregister() -> None:
    """Take them out."""
    for name, entry in ENTRIES:
        getattr(bpy.types, name).remove(entry)
