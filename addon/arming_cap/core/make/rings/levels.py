# SPDX-License-Identifier: GPL-3.0-or-later
"""Where to take try-on rings: the fewest bands that between them feel every margin still in doubt.

A margin is in doubt where its uncertainty could turn its verdict round. A band *feels* a region where some of the
piece's surface in it stands off that region no more than the region's least standoff and half its uncertainty, and
not straight up or down: what touches from above, no ring can tell. The region that limits and the pinch of the passage
are always felt, by a band that holds the very spot. Of all sets of up to three bands the smallest is found by trying
them all; among equals, the one that comes nearest to the tightest spots. Larger sets grow one band at a time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ...arrays import BoolArray, FloatArray
from ...distance.clearance import Clearance, field_for
from ...distance.surface import surface_of
from ...errors import InputError
from ...geometry.plane import points_inside
from ...geometry.room import Room
from ...geometry.section import cut, plane_axes
from ...mesh import TriangleMesh
from ...piece import Piece
from ...pose import Pose
from ...tolerances import TOLERANCES
from ...verdict import Status, judge
from ...wearer.form import WHOLE, Wearer
from ...wearer.regions import in_words
from .pinch import Pinch

STEP_MM = 2.0
MOST = 4
THIMBLE_MM = 20.0  # nothing smaller is worn
MOUTHS = 0.5  # what has more mouth than wall is no opening to pass
# Levels follow a piece so many times longer than wide that leans by more than this. Common practice, no source.
LONG = 1.4
LEANING_DEG = 15.0
STEEP = 0.8  # the surface faces up or down by more than 53 degrees
_SAMPLES = 40_000
# What a maker calls a level on a body, from the landmark that lies on it.
LEVELS = {"glabella": "brow"}
LIMB_LEVELS = ("wrist", "forearm", "ankle", "calf", "knee")


@dataclass(frozen=True)
class RingPlane:
    """Where to take a ring: the plane ``normal · x = offset`` through its middle, and what the ring proves.

    Attributes
    ----------
    tests
        Regions whose margins it settles.
    follows_rim
        Take the band along the piece's rim below the plane instead, as high as the band everywhere.
    """

    name: str
    normal: tuple[float, float, float]
    offset: float
    proves: str = ""
    tests: tuple[str, ...] = ()
    follows_rim: bool = False


@dataclass(frozen=True)
class LevelPlan:
    """The rings to try, from below upwards, and a sentence on each margin in doubt that they leave so."""

    planes: tuple[RingPlane, ...]
    untested: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Aim:
    """Something to be felt: its name, in words, by which of the candidate levels, and how far off there (mm).

    `limits` is whether it is the region that limits the fit.
    """

    name: str
    words: str
    felt: BoolArray
    excess: FloatArray
    limits: bool = False


def plan_levels(
    piece: Piece,
    wearer: Wearer | None = None,
    clearance: Clearance | None = None,
    pinch: Pinch | None = None,
    height_mm: float = 8.0,
    most: int = MOST,
    whole: TriangleMesh | None = None,
) -> LevelPlan:
    """Choose the levels of try-on rings by what they decide.

    Parameters
    ----------
    piece
        In worn position, at its final scale.
    wearer
        Who is to try them on.
    clearance
        As measured on this wearer in this position; without it no margin is known, and the rings are taken at the
        opening and at the widest level.
    pinch
        The tightest place of the way on and off, where it was looked for; without it the narrowest level on the way in
        stands in for it.
    height_mm
        Of a band.
    most
        No more rings than this: those that settle most margins in doubt, the limiting one and the pinch first.
    whole
        The parts united, where that is at hand.

    Raises
    ------
    InputError
        If no level section has an inside.
    """
    mesh = whole or piece.mesh
    on_a_head = wearer is not None and "crown" in wearer.form.region_names
    axis = np.array([0.0, 0.0, 1.0]) if on_a_head else axis_of(mesh)
    along = mesh.vertices @ axis
    low, high = float(along.min()), float(along.max())
    half = height_mm / 2
    heights = np.arange(low + half, max(high - half, low + half + 1e-6), max(STEP_MM, (high - low) / 200))
    sections = cut(mesh, axis, heights, wearer=None if wearer is None else wearer.form.mesh)
    held = [(float(z), s.room) for z, s in zip(heights, sections) if s.room is not None]
    levels, rooms = np.array([z for z, _ in held]), [r for _, r in held]
    if not len(levels):
        size = float(np.ptp(mesh.bounds, axis=0).max())
        remedy = (
            "give the rings' planes" if size > THIMBLE_MM else f"it is {size:.2g} mm at its longest: check its unit"
        )
        raise InputError("no level section has an inside", source=piece.name, remedy=remedy)

    aims: list[_Aim] = []
    untested: list[str] = []
    if wearer is not None and clearance is not None:
        aims, untested = _margins(piece, wearer, clearance, axis, levels, half)
    if pinch is not None and pinch.says:
        untested.append(pinch.says)
    if pinch is not None and pinch.at is not None:
        aims.append(_spot("pinch", pinch.words, float(pinch.at @ axis), levels, half))
    chosen = _fewest(aims)
    if len(chosen) > most:
        weight = np.array([len(aims) * (a.name == "pinch" or a.limits) + 1 for a in aims])
        chosen = _best(aims, weight, most)
        left = [a.words for a in aims if not a.felt[chosen].any()]
        untested += [f"left without a ring: {words}" for words in left]
    named = _named_levels(wearer, axis)
    planes = [_plane(levels[i], [a for a in aims if a.felt[i]], axis, named, height_mm) for i in sorted(chosen)]
    limb = {n: z for n, z in named.items() if n in LIMB_LEVELS and levels[0] <= z <= levels[-1]}
    if clearance is None and limb:
        for name, z in limb.items():
            _beside(planes, most, RingPlane(name, _as_tuple(axis), z, f"the girth at the {name}"), half)
    if pinch is None or not pinch.decides:
        _beside(planes, most, _opening(axis, levels, rooms), half)
    if not (clearance is None and limb) and len(planes) < 2:
        _beside(planes, most, _widest(axis, levels, rooms, wearer), half)
    return LevelPlan(tuple(sorted(planes, key=lambda p: p.offset)), tuple(untested))


def axis_of(mesh: TriangleMesh) -> FloatArray:
    """Return the direction (3,) that levels are stacked along: up, or along a long piece that leans.

    A piece for a head is about as wide as it is high, and its levels are level. One for a limb is long: its rings are
    to be square to the limb, however that is held.
    """
    weights = mesh.areas / mesh.areas.sum()
    corners = mesh.corners - weights @ mesh.corners.mean(axis=1)
    # The second moment of a triangle is a twelfth of its area times that of its corners and of their sum.
    spots, weight = np.concatenate([*corners.transpose(1, 0, 2), corners.sum(axis=1)]), np.tile(weights, 4) / 12
    spread, ways = np.linalg.eigh((spots * weight[:, None]).T @ spots)
    way: FloatArray = -ways[:, 2] if ways[2, 2] < 0 else ways[:, 2]
    leans = way[2] < np.cos(np.radians(LEANING_DEG))
    return way if leans and spread[2] > LONG**2 * spread[1] else np.array([0.0, 0.0, 1.0])


def _as_tuple(v: FloatArray) -> tuple[float, float, float]:
    # Rounded, so that the last bits of one numpy or another do not reach the file.
    x, y, z = (round(float(c), 9) + 0.0 for c in v)
    return x, y, z


def _beside(planes: list[RingPlane], most: int, one: RingPlane, half: float) -> None:
    """Add a plane while there are fewer than `most`, or its words to one that is already as good as there."""
    for i, other in enumerate(planes):
        if abs(other.offset - one.offset) <= half:
            planes[i] = RingPlane(
                other.name, other.normal, other.offset, f"{other.proves}; {one.proves}", other.tests, other.follows_rim
            )
            return
    if len(planes) < most:
        planes.append(one)


def _opening(axis: FloatArray, levels: FloatArray, rooms: Sequence[Room]) -> RingPlane:
    """Return the narrowest level that the wearer passes on the way in.

    Between the roomiest level and the lowest that still goes round the middle of that one, and is more wall than mouth:
    a tail behind the neck has an inside too, but nobody passes it.
    """
    roomiest = int(np.argmax([r.area_mm2 for r in rooms]))
    flat = np.column_stack(plane_axes(axis))
    outline = rooms[roomiest].outline @ flat
    middle = 0.5 * (outline.min(axis=0) + outline.max(axis=0))[None]
    way = [roomiest]
    for i in range(roomiest - 1, -1, -1):
        if not points_inside(middle, rooms[i].outline @ flat)[0]:
            break
        if sum(rooms[i].mouths_mm) <= MOUTHS * rooms[i].girth_mm:
            way.append(i)
    narrowest = min(way, key=lambda i: rooms[i].girth_mm)
    return RingPlane(
        "opening", _as_tuple(axis), float(levels[narrowest]), "the narrowest level the wearer passes on the way in"
    )


def _widest(axis: FloatArray, levels: FloatArray, rooms: Sequence[Room], wearer: Wearer | None) -> RingPlane:
    """Return the wearer's largest girth inside the piece, else the roomiest level."""
    girth, proves = np.array([r.girth_mm for r in rooms]), "the roomiest level"
    if wearer is not None:
        around = [
            max((loop.girth_mm for loop in s.loops if loop.role == "outer"), default=0.0)
            for s in cut(wearer.form.mesh, axis, levels)
        ]
        if max(around) > 0:
            girth, proves = np.array(around), "the wearer's largest girth inside the piece"
    return RingPlane("widest", _as_tuple(axis), float(levels[int(np.argmax(girth))]), proves)


