# SPDX-License-Identifier: GPL-3.0-or-later
"""The add-on's own text in the user's language: Blender's translation call, and the tables that it looks into.

Blender translates what is registered and what is drawn as it stands. `tr` is for the rest: texts with figures or names
in them, reports, and what is written over the view. Sentences of the core (why a verdict is what it is) stay English.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from bpy.app import translations

from ..core.errors import InputError

OURS = "Arming Cap"
"""Context of the few words for which Blender has a German, say, that means something else."""
TABLES = Path(__file__).resolve().parent / "translations"
"""A folder for each language; in each file a table for each of Blender's contexts, English to the language."""


def tr(text: str, **values: object) -> str:
    """Return a text of ours in the user's language, what stands in its braces filled in where values are given."""
    told = translations.pgettext_iface(text) if text else ""
    return told.format(**values) if values else told


def tr_error(error: InputError) -> str:
    """Return an error as it reports itself, what and remedy in the user's language."""
    return str(InputError(tr(error.what), source=error.source, remedy=tr(error.remedy)))


def table_of(language: str) -> dict[tuple[str, str], str]:
    """Return a language's texts by context and English text."""
    found = {}
    for path in sorted((TABLES / language).glob("*.toml")):
        for context, texts in tomllib.loads(path.read_text(encoding="utf-8")).items():
            found |= {(context, text): told for text, told in texts.items()}
    return found


def register() -> None:
    """Give Blender our tables. It asks its own first: what it translates itself stays as it is."""
    translations.register(__package__, {folder.name: table_of(folder.name) for folder in TABLES.iterdir()})


def unregister() -> None:
    """Take them back."""
    translations.unregister(__package__)
