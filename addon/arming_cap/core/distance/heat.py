# SPDX-License-Identifier: GPL-3.0-or-later
"""Margins at every vertex, of the piece and of the form: what a heat map shows.

A vertex of the piece has the standoff at it, less what the nearest region must keep. A vertex of the form has the
distance to the piece's nearest point, less what its own region must keep; where that point lies inside the form, the
distance counts as negative. (The tangent plane at the vertex would not do: in a face opening the nearest point of the
piece lies beside the nose and behind its plane, and yet outside the body.) Places farther than `NEAR_MM` from the other
body have no margin to speak of: NaN.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..arrays import FloatArray, IntArray
from ..mesh import TriangleMesh
from ..piece import SHELL_MM, Piece, thickness_mm
from ..pose import Pose
from ..wearer.form import Wearer
from .clearance import NEAR_MM, field_for
from .field import ExactDistance


@dataclass(frozen=True, eq=False)
class Heat:
    """Margins in mm at the vertices of both bodies, NaN where nothing is near.

    Attributes
    ----------
    form
        (n,) in the order of the form's vertices.
    parts
        By part name, (m,) in the order of the part's vertices.
    """

    form: FloatArray
    parts: Mapping[str, FloatArray]


def heat(piece: Piece, wearer: Wearer, pose: Pose | None = None, scale: float = 1.0, inner_only: bool = False) -> Heat:
    """Return the margins at every vertex of a piece after ``pose.apply(scale * points)``, and of the form it is on.

    With `inner_only` the outside of a part that is a closed shell has none: how far it is away tells nothing.
    """
    pose = pose or Pose()
    placed = piece.scaled(scale).moved(pose)
    field = field_for(piece, wearer, pose, scale)
    need = wearer.allowances()
    parts = {}
    for part in placed.parts:
        standoff, triangle, closest = field.exact(part.mesh.vertices)
        margin = _near(standoff - need[field.regions_at(triangle)], standoff)
        if inner_only and part.mesh.soundness.closed and thickness_mm(part.mesh) < SHELL_MM:
            away = np.einsum("ij,ij->i", _normals(part.mesh), closest - part.mesh.vertices) <= 0
            margin = np.where(away & (standoff > 0), np.nan, margin)
        parts[part.name] = margin
    form = wearer.form.mesh
    distance, _, closest = ExactDistance(placed.mesh).nearest(form.vertices)
    region = _at_vertices(form, wearer.form.region_of_triangle)
    standoff = np.where(field.exact(closest)[0] < 0, -distance, distance)
    return Heat(_near(standoff - need[region], standoff), parts)


def _near(margin: FloatArray, standoff: FloatArray) -> FloatArray:
    return np.where(np.abs(standoff) < NEAR_MM, margin, np.nan)


def _normals(mesh: TriangleMesh) -> FloatArray:
    """Return the outward normal at each vertex (n, 3), weighted by area, of any length."""
    normal = np.zeros_like(mesh.vertices)
    for corner in range(3):
        np.add.at(normal, mesh.triangles[:, corner], mesh.area_vectors)
    outward: FloatArray = normal * (np.sign(mesh.volume_mm3) or 1.0)
    return outward


def _at_vertices(mesh: TriangleMesh, region_of_triangle: IntArray | None) -> IntArray:
    """Return at each vertex the region of its first triangle (n,)."""
    assert region_of_triangle is not None
    region = np.zeros(len(mesh.vertices), np.int64)
    for corner in (2, 1, 0):
        region[mesh.triangles[::-1, corner]] = region_of_triangle[::-1]
    return region
