# SPDX-License-Identifier: GPL-3.0-or-later
"""Sight out of a shell with an opening, against rays shot with libigl."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from . import Row, median_time

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))

EYES = np.array([[32.0, -60.0, 0.0], [-32.0, -60.0, 0.0]])
RAYS = 20_000


def rows() -> list[Row]:
    """Return both eyes' sight out of a dome of 200,000 triangles with a face opening, and as many rays as it is worth.

    Rays spread evenly at random leave an error of sqrt(p (1 - p) / n) of the sphere. The time of `RAYS` rays is scaled
    to the n that has the error bound which ours states.
    """
    import igl
    import shapes

    from arming_cap.core.fit.sight import look_out
    from arming_cap.core.mesh import TriangleMesh
    from arming_cap.core.piece import Part, Piece

    shell = shapes.dome(100, 104, -60, segments=512, rings=110)
    x, y, z = np.moveaxis(shell.corners.mean(axis=1), 1, 0)
    shell = shell.submesh(~((np.abs(x) < 60) & (y < 0) & (np.abs(z) < 25)))

    def ours() -> None:
        look_out(Piece("shell", (Part("shell", TriangleMesh(shell.vertices, shell.triangles)),)), *EYES)

    directions = np.random.default_rng(1).normal(size=(RAYS, 3))
    shares = []

    def plant() -> igl.AABB:
        tree = igl.AABB()
        tree.init(shell.vertices, shell.triangles)
        return tree

    tree = plant()

    def rays() -> None:
        for eye in EYES:
            origins = np.broadcast_to(eye, directions.shape).copy()
            hit, *_ = tree.intersect_ray_first(shell.vertices, shell.triangles, origins, directions)
            shares.append(float((hit < 0).mean()))

    found = look_out(Piece("shell", (Part("shell", shell),)), *EYES).piece.left
    mine, planted, shot = median_time(ours, 3), median_time(plant, 1, 0), median_time(rays, 1, 0)
    share = found.open_sr / (4 * np.pi)
    worth = share * (1 - share) / (found.tolerance_sr / (4 * np.pi)) ** 2
    what = f"both eyes' sight, {len(shell)} triangles"
    rays_error = 4 * np.pi * (share * (1 - share) / RAYS) ** 0.5
    return [
        Row(
            what, mine, wanted="under 2 s", note=f"open {found.open_sr:.5f} sr, error at most {found.tolerance_sr:.1e}"
        ),
        Row(
            what,
            mine,
            f"libigl's tree and {RAYS} rays an eye",
            planted + shot,
            note=f"the rays find {4 * np.pi * shares[0]:.5f} sr with a standard error of {rays_error:.1e}",
        ),
        Row(
            what,
            mine,
            f"as many rays as are as exact ({worth:.1e} an eye)",
            planted + shot * worth / RAYS,
            note="the rival's time is extrapolated from the row above",
        ),
    ]
