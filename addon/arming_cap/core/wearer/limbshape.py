# SPDX-License-Identifier: GPL-3.0-or-later
"""How arm, leg and torso are bent and measured: the parameters of each, the maps they make, and where a tape lies.

All maps keep the order of points along lines (`bend.py`). Lengths move levels up and down, girths scale a level about
the limb's axis, breadth and depth scale it unequally, and what is left of a girth rounds the level's corners or fills
them. Where along a limb a girth lies is our own setting (common practice, no source) unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..arrays import FloatArray, IntArray
from .bend import Bend, monotone, step, stretched
from .bodytemplate import BodyTemplate
from .measure import girth, section_points

UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Station:
    """Where a girth is taken.

    Attributes
    ----------
    centre, normal
        The plane, (3,) each; the normal is a unit vector.
    reach_mm
        What the plane cuts farther off the centre than one and a half times this is another part of the body.
    triangles
        The rows of the form's triangles that the tape lies on; None for all.
    """

    centre: FloatArray
    normal: FloatArray
    reach_mm: float
    triangles: IntArray | None = None

    def ring(self, vertices: FloatArray, triangles: IntArray) -> FloatArray:
        """Return where the plane cuts a surface near the centre, (k, 3) mm, in no order."""
        rows = triangles if self.triangles is None else triangles[self.triangles]
        points = section_points(vertices, rows, self.normal, float(self.normal @ self.centre))
        return points[np.linalg.norm(points - self.centre, axis=1) < 1.5 * self.reach_mm]


Dimensions = Mapping[str, float]
Marks = Mapping[str, FloatArray]


class Shape:
    """One kind of part, bent from one blend of the bodies. Subclasses fill in `move`, `stations` and `lengths`."""

    def __init__(self, template: BodyTemplate, vertices: FloatArray, marks: Marks, wanted: Dimensions) -> None:
        self.template, self.v, self.marks, self.wanted = template, vertices, marks, wanted
        self.f = template.triangles
        self.parameters: dict[str, float] = {}
        self.prepare()

    def prepare(self) -> None:
        """Find levels and axis on the template, and name the parameters with their spreads."""
        raise NotImplementedError

    def move(self, points: FloatArray, p: FloatArray) -> FloatArray:
        """Return where points (n, 3) of the template's space go."""
        raise NotImplementedError

    def stations(self, v: FloatArray, p: FloatArray) -> dict[str, Station]:
        """Return where each girth is taken on the bent vertices."""
        raise NotImplementedError

    def lengths(self, v: FloatArray, p: FloatArray) -> dict[str, float]:
        """Return the dimensions that no tape takes."""
        raise NotImplementedError

    def measure(self, p: FloatArray) -> dict[str, float]:
        """Return every dimension of the bent form, mm by name."""
        v = self.move(self.v, p)
        girths = {n: girth(s.ring(v, self.f), s.normal) for n, s in self.stations(v, p).items()}
        return {**self.lengths(v, p), **girths}

    def bend(self) -> Bend:
        """Return what `bend.solve` needs."""
        return Bend(tuple(self.parameters), np.array(list(self.parameters.values())), self.move, self.measure)

    def moved_marks(self, p: FloatArray) -> dict[str, FloatArray]:
        """Return the landmarks' places on the bent form."""
        return dict(zip(self.marks, self.move(np.array(list(self.marks.values())), p)))

    def level(self, z: float, rows: IntArray | None = None) -> FloatArray:
        """Return where the template is cut at a height."""
        return section_points(self.v, self.f if rows is None else self.f[rows], UP, z)

    def middle(self, z: float, rows: IntArray | None = None) -> tuple[float, float]:
        """Return the middle of the template's extent at a height."""
        points = self.level(z, rows)
        x, y = (points.min(axis=0) + points.max(axis=0))[:2] / 2
        return float(x), float(y)

    def extreme_level(self, low: float, high: float, largest: bool, rows: IntArray | None = None) -> float:
        """Return the height between two at which the template's girth is largest or least."""
        heights = np.linspace(low, high, 25)
        girths = [girth(self.level(z, rows), UP) for z in heights]
        return float(heights[(np.argmax if largest else np.argmin)(girths)])


def _all_but(template: BodyTemplate, *regions: str) -> IntArray:
    return np.flatnonzero(~template.in_regions(*regions))


def _extent(points: FloatArray, axis: int) -> float:
    return float(np.ptp(points[:, axis])) if len(points) else 0.0


