# SPDX-License-Identifier: GPL-3.0-or-later
"""Downloaded meshes made into solids, on a copy, corner by corner: nothing is moved, and what is done is said.

Repeated faces fall out, faces are wound alike, small holes are closed. Where that is not enough triangles are cut along
the lines in which they cross, and the generalized winding number (Jacobson, Kavan and Sorkine-Hornung, ACM TOG 32(4),
2013) tells for each patch of surface whether material lies behind it, in front of it, on both sides or on neither:
walls inside a solid and fins without thickness fall out, patches inside out are turned. Where surfaces touch along an
edge each wedge of material gets an edge of its own. A surface so mended lies exactly where it lay, but for the holes
closed.
"""

from __future__ import annotations

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray
from ...mesh import TriangleMesh, shell_labels
from .crossings import cut_where_crossing

# A hole with a rim up to this long is closed with a fan; a larger one is an opening and not ours to close, unless it is
# just one missing triangle, or the open end of something that is stuck into a solid, where nobody sees it.
SMALL_HOLE_MM = 60.0
# Inside a solid the winding number is 1; beside an open sheet, however wide, it stays below a half.
INSIDE = 0.7
LOOK_MM = 0.01  # how far off a face the winding number is asked
LOOKS = 9  # faces asked for each patch, largest first


def mended(
    mesh: TriangleMesh, close_mm: float = SMALL_HOLE_MM, closed: list[TriangleMesh] | None = None
) -> tuple[TriangleMesh, list[str]]:
    """Return a repaired copy of any soup and what was done, in words.

    The copy may hold several vertices in one place, where surfaces touch: do not weld it.

    Parameters
    ----------
    close_mm
        Holes with a rim up to this long are closed.
    closed
        Is given what holes were closed with.
    """
    done: list[str] = []
    fans: list[TriangleMesh] = [] if closed is None else closed
    mesh = without_repeats(mesh.welded(), done)
    if not len(mesh):
        return mesh, done
    if _torn_winding(mesh):
        mesh = _wound_alike(mesh, done)
    mesh = _small_holes_closed(mesh, done, close_mm, fans)
    if len(open_edges(mesh)) or _crowded(mesh).any():
        soup = mesh
        mesh, crossed = cut_where_crossing(mesh)
        if crossed:
            done.append("cut surfaces where they run through each other")
            mesh = without_repeats(mesh, [])  # where flat faces lay on each other
        else:
            mesh = _without_partitions(mesh, done)
            soup = mesh
        mesh = _sorted_by_winding(mesh, soup, done)
        if not len(mesh):  # sheets that enclose nothing
            return mesh, done
        mesh = _small_holes_closed(mesh, done, close_mm, fans)
        mesh = wedges_apart(mesh)
    return mesh, done


def open_edges(mesh: TriangleMesh) -> IntArray:
    """Return the directed edges (e, 2) that no triangle runs through the other way."""
    edges = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    n = len(mesh.vertices)
    return edges[~np.isin(edges[:, 0] * n + edges[:, 1], edges[:, 1] * n + edges[:, 0])]


def _edge_keys(mesh: TriangleMesh) -> tuple[IntArray, BoolArray]:
    """Return a number for the undirected edge of every half-edge (3 m,), and whether it runs from low to high."""
    edges = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    low, high = edges.min(axis=1), edges.max(axis=1)
    return low * len(mesh.vertices) + high, edges[:, 0] == low


def _crowded(mesh: TriangleMesh) -> BoolArray:
    """Return for every half-edge (3 m,) whether more than two triangles share its edge."""
    keys, _ = _edge_keys(mesh)
    _, inverse, uses = np.unique(keys, return_inverse=True, return_counts=True)
    found: BoolArray = uses[inverse.ravel()] > 2
    return found


def _torn_winding(mesh: TriangleMesh) -> bool:
    """Return whether two triangles, alone on their edge, run through it the same way."""
    keys, forward = _edge_keys(mesh)
    _, inverse, uses = np.unique(keys, return_inverse=True, return_counts=True)
    runs_forward = np.bincount(inverse.ravel(), weights=forward)
    return bool(((uses == 2) & (runs_forward != 1)).any())


