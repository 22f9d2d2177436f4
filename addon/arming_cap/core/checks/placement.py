# SPDX-License-Identifier: GPL-3.0-or-later
"""Are the parts where they are worn? What is downloaded often is not: it lies as it is printed, or each part at 0.

A piece that is not where it is worn fails here, and nothing else passes on it.
"""

from __future__ import annotations

from itertools import combinations

import igl
import numpy as np

from ..arrays import FloatArray
from ..distance.clearance import Clearance
from ..fit.passage.facing import solid_share
from ..fit.size.sizing import WORN_WITHIN_MM
from ..mesh import TriangleMesh
from ..piece import Piece, misplacements
from ..report.results import PlacementResult, Placing
from ..wearer.form import Wearer

# Parts of one piece that are worn are no farther from the next than this: straps and arms lie between a breastplate
# and a backplate. Ours to choose, no source.
NEIGHBOURS_MM = 100.0
# A part this near to the body is on it, whatever lies between it and the next part: two pauldrons are one piece.
ON_BODY_MM = 60.0
# Parts that are worn beside each other touch or nearly; on a print bed they are kept apart by the skirt's width.
TOUCHING_MM = 3.0
ONE_FLOOR_MM = 0.2
# A piece that stands off farther than this over its allowance, at its very nearest, rests on nothing: the thickest foam
# is 25 mm, common practice, and hair adds some.
FREE_MM = 40.0
_LOOKS = 1500


def placement(piece: Piece, wearer: Wearer, seat: str) -> PlacementResult:
    """Return how the parts of a piece lie to one another and, where its seat is ``fixed``, to the wearer."""
    names = tuple(part.name for part in piece.parts)
    if share := solid_share(piece):
        return PlacementResult(Placing.SOLID, share, names)
    if pairs := misplacements(piece):
        return PlacementResult(Placing.STACKED, 0.0, names, tuple(pairs))
    away = (
        [_distance(part.mesh, wearer.form.mesh) for part in piece.parts] if seat == "fixed" else [np.inf] * len(names)
    )
    off_body = max(away) > ON_BODY_MM
    if off_body and len(names) > 1:
        meshes = [part.mesh for part in piece.parts]
        between = {(i, j): _distance(meshes[i], meshes[j]) for i, j in combinations(range(len(meshes)), 2)}
        if len(groups := _groups(len(meshes), between)) > 1:
            far = max(_gap(meshes[i], meshes[j]) for one, two in combinations(groups, 2) for i in one for j in two)
            return PlacementResult(Placing.APART, max(far, NEIGHBOURS_MM), names)
        if _on_one_floor(meshes, min(between.values())):
            return PlacementResult(Placing.LAID_OUT, min(between.values()), names)
    if seat == "fixed" and min(away) > WORN_WITHIN_MM:
        return PlacementResult(Placing.AWAY, min(away), names)
    return PlacementResult(Placing.WORN, min(away) if seat == "fixed" else 0.0, names)


def carried(placed: PlacementResult, found: Clearance) -> PlacementResult:
    """Return a placement once the standoff in the worn pose is known: one that touches nothing is not worn."""
    room = min((r.min_mm - r.allowance_mm for r in found.regions.values()), default=0.0)
    if placed.placing is Placing.WORN and room > FREE_MM:
        return PlacementResult(Placing.FREE, room, placed.parts)
    return placed


def _distance(a: TriangleMesh, b: TriangleMesh) -> float:
    """Return how far two surfaces are apart, mm: from points of the one with fewer triangles to the other."""
    if _gap(a, b) > NEIGHBOURS_MM + WORN_WITHIN_MM:
        return _gap(a, b)
    few, many = sorted((a, b), key=len)
    # Corners are where parts meet; of a large mesh those nearest to the other's box are looked at.
    low, high = many.bounds
    points = few.corners.reshape(-1, 3)
    off = np.linalg.norm(np.maximum(0.0, np.maximum(low - points, points - high)), axis=1)
    if len(points) > _LOOKS:
        points = points[np.argsort(off, kind="stable")[: 8 * _LOOKS : 8]]
    squared = igl.point_mesh_squared_distance(points, many.vertices, many.triangles)[0]
    return float(np.sqrt(squared.min()))


def _gap(a: TriangleMesh, b: TriangleMesh) -> float:
    """Return how far the boxes of two meshes are apart, mm."""
    gap: FloatArray = np.maximum(0.0, np.maximum(a.bounds[0] - b.bounds[1], b.bounds[0] - a.bounds[1]))
    return float(np.linalg.norm(gap))


def _groups(count: int, between: dict[tuple[int, int], float]) -> list[set[int]]:
    """Return the parts in groups that hang together, each part within `NEIGHBOURS_MM` of another of its group."""
    groups = [{i} for i in range(count)]
    for (i, j), distance in between.items():
        one, two = (next(g for g in groups if part in g) for part in (i, j))
        if distance <= NEIGHBOURS_MM and one is not two:
            one |= two
            groups.remove(two)
    return groups


def _on_one_floor(meshes: list[TriangleMesh], nearest_mm: float) -> bool:
    """Return whether parts stand side by side on one floor and touch nowhere."""
    boxes = np.array([mesh.bounds for mesh in meshes])
    if np.ptp(boxes[:, 0, 2]) > ONE_FLOOR_MM or nearest_mm <= TOUCHING_MM:
        return False
    # Beside each other: none above another.
    return all((np.maximum(a[0] - b[1], b[0] - a[1])[:2] > 0).any() for a, b in combinations(boxes, 2))
