# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panels draw alike: icons, sentences, figures."""

from __future__ import annotations

import textwrap

from bpy.types import Context, UILayout

from ..language import tr
from ..properties import ROLES

ICONS = {"pass": "CHECKMARK", "marginal": "ERROR", "fail": "CANCEL", "not checked": "QUESTION"}
ROLE_ICONS = {key: icon for key, _, _, icon, _ in ROLES}


def paragraph(layout: UILayout, context: Context, text: str, icon: str = "NONE") -> None:
    """Draw a text in as many lines as the sidebar's width asks for."""
    pixels = context.region.width / context.preferences.system.ui_scale
    lines(layout, text, max(18, int((pixels - (75 if icon != "NONE" else 50)) / 6.3)), icon)


def lines(layout: UILayout, text: str, width: int, icon: str = "NONE") -> None:
    """Draw a text of ours, translated, in lines of so many letters."""
    column = layout.column(align=True)
    column.scale_y = 0.8
    for number, line in enumerate(textwrap.wrap(tr(text), width)):
        column.label(text=line, icon=icon if number == 0 else "BLANK1" if icon != "NONE" else "NONE")


OPEN, DONE, OLD, FAILED = "RADIOBUT_OFF", "CHECKMARK", "FILE_REFRESH", "CANCEL"
"""How a step of the work stands, at a glance."""


class Tab:
    """Mixed into every panel of the sidebar's tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Arming Cap"

    @staticmethod
    def state(context: Context) -> str:
        """Return how this step of the work stands, as an icon; empty where the panel is no step."""
        return ""

    def draw_header(self, context: Context) -> None:
        """Draw the state before the title."""
        if icon := self.state(context):
            self.layout.label(text="", icon=icon)
