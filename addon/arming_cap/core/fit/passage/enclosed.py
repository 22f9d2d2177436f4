# SPDX-License-Identifier: GPL-3.0-or-later
"""A proof that needs no search: a closed surface about a point of the body has no way off."""

from __future__ import annotations

import numpy as np

from ...mesh import TriangleMesh
from .lift import Scene

DEEPEST = 200  # points of the body that are asked


def enclosed_depth(scene: Scene) -> float | None:
    """Return how deep in the form a point lies that the piece encloses, mm; None where no such point is found.

    A surface without an edge that winds round a point of the body has to sweep over it on any way off, in whatever
    freedoms, and lies as deep in the body then as that point does.
    """
    import igl

    mesh = scene.piece.mesh.welded()
    low, high = mesh.bounds
    form = scene.form.mesh
    step = max(float(np.ptp(mesh.bounds, axis=0).max()) / 24, 2.0)
    axes = [np.arange(low[k] + step / 2, high[k], step) for k in range(3)]
    nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = np.argsort(scene.field.standoff(nodes), kind="stable")[:DEEPEST]
    distance, _, _ = scene.field.exact(nodes[inside])
    points, depth = nodes[inside][distance < 0], -distance[distance < 0]
    if not len(points) or not len(form):
        return None
    found = 0.0
    _, component = igl.facet_components(np.array(mesh.triangles, np.int64))
    for number in range(int(component.max()) + 1):
        part = mesh.submesh(component == number)
        if not _is_closed(part) or (np.ptp(part.bounds, axis=0) < 2 * step).any():
            continue
        wound = igl.fast_winding_number(np.array(part.vertices), np.array(part.triangles, np.int64), points)
        if (odd := np.rint(wound).astype(int) % 2 == 1).any():
            found = max(found, float(depth[odd].max()))
    return found or None


def _is_closed(mesh: TriangleMesh) -> bool:
    """Return whether every edge bounds an even number of triangles: such a surface parts inside from outside."""
    sides = np.sort(np.concatenate([mesh.triangles[:, [0, 1]], mesh.triangles[:, [1, 2]], mesh.triangles[:, [2, 0]]]))
    count = np.unique(sides[:, 0] * (len(mesh.vertices) + 1) + sides[:, 1], return_counts=True)[1]
    return bool((count % 2 == 0).all())
