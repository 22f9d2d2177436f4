# SPDX-License-Identifier: GPL-3.0-or-later
"""The signed distance to a form, ready to be asked for millions of points.

A field has one or two grids of nodes. Each node holds the standoff and its gradient, four float32 in one row,
so that a point costs one gather: the nearest node's value plus gradient times offset (first-order Taylor).
Against trilinear interpolation that is one cache line instead of eight values, and as exact near a surface,
where both are wrong by about curvature times cell size squared; on a convex form it errs to the safe side, for
the distance to a convex body is convex.

Nodes within `TOLERANCES.field_band_mm` of the surface hold exact distances; farther nodes of the fine grid are
interpolated from exact ones at twice its cell. A form too large for one fine grid has a fine box and, over the
whole form, a coarse grid. Beyond all grids the value is a lower bound: with c the point of the grid's box nearest to
p, every q of the form lies in the box, so the angle p-c-q is obtuse and |p - q|² ≥ |p - c|² + |c - q|².

Distances are exact point-triangle distances; only the sign comes from the fast winding number (Barill et al. 2018,
"Fast winding numbers for soups and clouds"), taken without regard to its sign, so that a closed form that is
inside out counts as what it was meant to be.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .. import cache
from ..arrays import FloatArray, IntArray
from ..errors import InputError
from ..memory import remembered
from ..mesh import TriangleMesh
from ..pose import Pose
from ..progress import Progress, part_of, silent
from ..tolerances import TOLERANCES
from ..wearer.form import Form
from ..wearer.regions import HEAD

FORMAT = 2  # of the kept files; raise it when their content changes meaning
NODE_BUDGET = 8_000_000
NODE_BYTES = 112  # of one node while a grid is filled: its place, three times over, and what is found there
COARSE_MM = 16.0
FAR_MM = 28.0  # nodes farther from the form than this are interpolated from every fourth that is exact
ROOM_MM = 40.0  # between the form and the border of a grid: most pieces stay inside
SNAP_MM = 32.0  # corners of boxes stand on this lattice, so that near-by questions share a field
TOUCHING_MM = 1e-6  # a point nearer than this lies on the surface
_CHUNK = 8192  # points per gather: the temporaries stay in the second-level cache
_EXACT_CHUNK = 262_144
_HULLS = 1024  # hulls bounded in one go, for the same reason

Float32 = NDArray[np.float32]


class ExactDistance:
    """Exact signed distances to a closed mesh.

    Parameters
    ----------
    mesh
        Closed.
    """

    def __init__(self, mesh: TriangleMesh) -> None:
        import igl

        # A zero-area triangle adds nothing to the surface its neighbours do not have.
        self._rows = np.flatnonzero(mesh.areas > 0)
        self._vertices = np.array(mesh.vertices)
        self._triangles = np.array(mesh.triangles[self._rows])
        self._normals = mesh.area_vectors[self._rows]
        self._tree = igl.AABB()
        self._tree.init(self._vertices, self._triangles)
        self._winding = igl.FastWindingNumberBVH()
        self._winding.init(self._vertices, self._triangles)

    def nearest(self, points: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
        """Return for points (n, 3) the unsigned distance (n,), the mesh's triangle (n,), its point (n, 3)."""
        if not len(points):
            return np.empty(0), np.empty(0, np.int64), np.empty((0, 3))
        squared, triangle, closest = self._tree.squared_distance(
            self._vertices, self._triangles, np.ascontiguousarray(points, dtype=np.float64)
        )
        return np.sqrt(squared), self._rows[triangle], closest.reshape(-1, 3)

    def inside(self, points: FloatArray) -> NDArray[np.bool_]:
        """Return which of some points (n, 3) lie inside."""
        if not len(points):
            return np.empty(0, bool)
        return np.abs(self._winding.winding_number(np.ascontiguousarray(points, dtype=np.float64))) > 0.5

    def outward(self, triangles: IntArray) -> FloatArray:
        """Return unit normals (n, 3) of some of the mesh's triangles."""
        normals = self._normals[np.searchsorted(self._rows, triangles)]
        return normals / np.linalg.norm(normals, axis=1, keepdims=True)


