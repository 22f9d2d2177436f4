# SPDX-License-Identifier: GPL-3.0-or-later
"""Bending the template onto a scan that it already lies over, so that noise and holes do not bend it too.

The scan's points seek the template, which is smooth: each says how far outside it lies, and each vertex of the template
takes the mean of what is said about it. So noise averages out without a bias, and where the scan has a hole nothing is
said at all.

First the template takes the scan's dimensions, through the very fields that make a headform from a card: a few numbers
that thousands of points agree on, so that a hole gets the shape that a head of these dimensions has there. Then it is
bent by two fields of Gaussians, a coarse and a fine one: least squares weighted by what each mean is worth, against how
much people's heads differ at that width (Gaussian process regression, whose mean this is: Rasmussen and Williams 2006,
section 2.2). The template's skull, a mean of coarse cages, has a crease along its middle that no skull has: it is
smoothed first.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import igl
import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..mesh import TriangleMesh
from ..pose import rotation_about
from .headform import handles
from .register import gaussian, spread_rows, vertex_normals
from .scanclean import cell_of
from .template import template_head

HEAD_REGIONS = ("crown", "forehead", "temple", "parietal", "occiput", "face", "nose", "chin", "jaw", "ear")
LOW_Z = -150.0
# How far people lie from the mean: the larger head dimensions, and what stays when these are given, at two widths.
PEOPLE_MM = 9.0
COARSE_MM, COARSE_WIDTH_MM, COARSE_KNOTS = 3.0, 28.0, 160
FINE_MM, FINE_WIDTH_MM, FINE_KNOTS = 0.9, 12.0, 420
# A skull is smooth: there the fine field would follow noise alone.
SKULL = ("crown", "temple", "parietal", "occiput")
SKULL_COARSE_MM, SKULL_FINE_MM = 1.2, 0.25
# Width over which the template's skull is smoothed.
FAIR_WIDTH_MM = 8.0
# Error that neighbouring points share and no mean takes away.
SHARED_MM = 0.5
# How much a vertex minds sliding along the surface, as a share of its gap's worth.
SLIDE = 0.05
NORMAL_CELL_MM = 6.0
MOST_POINTS, FEW_POINTS = 40_000, 4_000


@dataclass(frozen=True)
class Cloud:
    """A scan's points (n, 3) in mm with unit normals averaged over a few millimetres, outwards."""

    points: FloatArray
    normals: FloatArray


@dataclass(frozen=True)
class Gaps:
    """What a scan says of each template vertex.

    Attributes
    ----------
    mean
        (n,) mm that the scan lies outside the vertex, 0 where nothing is said.
    count
        (n,) how many points say so, shared out among the corners of a triangle.
    noise
        Standard deviation of single points about the surface, mm.
    """

    mean: FloatArray
    count: FloatArray
    noise: float

    @property
    def worth(self) -> FloatArray:
        """One over the variance of each mean, (n,) 1/mm²; 0 where nothing is said."""
        told = self.count > 0.2
        return np.where(told, 1.0 / (self.noise**2 / np.maximum(self.count, 0.2) + SHARED_MM**2), 0.0)


def cloud_of(mesh: TriangleMesh) -> Cloud:
    """Return a mesh's vertices as a cloud of at most `MOST_POINTS`."""
    group = cell_of(mesh.vertices, NORMAL_CELL_MM)
    total = np.zeros((int(group.max()) + 1, 3))
    for axis in range(3):
        for corner in range(3):
            total[:, axis] += np.bincount(
                group[mesh.triangles[:, corner]], weights=mesh.area_vectors[:, axis], minlength=len(total)
            )
    total /= np.maximum(np.linalg.norm(total, axis=1), 1e-12)[:, None]
    rows = np.unique(mesh.triangles)
    if len(rows) > MOST_POINTS:
        rows = rows[np.linspace(0, len(rows) - 1, MOST_POINTS).astype(int)]
    return Cloud(mesh.vertices[rows], total[group[rows]])


def gaps_of(cloud: Cloud, vertices: FloatArray, reach_mm: float) -> Gaps:
    """Return what the points within a reach say of the template bent to `vertices`."""
    triangles = template_head().mesh.triangles
    tree = igl.AABB()
    tree.init(vertices, triangles)
    square, triangle, target = tree.squared_distance(vertices, triangles, cloud.points)
    near = square < reach_mm**2
    points, normals, triangle, target = cloud.points[near], cloud.normals[near], triangle[near], target[near]
    own = TriangleMesh(vertices, triangles)
    n = own.area_vectors[triangle] / np.maximum(own.areas[triangle], 1e-12)[:, None]
    out = ((points - target) * n).sum(axis=1)
    # A point beside the surface's rim, or of another surface than the one that faces it, says nothing.
    beside = square[near] - out**2
    ok = (beside < 4.0 + 0.25 * out**2) & ((normals * n).sum(axis=1) > 0.5)
    out, triangle, target = out[ok], triangle[ok], target[ok]
    if not len(out):
        return Gaps(np.zeros(len(vertices)), np.zeros(len(vertices)), 4.0)
    a, b, c = (vertices[triangles[triangle, k]] for k in range(3))
    share = igl.barycentric_coordinates(target, a, b, c)
    count, total = np.zeros(len(vertices)), np.zeros(len(vertices))
    for k in range(3):
        count += np.bincount(triangles[triangle, k], weights=share[:, k], minlength=len(vertices))
        total += np.bincount(triangles[triangle, k], weights=share[:, k] * out, minlength=len(vertices))
    mean = np.where(count > 0.2, total / np.maximum(count, 0.2), 0.0)
    here = (share * mean[triangles[triangle]]).sum(axis=1)
    noise = float(np.clip(1.4826 * np.median(np.abs(out - here)), 0.2, 5.0))
    return Gaps(mean, count, noise)