def _spot(name: str, words: str, z: float, levels: FloatArray, half: float) -> _Aim:
    """Return an aim that only the bands over one height feel; the nearest where none does."""
    off = np.abs(levels - z)
    return _Aim(name, words, (off <= half) | (off == off.min()), off)


def _margins(
    piece: Piece, wearer: Wearer, clearance: Clearance, axis: FloatArray, levels: FloatArray, half: float
) -> tuple[list[_Aim], list[str]]:
    """Return the regions to be felt, and in words those in doubt that cannot be."""
    field = field_for(piece, wearer, Pose())
    points, _ = surface_of(piece).samples(_SAMPLES)
    standoff, triangle, closest = field.exact(points)
    label = field.regions_at(triangle)
    steep = np.abs(field.surface.outward(triangle) @ axis) > STEEP
    level = ~steep & (np.abs((points - closest) @ axis) <= STEEP * np.maximum(np.abs(standoff), 0.5))
    aims, untested = [], []
    for name, found in clearance.regions.items():
        unsure = max(found.spread_mm, TOLERANCES.scan_error_mm)
        room = found.margin_mm + found.spread_mm
        limits = name == clearance.limiting
        if judge(room, unsure) is not Status.MARGINAL and not limits:
            continue
        words = f"{_the(name)}, {room:+.1f} mm give or take {unsure:.1f}"
        if limits:
            words = f"{_the(name)}, which limits: {room:+.1f} mm give or take {unsure:.1f}"
        own = level & (label == field.form.region_names.index(name))
        excess = np.full(len(levels), np.inf)
        for i, z in enumerate(levels):
            there = own & (np.abs(points @ axis - z) <= half)
            if there.any():
                excess[i] = max(float(standoff[there].min()) - found.min_mm, 0.0)
        felt = excess <= max(0.5 * unsure, TOLERANCES.scan_error_mm)
        if not felt.any():
            untested.append(f"no ring can try {words}: it presses from above or below")
            continue
        if limits:
            near = felt & (np.abs(levels - found.at @ axis) <= half)
            felt = near if near.any() else felt
        aims.append(_Aim(name, words, felt, excess, limits))
    return aims, untested


