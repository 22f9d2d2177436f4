# SPDX-License-Identifier: GPL-3.0-or-later
"""Relief: room made from inside, where outer shape and scale must stay.

What is cut away is the wearer's form grown by the room each region is to keep, less a skin of the least wall under
the piece's outer surface. Both are level sets of distances, so the cut is one function of space,

    c(x) = max(standoff(x) - need(x), wall - distance of x to the outer surface),

and the material goes where c < 0. Its zero surface is extracted by marching cubes, the rest is a boolean. Outer is
what faces away from the wearer; rims and linings are not kept. Marching cubes spans chords of the grid's size h across
level sets as tight as the wall: the skin is kept thicker by their height h² / (8 wall), so that no chord cuts into it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...arrays import BoolArray, FloatArray
from ...distance.clearance import Clearance, field_for, measure
from ...distance.field import Field
from ...errors import InputError
from ...mesh import TriangleMesh
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, part_of, silent
from ...tolerances import TOLERANCES
from ...verdict import Place
from ...wearer.form import Wearer
from ..solid.solid import mesh_of, solid_below, solid_of
from .thickness import LEAN_DEG, LINE_MM, Material, Thickness, skin_pieces, thickness

WALL_MM = 3 * LINE_MM
# Cut this much beyond the need, so that what is left of the grid's error does not eat into it.
BEYOND_MM = 0.05
STRAIGHT, SLANTED = 0.8, 0.5  # cosines of 37 and 60 degrees from straight away from the wearer
# Slivers of the boolean up to this height are taken out again.
SLIVER_MM = 0.002
# What the cut leaves loose and smaller than this, of the part and in all, nobody wants to print. Ours to choose.
CRUMB_MM3, CRUMB_SHARE = 1000.0, 0.02
HOLD_CELLS = 2.5
SLOPE = 1.0
_NODES = 3_000_000
FINEST_MM = 0.8


@dataclass(frozen=True, eq=False)
class Relief:
    """A piece with room made inside.

    Attributes
    ----------
    piece
        Relieved, in the frame and at the scale of the piece given; every part of it a solid.
    before, after
        The standoff without and with the relief.
    removed_mm3
        Material taken away.
    walls
        Of the relieved piece.
    short
        Where even this does not help, and how much is missing there (mm).
    remarks
        Repairs made on the way.
    """

    piece: Piece
    before: Clearance
    after: Clearance
    removed_mm3: float
    walls: Thickness
    short: tuple[tuple[Place, float], ...]
    remarks: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return the relief as JSON shows it."""
        return {
            "removed_mm3": round(self.removed_mm3, 1),
            "margin_before_mm": round(self.before.margin_mm, 3) + 0.0,
            "margin_after_mm": round(self.after.margin_mm, 3) + 0.0,
            "walls": self.walls.as_dict(),
            "short": [{**place.as_dict(), "missing_mm": round(missing, 3)} for place, missing in self.short],
            "remarks": list(self.remarks),
        }