def without_repeats(mesh: TriangleMesh, done: list[str]) -> TriangleMesh:
    """Drop triangles without extent, repeated ones, and pairs that lie back to back: between them is nothing."""
    tri = mesh.triangles
    distinct = (tri[:, 0] != tri[:, 1]) & (tri[:, 1] != tri[:, 2]) & (tri[:, 2] != tri[:, 0])
    if dropped := int((~distinct).sum()):
        done.append(f"dropped {dropped} triangles without extent")
    tri = tri[distinct]
    if not len(tri):
        return TriangleMesh(mesh.vertices, tri, mesh.name)
    order = np.argsort(tri, axis=1)
    even = np.isin(order @ [9, 3, 1], [5, 15, 19])  # 012, 120 and 201: an even turn of three
    _, first, inverse = np.unique(np.sort(tri, axis=1), axis=0, return_index=True, return_inverse=True)
    balance = np.bincount(inverse.ravel(), weights=np.where(even, 1, -1))
    times = np.bincount(inverse.ravel())
    back_to_back = (balance == 0) & (times > 1)
    keep = np.zeros(len(tri), bool)
    keep[first[~back_to_back]] = True
    if dropped := int((times[~back_to_back] - 1).sum()):
        done.append(f"dropped {dropped} repeated triangles")
    if dropped := int(times[back_to_back].sum()):
        done.append(f"dropped {dropped} triangles back to back")
    return TriangleMesh(mesh.vertices, tri[keep], mesh.name)


def _wound_alike(mesh: TriangleMesh, done: list[str]) -> TriangleMesh:
    """Turn triangles so that neighbours run alike; within a patch the majority keeps its side."""
    import igl

    tri = mesh.triangles
    if not len(tri):
        return mesh
    oriented, patch = (np.asarray(a, np.int64) for a in igl.bfs_orient(tri)[:2])
    turned = (oriented != tri).any(axis=1) & ~_same_winding(oriented, tri)
    count = np.bincount(patch, minlength=1)
    against = np.bincount(patch, weights=turned, minlength=1) > 0.5 * count
    oriented[against[patch]] = oriented[against[patch]][:, ::-1]
    if turns := int((turned != against[patch]).sum()):
        done.append(f"turned {turns} flipped triangles")
    return TriangleMesh(mesh.vertices, oriented, mesh.name)


def _same_winding(a: IntArray, b: IntArray) -> BoolArray:
    """Return for each pair of triangles on the same corners whether they run the same way round."""
    found: BoolArray = np.logical_or.reduce([(np.roll(a, k, axis=1) == b).all(axis=1) for k in range(3)])
    return found


def _small_holes_closed(mesh: TriangleMesh, done: list[str], close_mm: float, fans: list[TriangleMesh]) -> TriangleMesh:
    """Fill each hole whose rim is short, a single triangle's, or hidden in a solid with a fan about its centre."""
    edges = open_edges(mesh)
    if not len(edges):
        return mesh
    vertices: list[FloatArray] = [mesh.vertices]
    triangles: list[IntArray] = [mesh.triangles]
    patch = _patches(mesh)
    half = mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    near = np.isin(half[:, 0], edges[:, 0])
    owner_of = dict(zip(map(tuple, half[near].tolist()), np.repeat(np.arange(len(mesh)), 3)[near].tolist()))
    area = np.bincount(patch, weights=mesh.areas)
    longest = [0.0, 0.0]
    counts = [0, 0]
    for rim in _rims(edges):
        corners = mesh.vertices[rim]
        loop = np.array(rim)
        length = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).sum())
        centre = corners.mean(axis=0)
        spread = float(np.linalg.norm(np.cross(corners - centre, np.roll(corners, -1, axis=0) - corners), axis=1).sum())
        owner = owner_of[rim[1], rim[0]]
        if area[patch[owner]] < 1.5 * spread / 2:
            continue  # the rim of a fin: closing it would lay a second face on its back
        hidden = len(rim) > 3 and length > close_mm
        if hidden and not _hidden(mesh, owner, np.concatenate([corners, 0.5 * (corners + centre), centre[None]])):
            continue
        if len(rim) == 3:
            fan = loop[None]
        else:
            middle = len(mesh.vertices) + len(vertices) - 1
            vertices.append(centre[None])
            fan = np.stack([loop, np.roll(loop, -1), np.full(len(loop), middle)], axis=1)
        triangles.append(fan)
        counts[hidden] += 1
        longest[hidden] = max(longest[hidden], length)
    if counts[0]:
        done.append(f"closed {counts[0]} small holes, the longest rim {longest[0]:.0f} mm")
    if counts[1]:
        done.append(f"closed {counts[1]} openings hidden inside a solid, the longest rim {longest[1]:.0f} mm")
    filled = TriangleMesh(np.concatenate(vertices), np.concatenate(triangles), mesh.name)
    if sum(counts):
        fans.append(filled.submesh(np.arange(len(mesh), len(filled))))
    return filled


