# SPDX-License-Identifier: GPL-3.0-or-later
"""Shapes whose measures are known, for tests and bench."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from arming_cap.core.mesh import TriangleMesh, joined

DATA = Path(__file__).parent / "data"


def box(size=(2.0, 2.0, 2.0), centre=(0.0, 0.0, 0.0), name="box") -> TriangleMesh:
    """A closed box of 12 triangles."""
    corners = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return TriangleMesh(corners * np.asarray(size, float) + np.asarray(centre, float), np.array(triangles), name)


def revolved(profile, segments=96, name="revolved") -> TriangleMesh:
    """The surface of revolution about Z of a profile (k, 2) of (radius, z); points on the axis are shared.

    The profile runs so that outside lies to its right when seen with the radius to the right and z up, i.e.
    upwards along an outer wall. A closed profile repeats its first point.
    """
    profile = np.asarray(profile, float)
    angle = np.arange(segments) * (2 * np.pi / segments)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    points = np.concatenate([np.column_stack([ring * r, np.full(segments, z)]) for r, z in profile])
    triangles = []
    column = np.arange(segments)
    after = np.roll(column, -1)
    for k in range(len(profile) - 1):
        a, b, c, d = (
            k * segments + column,
            k * segments + after,
            (k + 1) * segments + after,
            (k + 1) * segments + column,
        )
        if profile[k, 0] > 0:
            triangles.append(np.stack([a, b, c if profile[k + 1, 0] > 0 else d], axis=1))
        if profile[k + 1, 0] > 0:
            triangles.append(np.stack([a, c, d], axis=1))
    return TriangleMesh(points, np.concatenate(triangles), name).welded()


def sphere(radius=1.0, segments=96, centre=(0.0, 0.0, 0.0), name="sphere") -> TriangleMesh:
    """A closed sphere with its vertices on the radius."""
    t = np.linspace(-np.pi / 2, np.pi / 2, segments // 2 + 1)
    profile = np.stack([np.cos(t), np.sin(t)], axis=1)
    profile[[0, -1], 0] = 0.0
    unit = revolved(profile, segments, name)
    return TriangleMesh(unit.vertices * radius + np.asarray(centre, float), unit.triangles, name)


def ellipsoid(radii, segments=96, centre=(0.0, 0.0, 0.0), name="ellipsoid") -> TriangleMesh:
    """A closed ellipsoid with half-axes `radii` (3,)."""
    unit = sphere(1.0, segments)
    return TriangleMesh(unit.vertices * np.asarray(radii, float) + np.asarray(centre, float), unit.triangles, name)


def tube(inner, outer, height, segments=96, name="tube") -> TriangleMesh:
    """A closed tube about Z between z = 0 and z = height."""
    return revolved([(inner, 0), (outer, 0), (outer, height), (inner, height), (inner, 0)], segments, name)


def dome(inner, outer, neck_z=0.0, segments=96, rings=48, name="dome") -> TriangleMesh:
    """A closed spherical shell between two radii, centre at the origin, open below z = neck_z."""
    low_in, low_out = np.arcsin(neck_z / inner), np.arcsin(neck_z / outer)
    up = np.linspace(low_out, np.pi / 2, rings)
    down = np.linspace(np.pi / 2, low_in, rings)
    profile = np.concatenate(
        [
            np.stack([outer * np.cos(up), outer * np.sin(up)], axis=1),
            np.stack([inner * np.cos(down), inner * np.sin(down)], axis=1),
        ]
    )
    profile[[rings - 1, rings], 0] = 0.0
    profile = np.concatenate([profile, profile[:1]])
    return revolved(profile, segments, name)


def c_shape(inner=80.0, outer=84.0, half_gap_deg=30.0, height=100.0, segments=90):
    """A bent plate about Z, open around -Y: a helmet's wall at the height of its face opening."""
    t = np.radians(np.linspace(-90 + half_gap_deg, 270 - half_gap_deg, segments))
    ring = np.stack([np.cos(t), np.sin(t)], axis=1)
    outline = np.concatenate([ring * outer, ring[::-1] * inner])
    import manifold3d

    solid = manifold3d.Manifold.extrude(manifold3d.CrossSection([outline]), height).to_mesh64()
    return TriangleMesh(np.asarray(solid.vert_properties)[:, :3], np.asarray(solid.tri_verts), "c")


def ball_on_stem(radius=50.0, stem=20.0, segments=96) -> TriangleMesh:
    """A ball about the origin on a stem that stands on a disc 70 mm wider than it, too wide to pass, 130 mm below."""
    t = np.linspace(-np.arccos(stem / radius), np.pi / 2, 40)
    ball = np.stack([radius * np.cos(t), radius * np.sin(t)], axis=1)
    ball[-1, 0] = 0.0
    disc = radius + 70.0  # small enough for one fine field over the whole
    profile = np.concatenate([[(0, -140), (disc, -140), (disc, -130), (stem, -130)], ball])
    return revolved(profile, segments, "ball_on_stem")


def body(letter: str) -> TriangleMesh:
    """One of the three CC0 bodies, whole; see data/human/PROVENANCE.md."""
    from arming_cap.core.formats import read_mesh

    return read_mesh(DATA / "human" / f"adult_{letter}.obj").mesh


def two(*meshes: TriangleMesh) -> TriangleMesh:
    """Several meshes as one soup."""
    return joined(list(meshes))
