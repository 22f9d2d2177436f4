# SPDX-License-Identifier: GPL-3.0-or-later
"""The bridge to manifold3d: meshes to solids and back, dirty ones repaired on a copy, and said so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ...arrays import FloatArray, IntArray
from ...errors import InputError
from ...mesh import TriangleMesh, joined
from ...progress import Progress, part_of, silent
from .crossings import crossings, uncrossed
from .mend import SMALL_HOLE_MM, mended, open_edges, rim_lengths, wedges_apart

# A repair may move the surface by so much and no more.
MOVED_MM = 0.1

# A longer rim is no hole but what a head gets in by: its girth is that much. Ours to choose, no source.
MOUTH_MM = 550.0


def solid_of(mesh: TriangleMesh, close_mm: float | None = None, progress: Progress = silent) -> tuple[Any, list[str]]:
    """Return a mesh as a ``manifold3d.Manifold``, and what had to be repaired, in words.

    Parameters
    ----------
    close_mm
        Holes with a rim up to this long are closed; None closes small ones only.

    Raises
    ------
    InputError
        If it bounds no solid even after the repair; names a place.
    """
    progress(0.0, f"uniting {mesh.name}")
    welded = mesh.welded()
    progress(0.2, f"uniting {mesh.name}: its shells")
    solid, done = _resolved(_manifold(welded), mesh.name)
    if solid is not None:
        return solid, [*done, _how_near(solid, welded, [])] if done else done
    progress(0.5, f"mending {mesh.name}")
    fans: list[TriangleMesh] = []
    repaired, done = mended(welded, SMALL_HOLE_MM if close_mm is None else close_mm, fans)
    progress(0.8, f"uniting {mesh.name}: its shells, mended")
    solid, more = _resolved(_manifold(repaired), mesh.name)
    if solid is not None:
        return solid, [*done, *more, _how_near(solid, welded, fans)] if done or more else []
    edges = open_edges(repaired)
    rims = rim_lengths(repaired)
    where, remedy, at = "", "close it, or give it a thickness", None
    if not len(repaired):
        where = ": its faces enclose nothing, a sheet without thickness"
    elif len(edges):
        x, y, z = (float(v) for v in repaired.vertices[edges[0]].mean(axis=0))
        at = (x, y, z)
        where = (
            f": a sheet without thickness, or torn; {len(edges)} open edges, the first at {x:.1f}, {y:.1f}, {z:.1f} mm"
        )
        if rims:
            where += f", in {len(rims)} rims, the longest of" if len(rims) > 1 else ", in 1 rim of"
            where += f" {max(rims):.0f} mm"
            if close_mm is not None and close_mm < max(rims) <= MOUTH_MM:
                remedy += f", or have what lies open closed: --close {np.ceil(max(rims)):.0f}"
    raise InputError(f"is no solid{where}", source=mesh.name, remedy=remedy, at=at)


def _how_near(solid: Any, mesh: TriangleMesh, fans: Sequence[TriangleMesh]) -> str:
    """Return in words how far a repaired solid's surface lies from the mesh as it came, what closes holes left out.

    Raises
    ------
    InputError
        If that is more than `MOVED_MM`.
    """
    import igl

    vertices, triangles = raw_mesh(solid)
    points = np.concatenate([vertices, vertices[triangles].mean(axis=1)])
    points = points[:: max(1, len(points) // 100_000)]
    known = joined([mesh, *fans])
    squared = igl.point_mesh_squared_distance(points, np.array(known.vertices), np.array(known.triangles))[0]
    far = float(np.sqrt(squared.max()))
    if far > MOVED_MM:
        x, y, z = points[int(np.argmax(squared))]
        raise InputError(
            f"cannot be mended without moving its surface by {far:.2f} mm, at {x:.1f}, {y:.1f}, {z:.1f} mm",
            source=mesh.name,
            remedy="repair it there",
        )
    return f"mended, its surface lies within {far:.3f} mm of where it lay" + (", but for the holes" if fans else "")


def _resolved(solid: Any | None, name: str) -> tuple[Any | None, list[str]]:
    """Return a solid whose shells overlap nowhere, those that do united; None where there is no volume.

    Raises
    ------
    InputError
        If a shell runs through itself inside out.
    """
    from manifold3d import Manifold, OpType

    if solid is None or solid.is_empty():
        return None, []
    shells = solid.decompose()
    if len(shells) == 1 and solid.volume() > 0:
        bodies, flipped = [solid], 0
    else:
        bodies, flipped = bodies_of(shells)
    if not bodies:
        return None, []
    done = [f"turned {flipped} shells right side out"] if flipped else []
    crossed = 0
    for i, body in enumerate(bodies):
        bodies[i], words = _uncrossed(body, name)
        done += words
        crossed += len(words)
    boxes = np.array([b.bounding_box() for b in bodies]).reshape(-1, 2, 3)
    apart = (boxes[:, None, 0] > boxes[None, :, 1]).any(axis=2)
    apart |= apart.T
    np.fill_diagonal(apart, True)
    if apart.all() and not flipped and not crossed:
        return solid, done
    united = Manifold.batch_boolean(bodies, OpType.Add)
    lost = sum(b.volume() for b in bodies) - united.volume()
    if lost > 1e-9 * united.volume():
        done.append(f"united {len(bodies)} shells that overlap by {lost:.0f} mm³")
    return united, done


def _uncrossed(body: Any, name: str) -> tuple[Any, list[str]]:
    """Return a body that runs through itself nowhere, and what was done for it."""
    mesh = TriangleMesh(*raw_mesh(body), name)
    places, negative = crossings(mesh)
    if not len(places):
        return body, []
    clean, words = uncrossed(mesh, places, negative)
    solid = _manifold(clean)
    if solid is None:
        solid = _manifold(wedges_apart(clean))
    if solid is None or solid.is_empty():
        x, y, z = places[0]
        raise InputError(
            f"its surface runs through itself, as at {x:.1f}, {y:.1f}, {z:.1f} mm, and cannot be untangled",
            source=name,
            remedy="repair it there",
        )
    return solid, [words]


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


def solid_below(value: FloatArray, nodes: FloatArray, shape: IntArray, outside: float) -> Any:
    """Return where a grid's values lie below 0, as a solid (marching cubes, Lorensen and Cline 1987), or None.

    Parameters
    ----------
    value, nodes
        (N,) of each node, changed in place, and the nodes' places (N, 3) mm, x running fastest.
    shape
        (3,) nodes along x, y and z.
    outside
        Above 0: what the nodes at the border get, so that the surface closes there.
    """
    import igl
    from manifold3d import Manifold, Mesh64

    block = value.reshape(shape[::-1])
    for axis in range(3):
        border = np.moveaxis(block, axis, 0)
        border[0] = border[-1] = outside
    if not (value < 0).any():
        return None
    value[value == 0] = 1e-9  # a node on the surface would give triangles without area
    points, faces, _ = igl.marching_cubes(value, nodes, *(int(n) for n in shape), 0.0)
    solid = Manifold(Mesh64(np.round(points, 6), faces[:, ::-1].astype(np.uint64)))
    if solid.volume() < 0:
        solid = Manifold(Mesh64(np.round(points, 6), faces.astype(np.uint64)))
    return solid


def mesh_of(solid: Any, name: str = "") -> TriangleMesh:
    """Return a ``manifold3d.Manifold`` as a mesh."""
    out = solid.to_mesh64()
    vertices = np.asarray(out.vert_properties, float)[:, :3]
    return TriangleMesh(vertices, np.asarray(out.tri_verts, np.int64), name).welded()


def united(
    meshes: Sequence[TriangleMesh], progress: Progress = silent, close_mm: float | None = None
) -> tuple[Any, list[str]]:
    """Return the union of some meshes as one solid, and the repairs made, each with its mesh's name.

    Parameters
    ----------
    close_mm
        Holes with a rim up to this long are closed; None closes small ones only.

    Raises
    ------
    InputError
        If one of them bounds no solid.
    """
    from manifold3d import Manifold, OpType

    solids, remarks = [], []
    for i, mesh in enumerate(meshes):
        solid, done = solid_of(mesh, close_mm, part_of(progress, i / len(meshes), (i + 1) / len(meshes)))
        solids.append(solid)
        remarks += [f"{mesh.name}: {what}" if mesh.name else what for what in done]
    return Manifold.batch_boolean(solids, OpType.Add), remarks


def _manifold(mesh: TriangleMesh) -> Any | None:
    from manifold3d import Error, Manifold, Mesh64

    if not len(mesh):
        return None
    solid = Manifold(Mesh64(mesh.vertices.copy(), mesh.triangles.astype(np.uint64)))
    return solid if solid.status() == Error.NoError else None
