# SPDX-License-Identifier: GPL-3.0-or-later
"""The verbs that make what is printed: ring."""

from __future__ import annotations

import argparse
from typing import Any

from ..core.errors import InputError
from ..core.progress import Progress, part_of
from .reading import Outcome, mm, read_piece


def ring(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Cut try-on rings and draw their sections 1:1 on paper."""
    from ..core.fit.section import cut
    from ..core.make.ring import RingPlane, make_rings, write_rings
    from ..core.make.template import Template, draw_templates
    from ..core.wearer.sources import read_wearer

    if options.out is None:
        raise InputError("no folder to write to", remedy="add --out DIR")
    piece, inputs, warnings = read_piece(options.piece, options)
    wearer = None
    if options.wearer:
        read = read_wearer(options.wearer, options.units, part_of(progress, 0.0, 0.2))
        wearer = read.wearer
        inputs.insert(0, {"file": str(options.wearer), "sha256": read.sources[0].sha256})
        warnings += read.warnings
    planes = [RingPlane(f"level {n}", (a, b, c), d) for n, (a, b, c, d) in enumerate(options.plane, 1)]
    rings = make_rings(piece, wearer, planes or None, progress=part_of(progress, 0.2, 0.8))
    templates = [
        Template(
            f"{piece.name}, {one.plane.name}, {one.section.offset:.0f} mm",
            one.section,
            wearer and cut(wearer.form.mesh, one.section.normal, one.section.offset)[0],
        )
        for one in rings
    ]
    options.out.mkdir(parents=True, exist_ok=True)
    shown = write_rings(rings, options.out)
    paper = draw_templates(templates, options.out / "templates.pdf", options.page, part_of(progress, 0.8, 1.0))

    def show(stdout: Any) -> None:
        for one in shown:
            print(f"{one['name']}: {one['says']}; inner girth {mm(one['inner_girth_mm'])}", file=stdout)
            print(f"    {', '.join(one['files'])}", file=stdout)
        print(f"paper templates: {paper['file']}, in {options.out}", file=stdout)

    return Outcome({"rings": shown, "templates": paper}, inputs, warnings, False, show)
