# SPDX-License-Identifier: GPL-3.0-or-later
"""Flat faces that a cut may have left, and how one is laid on another so that their borders meet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import FloatArray, IntArray
from ..mesh import TriangleMesh, shell_labels
from ..pose import Pose, rotation_about

# Triangles of one face turn by less than this, and lie within so much of one plane.
FLAT_COS = float(np.cos(np.radians(0.5)))
FLAT_MM = 0.02
# A seam has at least this area, and so much of its part's surface.
LEAST_MM2 = 15.0
LEAST_SHARE = 1e-3
# No more planes and faces of one part are tried, the largest and those with the longest borders first.
MOST_PLANES = 200
MOST_FACES = 40
# How far areas (pins and holes among them) and lengths of two halves of a seam may differ.
AREA_SHARE = 0.12
LENGTH_SHARE = 0.04
# Outlines that meet lie this near, root mean square.
GAP_MM = 0.5
# Skins that go on in one another across a seam turn by less than this there, in the median.
SKINS_COS = 0.7
# Round a face that a cut left the surface turns by more than this; a facet of a smooth skin has flatter edges.
EDGE_COS = 0.8
# Faces of two parts in one plane are one where they are this near (mm): what is left between parts put together.
WELD_MM = 0.15
_SPOTS = 240


@dataclass(frozen=True)
class Face:
    """A flat face: its plane's frame (rows: two principal axes of the border, normal), centre, area, extents (2,).

    `outline` are points (k, 3) along its border, `across` the directions (k, 3) in the plane across the border there,
    `skins` the normals (k, 3) of what goes on beyond the border, 0 where nothing does. `triangles` are (m, 3, 3). `kin`
    is a number that only the faces of mirror twins share, -1 for none.
    """

    frame: FloatArray
    centre: FloatArray
    area: float
    extents: FloatArray
    border_mm: float
    outline: FloatArray
    across: FloatArray
    skins: FloatArray
    triangles: FloatArray
    kin: int = -1

    def moved(self, pose: Pose) -> Face:
        """Return the face in another pose."""
        turn = pose.rotation.T
        return replace(
            self,
            frame=self.frame @ turn,
            centre=pose.apply(self.centre[None])[0],
            outline=pose.apply(self.outline),
            across=self.across @ turn,
            skins=self.skins @ turn,
            triangles=pose.apply(self.triangles.reshape(-1, 3)).reshape(-1, 3, 3),
        )


def faces_of(mesh: TriangleMesh) -> Iterator[Face]:
    """Yield the flat faces of a part that may be seams, the longest borders first.

    A plane may hold several rings of one cut, which may be seams to several parts: they are taken together and each by
    itself.
    """
    welded = mesh.welded()
    areas = welded.areas
    normals = welded.area_vectors / np.maximum(np.linalg.norm(welded.area_vectors, axis=1), 1e-30)[:, None]
    offsets = np.einsum("mi,mi->m", normals, welded.corners[:, 0])
    least = max(LEAST_MM2, LEAST_SHARE * float(areas.sum()))
    # Triangles of one plane share a key, but where the key's rounding parts them: each key asks for its whole plane.
    keys = np.round(np.column_stack([100 * normals, 10 * offsets])).astype(np.int64)
    _, first, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    held = np.bincount(group.ravel(), weights=areas)
    found: list[Face] = []
    free = areas > 0
    for key in np.argsort(-held, kind="stable")[:MOST_PLANES]:
        k = first[key]
        if not free[k] or held[key] < least / 8:
            continue
        rows = free & (normals @ normals[k] > FLAT_COS)
        rows[rows] = np.abs(welded.corners[rows] @ normals[k] - offsets[k]).max(axis=1) < FLAT_MM
        rows[k] = True
        free[rows] = False
        whole = np.flatnonzero(rows)
        apart = shell_labels(welded.submesh(whole))
        for one in [whole, *(whole[apart == k] for k in range(int(apart.max()) + 1) if apart.max() > 0)]:
            if areas[one].sum() >= least:
                face = _described(welded, one, normals, areas)
                found += [face] if np.median(face.skins @ face.frame[2]) < EDGE_COS else []
    yield from sorted(found, key=lambda face: -face.border_mm)[:MOST_FACES]


def _described(mesh: TriangleMesh, rows: IntArray, normals: FloatArray, areas: FloatArray) -> Face:
    """Return the face that some triangles make."""
    normal = (areas[rows, None] * normals[rows]).sum(axis=0)
    normal /= np.linalg.norm(normal)
    edges = mesh.triangles[rows][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    _, back, count = np.unique(np.sort(edges, axis=1), axis=0, return_inverse=True, return_counts=True)
    border = edges[count[back] == 1]
    skins = _skins(mesh, rows, border, normals)
    return _bordered(mesh.vertices[border], normal, float(areas[rows].sum()), mesh.corners[rows], skins)


def _bordered(ends: FloatArray, normal: FloatArray, area: float, triangles: FloatArray, skins: FloatArray) -> Face:
    """Return the face with a border of edges (k, 2, 3), each with the skin (k, 3) beyond it."""
    step = ends[:, 1] - ends[:, 0]
    lengths = np.linalg.norm(step, axis=1)
    total = float(lengths.sum())
    # Evenly along the border, whatever the triangles.
    run = np.concatenate([[0.0], np.cumsum(lengths)])
    at = (np.arange(_SPOTS) + 0.5) * total / _SPOTS
    edge = np.clip(np.searchsorted(run, at, side="right") - 1, 0, len(lengths) - 1)
    share = (at - run[edge]) / np.maximum(lengths[edge], 1e-12)
    weights = lengths / total
    centre: FloatArray = weights @ ends.mean(axis=1)
    off = ends.mean(axis=1) - centre
    spread = (weights[:, None] * off).T @ off + (weights[:, None] * step).T @ step / 12
    flat = np.eye(3) - np.outer(normal, normal)
    values, axes = np.linalg.eigh(flat @ spread @ flat)
    first = axes[:, 2]
    along = step / np.maximum(lengths, 1e-12)[:, None]
    return Face(
        np.stack([first, np.cross(normal, first), normal]),
        centre,
        area,
        np.sqrt(np.maximum(values[[2, 1]], 0.0)),
        total,
        ends[edge, 0] + share[:, None] * step[edge],
        np.cross(along, normal)[edge],
        skins[edge],
        triangles,
    )


def _skins(mesh: TriangleMesh, rows: IntArray, border: IntArray, normals: FloatArray) -> FloatArray:
    """Return the normals (k, 3) of the triangles beyond the edges (k, 2) of a face; 0 where there is none."""
    beyond = np.ones(len(mesh), bool)
    beyond[rows] = False
    others = np.flatnonzero(beyond & np.isin(mesh.triangles, border).any(axis=1))
    if not len(others):
        return np.zeros((len(border), 3))
    edges = mesh.triangles[others][:, [1, 0, 2, 1, 0, 2]].reshape(-1, 2)  # the other way round
    keys = edges[:, 0] * len(mesh.vertices) + edges[:, 1]
    order = np.argsort(keys, kind="stable")
    wanted = border[:, 0] * len(mesh.vertices) + border[:, 1]
    at = np.clip(np.searchsorted(keys[order], wanted), 0, len(keys) - 1)
    skins: FloatArray = np.where((keys[order][at] == wanted)[:, None], normals[others[order[at] // 3]], 0.0)
    return skins


def alike(one: Face, other: Face) -> bool:
    """Return whether two faces may be the halves of one seam."""
    near = np.abs(one.extents - other.extents).max() <= LENGTH_SHARE * one.extents[0]
    return bool(near) and abs(one.area - other.area) <= AREA_SHARE * max(one.area, other.area)


def ways(one: Face, other: Face) -> Iterator[Pose]:
    """Yield poses that lay the other face on the one, normals against each other."""
    round_ = abs(one.extents[0] - one.extents[1]) < 2 * LENGTH_SHARE * one.extents[0]
    for turn in np.radians(np.arange(0, 360, 5.0) if round_ else [0.0, 180.0]):
        first = np.cos(turn) * one.frame[0] + np.sin(turn) * one.frame[1]
        rotation = np.stack([first, np.cross(-one.frame[2], first), -one.frame[2]]).T @ other.frame
        yield _settled(one, other, Pose(rotation, one.centre - rotation @ other.centre))


def _settled(one: Face, other: Face, pose: Pose) -> Pose:
    """Return a pose turned and shifted in the plane until the outlines meet best.

    Points are drawn to lines (Chen and Medioni 1992).
    """
    plane = one.frame[:2].T  # (3, 2)
    fixed, across = (one.outline - one.centre) @ plane, one.across @ plane
    for turn_no in range(10):
        moved = (pose.apply(other.outline) - one.centre) @ plane
        nearest = np.argmin(((moved[:, None] - fixed[None]) ** 2).sum(axis=2), axis=1)
        off = np.linalg.norm(fixed[nearest] - moved, axis=1)
        good = off <= max(2.0 * float(np.median(off)), 1.0)  # a hole in one face only has no place on the other
        n, p = across[nearest][good], moved[good]
        system = np.column_stack([n[:, 1] * p[:, 0] - n[:, 0] * p[:, 1], n])
        angle, x, y = np.linalg.lstsq(system, (n * (fixed[nearest][good] - p)).sum(axis=1), rcond=None)[0]
        turn = rotation_about(one.frame[2], float(np.degrees(angle)))
        pose = pose.then(Pose(turn, one.centre - turn @ one.centre + plane @ [x, y]))
        settled = abs(angle) < 1e-7 and max(abs(x), abs(y)) < 1e-5
        if settled or (turn_no > 2 and float(np.median(off)) > 4 * GAP_MM):  # or it never will
            break
    return pose


def gap_mm_of(one: Face, other: Face, pose: Pose) -> float:
    """Return how far two outlines lie apart: RMS of the nine tenths that fit best, the worse of both ways, mm."""
    moved = pose.apply(other.outline)
    off = moved[:, None] - one.outline[None]
    squared = (off**2).sum(axis=2)
    ours, theirs = np.argmin(squared, axis=1), np.argmin(squared, axis=0)
    rows = np.arange(_SPOTS)
    # Along an outline the spots need not meet: across it, the lines do.
    there = other.across @ pose.rotation.T
    gaps = (off[rows, ours] * one.across[ours]).sum(axis=1), (off[theirs, rows] * there[theirs]).sum(axis=1)
    near = squared.min(axis=1), squared.min(axis=0)
    step = one.border_mm / _SPOTS
    worst = 0.0
    for gap, beside in zip(gaps, near):
        # What lies farther than a step along the outline is beside it, not on it.
        off_mm = np.where(beside > (2 * step) ** 2, np.sqrt(beside), np.abs(gap))
        worst = max(worst, float(np.sqrt(np.mean(np.sort(off_mm)[: int(0.9 * _SPOTS)] ** 2))))
    return worst


def goes_on(one: Face, other: Face, pose: Pose) -> bool:
    """Return whether the skins on both sides of a seam go on in one another: not so where a wall is laid inside out."""
    moved = pose.apply(other.outline)
    beside = np.argmin(((moved[:, None] - one.outline[None]) ** 2).sum(axis=2), axis=1)
    along = ((other.skins @ pose.rotation.T) * one.skins[beside]).sum(axis=1)
    return float(np.median(along)) > SKINS_COS


def united(one: Face, other: Face) -> Face | None:
    """Return what two faces in one plane make together; None where they lie in two planes."""
    from manifold3d import CrossSection, FillRule, JoinType

    normal = one.frame[2]
    if normal @ other.frame[2] < FLAT_COS or abs((other.centre - one.centre) @ normal) > WELD_MM:
        return None
    plane = one.frame[:2].T
    corners = np.concatenate([one.triangles, other.triangles])
    flat = CrossSection([np.ascontiguousarray(t) for t in (corners - one.centre) @ plane], FillRule.Positive)
    grown = flat.offset(WELD_MM, JoinType.Miter, 2.0)
    outlines = grown.offset(-WELD_MM, JoinType.Miter, 2.0).simplify(0.01).to_polygons()
    if not outlines:
        return None
    ends = np.concatenate([np.stack([o, np.roll(o, -1, axis=0)], axis=1) for o in outlines]) @ plane.T + one.centre
    spots, skins = np.concatenate([one.outline, other.outline]), np.concatenate([one.skins, other.skins])
    beside = np.argmin(((ends.mean(axis=1)[:, None] - spots[None]) ** 2).sum(axis=2), axis=1)
    return _bordered(ends, normal, one.area + other.area, corners, skins[beside])
