# SPDX-License-Identifier: GPL-3.0-or-later
"""The bridge to manifold3d: meshes to solids and back, dirty ones repaired on a copy, and said so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ..arrays import FloatArray, IntArray
from ..errors import InputError
from ..mesh import TriangleMesh, shell_labels
from ..progress import Progress, silent

# A hole with a rim up to this long is closed with a fan; a larger one is an opening and not ours to close.
SMALL_HOLE_MM = 60.0


def solid_of(mesh: TriangleMesh) -> tuple[Any, list[str]]:
    """Return a mesh as a ``manifold3d.Manifold``, and what had to be repaired, in words.

    Raises
    ------
    InputError
        If it bounds no solid even after the repair; names a place.
    """
    welded = mesh.welded()
    solid = _manifold(welded)
    if solid is not None and solid.volume() > 0:
        return _resolved(solid)
    repaired, done = repair(welded)
    solid = _manifold(repaired)
    if solid is not None and not solid.is_empty():
        solid, more = _resolved(solid)
        return solid, done + more
    if solid is None or solid.is_empty():
        edges = _open_edges(repaired)
        where = ""
        if len(edges):
            x, y, z = repaired.vertices[edges[0]].mean(axis=0)
            where = f"; {len(edges)} open edges, the first at {x:.1f}, {y:.1f}, {z:.1f} mm"
        raise InputError(f"is no solid{where}", source=mesh.name, remedy="close it, or give it a thickness")
    return solid, done


def _resolved(solid: Any) -> tuple[Any, list[str]]:
    """Return a solid whose shells overlap nowhere: those that do are united."""
    from manifold3d import Manifold, OpType

    shells = solid.decompose()
    if len(shells) == 1:
        return solid, []
    bodies, flipped = bodies_of(shells)
    boxes = np.array([b.bounding_box() for b in bodies]).reshape(-1, 2, 3)
    apart = (boxes[:, None, 0] > boxes[None, :, 1]).any(axis=2)
    apart |= apart.T
    np.fill_diagonal(apart, True)
    done = [f"turned {flipped} shells right side out"] if flipped else []
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


def repair(mesh: TriangleMesh) -> tuple[TriangleMesh, list[str]]:
    """Return a repaired copy and what was done: weld, drop degenerate and repeated faces, wind alike, close holes."""
    import igl

    done: list[str] = []
    mesh = mesh.welded()
    tri = mesh.triangles
    distinct = (tri[:, 0] != tri[:, 1]) & (tri[:, 1] != tri[:, 2]) & (tri[:, 2] != tri[:, 0])
    if dropped := int((~distinct).sum()):
        done.append(f"dropped {dropped} triangles without extent")
    tri = tri[distinct]
    _, first = np.unique(np.sort(tri, axis=1), axis=0, return_index=True)
    if dropped := len(tri) - len(first):
        done.append(f"dropped {dropped} repeated triangles")
    tri = tri[np.sort(first)]

    oriented, patch = (np.asarray(a, np.int64) for a in igl.bfs_orient(tri)[:2])
    turned = (np.roll(oriented, 0, axis=1) != tri).any(axis=1) & ~_same_winding(oriented, tri)
    # Within a patch the majority keeps its side.
    count = np.bincount(patch, minlength=1)
    against = np.bincount(patch, weights=turned, minlength=1) > 0.5 * count
    oriented[against[patch]] = oriented[against[patch]][:, ::-1]
    if turns := int((turned != against[patch]).sum()):
        done.append(f"turned {turns} flipped triangles")
    fixed = TriangleMesh(mesh.vertices, oriented, mesh.name)

    fixed, closed = _small_holes_closed(fixed)
    if closed:
        done.append(f"closed {closed} small holes")
    if not len(_open_edges(fixed)):
        labels = shell_labels(fixed)
        if fixed.volume_mm3 < 0:
            fixed = TriangleMesh(fixed.vertices, fixed.triangles[:, ::-1], mesh.name)
            done.append(f"turned {int(labels.max()) + 1} shells right side out")
    return fixed, done


def _same_winding(a: IntArray, b: IntArray) -> Any:
    """Return for each pair of triangles on the same corners whether they run the same way round."""
    return np.logical_or.reduce([(np.roll(a, k, axis=1) == b).all(axis=1) for k in range(3)])


def _open_edges(mesh: TriangleMesh) -> IntArray:
    """Return the directed edges (e, 2) that no triangle runs through the other way."""
    edges = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    n = len(mesh.vertices)
    return edges[~np.isin(edges[:, 0] * n + edges[:, 1], edges[:, 1] * n + edges[:, 0])]


def _small_holes_closed(mesh: TriangleMesh) -> tuple[TriangleMesh, int]:
    """Fill each hole whose rim is short with a fan about its centre."""
    edges = _open_edges(mesh)
    onward = {int(b): int(a) for a, b in edges}  # the fan runs against the rim's triangles
    vertices: list[FloatArray] = [mesh.vertices]
    triangles: list[IntArray] = [mesh.triangles]
    count = 0
    while onward:
        start, at = onward.popitem()
        rim = [start]
        while at != start and at in onward:
            rim.append(at)
            at = onward.pop(at)
        if at != start or len(rim) < 3:
            continue
        corners = mesh.vertices[rim]
        if np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).sum() > SMALL_HOLE_MM:
            continue
        loop = np.array(rim)
        if len(rim) == 3:
            triangles.append(loop[None])
        else:
            centre = len(mesh.vertices) + len(vertices) - 1
            vertices.append(corners.mean(axis=0)[None])
            triangles.append(np.stack([loop, np.roll(loop, -1), np.full(len(loop), centre)], axis=1))
        count += 1
    return TriangleMesh(np.concatenate(vertices), np.concatenate(triangles), mesh.name), count
