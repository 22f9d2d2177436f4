# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer from whatever there is: a mesh, or a wearer card."""

from __future__ import annotations

from pathlib import Path

from ..errors import InputError
from ..formats import READABLE, read_mesh
from ..progress import Progress, silent
from .cardform import wearer_of_card
from .form import Wearer
from .found import ReadWearer, Source
from .oddsize import odd_form
from .recognise import form_of


def read_wearer(path: Path | str, units: str | None = None, progress: Progress = silent) -> ReadWearer:
    """Read a wearer card (``.toml``) or any closed mesh.

    Parameters
    ----------
    path
        The file.
    units
        The unit of a mesh that says nothing; see `formats.read_mesh`.

    Raises
    ------
    InputError
        If the file cannot be read, or the surface is not closed.
    """
    path = Path(path)
    if path.suffix.lower() in READABLE:
        progress(0.0, f"Reading {path.name}")
        read = read_mesh(path, units)
        wearer = Wearer(path.stem, form_of(read.mesh, "mesh"))
        odd = odd_form(read.mesh, path.name, read.stated)
        return ReadWearer(wearer, (Source(path, read.sha256),), (*read.warnings, *odd))
    if path.suffix.lower() == ".toml":
        return wearer_of_card(path, progress)
    raise InputError(
        f"'{path.suffix}' is neither a wearer card nor a mesh",
        source=str(path),
        remedy=f"use .toml or one of {', '.join(READABLE)}",
    )
