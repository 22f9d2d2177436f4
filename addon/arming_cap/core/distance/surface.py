# SPDX-License-Identifier: GPL-3.0-or-later
"""A piece's surface made ready for many questions: welded, measured, sampled, and searchable by rays."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from functools import cached_property
from typing import Any

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..mesh import TriangleMesh
from ..piece import Piece
from .field import Field, Probe


class PieceSurface:
    """Any triangle soup as a surface.

    Parameters
    ----------
    mesh
        All parts of a piece in worn position; triangle rows keep their order.
    """

    def __init__(self, mesh: TriangleMesh) -> None:
        self.mesh = mesh.welded()
        self._probe: Probe | None = None
        self._inner: dict[tuple[int, float], FloatArray] = {}
        self._kept: dict[str, Any] = {}

    @cached_property
    def longest_side(self) -> Any:
        """Of each triangle, (m,) float32 mm, rounded up."""
        corners = self.mesh.corners
        sides = np.sqrt(((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2).max(axis=1))
        return (sides * (1 + 1e-6)).astype(np.float32)

    @cached_property
    def columns(self) -> IntArray:
        """The triangles' first, second and third vertices, (3, m)."""
        return np.ascontiguousarray(self.mesh.triangles.T)

    def probe(self, field: Field) -> Probe:
        """Return a probe of a field over all vertices; the last one made is kept."""
        if self._probe is None or self._probe.field is not field:
            self._probe = Probe(field, self.mesh.vertices)
        return self._probe

    def kept(self, name: str, make: Callable[[], Any]) -> Any:
        """Return what was made of the surface under a name, made at the first call: it is the same at any scale."""
        if name not in self._kept:
            self._kept[name] = make()
        return self._kept[name]

    def samples(self, count: int) -> tuple[FloatArray, IntArray]:
        """Return points (count, 3) that each stand for the same area, and their triangles (count,).

        Stratified along the triangles' cumulated area, and spread inside them by the R2 sequence (Roberts 2018).
        """
        areas = self.mesh.areas
        heap = np.cumsum(areas)
        if not len(heap) or heap[-1] <= 0:
            return np.empty((0, 3)), np.empty(0, np.int64)
        rows = np.searchsorted(heap, (np.arange(count) + 0.5) / count * heap[-1])
        rows = np.minimum(rows, len(areas) - 1)
        step = np.array([0.7548776662466927, 0.5698402909980532])
        u, v = ((np.arange(count)[:, None] + 1) * step % 1.0).T
        fold = u + v > 1
        u, v = np.where(fold, 1 - u, u), np.where(fold, 1 - v, v)
        a, b, c = (self.mesh.corners[rows, i] for i in range(3))
        return a + u[:, None] * (b - a) + v[:, None] * (c - a), rows

    def inner(self, count: int, thick_mm: float) -> FloatArray:
        """Return those (k, 3) of `count` samples from which the way to the piece's middle is free for `thick_mm`.

        All of them where next to none is: then the piece has no inside. Kept for the next wearer.
        """
        key = (count, thick_mm)
        if key not in self._inner:
            points, _ = self.samples(count)
            inward = self.mesh.bounds.mean(axis=0) - points
            inward /= np.maximum(np.linalg.norm(inward, axis=1, keepdims=True), 1e-9)
            free = ~self.hit_within(points + 0.02 * inward, inward, np.full(len(points), thick_mm))
            self._inner[key] = points[free] if free.sum() >= 100 else points
        return self._inner[key]

    def stretched(self, ratio: FloatArray) -> PieceSurface:
        """Return the surface stretched along each axis by `ratio` (3,), near 1; its samples stay where they stood."""
        other = PieceSurface(self.mesh.scaled(list(ratio)))
        other._inner = {key: points * ratio for key, points in self._inner.items()}
        return other

    @cached_property
    def _tree(self) -> tuple[Any, FloatArray, IntArray]:
        import igl

        rows = self.mesh.areas > 0
        vertices, triangles = np.array(self.mesh.vertices), np.array(self.mesh.triangles[rows])
        tree = igl.AABB()
        tree.init(vertices, triangles)
        return tree, vertices, triangles

    def nearest(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return of points (n, 3) the squared distances (n,) to the surface, mm², and its nearest points (n, 3)."""
        tree, vertices, triangles = self._tree
        squared, _, foot = tree.squared_distance(vertices, triangles, np.ascontiguousarray(points))
        return squared, foot.reshape(-1, 3)

    def hit_within(self, origins: FloatArray, directions: FloatArray, length: FloatArray) -> BoolArray:
        """Return which rays (n, 3) from `origins` along unit `directions` meet the surface within `length` (n,)."""
        return self.reach(origins, directions) <= length

    def reach(self, origins: FloatArray, directions: FloatArray) -> FloatArray:
        """Return how far rays (n, 3) along unit `directions` go until they meet the surface, (n,); inf where never."""
        tree, vertices, triangles = self._tree
        if not len(triangles) or not len(origins):
            return np.full(len(origins), np.inf)
        _, reached, _ = tree.intersect_ray_first(
            vertices, triangles, np.ascontiguousarray(origins), np.ascontiguousarray(directions)
        )
        return np.where(np.isfinite(reached) & (reached >= 0), reached, np.inf)


_recent: OrderedDict[str, PieceSurface] = OrderedDict()


def surface_of(piece: Piece) -> PieceSurface:
    """Return the surface of a piece, made once for the same geometry."""
    key = piece.mesh.content_hash
    if key not in _recent:
        _keep(key, PieceSurface(piece.mesh))
    _recent.move_to_end(key)
    return _recent[key]


def stretched_surface(piece: Piece, like: Piece, ratio: FloatArray) -> PieceSurface:
    """Return the surface of a piece that is another one, `like`, stretched along each axis by `ratio` (3,), near 1."""
    key = piece.mesh.content_hash
    if key not in _recent:
        _keep(key, surface_of(like).stretched(ratio))
    return surface_of(piece)


def _keep(key: str, surface: PieceSurface) -> None:
    _recent[key] = surface
    while len(_recent) > 8:
        _recent.popitem(last=False)
