# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer from whatever there is: a mesh, or a wearer card."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from ..errors import InputError
from ..formats import READABLE, read_mesh
from ..progress import Progress, silent
from .form import Wearer
from .limbform import Station, tape_girth
from .measure import measure
from .population import Estimate
from .recognise import form_of


@dataclass(frozen=True)
class Source:
    """A file that was read, and the SHA-256 of what it held."""

    path: Path
    sha256: str


@dataclass(frozen=True)
class ReadWearer:
    """A wearer, the files they came from, and sentences for the user.

    Attributes
    ----------
    estimate
        What a card's readings say of every dimension; None for a scan.
    stations
        Where a limbform's girths are taken, by dimension name.
    """

    wearer: Wearer
    sources: tuple[Source, ...]
    warnings: tuple[str, ...] = ()
    estimate: Estimate | None = None
    stations: Mapping[str, Station] = field(default_factory=dict)

    def measured(self) -> dict[str, float]:
        """Return the dimensions of the form itself, in mm by name, measured on its surface.

        Raises
        ------
        InputError
            If it is a mesh in which no head was recognised.
        """
        if self.stations:
            return {name: tape_girth(self.wearer.form.mesh, station) for name, station in self.stations.items()}
        return measure(self.wearer.form)


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
