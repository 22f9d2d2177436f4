# SPDX-License-Identifier: GPL-3.0-or-later
"""Split a piece that is too large for the printer: a plan first, then the cut.

`workpiece` makes one solid of the meshes, `plan_split` searches on a coarse stand-in and shows what it would do,
`apply_plan` cuts the solid itself. Nothing of the piece is lost or moved: the parts lie where they were, and their
volumes add up to the whole's.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...errors import InputError
from ...formats import THIMBLE_MM
from ...mesh import TriangleMesh
from ...progress import Progress, part_of, silent
from ..estimate import estimate
from ..solid.mend import SMALL_HOLE_MM
from ..solid.solid import mesh_of, raw_mesh, united
from .boxfit import extents_in, frames, grid_count, reaching, turn_to_fit
from .layout import lay
from .split_cell import Cell, Plane, View, box_of, crumb_of, hull_points, shells_of, stand_in
from .split_model import CutPart, Plan, PlannedPart, SplitOptions, Workpiece
from .split_search import Limits, Node, Search, Tally, paired

# A piece that a grid would cut into more than this is not planned: the printer is too small for it.
MOST_PARTS = 60
# A mirror image within this of the surface is the same shape; scans and sculpts are not exact.
MIRROR_MM = 0.5
ATTEMPTS = 3  # searches, each with a little less room, until every part of the piece itself fits
ALIGN_MM = 25.0  # cuts no further apart are tried in one plane
LOOKS = 300  # places at which the wall is measured
THIN_SHARE = 0.2  # of the surface with a wall thinner than a line: more is a mistake, or paper


def workpiece(
    meshes: Sequence[TriangleMesh], name: str, progress: Progress = silent, close_mm: float = SMALL_HOLE_MM
) -> Workpiece:
    """Unite meshes into one solid, repaired on a copy where needed.

    Parameters
    ----------
    close_mm
        Holes with a rim up to this long are closed.

    Raises
    ------
    InputError
        If a mesh bounds no solid; names the place.
    """
    solid, remarks = united(meshes, part_of(progress, 0.0, 0.6), close_mm)
    progress(0.6, "coarse stand-in")
    coarse = stand_in(solid)
    progress(0.9, "looking for a mirror plane")
    box = box_of(solid)
    return Workpiece(name, solid, coarse, View(box.mean(axis=0), _mirror_plane(coarse)), tuple(remarks))


def _mirror_plane(coarse: Any) -> float | None:
    """Return x of the plane in which a solid is its own mirror image; None where it is not."""
    import igl

    vertices, triangles = raw_mesh(coarse)
    low, high = box_of(coarse)[:, 0]
    points = vertices[:: max(1, len(vertices) // 600)]
    for middle in dict.fromkeys((0.0, 0.5 * (low + high))):
        if abs(low + high - 2 * middle) > 2 * MIRROR_MM:
            continue
        image = points * [-1, 1, 1] + [2 * middle, 0, 0]
        squared = igl.point_mesh_squared_distance(image, vertices, triangles)[0]
        if np.sqrt(np.quantile(squared, 0.98)) < MIRROR_MM:
            return float(middle)
    return None


def plan_split(piece: Workpiece, options: SplitOptions, progress: Progress = silent) -> Plan:
    """Search for the best way to cut a piece.

    Raises
    ------
    InputError
        If the printer is far too small, or the cuts allowed cannot make every part fit.
    """
    room = options.room
    progress(0.0, "measuring the wall")
    thin, where = thin_share(piece.solid, options.line_mm)
    progress(0.0, "looking for the way it lies")
    if thin > THIN_SHARE and not options.thin:
        x, y, z = where
        size = float(np.ptp(box_of(piece.solid), axis=0).max())
        tiny = f"; it is {size:.3g} mm large: check the unit it was read in" if size < THIMBLE_MM else ""
        raise InputError(
            f"{100 * thin:.0f} % of its wall is thinner than a line of {options.line_mm:g} mm, as at "
            f"{x:.1f}, {y:.1f}, {z:.1f} mm",
            source=piece.name,
            remedy=f"thicken it, or ask to split it all the same (--thin){tiny}",
        )
    hull = hull_points(piece.solid)
    if turn_to_fit(hull, room, 1.0).fits and not options.limits.locked:
        node = Node(box_of(piece.solid))
        return Plan((node,), (_preview(Cell(piece.coarse, room, piece.view), room, options),), Tally(), 0.0, 0.0, 1)
    few = reaching(hull)
    grid = int(grid_count(extents_in(frames(), few), room).min())
    if grid > MOST_PARTS:
        raise InputError(
            f"a printer of {_size(options.volume_mm)} mm would need about {grid} parts for it",
            source=piece.name,
            remedy="give a larger volume, scale the piece, or check the unit it was read in",
        )
    lacking = _lacking(few, hull_points(piece.coarse))
    middle = piece.view.middle_x
    limits = options.limits
    if middle is not None:
        if all(plane.crosses_alike(middle) for plane in limits.locked):
            limits = limits.mirrored(middle)
        else:  # the maker wants the two sides different
            middle = None
    search = Search(options.weights, limits, piece.solid.volume(), options.planes)
    bodies = shells_of(piece.coarse)
    order = [(s, False, False) for s in bodies] if middle is None else paired(bodies, middle)
    view = replace(piece.view, middle_x=middle)
    nodes: list[Node] = []
    for attempt in range(ATTEMPTS):
        nodes = []
        for i, (solid, own, twin) in enumerate(order):
            cell = Cell(solid, room - lacking, view, symmetric=own, count=2 if twin else 1)
            search.limits = limits.of_body(i, [body for body, *_ in order])
            tree = search.run(cell, part_of(progress, i / len(order), (i + 1) / len(order)))
            tree = _in_one_plane(cell, tree, limits)
            nodes.append(tree)
            if twin:
                assert middle is not None
                nodes.append(tree.mirrored(middle))
        progress(1.0, "trying the cuts on the piece itself")
        # The stand-in is only near the piece: what does not fit on the piece itself is searched again with less room.
        over = _overrun(piece, nodes, room)
        if not 0 < over < 0.05 * room.max() or attempt == ATTEMPTS - 1:
            break
        lacking += over + 0.1
    leaves: list[Cell] = []
    seams = np.zeros(2)
    for solid, node in _matched(bodies, nodes):
        cell = Cell(solid, room, piece.view)
        for leaf, seam in _leaves(cell, node):
            seams += seam
            if leaf is not None:
                leaves.append(leaf)
    parts = [_preview(leaf, room, options) for leaf in sorted(leaves, key=lambda c: _reading_order(c.solid))]
    least = _at_least(few, piece.solid.volume(), room, len(bodies))
    return Plan(tuple(nodes), tuple(parts), search.tally, float(seams[0]), float(seams[1]), least)


def _overrun(piece: Workpiece, nodes: Sequence[Node], room: FloatArray) -> float:
    """Return by how much the worst part of the piece itself is too large for the room, mm; 0 where all fit."""
    waiting = _matched(shells_of(piece.solid), nodes)
    worst = 1.0
    while waiting:
        solid, node = waiting.pop()
        if node.plane is None:
            worst = max(worst, turn_to_fit(hull_points(solid), room, 1.0).ratio)
        else:
            above, below = cut_in_two(solid, node.plane)
            waiting += _matched(above, node.above) + _matched(below, node.below)
    return float((worst - 1.0) * room.max())


def _in_one_plane(cell: Cell, tree: Node, limits: Limits) -> Node:
    """Return a tree in which cuts that nearly share a plane do share it, wherever every part still fits.

    One seam that runs on over two parts is easier to hide than two a few millimetres apart.
    """
    for a, b in itertools.permutations(dict.fromkeys(tree.planes), 2):
        step = abs(a.offset - b.offset)
        if a.normal != b.normal or not 0 < step < ALIGN_MM or {a, b} & set(limits.locked):
            continue
        tried = tree.replaced(b, a)
        found = [leaf for leaf, _ in _leaves(cell, tried) if leaf is not None]
        allowed = limits.allow(a, cell) and len(found) == len(
            [1 for leaf, _ in _leaves(cell, tree) if leaf is not None]
        )
        if allowed and all(leaf.turn.fits for leaf in found):
            tree = tried
    return tree


def thin_share(solid: Any, line_mm: float) -> tuple[float, FloatArray]:
    """Return the share of a solid's surface behind which the wall is thinner than a line, and the thinnest place.

    Asked at some hundred places by rays through the wall; only walls count, not the tapering edge of a blade.
    """
    vertices, triangles = raw_mesh(solid)
    corners = vertices[triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(normals, axis=1)
    run = np.cumsum(areas)
    rows = np.searchsorted(run, (np.arange(LOOKS) + 0.5) * run[-1] / LOOKS)
    thin, least, where = 0, np.inf, np.zeros(3)
    for row in rows:
        normal = normals[row] / areas[row]
        middle = corners[row].mean(axis=0)
        start, end = middle - 1e-5 * normal, middle - line_mm * normal
        hits = solid.ray_cast(tuple(map(float, start)), tuple(map(float, end)))
        if hits and float(np.asarray(hits[0].normal) @ normal) < -0.8:
            thin += 1
            thickness = float(np.linalg.norm(np.asarray(hits[0].position) - middle))
            if thickness < least:
                least, where = thickness, middle
    return thin / LOOKS, where


def _size(volume: Sequence[float]) -> str:
    return " x ".join(f"{v:g}" for v in volume)


def _lacking(hull: FloatArray, coarse: FloatArray) -> float:
    """Return by how much a coarse hull's extents fall short of the true one's, over many directions, mm."""
    true, stand = extents_in(frames(), reaching(hull)), extents_in(frames(), reaching(coarse))
    short = float((true - stand).max())
    return short if short > 1e-6 else 0.0


def _at_least(hull: FloatArray, volume: float, room: FloatArray, bodies: int) -> int:
    """Return a number of parts that no plan can go below."""
    longest = float(extents_in(frames(), hull).max())
    by_volume = int(np.ceil(volume / room.prod() - 1e-9))
    by_length = int(np.ceil(longest / float(np.linalg.norm(room)) - 1e-9))
    return max(bodies, by_volume, by_length, 2)


def _preview(leaf: Cell, room: FloatArray, options: SplitOptions) -> PlannedPart:
    size = extents_in(leaf.turn.rotation[None], leaf.hull)[0]
    if leaf.turn.fits:
        middle = leaf.hull.mean(axis=0)
        sides = [(plane, 1 if plane.distances(middle[None])[0] > 0 else -1) for plane in leaf.planes]
        size = lay(leaf.solid, sides, leaf.turn, room).size_mm
    mesh = mesh_of(leaf.solid)
    takes = estimate(leaf.volume, options.filament, float(mesh.areas.sum()))
    return PlannedPart(mesh, size, leaf.turn.fits, takes)


def _leaves(cell: Cell, node: Node) -> list[tuple[Cell | None, FloatArray]]:
    """Return the stand-in's parts under a tree, with what each cut adds to the seams (None for the cut itself)."""
    if node.plane is None:
        return [(cell, np.zeros(2))]
    seam = cell.surface.seam(node.plane)
    found: list[tuple[Cell | None, FloatArray]] = [(None, np.array([seam.front_mm, seam.shown_mm]))]
    above, below = cell.sides(node.plane)
    for solids, nodes in ((above, node.above), (below, node.below)):
        for solid, child in _matched(solids, nodes):
            found += _leaves(Cell(solid, cell.room, cell.view, (*cell.planes, node.plane)), child)
    return found


