# SPDX-License-Identifier: GPL-3.0-or-later
"""Lofted shells and the cutters that open them.

A helm starts as a smooth inner surface, stacked superellipse outlines closed by a superellipsoid dome, because the
inner surface is what must clear the wearer. The outer surface is the inner one moved along its normals by the wall
plus the relief of ridges and rims, so that relief can never come closer to the head.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

Array = NDArray[np.float64]
Relief = Callable[[Array], Array]
GRID = 1024.0  # steps per mm: coarser than any last-bit difference between numpy versions, exact in float32


def snapped(points: Array) -> Array:
    """Round to the grid, so that the same design gives the same bytes everywhere."""
    return np.round(points * GRID) / GRID


@dataclass(frozen=True)
class Loft:
    """A smooth closed surface about the Z axis.

    Attributes
    ----------
    stations
        Rows (z, half-width, front depth, back depth), upwards; the last is the equator where the dome begins. mm.
    height
        Dome's height above the equator, mm.
    dome
        Exponent of the dome's upright outline; 2 is elliptic, more is squarer.
    front, back
        Exponents of the plan's front and back halves.
    flute
        Displacement of both surfaces along the normal, mm, from points (n, 3): scallops that keep the wall.
    """

    stations: tuple[tuple[float, float, float, float], ...]
    height: float
    dome: float = 2.2
    front: float = 2.1
    back: float = 2.2
    flute: Relief | None = None

    def _rows(self, rows: int) -> Array:
        """Outline sizes (rows, 4) of z, half-width, front and back depth, evenly spaced along the side."""
        table = np.array(self.stations)
        low, equator = table[0, 0], table[-1]
        fine = np.linspace(0, np.pi / 2, 400)[1:-1]
        ring = np.cos(fine) ** (2 / self.dome)
        z = equator[0] + self.height * np.sin(fine) ** (2 / self.dome)
        z_low = np.linspace(low, equator[0], 400)
        below = np.column_stack([z_low, PchipInterpolator(table[:, 0], table[:, 1:])(z_low)])
        whole = np.concatenate([below, np.column_stack([z, ring[:, None] * equator[1:]])])
        step = np.hypot(np.diff(whole[:, 0]), np.diff(whole[:, 2]))
        along = np.concatenate([[0], np.cumsum(step)])
        # Short of the pole by half a step: a row of near-coincident points would make slivers.
        at = np.linspace(0, along[-1] - along[-1] / rows / 2, rows)
        return np.column_stack([np.interp(at, along, whole[:, k]) for k in range(4)])

    def points(self, columns: int, rows: int) -> Array:
        """Grid of points (rows, columns, 3), counter-clockwise from +X, upwards."""
        size = self._rows(rows)
        angle = np.arange(columns) * (2 * np.pi / columns)
        c, s = np.cos(angle), np.sin(angle)
        power = np.where(s < 0, 2 / self.front, 2 / self.back)
        x = np.sign(c) * np.abs(c) ** power
        y = np.sign(s) * np.abs(s) ** power
        depth = np.where(s[None] < 0, size[:, 2:3], size[:, 3:4])
        grid = np.stack([size[:, 1:2] * x, depth * y, np.broadcast_to(size[:, :1], depth.shape)], axis=2)
        if self.flute is not None:
            grid = grid + grid_normals(grid) * self.flute(grid.reshape(-1, 3)).reshape(rows, columns, 1)
        return grid


def grid_normals(grid: Array) -> Array:
    """Unit outward normals of a grid of points (rows, columns, 3) that closes along its columns."""
    along = np.roll(grid, -1, axis=1) - np.roll(grid, 1, axis=1)
    up = np.gradient(grid, axis=0)
    normal = np.cross(along, up)
    normal /= np.maximum(np.linalg.norm(normal, axis=2, keepdims=True), 1e-12)
    return normal


def closed(grid: Array) -> m3.Manifold:
    """The solid inside a grid of points (rows, columns, 3), its ends closed by fans."""
    rows, columns = grid.shape[:2]
    points = np.concatenate([grid.reshape(-1, 3), grid[0].mean(axis=0)[None], grid[-1].mean(axis=0)[None]])
    index = np.arange(rows * columns).reshape(rows, columns)
    after = np.roll(index, -1, axis=1)
    a, b, c, d = index[:-1], after[:-1], after[1:], index[1:]
    low, high = len(points) - 2, len(points) - 1
    triangles = np.concatenate(
        [
            np.stack([a, b, c], axis=2).reshape(-1, 3),
            np.stack([a, c, d], axis=2).reshape(-1, 3),
            np.column_stack([after[0], index[0], np.full(columns, low)]),
            np.column_stack([index[-1], after[-1], np.full(columns, high)]),
        ]
    )
    return solid(points, triangles)


def solid(points: Array, triangles: NDArray[np.int64]) -> m3.Manifold:
    """A manifold3d solid of snapped points; raises where it is not one."""
    body = m3.Manifold(m3.Mesh(snapped(points).astype(np.float32), triangles.astype(np.uint32)))
    if body.status() != m3.Error.NoError:
        raise ValueError(f"not a solid: {body.status()}")
    return body


def walls(
    loft: Loft, wall: float, relief: Relief, fine: tuple[int, int] = (330, 156)
) -> tuple[m3.Manifold, m3.Manifold]:
    """Outer and inner solids; the relief adds to the wall outside. The inside is smooth and needs half the points."""
    grid = loft.points(*fine)
    normal = grid_normals(grid)
    extra = relief(grid.reshape(-1, 3)).reshape(*grid.shape[:2], 1)
    outer = grid + normal * (wall + extra)
    outer[0, :, 2] = grid[0, :, 2] - 1.0  # the bottom is cut away; only keep the inside from poking through
    inner = loft.points(fine[0] // 2, fine[1] // 2)
    return closed(outer), closed(inner)


# ---- outlines and cutters --------------------------------------------------------------------------------------


def outline(points: Sequence[tuple[float, float]], round_mm: float = 0.0) -> m3.CrossSection:
    """A polygon in mm, either way round, with its corners rounded."""
    ring = np.array(points, float)
    x, y = ring.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) < 0:
        ring = ring[::-1]
    shape = m3.CrossSection([ring])
    if round_mm:
        join = m3.JoinType.Round
        shape = shape.offset(-round_mm, join, 2.0, 48).offset(2 * round_mm, join, 2.0, 48)
        shape = shape.offset(-round_mm, join, 2.0, 48)
    return shape


def curve(points: Sequence[tuple[float, float]]) -> m3.CrossSection:
    """A smooth closed outline through points, spaced by the square root of their distance so that it does not loop."""
    ring = np.array([*points, points[0]], float)
    at = np.concatenate([[0], np.cumsum(np.sqrt(np.hypot(*np.diff(ring, axis=0).T)))])
    fine = CubicSpline(at, ring, bc_type="periodic")(np.linspace(0, at[-1], 161)[:-1])
    return outline([(float(x), float(y)) for x, y in snapped(fine)])


def slot(centre: tuple[float, float], length: float, width: float, angle_deg: float = 0.0) -> m3.CrossSection:
    """A slot with round ends; `length` is over all."""
    disc = m3.CrossSection.circle(width / 2, 32)
    reach = (length - width) / 2
    ends = m3.CrossSection.batch_hull([disc.translate((-reach, 0)), disc.translate((reach, 0))])
    return ends.rotate(angle_deg).translate(centre)


def mirrored(shape: m3.CrossSection) -> m3.CrossSection:
    """A shape with its mirror image across x = 0."""
    return shape + shape.mirror((1, 0))


def from_front(shape: m3.CrossSection, back_to: float = 0.0, depth: float = 260.0) -> m3.Manifold:
    """A prism of an (x, z) outline, from y = back_to forwards (-Y)."""
    return m3.Manifold.extrude(shape, depth).rotate((90, 0, 0)).translate((0, back_to, 0))


def from_side(shape: m3.CrossSection, x_from: float = -260.0, x_to: float = 260.0) -> m3.Manifold:
    """A prism of a (y, z) outline, between two x."""
    turn = np.array([[0, 0, 1, x_from], [1, 0, 0, 0], [0, 1, 0, 0]], float)
    return m3.Manifold.extrude(shape, x_to - x_from).transform(turn)


# ---- relief ----------------------------------------------------------------------------------------------------


def distance_to(shape: m3.CrossSection, points: Array) -> Array:
    """Distance from points (n, 2) to the outline's edges, mm."""
    best = np.full(len(points), np.inf)
    for ring in shape.to_polygons():
        for a, b in zip(ring, np.roll(ring, -1, axis=0)):
            side = b - a
            t = np.clip((points - a) @ side / max(float(side @ side), 1e-12), 0, 1)
            best = np.minimum(best, np.hypot(*(points - a - t[:, None] * side).T))
    return best


def step(x: Array, start: float, end: float) -> Array:
    """Smooth step from 0 at `start` to 1 at `end`."""
    t = np.clip((x - start) / (end - start), 0, 1)
    return t * t * (3 - 2 * t)


def band(distance: Array, width: float, soft: float = 2.5) -> Array:
    """1 within `width` of an edge, falling to 0 over `soft`."""
    return 1 - step(distance, width, width + soft)


def crease(x: Array, half_width: float) -> Array:
    """A ridge with round shoulders about x = 0: 1 there, 0 beyond `half_width`."""
    return (1 - np.clip(np.abs(x) / half_width, 0, 1)) ** 1.5
