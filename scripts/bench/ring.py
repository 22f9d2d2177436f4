# SPDX-License-Identifier: GPL-3.0-or-later
"""Try-on rings and paper templates of a piece of 200,000 triangles."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from . import Row, median_time

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))


def rows() -> list[Row]:
    """Return the time of two rings with their marks, and of their templates."""
    import shapes

    from arming_cap.core.make.ring import RingPlane, make_rings
    from arming_cap.core.make.template import Template, draw_templates
    from arming_cap.core.piece import Part, Piece

    shell = shapes.dome(100, 108, -60, segments=512, rings=100)
    piece = Piece("bench", (Part("shell", shell),))
    planes = [RingPlane("opening", (0, 0, 1), -55), RingPlane("brow", (0, 0, 1), 10)]
    rings = make_rings(piece, planes=planes)
    with tempfile.TemporaryDirectory() as folder:
        paper = Path(folder) / "templates.pdf"
        templates = [Template(r.plane.name, r.section) for r in rings]
        return [
            Row(
                f"{len(planes)} rings of {len(shell)} triangles, marks included",
                median_time(lambda: make_rings(piece, planes=planes), 3, 0),
                wanted="under 5 s",
            ),
            Row("their paper templates", median_time(lambda: draw_templates(templates, paper), 3), wanted="under 2 s"),
        ]
