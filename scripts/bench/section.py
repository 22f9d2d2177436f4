# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane sections, against trimesh and manifold3d on one dome of two walls."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from . import Row, median_time

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))

PLANES = 100


def rows() -> list[Row]:
    """Return 100 level sections of a shell of 200,000 triangles; loops, nesting and rooms included."""
    import manifold3d
    import shapes
    import trimesh

    from arming_cap.core.geometry.section import cut
    from arming_cap.core.mesh import TriangleMesh

    shell = shapes.dome(100, 104, -60, segments=512, rings=100)
    soup = TriangleMesh(
        shell.vertices, np.where(np.arange(len(shell))[:, None] % 3, shell.triangles, shell.triangles[:, ::-1])
    )
    heights = np.linspace(-59, 99, PLANES)
    up = np.array([0.0, 0.0, 1.0])

    def ours() -> None:
        assert [s.room for s in cut(TriangleMesh(shell.vertices, shell.triangles), up, heights)]

    def ours_on_soup() -> None:
        assert [s.room for s in cut(TriangleMesh(soup.vertices, soup.triangles), up, heights)]

    def with_trimesh() -> None:
        mesh = trimesh.Trimesh(shell.vertices, shell.triangles, process=False)
        mesh.section_multiplane((0, 0, 0), up, heights)

    def with_manifold() -> None:
        vertices, triangles = shell.vertices.astype(np.float32), shell.triangles.astype(np.uint32)
        solid = manifold3d.Manifold(manifold3d.Mesh(vertices, triangles))
        for height in heights:
            solid.slice(float(height)).to_polygons()

    what = f"{PLANES} sections of {len(shell)} triangles"
    mine = median_time(ours)
    return [
        Row(what, mine, "trimesh section_multiplane", median_time(with_trimesh, 3), "at least 10x faster"),
        Row(what, mine, "manifold3d slices, mesh loading counted", median_time(with_manifold, 3), "at most 3x"),
        Row(f"{what}, every third one flipped", median_time(ours_on_soup, 3)),
    ]
