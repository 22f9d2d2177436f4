# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a piece stands off its wearer, as a whole and by body region.

A region's *minimum* is taken over the piece's whole surface, faces and edges included: of all points whose nearest
point of the form lies in the region, the least standoff. It is found by branch and bound over the piece's
triangles and is exact against the form's triangles to `Clearance.tolerance_mm`. Where two regions meet, a point
within `LABEL_MM` of the border may be missed by the region whose minimum is the larger: the border is a
convention, and drawn no sharper than that.

Its *mean* and *5th percentile* are taken by area over the piece's inner surface: points from which the way straight
down to the form, and `WALL_MM` on into it, meets no other surface of the piece. The outside of a wall so never
counts, however the triangles are oriented. Regions that nothing of the piece comes within `NEAR_MM` of are left out.

Bounds. Let a triangle have corners x_i with standoffs f_i, longest side L, and p = Σ λ_i x_i one of its points.
For any q, Σ λ_i |q - x_i|² = |q - p|² + Σ λ_i |p - x_i|², and Σ λ_i |p - x_i|² ≤ L²/3. Hence

* f(p) ≥ min f_i - L/√3, a distance being 1-Lipschitz;
* where all f_i > 0, and q is the form's point nearest to p: f(p)² ≥ min f_i² - L²/3. The error falls with the
  square of L, so that a few halvings do, even where two shells run parallel;
* f(p) ≥ -max |x_i - q| for every q of the form, as |p - q| is convex in p: this bounds the depth of penetration.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..errors import InputError
from ..piece import Piece
from ..pose import Pose
from ..progress import Progress, silent
from ..tolerances import TOLERANCES
from ..verdict import Place, Status, judge
from ..wearer.form import CUT, Wearer
from .field import Field, Probe, field_of
from .surface import PieceSurface, surface_of

SAMPLES = 4096
WALL_MM = 20.0
NEAR_MM = 100.0
LABEL_MM = 8.0
FROM_CENTROID = 2 / 3  # of its longest side no point of a triangle is farther from its centroid
WIDEST = 16  # of its cells that regions are looked for to either side
_EVALUATIONS = 400_000
_QUICK_EVALUATIONS = 40_000
_FIRST = 600  # samples that are looked at exactly before the whole surface is


@dataclass(frozen=True)
class RegionStandoff:
    """One region's figures in mm.

    Where a seated piece is carried it touches by nature: `free_mm` is then the least standoff there of what does not
    carry it, infinite where all of it does. Where a piece is too small to come to rest it is the one that it would have
    at rest. What is judged is `room_mm`.
    """

    min_mm: float
    mean_mm: float
    p5_mm: float
    allowance_mm: float
    spread_mm: float
    at: tuple[float, float, float]
    part: str
    free_mm: float | None = None

    @property
    def room_mm(self) -> float:
        """What is left over the allowance, the spread not yet taken off, mm."""
        return (self.min_mm if self.free_mm is None else self.free_mm) - self.allowance_mm

    @property
    def margin_mm(self) -> float:
        """What is left over allowance and spread, mm."""
        return self.room_mm - self.spread_mm

    @property
    def status(self) -> Status:
        """The verdict on this region alone."""
        return judge(self.room_mm, self.spread_mm)

    @property
    def shortness(self) -> tuple[int, float]:
        """How near the region is to limiting the piece: what is larger limits first.

        The worst verdict comes first, then what has the least left after its spread. Of marginal regions the likeliest
        to be short of room comes first: the one that has the least of its spread left. A region known to 8 mm that has
        room is no warning beside one that lacks a millimetre and is known to 2.
        """
        left = self.room_mm / self.spread_mm if self.status is Status.MARGINAL else self.margin_mm
        return self.status.severity, -left


