# SPDX-License-Identifier: GPL-3.0-or-later
"""Surfaces that run through themselves: where, and what solid they bound.

The arrangement of the triangles is libigl's, in exact numbers (Zhou, Grinspun, Zorin and Jacobson, "Mesh Arrangements
for Solid Geometry", ACM TOG 35(4), 2016): triangles are cut where they cross, and of the cells between them those with
a positive winding number are material. Nothing is moved: new corners lie on old triangles, rounded to double precision.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...arrays import FloatArray, IntArray
from ...errors import InputError
from ...mesh import TriangleMesh

# Shallower crossings are the rounding of whoever wrote the file: what they enclose is a few times this squared, per mm.
REAL_MM = 0.01
ASKED = 5000  # crossing pairs that are looked at; where more cross, an even choice of them
# Where more than this share of a surface's volume is inside out, its normals are wrong and not merely a fold.
INSIDE_OUT_SHARE = 0.02


def crossings(mesh: TriangleMesh) -> tuple[FloatArray, bool]:
    """Return places where a closed surface runs through itself by more than `REAL_MM`, (k, 3) mm.

    Returns
    -------
    The places; and whether beside one of them something is inside out (a winding number below 0).
    """
    import igl

    vertices, triangles = np.array(mesh.vertices), np.array(mesh.triangles)
    pairs = _pairs(mesh)
    pairs = pairs[:: max(1, -(-len(pairs) // ASKED))]
    if not len(pairs):
        return np.empty((0, 3)), False
    places = _meeting(mesh, pairs)
    normals = mesh.area_vectors / np.maximum(mesh.areas, 1e-300)[:, None]
    a, b = REAL_MM * normals[pairs[:, 0]], REAL_MM * normals[pairs[:, 1]]
    # Two sheets that cross part the place into four: with the winding numbers w, w - 1, w - 1 and w - 2.
    asked = np.concatenate([places + s * a + t * b for s in (-1, 1) for t in (-1, 1)])
    winding = igl.fast_winding_number(vertices, triangles, asked).reshape(4, -1)
    negative = winding.min(axis=0) < -0.5
    return places[(winding.max(axis=0) > 1.5) | negative], bool(negative.any())


def _pairs(mesh: TriangleMesh) -> IntArray:
    from igl.copyleft.cgal import remesh_self_intersections

    found = remesh_self_intersections(np.array(mesh.vertices), np.array(mesh.triangles), detect_only=True)[2]
    return np.asarray(found, np.int64).reshape(-1, 2)


def _meeting(mesh: TriangleMesh, pairs: IntArray) -> FloatArray:
    """Return a point (k, 3) in which each pair of triangles meets; of flat ones the middle of the smaller."""
    corners = mesh.corners
    total, count = np.zeros((len(pairs), 3)), np.zeros(len(pairs))
    for edges, faces in ((pairs[:, 0], pairs[:, 1]), (pairs[:, 1], pairs[:, 0])):
        origin, u, v = corners[faces, 0], *(corners[faces, k] - corners[faces, 0] for k in (1, 2))
        normal = np.cross(u, v)
        for k in range(3):
            p, q = corners[edges, k], corners[edges, (k + 1) % 3]
            with np.errstate(divide="ignore", invalid="ignore"):
                share = ((origin - p) * normal).sum(axis=1) / ((q - p) * normal).sum(axis=1)
                at = p + share[:, None] * (q - p)
                off = at - origin
                s = (np.cross(off, v) * normal).sum(axis=1) / (normal * normal).sum(axis=1)
                t = (np.cross(u, off) * normal).sum(axis=1) / (normal * normal).sum(axis=1)
                hit = (share >= 0) & (share <= 1) & (s >= -1e-9) & (t >= -1e-9) & (s + t <= 1 + 1e-9)
            total[hit] += at[hit]
            count += hit
    smaller = np.where(mesh.areas[pairs[:, 0]] <= mesh.areas[pairs[:, 1]], pairs[:, 0], pairs[:, 1])
    middle: FloatArray = np.where(
        (count > 0)[:, None], total / np.maximum(count, 1)[:, None], corners[smaller].mean(axis=1)
    )
    return middle


def uncrossed(mesh: TriangleMesh, places: FloatArray, negative: bool) -> tuple[TriangleMesh, str]:
    """Return the solid that a closed surface bounds which runs through itself, and what was done, in words.

    Parameters
    ----------
    places, negative
        What `crossings` found.

    Raises
    ------
    InputError
        If more than a fold of it is inside out.
    """
    solid = positive(mesh)
    x, y, z = places[0]
    words = f"its surface runs through itself, as at {x:.1f}, {y:.1f}, {z:.1f} mm: what overlaps was united"
    if negative:
        lost = positive(replace(mesh, triangles=mesh.triangles[:, ::-1])).volume_mm3
        if lost > INSIDE_OUT_SHARE * max(solid.volume_mm3, 0.0):
            raise InputError(
                f"runs through itself about {x:.1f}, {y:.1f}, {z:.1f} mm, and {lost:.0f} mm³ of it are inside out",
                source=mesh.name,
                remedy="recalculate its normals, or part it there",
            )
        words += f"; folds that are inside out, {lost:.1f} mm³, were left out"
    return solid, words


def positive(mesh: TriangleMesh) -> TriangleMesh:
    """Return the boundary of all that a closed surface winds round once or more."""
    from igl.copyleft.cgal import mesh_boolean

    nothing = np.empty((0, 3)), np.empty((0, 3), np.int64)
    vertices, triangles, _ = mesh_boolean(np.array(mesh.vertices), np.array(mesh.triangles), *nothing, "union")
    return TriangleMesh(vertices, np.asarray(triangles, np.int64), mesh.name).welded()


def cut_where_crossing(mesh: TriangleMesh) -> tuple[TriangleMesh, bool]:
    """Return any soup with its triangles cut along the lines in which they cross, and whether any do."""
    from igl.copyleft.cgal import remesh_self_intersections

    if not len(_pairs(mesh)):
        return mesh, False
    vertices, triangles, *_ = remesh_self_intersections(
        np.array(mesh.vertices), np.array(mesh.triangles), stitch_all=True
    )
    return TriangleMesh(vertices, np.asarray(triangles, np.int64), mesh.name).welded(), True
