# SPDX-License-Identifier: GPL-3.0-or-later
"""A band along a curved rim: as high as asked for above the piece's lower edge, wherever that runs.

The edge is found in half-planes about the axis through the opening: the lowest point of the piece in each. The band's
upper end is the surface swept by that edge's rays, raised by the height.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..fit.section import cut
from ..mesh import TriangleMesh

HALF_PLANES = 144


def rim_heights(mesh: TriangleMesh, centre: FloatArray, top: float) -> FloatArray:
    """Return the height of a piece's lower edge in each half-plane about a vertical axis, (HALF_PLANES,) mm.

    Parameters
    ----------
    mesh
        With Z along the axis.
    centre
        Where the axis stands, (2,).
    top
        The edge must run below this.

    Raises
    ------
    InputError
        If it does not all the way round.
    """
    angle = np.arange(HALF_PLANES // 2) * (2 * np.pi / HALF_PLANES)
    ways = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    normals = np.stack([-ways[:, 1], ways[:, 0], 0 * angle], axis=1)
    low = np.full(HALF_PLANES, np.inf)
    for i, section in enumerate(cut(mesh, normals, normals[:, :2] @ centre)):
        for loop in section.loops:
            along = (loop.points[:, :2] - centre) @ ways[i, :2]
            for side, here in ((i, along > 0), (i + HALF_PLANES // 2, along < 0)):
                if here.any():
                    low[side] = min(low[side], float(loop.points[here, 2].min()))
    if not (low < top).all():
        raise InputError(
            "the rim does not run all round below the ring's plane",
            source=mesh.name,
            remedy="raise the plane, or take a level ring",
        )
    return low


def below_rim(low: FloatArray, centre: FloatArray, height: float, reach: float) -> Any:
    """Return the solid under an edge raised by `height` mm, out to `reach` mm from the axis."""
    from manifold3d import Manifold, Mesh64

    n = len(low)
    angle = np.arange(n) * (2 * np.pi / n)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    top, floor = low + height, np.full(n, low.min() - height)
    # Rings close together: a triangle across a wide sector would lean instead of keeping the ray's height.
    radii = reach * 1.1 ** -np.arange(40.0)[::-1]
    rays = [(r, top) for r in radii] + [(reach, floor), (radii[0], floor)]
    layers = [np.column_stack([centre + r * ring, z]) for r, z in rays]
    last = n * (len(layers) - 1)
    ends = np.array([[*centre, top.mean()], [*centre, floor[0]]])
    a = np.arange(n)
    b = np.roll(a, -1)
    faces = [np.stack([np.full(n, last + n), a, b], axis=1)]
    for i in range(0, last, n):
        o = i + n
        faces += [np.stack([i + a, o + a, o + b], axis=1), np.stack([i + a, o + b, i + b], axis=1)]
    faces.append(np.stack([np.full(n, last + n + 1), last + b, last + a], axis=1))
    vertices = np.round(np.concatenate([*layers, ends]), 5)
    return Manifold(Mesh64(vertices, np.concatenate(faces).astype(np.uint64)))