@dataclass(frozen=True, eq=False)
class Grid:
    """A regular grid of standoffs and gradients.

    Attributes
    ----------
    origin
        The first node, (3,) mm.
    spacing
        Between nodes, mm.
    shape
        Nodes along X, Y and Z.
    nodes
        (N, 4) float32: standoff in mm, and its gradient in mm per node spacing, in C order of `shape`.
    """

    origin: FloatArray
    spacing: float
    shape: tuple[int, int, int]
    nodes: Float32

    @cached_property
    def box(self) -> FloatArray:
        """Lowest and highest node, (2, 3)."""
        return np.array([self.origin, self.origin + self.spacing * (np.array(self.shape) - 1)])

    @cached_property
    def _rows(self) -> NDArray[np.complex128]:
        # One 16-byte element per node: numpy's fastest gather.
        return self.nodes.view(np.complex128).ravel()

    @cached_property
    def _strides(self) -> Float32:
        # Row numbers stay below 2^24, where float32 counts exactly.
        return np.array([[self.shape[1] * self.shape[2]], [self.shape[2]], [1]], np.float32)

    @cached_property
    def _last(self) -> Float32:
        return (np.array(self.shape, np.float32) - 1)[:, None]

    def nearest(self, u: Float32) -> NDArray[np.intp]:
        """Return the rows (n,) of the nodes nearest to points (3, n), in spacings from the first node."""
        node = np.rint(u)
        np.maximum(node, 0, out=node)
        np.minimum(node, self._last, out=node)
        node *= self._strides
        return (node[0] + node[1] + node[2]).astype(np.intp)

    def gather(self, u: Float32) -> tuple[Float32, Float32, bool]:
        """Return nodes' rows (n, 4), offsets from them (3, n), and whether a point lies outside, for u (3, n).

        `u` is in node spacings from the first node; a point outside gets the nearest node.
        """
        node = np.rint(u)
        np.maximum(node, 0, out=node)
        np.minimum(node, self._last, out=node)
        offset = u - node
        node *= self._strides
        row = (node[0] + node[1] + node[2]).astype(np.intp)
        rows = self._rows.take(row).view(np.float32).reshape(-1, 4)
        outside = bool(np.max(offset) > 0.5001 or np.min(offset) < -0.5001)
        return rows, offset, outside

    def values(self, u: Float32) -> tuple[Float32, NDArray[np.bool_] | None]:
        """Return standoffs (n,) and which points lie outside (their values are bounds from below), or None."""
        rows, offset, outside = self.gather(u)
        if not outside:
            return _taylor(rows, offset), None
        inner = np.clip(offset, -0.5, 0.5)
        beyond = offset - inner
        at_box = _taylor(rows, inner)
        away2 = (beyond * beyond).sum(axis=0) * np.float32(self.spacing**2)
        out = away2 > (1e-3 * self.spacing) ** 2
        bound = np.sqrt(away2 + np.maximum(at_box, 0) ** 2)
        return np.where(out, bound, at_box), out

    def gradients(self, u: Float32) -> Float32:
        """Return the gradients of `values` (n, 3), per mm."""
        rows, offset, outside = self.gather(u)
        slope = rows[:, 1:] / np.float32(self.spacing)
        if outside:
            inner = np.clip(offset, -0.5, 0.5)
            beyond = (offset - inner).T * np.float32(self.spacing)
            at_box = np.maximum(_taylor(rows, inner), 0)[:, None]
            out = (np.abs(beyond) > 1e-3 * self.spacing).any(axis=1)
            length = np.sqrt((beyond**2).sum(axis=1, keepdims=True) + at_box**2)
            along = np.where(beyond != 0, beyond, at_box * slope) / np.maximum(length, np.float32(1e-9))
            slope = np.where(out[:, None], along, slope)
        return slope


def _node_bounds(grid: Grid, u: Float32) -> tuple[Float32, Float32]:
    """Return for u (3, n) the nearest nodes' standoffs (n,) less all that may lie between, and the standoffs."""
    rows, offset, _ = grid.gather(u)
    value = rows[:, 0]
    # float32 places a point to a ten-thousandth of a millimetre in a grid of a metre
    moved = np.sqrt((offset * offset).sum(axis=0)) * np.float32(grid.spacing) + np.float32(1e-3)
    away, slack = np.abs(value), np.float32(np.sqrt(3) * grid.spacing)  # see `_sampled`
    between = (away > np.float32(TOLERANCES.field_band_mm)) + 2 * (away > np.float32(FAR_MM) - 3 * slack)
    return value - moved - between * slack, value


