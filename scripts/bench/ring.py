# SPDX-License-Identifier: GPL-3.0-or-later
"""Try-on rings, paper templates, wall thickness and relief of a piece of 200,000 triangles."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from . import Row, median_time

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))


def rows() -> list[Row]:
    """Return the time of rings with their marks, planned and given, of their templates, of the walls and of relief."""
    import shapes

    from arming_cap.core.make.rings.ring import RingPlane, make_rings
    from arming_cap.core.make.rings.template import Template, draw_templates
    from arming_cap.core.make.walls.relief import relieve
    from arming_cap.core.make.walls.thickness import Material, thickness
    from arming_cap.core.piece import Part, Piece
    from arming_cap.core.wearer.form import Form, Wearer

    shell = shapes.dome(100, 108, -60, segments=512, rings=100)
    piece = Piece("bench", (Part("shell", shell),))
    planes = [RingPlane("opening", (0, 0, 1), -55), RingPlane("brow", (0, 0, 1), 10)]
    rings = make_rings(piece, planes=planes)
    wearer = Wearer("bench", Form(shapes.ellipsoid((88, 97, 94), 128), spread_mm={"whole": 3.0}), {"default": 5.0})
    with tempfile.TemporaryDirectory() as folder:
        paper = Path(folder) / "templates.pdf"
        templates = [Template(r.plane.name, r.section) for r in rings]
        return [
            Row(
                f"{len(planes)} rings of {len(shell)} triangles, marks included",
                median_time(lambda: make_rings(piece, planes=planes), 3, 0),
                wanted="under 5 s",
            ),
            Row(
                "rings at the levels that decide for a wearer, field cached",
                median_time(lambda: make_rings(piece, wearer), 1),
                wanted="under 5 s",
            ),
            Row("wall thickness everywhere", median_time(lambda: thickness(piece), 1, 0), wanted="a few seconds"),
            _spheres(Material(shell.corners)),
            Row("relief of the whole inside", median_time(lambda: relieve(piece, wearer), 1, 0)),
            Row("their paper templates", median_time(lambda: draw_templates(templates, paper), 3), wanted="under 2 s"),
        ]


def _spheres(material: Any) -> Row:
    """Return the time of the largest inner balls at some points, against trimesh's."""
    import trimesh

    rows = slice(None, None, len(material.corners) // 300)
    points, inward = material.corners[rows].mean(axis=1), material.inward[rows]
    mesh = trimesh.Trimesh(
        material.corners.reshape(-1, 3),
        [[3 * i, 3 * i + 1, 3 * i + 2] for i in range(len(material.corners))],
        process=False,
    )

    def ours() -> None:
        material.sphere(points, inward, material.ray(points, inward)[0])

    def theirs() -> None:
        trimesh.proximity.thickness(mesh, points, normals=-inward, method="max_sphere")

    return Row(
        f"largest inner ball at {len(points)} points", median_time(ours, 3), "trimesh", median_time(theirs, 1, 0)
    )