@dataclass(frozen=True)
class Clearance:
    """The standoff of a piece at one pose and scale.

    Attributes
    ----------
    min_standoff_mm
        The least standoff; negative is the deepest penetration.
    at, part, region
        Where it is, in the form's frame; the part; the region of the form's nearest point.
    regions
        By region name, in the form's order.
    tolerance_mm
        The minima are exact to this.
    pose, scale
        What was measured.
    past_end
        Share of the piece's surface that lies past where the form was cut off, and is in no region.
    """

    min_standoff_mm: float
    at: tuple[float, float, float]
    part: str
    region: str
    regions: dict[str, RegionStandoff]
    tolerance_mm: float
    pose: Pose
    scale: float
    past_end: float = 0.0

    @property
    def limiting(self) -> str:
        """The region that limits: the first by `RegionStandoff.shortness`."""
        return max(self.regions, key=lambda name: self.regions[name].shortness, default=self.region)

    @property
    def margin_mm(self) -> float:
        """The least margin of all regions."""
        return min((r.margin_mm for r in self.regions.values()), default=self.min_standoff_mm)

    @property
    def limited_by(self) -> Place:
        """Where the limiting region's least room is."""
        name = self.limiting
        if name not in self.regions:
            return Place(name, self.part, self.at)
        return Place(name, self.regions[name].part, self.regions[name].at)

    def as_dict(self) -> dict[str, Any]:
        """Return the clearance as JSON shows it."""
        return {
            "min_standoff_mm": _rounded(self.min_standoff_mm),
            "at": [_rounded(v) for v in self.at],
            "part": self.part,
            "region": self.region,
            "regions": {
                name: {
                    "min_mm": _rounded(r.min_mm),
                    "mean_mm": _rounded(r.mean_mm),
                    "p5_mm": _rounded(r.p5_mm),
                    "allowance_mm": _rounded(r.allowance_mm),
                    "spread_mm": _rounded(r.spread_mm),
                    "margin_mm": _rounded(r.margin_mm) if np.isfinite(r.margin_mm) else None,
                }
                for name, r in self.regions.items()
            },
            "tolerance_mm": _rounded(self.tolerance_mm),
            "past_end": _rounded(self.past_end),
            "seat": self.pose.as_dict(),
        }


def _rounded(value: float) -> float:
    return round(float(value), 3) + 0.0


def field_for(piece: Piece, wearer: Wearer, pose: Pose, scale: float = 1.0, progress: Progress = silent) -> Field:
    """Return the wearer's field, fine where the piece is."""
    low, high = piece.mesh.bounds
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    moved = pose.apply(scale * corners)
    return field_of(wearer.form, np.array([moved.min(axis=0), moved.max(axis=0)]), progress)


def measure(
    piece: Piece,
    wearer: Wearer,
    pose: Pose | None = None,
    scale: float = 1.0,
    progress: Progress = silent,
    field: Field | None = None,
    quick: bool = False,
) -> Clearance:
    """Return the clearance of a piece after ``pose.apply(scale * points)``.

    `field` is the wearer's where it is at hand, for many questions about one place. `quick` ends after a tenth of the
    evaluations, which may leave a larger `Clearance.tolerance_mm`.

    Raises
    ------
    InputError
        If the piece has no surface.
    """
    pose = pose or Pose()
    surface = surface_of(piece)
    if not surface.mesh.areas.any():
        raise InputError(
            "the piece has no surface to measure", source=piece.name, remedy="check the mesh and its units"
        )
    field = field or field_for(piece, wearer, pose, scale, progress)
    names = wearer.form.region_names

    points, rows = surface.samples(SAMPLES)
    standoff, triangle, closest = field.exact(placed := pose.apply(scale * points))
    label = field.regions_at(triangle)
    least = _Least(len(names))
    least.take(standoff, label, placed, rows)
    effort = _QUICK_EVALUATIONS if quick else _EVALUATIONS
    tolerance = _minimise(surface, field, pose, scale, least, evaluations=effort)

    inner = seen_first(surface, field, pose, scale, placed, standoff, triangle, closest)
    spread = wearer.form.spread_mm
    regions: dict[str, RegionStandoff] = {}
    for i, name in enumerate(names):
        if least.value[i] >= NEAR_MM or name == CUT:
            continue
        chosen = (label == i) & inner
        values = standoff[chosen] if chosen.any() else np.array([least.value[i]])
        regions[name] = RegionStandoff(
            float(least.value[i]),
            float(values.mean()),
            float(np.percentile(values, 5)),
            wearer.allowance(name),
            float(spread.get(name, 0.0)),
            _xyz(least.point[i]),
            piece.parts[piece.part_of_triangle[least.row[i]]].name,
        )
    if not regions:
        raise InputError(
            f"the piece comes nowhere within {NEAR_MM:.0f} mm of the wearer",
            source=piece.name,
            remedy="put both in the same place and check their units",
        )
    best = min((names.index(name) for name in regions), key=lambda i: least.value[i])
    past = label == names.index(CUT) if CUT in names else np.zeros(len(label), bool)
    return Clearance(
        float(least.value[best]),
        _xyz(least.point[best]),
        piece.parts[piece.part_of_triangle[least.row[best]]].name,
        names[best],
        regions,
        tolerance,
        pose,
        scale,
        float(past.mean()),
    )


