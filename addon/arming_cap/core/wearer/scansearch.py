# SPDX-License-Identifier: GPL-3.0-or-later
"""Where in a scan is the head, and which way does it look?

Wherever the head is up, it is the top of what was scanned: a person stands or sits, and a bust ends in its crown. So a
direction alone gives the head's place, and a turn about it the rest: some two thousand starts, spread evenly over all
rotations, cover every pose. All starts are improved at once by iterated closest points on a lattice that knows the
template's nearest point beforehand; the best are registered exactly and judged by the face (`recognise.face_relief`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import igl
import numpy as np

from ..arrays import FloatArray, IntArray
from ..mesh import TriangleMesh
from ..pose import rotation_about
from ..progress import Progress, silent
from .recognise import LEAST_RELIEF, above_neck, face_relief
from .register import Similarity, closest_points, vertex_normals
from .scanfit import HEAD_REGIONS
from .template import template_head

LATTICE_MM = 8.0
_LOW, _HIGH = np.array([-130.0, -170.0, -130.0]), np.array([130.0, 150.0, 170.0])
PATCHES = 140
DIRECTIONS, HEADINGS = 160, 12
POINTS = 220
SCALES = (0.78, 1.3)
CERTAIN_RELIEF, CERTAIN_COVERED, CERTAIN_RMS_MM = 0.65, 0.9, 3.0
# A start that scores so much less than the best has never been the head.
HOPELESS = 0.45


@dataclass(frozen=True)
class Candidate:
    """One way the template may lie in a scan.

    Attributes
    ----------
    to_template
        From the scan, in mm, to the template's frame: a similarity, then an affine map.
    affine
        As above.
    relief, rms_mm
        As in `recognise.HeadMatch`.
    covered
        Share of the head's surface near which the scan has a surface, 0 to 1.
    """

    to_template: Similarity
    affine: Similarity
    relief: float
    rms_mm: float
    covered: float

    @property
    def is_head(self) -> bool:
        """Whether this is a head beyond doubt, and nearly all of it."""
        return self.relief > CERTAIN_RELIEF and self.covered > CERTAIN_COVERED and self.rms_mm < CERTAIN_RMS_MM

    @property
    def quality(self) -> float:
        """What the candidates are ranked by."""
        return self.relief + self.covered - self.rms_mm / 10.0


@dataclass(frozen=True)
class _Lattice:
    shape: IntArray
    target: FloatArray
    normal: FloatArray
    distance: FloatArray
    patch: IntArray
    patches: int


@lru_cache(maxsize=1)
def _lattice() -> _Lattice:
    """Return the nearest point of the template's head, its normal, distance (signed) and patch, at lattice nodes."""
    template = template_head()
    rows = template.in_regions(*HEAD_REGIONS)
    head = template.mesh.submesh(rows)
    shape = np.ceil((_HIGH - _LOW) / LATTICE_MM).astype(int) + 1
    axes = [_LOW[i] + LATTICE_MM * np.arange(shape[i]) for i in range(3)]
    nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    square, triangle, target = igl.point_mesh_squared_distance(nodes, head.vertices, head.triangles)
    normal = (head.area_vectors / head.areas[:, None])[triangle]
    sign = np.where(((nodes - target) * normal).sum(axis=1) < 0, -1.0, 1.0)
    seeds = _spread(head.vertices, PATCHES)
    near = ((target[:, None] - seeds) ** 2).sum(axis=2).argmin(axis=1)
    return _Lattice(shape, target, normal, np.sqrt(square) * sign, near, PATCHES)


def _spread(points: FloatArray, count: int) -> FloatArray:
    chosen = [int(points[:, 2].argmax())]
    gap = np.full(len(points), np.inf)
    for _ in range(count - 1):
        gap = np.minimum(gap, ((points - points[chosen[-1]]) ** 2).sum(axis=1))
        chosen.append(int(gap.argmax()))
    return points[chosen]


def _directions(count: int) -> FloatArray:
    """Return directions spread evenly over the sphere (the Fibonacci lattice)."""
    k = np.arange(count) + 0.5
    z, turn = 1 - 2 * k / count, np.pi * (1 + np.sqrt(5)) * k
    r = np.sqrt(1 - z**2)
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)


def _upright(up: FloatArray) -> FloatArray:
    """Return a rotation that takes `up` to +Z."""
    axis = np.cross(up, [0.0, 0.0, 1.0])
    sine = float(np.linalg.norm(axis))
    if sine < 1e-9:
        return np.eye(3) if up[2] > 0 else np.diag([1.0, -1.0, -1.0])
    return rotation_about(axis / sine, float(np.degrees(np.arctan2(sine, up[2]))))


