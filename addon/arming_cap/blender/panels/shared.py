# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panels draw alike: icons, sentences, figures."""

from __future__ import annotations

import textwrap
from typing import Any

from bpy.types import Context, UILayout

from ...core.report import words
from ..properties import ROLES

ICONS = {"pass": "CHECKMARK", "marginal": "ERROR", "fail": "CANCEL", "not checked": "QUESTION"}
ROLE_ICONS = {key: icon for key, _, _, icon, _ in ROLES}
ROLE_WORDS = {key: label for key, label, *_ in ROLES}


def paragraph(layout: UILayout, context: Context, text: str, icon: str = "NONE") -> None:
    """Draw a text in as many lines as the sidebar's width asks for."""
    pixels = context.region.width / context.preferences.system.ui_scale
    lines(layout, text, max(18, int((pixels - (75 if icon != "NONE" else 50)) / 6.3)), icon)


def lines(layout: UILayout, text: str, width: int, icon: str = "NONE") -> None:
    """Draw a text in lines of so many letters."""
    column = layout.column(align=True)
    column.scale_y = 0.8
    for number, line in enumerate(textwrap.wrap(text, width)):
        column.label(text=line, icon=icon if number == 0 else "BLANK1" if icon != "NONE" else "NONE")


def figure(verdict: dict[str, Any], spread: bool = True) -> str:
    """Return a verdict's number with its unit, as the reports write it; counts without decimals."""
    value = verdict["number"]
    if value is None:
        return "not measured"
    decimals = 0 if float(value).is_integer() and verdict["unit"] not in ("mm", "deg", "°") else 1
    around = f" ± {words.figure(verdict['uncertainty'])}" if spread and verdict["uncertainty"] > 0 else ""
    return f"{words.figure(value, decimals)}{around} {verdict['unit']}".strip()


class Tab:
    """Mixed into every panel of the sidebar's tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Arming Cap"
