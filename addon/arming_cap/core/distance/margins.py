# SPDX-License-Identifier: GPL-3.0-or-later
"""Margins of points: standoff less allowance, and what a margin can become when its point moves.

A margin is the standoff less the allowance of the nearest of the form's triangles, so it jumps where two regions with
different allowances meet. How a point's margin may change within a ball about it needs two facts:

* The standoff d changes no faster than one moves, so for any o, d(x) ≤ d(o) + |x − o|. With o deep inside the form
  that is a ball that bulges far less than a cone: near x it is flat up to |v|²/2|x − o|, where v is the move.
* A triangle can become the nearest only if it is no farther than the nearest by twice the move.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..arrays import FloatArray, IntArray
from ..memory import remembered
from ..mesh import TriangleMesh
from .field import ExactDistance, Field, Float32

CHUNK = 8192  # points per gather: the temporaries stay in the second-level cache
APART = 4  # nodes of the fine grid between those that are asked which allowance a point near them is likely to meet
REFINED_WITHIN_MM = 24.0  # of the form's surface
LEVELS_MM = 8.0  # between nodes that are asked how far each allowance is

# How deep in the form the balls' hearts lie from which a margin is bounded: mm, and mm for each mm of reach. Shallow
# ones fit into ears and noses, deep ones are flatter. Any depth gives a true bound.
DEPTHS = ((2.0, 2.0), (8.0, 6.0))
DEEPEST_MM = 70.0  # about the middle of a head


def margins_of(field: Field, allowances: FloatArray) -> Margins:
    """Return the margins of a form under some allowances (m,), from memory if need be."""
    grid = field.fine
    key = f"margins:{field.form.mesh.content_hash}:{grid.origin}{grid.shape}{grid.spacing}:{hash(allowances.tobytes())}"
    return remembered(key, 8, lambda: Margins(field, allowances))


@dataclass(frozen=True, eq=False)
class Margins:
    """A form's standoffs and its allowances.

    Attributes
    ----------
    field
        Of the form.
    allowances
        (m,) mm, of each of the form's triangles.
    """

    field: Field
    allowances: FloatArray

    @cached_property
    def levels(self) -> FloatArray:
        """The different allowances, lowest first."""
        return np.unique(self.allowances)

    @cached_property
    def _patches(self) -> tuple[ExactDistance, ...]:
        """The triangles of each of the levels."""
        mesh = self.field.form.mesh
        return tuple(
            ExactDistance(TriangleMesh(mesh.vertices, mesh.triangles[self.allowances == level]))
            for level in self.levels
        )

    def exact(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return margins (n,), standoffs (n,) and the form's nearest points (n, 3) of points (n, 3)."""
        distance, triangle, closest = self.field.exact(points)
        return distance - self.allowances[triangle], distance, closest

    def allowed(self, points: FloatArray, distance: FloatArray, reach: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the lowest and the highest allowance (n,) that may hold within `reach` (n,) of points (n, 3).

        `distance` (n,) are the points' own distances from the form, of either sign.
        """
        low = np.full(len(points), self.levels[0])
        high = np.full(len(points), self.levels[-1])
        if len(self.levels) == 1 or not len(points):
            return low, high
        away = np.stack([patch.nearest(points)[0] for patch in self._patches], axis=1)
        possible = away <= (np.abs(distance) + 2 * reach + 1e-9)[:, None]
        # The nearest triangle's own level is always among them.
        low = self.levels[possible.argmax(axis=1)]
        high = self.levels[::-1][possible[:, ::-1].argmax(axis=1)]
        return low, high

    @cached_property
    def _slack(self) -> tuple[FloatArray, IntArray, Float32]:
        """A lattice's origin and counts, and by how much farther each level's nearest triangle is than the nearest.

        (N, levels) mm, at nodes `LEVELS_MM` apart. Far from the form nothing is known: 0.
        """
        low, high = self.field.box
        count = np.floor((high - low) / LEVELS_MM).astype(np.int64) + 1
        node = low + LEVELS_MM * np.stack(np.unravel_index(np.arange(count.prod()), tuple(count)), axis=1)
        slack = np.zeros((len(node), len(self.levels)), np.float32)
        near = np.flatnonzero(np.abs(self.field.standoff(node)) < REFINED_WITHIN_MM)
        away = np.stack([patch.nearest(node[near])[0] for patch in self._patches], axis=1)
        slack[near] = away - away.min(axis=1, keepdims=True)
        return low, count, slack

    def highest(self, points: FloatArray, reach: FloatArray, lowest: bool = False) -> FloatArray:
        """Return allowances (n,) mm that none within `reach` (n,) of points (n, 3) is above (or below), by a lattice.

        Never tighter than `allowed`, and much sooner there.
        """
        if len(self.levels) == 1 or not len(points):
            return np.full(len(points), self.levels[-1])
        origin, count, slack = self._slack
        place = (points - origin) / LEVELS_MM
        node = np.clip(np.rint(place), 0, count - 1)
        off = LEVELS_MM * np.linalg.norm(place - node, axis=1)
        rows = np.ravel_multi_index(tuple(node.astype(np.intp).T), tuple(count))
        possible = slack[rows] <= (2 * (off + reach) + 1e-3)[:, None]
        if lowest:
            return self.levels[possible.argmax(axis=1)]
        return self.levels[::-1][possible[:, ::-1].argmax(axis=1)]

    @property
    def jump(self) -> float:
        """How far a margin may jump, mm."""
        return float(self.levels[-1] - self.levels[0])

    @cached_property
    def _labels(self) -> NDArray[np.uint8]:
        """Which of the levels to expect at each node of the fine grid (N,).

        That of the node's triangle, looked up at every `APART`th node, and at all near the form where those differ.
        """
        grid, triangles = self.field.fine, self.field.surface
        level = np.searchsorted(self.levels, self.allowances).astype(np.uint8)
        shape = -(-np.array(grid.shape) // APART)
        node = np.stack(np.meshgrid(*(np.arange(n + 1) for n in shape), indexing="ij"), axis=-1)
        distance, triangle, _ = triangles.nearest((grid.origin + APART * grid.spacing * node).reshape(-1, 3))
        known = level[triangle].reshape(node.shape[:3])
        corners = [known[i : i + shape[0], j : j + shape[1], k : k + shape[2]] for i, j, k in np.ndindex(2, 2, 2)]
        near = distance.reshape(node.shape[:3])[:-1, :-1, :-1] < REFINED_WITHIN_MM
        mixed = np.argwhere((np.ptp(np.stack(corners), axis=0) > 0) & near)
        full = np.broadcast_to(corners[0][:, None, :, None, :, None], np.stack([shape, 0 * shape + APART], 1).ravel())
        full = full.reshape(APART * shape).copy()
        part = np.stack(np.unravel_index(np.arange(APART**3), (APART,) * 3), axis=1)
        fine = (APART * mixed[:, None] + part[None]).reshape(-1, 3)
        if len(fine):
            full[tuple(fine.T)] = level[triangles.nearest(grid.origin + grid.spacing * fine)[1]]
        return np.ascontiguousarray(full[: grid.shape[0], : grid.shape[1], : grid.shape[2]]).ravel()

    def rough(self, points: FloatArray) -> FloatArray:
        """Return margins (n,) by the grid: good enough to choose points by."""
        return self.field.standoff(points) - self._rough_allowance(points)

    def rough_at(self, u: Float32) -> FloatArray | Float32:
        """Return margins (n,) by the grid at points (3, n) in spacings of the fine grid from its first node."""
        grid, coarse = self.field.fine, self.field.coarse
        value, outside = grid.values(u)
        if outside is not None and coarse is not None:
            points = grid.origin + grid.spacing * u[:, outside].T
            value[outside] = self.field.standoff(points)
        if len(self.levels) == 1:
            return value - np.float32(self.levels[0])
        return value - self._allowed_at(u)

    def rough_planes_at(self, u: Float32) -> tuple[Float32, Float32]:
        """Return margins (n,) and their gradients (3, n) per spacing, at points (3, n) as `rough_at` has them."""
        grid = self.field.fine
        rows, offset, outside = grid.gather(u)
        slope = np.ascontiguousarray(rows.T[1:])
        value: Float32 = rows[:, 0] + (slope * offset).sum(axis=0)
        if outside:
            beyond = np.flatnonzero(np.abs(offset).max(axis=0) > 0.5001)
            points = grid.origin + grid.spacing * u[:, beyond].T.astype(float)
            value[beyond] = self.field.standoff(points)
            slope[:, beyond] = self.field.gradient(points).T * grid.spacing
        if len(self.levels) == 1:
            return value - np.float32(self.levels[0]), slope
        return value - self._allowed_at(u), slope

    def rough_cap(self, u: Float32, value: Float32, slope: Float32, reach: Float32) -> tuple[Float32, Float32, Float32]:
        """Return what `cap` would by the grid: heights (n,), unit slopes (3, n) and bends (n,).

        `value` and `slope` are those of `rough_planes_at` at the points `u` (3, n); the slopes are not zeroed where the
        cone, ``value + reach``, is the better bound.
        """
        grid = self.field.fine
        allowed = self._allowed_at(u) if len(self.levels) > 1 else self.levels[0]
        distance = value + np.asarray(allowed, np.float32)
        out = slope / np.maximum(np.sqrt((slope * slope).sum(axis=0)), np.float32(1e-6))
        height, bend = value + reach, np.zeros_like(value)
        best = np.full_like(value, np.inf)
        for depth in DEPTHS:
            radius = np.minimum(depth[0] + depth[1] * reach, np.float32(DEEPEST_MM)) + np.maximum(distance, 0)
            heart, outside = grid.values(u - out * (radius / np.float32(grid.spacing)))
            own = heart + radius
            most = own + reach * reach / (2 * radius)
            if outside is not None:
                most[outside] = np.inf
            better = most < best
            best = np.where(better, most, best)
            height = np.where(better, own, height)
            bend = np.where(better, 1 / (2 * radius), bend)
        return height - np.asarray(allowed, np.float32), out, bend

    def rough_planes(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return margins (n,) by the grid and their gradients (n, 3)."""
        grid = self.field.fine
        value, slope = np.empty(len(points)), np.empty((len(points), 3))
        for start in range(0, len(points), CHUNK):
            some = slice(start, start + CHUNK)
            u = np.ascontiguousarray(((points[some] - grid.origin) / grid.spacing).T, dtype=np.float32)
            rows, offset, outside = grid.gather(u)
            value[some] = rows[:, 0] + (rows[:, 1:] * offset.T).sum(axis=1)
            np.divide(rows[:, 1:], grid.spacing, out=slope[some])
            if outside:
                beyond = start + np.flatnonzero(np.abs(offset).max(axis=0) > 0.5001)
                value[beyond] = self.field.standoff(points[beyond])
                slope[beyond] = self.field.gradient(points[beyond])
        return value - self._rough_allowance(points), slope

    def _rough_allowance(self, points: FloatArray) -> FloatArray | float:
        if len(self.levels) == 1:
            return float(self.levels[0])
        grid = self.field.fine
        return self._allowed_at(((points - grid.origin) / grid.spacing).T.astype(np.float32)).astype(float)

    def _allowed_at(self, u: Float32) -> Float32:
        """Return allowances (n,) to expect at points (3, n) in spacings of the fine grid from its first node."""
        allowed: Float32 = self.levels.astype(np.float32).take(self._labels.take(self.field.fine.nearest(u)))
        return allowed

    def rough_error(self, points: FloatArray) -> FloatArray:
        """Return by how much a margin may lie above `rough` (n,) at most, mm.

        Within the fine grid a node is right to √3 spacings and the surface no farther than half of that away, twice;
        beyond it nothing is promised.
        """
        low, high = self.field.box
        within = ((points >= low) & (points <= high)).all(axis=1)
        return np.where(within, 2 * np.sqrt(3) * self.field.spacing + self.jump, np.inf)

    def cap(self, points: FloatArray, reach: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return bounds from above on the margin within `reach` (n,) of points (n, 3).

        Returns
        -------
        height (n,), slope (n, 3), bend (n,), margin (n,)
            For every move v no longer than the reach, the margin at x + v is at most
            ``height + slope · v + bend · |v|²``. Where bend is 0 so is the slope. Last, the points' own margins.
        """
        distance, triangle, closest = self.field.exact(points)
        side = np.where(distance < 0, -1.0, 1.0)
        away = points - closest
        length = np.linalg.norm(away, axis=1)
        out = np.where((length > 1e-6)[:, None], away / np.maximum(length, 1e-9)[:, None] * side[:, None], 0.0)
        flat = length <= 1e-6
        out[flat] = self.field.surface.outward(triangle[flat])
        # The cone: whatever the move, no more than its length.
        best = distance + reach
        height, slope, bend = best.copy(), np.zeros_like(points), np.zeros(len(points))
        for least, share in DEPTHS:
            heart = (
                closest - out * (np.minimum(least + share * reach, DEEPEST_MM) + np.maximum(-distance, 0.0))[:, None]
            )
            arm = points - heart
            radius = np.linalg.norm(arm, axis=1)
            own = self.field.exact(heart)[0] + radius
            most = own + reach**2 / (2 * radius)
            better = most < best
            best = np.where(better, most, best)
            height = np.where(better, own, height)
            slope = np.where(better[:, None], arm / radius[:, None], slope)
            bend = np.where(better, 1 / (2 * radius), bend)
        low = self.allowed(points, distance, reach)[0]
        return height - low, slope, bend, distance - self.allowances[triangle]