class Arm(Shape):
    """Lengths of hand, forearm and upper arm; girths; breadth of the hand."""

    def prepare(self) -> None:
        hand, fore, upper = (self.wanted[n] for n in ("hand_length", "radiale_stylion_length", "shoulder_elbow_length"))
        wrist, elbow, top = (float(self.marks[n][2]) for n in ("wrist", "elbow", "acromion"))
        self.rise = ([0.0, wrist, elbow, top], [0.0, hand, hand + fore, hand + fore + upper])
        self.palm = _all_but(self.template, "thumb")
        self.levels = {
            "hand": float(self.marks["hand"][2]),
            "wrist": wrist,
            "forearm": self.extreme_level(elbow - 0.4 * (elbow - wrist), elbow - 0.12 * (elbow - wrist), True),
            "elbow": elbow,
            "upper_arm": elbow + 0.5 * (top - elbow),
        }
        if "elbow_circumference" not in self.wanted:
            del self.levels["elbow"]
        self.heights = list(self.levels.values())
        z = np.linspace(20.0, self.heights[-1] + 20.0, 12)
        self.axis = (z, *np.array([self.middle(h) for h in z]).T)
        self.parameters = {**dict.fromkeys(self.levels, 0.12), "hand breadth": 0.1, "stoutness": 0.3}

    def move(self, points: FloatArray, p: FloatArray) -> FloatArray:
        z, q = points[:, 2], dict(zip(self.parameters, p))
        grow = monotone(self.heights, p[: len(self.heights)], z) + q["stoutness"]
        broad = q["hand breadth"] * step(z, self.marks["wrist"][2] + 10.0, self.levels["hand"] + 30.0)
        x, y = (np.interp(z, self.axis[0], self.axis[k]) for k in (1, 2))
        return np.stack(
            [
                x + np.exp(grow) * (points[:, 0] - x),
                y + np.exp(grow + broad) * (points[:, 1] - y),
                stretched(*self.rise, z),
            ],
            axis=1,
        )

    def stations(self, v: FloatArray, p: FloatArray) -> dict[str, Station]:
        x, y = (np.interp(self.heights, self.axis[0], self.axis[k]) for k in (1, 2))
        centres = self.move(np.stack([x, y, self.heights], axis=1), p)
        at = dict(zip(self.levels, centres))
        upper, fore = (
            n if n in self.wanted else f
            for n, f in (
                ("upper_arm_circumference", "biceps_circumference_flexed"),
                ("forearm_circumference", "forearm_circumference_flexed"),
            )
        )
        found = {
            upper: Station(at["upper_arm"], -UP, 120.0),
            fore: Station(at["forearm"], -UP, 100.0),
            "wrist_circumference": Station(at["wrist"], -UP, 80.0),
            "hand_circumference": Station(at["hand"], -UP, 90.0, self.palm),
        }
        if "elbow" in at:
            found["elbow_circumference"] = Station(at["elbow"], -UP, 100.0)
        return found

    def lengths(self, v: FloatArray, p: FloatArray) -> dict[str, float]:
        station = self.stations(v, p)["hand_circumference"]
        at = self.moved_marks(p)
        return {
            "hand_breadth": _extent(station.ring(v, self.f), 1),
            "hand_length": float(at["wrist"][2] - at["fingertip"][2]),
            "radiale_stylion_length": float(at["elbow"][2] - at["wrist"][2]),
            "shoulder_elbow_length": float(at["acromion"][2] - at["elbow"][2]),
        }