def _matched(solids: Sequence[Any], nodes: Sequence[Node]) -> list[tuple[Any, Node]]:
    """Return each solid with the node whose bounds it fills best; one without any becomes a final part."""
    boxes = [box_of(s) for s in solids]
    pairs = sorted(
        ((-_overlap(box, node.bounds), i, j) for i, box in enumerate(boxes) for j, node in enumerate(nodes)),
    )
    taken: dict[int, Node] = {}
    used: set[int] = set()
    for overlap, i, j in pairs:
        if overlap < 0 and i not in taken and j not in used:
            taken[i] = nodes[j]
            used.add(j)
    return [(s, taken.get(i, Node(boxes[i]))) for i, s in enumerate(solids)]


def _overlap(a: FloatArray, b: FloatArray) -> float:
    """Return the shared volume of two boxes (2, 3) over that of both together; thin boxes are padded by 1 mm."""
    shared = (np.minimum(a[1], b[1]) - np.maximum(a[0], b[0]) + 1).clip(0).prod()
    together = (np.ptp(a, axis=0) + 1).prod() + (np.ptp(b, axis=0) + 1).prod() - shared
    return float(shared / together)


def apply_plan(
    piece: Workpiece, plan: Plan, options: SplitOptions, progress: Progress = silent
) -> tuple[list[CutPart], list[str]]:
    """Cut the solid itself, and make sure that every part fits; return the parts, and remarks.

    The plan was made on a stand-in. Where a part of the true solid does not fit after all, that part is planned again
    by itself.

    Raises
    ------
    InputError
        If a part cannot be made to fit.
    """
    room = options.room
    remarks: list[str] = []
    if len(plan.bodies) == 1 and plan.bodies[0].plane is None:
        turn = turn_to_fit(hull_points(piece.solid), room, 1.0)
        if turn.fits:
            return [CutPart(piece.solid, (), turn)], remarks
    if len(plan.bodies) > 1:
        remarks.append(f"{len(plan.bodies)} bodies touch nowhere: each is a piece by itself")
    waiting: list[tuple[Any, Node, tuple[tuple[Plane, int], ...]]] = [
        (s, n, ()) for s, n in _matched(shells_of(piece.solid), plan.bodies)
    ]
    done: list[CutPart] = []
    cuts = max(1, len(plan.planes))
    made = 0
    while waiting:
        solid, node, planes = waiting.pop(0)
        if node.plane is None:
            part = CutPart(solid, planes, turn_to_fit(hull_points(solid), room, 1.0))
            if part.turn.fits:
                done.append(part)
                continue
            node = _planned_again(piece, solid, options)
            remarks.append("one part was planned again after the cut: it did not fit as planned")
        made += 1
        progress(min(1.0, made / cuts), f"cut {made} of {cuts}")
        assert node.plane is not None
        above, below = cut_in_two(solid, node.plane)
        for solids, nodes, side in ((above, node.above, 1), (below, node.below, -1)):
            waiting += [(s, n, (*planes, (node.plane, side))) for s, n in _matched(solids, nodes)]
    return _as_planned(done, plan), remarks