def _starts(points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the points that each start sees (s, p, 3), its rotation (s, 3, 3) and its shift (s, 3)."""
    height = float(template_head().mesh.bounds[1, 2])
    headings = [rotation_about(np.array([0.0, 0.0, 1.0]), 360.0 * k / HEADINGS) for k in range(HEADINGS)]
    seen, turns, shifts = [], [], []
    for up in _directions(DIRECTIONS):
        h = points @ up
        top = np.partition(h, -8)[-8] + 2.0  # a few stray points are no crown
        slab = np.flatnonzero((h > top - 250.0) & (h < top + 10.0))
        upper = points[slab[h[slab] > top - 95.0]]
        if len(slab) < 60 or len(upper) < 20:
            continue
        turn = _upright(up)
        flat = upper @ turn.T
        middle = (flat.max(axis=0) + flat.min(axis=0)) / 2
        # A head is no wider than this: what is, is a trunk lying down.
        if (np.ptp(flat[:, :2], axis=0) > 420.0).any():
            continue
        middle[2] = top - height
        pick = points[slab[np.linspace(0, len(slab) - 1, POINTS).astype(int)]]
        for heading in headings:
            seen.append(pick)
            turns.append(heading @ turn)
            shifts.append(-heading @ middle + [0.0, -8.0, 0.0])
    return np.array(seen), np.array(turns), np.array(shifts)


def _lookup(lattice: _Lattice, there: FloatArray) -> IntArray:
    """Return the node of each point (s, p); points off the lattice get -1."""
    cell = np.rint((there - _LOW) / LATTICE_MM).astype(np.int64)
    inside = ((cell >= 0) & (cell < lattice.shape)).all(axis=-1)
    _, ny, nz = lattice.shape
    node = (cell[..., 0] * ny + cell[..., 1]) * nz + cell[..., 2]
    return np.where(inside, node, -1)


def _improved(
    seen: FloatArray, linear: FloatArray, shift: FloatArray, reach: tuple[float, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the similarities (s, 3, 3), (s, 3) after one step per reach, and their scores (s,)."""
    lattice = _lattice()
    for far in reach:
        there = np.einsum("sij,spj->spi", linear, seen) + shift[:, None]
        node = _lookup(lattice, there)
        w = ((node >= 0) & (np.abs(lattice.distance[node]) < far)).astype(float)
        target = lattice.target[node]
        total = np.maximum(w.sum(axis=1), 1.0)
        mean_s = np.einsum("sp,spi->si", w, there) / total[:, None]
        mean_t = np.einsum("sp,spi->si", w, target) / total[:, None]
        s, t = (there - mean_s[:, None]) * w[..., None], target - mean_t[:, None]
        u, d, vt = np.linalg.svd(np.einsum("spi,spj->sij", t, s))
        flip = np.ones((len(u), 3))
        flip[:, 2] = np.sign(np.linalg.det(u @ vt))
        turn = (u * flip[:, None]) @ vt
        size = (d * flip).sum(axis=1) / np.maximum(((there - mean_s[:, None]) * s).sum(axis=(1, 2)), 1e-9)
        now = np.cbrt(np.abs(np.linalg.det(linear)))
        size = np.clip(size * now, *SCALES) / now
        step = turn * size[:, None, None]
        shift = mean_t + np.einsum("sij,sj->si", step, shift - mean_s)
        linear = step @ linear
    there = np.einsum("sij,spj->spi", linear, seen) + shift[:, None]
    node = _lookup(lattice, there)
    off = np.abs(lattice.distance[node])
    hit = (node >= 0) & (off < 9.0)
    patch = np.where(hit, lattice.patch[node], lattice.patches)
    rows = np.arange(len(seen))[:, None]
    touched = np.zeros((len(seen), lattice.patches + 1), bool)
    touched[rows, patch] = True
    covered = touched[:, :-1].mean(axis=1)
    # Surface inside the head is what no head has.
    within = ((node >= 0) & (lattice.distance[node] < -14.0)).sum(axis=1) / len(seen[0])
    mean_off = np.where(hit, off, 0.0).sum(axis=1) / np.maximum(hit.sum(axis=1), 1)
    return linear, shift, covered - 1.5 * within - mean_off / 15.0


@dataclass(frozen=True)
class Starts:
    """The best starts in a clustered scan after the lattice: similarities (s, 3, 3) and (s, 3), and their scores."""

    mesh: TriangleMesh
    linear: FloatArray
    shift: FloatArray
    score: FloatArray

    @property
    def best(self) -> float:
        """The highest score."""
        return float(self.score.max(initial=-np.inf))


def starts(mesh: TriangleMesh) -> Starts:
    """Return where the template may lie in a scan, from every direction.

    Parameters
    ----------
    mesh
        The scan in millimetres, clustered to some 5 mm, in any pose.
    """
    seen, linear, shift = _starts(mesh.vertices[np.unique(mesh.triangles)])
    if not len(seen):
        return Starts(mesh, np.empty((0, 3, 3)), np.empty((0, 3)), np.empty(0))
    linear, shift, score = _improved(seen, linear, shift, (60.0, 50.0, 40.0, 30.0))
    best = np.argsort(-score, kind="stable")[:240]
    return Starts(mesh, *_improved(seen[best], linear[best], shift[best], (30.0, 25.0) + (20.0,) * 8))


def candidates(begun: Starts, most: int = 7, progress: Progress = silent) -> list[Candidate]:
    """Return the likeliest ways that the template lies in a scan, best first, registered exactly."""
    mesh, linear, shift, score = begun.mesh, begun.linear, begun.shift, begun.score
    order = [int(k) for k in np.argsort(-score, kind="stable") if score[k] > begun.best - HOPELESS]
    found: list[Candidate] = []
    tried: list[int] = []
    for k in order:
        here = Similarity(linear[k], shift[k])
        # What is about where another start was, or where it ended, ends there too.
        if any(not _apart(here, Similarity(linear[j], shift[j]), 15.0) for j in tried):
            continue
        if any(c.relief > LEAST_RELIEF and not _apart(here, c.to_template, 40.0) for c in found):
            continue
        progress(len(tried) / most, "Comparing the face")
        tried.append(k)
        one = registered(mesh, here)
        if one is not None:
            found.append(one)
        if len(tried) == most or (len(tried) > most // 2 and any(c.is_head for c in found)):
            break
    return sorted(found, key=lambda c: -c.quality)


def _apart(a: Similarity, b: Similarity, angle_deg: float) -> bool:
    """Return whether two maps put the head's middle elsewhere, or turn it by more than an angle."""
    cosine = (np.trace(a.rotation @ b.rotation.T) - 1) / 2
    middle = np.linalg.solve(a.linear, -a.shift) - np.linalg.solve(b.linear, -b.shift)
    return bool(cosine < np.cos(np.radians(angle_deg)) or a.scale * np.linalg.norm(middle) > 1.7 * angle_deg)


def registered(mesh: TriangleMesh, start: Similarity) -> Candidate | None:
    """Return the template laid over a clustered scan from a start that is about right; None where it slips off."""
    points = mesh.vertices[np.unique(mesh.triangles)]
    found = start
    for far, steps in ((25.0, 12), (18.0, 10)):
        there = found.apply(points)
        near = _near(there, far)
        if near.sum() < 150:
            return None
        few = points[near]
        few = few[:: max(len(few) // 900, 1)]
        found, rms = closest_points(few, found, steps, keep=0.9)
        if not SCALES[0] * 0.95 < found.scale < SCALES[1] * 1.05:
            return None
    near = _near(found.apply(points), 15.0)
    few = points[near]
    if len(few) < 150:
        return None
    few = few[:: max(len(few) // 900, 1)]
    affine, rms = closest_points(few, found, 15, keep=0.85, affine=True)
    squeeze = np.linalg.svd(affine.linear, compute_uv=False)
    if squeeze[0] / squeeze[-1] > 1.6 or np.linalg.det(affine.linear) <= 0:
        return None
    return Candidate(found, affine, face_relief(mesh, affine), rms, _covered(affine.apply(points)))


def _near(there: FloatArray, far: float) -> FloatArray:
    lattice = _lattice()
    node = _lookup(lattice, there)
    return np.asarray((node >= 0) & (np.abs(lattice.distance[node]) < far) & above_neck(there))


def _covered(there: FloatArray) -> float:
    lattice = _lattice()
    node = _lookup(lattice, there)
    hit = (node >= 0) & (np.abs(lattice.distance[node]) < 9.0)
    return len(np.unique(lattice.patch[node[hit]])) / lattice.patches


def facing_out(mesh: TriangleMesh, to_template: Similarity) -> float:
    """Return the mean agreement of the scan's normals with the template's, -1 to 1; below 0 it is inside out."""
    lattice = _lattice()
    there = to_template.apply(mesh.vertices)
    node = _lookup(lattice, there)
    hit = (node >= 0) & (np.abs(lattice.distance[node]) < 9.0)
    turned = TriangleMesh(there, mesh.triangles)
    return float((vertex_normals(turned)[hit] * lattice.normal[node[hit]]).sum(axis=1).mean()) if hit.any() else 0.0
