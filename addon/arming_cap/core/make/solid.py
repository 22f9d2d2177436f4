# SPDX-License-Identifier: GPL-3.0-or-later
"""The bridge to manifold3d: meshes to solids and back, dirty ones repaired on a copy, and said so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ..arrays import FloatArray, IntArray
from ..errors import InputError
from ..mesh import TriangleMesh
from ..progress import Progress, silent
from .mend import mended, open_edges


def solid_of(mesh: TriangleMesh) -> tuple[Any, list[str]]:
    """Return a mesh as a ``manifold3d.Manifold``, and what had to be repaired, in words.

    Raises
    ------
    InputError
        If it bounds no solid even after the repair; names a place.
    """
    welded = mesh.welded()
    solid, done = _resolved(_manifold(welded))
    if solid is not None:
        return solid, done
    repaired, done = mended(welded)
    solid, more = _resolved(_manifold(repaired))
    if solid is not None:
        return solid, done + more
    edges = open_edges(repaired)
    where = "" if len(repaired) else ": its faces lie back to back, a sheet without thickness"
    if len(edges):
        x, y, z = repaired.vertices[edges[0]].mean(axis=0)
        where = (
            f": a sheet without thickness, or torn; {len(edges)} open edges, the first at {x:.1f}, {y:.1f}, {z:.1f} mm"
        )
    raise InputError(f"is no solid{where}", source=mesh.name, remedy="close it, or give it a thickness")


def _resolved(solid: Any | None) -> tuple[Any | None, list[str]]:
    """Return a solid whose shells overlap nowhere, those that do united; None where there is no volume."""
    from manifold3d import Manifold, OpType

    if solid is None or solid.is_empty():
        return None, []
    shells = solid.decompose()
    if len(shells) == 1 and solid.volume() > 0:
        return solid, []
    bodies, flipped = bodies_of(shells)
    boxes = np.array([b.bounding_box() for b in bodies]).reshape(-1, 2, 3)
    apart = (boxes[:, None, 0] > boxes[None, :, 1]).any(axis=2)
    apart |= apart.T
    np.fill_diagonal(apart, True)
    done = [f"turned {flipped} shells right side out"] if flipped else []
    if not bodies:
        return None, []
    if apart.all() and not flipped:
        return solid, done
    united = Manifold.batch_boolean(bodies, OpType.Add)
    lost = sum(b.volume() for b in bodies) - united.volume()
    if lost > 1e-9 * united.volume():
        done.append(f"united {len(bodies)} shells that overlap by {lost:.0f} mm³")
    return united, done


def raw_mesh(solid: Any) -> tuple[FloatArray, IntArray]:
    """Return a manifold's vertices (n, 3) and triangles (m, 3) as they are."""
    mesh = solid.to_mesh64()
    return np.asarray(mesh.vert_properties, float)[:, :3], np.asarray(mesh.tri_verts, np.int64)


def bodies_of(shells: Sequence[Any]) -> tuple[list[Any], int]:
    """Return the bodies that closed shells bound, and how many had to be turned right side out.

    A shell of negative volume is a void of the smallest body around it; with none around it, it is a body inside out.
    """
    import igl
    from manifold3d import Manifold, Mesh64

    bodies = [(s, s.volume()) for s in shells if s.volume() > 0]
    inside_out = [s for s in shells if s.volume() < 0]
    held: list[list[Any]] = [[] for _ in bodies]
    turned = []
    for void in inside_out:
        vertices, triangles = raw_mesh(void)
        low, high = vertices.min(axis=0), vertices.max(axis=0)
        around = []
        for i, (body, volume) in enumerate(bodies):
            box = np.array(body.bounding_box()).reshape(2, 3)
            if (low >= box[0]).all() and (high <= box[1]).all():
                if abs(igl.fast_winding_number(*raw_mesh(body), vertices[:1])[0]) > 0.5:
                    around.append((volume, i))
        if around:
            held[min(around)[1]].append(void)
        else:
            turned.append(Manifold(Mesh64(vertices.copy(), triangles[:, ::-1].astype(np.uint64))))
    whole = [_together([body, *voids]) if voids else body for (body, _), voids in zip(bodies, held)]
    return whole + turned, len(turned)


def _together(solids: Sequence[Any]) -> Any:
    """Return solids as one manifold, shell beside shell, without a boolean: a body and its voids."""
    from manifold3d import Manifold, Mesh64

    meshes = [raw_mesh(s) for s in solids]
    starts = np.cumsum([0] + [len(v) for v, _ in meshes[:-1]])
    triangles = np.concatenate([t + start for (_, t), start in zip(meshes, starts)])
    return Manifold(Mesh64(np.concatenate([v for v, _ in meshes]), triangles.astype(np.uint64)))


def mesh_of(solid: Any, name: str = "") -> TriangleMesh:
    """Return a ``manifold3d.Manifold`` as a mesh."""
    out = solid.to_mesh64()
    vertices = np.asarray(out.vert_properties, float)[:, :3]
    return TriangleMesh(vertices, np.asarray(out.tri_verts, np.int64), name).welded()


def united(meshes: Sequence[TriangleMesh], progress: Progress = silent) -> tuple[Any, list[str]]:
    """Return the union of some meshes as one solid, and the repairs made, each with its mesh's name.

    Raises
    ------
    InputError
        If one of them bounds no solid.
    """
    from manifold3d import Manifold, OpType

    solids, remarks = [], []
    for i, mesh in enumerate(meshes):
        progress(i / len(meshes), f"uniting {mesh.name}")
        solid, done = solid_of(mesh)
        solids.append(solid)
        remarks += [f"{mesh.name}: {what}" if mesh.name else what for what in done]
    return Manifold.batch_boolean(solids, OpType.Add), remarks


def _manifold(mesh: TriangleMesh) -> Any | None:
    from manifold3d import Error, Manifold, Mesh64

    if not len(mesh):
        return None
    solid = Manifold(Mesh64(mesh.vertices.copy(), mesh.triangles.astype(np.uint64)))
    return solid if solid.status() == Error.NoError else None
