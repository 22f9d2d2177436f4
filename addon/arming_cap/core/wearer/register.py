# SPDX-License-Identifier: GPL-3.0-or-later
"""Laying the template over a surface: nearest-point registration, then a smooth bend.

The points of the surface seek the template, never the other way round, while the pose is unknown: a surface may lack
parts that the template has, and may go on below it. The template's own tree is built once.

* Similarity: iterated closest points with a trimmed share of pairs (Besl and McKay 1992; Chetverikov 2002 for the
  trimming), first by the closed-form similarity of Umeyama 1991, then point to plane (Chen and Medioni 1992).
* Bend: a displacement field, a sum of Gaussians, least squares on point-to-plane distances with the field's own energy
  as regulariser. A smooth field of space cannot tear ears or lips apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import igl
import numpy as np

from ..arrays import FloatArray, IntArray
from ..mesh import TriangleMesh
from ..pose import rotation_about
from .template import Template, template_head


@dataclass(frozen=True)
class Similarity:
    """p goes to ``scale · R p + t``; `linear` holds scale and rotation, or any affine map."""

    linear: FloatArray
    shift: FloatArray

    def apply(self, points: FloatArray) -> FloatArray:
        """Map points (n, 3)."""
        return points @ self.linear.T + self.shift

    def after(self, first: Similarity) -> Similarity:
        """Return `first` followed by this map."""
        return Similarity(self.linear @ first.linear, self.linear @ first.shift + self.shift)

    def inverse(self) -> Similarity:
        """Return the map back."""
        back = np.linalg.inv(self.linear)
        return Similarity(back, -back @ self.shift)

    @property
    def scale(self) -> float:
        """The uniform scale, or the mean one of an affine map."""
        return float(np.cbrt(abs(np.linalg.det(self.linear))))

    @property
    def rotation(self) -> FloatArray:
        """The nearest rotation, (3, 3)."""
        u, _, vt = np.linalg.svd(self.linear)
        return u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt


def sampled(mesh: TriangleMesh, count: int, rows: IntArray | None = None, seed: int = 0) -> tuple[FloatArray, IntArray]:
    """Return points spread evenly by area (count, 3) and the triangle of each; the same each time."""
    rows = np.arange(len(mesh)) if rows is None else rows
    rng = np.random.default_rng(seed)
    reach = np.cumsum(mesh.areas[rows])
    at = (np.arange(count) + rng.random(count)) / count * reach[-1]
    triangle = rows[np.minimum(np.searchsorted(reach, at), len(rows) - 1)]
    u, v = rng.random((2, count))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    a, b, c = (mesh.vertices[mesh.triangles[triangle, i]] for i in range(3))
    return a + u[:, None] * (b - a) + v[:, None] * (c - a), triangle


def best_similarity(
    source: FloatArray, target: FloatArray, weight: FloatArray, fixed_scale: bool = False
) -> Similarity:
    """Return the similarity that takes `source` nearest to `target` in weighted least squares (Umeyama 1991)."""
    share = weight / weight.sum()
    middle_s, middle_t = share @ source, share @ target
    s, t = source - middle_s, target - middle_t
    u, d, vt = np.linalg.svd(t.T @ (share[:, None] * s))
    flip = np.array([1, 1, np.sign(np.linalg.det(u @ vt))])
    scale = 1.0 if fixed_scale else float((d * flip).sum() / (share @ (s**2).sum(axis=1)))
    linear = scale * (u * flip) @ vt
    return Similarity(linear, middle_t - linear @ middle_s)


def closest_points(
    points: FloatArray,
    start: Similarity,
    steps: int,
    keep: float = 0.8,
    affine: bool = False,
    template: Template | None = None,
) -> tuple[Similarity, float]:
    """Return the map of `points` onto the template from a first guess, and the trimmed RMS distance in mm.

    `keep` is the share of pairs that count; the rest may be arms, hair or a chair.
    """
    template = template or template_head()
    v, f = template.mesh.vertices, template.mesh.triangles
    normals = template.mesh.area_vectors / template.mesh.areas[:, None]
    now, rms = start, np.inf
    kept = max(int(keep * len(points)), 12)
    for step in range(steps):
        there = now.apply(points)
        square, triangle, target = template.tree.squared_distance(v, f, there)
        near = np.argpartition(square, kept - 1)[:kept]
        rms = float(np.sqrt(square[near].mean()))
        if affine:
            now = _plane_step(there[near], target[near], normals[triangle[near]], True).after(now)
        elif step < steps // 3:
            now = best_similarity(points[near], target[near], np.ones(kept))
        else:
            now = _plane_step(there[near], target[near], normals[triangle[near]], False).after(now)
    return now, rms


def _plane_step(points: FloatArray, target: FloatArray, normal: FloatArray, affine: bool) -> Similarity:
    """Return the map that brings points nearest to the planes through `target`, with a little pull to the targets."""
    slide = 0.1
    x, y, z = points.T
    o, i = np.zeros(len(points)), np.ones(len(points))
    if affine:
        columns = [np.kron(np.eye(3)[k], p[:, None]).reshape(-1, 3) for p in (x, y, z) for k in range(3)]
    else:
        columns = [np.stack(c, axis=1) for c in ((o, -z, y), (z, o, -x), (-y, x, o), (x, y, z))]
    moves = np.stack([*columns, *(np.outer(i, np.eye(3)[k]) for k in range(3))], axis=2)
    gap = target - points
    rows = np.concatenate([np.einsum("ni,nik->nk", normal, moves), *(slide * moves[:, k] for k in range(3))])
    right = np.concatenate([(gap * normal).sum(axis=1), *(slide * gap[:, k] for k in range(3))])
    # The normal equations: a dozen unknowns of like size, and no thread pool to wake.
    u = np.linalg.solve(rows.T @ rows + 1e-9 * np.eye(rows.shape[1]), rows.T @ right)
    if affine:
        return Similarity(np.eye(3) + u[:9].reshape(3, 3).T, u[9:])
    angle = np.linalg.norm(u[:3])
    turn = rotation_about(u[:3], np.degrees(angle)) if angle > 1e-12 else np.eye(3)
    return Similarity(max(1 + u[3], 0.5) * turn, u[4:])


@lru_cache(maxsize=4)
def spread_rows(count: int, low_z: float) -> IntArray:
    """Return rows of template vertices spread evenly over what lies above `low_z` (farthest-point sampling)."""
    v = template_head().mesh.vertices
    rows = np.flatnonzero(v[:, 2] > low_z)
    chosen = [0]
    gap = np.full(len(rows), np.inf)
    for _ in range(count - 1):
        gap = np.minimum(gap, ((v[rows] - v[rows[chosen[-1]]]) ** 2).sum(axis=1))
        chosen.append(int(np.argmax(gap)))
    return rows[chosen]


def gaussian(points: FloatArray, centres: FloatArray, width_mm: float) -> FloatArray:
    """Return exp(-r²/2w²) of each point to each centre, (n, k)."""
    square = (points**2).sum(axis=1)[:, None] + (centres**2).sum(axis=1) - 2 * points @ centres.T
    return np.exp(-np.maximum(square, 0) / (2 * width_mm**2))


def bent_onto(
    mesh: TriangleMesh,
    low_z: float = -150.0,
    reach_mm: tuple[float, ...] = (20.0, 15.0, 10.0, 8.0, 6.0),
    width_mm: float = 28.0,
    centres: int = 160,
    stiffness: float = 2.0,
    probes: int = 1600,
) -> tuple[FloatArray, FloatArray]:
    """Return the template's vertices bent onto a mesh that already lies over it, and what stays (n,) mm, signed.

    What the mesh does not reach within `reach_mm` (a hole, a cut) keeps the template's shape, carried along by its
    surroundings.
    """
    template = template_head()
    v = template.mesh.vertices
    tree = igl.AABB()
    tree.init(mesh.vertices, mesh.triangles)
    normals = mesh.area_vectors / np.maximum(mesh.areas, 1e-12)[:, None]
    knots = v[spread_rows(centres, low_z)]
    probe = spread_rows(probes, low_z)
    basis_probe, basis_all = gaussian(v[probe], knots, width_mm), gaussian(v, knots, width_mm)
    energy = gaussian(knots, knots, width_mm)
    weights = np.zeros((len(knots), 3))
    own = vertex_normals(template.mesh)[probe]
    for reach in reach_mm:
        here = v[probe] + basis_probe @ weights
        square, triangle, target = tree.squared_distance(mesh.vertices, mesh.triangles, here)
        n = normals[triangle]
        ok = (square < reach**2) & ((n * own).sum(axis=1) > 0.6)
        if ok.sum() < 100:
            break
        B, n, aim = basis_probe[ok], n[ok], (target - v[probe])[ok]
        # Unknowns: three per knot. Rows: along the normal in full, along the surface only a little (it may slide).
        along = 0.1
        k = len(knots)
        system = np.zeros((3 * k, 3 * k))
        right = np.zeros(3 * k)
        for i in range(3):
            for j in range(3):
                metric = n[:, i] * n[:, j] * (1 - along) + (along if i == j else 0.0)
                system[i * k : (i + 1) * k, j * k : (j + 1) * k] = B.T @ (metric[:, None] * B)
                right[i * k : (i + 1) * k] += B.T @ (metric * aim[:, j])
            system[i * k : (i + 1) * k, i * k : (i + 1) * k] += stiffness * energy + 1e-6 * np.eye(k)
        weights = np.linalg.solve(system, right).reshape(3, k).T
    bent = v + basis_all @ weights
    square, triangle, target = tree.squared_distance(mesh.vertices, mesh.triangles, bent)
    sign = np.sign(((bent - target) * normals[triangle]).sum(axis=1))
    return bent, np.sqrt(square) * sign


def vertex_normals(mesh: TriangleMesh) -> FloatArray:
    """Return unit normals at the vertices, weighted by area, (n, 3)."""
    total = np.zeros((len(mesh.vertices), 3))
    for corner in range(3):
        np.add.at(total, mesh.triangles[:, corner], mesh.area_vectors)
    return total / np.maximum(np.linalg.norm(total, axis=1), 1e-12)[:, None]