def _taylor(rows: Float32, offset: Float32) -> Float32:
    value = rows[:, 1] * offset[0]
    value += rows[:, 2] * offset[1]
    value += rows[:, 3] * offset[2]
    value += rows[:, 0]
    return value


@dataclass(frozen=True, eq=False)
class Field:
    """The signed distance to a form: positive outside, mm.

    Attributes
    ----------
    form
        What the distance is to.
    fine
        The grid that nearly every question falls into.
    coarse
        The grid over the whole form where the fine one does not hold it; else None.
    error_mm
        Largest error of `standoff` seen on a fixed set of points within 8 mm of the surface in the fine box. A bound
        that cannot fail is `floor`.
    """

    form: Form
    fine: Grid
    coarse: Grid | None
    error_mm: float

    @property
    def box(self) -> FloatArray:
        """Lowest and highest corner of the fine grid, (2, 3) mm."""
        return self.fine.box

    @property
    def spacing(self) -> float:
        """Of the fine grid, mm."""
        return self.fine.spacing

    @cached_property
    def surface(self) -> ExactDistance:
        """The form's own triangles, to be asked exactly."""
        return _surface_of(self.form.mesh)

    def standoff(self, points: FloatArray) -> FloatArray:
        """Return standoffs (n,) at points (n, 3), to about `error_mm` near the form; bounds outside the grids."""
        return Probe(self, points).standoff().astype(np.float64)

    def gradient(self, points: FloatArray) -> FloatArray:
        """Return the gradients (n, 3) of `standoff`: unit vectors away from the form, save at creases."""
        return Probe(self, points).gradient().astype(np.float64)

    def floor(self, points: FloatArray) -> FloatArray:
        """Return bounds (n,) that the standoffs at points (n, 3) are certainly not below.

        A distance changes by no more than one moves. Within the band the node is exact; beyond it, interpolated
        from nodes at twice the cell, so its error is below √3 cells, and below three times that about `FAR_MM` and on,
        where those are interpolated in turn.
        """
        return Probe(self, points).floor().astype(np.float64)

    def floor_over(self, hulls: FloatArray) -> FloatArray:
        """Return bounds (n,) mm that no standoff in the convex hulls of points (n, k, 3) mm is below; −inf if unknown.

        A distance changes by no more than one moves, so a node's standoff less how far the hull reaches from it is a
        bound. A node straight above a hull that lies along the form loses next to nothing: what is `s` beside the
        foot of its perpendicular, of length L, is farther by about s²/2L. So nodes high above are asked that are
        exact (`_sampled`): those in the band, and every second one as far as `FAR_MM`.
        """
        best = np.full(len(hulls), -np.inf)
        for start in range(0, len(hulls), _HULLS):
            some = slice(start, start + _HULLS)
            best[some] = self._floor_over(np.array(hulls[some].transpose(1, 2, 0), order="C"))
        return best

    def _floor_over(self, hull: FloatArray) -> FloatArray:
        """Return `floor_over` of hulls (k, 3, n): sums over few rows of many are quick."""
        grid, best = self.fine, np.full(hull.shape[2], -np.inf)
        hull -= grid.origin[:, None]
        hull /= grid.spacing
        u = hull.sum(axis=0) / len(hull)
        rows, offset, _ = grid.gather(u.astype(np.float32))
        value = _taylor(rows, offset).astype(float)
        out = rows.T[1:].astype(float)
        out /= np.maximum(np.sqrt((out * out).sum(axis=0)), 1e-9)
        last = np.array(grid.shape)[:, None] - 1
        for height, step, exact_to in (
            (FAR_MM - 4.0, 2, FAR_MM),
            (TOLERANCES.field_band_mm - grid.spacing, 1, TOLERANCES.field_band_mm),
        ):
            lift = (height - value) / grid.spacing
            node = step * np.rint((u + lift * out) / step)
            held = np.minimum(np.maximum(node, 0), last)
            row = np.ravel_multi_index(tuple(held.astype(np.intp)), grid.shape)
            standoff = grid.nodes[row, 0].astype(float)
            known = (lift > 0.5) & (held == node).all(axis=0) & (standoff <= exact_to)
            away = hull - node
            away *= away
            reach = grid.spacing * np.sqrt(away.sum(axis=1).max(axis=0))
            floor = standoff - reach - 1e-3  # float32 errs by less
            best = np.where(known, np.maximum(best, floor), best)
        return best

    def exact(self, points: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
        """Return exact signed distances (n,), the form's nearest triangles (n,) and points (n, 3)."""
        points = np.asarray(points, float).reshape(-1, 3)
        distance, triangle, closest = self.surface.nearest(points)
        inside = np.zeros(len(points), bool)
        low, high = self.form.mesh.bounds
        within = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1) & (distance > 1e-9))
        inside[within], known = self._sign(points[within], distance[within])
        # Next to the surface, step straight away from it: what is farther from the surface than the step is long has
        # the start's sign. That is several times cheaper than a winding number.
        unsure = within[~known]
        for step in (1.25 * self.spacing, 0.5 * self.spacing):
            away = (points[unsure] - closest[unsure]) / distance[unsure, None]
            stepped = points[unsure] + step * away
            clear = self.surface.nearest(stepped)[0]
            inside[unsure], known = self._sign(stepped, clear)
            known &= clear > step * (1 + 1e-9)
            unsure = unsure[~known]
        inside[unsure] = self.surface.inside(points[unsure])
        return np.where(inside, -distance, distance), triangle, closest

    def _sign(self, points: FloatArray, clear: FloatArray) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return which points lie inside, and for which that is certain.

        No surface lies nearer than `clear` (n,), so a node nearer than that is on the same side; each node's is known.
        """
        if not len(points):
            return np.zeros(0, bool), np.zeros(0, bool)
        inside, known = np.zeros(len(points), bool), np.zeros(len(points), bool)
        for grid in (self.fine, self.coarse):
            rest = np.flatnonzero(~known)
            if grid is None or not len(rest):
                break
            rows, offset, _ = grid.gather(((points[rest] - grid.origin) / grid.spacing).T.astype(np.float32))
            # float32 places a point to a ten-thousandth of a millimetre in a grid of a metre
            moved = np.sqrt((offset * offset).sum(axis=0)) * np.float32(grid.spacing) + np.float32(1e-3)
            inside[rest], known[rest] = rows[:, 0] < 0, moved < clear[rest]
        return inside, known

    def regions_at(self, triangles: IntArray) -> IntArray:
        """Return the rows of `form.region_names` for some of the form's triangles."""
        assert self.form.region_of_triangle is not None
        return self.form.region_of_triangle[triangles]