def _the(region: str) -> str:
    return "the closest place" if region == WHOLE else f"the {in_words(region)}"


def _fewest(aims: Sequence[_Aim]) -> list[int]:
    """Return the candidate levels that feel every aim, as few as there can be."""
    if not aims:
        return []
    felt = np.stack([a.felt for a in aims])
    excess = np.stack([np.where(a.felt, a.excess, np.inf) for a in aims])
    # Levels that feel the same are one candidate: the one that comes nearest to the spots.
    kinds: dict[bytes, int] = {}
    total = np.where(felt, excess, 0.0).sum(axis=0)
    for i in np.flatnonzero(felt.any(axis=0)):
        key = felt[:, i].tobytes()
        if key not in kinds or total[i] < total[kinds[key]]:
            kinds[key] = int(i)
    candidates = sorted(kinds.values())
    for count in (1, 2, 3):
        best: tuple[float, tuple[int, ...]] | None = None
        for some in combinations(candidates, count):
            if felt[:, some].any(axis=1).all():
                off = float(excess[:, some].min(axis=1).sum())
                if best is None or off < best[0] - 1e-9:
                    best = off, some
        if best is not None:
            return list(best[1])
    return _best(aims, np.ones(len(aims)), len(aims))


def _best(aims: Sequence[_Aim], weight: FloatArray, most: int) -> list[int]:
    """Return up to so many levels, each the one that adds most weight of aims not felt yet, nearest to their spots."""
    felt = np.stack([a.felt for a in aims])
    excess = np.stack([np.where(a.felt, a.excess, 0.0) for a in aims])
    chosen: list[int] = []
    open_ = np.ones(len(aims), bool)
    while open_.any() and len(chosen) < most:
        gain = weight[open_] @ felt[open_]
        best = np.flatnonzero(gain == gain.max())
        chosen.append(int(best[np.argmin(excess[open_][:, best].sum(axis=0))]))
        open_ &= ~felt[:, chosen[-1]]
    return chosen