def _as_planned(parts: Sequence[CutPart], plan: Plan) -> list[CutPart]:
    """Return parts in the order in which the plan counts them; what is not in the plan comes last."""
    found = sorted(parts, key=lambda p: _reading_order(p.solid))
    boxes = [box_of(p.solid) for p in found]
    pairs = sorted(
        (-_overlap(box, p.mesh.bounds), j, i) for i, box in enumerate(boxes) for j, p in enumerate(plan.parts)
    )
    taken: dict[int, int] = {}
    for overlap, j, i in pairs:
        if overlap < 0 and i not in taken and j not in taken.values():
            taken[i] = j
    return [found[i] for i in sorted(range(len(found)), key=lambda i: (taken.get(i, len(plan.parts)), i))]


def _reading_order(solid: Any) -> tuple[float, ...]:
    """From the top down, then from front to back, then from the wearer's right to left."""
    x, y, z = box_of(solid).mean(axis=0)
    return (-round(z / 10), round(y / 10), round(x, 3))


def cut_in_two(solid: Any, plane: Plane) -> tuple[list[Any], list[Any]]:
    """Return a solid's bodies above and below a plane.

    A crumb, a body of hardly any volume that a plane shaves off a rough surface, goes back to the part it was shaved
    off, across the plane: so every volume stays accounted for.
    """
    from manifold3d import Manifold, OpType

    sides = [shells_of(half) for half in solid.split_by_plane(plane.normal, plane.offset)]
    least = crumb_of(solid)
    kept = [[s for s in side if s.volume() > least] for side in sides]
    for i in (0, 1):
        crumbs = [s for s in sides[i] if s.volume() <= least]
        if crumbs and kept[1 - i]:
            together = Manifold.batch_boolean([*kept[1 - i], *crumbs], OpType.Add)
            kept[1 - i] = shells_of(together)
    return kept[0], kept[1]


def _planned_again(piece: Workpiece, solid: Any, options: SplitOptions) -> Node:
    coarse = stand_in(solid)
    lacking = _lacking(hull_points(solid), hull_points(coarse))
    search = Search(options.weights, replace(options.limits, locked=()), piece.solid.volume(), options.planes)
    node = search.run(Cell(coarse, options.room - lacking - 0.2, piece.view))
    if node.plane is None:
        x, y, z = box_of(solid).mean(axis=0)
        raise InputError(
            f"the part about {x:.0f}, {y:.0f}, {z:.0f} mm cannot be made to fit with the cuts allowed",
            source=piece.name,
            remedy="allow more cuts, or give a larger volume",
        )
    return node