class Probe:
    """Points of a piece, laid out to be asked for their standoff at many poses and scales.

    Parameters
    ----------
    field
        What to ask.
    points
        (n, 3) mm, in the piece's frame.
    """

    def __init__(self, field: Field, points: FloatArray) -> None:
        points = np.asarray(points, float).reshape(-1, 3)
        self.field = field
        # Centred, so that float32 keeps a ten-thousandth of a millimetre wherever the piece was drawn.
        self.centre = points.mean(axis=0) if len(points) else np.zeros(3)
        self._points: Float32 = np.ascontiguousarray((points - self.centre).T, dtype=np.float32)

    def __len__(self) -> int:
        return self._points.shape[1]

    def standoff(self, pose: Pose | None = None, scale: float = 1.0) -> Float32:
        """Return the standoffs (n,) of the points after ``pose.apply(scale * points)``."""
        fine, coarse = self.field.fine, self.field.coarse
        affine = self._affine(fine, pose, scale)
        result = np.empty(len(self), np.float32)
        for start in range(0, len(self), _CHUNK):
            chunk = self._points[:, start : start + _CHUNK]
            value, outside = fine.values(_apply(affine, chunk))
            if outside is not None and coarse is not None and outside.any():
                value[outside] = coarse.values(_apply(self._affine(coarse, pose, scale), chunk[:, outside]))[0]
            result[start : start + _CHUNK] = value
        return result

    def gradient(self, pose: Pose | None = None, scale: float = 1.0) -> Float32:
        """Return the gradients (n, 3) of the standoff, in the form's frame, at the moved points."""
        fine, coarse = self.field.fine, self.field.coarse
        affine = self._affine(fine, pose, scale)
        result = np.empty((len(self), 3), np.float32)
        for start in range(0, len(self), _CHUNK):
            chunk = self._points[:, start : start + _CHUNK]
            u = _apply(affine, chunk)
            slope = fine.gradients(u)
            if coarse is not None:
                outside = ((u < -0.5) | (u > fine._last + 0.5)).any(axis=0)
                if outside.any():
                    slope[outside] = coarse.gradients(_apply(self._affine(coarse, pose, scale), chunk[:, outside]))
            result[start : start + _CHUNK] = slope
        return result

    def facing(self, pose: Pose | None, scale: float, way: FloatArray) -> tuple[Float32, Float32]:
        """Return the standoffs (n,) and their slopes (n,) along a unit `way` (3,) of the form's frame, in one look.

        Beyond the fine grid the slope is that at its border.
        """
        fine = self.field.fine
        affine = self._affine(fine, pose, scale)
        standoff, slope = np.empty(len(self), np.float32), np.empty(len(self), np.float32)
        along = (np.asarray(way) / fine.spacing).astype(np.float32)
        for start in range(0, len(self), _CHUNK):
            u = _apply(affine, self._points[:, start : start + _CHUNK])
            rows, offset, outside = fine.gather(u)
            standoff[start : start + _CHUNK] = fine.values(u)[0] if outside else _taylor(rows, offset)
            part = rows[:, 1] * along[0]
            part += rows[:, 2] * along[1]
            part += rows[:, 3] * along[2]
            slope[start : start + _CHUNK] = part
        return standoff, slope

    def floor(self, pose: Pose | None = None, scale: float = 1.0) -> Float32:
        """Return bounds (n,) that the standoffs at the moved points are certainly not below; see `Field.floor`."""
        affine = self._affine(self.field.fine, pose, scale)
        result = np.empty(len(self), np.float32)
        for start in range(0, len(self), _CHUNK):
            u = _apply(affine, self._points[:, start : start + _CHUNK])
            result[start : start + _CHUNK] = _node_bounds(self.field.fine, u)[0]
        return result

    def moved(self, pose: Pose | None = None, scale: float = 1.0) -> Float32:
        """Return the moved points (3, n), to a ten-thousandth of a millimetre within a metre of the origin."""
        unit = Grid(np.zeros(3), 1.0, (1, 1, 1), np.zeros((1, 4), np.float32))
        return _apply(self._affine(unit, pose, scale), self._points)

    def _affine(self, grid: Grid, pose: Pose | None, scale: float) -> Float32:
        """Return the (3, 4) map from the centred points to the grid's node coordinates."""
        rotation = np.eye(3) if pose is None else pose.rotation
        shift = np.zeros(3) if pose is None else pose.translation_mm
        place = scale * (rotation @ self.centre) + shift - grid.origin
        return (np.column_stack([scale * rotation, place]) / grid.spacing).astype(np.float32)


