# SPDX-License-Identifier: GPL-3.0-or-later
"""Is there a head in this mesh, and where are its regions and landmarks?

The template is laid over the top of the mesh. What makes it a head and not an egg is the face: over the face's area
the relief, i.e. the depth seen from the front less its best quartic, must go with the template's own. A sphere, a
knee or a helmet has no relief, or another one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import igl
import numpy as np

from ..arrays import BoolArray, FloatArray
from ..memory import remembered
from ..mesh import TriangleMesh
from .form import Form
from .register import Similarity, bent_onto, closest_points, sampled
from .template import template_head

# How well relief and surface must agree. Measured: heads cut, scaled and decimated from the three bodies show a relief
# above 0.6 and an RMS below 1 mm; spheres, ellipsoids, limbs, boxes, tubes and heads seen from behind below 0.1.
LEAST_RELIEF = 0.5
LARGEST_RMS_MM = 4.0
FACE_CELL_MM = 4.0
# The face's window in the template's frame: half its width, its lower and its upper edge.
_HALF_WIDTH, _LOW, _HIGH = 44.0, -80.0, 44.0
_CELLS = (int(2 * _HALF_WIDTH / FACE_CELL_MM), int((_HIGH - _LOW) / FACE_CELL_MM))
BODY = "body"
FORMS_KEPT = 8


@dataclass(frozen=True)
class HeadMatch:
    """The template laid over a mesh.

    Attributes
    ----------
    to_template
        From the mesh's frame to the template's.
    rms_mm
        Trimmed RMS distance of mesh points above the neck to the template, in template size.
    relief
        Correlation of the two faces' relief, -1 to 1.
    """

    to_template: Similarity
    rms_mm: float
    relief: float

    @property
    def is_head(self) -> bool:
        """Whether this is a head beyond doubt."""
        return self.relief > LEAST_RELIEF and self.rms_mm < LARGEST_RMS_MM


def form_of(mesh: TriangleMesh, source: str = "mesh") -> Form:
    """Return a closed mesh as a form, with regions and landmarks where it holds an upright head.

    Parameters
    ----------
    mesh
        Closed, millimetres, Z up, facing -Y: a whole body, a bust or a bare head. Anything else is ``whole``.
    source
        See `Form`.

    Raises
    ------
    InputError
        If the mesh is not closed.
    """
    key = f"form:{mesh.content_hash}:{source}:{mesh.name}"
    return remembered(key, FORMS_KEPT, lambda: _recognised(mesh, source))


def _recognised(mesh: TriangleMesh, source: str) -> Form:
    plain = Form(mesh, source=source)
    match = find_head(mesh)
    if match is None or not match.is_head:
        return plain
    template = template_head()
    lying = TriangleMesh(match.to_template.apply(mesh.vertices), mesh.triangles)
    near = np.flatnonzero(lying.corners[:, :, 2].max(axis=1) > -230.0)
    bent, _ = bent_onto(lying.submesh(near))
    centre = lying.corners[near].mean(axis=1)
    square, triangle, _ = igl.point_mesh_squared_distance(centre, bent, template.mesh.triangles)
    names = (*template.region_names, BODY)
    region = np.full(len(mesh), len(names) - 1)
    # Below the template's cut its cap is what lies nearest: that is body, and so is all that lies far off.
    cut = float(np.min(bent[:, 2])) + 8.0
    region[near] = np.where(
        (square < 30.0**2) & (centre[:, 2] > cut), template.region_of_triangle[triangle], len(names) - 1
    )
    used = np.unique(region)
    found = template.landmarks_on(bent)
    points = np.array(list(found.values()))
    _, _, on_mesh = igl.point_mesh_squared_distance(points, lying.vertices, lying.triangles[near])
    back = match.to_template.inverse()
    landmarks = dict(zip(found, back.apply(on_mesh)))
    lowest = mesh.bounds[0, 2] + 2.0
    return Form(
        mesh,
        tuple(names[i] for i in used),
        np.searchsorted(used, region),
        {name: p for name, p in landmarks.items() if p[2] > lowest},
        source=source,
    )


def find_head(mesh: TriangleMesh) -> HeadMatch | None:
    """Return the template laid over the top of an upright mesh, or None where there is nothing to lay it on."""
    if not len(mesh) or not mesh.areas.sum() > 0:
        return None
    best: HeadMatch | None = None
    for scale in (1.0, 0.82, 1.22):
        match = _laid_over(mesh, scale)
        if match and (best is None or _quality(match) > _quality(best)):
            best = match
        if best and best.is_head:
            break
    return best


def _quality(match: HeadMatch) -> float:
    return match.relief - match.rms_mm / 10.0


def _laid_over(mesh: TriangleMesh, scale: float) -> HeadMatch | None:
    template = template_head()
    top = mesh.bounds[1, 2]
    height = template.mesh.bounds[1, 2]
    above = np.flatnonzero(mesh.corners[:, :, 2].max(axis=1) > top - 290.0 * scale)
    points, _ = sampled(mesh, 24_000, above)
    skull = points[points[:, 2] > top - 95.0 * scale]
    points = points[points[:, 2] > top - 260.0 * scale]
    if len(skull) < 200:
        return None
    middle = (skull.max(axis=0) + skull.min(axis=0)) / 2
    centre = np.array([middle[0], middle[1], top - height * scale])
    # The skull's middle lies a little behind the line through the ears.
    start = Similarity(np.eye(3) / scale, -centre / scale + [0.0, -8.0, 0.0])
    few = points[:: max(len(points) // 700, 1)]
    found, _ = closest_points(few, start, 30, keep=0.75)
    if not 0.6 < found.scale < 1.7:
        return None
    found, _ = closest_points(few, found, 12, keep=0.8)
    # The affine fit is made by what lies above the jaw; shoulders and arms have no say.
    head = few[above_neck(found.apply(few))]
    if len(head) < 100:
        return None
    found, rms = closest_points(head, found, 20, keep=0.75, affine=True)
    squeeze = np.linalg.svd(found.linear, compute_uv=False)
    if squeeze[0] / squeeze[-1] > 1.6 or np.linalg.det(found.linear) <= 0:
        return None
    return HeadMatch(found, rms, face_relief(mesh, found))


def above_neck(points: FloatArray) -> BoolArray:
    """Return which points lie above the plane from below the chin to the nape, in the template's frame."""
    return (points[:, 2] > -100.0 + 0.45 * (points[:, 1] + 90.0)) & (np.abs(points[:, 0]) < 110.0)


