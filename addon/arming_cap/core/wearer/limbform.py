# SPDX-License-Identifier: GPL-3.0-or-later
"""Limbs and torso from girths and lengths: closed tapered forms whose girths are the ones asked for.

A form is a tube of elliptic rings in planes that never meet inside it. At each *station* a ring's polygon has exactly
the girth asked for; between stations the half-axes run monotonically, so that the largest girth stays where it was
measured. Straight limbs in the frame of everything here (Z up, -Y front, +X the wearer's left):

* arm: hangs down, the fingertip at z = 0, palm to the thigh, so the hand is broad along Y;
* leg: stands on z = 0, toes to -Y, the shank about the Z axis;
* torso: crotch at z = 0. Arms are not part of it, though the shoulder girth is taken round them, as measured.

Where along a limb a girth lies, and how flat a ring is where no breadth was measured, are our own settings (common
practice, no source). They are simple bodies for the question "does it pass", not portraits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..arrays import FloatArray, IntArray
from ..errors import InputError
from ..mesh import TriangleMesh
from .dimension import DIMENSIONS
from .form import Form
from .measure import girth, section_points
from .population import Estimate
from .regions import ALL

KINDS = ("arm", "leg", "torso")
_POINTS = 72
_STEP_MM = 8.0


@dataclass(frozen=True)
class Station:
    """Where a girth is taken: a plane through `centre` (3,) with unit `normal` (3,), and how far the ring reaches."""

    centre: FloatArray
    normal: FloatArray
    reach_mm: float


@dataclass(frozen=True)
class LimbForm:
    """A closed form with the places where its girths are taken.

    Attributes
    ----------
    form
        Regions by name, landmarks such as ``wrist_left`` at the stations' centres.
    stations
        By dimension name.
    notes
        What was assumed, one sentence each.
    used
        The dimensions that shape it.
    """

    form: Form
    stations: Mapping[str, Station]
    notes: tuple[str, ...] = ()
    used: frozenset[str] = frozenset()


@dataclass(frozen=True)
class _Ring:
    """A ring: centre (y, z), tilt of its plane in degrees (0 level, 90 upright, facing -Y), half-axes, region."""

    y: float
    z: float
    tilt: float
    a: float
    b: float
    region: str
    girth_of: str = ""


def _unit_ring() -> FloatArray:
    t = np.arange(_POINTS) * (2 * math.pi / _POINTS)
    return np.column_stack([np.cos(t), np.sin(t)])


_RING = _unit_ring()


def _girth(a: float, b: float) -> float:
    """Return the perimeter of the ring's polygon, (mm)."""
    side = np.diff(_RING * (a, b), axis=0, append=_RING[:1] * (a, b))
    return float(np.hypot(*side.T).sum())


def half_axes(girth: float, *, breadth: float | None = None, ratio: float = 1.0) -> tuple[float, float]:
    """Return the half-axes (a, b) of a ring whose polygon has a girth.

    Parameters
    ----------
    girth
        mm.
    breadth
        Full first axis in mm, kept where the girth allows it (the ring stays at least a quarter as thick as broad).
    ratio
        First axis over second where no breadth is given or none is possible.
    """
    if breadth is not None and girth > _girth(breadth / 2, breadth / 8):
        a, low, high = breadth / 2, breadth / 8, girth
        for _ in range(60):  # the perimeter grows with b: halve to the last bit
            b = (low + high) / 2
            low, high = (b, high) if _girth(a, b) < girth else (low, b)
        return a, (low + high) / 2
    unit = girth / _girth(ratio, 1.0)
    return ratio * unit, unit


