# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything to try a piece on before it is printed: rings and their paper templates, in one folder.

The road of the panel and of the command line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..fit.section import cut
from ..piece import Piece
from ..progress import Progress, part_of, silent
from ..wearer.form import Wearer
from .ring import Ring, RingOptions, RingPlane, make_rings, write_rings
from .template import Template, draw_templates

OPTIONS = RingOptions()


@dataclass(frozen=True, eq=False)
class TryOn:
    """The rings, and what JSON shows of their files and of the templates'."""

    rings: tuple[Ring, ...]
    shown: list[dict[str, Any]]
    templates: dict[str, Any]


def try_on(
    piece: Piece,
    wearer: Wearer | None,
    planes: Sequence[RingPlane] | None,
    out_dir: Path,
    page: str = "A4",
    options: RingOptions = OPTIONS,
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

    Raises
    ------
    InputError
        As `make_rings` and `draw_templates` do; nothing is written then.
    """
    rings = make_rings(piece, wearer, planes, options, part_of(progress, 0.0, 0.8))
    templates = [
        Template(
            f"{piece.name}, {one.plane.name}, {one.section.offset:.0f} mm",
            one.section,
            None if wearer is None else cut(wearer.form.mesh, one.section.normal, one.section.offset)[0],
        )
        for one in rings
    ]
    out_dir.mkdir(parents=True, exist_ok=True)
    shown = write_rings(rings, out_dir)
    paper = draw_templates(templates, out_dir / "templates.pdf", page, part_of(progress, 0.8, 1.0))
    return TryOn(tuple(rings), shown, paper)