class Leg(Shape):
    """Heights of ankle knob, shin bone, kneecap and crotch; girths; length, breadths and girths of the foot."""

    def prepare(self) -> None:
        named = {
            "lateral_malleolus": "lateral_malleolus_height",
            "tibiale": "tibial_height",
            "knee": "knee_height_midpatella",
            "crotch": "crotch_height",
        }
        at = {n: float(self.marks[n][2]) for n in named}
        self.rise = ([0.0, *at.values()], [0.0, *(self.wanted[d] for d in named.values())])
        knob, knee, shin = at["lateral_malleolus"], at["knee"], at["tibiale"]
        self.levels = {
            "ankle": self.extreme_level(knob + 22.0, knob + 110.0, False),
            "calf": self.extreme_level(0.55 * shin, 0.85 * shin, True),
            "knee": knee,
            "lower_thigh": knee + 45.0,
            "thigh": at["crotch"] - 30.0,
        }
        if "knee_circumference" not in self.wanted:
            del self.levels["knee"]
        self.heights = list(self.levels.values())
        z = np.linspace(knob + 30.0, self.heights[-1], 14)
        self.axis = (z, *np.array([self.middle(h) for h in z]).T)
        low = self.v[self.v[:, 2] < knob]
        self.heel, self.toe = float(low[:, 1].max()), float(low[:, 1].min())
        self.span = self.heel - self.toe
        self.ball = self.heel - 0.72 * self.span
        back = self.v[(self.v[:, 2] < 45.0) & (self.v[:, 1] > self.heel - 0.3 * self.span)]
        self.foot_x = float(back[:, 0].max() + back[:, 0].min()) / 2
        front = self.level(knob + 16.0)
        # The tape over the heel: from under its back to the bend in front of the ankle.
        self.instep = front[np.argmin(front[:, 1])]
        sole = self.v[(self.v[:, 1] > self.heel - 30.0) & (self.v[:, 2] < 30.0)]
        self.under = sole[np.argmax(sole[:, 1] - sole[:, 2])]
        self.parameters = {
            **dict.fromkeys(self.levels, 0.12),
            "stoutness": 0.3,
            "foot length": 0.08,
            "ball breadth": 0.08,
            "heel breadth": 0.1,
            "knobs": 0.08,
            "ball height": 0.12,
            "instep": 0.06,
        }

    def move(self, points: FloatArray, p: FloatArray) -> FloatArray:
        x, y, z = points.T
        knob = self.rise[0][1]
        q = dict(zip(self.parameters, p))
        # Foot: along its length, then across, then in height; each fades out above the ankle.
        low = step(z, 1.9 * knob, 0.9 * knob)
        y1 = self.heel + (y - self.heel) * np.exp(q["foot length"] * low)
        back = (self.heel - y) / self.span
        across = monotone(
            [0.1, 0.3, 0.72],
            [q["heel breadth"], q["heel breadth"] / 2 + q["ball breadth"] / 2, q["ball breadth"]],
            back,
        )
        across = across * step(z, 1.5 * knob, 0.6 * knob)
        across += q["knobs"] * np.exp(-(((z - knob) / 26.0) ** 2))
        x1 = self.foot_x + (x - self.foot_x) * np.exp(across)
        tall = q["ball height"] * step(back, 0.35, 0.72) * step(z, 2.2 * knob, 0.5 * knob)
        z1 = z * np.exp(tall)
        over = q["instep"] * np.exp(-(((z - 0.75 * knob) / (0.8 * knob)) ** 2))
        y2 = y1 + over * 60.0 * (np.tanh((y1 - self.heel + 45.0) / 60.0))
        # Shank and thigh.
        grow = monotone([0.6 * knob, *self.heights], [0.0, *(p[: len(self.heights)] + q["stoutness"])], z1)
        cx, cy = (np.interp(z1, self.axis[0], self.axis[k]) for k in (1, 2))
        scale = np.exp(grow)
        return np.stack([cx + scale * (x1 - cx), cy + scale * (y2 - cy), stretched(*self.rise, z1)], axis=1)

    def stations(self, v: FloatArray, p: FloatArray) -> dict[str, Station]:
        x, y = (np.interp(self.heights, self.axis[0], self.axis[k]) for k in (1, 2))
        centres = self.move(np.stack([x, y, self.heights], axis=1), p)
        found = {
            f"{n}_circumference": Station(c, -UP, 75.0 if n == "ankle" else 180.0) for n, c in zip(self.levels, centres)
        }
        under, instep, ball = self.move(np.array([self.under, self.instep, [self.foot_x, self.ball, 20.0]]), p)
        along = instep - under
        normal = np.array([0.0, -along[2], along[1]]) / np.hypot(along[1], along[2])
        found["heel_ankle_circumference"] = Station((under + instep) / 2, normal if normal[2] < 0 else -normal, 130.0)
        found["ball_of_foot_circumference"] = Station(ball, np.array([0.0, -1.0, 0.0]), 110.0)
        return found

    def lengths(self, v: FloatArray, p: FloatArray) -> dict[str, float]:
        at = self.moved_marks(p)
        knob = float(at["lateral_malleolus"][2])
        foot = v[v[:, 2] < knob]
        heel = float(foot[:, 1].max())
        span = _extent(foot, 1)
        fore = foot[(foot[:, 1] < heel - 0.55 * span) & (foot[:, 2] < 0.8 * knob)]
        behind = foot[(foot[:, 1] > heel - 0.22 * span) & (foot[:, 2] < 0.6 * knob)]
        return {
            "foot_length": span,
            "foot_breadth": _extent(fore, 0),
            "heel_breadth": _extent(behind, 0),
            "bimalleolar_breadth": _extent(section_points(v, self.f, UP, knob), 0),
            "lateral_malleolus_height": knob,
            "tibial_height": float(at["tibiale"][2]),
            "knee_height_midpatella": float(at["knee"][2]),
            "crotch_height": float(at["crotch"][2]),
        }