def _monotone(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Interpolate by piecewise cubics that stay between neighbouring values (Fritsch and Butland 1984)."""
    h, slope = np.diff(x), np.diff(y) / np.diff(x)
    rate = np.zeros(len(x))
    with np.errstate(divide="ignore", invalid="ignore"):
        w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
        inner = (w1 + w2) / (w1 / slope[:-1] + w2 / slope[1:])
    rate[1:-1] = np.where(slope[:-1] * slope[1:] > 0, inner, 0.0)
    rate[0], rate[-1] = slope[0], slope[-1]
    k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(h) - 1)
    t = (at - x[k]) / h[k]
    return (
        y[k] * (1 + 2 * t) * (1 - t) ** 2
        + rate[k] * h[k] * t * (1 - t) ** 2
        + y[k + 1] * t**2 * (3 - 2 * t)
        + rate[k + 1] * h[k] * t**2 * (t - 1)
    )


def _level(stations: Sequence[_Ring], region_at: Callable[[float], str]) -> list[_Ring]:
    """Fill in level rings between level stations, given from the top down."""
    z = -np.array([s.z for s in stations])
    fine = np.concatenate(
        [np.linspace(p, q, max(2, math.ceil((q - p) / _STEP_MM) + 1))[:-1] for p, q in pairwise(z)] + [z[-1:]]
    )
    named = {-s.z: s.girth_of for s in stations}
    a, b, y = (_monotone(z, np.array([getattr(s, key) for s in stations]), fine) for key in ("a", "b", "y"))
    return [_Ring(y[i], -d, 0.0, a[i], b[i], region_at(-d), named.get(float(d), "")) for i, d in enumerate(fine)]


def _dome(ring: _Ring, way: tuple[float, float], rise: float) -> list[_Ring]:
    """Return rings that round off a tube's end: a quarter of an ellipse, `rise` high towards `way` (y, z)."""
    return [
        replace(
            ring,
            y=ring.y + way[0] * rise * math.sin(angle),
            z=ring.z + way[1] * rise * math.sin(angle),
            a=ring.a * math.cos(angle),
            b=ring.b * math.cos(angle),
            girth_of="",
        )
        for angle in np.radians([20.0, 40.0, 58.0, 74.0])
    ]


_UP, _DOWN, _FORWARD = (0.0, 1.0), (0.0, -1.0), (-1.0, 0.0)


class _Body:
    """What a builder may ask of the dimensions: values it needs, and what it had to do without."""

    def __init__(self, dimensions: Mapping[str, float]) -> None:
        self.dimensions = dimensions
        self.notes: list[str] = []
        self.used: set[str] = set()

    def __getitem__(self, name: str) -> float:
        self.used.add(name)
        value = self.dimensions.get(name)
        if value is None:
            raise InputError(
                f"{DIMENSIONS[name].in_words} is needed for this form", remedy=f"measure it: {DIMENSIONS[name].how}"
            )
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{DIMENSIONS[name].in_words} of {value} mm is no length", remedy="take it again")
        return float(value)

    def either(self, wanted: str, instead: str, why: str) -> str:
        """Return the first name that is known; note where it is the second."""
        if wanted in self.dimensions:
            return wanted
        self.notes.append(why)
        return instead

    def ring(self, name: str, z: float, y: float = 0.0, **shape: float) -> _Ring:
        a, b = half_axes(self[name], **shape)
        return _Ring(y, z, 0.0, a, b, "", name)


@dataclass(frozen=True)
class _Tube:
    """What a builder makes: rings from end to end, the points that close it, and landmarks by name without side."""

    rings: list[_Ring]
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    landmarks: Mapping[str, tuple[float, float, float]]


def _arm(body: _Body, side: str) -> _Tube:
    hand, fore, upper = (body[n] for n in ("hand_length", "radiale_stylion_length", "shoulder_elbow_length"))
    wrist, elbow, top = hand, hand + fore, hand + fore + upper
    upper_name = body.either(
        "upper_arm_circumference", "biceps_circumference_flexed", "the upper arm is as thick as when flexed"
    )
    fore_name = body.either(
        "forearm_circumference", "forearm_circumference_flexed", "the forearm is as thick as when flexed"
    )
    upper_arm = body.ring(upper_name, elbow + 0.5 * upper)
    rise = 0.9 * upper_arm.a
    shoulder = replace(upper_arm, z=top - rise, a=0.96 * upper_arm.a, b=upper_arm.b, girth_of="")
    stations = [shoulder, upper_arm]
    if "elbow_circumference" in body.dimensions:
        stations.append(body.ring("elbow_circumference", elbow, 4.0, ratio=0.9))
    else:
        body.notes.append("the elbow's girth was not measured: it runs smoothly from upper arm to forearm")
    b, a = half_axes(body["hand_circumference"], breadth=body["hand_breadth"], ratio=2.6)
    tip = 0.07 * hand
    stations += [
        body.ring(fore_name, elbow - 0.22 * fore, ratio=0.9),
        body.ring("wrist_circumference", wrist, ratio=0.72),
        _Ring(0.0, 0.48 * hand, 0.0, a, b, "", "hand_circumference"),
        _Ring(0.0, 0.26 * hand, 0.0, 0.7 * a, 0.88 * b, ""),
        _Ring(0.0, tip, 0.0, 0.52 * a, 0.6 * b, ""),
    ]

    def region(z: float) -> str:
        for name, least in (
            ("upper_arm", elbow + 35),
            ("elbow", elbow - 35),
            ("forearm", wrist + 20),
            ("wrist", wrist - 15),
        ):
            if z > least:
                return f"{name}_{side}"
        return f"hand_{side}"

    rings = _level(stations, region)
    rings = [*_dome(rings[0], _UP, rise)[::-1], *rings, *_dome(rings[-1], _DOWN, tip)]
    marks = {"acromion": (0.0, 0.0, top), "fingertip": (0.0, 0.0, 0.0), "elbow": (0.0, 0.0, elbow)}
    return _Tube(rings, marks["acromion"], marks["fingertip"], marks)


def _leg(body: _Body, side: str) -> _Tube:
    crotch, knee, shin = (body[n] for n in ("crotch_height", "knee_height_midpatella", "tibial_height"))
    knob = body["lateral_malleolus_height"]
    thigh = body.ring("thigh_circumference", crotch - 30)
    stations = [
        replace(thigh, z=crotch, a=0.97 * thigh.a, b=0.97 * thigh.b, girth_of=""),
        thigh,
        body.ring("lower_thigh_circumference", knee + 45, -4.0),
    ]
    if "knee_circumference" in body.dimensions:
        stations.append(body.ring("knee_circumference", knee))
    else:
        body.notes.append("the knee's girth was not measured: it runs smoothly from thigh to calf")
    ankle = body.ring("ankle_circumference", knob + 55, ratio=0.8)
    calf = body.ring("calf_circumference", 0.72 * shin, ratio=0.95)
    calf = replace(calf, y=0.6 * (calf.b - ankle.b))  # the shin runs straight, the muscle lies behind it
    # Below the ankle the planes turn about a line in front of the instep, so that they never meet inside the foot.
    turn, pivot_z = 25.0, knob + 30
    base = _Ring(0.0, pivot_z, 0.0, max(body["bimalleolar_breadth"] / 2, ankle.a), 1.04 * ankle.b, "")
    stations += [calf, ankle, base]

    def region(z: float) -> str:
        for name, least in (("thigh", knee + 60), ("knee", knee - 60), ("calf", knob + 75)):
            if z > least:
                return f"{name}_{side}"
        return f"ankle_{side}"

    rings = _level(stations, region)
    pivot_y = -base.b - turn
    heel_a, heel_b = half_axes(body["heel_ankle_circumference"], breadth=body["heel_breadth"], ratio=0.5)
    lift = 12.0  # the ring's lowest point above the floor: the pad of the heel is below it
    steepness = (pivot_z - lift) / (turn + 2 * heel_b)
    if not 0.2 < steepness < 0.95:
        raise InputError(
            "ankle height and heel ankle circumference make no foot", remedy="take both again, barefoot on the floor"
        )
    heel_tilt = math.degrees(math.asin(steepness))

    def turned(tilt: float, a: float, b: float, name: str, girth: str = "") -> _Ring:
        far, angle = turn + b, math.radians(tilt)
        return _Ring(pivot_y + far * math.cos(angle), pivot_z - far * math.sin(angle), tilt, a, b, name, girth)

    for t in np.linspace(0, 1, 9)[1:]:
        ease = t * t * (3 - 2 * t)
        a, b = base.a + (heel_a - base.a) * ease, base.b + (heel_b - base.b) * ease
        end = "heel_ankle_circumference" if t == 1 else ""
        rings.append(turned(heel_tilt * t, a, b, f"{'heel' if t > 0.5 else 'ankle'}_{side}", end))
    breadth = body["foot_breadth"]
    for t in np.linspace(0, 1, 13)[1:]:
        tilt = heel_tilt + (90 - heel_tilt) * t
        above = lift * (1 - t) ** 2
        b = ((pivot_z - above) / math.sin(math.radians(tilt)) - turn) / 2
        rings.append(turned(tilt, heel_a + (0.4 * breadth - heel_a) * t, b, f"{'heel' if t < 0.6 else 'foot'}_{side}"))

    # Forward from the instep, upright rings that stand on the floor.
    behind = max(r.y + r.b * math.cos(math.radians(r.tilt)) for r in rings if r.z < ankle.z)
    length = body["foot_length"]
    ball_a, ball_b = half_axes(body["ball_of_foot_circumference"], breadth=breadth, ratio=1.9)
    last = rings[-1]
    tip = behind - length
    round_off = 0.08 * length
    knots = -np.array([last.y, behind - 0.72 * length, tip + round_off], float)
    if not np.all(np.diff(knots) > 5):
        raise InputError("the foot is too short for its ankle", remedy="take foot length and ankle girth again")
    for at in np.concatenate([np.linspace(knots[0], knots[1], 10)[1:], np.linspace(knots[1], knots[2], 10)[1:]]):
        a = float(_monotone(knots, np.array([last.a, ball_a, 0.74 * ball_a], float), np.array([at]))[0])
        b = float(_monotone(knots, np.array([last.b, ball_b, 0.58 * ball_b], float), np.array([at]))[0])
        name = "ball_of_foot_circumference" if at == knots[1] else ""
        rings.append(_Ring(-float(at), b, 90.0, a, b, f"foot_{side}", name))
    toe = (0.0, tip, rings[-1].z)
    top = rings[0].z + 30
    rings = [*_dome(rings[0], _UP, 30.0)[::-1], *rings, *_dome(rings[-1], _FORWARD, round_off)]
    marks = {"crotch": (0.0, 0.0, crotch), "knee": (0.0, 0.0, knee), "toe_tip": toe, "heel": (0.0, behind, lift)}
    return _Tube(rings, (0.0, rings[0].y, top), toe, marks)


def _torso(body: _Body, side: str) -> _Tube:
    crotch, height = body["crotch_height"], body["stature"]
    trunk = height - crotch
    neck = body.ring("neck_circumference", 0.72 * trunk)
    base = body.ring("neck_base_circumference", 0.675 * trunk)
    shoulders = body.ring("shoulder_circumference", 0.55 * trunk, breadth=body["bideltoid_breadth"], ratio=1.9)
    # The bony edges of the shoulders are above the widest of the muscle; below it the arms begin.
    bones = max(min(body["biacromial_breadth"] / 2, shoulders.a), base.a)
    waist = body.ring("waist_circumference", 0.22 * trunk, ratio=body["waist_breadth"] / body["waist_depth"])
    stations = [
        replace(neck, z=neck.z + 40, girth_of=""),
        neck,
        base,
        _Ring(0.0, 0.615 * trunk, 0.0, bones, (base.b + shoulders.b) / 2, ""),
        shoulders,
        replace(shoulders, z=0.515 * trunk, a=0.98 * shoulders.a, b=0.99 * shoulders.b, girth_of=""),
        body.ring("chest_circumference", 0.45 * trunk, ratio=body["chest_breadth"] / body["chest_depth"]),
        waist,
        _Ring(0.0, 0.0, 0.0, waist.a, 0.9 * waist.b, ""),
    ]
    body.notes.append("the arms are not part of the torso, the hip is as broad as the waist")

    def region(z: float) -> str:
        for name, least in (
            ("neck", base.z),
            ("shoulder", 0.50 * trunk),
            ("chest", 0.30 * trunk),
            ("waist", 0.12 * trunk),
        ):
            if z > least:
                return name
        return "hip"

    rings = _level(stations, region)
    top, low = (0.0, 0.0, neck.z + 60), (0.0, 0.0, -40.0)
    rings = [*_dome(rings[0], _UP, 20.0)[::-1], *rings, *_dome(rings[-1], _DOWN, 40.0)]
    return _Tube(rings, top, low, {"crotch": (0.0, 0.0, 0.0)})


_BUILDERS = {"arm": _arm, "leg": _leg, "torso": _torso}


def limb_form(kind: str, dimensions: Mapping[str, float], side: str = "left") -> LimbForm:
    """Return the closed form of a limb or the torso.

    Parameters
    ----------
    kind
        ``arm``, ``leg`` or ``torso``.
    dimensions
        mm, by dimension name.
    side
        ``left`` or ``right``: names of regions and landmarks; the shapes are symmetric.

    Raises
    ------
    InputError
        If the kind is unknown, or a dimension is missing or impossible.
    """
    if kind not in KINDS or side not in ("left", "right"):
        raise InputError(f"no form is called {kind!r}, {side!r}", remedy=f"use {', '.join(KINDS)}, and left or right")
    body = _Body(dimensions)
    tube = _BUILDERS[kind](body, side)
    mesh = _skin(tube.rings, tube.start, tube.end, f"{kind}_{side}" if kind != "torso" else kind)
    names, labels = _regions(mesh, tube.rings, kind)
    stations = {}
    landmarks = {name: np.array(place) for name, place in tube.landmarks.items()}
    for ring in tube.rings:
        if ring.girth_of:
            angle = math.radians(ring.tilt)
            centre = np.array([0.0, ring.y, ring.z])
            stations[ring.girth_of] = Station(
                centre, np.array([0.0, -math.sin(angle), -math.cos(angle)]), max(ring.a, ring.b)
            )
            landmarks[ring.girth_of.removesuffix("_flexed").removesuffix("_circumference")] = centre
    if kind != "torso":
        landmarks = {f"{name}_{side}": place for name, place in landmarks.items()}
    form = Form(mesh, names, labels, landmarks, {}, "card")
    return LimbForm(form, stations, tuple(body.notes), frozenset(body.used))


def _skin(rings: list[_Ring], start: Sequence[float], end: Sequence[float], name: str) -> TriangleMesh:
    """Return the closed tube through the rings, its ends drawn to two points."""
    points = []
    for ring in rings:
        angle = math.radians(ring.tilt)
        across = ring.b * _RING[:, 1]
        points.append(
            np.column_stack(
                [ring.a * _RING[:, 0], ring.y + across * math.cos(angle), ring.z - across * math.sin(angle)]
            )
        )
    n, count = _POINTS, len(rings)
    here = np.arange(n)
    after = np.roll(here, -1)
    triangles = [np.column_stack([np.full(n, n * count), here, after])]
    for k in range(count - 1):
        p, q = k * n, (k + 1) * n
        triangles += [
            np.column_stack([p + here, q + here, q + after]),
            np.column_stack([p + here, q + after, p + after]),
        ]
    p = (count - 1) * n
    triangles.append(np.column_stack([p + here, np.full(n, n * count + 1), p + after]))
    return TriangleMesh(np.concatenate([*points, [start], [end]]), np.concatenate(triangles), name)


def _regions(mesh: TriangleMesh, rings: list[_Ring], kind: str) -> tuple[tuple[str, ...], IntArray]:
    """Name each triangle's region by its rings, and tell heel from instep, chest from back, left from right."""
    band = [rings[0].region, *(r.region for r in rings[:-1] for _ in (0, 1)), rings[-1].region]
    labels = np.repeat(np.array(band, dtype=object), _POINTS)
    if kind == "leg":
        # A ring's second half looks up and forward, where the planes turn: over the heel that is the instep.
        columns = np.concatenate([np.arange(_POINTS)] * (len(labels) // _POINTS))
        over = columns >= _POINTS // 2
        labels = np.array([n.replace("heel", "instep") if o else n for n, o in zip(labels, over)], dtype=object)
    if kind == "torso":
        centre = mesh.corners.mean(axis=1)
        left, front = centre[:, 0] > 0, centre[:, 1] < 0
        sided = np.where(left, "_left", "_right").astype(object)
        for name in ("neck", "shoulder"):
            labels = np.where(labels == name, name + sided, labels)
        labels = np.where((labels == "chest") & ~front, "back", labels)
    names = tuple(name for name in ALL if name in set(labels))
    return names, np.array([names.index(label) for label in labels], np.int64)


def limb_form_of(estimate: Estimate, kind: str, side: str = "left", *, upper: bool = False) -> LimbForm:
    """Return the form of an estimate's means; with `upper`, girths at the upper end of their 90 % interval.

    The form's spread by region is the half-interval of the girth taken there, as a radius.
    """
    values = {
        name: v.high if upper and name.endswith(("circumference", "flexed")) else v.mean
        for name, v in estimate.dimensions.items()
        if DIMENSIONS[name].unit == "mm"
    }
    made = limb_form(kind, values, side)
    if upper:  # its spread is in the surface already
        return made
    spread: dict[str, float] = {}
    for name, station in made.stations.items():
        value = estimate.dimensions[name]
        for region in _regions_near(made.form, station):
            spread[region] = max(spread.get(region, 0.0), (value.high - value.low) / 2 / (2 * math.pi))
    return replace(made, form=replace(made.form, spread_mm=spread))


def _regions_near(form: Form, station: Station) -> list[str]:
    """Return the regions that a station's ring passes through."""
    off = form.mesh.corners.mean(axis=1) - station.centre
    near = (np.abs(off @ station.normal) < _STEP_MM) & (np.linalg.norm(off, axis=1) < 1.5 * station.reach_mm)
    return sorted(set(form.regions_at(np.flatnonzero(near))))


def measure(made: LimbForm) -> dict[str, float]:
    """Return the girths of a form at its stations, in mm: a taut tape round what the plane cuts."""
    return {name: tape_girth(made.form.mesh, station) for name, station in made.stations.items()}


def tape_girth(mesh: TriangleMesh, station: Station) -> float:
    """Return the taut tape's girth of a mesh in a station's plane, in mm; 0 where the plane cuts nothing."""
    return girth(ring_of(mesh, station), station.normal)


def ring_of(mesh: TriangleMesh, station: Station) -> FloatArray:
    """Return where a station's plane cuts the mesh near its centre, (k, 3) mm, in no order."""
    points = section_points(mesh.vertices, mesh.triangles, station.normal, float(station.normal @ station.centre))
    return points[np.linalg.norm(points - station.centre, axis=1) < 1.5 * station.reach_mm]
