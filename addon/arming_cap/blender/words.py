# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures and sentences as the panel and the view write them."""

from __future__ import annotations

from typing import Any

from ..core.report import words
from .language import tr


def sentence(text: str) -> str:
    """Return a text that begins like a sentence; a name of an object or package stays as it is written."""
    return text[:1].upper() + text[1:] if text.partition(" ")[0].isalpha() else text


def within(name: str) -> str:
    """Return a region, check or outcome as it stands within a sentence: translated like its label, else as it is."""
    told = tr(name.title())
    return name if told == name.title() else told


def figure(verdict: dict[str, Any], spread: bool = True) -> str:
    """Return a verdict's number with its unit, as the reports write it; counts without decimals."""
    value = verdict["number"]
    if value is None:
        return tr("not checked") if verdict["verdict"] == "not checked" else tr("not measured")
    decimals = 0 if float(value).is_integer() and verdict["unit"] not in ("mm", "deg", "°") else 1
    around = f" ± {words.figure(verdict['uncertainty'])}" if spread and verdict["uncertainty"] > 0 else ""
    return f"{words.figure(value, decimals)}{around} {verdict['unit']}".strip()