def _hidden(mesh: TriangleMesh, owner: int, points: FloatArray) -> bool:
    """Return whether points (k, 3) lie inside what other shells than a triangle's own bound."""
    import igl

    labels = shell_labels(mesh)
    others = mesh.submesh(labels != labels[owner])
    if not len(others):
        return False
    winding = igl.fast_winding_number(np.array(others.vertices), np.array(others.triangles), points)
    return bool((winding > INSIDE).all())


def rim_lengths(mesh: TriangleMesh) -> list[float]:
    """Return how long the rims of a mesh's holes are, mm."""
    found = []
    for rim in _rims(open_edges(mesh)):
        corners = mesh.vertices[rim]
        found.append(float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).sum()))
    return found


def _rims(edges: IntArray) -> list[list[int]]:
    """Return the rims of holes, each a loop of vertices that runs against the triangles around it.

    Where holes touch in a vertex the walk comes by it again: the loop it has closed since is a hole of its own.
    """
    onward: dict[int, list[int]] = {}
    for a, b in edges[::-1].tolist():
        onward.setdefault(b, []).append(a)
    rims: list[list[int]] = []
    for start in sorted(onward):
        path, place = [start], {start: 0}
        while onward.get(path[-1]):
            at = onward[path[-1]].pop()
            if at in place:
                first = place[at]
                if len(path) - first >= 3:
                    rims.append(path[first:])
                for gone in path[first + 1 :]:
                    del place[gone]
                path = path[: first + 1]
            else:
                place[at] = len(path)
                path.append(at)
    return rims


def _without_partitions(mesh: TriangleMesh, done: list[str]) -> TriangleMesh:
    """Drop walls that part one room from the next: all along their rim two other surfaces go on without them.

    Of the surfaces that meet along such a rim the smallest is the wall.
    """
    count = 0
    while True:
        keys, _ = _edge_keys(mesh)
        _, inverse, uses = np.unique(keys, return_inverse=True, return_counts=True)
        uses = uses[inverse.ravel()]
        patch = _patches(mesh)
        owner = np.repeat(patch, 3)
        rim = np.bincount(owner, weights=uses != 2)
        # An edge with two triangles of one surface is no rim of it: a fin stands there.
        pairs = owner * (int(keys.max()) + 1) + keys
        _, again, times = np.unique(pairs, return_inverse=True, return_counts=True)
        parted = np.bincount(owner, weights=(uses == 3) & (times[again.ravel()] == 1))
        area = np.bincount(patch, weights=mesh.areas)
        between = np.flatnonzero((rim > 0) & (rim == parted))
        if not len(between):
            break
        mesh = TriangleMesh(mesh.vertices, mesh.triangles[patch != between[np.argmin(area[between])]], mesh.name)
        count += 1
    if count:
        done.append(f"dropped {count} partitions inside the solid")
    return mesh


def _sorted_by_winding(mesh: TriangleMesh, soup: TriangleMesh, done: list[str]) -> TriangleMesh:
    """Keep the patches that part material from air, each turned outwards, and drop all others.

    The winding number is that of a soup: the same surface, before it was cut.
    """
    import igl

    patch = _patches(mesh)
    count = int(patch.max()) + 1
    # The largest triangles of every patch are asked.
    order = np.lexsort((-mesh.areas, patch))
    rank = np.arange(len(order)) - np.searchsorted(patch[order], patch[order])
    asked = order[(rank < LOOKS) & (mesh.areas[order] > 0)]
    normals = mesh.area_vectors[asked] / mesh.areas[asked, None]
    middles = mesh.corners[asked].mean(axis=1)
    points = np.concatenate([middles + LOOK_MM * normals, middles - LOOK_MM * normals])
    inside = igl.fast_winding_number(soup.vertices, soup.triangles, points) > INSIDE
    before, behind = inside[: len(asked)], inside[len(asked) :]
    votes = np.stack(
        [
            np.bincount(patch[asked], weights=w, minlength=count)
            for w in (behind & ~before, before & ~behind, before & behind, ~before & ~behind)
        ],
        axis=1,
    )
    kind = votes.argmax(axis=1)
    for number, words in ((2, "walls inside the solid"), (3, "fins without thickness")):
        if dropped := int((kind == number).sum()):
            rows = np.flatnonzero(kind[patch] == number)
            x, y, z = mesh.corners[rows[np.argmax(mesh.areas[rows])]].mean(axis=0)
            size = float(mesh.areas[rows].sum())
            done.append(f"dropped {dropped} {words}, {size:.0f} mm² in all, as at {x:.1f}, {y:.1f}, {z:.1f} mm")
    tri = mesh.triangles.copy()
    turn = kind[patch] == 1
    if turn.any():
        tri[turn] = tri[turn][:, ::-1]
        done.append(f"turned {int((kind == 1).sum())} patches right side out")
    return TriangleMesh(mesh.vertices, tri[kind[patch] < 2], mesh.name)


