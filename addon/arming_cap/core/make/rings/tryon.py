# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything to try a piece on before it is printed: rings and their paper templates, in one folder.

The road of the panel and of the command line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ...errors import InputError
from ...files import written_together
from ...geometry.section import cut
from ...piece import Piece
from ...progress import Progress, part_of, silent
from ...wearer.card import KnownFit
from ...wearer.form import Wearer
from .follow_up import follow_up
from .ring import Ring, RingOptions, RingPlane, make_rings, write_rings
from .template import Template, draw_templates

OPTIONS = RingOptions()


@dataclass(frozen=True)
class Outcomes:
    """What the wearer's card says of this piece: only levels that leave a doubt are tried again.

    Attributes
    ----------
    known
        The card's known fits.
    piece, sha256
        The piece as known fits name it, and the SHA-256 that stands for its files.
    scale
        At which the rings are wanted, against those files.
    """

    known: tuple[KnownFit, ...]
    piece: str
    sha256: str
    scale: float


@dataclass(frozen=True, eq=False)
class TryOn:
    """The rings, and what JSON shows of their files and of the templates'.

    Attributes
    ----------
    settled
        Names of levels that need no ring any more.
    """

    rings: tuple[Ring, ...]
    shown: list[dict[str, Any]]
    templates: dict[str, Any]
    settled: tuple[str, ...] = ()


def try_on(
    piece: Piece,
    wearer: Wearer | None,
    planes: Sequence[RingPlane] | None,
    out_dir: Path,
    page: str = "A4",
    options: RingOptions = OPTIONS,
    outcomes: Outcomes | None = None,
    progress: Progress = silent,
) -> TryOn:
    """Cut the rings, draw their sections 1:1, and write both.

    Parameters
    ----------
    piece
        In worn position at its final scale.
    wearer
        Chooses the levels where `planes` is None, and is drawn inside the templates.
    page
        ``A4`` or ``Letter``.
    outcomes
        What was tried on before; rings at levels asked for by `planes` are made all the same.

    Raises
    ------
    InputError
        As `make_rings` and `draw_templates` do, or where no level is left in doubt; nothing is written then.
    """
    made = make_rings(piece, wearer, planes, options, part_of(progress, 0.0, 0.8))
    rings = made if outcomes is None or planes is not None else _in_doubt(made, outcomes, options)
    settled = tuple(one.plane.name for one in made if one.plane.name not in {ring.plane.name for ring in rings})
    if not rings:
        raise InputError(
            "what was tried on before leaves no level in doubt",
            source=piece.name,
            remedy="print it, or ask for a ring with --plane",
        )
    templates = [
        Template(
            f"{piece.name}, {one.plane.name}, {one.section.offset:.0f} mm",
            one.section,
            None if wearer is None else cut(wearer.form.mesh, one.section.normal, one.section.offset)[0],
        )
        for one in rings
    ]
    with written_together(out_dir) as folder:
        shown = write_rings(rings, folder)
        paper = draw_templates(templates, folder / "templates.pdf", page, part_of(progress, 0.8, 1.0))
    return TryOn(tuple(rings), shown, paper, settled)


def _in_doubt(rings: Sequence[Ring], outcomes: Outcomes, options: RingOptions) -> list[Ring]:
    """Return the rings still worth trying, each saying why."""
    planes = [one.plane for one in rings]
    girths = [one.section.inner_girth_mm or 0.0 for one in rings]
    left = follow_up(planes, girths, outcomes.scale, outcomes.known, outcomes.piece, outcomes.sha256, options.height_mm)
    by_name = {plane.name: plane for plane in left}
    return [replace(one, plane=by_name[one.plane.name]) for one in rings if one.plane.name in by_name]
