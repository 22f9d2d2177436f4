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


def wearers() -> dict[str, m3.Manifold]:
    """Every scan by file name without its ending."""
    return {
        "tovi_head": bust("a"),
        "ilse_head": bust("b"),
        "oren_head": bust("c"),
        "oren_forearm": forearm(),
    }