def _patches(mesh: TriangleMesh) -> IntArray:
    """Return the number of each triangle's patch, (m,): patches hang together over edges of exactly two triangles."""
    keys, _ = _edge_keys(mesh)
    order = np.argsort(keys, kind="stable")
    _, start, uses = np.unique(keys[order], return_index=True, return_counts=True)
    pairs = start[uses == 2]
    owner = order // 3
    return _classes(len(mesh), np.stack([owner[pairs], owner[pairs + 1]], axis=1))


def _classes(count: int, pairs: IntArray) -> IntArray:
    """Return a class number for each of some things, (count,), those that pairs (k, 2) join sharing one."""
    label = np.arange(count)
    while len(pairs):  # each takes the lowest label it is joined to; halving paths keeps the rounds few
        lowest = label[pairs].min(axis=1)
        new = label.copy()
        np.minimum.at(new, pairs.ravel(), np.repeat(lowest, 2))
        new = new[new]
        if np.array_equal(new, label):
            break
        label = new
    return np.unique(label, return_inverse=True)[1].ravel().astype(np.int64)


def wedges_apart(mesh: TriangleMesh) -> TriangleMesh:
    """Return the mesh with vertices repeated so that every edge joins the two triangles of one wedge of material.

    About an edge, material lies behind a triangle: going round, one that runs along the edge is joined to the one
    before it that runs against it.
    """
    tri = mesh.triangles
    keys, forward = _edge_keys(mesh)
    order = np.argsort(keys, kind="stable")
    _, start, uses = np.unique(keys[order], return_index=True, return_counts=True)
    pairs = [np.stack([order[start[uses == 2]], order[start[uses == 2] + 1]], axis=1)]
    for first, many in zip(start[uses > 2], uses[uses > 2]):
        pairs.append(_wedges(mesh, order[first : first + many], forward))
    joined = np.concatenate(pairs)
    # Half-edge h of triangle h // 3 runs from corner h % 3 to the next; corners are numbered like half-edges.
    a, b = joined.T
    a_next, b_next = a - a % 3 + (a + 1) % 3, b - b % 3 + (b + 1) % 3
    alike = forward[a] == forward[b]
    meet = np.concatenate(
        [
            np.stack([a, np.where(alike, b, b_next)], axis=1),
            np.stack([a_next, np.where(alike, b_next, b)], axis=1),
        ]
    )
    corner = _classes(tri.size, meet)
    vertices = np.empty((int(corner.max()) + 1, 3))
    vertices[corner] = mesh.vertices[tri.ravel()]
    return TriangleMesh(vertices, corner.reshape(-1, 3), mesh.name)


def _wedges(mesh: TriangleMesh, halves: IntArray, forward: BoolArray) -> IntArray:
    """Return which half-edges of one crowded edge belong together, (k, 2); those without a fellow are left out."""
    tri = mesh.triangles
    own, corner = halves // 3, halves % 3
    ends = np.stack([tri[own, corner], tri[own, (corner + 1) % 3]], axis=1)
    low, high = mesh.vertices[ends[0].min()], mesh.vertices[ends[0].max()]
    axis = (high - low) / np.linalg.norm(high - low)
    across = mesh.vertices[tri[own, (corner + 2) % 3]] - low
    side = np.eye(3)[int(np.argmin(np.abs(axis)))]
    u = np.cross(axis, side)
    u /= np.linalg.norm(u)
    angle = np.arctan2(across @ np.cross(axis, u), across @ u)
    along = forward[halves]
    # Of two at one angle the one that runs against the edge comes first: between them lies no material.
    order = np.lexsort((along, np.round(angle, 9)))
    found = []
    for k, i in enumerate(order):
        before = order[k - 1]
        if along[i] and not along[before]:
            found.append((halves[i], halves[before]))
    return np.array(found, np.int64).reshape(-1, 2)