def _plane(z: float, aims: Sequence[_Aim], axis: FloatArray, named: Mapping[str, float], height_mm: float) -> RingPlane:
    """Return a ring's plane, named after the body's level it lies on, else after what it settles first."""
    first = min(aims, key=lambda a: (not a.limits, a.name != "pinch", a.words))
    level = next((name for name, at in named.items() if abs(at - z) <= height_mm / 2), "")
    name = level or ("tightest" if first.name == WHOLE else in_words(first.name))
    tests = tuple(a.name for a in aims if a.name != "pinch")
    return RingPlane(name, _as_tuple(axis), float(z), "; ".join(a.words for a in aims), tests)


def _named_levels(wearer: Wearer | None, axis: FloatArray) -> dict[str, float]:
    """Return the levels along an axis that have a name on this wearer's body: ``brow``, ``wrist`` and the like."""
    if wearer is None:
        return {}
    form = wearer.form
    named = {}
    for mark, point in form.landmarks.items():
        limb = mark.rsplit("_", 1)[0]
        if word := LEVELS.get(mark) or (limb if limb in LIMB_LEVELS else ""):
            named[word] = float(point @ axis)
    assert form.region_of_triangle is not None
    for row, region in enumerate(form.region_names):
        limb = region.rsplit("_", 1)[0]
        if limb in LIMB_LEVELS and limb not in named:  # a knee has no girth of its own, but a middle
            own = form.region_of_triangle == row
            if own.any():
                named[limb] = float(
                    np.average(form.mesh.corners[own].mean(axis=1) @ axis, weights=form.mesh.areas[own])
                )
    return named