def least_margin(
    piece: Piece,
    wearer: Wearer,
    need_mm: FloatArray,
    pose: Pose | None = None,
    scale: float = 1.0,
    field: Field | None = None,
) -> tuple[float, Place]:
    """Return the smallest of standoff less `need_mm` (r,) by region over the whole surface (mm), and where it is.

    The same number as `measure` gives for the limiting region, without the other regions' figures and sooner: far from
    0 it is worked out no closer than a twentieth, and where two shells run parallel the search ends with what it has
    seen by then. For searches, whose answer `measure` then has the last word on.
    """
    pose = pose or Pose()
    surface = surface_of(piece)
    field = field or field_for(piece, wearer, pose, scale)
    points, rows = surface.samples(SAMPLES)
    rough = Probe(field, points)
    margin = rough.standoff(pose, scale) - need_mm[label_rows(field, rough.moved(pose, scale))]
    some = np.argsort(margin, kind="stable")[:_FIRST]
    rows = rows[some]
    placed = pose.apply(scale * points[some])
    standoff, triangle, _ = field.exact(placed)
    least = _Least(len(need_mm), need_mm)
    least.take(standoff, field.regions_at(triangle), placed, rows)
    seen = abs(float(np.min(least.value - need_mm)))
    _minimise(surface, field, pose, scale, least, max(TOLERANCES.standoff_mm, 0.05 * seen), _QUICK_EVALUATIONS)
    i = int(np.argmin(least.value - need_mm))
    part = piece.parts[piece.part_of_triangle[least.row[i]]].name
    return float(least.value[i] - need_mm[i]), Place(wearer.form.region_names[i], part, _xyz(least.point[i]))


def _xyz(point: FloatArray) -> tuple[float, float, float]:
    return float(point[0]), float(point[1]), float(point[2])


class _Least:
    """The least standoff seen so far in each region, where, and on which triangle of the piece.

    With `need` (r,) only the region with the least of standoff less need is looked for.
    """

    def __init__(self, regions: int, need: FloatArray | None = None) -> None:
        self.value = np.full(regions, NEAR_MM if need is None else np.inf)
        self.point = np.zeros((regions, 3))
        self.row = np.zeros(regions, np.int64)
        self.need = need

    @property
    def limit(self) -> FloatArray:
        """Below what a standoff in each region is still of interest, (r,) mm."""
        return self.value if self.need is None else np.min(self.value - self.need) + self.need

    def take(self, standoff: FloatArray, label: IntArray, points: FloatArray, rows: IntArray) -> None:
        """Look at some points (n,) of triangles `rows`."""
        less = np.flatnonzero(standoff < self.value[label])
        order = less[np.lexsort((standoff[less], label[less]))]
        labels, first = np.unique(label[order], return_index=True)
        for i, k in zip(labels, order[first]):
            self.value[i], self.point[i], self.row[i] = standoff[k], points[k], rows[k]


