# SPDX-License-Identifier: GPL-3.0-or-later
"""Arm, leg and torso from dimensions: a body's own shape, bent until measuring it returns them.

The template (`bodytemplate.py`) is blended from three bodies by sex, then bent (`limbshape.py`, `torsoshape.py`): of
all bends that measure as asked, the least one. Frames as in the template: the arm hangs with the fingertip at z = 0 and
the palm to the thigh, the leg stands on z = 0 with the toes to -Y, the torso's crotch is at z = 0.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..mesh import TriangleMesh
from .bend import solve
from .bodytemplate import KINDS, BodyTemplate, body_template
from .dimension import DIMENSIONS
from .form import Form
from .limbshape import Arm, Leg, Shape, Station
from .measure import girth
from .population import Estimate
from .torsoshape import Torso

__all__ = ["KINDS", "LimbForm", "Station", "limb_form", "limb_form_of", "measure", "ring_of", "tape_girth"]

SHAPES: Mapping[str, type[Shape]] = {"arm": Arm, "leg": Leg, "torso": Torso}
# Measuring the form returns each dimension to this, girths to twice as much; the contract with the user.
CONTRACT_MM = 1.0
EVERY_BODY = (1 / 3, 1 / 3, 1 / 3)
_NEEDED = {
    "arm": "hand_length radiale_stylion_length shoulder_elbow_length wrist_circumference hand_circumference "
    "hand_breadth",
    "leg": "crotch_height knee_height_midpatella tibial_height lateral_malleolus_height thigh_circumference "
    "lower_thigh_circumference calf_circumference ankle_circumference heel_ankle_circumference "
    "ball_of_foot_circumference foot_length foot_breadth heel_breadth bimalleolar_breadth",
    "torso": "stature crotch_height waist_circumference waist_breadth waist_depth chest_circumference chest_breadth "
    "chest_depth shoulder_circumference bideltoid_breadth biacromial_breadth shoulder_length neck_circumference "
    "neck_base_circumference",
}
# Either will do; the first is what the form wants.
_EITHER = {
    "arm": (
        ("upper_arm_circumference", "biceps_circumference_flexed", "the upper arm is as thick as when flexed"),
        ("forearm_circumference", "forearm_circumference_flexed", "the forearm is as thick as when flexed"),
    ),
}
_MAYBE = {
    "arm": (("elbow_circumference", "the elbow's girth was not measured: it follows upper arm and forearm"),),
    "leg": (("knee_circumference", "the knee's girth was not measured: it follows thigh and calf"),),
    "torso": (),
}
_TORSO_NOTE = "the torso's arms end above the elbow, the hip follows waist and thigh"
# How far the surface of a real body lies off the form made from its own card, mm by region: two and a half times the
# root mean square over the three bodies of the tests, each left out of its own template, rounded up
# (`scripts/validate_bodies.py`). So wide, because a margin is the least over a whole piece and finds the worst place;
# it then holds 90 % of pieces. The woman is judged on men: three bodies made by one hand are few.
SHAPE_MM: Mapping[str, float] = {
    "upper_arm": 10.0,
    "elbow": 3.0,
    "forearm": 2.0,
    "wrist": 2.0,
    "hand": 2.0,
    "thumb": 2.0,
    "thigh": 16.0,
    "knee": 21.0,
    "calf": 12.0,
    "ankle": 12.0,
    "foot": 13.0,
    "heel": 15.0,
    "instep": 12.0,
    "nape": 20.0,
    "throat": 18.0,
    "neck": 15.0,
    "shoulder": 21.0,
    "chest": 18.0,
    "back": 35.0,
    "waist": 19.0,
    "hip": 20.0,
}


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
    measured
        Every dimension that can be measured on it, mm by name, as it stands upright and straight.
    """

    form: Form
    stations: Mapping[str, Station]
    notes: tuple[str, ...] = ()
    used: frozenset[str] = frozenset()
    measured: Mapping[str, float] | None = None


