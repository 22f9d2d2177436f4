# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer as read from files, with where it came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from .form import Wearer
from .headform import head_form_of
from .limbform import Station, limb_form_of, tape_girth
from .measure import measure
from .population import Estimate
from .scan import LEAST_CONFIDENCE, ScanResult


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
    body_part
        What a card's form is of; see `card.Card.body_part`.
    scan
        How a scan was brought home; None where the file's own surface is the form.
    """

    wearer: Wearer
    sources: tuple[Source, ...]
    warnings: tuple[str, ...] = ()
    estimate: Estimate | None = None
    stations: Mapping[str, Station] = field(default_factory=dict)
    body_part: tuple[str, str] = ("head", "")
    scan: ScanResult | None = None

    def wider(self) -> Wearer | None:
        """Return the wearer as large as 90 % certainty allows: every girth and breadth at its upper end.

        Its form has no spread left: a margin on it is the margin if they are larger than we think. None for a mesh or
        a scan, where nothing was estimated and the spread says all.
        """
        if self.estimate is None:
            return None
        kind, side = self.body_part
        name = self.wearer.form.mesh.name
        form = (
            head_form_of(self.estimate, name, upper=True)
            if kind == "head"
            else limb_form_of(self.estimate, kind, side or "left", upper=True).form
        )
        return replace(self.wearer, form=form)

    def measured(self) -> dict[str, float]:
        """Return the dimensions of the form itself, in mm by name, measured on its surface.

        None of a scan of less than `scan.LEAST_CONFIDENCE`: a guess is no answer.

        Raises
        ------
        InputError
            If it is a mesh in which no head was recognised.
        """
        if self.scan is not None and self.scan.confidence < LEAST_CONFIDENCE:
            return {}
        if self.stations:
            return {name: tape_girth(self.wearer.form.mesh, station) for name, station in self.stations.items()}
        return measure(self.wearer.form)
