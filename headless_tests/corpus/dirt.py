# SPDX-License-Identifier: GPL-3.0-or-later
"""Dirty variants of clean meshes whose measures are known: what makers' files look like, made with a seed.

Every kind keeps the inside of a piece where it was, to within its tolerance; so every measure of the inside must come
out as on the clean mesh, or be withheld or told to be doubtful.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.pose import Pose


@dataclass(frozen=True)
class Kind:
    """One way to spoil a mesh: what it does, how far measures may move (mm), and what it may change on purpose."""

    make: Callable[[TriangleMesh, np.random.Generator], TriangleMesh]
    within_mm: float = 0.02
    changes: tuple[str, ...] = ()


def _with(mesh, triangles):
    return TriangleMesh(mesh.vertices, triangles, mesh.name)


def copies(share, turned):
    def make(mesh, rng):
        again = mesh.triangles[rng.random(len(mesh)) < share]
        return _with(mesh, np.concatenate([mesh.triangles, again[:, ::-1] if turned else again]))

    return make


def flipped(share):
    def make(mesh, rng):
        turn = rng.random(len(mesh)) < share
        return _with(mesh, np.where(turn[:, None], mesh.triangles[:, ::-1], mesh.triangles))

    return make


def unwelded(mesh, rng):
    order = rng.permutation(len(mesh))
    return TriangleMesh(mesh.corners[order].reshape(-1, 3), np.arange(3 * len(mesh)).reshape(-1, 3), mesh.name)


def patch(mesh, start, count):
    """The triangles nearest to one, by steps from neighbour to neighbour."""
    chosen, front = {int(start)}, mesh.triangles[start]
    while len(chosen) < count:
        ring = np.flatnonzero(np.isin(mesh.triangles, front).any(axis=1))
        new = [int(t) for t in ring if int(t) not in chosen][: count - len(chosen)]
        if not new:
            break
        chosen.update(new)
        front = np.unique(mesh.triangles[new])
    return np.array(sorted(chosen))


def holes(count, size):
    def make(mesh, rng):
        gone = np.zeros(len(mesh), bool)
        for start in rng.integers(0, len(mesh), count):
            gone[patch(mesh, start, size)] = True
        return _with(mesh, mesh.triangles[~gone])

    return make


def slivers(mesh, rng):
    """A new corner a thousandth of a millimetre from an edge, in every twentieth triangle."""
    rows = np.flatnonzero(rng.random(len(mesh)) < 0.05)
    a, b, c = (mesh.triangles[rows, i] for i in range(3))
    va, vb, vc = (mesh.vertices[i] for i in (a, b, c))
    middle = 0.5 * (va + vb)
    inward = vc - middle
    new = middle + 1e-3 * inward / np.linalg.norm(inward, axis=1)[:, None]
    n = len(mesh.vertices) + np.arange(len(rows))
    kept = np.delete(mesh.triangles, rows, axis=0)
    parts = [kept, np.column_stack([a, b, n]), np.column_stack([b, c, n]), np.column_stack([c, a, n])]
    return TriangleMesh(np.concatenate([mesh.vertices, new]), np.concatenate(parts), mesh.name)


def outer_places(mesh, rng, count):
    """Places (n, 3) on the outside behind the middle, and the directions (n, 3) away from it there."""
    middle = mesh.bounds.mean(axis=0)
    centre = mesh.corners.mean(axis=1)
    normal = mesh.area_vectors / np.maximum(mesh.areas, 1e-12)[:, None]
    away = (centre - middle) * (1, 1, 0)
    away /= np.maximum(np.linalg.norm(away, axis=1), 1e-9)[:, None]
    behind = centre[:, 1] > middle[1] + 0.1 * np.ptp(mesh.bounds[:, 1])
    rows = np.flatnonzero(((normal * away).sum(axis=1) > 0.9) & behind & (mesh.areas > 0.05))
    rows = rng.choice(rows, min(count, len(rows)), replace=False)
    return centre[rows], normal[rows], rows


def fins(mesh, rng):
    """Triangles without thickness that stand on the outside."""
    at, out, _ = outer_places(mesh, rng, 30)
    side = np.cross(out, (0.0, 0.0, 1.0))
    corners = np.stack([at - 3 * side, at + 3 * side, at + 8 * out], axis=1)
    return joined([mesh, TriangleMesh(corners.reshape(-1, 3), np.arange(3 * len(at)).reshape(-1, 3))], mesh.name)


def box_at(at, out, size, sunk):
    """A closed cube with one face sunk so deep below a place."""
    corners = np.array([[x, y, z] for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.5, 0.5)]) * size
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])
    side = np.cross(out, (0.0, 0.0, 1.0))
    side /= np.linalg.norm(side)
    frame = np.stack([out, side, np.cross(out, side)])
    return TriangleMesh(corners @ frame + at + out * (0.5 * size - sunk), triangles)


def decoration(mesh, rng):
    at, out, _ = outer_places(mesh, rng, 25)
    return joined([mesh, *(box_at(p, n, 9.0, 0.4) for p, n in zip(at, out))], mesh.name)


def floating(mesh, rng):
    """Closed shells of half a millimetre inside the wall."""
    at, out, _ = outer_places(mesh, rng, 25)
    return joined([mesh, *(box_at(p, n, 0.4, 1.0) for p, n in zip(at, out))], mesh.name)


def t_junctions(mesh, rng):
    """Triangles halved at the middle of an edge that their neighbours run past."""
    rows = np.flatnonzero(rng.random(len(mesh)) < 0.05)
    a, b, c = (mesh.triangles[rows, i] for i in range(3))
    new = 0.5 * (mesh.vertices[a] + mesh.vertices[b])
    n = len(mesh.vertices) + np.arange(len(rows))
    kept = np.delete(mesh.triangles, rows, axis=0)
    halves = [kept, np.column_stack([a, n, c]), np.column_stack([n, b, c])]
    return TriangleMesh(np.concatenate([mesh.vertices, new]), np.concatenate(halves), mesh.name)


def forked(mesh, rng):
    """A third triangle on an edge of the outside: non-manifold edges."""
    at, out, rows = outer_places(mesh, rng, 30)
    tips = at + 6 * out
    n = len(mesh.vertices) + np.arange(len(rows))
    extra = np.column_stack([mesh.triangles[rows, :2], n])
    return TriangleMesh(np.concatenate([mesh.vertices, tips]), np.concatenate([mesh.triangles, extra]), mesh.name)


def coincident(mesh, rng):
    return joined([mesh, _with(mesh, mesh.triangles[:, [1, 2, 0]])], mesh.name)


def mirrored(mesh, rng):
    """Through a mirroring transform there and back that left the winding as it was: inside out."""
    return _with(mesh, mesh.triangles[:, ::-1])


def noise(spread):
    def make(mesh, rng):
        return TriangleMesh(mesh.vertices + rng.normal(0, spread, mesh.vertices.shape), mesh.triangles, mesh.name)

    return make


def loose_noise(mesh, rng):
    loose = unwelded(mesh, rng)
    return TriangleMesh(loose.vertices + rng.uniform(-1e-3, 1e-3, loose.vertices.shape), loose.triangles, mesh.name)


def decimated(mesh, rng):
    import igl

    vertices, triangles = igl.qslim(mesh.vertices, mesh.triangles, len(mesh) // 4, False)[:2]
    return TriangleMesh(vertices, triangles, mesh.name)


def subdivided(mesh, rng):
    import igl

    return TriangleMesh(*igl.upsample(mesh.vertices, mesh.triangles, 2), mesh.name)


def inches(mesh, rng):
    """Kept in inches in single precision, as an STL of another unit comes home."""
    return TriangleMesh((mesh.vertices / 25.4).astype(np.float32).astype(float) * 25.4, mesh.triangles, mesh.name)


def soup(mesh, rng):
    return unwelded(flipped(0.3)(holes(12, 2)(copies(0.05, True)(mesh, rng), rng), rng), rng)


def crumbs(mesh, rng):
    """Loose triangles of no use on the outside, and corners that nothing uses."""
    some = fins(mesh, rng)
    return TriangleMesh(np.concatenate([some.vertices, rng.normal(0, 500, (9, 3))]), some.triangles, mesh.name)


KINDS = {
    "copies": Kind(copies(0.1, False)),
    "copies turned": Kind(copies(0.1, True)),
    "flipped 1 in 100": Kind(flipped(0.01)),
    "flipped 1 in 3": Kind(flipped(0.33)),
    "unwelded": Kind(unwelded),
    "hole of 1": Kind(holes(1, 1)),
    "12 holes of 1": Kind(holes(12, 1)),
    "hole of 20": Kind(holes(1, 20)),
    "hole of 200": Kind(holes(1, 200)),
    "4 holes of 60": Kind(holes(4, 60)),
    "slivers": Kind(slivers),
    "fins": Kind(fins, changes=("split",)),
    "decoration": Kind(decoration, changes=("split", "walls")),
    "floating shells": Kind(floating, changes=("split", "walls")),
    "T-junctions": Kind(t_junctions),
    "forked edges": Kind(forked, changes=("split",)),
    "coincident": Kind(coincident),
    "mirrored": Kind(mirrored),
    "noise 0.01 mm": Kind(noise(0.01), 0.2),
    "noise, unwelded": Kind(loose_noise, 0.05),
    "decimated": Kind(decimated, 0.02, ("walls", "sight")),
    "subdivided": Kind(subdivided),
    "inches": Kind(inches),
    "soup": Kind(soup),
    "crumbs": Kind(crumbs, changes=("split",)),
    "far away": Kind(lambda mesh, rng: mesh.moved(Pose.of((1e5, -1e5, 1e5)))),
}
