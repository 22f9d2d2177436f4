# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer from whatever there is: a mesh, or a wearer card."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..errors import InputError
from ..formats import READABLE, read_mesh
from ..progress import Progress, silent
from .form import Wearer
from .recognise import form_of


@dataclass(frozen=True)
class Source:
    """A file that was read, and the SHA-256 of what it held."""

    path: Path
    sha256: str


@dataclass(frozen=True)
class ReadWearer:
    """A wearer, the files they came from, and sentences for the user."""

    wearer: Wearer
    sources: tuple[Source, ...]
    warnings: tuple[str, ...] = ()


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
        return ReadWearer(wearer, (Source(path, read.sha256),), read.warnings)
    if path.suffix.lower() == ".toml":
        from .cardform import wearer_of_card

        return wearer_of_card(path, progress)
    raise InputError(
        f"'{path.suffix}' is neither a wearer card nor a mesh",
        source=str(path),
        remedy=f"use .toml or one of {', '.join(READABLE)}",
    )
