# SPDX-License-Identifier: GPL-3.0-or-later
"""A band along a curved rim: as high as asked for above the piece's lower edge, wherever that runs.

The edge is found in half-planes about the axis through the opening: the lowest point of the piece in each. The band's
upper end is the surface swept by that edge's rays, raised by the height.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from ...arrays import FloatArray, IntArray
from ...errors import InputError
from ...geometry.section import cut
from ...mesh import TriangleMesh
from ...pose import Pose

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


def rising(low: FloatArray, centre: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """Return a function of points (n, 2): how high the edge runs over each, (n,) mm."""
    angle = np.arange(len(low) + 1) * (2 * np.pi / len(low))
    round_ = np.append(low, low[0])

    def rise(points: FloatArray) -> FloatArray:
        way = points - centre
        return np.interp(np.arctan2(way[:, 1], way[:, 0]) % (2 * np.pi), angle, round_)

    return rise


def laid_down(band: TriangleMesh) -> tuple[Pose, float]:
    """Return the pose that lays a band on z = 0 on the plane that its lower edge follows best.

    Returns
    -------
    The pose, and how far off the bed the lower edge is at the most, mm.
    """
    middle = band.bounds.mean(axis=0)
    sector = _sectors(band.vertices, middle)
    lowest = _lowest(band.vertices, sector)
    # z = a x + b y + c, least squares.
    plane = np.linalg.lstsq(np.column_stack([lowest[:, :2] - middle[:2], np.ones(len(lowest))]), lowest[:, 2])[0]
    normal = np.array([-plane[0], -plane[1], 1.0])
    normal /= np.linalg.norm(normal)
    # The least turn from the normal to +Z (Rodrigues): front stays front.
    v = np.cross(normal, (0.0, 0.0, 1.0))
    cross = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    turn = np.eye(3) + cross + cross @ cross / (1 + normal[2])
    turned = band.vertices @ turn.T
    edge = _lowest(turned, sector)[:, 2]
    return Pose(turn, np.array([0.0, 0.0, -float(turned[:, 2].min())])), float(np.ptp(edge))


def _sectors(points: FloatArray, middle: FloatArray) -> IntArray:
    angle = np.arctan2(points[:, 1] - middle[1], points[:, 0] - middle[0]) % (2 * np.pi)
    return (angle / (2 * np.pi) * (HALF_PLANES // 2)).astype(np.int64)


def _lowest(points: FloatArray, sector: IntArray) -> FloatArray:
    """Return the lowest of some points (n, 3) in each sector."""
    order = np.lexsort((points[:, 2], sector))
    return points[order[np.unique(sector[order], return_index=True)[1]]]