def _apply(affine: Float32, points: Float32) -> Float32:
    # Written out: a matrix library may add in another order on another machine, and a node would flip.
    u = affine[:, 0:1] * points[0]
    u += affine[:, 1:2] * points[1]
    u += affine[:, 2:3] * points[2]
    u += affine[:, 3:4]
    return u


def _surface_of(mesh: TriangleMesh) -> ExactDistance:
    return remembered(f"surface:{mesh.content_hash}", 16, lambda: ExactDistance(mesh))


def field_of(form: Form, box: FloatArray | None = None, progress: Progress = silent) -> Field:
    """Return the field of a form, from memory, from the user's cache folder, or made now.

    Parameters
    ----------
    form
        The closed surface.
    box
        (2, 3) mm, where questions will come from, for forms too large to be filled finely. A form with a head
        is filled about the head unless the middle of `box` lies elsewhere.
    progress
        Told of the making; may cancel it.
    """
    fine_box, spacing, whole = _fine_box(form, box)
    fine = _grid_of(form, fine_box, spacing, part_of(progress, 0.0, 0.7))
    coarse = None
    if not whole:
        bounds = form.mesh.bounds
        coarse = _grid_of(
            form, _snapped(bounds[0] - ROOM_MM, bounds[1] + ROOM_MM), COARSE_MM, part_of(progress, 0.7, 1.0)
        )
    key = f"error:{form.mesh.content_hash}:{_key(fine_box, spacing)}"
    error = remembered(key, 256, lambda: _largest_error(form, fine))
    progress(1.0, "distance field")
    return Field(form, fine, coarse, error)