def limb_form(
    kind: str,
    dimensions: Mapping[str, float],
    side: str = "left",
    *,
    shares: Sequence[float] = EVERY_BODY,
    strict: bool = True,
) -> LimbForm:
    """Return the closed form of a limb or the torso.

    Parameters
    ----------
    kind
        ``arm``, ``leg`` or ``torso``.
    dimensions
        mm, by dimension name.
    side
        ``left`` or ``right``: a right limb is the left one's mirror image.
    shares
        How much of each of the template's three bodies; see `bodytemplate.BodyTemplate`.
    strict
        Whether dimensions that cannot hold together are refused; else the nearest form is returned.

    Raises
    ------
    InputError
        If the kind is unknown, or a dimension is missing or impossible.
    """
    if kind not in KINDS or side not in ("left", "right"):
        raise InputError(f"no form is called {kind!r}, {side!r}", remedy=f"use {', '.join(KINDS)}, and left or right")
    wanted, notes = _wanted(kind, dimensions)
    template = body_template(kind)
    vertices, marks = template.blend(shares)
    shape = SHAPES[kind](template, vertices, marks, wanted)
    own = shape.measure(np.zeros(len(shape.parameters)))
    p, off = solve(shape.bend(), {n: wanted[n] for n in own if n in wanted})
    if strict:
        _refuse(off)
    moved = np.round(shape.move(shape.v, p), 6) + 0.0
    places = {n: at for n, at in shape.moved_marks(p).items() if n != "vertex"}
    stations = shape.stations(moved, p)
    used = frozenset(wanted) - {"stature"}
    made = LimbForm(_form(template, moved, places | _centres(stations)), stations, notes, used, shape.measure(p))
    return made if kind == "torso" or side == "left" else _mirrored(made)


def _wanted(kind: str, dimensions: Mapping[str, float]) -> tuple[dict[str, float], tuple[str, ...]]:
    """Return the dimensions that shape the form, and what it had to do without."""
    names, notes = _NEEDED[kind].split(), []
    for wanted, instead, why in _EITHER.get(kind, ()):
        names.append(wanted if wanted in dimensions else instead)
        notes += [] if wanted in dimensions else [why]
    for name, why in _MAYBE[kind]:
        names += [name] if name in dimensions else []
        notes += [] if name in dimensions else [why]
    if kind == "torso":
        names += ["thigh_circumference"] if "thigh_circumference" in dimensions else []
        notes.append(_TORSO_NOTE)
    found = {}
    for name in names:
        value = dimensions.get(name)
        if value is None:
            raise InputError(
                f"{DIMENSIONS[name].in_words} is needed for this form", remedy=f"measure it: {DIMENSIONS[name].how}"
            )
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{DIMENSIONS[name].in_words} of {value} mm is no length", remedy="take it again")
        found[name] = float(value)
    _in_order(kind, found)
    return found, tuple(notes)


def _in_order(kind: str, d: Mapping[str, float]) -> None:
    """Refuse heights that lie the wrong way round."""
    order = {
        "leg": ("lateral_malleolus_height", "tibial_height", "knee_height_midpatella", "crotch_height"),
        "torso": ("crotch_height", "stature"),
    }.get(kind, ())
    for low, high in zip(order, order[1:]):
        if d[high] < d[low] + 1.0:
            words = DIMENSIONS[low].in_words, DIMENSIONS[high].in_words
            raise InputError(
                f"{words[0]} {d[low]:g} mm is not below {words[1]} {d[high]:g} mm", remedy="take both again, barefoot"
            )


def _refuse(off: Mapping[str, float]) -> None:
    def share(name: str) -> float:
        return abs(off[name]) / (CONTRACT_MM * (2 if name.endswith(("circumference", "flexed")) else 1))

    worst = max(off, key=share)
    if share(worst) > 1.0:
        words = DIMENSIONS[worst].in_words
        raise InputError(
            f"no body takes these dimensions together: {words} stays {abs(off[worst]):.1f} mm off",
            remedy=f"measure {words} again, and check the units",
        )


def _centres(stations: Mapping[str, Station]) -> dict[str, FloatArray]:
    return {n.removesuffix("_flexed").removesuffix("_circumference"): s.centre for n, s in stations.items()}