def relieve(
    piece: Piece,
    wearer: Wearer,
    pose: Pose | None = None,
    clearance_mm: float = 0.0,
    wall_mm: float = WALL_MM,
    grid_mm: float = FINEST_MM,
    progress: Progress = silent,
) -> Relief:
    """Take the inside of a piece back where margins fail, and nowhere else.

    Parameters
    ----------
    piece
        At its final scale.
    wearer
        With the allowances to keep; the form's spread is kept free too.
    pose
        The seat on the form; the piece's own place unless given.
    clearance_mm
        Wanted beyond the allowances.
    wall_mm
        Left everywhere under the outer surface, or what is there where it is less; three lines unless given.
    grid_mm
        Cell of the grid the cut is found on; a large cut takes a coarser one.

    Raises
    ------
    InputError
        If a part that must be cut is no solid, or the wall asked for is not above 0.
    """
    if not wall_mm > 0:
        raise InputError(f"a wall of {wall_mm:g} mm cannot be kept", remedy="ask for more than 0 mm")
    pose = pose or Pose()
    spread = wearer.form.spread_mm
    names = wearer.form.region_names
    need = np.array([wearer.allowance(n) + clearance_mm + float(spread.get(n, 0.0)) for n in names])
    before = measure(piece, wearer, pose, progress=part_of(progress, 0.0, 0.1))
    field = field_for(piece, wearer, pose)
    needs = _needs(wearer.form.mesh, need[field.regions_at(np.arange(len(wearer.form.mesh)))], HOLD_CELLS * grid_mm)
    parts, remarks, removed = [], [], 0.0
    for i, part in enumerate(piece.parts):
        inner = part_of(progress, 0.1 + 0.7 * i / len(piece.parts), 0.1 + 0.7 * (i + 1) / len(piece.parts))
        inner(0.0, f"relief of {part.name}")
        tool = _tool(Material(skin_pieces(part.mesh.moved(pose))), field, needs, wall_mm, grid_mm, inner)
        if tool is None:
            parts.append(part)
            continue
        solid, done = solid_of(replace(part.mesh, name=part.name))
        remarks += [f"{part.name}: {what}" for what in done]
        back = pose.inverse()
        cut = (solid - tool.transform(np.column_stack([back.rotation, back.translation_mm]))).simplify(SLIVER_MM)
        removed += solid.volume() - cut.volume()
        if cut.is_empty():
            raise InputError("relief would leave nothing", source=part.name, remedy="keep a thicker wall")
        cut, crumbs = _without_crumbs(cut, solid)
        remarks += [f"{part.name}: {crumbs}"] if crumbs else []
        parts.append(replace(part, mesh=mesh_of(cut, part.mesh.name)))
    relieved = replace(piece, parts=tuple(parts))
    after = measure(relieved, wearer, pose, progress=part_of(progress, 0.8, 0.9))
    walls = thickness(relieved, limit_mm=wall_mm, progress=part_of(progress, 0.9, 1.0))
    short = []
    for name, found in after.regions.items():
        missing = need[names.index(name)] - found.min_mm
        # What was measured is a place of the piece: so much is missing there for sure, however well all was searched.
        if missing > TOLERANCES.standoff_mm:
            short.append((Place(name, found.part, found.at), float(missing)))
    return Relief(relieved, before, after, removed, walls, tuple(sorted(short, key=lambda s: -s[1])), tuple(remarks))


def _without_crumbs(cut: Any, solid: Any) -> tuple[Any, str]:
    """Return a relieved solid without the small pieces that the cut left loose, and a remark on them.

    Small shells of the part itself, such as rivets, are none: the cut left them as they were.
    """
    from manifold3d import Manifold

    before = np.array([one.volume() for one in solid.decompose()])
    kept: list[Any] = []
    gone: list[Any] = []
    for one in cut.decompose():
        volume = one.volume()
        untouched = bool((np.abs(before / max(volume, 1e-9) - 1) < 1e-6).any())
        small = volume < CRUMB_MM3 and volume < CRUMB_SHARE * before.max()
        (gone if small and not untouched else kept).append(one)
    if not gone or not kept:
        return cut, ""
    lost = sum(one.volume() for one in gone)
    said = f"{len(gone)} loose crumb{'s' if len(gone) > 1 else ''} of {lost:.0f} mm³ in all taken away"
    return Manifold.compose(kept), said


def _tool(
    material: Material, field: Field, needs: FloatArray, wall: float, grid: float, progress: Progress
) -> Any | None:
    """Return what to subtract, in the form's frame; None where nothing has to go."""
    corners = material.corners
    if not len(corners):
        return None
    lacking = field.floor(corners.reshape(-1, 3)).reshape(-1, 3).min(axis=1) < needs.max()
    if not lacking.any():
        return None
    margin = _margin(field, needs, corners[lacking].reshape(-1, 3)).reshape(-1, 3).min(axis=1)
    failing = corners[lacking][margin < 0]
    if not len(failing):
        return None
    outer = _outer(material, field)
    deepest = float(margin.min())
    # Material behind a failing spot of the skin fails no farther out than the spot lacks.
    low, high = failing.min(axis=(0, 1)) + deepest, failing.max(axis=(0, 1)) - deepest
    h = max(grid, float(np.prod(high - low + 8.0) / _NODES) ** (1 / 3))
    low, high = low - 3 * h, high + 3 * h
    shape = np.ceil((high - low) / h).astype(int) + 1
    # Marching cubes wants x to run fastest.
    nodes = np.stack(np.meshgrid(*(low[k] + h * np.arange(shape[k]) for k in (2, 1, 0)), indexing="ij"), axis=-1)
    nodes = np.ascontiguousarray(nodes.reshape(-1, 3)[:, ::-1])
    progress(0.2, "relief: looking where material must go")
    value = field.standoff(nodes) - needs.max()
    # Far from the cut's surface only the sign counts, and deeper than the piece reaches not even that.
    near = np.flatnonzero((value < 2 * h + field.error_mm) & (value > deepest - np.ptp(needs) - 3 * h))
    value[near] = _margin(field, needs, nodes[near]) - BEYOND_MM
    near = near[value[near] < 2 * h]
    progress(0.5, "relief: keeping the outer wall")
    if outer.any():
        kept = wall + h * h / (8 * wall)
        value[near] = np.maximum(value[near], kept - _distance(corners[outer], nodes[near]))
    tool = solid_below(value, nodes, shape, h)
    if tool is None:
        return None
    if tool.is_empty():
        raise InputError("the relief's surface does not close", source=field.form.mesh.name, remedy="report it")
    return tool.simplify(0.01)


