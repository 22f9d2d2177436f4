# SPDX-License-Identifier: GPL-3.0-or-later
"""The performers' scans: parts of the three CC0 bodies, cut flat and closed, each about an origin of its own.

A head scan's origin lies between the temples at eye height and a forearm's in the middle of the forearm, so that a
piece scaled about its file's origin stays where it is worn.
"""

from __future__ import annotations

from pathlib import Path

import manifold3d as m3
import numpy as np

from .shell import Array, snapped

BODIES = Path(__file__).resolve().parents[2] / "headless_tests" / "data" / "human"

# Half-way between the foremost and rearmost point of the skull, at the height of the eyes, in the body's file (mm).
HEAD_ORIGIN = {"a": (0.0, -50.0, 1622.1), "b": (0.0, -45.6, 1486.2), "c": (0.0, -44.0, 1591.6)}
ELBOW, WRIST = np.array([330.0, -28.0, 1199.0]), np.array([418.0, -105.0, 1113.0])  # of adult_c's left arm, mm


def body(letter: str) -> m3.Manifold:
    """One body as a solid, in its file's coordinates."""
    lines = (BODIES / f"adult_{letter}.obj").read_text(encoding="utf-8").splitlines()
    points = np.array([line.split()[1:4] for line in lines if line.startswith("v ")], float)
    rows = [[int(c.split("/")[0]) for c in line.split()[1:]] for line in lines if line.startswith("f ")]
    faces = np.array([(row[0], row[k], row[k + 1]) for row in rows for k in range(1, len(row) - 1)])
    solid = m3.Manifold(m3.Mesh(snapped(points).astype(np.float32), (faces - 1).astype(np.uint32)))
    if solid.status() != m3.Error.NoError:
        raise ValueError(f"adult_{letter} is not a solid: {solid.status()}")
    return solid


def bust(letter: str) -> m3.Manifold:
    """Head and shoulders down to 220 mm below the eyes, about `HEAD_ORIGIN`."""
    placed = body(letter).translate(tuple(-v for v in HEAD_ORIGIN[letter]))
    return placed.trim_by_plane((0, 0, 1), -220.0)


def forearm_frame() -> tuple[Array, Array]:
    """Middle (3,) of adult_c's left forearm and the unit vector from elbow to wrist (3,)."""
    along = WRIST - ELBOW
    return (ELBOW + WRIST) / 2, along / np.linalg.norm(along)


def forearm() -> m3.Manifold:
    """adult_c's left arm from above the elbow to the finger tips, about the middle of the forearm."""
    middle, along = forearm_frame()
    arm = body("c").trim_by_plane(tuple(along), float(along @ middle) - 150.0)
    pieces = [p for p in arm.decompose() if p.bounding_box()[0] > 150.0]
    return max(pieces, key=lambda p: p.volume()).translate(tuple(-middle))


def phone_scan() -> tuple[Array, Array]:
    """A fourth performer as a phone leaves them: vertices (n, 3) in metres and triangles (m, 3).

    adult_a made a little narrower, longer and lower, so that it is nobody else's head; with 0.8 mm of noise, holes at
    the crown and under the chin, cut at the chest, a scrap of wall afloat beside it, and lying on its side.
    """
    rng = np.random.default_rng(20)
    mesh = body("a").to_mesh()
    points, faces = np.array(mesh.vert_properties[:, :3], float), np.array(mesh.tri_verts, int)
    points = (points - HEAD_ORIGIN["a"]) * (0.97, 1.03, 0.98)
    middle = points[faces].mean(axis=1)
    crown = np.linalg.norm(middle - (20.0, 10.0, 105.0), axis=1) < 32.0
    chin = np.linalg.norm(middle - (0.0, -62.0, -112.0), axis=1) < 26.0
    faces = faces[(points[faces][:, :, 2] > -330.0).all(axis=1) & ~crown & ~chin]
    used, corners = np.unique(faces, return_inverse=True)
    faces, points = corners.reshape(-1, 3), points[used]
    points, faces = _halved(points, faces)
    scrap = np.array([[0, 0, 0], [60, 0, 5], [60, 8, 70], [0, 5, 66]], float) + (260.0, 120.0, -40.0)
    faces = np.concatenate([faces, np.array([[0, 1, 2], [0, 2, 3]]) + len(points)])
    points = np.concatenate([points, scrap]) + rng.normal(size=(len(points) + 4, 3)) * 0.8
    angle = np.radians(100.0)
    about_x = np.array([[1, 0, 0], [0, np.cos(angle), -np.sin(angle)], [0, np.sin(angle), np.cos(angle)]])
    about_z = np.array([[0.8, -0.6, 0], [0.6, 0.8, 0], [0, 0, 1]])
    return (points @ (about_x @ about_z).T + (140.0, -60.0, 900.0)) / 1000.0, faces


def _halved(points: Array, faces: Array) -> tuple[Array, Array]:
    """Split every edge in two and every triangle in four."""
    pairs = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    edges, of_side = np.unique(pairs, axis=0, return_inverse=True)
    a, b, c = faces.T
    ab, bc, ca = (of_side.ravel().reshape(-1, 3) + len(points)).T
    small = [np.stack(corner, axis=1) for corner in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    return np.concatenate([points, points[edges].mean(axis=1)]), np.concatenate(small)


def wearers() -> dict[str, m3.Manifold]:
    """Every scan by file name without its ending."""
    return {
        "tovi_head": bust("a"),
        "ilse_head": bust("b"),
        "oren_head": bust("c"),
        "oren_forearm": forearm(),
    }
