# SPDX-License-Identifier: GPL-3.0-or-later
"""The same operators where a Blender user looks for them: the Object menu, File > Import and Export, and so search."""

from __future__ import annotations

from pathlib import Path
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
    menu.layout.operator("arming_cap.bring_mesh", text="Wearer or Piece (.stl/.obj/.ply/.glb/.3mf)")
    menu.layout.operator("arming_cap.import_scan", text="Wearer Scan (.obj/.stl/.ply/.glb/.3mf)")
    menu.layout.operator("arming_cap.open_card", text="Wearer Card (.toml)")


def _export(menu: Any, context: Context) -> None:
    menu.layout.operator("arming_cap.export_report", text="Fit Report (.html/.json)")
    menu.layout.operator("arming_cap.export_split", text="Parts of a Split (.3mf)")
    menu.layout.operator("arming_cap.save_card", text="Wearer Card (.toml)")


GUIDE = Path(__file__).resolve().parents[1] / "guide"
MEASURING = "how_to_measure open_card save_card new_card make_form import_scan find_head add_landmarks".split()


def manual() -> tuple[str, tuple[tuple[str, str], ...]]:
    """Return where Online Manual in a button's menu leads: to the guide that the extension carries, no network.

    The first pattern that fits a button counts.
    """
    measuring = [f"bpy.ops.arming_cap.{name}" for name in MEASURING]
    measuring += ["bpy.types.armingcap_pg_card.*", "bpy.types.armingcap_pg_reading.*"]
    rest = ("bpy.ops.arming_cap.*", "bpy.types.armingcap_*")
    pages = [(pattern, "measure-your-wearer.md") for pattern in measuring]
    return f"{GUIDE.as_uri()}/", (*pages, *((pattern, "in-blender.md") for pattern in rest))


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
    bpy.utils.register_manual_map(manual)


def unregister() -> None:
    """Take them out."""
    bpy.utils.unregister_manual_map(manual)
    for name, entry in ENTRIES:
        getattr(bpy.types, name).remove(entry)