@lru_cache(maxsize=1)
def _own_depth() -> FloatArray:
    return _depth(template_head().mesh, Similarity(np.eye(3), np.zeros(3)))


def _depth(mesh: TriangleMesh, to_template: Similarity) -> FloatArray:
    """Return the depth map over the face as seen from the front: least y by cell of x and z, NaN where empty."""
    there = to_template.apply(mesh.vertices)[mesh.triangles]
    low, high = there.min(axis=1), there.max(axis=1)
    inside = (high > [-_HALF_WIDTH, -np.inf, _LOW]).all(axis=1) & (low < [_HALF_WIDTH, -20.0, _HIGH]).all(axis=1)
    rows = np.flatnonzero(inside & (mesh.areas > 0))
    nx, nz = _CELLS
    depth = np.full(nx * nz, np.inf)
    if len(rows):
        points = to_template.apply(sampled(mesh, 30_000, rows)[0])
        i = np.floor((points[:, 0] + _HALF_WIDTH) / FACE_CELL_MM).astype(int)
        k = np.floor((points[:, 2] - _LOW) / FACE_CELL_MM).astype(int)
        ok = (i >= 0) & (i < nx) & (k >= 0) & (k < nz)
        np.minimum.at(depth, i[ok] * nz + k[ok], points[ok, 1])
    return np.where(depth < -20.0, depth, np.nan)


def face_relief(mesh: TriangleMesh, to_template: Similarity) -> float:
    """Return the correlation of a mesh's face relief with the template's; 0 where there is too little to see."""
    own, theirs = _own_depth(), _depth(mesh, to_template)
    both = np.flatnonzero(np.isfinite(own) & np.isfinite(theirs))
    if len(both) < 0.6 * np.isfinite(own).sum():
        return 0.0
    nx, nz = _CELLS
    x, z = (both // nz + 0.5) / nx * 2 - 1, (both % nz + 0.5) / nz * 2 - 1
    quartic = np.stack([x**i * z**j for i in range(5) for j in range(5 - i)], axis=1)
    pair = np.stack([own[both], theirs[both]], axis=1)
    relief = pair - quartic @ np.linalg.lstsq(quartic, pair, rcond=None)[0]
    size = np.linalg.norm(relief, axis=0)
    if size[1] < 0.4 * size[0]:
        return 0.0  # too flat to be a face, whatever it goes with
    return float(relief[:, 0] @ relief[:, 1] / (size[0] * size[1]))