def _fine_box(form: Form, box: FloatArray | None) -> tuple[FloatArray, float, bool]:
    """Return the fine grid's box (2, 3), its spacing, and whether it holds the whole form with room."""
    cell = TOLERANCES.field_cell_mm
    bounds = form.mesh.bounds
    entire = _snapped(bounds[0] - ROOM_MM, bounds[1] + ROOM_MM)
    _refuse_vast(entire)
    if _nodes_in(entire, cell) <= NODE_BUDGET:
        return entire, cell, True
    head = _head_box(form, cell)
    chosen = entire
    if box is not None:
        low = np.maximum(np.asarray(box, float)[0] - 8.0, entire[0])
        high = np.minimum(np.asarray(box, float)[1] + 8.0, entire[1])
        if (high > low).all():
            chosen = _snapped(low, high)
    if head is not None:
        middle = chosen.mean(axis=0)
        if box is None or ((middle >= head[0]) & (middle <= head[1])).all():
            chosen = head
    while _nodes_in(chosen, cell) > NODE_BUDGET:
        cell *= 2.0  # a box as large as this has no place where two millimetres matter
    return chosen, cell, bool((chosen == entire).all())


def _refuse_vast(entire: FloatArray) -> None:
    """Raise, before any memory is taken, where even the coarse grid of a box would hold too many nodes."""
    count = _nodes_in(entire, COARSE_MM)
    if count > NODE_BUDGET:
        extent = " x ".join(f"{v / 1000:.3g}" for v in np.ptp(entire, axis=0))
        need, most = (NODE_BYTES * n / 1e9 for n in (count, NODE_BUDGET))
        raise InputError(
            f"the wearer's form with room about it is {extent} m: "
            f"its distance field would take {need:,.1f} GB of memory, more than the {most:.1f} GB allowed",
            remedy="check the unit of the wearer's mesh or scene",
        )


def _head_box(form: Form, cell: float) -> FloatArray | None:
    """Return the box about head, neck and as much of the shoulders as the budget holds; None without a head."""
    assert form.region_of_triangle is not None
    box: FloatArray | None = None
    upper = [i for i, name in enumerate(form.region_names) if name in HEAD]
    for rows in (upper, [i for i in upper if not form.region_names[i].startswith("shoulder")]):
        chosen = np.isin(form.region_of_triangle, rows)
        if not chosen.any():
            break
        used = form.mesh.corners[chosen].reshape(-1, 3)
        box = _snapped(used.min(axis=0) - ROOM_MM, used.max(axis=0) + ROOM_MM)
        if _nodes_in(box, cell) <= NODE_BUDGET:
            break
    while box is not None and _nodes_in(box, cell) > NODE_BUDGET and np.ptp(box[:, 2]) > SNAP_MM:
        box[0, 2] += SNAP_MM  # the neck gives way: the head is at the top
    return box


def _snapped(low: FloatArray, high: FloatArray) -> FloatArray:
    return np.array([np.floor(low / SNAP_MM), np.ceil(high / SNAP_MM)]) * SNAP_MM


def _counts(box: FloatArray, spacing: float) -> tuple[int, int, int]:
    x, y, z = (int(v) for v in np.ceil(np.ptp(box, axis=0) / spacing - 1e-9) + 1)
    return x, y, z


def _nodes_in(box: FloatArray, spacing: float) -> int:
    return int(np.prod([float(n) for n in _counts(box, spacing)]))


