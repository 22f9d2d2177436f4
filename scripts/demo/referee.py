# SPDX-License-Identifier: GPL-3.0-or-later
"""A second opinion on the demo pieces, sharing no code with the extension: libigl's distances and a plain lattice.

`standoffs` gives the signed distance from every sampled point of a piece to the scan. `passage` searches
(fore-aft, height, pitch) exhaustively for the path whose smallest standoff is largest; it knows nothing of continuous
refinement, so what it finds is a lower bound of the true pinch, good to about the lattice's step.
"""

from __future__ import annotations

import heapq
import itertools

import igl
import manifold3d as m3
import numpy as np

from .shell import Array


def arrays(solid: m3.Manifold) -> tuple[Array, np.ndarray]:
    """Vertices (n, 3) and triangles (m, 3) of a solid."""
    mesh = solid.to_mesh64()
    return np.array(mesh.vert_properties[:, :3], np.float64), np.array(mesh.tri_verts, np.int64)


def standoffs(points: Array, form: m3.Manifold) -> Array:
    """Signed distance (n,) of points to a form, mm, positive outside."""
    vertices, triangles = arrays(form)
    squared, _, _ = igl.point_mesh_squared_distance(points, vertices, triangles)[:3]
    sign = np.ones(len(points))
    boxed = np.flatnonzero(((points >= vertices.min(axis=0)) & (points <= vertices.max(axis=0))).all(axis=1))
    if len(boxed):  # what lies outside of the form's box is outside of the form
        sign[boxed[igl.fast_winding_number(vertices, triangles, points[boxed]) > 0.5]] = -1.0
    return sign * np.sqrt(squared)


def least_standoff(solid: m3.Manifold, form: m3.Manifold) -> float:
    """Smallest signed distance between two surfaces, mm: each one's vertices against the other's triangles.

    Only a meeting of two edges could be nearer; at this density that is below 0.05 mm.
    """
    ours, theirs = arrays(solid), arrays(form)
    outward = float(standoffs(ours[0], form).min())
    if outward < 0:
        return outward
    squared = igl.point_mesh_squared_distance(theirs[0], *ours)[0]
    return min(outward, float(np.sqrt(squared.min())))


def sampled(solid: m3.Manifold, spacing: float) -> Array:
    """One vertex for each cube of side `spacing`, (n, 3)."""
    points, _ = arrays(solid)
    _, first = np.unique(np.floor(points / spacing), axis=0, return_index=True)
    return points[np.sort(first)]


class Field:
    """Standoff on a grid, read off at the nearest node after trilinear weighting.

    With more room about the form than a path's end must be away from it, what lies beyond the grid never decides.
    """

    def __init__(self, form: m3.Manifold, step: float = 4.0, room: float = 32.0) -> None:
        vertices, _ = arrays(form)
        self.low, self.step = vertices.min(axis=0) - room, step
        self.shape = np.ceil((np.ptp(vertices, axis=0) + 2 * room) / step).astype(int) + 1
        nodes = self.low + step * np.stack(np.unravel_index(np.arange(self.shape.prod()), self.shape), axis=1)
        self.values = standoffs(nodes, form).reshape(self.shape)

    def at(self, points: Array) -> Array:
        """Standoff (n,) by trilinear interpolation; beyond the grid the border's value."""
        where = np.clip((points - self.low) / self.step, 0, self.shape - 1.000001)
        low = where.astype(int)
        part = where - low
        sides = list(zip(1 - part.T, part.T))
        steps = np.array([self.shape[1] * self.shape[2], self.shape[2], 1])
        values, first = self.values.ravel(), low @ steps
        total = np.zeros(len(points))
        for x, y, z in itertools.product((0, 1), repeat=3):
            weight = sides[0][x] * sides[1][y] * sides[2][z]
            total += weight * values[first + (x * steps[0] + y * steps[1] + z)]
        return total


def passage(
    points: Array,
    field: Field,
    step_mm: float = 5.0,
    step_deg: float = 5.0,
    reach: tuple[float, float, float] = (150.0, 320.0, 50.0),
    away: float = 25.0,
    sideways: bool = False,
    straight: bool = False,
) -> tuple[float, list[tuple[float, float, float]]]:
    """Widest path of the piece from where it is worn until every point is `away` mm from the form.

    Parameters
    ----------
    points
        (n, 3) of the piece as worn.
    reach
        Largest fore-aft move, height and pitch (mm, mm, degrees); heights from -20.
    sideways
        Move along X instead of along Y, for a limb.
    straight
        Upwards only.

    Returns
    -------
    pinch_mm, path
        The smallest standoff along the best path (-inf where there is none) and its poses (fore-aft, height, pitch).
    """
    pivot = points.mean(axis=0)
    limit = [int(reach[0] // step_mm), int(reach[1] // step_mm), int(reach[2] // step_deg)]
    known: dict[tuple[int, int, int], float] = {}

    def worth(state: tuple[int, int, int]) -> float:
        if state not in known:
            along, up, pitch = state[0] * step_mm, state[1] * step_mm, np.radians(state[2] * step_deg)
            c, s = np.cos(pitch), np.sin(pitch)
            turn = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
            shift = np.array([along, 0, up] if sideways else [0, along, up])
            known[state] = float(field.at((points - pivot) @ turn.T + pivot + shift).min())
        return known[state]

    moves = [(0, 1, 0)] if straight else [m for m in itertools.product((-1, 0, 1), repeat=3) if any(m)]
    start = (0, 0, 0)
    best = {start: worth(start)}
    came: dict[tuple[int, int, int], tuple[int, int, int]] = {}
    queue = [(-best[start], start)]
    done = set()
    while queue:
        value, state = heapq.heappop(queue)
        if state in done:
            continue
        done.add(state)
        if worth(state) >= away:
            path = [state]
            while path[-1] in came:
                path.append(came[path[-1]])
            return -value, [(a * step_mm, u * step_mm, p * step_deg) for a, u, p in reversed(path)]
        for move in moves:
            after = (state[0] + move[0], state[1] + move[1], state[2] + move[2])
            if abs(after[0]) > limit[0] or not -4 <= after[1] <= limit[1] or abs(after[2]) > limit[2]:
                continue
            reached = min(-value, worth(after))
            if reached > best.get(after, -np.inf):
                best[after] = reached
                came[after] = state
                heapq.heappush(queue, (-reached, after))
    return -np.inf, []