def _form(template: BodyTemplate, vertices: FloatArray, places: Mapping[str, FloatArray]) -> Form:
    kind = template.kind
    if kind != "torso":
        places = {f"{n}_left": p for n, p in places.items()}
    return Form(
        TriangleMesh(vertices, template.triangles, kind if kind == "torso" else f"{kind}_left"),
        template.region_names,
        template.region_of_triangle,
        dict(places),
        {},
        "card",
        template.on_cut,
    )


def _mirrored(made: LimbForm) -> LimbForm:
    """Return the right limb of a left one."""
    flip = np.array([-1.0, 1.0, 1.0])
    form = made.form
    mesh = TriangleMesh(
        form.mesh.vertices * flip + 0.0, form.mesh.triangles[:, ::-1], form.mesh.name.replace("left", "right")
    )
    return replace(
        made,
        form=replace(
            form,
            mesh=mesh,
            region_names=tuple(n.replace("_left", "_right") for n in form.region_names),
            landmarks={n.replace("_left", "_right"): p * flip + 0.0 for n, p in form.landmarks.items()},
        ),
        stations={n: replace(s, centre=s.centre * flip, normal=s.normal * flip) for n, s in made.stations.items()},
    )


def limb_form_of(estimate: Estimate, kind: str, side: str = "left", *, upper: bool = False) -> LimbForm:
    """Return the form of an estimate's means; with `upper`, girths, breadths and depths at their 90 % upper ends.

    The form's spread by region joins two independent parts: half the interval of what is measured there, as a radius,
    and how far real bodies lie off forms that measure the same (`SHAPE_MM`).
    """
    ends = ("circumference", "flexed", "breadth", "depth")
    values = {
        name: v.high if upper and name.endswith(ends) else v.mean
        for name, v in estimate.dimensions.items()
        if DIMENSIONS[name].unit == "mm"
    }
    men = estimate.chance_male
    made = limb_form(kind, values, side, shares=(men / 2, 1 - men, men / 2), strict=not upper)
    if upper:  # its spread is in the surface already
        return made
    spread = {region: 0.0 for region in made.form.region_names}
    for name, station in made.stations.items():
        near = _regions_near(made.form, station)
        for read, share in _speaks_at(name, estimate):
            half = (estimate.dimensions[read].high - estimate.dimensions[read].low) / 2 * share
            for region in near:
                spread[region] = max(spread[region], half)
    shape = {r: SHAPE_MM.get(r.removesuffix("_left").removesuffix("_right"), 0.0) for r in spread}
    both = {r: math.hypot(s, shape[r]) for r, s in spread.items()}
    return replace(made, form=replace(made.form, spread_mm=both))


def _speaks_at(name: str, estimate: Estimate) -> list[tuple[str, float]]:
    """Return what is read where a girth is taken, and how much of its error is a radius."""
    found = [(name, 1 / (2 * math.pi))]
    for other in ("breadth", "depth"):
        beside = name.replace("circumference", other)
        if name.startswith(("chest", "waist")) and beside in estimate.dimensions:
            found.append((beside, 0.5))
    return found


def _regions_near(form: Form, station: Station) -> list[str]:
    """Return the regions that a station's ring passes through."""
    off = form.mesh.corners.mean(axis=1) - station.centre
    near = (np.abs(off @ station.normal) < 10.0) & (np.linalg.norm(off, axis=1) < 1.5 * station.reach_mm)
    if station.triangles is not None:
        near &= np.isin(np.arange(len(near)), station.triangles)
    return sorted(set(form.regions_at(np.flatnonzero(near))))


def measure(made: LimbForm) -> dict[str, float]:
    """Return the girths of a form at its stations, in mm: a taut tape round what the plane cuts."""
    return {name: tape_girth(made.form.mesh, station) for name, station in made.stations.items()}


def tape_girth(mesh: TriangleMesh, station: Station) -> float:
    """Return the taut tape's girth of a mesh in a station's plane, in mm; 0 where the plane cuts nothing."""
    return girth(ring_of(mesh, station), station.normal)


def ring_of(mesh: TriangleMesh, station: Station) -> FloatArray:
    """Return where a station's plane cuts the mesh near its centre, (k, 3) mm, in no order."""
    return station.ring(mesh.vertices, mesh.triangles)