def _key(box: FloatArray, spacing: float) -> str:
    text = f"{FORMAT} {spacing} {TOLERANCES.field_band_mm} {np.round(box, 3).tolist()}"
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _grid_of(form: Form, box: FloatArray, spacing: float, progress: Progress) -> Grid:
    """Return a grid, kept or made: all nodes exact for a coarse one, else those in the band."""
    name = f"field-{form.mesh.content_hash[:32]}-{_key(box, spacing)}"

    def make() -> Grid:
        shape = _counts(box, spacing)
        count = shape[0] * shape[1] * shape[2]
        kept = cache.load(name)
        fits = (
            kept is not None
            and {"value", "slope"} <= set(kept)
            and kept["value"].shape == (count,)
            and kept["value"].dtype == np.float32
            and kept["slope"].shape == (count, 3)
            and kept["slope"].dtype == np.int8
        )
        if kept is None or not fits:
            value, slope = _sampled(form, box[0], spacing, shape, spacing >= COARSE_MM, progress)
            kept = {"value": value, "slope": slope}
            cache.store(name, **kept)
        nodes = np.empty((count, 4), np.float32)
        nodes[:, 0] = kept["value"]
        np.multiply(kept["slope"], np.float32(spacing / 127.0), out=nodes[:, 1:])
        return Grid(box[0], spacing, shape, nodes)

    return remembered(f"grid:{name}", 6, make)