@dataclass(frozen=True)
class _Shape:
    """A head of some dimensions in some place: weights of the fields, then scale and rotation, and a shift."""

    weight: FloatArray
    linear: FloatArray
    shift: FloatArray

    @property
    def vertices(self) -> FloatArray:
        """The template's vertices, (n, 3)."""
        v = template_head().mesh.vertices
        return np.asarray((v + np.tensordot(self.weight, handles(), axes=1)) @ self.linear.T + self.shift)


def with_dimensions(cloud: Cloud, start: FloatArray) -> FloatArray:
    """Return the template's vertices (n, 3) with the dimensions, place and size that fit best.

    Parameters
    ----------
    start
        (n, 3), the template's vertices in the cloud's frame, about right.
    """
    head = start[head_rows()]
    inside = ((cloud.points > head.min(axis=0) - 30.0) & (cloud.points < head.max(axis=0) + 30.0)).all(axis=1)
    rows = np.flatnonzero(inside)[:: max(int(inside.sum()) // FEW_POINTS, 1)]
    few = Cloud(cloud.points[rows], cloud.normals[rows])
    tries: list[tuple[float, int, _Shape]] = []
    for one in _starts(start):
        shape = _as_shape(one)
        now = one  # the first gaps are those of the start, whatever shape is nearest to it
        for reach in (30.0, 22.0, 17.0, 13.0, 10.0):
            shape = _nearer(few, shape, now, reach)
            now = shape.vertices
        tries.append((_stays(few, now), len(tries), shape))
    shape = min(tries, key=lambda t: t[:2])[2]
    for _ in range(6):
        shape = _nearer(few, shape, shape.vertices, 8.0)
    return shape.vertices


def _as_shape(vertices: FloatArray) -> _Shape:
    head = head_rows()
    size, turn, shift = igl.procrustes(template_head().mesh.vertices[head], vertices[head], include_scaling=True)
    return _Shape(np.zeros(len(handles())), size * turn.T, shift)


def _nearer(cloud: Cloud, shape: _Shape, now: FloatArray, reach_mm: float) -> _Shape:
    """Return the shape after one Gauss-Newton step towards the cloud, as seen from the vertices `now`."""
    head = head_rows()
    fields = handles()[:, head]
    gaps = gaps_of(cloud, now, reach_mm)
    n = vertex_normals(TriangleMesh(now, template_head().mesh.triangles))[head]
    # Neighbours are bent alike, so they are wrong alike: a tenth of them speak for themselves.
    worth = 0.1 / (1.0 / np.maximum(gaps.worth[head], 1e-9) + 1.0) * (gaps.worth[head] > 0)
    # A few large gaps are hair or cloth: they count less (Cauchy's weight).
    worth = worth / (1.0 + (gaps.mean[head] / 4.0) ** 2)
    p = shape.vertices[head] - shape.shift
    aim = now[head] + n * gaps.mean[head][:, None] - shape.shift
    right = ((aim - p) * n).sum(axis=1)
    moves = [((f @ shape.linear.T) * n).sum(axis=1) for f in fields]
    rows = np.column_stack([*moves, np.cross(p, n), (p * n).sum(axis=1), n])
    k = len(fields)
    prior = np.full(rows.shape[1], 1e-9)
    prior[:k] += 1.0 / PEOPLE_MM**2
    pull = rows.T @ (worth * right)
    pull[:k] -= shape.weight / PEOPLE_MM**2
    u = np.linalg.solve(rows.T @ (worth[:, None] * rows) + np.diag(prior), pull)
    angle = float(np.linalg.norm(u[k : k + 3]))
    turn = rotation_about(u[k : k + 3], float(np.degrees(angle))) if angle > 1e-12 else np.eye(3)
    return _Shape(shape.weight + u[:k], (1 + u[-4]) * turn @ shape.linear, shape.shift + u[-3:])


def _stays(cloud: Cloud, vertices: FloatArray) -> float:
    """Return the mean gap that stays; what the scan says nothing of counts as far, or slipping off would fit well."""
    gaps = gaps_of(cloud, vertices, 12.0)
    head = head_rows()
    return float(np.where(gaps.count[head] > 0.2, np.minimum(np.abs(gaps.mean[head]), 8.0), 8.0).mean())


def bent(
    cloud: Cloud, start: FloatArray, reach_mm: tuple[float, ...], width_mm: float, knots: int, people_mm: FloatArray
) -> FloatArray:
    """Return the vertices (n, 3) after a field of Gaussians has drawn them to the cloud, one step per reach.

    `people_mm` (n,) is how much people differ there at this width.
    """
    triangles = template_head().mesh.triangles
    rows = spread_rows(knots, LOW_Z)
    centres, differ = start[rows], people_mm[rows]
    whole = gaussian(start, centres, width_mm)
    energy = whole[rows] / np.outer(differ, differ)
    k = len(centres)
    weights = np.zeros((k, 3))
    for reach in reach_mm:
        now = start + whole @ weights
        gaps = gaps_of(cloud, now, reach)
        told = np.flatnonzero(gaps.worth > 0)
        n = vertex_normals(TriangleMesh(now, triangles))[told]
        basis, worth = whole[told], gaps.worth[told]
        aim = ((now - start)[told] * n).sum(axis=1) + gaps.mean[told]
        system, right = np.zeros((3 * k, 3 * k)), np.zeros(3 * k)
        for i in range(3):
            right[i * k : (i + 1) * k] = basis.T @ (worth * n[:, i] * aim)
            for j in range(i, 3):
                # Along its normal a vertex is drawn; along the surface it would rather stay.
                metric = worth * n[:, i] * n[:, j] * (1 - SLIDE) + (worth * SLIDE if i == j else 0.0)
                block = basis.T @ (metric[:, None] * basis)
                system[i * k : (i + 1) * k, j * k : (j + 1) * k] = block
                system[j * k : (j + 1) * k, i * k : (i + 1) * k] = block
            system[i * k : (i + 1) * k, i * k : (i + 1) * k] += energy + 1e-6 * np.eye(k)
        weights = np.linalg.solve(system, right).reshape(3, k).T
    return start + whole @ weights


def fitted(cloud: Cloud, start: FloatArray) -> tuple[FloatArray, Gaps]:
    """Return the template's vertices on the scan (n, 3), and the gaps that stay."""
    now = with_dimensions(cloud, start)
    now = now + vertex_normals(TriangleMesh(now, template_head().mesh.triangles)) * fairing()[:, None]
    coarse = np.where(_in(*SKULL), SKULL_COARSE_MM, COARSE_MM)
    fine = np.where(_in(*SKULL), SKULL_FINE_MM, FINE_MM)
    now = bent(cloud, now, (15.0, 10.0, 8.0), COARSE_WIDTH_MM, COARSE_KNOTS, coarse)
    now = bent(cloud, now, (8.0, 8.0), FINE_WIDTH_MM, FINE_KNOTS, fine)
    return now, gaps_of(cloud, now, 8.0)


@lru_cache(maxsize=1)
def fairing() -> FloatArray:
    """Return how far each skull vertex of the template moves along its normal to be smooth, (n,) mm.

    Moving least squares with a quadratic (Levin 1998): what a tape or a caliper feels stays, for no mean is taken.
    """
    mesh = template_head().mesh
    normals = vertex_normals(mesh)
    near = np.flatnonzero(_in(*SKULL, "forehead"))
    out = np.zeros(len(mesh.vertices))
    for row in np.flatnonzero(_in("crown", "parietal", "occiput") & ~_in("temple", "forehead", "nape", "ear", "neck")):
        n = normals[row]
        away = mesh.vertices[near] - mesh.vertices[row]
        u = np.cross(n, np.eye(3)[np.argmin(np.abs(n))])
        u /= np.linalg.norm(u)
        x, y, height = away @ u, away @ np.cross(n, u), away @ n
        weight = np.exp(-(away**2).sum(axis=1) / (2 * FAIR_WIDTH_MM**2))
        terms = np.stack([np.ones(len(x)), x, y, x * x, x * y, y * y], axis=1)
        out[row] = np.linalg.solve(terms.T @ (weight[:, None] * terms), terms.T @ (weight * height))[0]
    return out


def _starts(start: FloatArray) -> list[FloatArray]:
    """Return the start with the lower face as it is, shorter and longer: a chin may lie too far off to be found."""
    z = template_head().mesh.vertices[:, 2]
    down = start[_lowest()] - start[_highest()]
    down /= np.linalg.norm(down)
    share = np.clip(-z / 90.0, 0.0, 1.0)[:, None]
    return [start + mm * share * down for mm in (0.0, 11.0, -11.0)]


def _highest() -> int:
    return template_head().landmark_rows["sellion"]


def _lowest() -> int:
    return template_head().landmark_rows["menton"]


@lru_cache(maxsize=1)
def head_rows() -> IntArray:
    """Return the template's vertices of the head alone: a neck bends, whatever the dimensions."""
    template = template_head()
    return np.unique(template.mesh.triangles[template.in_regions(*HEAD_REGIONS)])


@lru_cache(maxsize=4)
def _in(*regions: str) -> BoolArray:
    """Return which template vertices lie in these regions."""
    template = template_head()
    mask = np.zeros(len(template.mesh.vertices), bool)
    mask[template.mesh.triangles[template.in_regions(*regions)]] = True
    return mask
