# SPDX-License-Identifier: GPL-3.0-or-later
"""What a maker has at home and says once: the printer, the paper, where files go."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import bpy
from bpy.props import EnumProperty, FloatProperty, StringProperty
from bpy.types import AddonPreferences, Context

from ..core.report.model import CARE_LINE
from .properties import DIGITS

PACKAGE = __package__.rpartition(".")[0]
PAGES = (("A4", "A4", "Sheets of 210 × 297 mm"), ("Letter", "Letter", "Sheets of 8.5 × 11 inches"))


def _length(name: str, description: str, default: float) -> Any:
    return FloatProperty(
        name=name,
        description=description,
        subtype="DISTANCE_CAMERA",
        default=default,
        min=20.0,
        max=2000.0,
        precision=DIGITS,
    )


class ARMINGCAP_AP_preferences(AddonPreferences):
    """The maker's printer, paper and folder"""

    bl_idname = PACKAGE

    if TYPE_CHECKING:
        volume_width_mm: float
        volume_depth_mm: float
        volume_height_mm: float
        page: str
        folder: str
    else:
        volume_width_mm: _length("Width", "Width that your printer can print; a new scene begins with it", 220.0)
        volume_depth_mm: _length("Depth", "Depth that your printer can print; a new scene begins with it", 220.0)
        volume_height_mm: _length("Height", "Height that your printer can print; a new scene begins with it", 250.0)
        page: EnumProperty(name="Paper", description="Paper that templates are drawn for", items=PAGES, default="A4")
        folder: StringProperty(
            name="Folder", description="Where files are written unless you choose", subtype="DIR_PATH"
        )

    def draw(self, context: Context) -> None:
        """Draw them, and the notice of care."""
        layout = self.layout
        layout.use_property_split = True
        column = layout.column(align=True, heading="Printer")
        for key in ("volume_width_mm", "volume_depth_mm", "volume_height_mm"):
            column.prop(self, key)
        layout.prop(self, "page")
        layout.prop(self, "folder")
        layout.label(text=CARE_LINE, icon="INFO")


def own() -> ARMINGCAP_AP_preferences | None:
    """Return the preferences; None where the package was registered without being an enabled extension."""
    addon = bpy.context.preferences.addons.get(PACKAGE)
    return None if addon is None else addon.preferences


classes = (ARMINGCAP_AP_preferences,)