def _minimise(
    surface: PieceSurface,
    field: Field,
    pose: Pose,
    scale: float,
    least: _Least,
    aim: float = TOLERANCES.standoff_mm,
    evaluations: int = _EVALUATIONS,
) -> float:
    """Lower `least` to the minima over the whole surface; return the tolerance they are exact to."""
    mesh = surface.mesh
    first, second, third = surface.columns
    longest = surface.longest_side * np.float32(scale)
    probe = surface.probe(field)
    low = probe.floor(pose, scale)
    low = np.minimum(np.minimum(low[first], low[second]), low[third])
    bound = _lower(low, longest**2)
    corners = probe.moved(pose, scale)[:, mesh.triangles.T].transpose(0, 2, 1)  # (3, m, 3)
    limit = _limits(field, corners.mean(axis=2), FROM_CENTROID * longest, least.limit)
    rows = np.flatnonzero(bound < limit - aim)
    floor = field.floor_over(pose.apply(scale * mesh.corners[rows].reshape(-1, 3)).reshape(-1, 3, 3))
    rows = rows[floor < limit[rows] - aim]

    used, corner = np.unique(mesh.triangles[rows], return_inverse=True)
    corner = corner.reshape(-1, 3)
    point = pose.apply(scale * mesh.vertices[used])
    value, nearest, foot = field.exact(point)
    label = field.regions_at(nearest)
    spent, tolerance = len(used), aim
    first = np.unique(corner, return_index=True)[1]
    least.take(value, label, point, rows[first // 3])
    while len(rows):
        x, f = point[corner], value[corner]
        side2 = ((x - np.roll(x, 1, axis=1)) ** 2).sum(axis=2).max(axis=1)
        f_min = f.min(axis=1)
        bound = _lower(f_min, side2)
        deep = np.flatnonzero(f_min < 0.08 * np.sqrt(side2))  # elsewhere a reach, half a side or more, bounds no better
        reach = np.linalg.norm(x[deep, :, None] - foot[corner[deep]][:, None], axis=3).max(axis=1).min(axis=1)
        bound[deep] = np.maximum(bound[deep], -reach)
        limit = least.limit[label[corner]].max(axis=1)
        large = side2 > LABEL_MM**2
        limit[large] = _limits(field, x[large].mean(axis=1).T, FROM_CENTROID * np.sqrt(side2[large]), least.limit)
        open_ = np.flatnonzero(limit - bound > aim)
        bound[open_] = np.maximum(bound[open_], field.floor_over(x[open_]))
        excess = limit - bound
        open_ = open_[excess[open_] > aim]
        room = max(evaluations - spent, 0) // 3
        if len(open_) > room:  # give up on the least promising, and say so
            order = open_[np.argsort(-excess[open_], kind="stable")]
            tolerance = max(tolerance, float(excess[order[room]]))
            open_ = np.sort(order[:room])
        parent, corner = rows[open_], corner[open_]
        rows = np.repeat(parent, 4)

        # Halve the sides; a side shared by two triangles is halved once.
        ends = np.sort(corner[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
        _, one, middle = np.unique(ends[:, 0] * len(point) + ends[:, 1], return_index=True, return_inverse=True)
        a, b = ends[one].T
        halves = 0.5 * (point[a] + point[b])
        new_value, new_nearest, new_foot = field.exact(halves)
        new_label = field.regions_at(new_nearest)
        least.take(new_value, new_label, halves, parent[one // 3])
        middle = middle.reshape(-1, 3) + len(point)
        spent += len(halves)
        point = np.concatenate([point, halves])
        value = np.concatenate([value, new_value])
        foot = np.concatenate([foot, new_foot])
        label = np.concatenate([label, new_label])
        (i, j, k), (ij, jk, ki) = corner.T, middle.T
        corner = np.stack([i, ij, ki, ij, j, jk, ki, jk, k, ij, jk, ki], axis=1).reshape(-1, 3)
    return tolerance


def _lower(least: Any, side2: Any) -> Any:
    """Return bounds (m,) of the standoff on triangles: least standoff of their corners, longest side squared."""
    spread = side2 / 3
    square = np.where(least > 0, least * least - spread, 0)
    return np.where(square > 0, np.sqrt(np.maximum(square, 0)), least - np.sqrt(spread))


def _limits(field: Field, points: Any, reach: Any, values: FloatArray) -> Any:
    """Return for points (3, n) the largest of the regions' `values` (r,) among regions within `reach` (n,) of them.

    Looked up on a lattice of regions, spread by enough cells each way, and by one for what lies between its nodes.
    """
    if len(values) == 1:
        return np.full(points.shape[1], values[0], np.float32)
    origin, labels = _labels(field)
    held, outside = _lattice_rows(origin, labels, points)
    found = np.full(points.shape[1], np.max(values), np.float32)
    cells = np.ceil(reach / LABEL_MM) + 1
    limit, spread, before = values.astype(np.float32)[labels], 1, 0.0
    while spread <= WIDEST and (cells > before).any():
        limit = _beside(limit, np.maximum, 1 if spread == 1 else spread // 2)
        some = np.flatnonzero((cells <= spread) & (cells > before) & ~outside)
        found[some] = np.ascontiguousarray(limit).ravel()[held[some]]
        spread, before = 2 * spread, spread
    return found


def label_rows(field: Field, points: Any) -> IntArray:
    """Return for points (3, n) the row of the form's region they are nearest to, as a lattice of 8 mm knows it."""
    origin, labels = _labels(field)
    node = points - origin[:, None].astype(np.float32)
    node *= np.float32(1 / LABEL_MM)
    np.rint(node, out=node)
    np.maximum(node, 0, out=node)
    np.minimum(node, np.array(labels.shape, np.float32)[:, None] - 1, out=node)
    # Row numbers stay below 2^24, where float32 counts exactly: a lattice of 8 mm over a room has fewer.
    row = (node[0] * np.float32(labels.shape[1]) + node[1]) * np.float32(labels.shape[2]) + node[2]
    return labels.ravel().take(row.astype(np.intp))


def exact_rows(field: Field, points: FloatArray) -> IntArray:
    """Return for points (n, 3) the row of the form's region they are nearest to.

    As the triangles tell where lattice nodes about a point differ, as the lattice has it elsewhere.
    """
    rows = label_rows(field, np.asarray(points.T, np.float32))
    origin, mixed = field.box[0], _lattice(field)[1]
    held, outside = _lattice_rows(origin, mixed, points.T)
    unsure = mixed.ravel()[held] | outside
    rows[unsure] = field.regions_at(field.exact(points[unsure])[1])
    return rows


def _lattice_rows(origin: FloatArray, labels: Any, points: Any) -> tuple[Any, Any]:
    """Return the rows of the lattice's nodes nearest to points (3, n), and which points lie outside it."""
    node = np.rint((points - origin[:, None].astype(np.float32)) / np.float32(LABEL_MM)).astype(np.int32)
    held = np.minimum(np.maximum(node, 0), np.array(labels.shape, np.int32)[:, None] - 1)
    return (held[0] * labels.shape[1] + held[1]) * labels.shape[2] + held[2], (held != node).any(axis=0)


def _labels(field: Field) -> tuple[FloatArray, IntArray]:
    """Return the first node and the region rows (x, y, z) of a lattice over the fine box."""
    return field.box[0], _lattice(field)[0]


def _lattice(field: Field) -> tuple[IntArray, BoolArray]:
    """Return the lattice's region rows (x, y, z), and which of them have another region beside them."""
    if field in _of_field:
        return _of_field[field]
    form = field.form
    key = (form.mesh.content_hash, field.box.tobytes(), np.asarray(form.region_of_triangle).tobytes())
    if key not in _lattices:
        axes = [np.arange(field.box[0, k], field.box[1, k] + 1e-6, LABEL_MM) for k in range(3)]
        nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
        triangle = field.surface.nearest(nodes.reshape(-1, 3))[1]
        while len(_lattices) >= 8:
            _lattices.pop(next(iter(_lattices)))
        labels = field.regions_at(triangle).reshape(nodes.shape[:3])
        _lattices[key] = labels, _beside(labels, np.minimum) != _beside(labels, np.maximum)
    _of_field[field] = _lattices[key]
    return _lattices[key]


def _beside(values: Any, most: Any, by: int = 1) -> Any:
    """Return the largest (or least, by `most`) of each of some values (x, y, z) and those `by` nodes beside it."""
    for axis in range(3):
        shifted = np.moveaxis(values, axis, 0)
        wide = shifted.copy()
        most(wide[by:], shifted[:-by], out=wide[by:])
        most(wide[:-by], shifted[by:], out=wide[:-by])
        values = np.moveaxis(wide, 0, axis)
    return values


_lattices: dict[tuple[str, bytes, bytes], tuple[IntArray, BoolArray]] = {}
_of_field: WeakKeyDictionary[Field, tuple[IntArray, BoolArray]] = WeakKeyDictionary()  # the same, found without a key


def seen_first(
    surface: PieceSurface,
    field: Field,
    pose: Pose,
    scale: float,
    points: FloatArray,
    standoff: FloatArray,
    triangle: IntArray,
    closest: FloatArray,
) -> Any:
    """Return which points of the piece (n,) have no other surface of it between them and the form."""
    down = (closest - points) * np.sign(standoff)[:, None]
    touching = np.abs(standoff) < 1e-6
    down[touching] = -field.surface.outward(triangle[touching])
    down /= np.linalg.norm(down, axis=1, keepdims=True)
    start = 0.02  # leaves the point's own triangle behind
    back = pose.inverse()
    origins = back.apply(points + start * down) / scale
    length = (np.maximum(standoff, 0) + WALL_MM - start) / scale
    return ~surface.hit_within(origins, down @ pose.rotation, length)