def _outer(material: Material, field: Field) -> BoolArray:
    """Return which triangles of the skin are the piece's outside: those that face away from the wearer.

    Where they do so on a slant, only with a wall behind them: a rim that closes the wall below may be cut.
    """
    middle = material.corners.mean(axis=1)
    faces = -np.einsum("ij,ij->i", material.inward, field.gradient(middle))
    _, lean = material.ray(middle, material.inward)
    outer: BoolArray = (faces > STRAIGHT) | ((faces > SLANTED) & (lean > np.cos(np.radians(LEAN_DEG))))
    return outer


def _needs(mesh: TriangleMesh, need: FloatArray, hold: float) -> FloatArray:
    """Return the room to keep at each vertex of a form, (n,) mm, from that of each of its triangles (m,).

    Where regions meet the larger need holds on for `hold` (mm) and then falls by `SLOPE`: the cut has no steps, and its
    grid does not round the edge of what is needed off.
    """
    levels = np.unique(need)
    at_vertex = np.full(len(mesh.vertices), levels[0])
    ends = np.concatenate([mesh.triangles[:, [0, 1]], mesh.triangles[:, [1, 2]], mesh.triangles[:, [2, 0]]])
    length = np.linalg.norm(np.diff(mesh.vertices[ends], axis=1)[:, 0], axis=1)
    for level in levels[1:]:
        reach = hold + (level - levels[0]) / SLOPE
        away = np.full(len(mesh.vertices), np.inf)
        away[mesh.triangles[need >= level].ravel()] = 0.0
        while True:  # along the edges, as far as it matters
            start = np.flatnonzero(away[ends].min(axis=1) + length < np.minimum(away[ends].max(axis=1), reach))
            if not len(start):
                break
            a, b = ends[start].T
            np.minimum.at(away, b, away[a] + length[start])
            np.minimum.at(away, a, away[b] + length[start])
        at_vertex = np.maximum(at_vertex, level - SLOPE * np.maximum(away - hold, 0))
    return at_vertex


def _margin(field: Field, needs: FloatArray, points: FloatArray) -> FloatArray:
    """Return the exact standoff of points (n, 3) less the need there, which runs evenly across each triangle."""
    standoff, triangle, closest = field.exact(points)
    if (needs == needs[0]).all():
        return standoff - needs[0]
    mesh = field.form.mesh
    a, b, c = (mesh.corners[triangle, k] for k in range(3))
    normal = mesh.area_vectors[triangle]

    def share(p: FloatArray, q: FloatArray) -> FloatArray:
        part: FloatArray = np.einsum("ij,ij->i", np.cross(p - closest, q - closest), normal)
        return np.maximum(part, 0)

    weights = np.stack([share(b, c), share(c, a), share(a, b)], axis=1)
    weights /= weights.sum(axis=1, keepdims=True)
    return standoff - (weights * needs[mesh.triangles[triangle]]).sum(axis=1)


def _distance(corners: FloatArray, points: FloatArray) -> FloatArray:
    """Return the distance of points (n, 3) to triangles (m, 3, 3)."""
    import igl

    vertices = np.ascontiguousarray(corners.reshape(-1, 3))
    rows = np.arange(len(vertices)).reshape(-1, 3)
    tree = igl.AABB()
    tree.init(vertices, rows)
    squared: FloatArray = tree.squared_distance(vertices, rows, np.ascontiguousarray(points))[0]
    return np.sqrt(squared)
