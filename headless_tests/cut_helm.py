# SPDX-License-Identifier: GPL-3.0-or-later
"""An egg-shaped helm, whole and cut by planes."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part


def half(solid, normal, offset):
    return solid.trim_by_plane(normal, offset)


def meshed(solid: Manifold, name: str) -> TriangleMesh:
    made = solid.to_mesh64()
    return TriangleMesh(np.asarray(made.vert_properties, float)[:, :3], np.asarray(made.tri_verts, np.int64), name)


def helm() -> Manifold:
    """An egg-shaped shell, open below: alike left and right, not before and behind."""
    outer, inner = (Manifold.sphere(1.0, 64).scale((a, b, c)) for a, b, c in ((94, 114, 104), (90, 110, 100)))
    egg = (outer - inner).warp_batch(lambda p: p * np.column_stack([1 + p[:, 1] / 900, np.ones((len(p), 2))]))
    return egg.trim_by_plane((0, 0, 1), -70.0).trim_by_plane((0, 0.3, 1), -66.0)


def cut_in_four() -> list[Part]:
    """The helm cut across, the part below cut in left and right, and its back cut off."""
    whole = helm()
    top, below = half(whole, (0, 0, 1), 21.0), half(whole, (0, 0, -1), -21.0)
    back, front = half(below, (0, 1, 0), 12.0), half(below, (0, -1, 0), -12.0)
    named = {"top": top, "back": back, "left": half(front, (1, 0, 0), 0.0), "right": half(front, (-1, 0, 0), 0.0)}
    return [Part(name, meshed(solid, name)) for name, solid in named.items()]


def cut_in_two() -> list[Part]:
    """The helm cut across, the larger part first."""
    halves = [Part(n, meshed(half(helm(), (0, 0, s), s * 21.0), n)) for n, s in (("top", 1), ("below", -1))]
    return sorted(halves, key=lambda part: -float(part.mesh.areas.sum()))