def _sampled(
    form: Form, origin: FloatArray, spacing: float, shape: tuple[int, int, int], all_exact: bool, progress: Progress
) -> tuple[Float32, NDArray[np.int8]]:
    """Return standoffs (N,) and gradients (N, 3) in 127ths at every node of a grid."""
    surface = _surface_of(form.mesh)
    coarsest = spacing if all_exact else 4 * spacing
    quarter = shape if all_exact else tuple((n // 2 + 1) // 2 + 1 for n in shape)
    points = _lattice(origin, coarsest, quarter)
    value, slope = _exact_nodes(surface, points, part_of(progress, 0.0, 1.0 if all_exact else 0.1))
    low, high = form.mesh.bounds
    held = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    _turn_inside(value, slope, held[surface.inside(points[held])])
    if not all_exact:
        # From every fourth node to every second to every one, each time nearer to the surface. The mean of the corners
        # of a cell of side h errs by no more than √3 h/2 for a function that changes no faster than one moves.
        slack = np.sqrt(3) * spacing
        half = tuple(n // 2 + 1 for n in shape)
        for upto, before, after, step, share in (
            (FAR_MM + 2 * slack, quarter, half, 2, (0.1, 0.4)),
            (TOLERANCES.field_band_mm + slack, half, shape, 1, (0.4, 1.0)),
        ):
            value, slope = _between(value, slope, before, after)
            band = np.flatnonzero(np.abs(value) <= upto)
            inside = value[band] < 0
            points = origin + step * spacing * np.stack(np.unravel_index(band, after), axis=1)
            value[band], slope[band] = _exact_nodes(surface, points, part_of(progress, *share))
            unsure = np.flatnonzero(value[band] <= step * slack * 1.01)
            inside[unsure] = False
            _turn_inside(value, slope, band[inside])
            # What is farther than `upto` was not asked, and may err by the step's slack.
            clear = np.abs(value) - np.where(np.abs(value) > upto, np.float32(step * slack), np.float32(0))
            clear[band[unsure]] = 0.0
            inside = _inside(surface, value, slope, clear, band[unsure], (origin, step * spacing, after))
            _turn_inside(value, slope, band[unsure[inside]])
    return value, np.rint(np.clip(slope, -1, 1) * 127).astype(np.int8)


def _turn_inside(value: Float32, slope: Float32, rows: IntArray) -> None:
    """Make some nodes' distances those of points inside; one on the surface has neither side."""
    rows = rows[value[rows] > TOUCHING_MM]
    value[rows] *= -1
    slope[rows] *= -1


def _inside(
    surface: ExactDistance,
    value: Float32,
    slope: Float32,
    clear: Float32,
    unsure: IntArray,
    grid: tuple[FloatArray, float, tuple[int, ...]],
) -> NDArray[np.bool_]:
    """Return which of the `unsure` nodes lie inside: those whose `value` has no sign yet.

    No surface lies nearer to a node than `clear`, so what is nearer has its side; 0 where the side is not known. A
    node straight away from the surface is asked first. The few where that tells nothing are asked for their winding
    number, which is many times dearer.
    """
    origin, spacing, shape = grid
    node = np.stack(np.unravel_index(unsure, shape), axis=1)
    inside, rest = np.zeros(len(unsure), bool), np.arange(len(unsure))
    for cells in (3.0, 2.0):
        other = np.rint(node[rest] + cells * slope[unsure[rest]])
        other = np.clip(other, 0, np.array(shape) - 1).astype(np.intp)
        row = np.ravel_multi_index(tuple(other.T), shape)
        apart = spacing * np.linalg.norm(other - node[rest], axis=1)
        known = apart + 1e-3 < clear[row]  # float32 errs by less
        inside[rest[known]] = value[row[known]] < 0
        rest = rest[~known]
    inside[rest] = surface.inside(origin + spacing * node[rest])
    return inside


def _between(
    value: Float32, slope: Float32, coarse: tuple[int, ...], shape: tuple[int, ...]
) -> tuple[Float32, Float32]:
    """Return standoffs (N,) and gradients (N, 3) on a grid of `shape` with the means of a coarser one's between."""
    both = np.column_stack([value, slope]).reshape(*coarse, 4)
    both = _doubled(both)[: shape[0], : shape[1], : shape[2]].reshape(-1, 4)
    return np.ascontiguousarray(both[:, 0]), np.ascontiguousarray(both[:, 1:])


def _lattice(origin: FloatArray, spacing: float, shape: tuple[int, ...]) -> FloatArray:
    axes = [origin[k] + spacing * np.arange(shape[k]) for k in range(3)]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def _exact_nodes(surface: ExactDistance, points: FloatArray, progress: Progress) -> tuple[Float32, Float32]:
    """Return the distances (n,) of points from a surface, and unit vectors (n, 3) straight away from it.

    Of a point on the surface that is the surface's normal.
    """
    value = np.empty(len(points), np.float32)
    slope = np.empty((len(points), 3), np.float32)
    for start in range(0, len(points), _EXACT_CHUNK):
        some = slice(start, start + _EXACT_CHUNK)
        progress(start / len(points), "distance field")
        distance, triangle, closest = surface.nearest(points[some])
        away = points[some] - closest
        touching = distance < TOUCHING_MM
        away[touching] = surface.outward(triangle[touching])
        value[some] = distance
        slope[some] = away / np.where(touching, 1.0, distance)[:, None]
    return value, slope


def _doubled(coarse: Float32) -> Float32:
    """Return a grid of rows (x, y, z, k) with the means of neighbours put between them."""
    for axis in range(3):
        lower = [slice(None)] * 4
        upper = [slice(None)] * 4
        lower[axis], upper[axis] = slice(None, -1), slice(1, None)
        shape = list(coarse.shape)
        shape[axis] = 2 * shape[axis] - 1
        finer = np.empty(shape, np.float32)
        even = [slice(None)] * 4
        odd = [slice(None)] * 4
        even[axis], odd[axis] = slice(None, None, 2), slice(1, None, 2)
        finer[tuple(even)] = coarse
        finer[tuple(odd)] = (coarse[tuple(lower)] + coarse[tuple(upper)]) * np.float32(0.5)
        coarse = finer
    return coarse


def _largest_error(form: Form, fine: Grid) -> float:
    """Return the largest error of a grid on points within 8 mm of the form, the same ones each time."""
    rng = np.random.default_rng(0)
    corners = form.mesh.corners
    within = ((corners >= fine.box[0]) & (corners <= fine.box[1])).all(axis=(1, 2))
    rows = np.flatnonzero(within & (form.mesh.areas > 0))
    if not len(rows):
        return float("inf")
    rows = rows[rng.integers(0, len(rows), 4096)]
    weights = rng.dirichlet((1.0, 1.0, 1.0), len(rows))
    normal = form.mesh.area_vectors[rows] / form.mesh.areas[rows, None]
    points = np.einsum("ij,ijk->ik", weights, corners[rows]) + normal * rng.uniform(-8, 8, (len(rows), 1))
    field = Field(form, fine, None, 0.0)
    seen = ((points >= fine.box[0]) & (points <= fine.box[1])).all(axis=1)
    return float(np.abs(field.standoff(points[seen]) - field.exact(points[seen])[0]).max())
