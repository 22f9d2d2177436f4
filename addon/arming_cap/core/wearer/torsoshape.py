# SPDX-License-Identifier: GPL-3.0-or-later
"""How the torso is bent and measured: trunk, shoulders and neck.

As in `limbshape.py`, every map keeps the order of points along lines. The trunk's breadth and depth are scaled level by
level; the arms beside it are carried along, not scaled. The survey has no hip: it is scaled with thigh and waist.

Chest breadth is taken `RIBS_MM` below the chest's girth, under the muscles that frame the armpit: men of the survey
have a mean girth of 1059 mm about a breadth of 289 and a depth of 254, and an oblong of these has no more than 1086.
"""

from __future__ import annotations

import numpy as np

from ..arrays import FloatArray
from .bend import monotone, step
from .limbshape import UP, Shape, Station
from .measure import NECK_LEAN_DEG, girth, section_points

# How far below the chest's girth its breadth is taken, in the template's mm. Our reading of the survey's figures.
RIBS_MM = 75.0
LEAN = float(np.tan(np.radians(NECK_LEAN_DEG)))
# How sharply the trunk's scaling gives way to being carried along, at its own half breadth.
_SHARP = 6


class Torso(Shape):
    """Height, breadth, depth and girth of chest and waist; breadths, length and girth of the shoulders; neck."""

    def prepare(self) -> None:
        at = self.marks
        own = float(at["vertex"][2] - at["crotch"][2])
        self.tall = (self.wanted["stature"] - self.wanted["crotch_height"]) / own
        self.waist = float(at["waist"][2])
        self.chest = float(at["nipple_left"][2] + at["nipple_right"][2]) / 2
        self.ribs = self.chest - RIBS_MM
        self.acromion = float(at["acromion_left"][2])
        self.neck_z = float(at["larynx"][2])
        self.deltoid = self.acromion - 62.0
        ends = np.array([at[n] for n in ("suprasternale", "cervicale", "side_neck_point_left")])
        self.base_w = float((ends[:, 2] - LEAN * ends[:, 1]).mean())
        self.neck_w = float(at["larynx"][2] - LEAN * at["larynx"][1])
        self.trunk = np.flatnonzero(~self.template.in_regions("upper_arm"))
        self.neck = np.flatnonzero(self.template.in_regions("neck", "throat", "nape"))
        # Half breadth and middle depth of the trunk by height, arms left out: smooth, and kept above the chest.
        z = np.linspace(-20.0, self.chest, 16)
        cuts = [self.level(h, self.trunk) for h in z]
        self.half = np.polyfit(z, [np.abs(c[:, 0]).max() for c in cuts], 3)
        self.axis_y = np.polyfit(z, [(c[:, 1].max() + c[:, 1].min()) / 2 for c in cuts], 2)
        thigh = self.wanted.get("thigh_circumference")
        leg = self.level(-30.0)
        own_thigh = girth(leg[leg[:, 0] > 0], UP)
        own_waist = girth(self.level(self.waist), UP)
        ratio = self.wanted["waist_circumference"] / own_waist
        self.hip = 0.5 * np.log(ratio) + 0.5 * np.log((thigh / own_thigh) if thigh else ratio)
        self.fall = float(at["side_neck_point_left"][2] - at["acromion_left"][2])
        self.parameters = {
            "stoutness": 0.3,
            "waist breadth": 0.1,
            "waist depth": 0.12,
            "waist corners": 0.08,
            "ribs breadth": 0.1,
            "chest wider": 0.12,
            "chest depth": 0.12,
            "chest corners": 0.05,
            "shoulders": 0.1,
            "deltoid": 8.0,
            "shoulder depth": 0.1,
            "slope": 0.25,
            "neck": 0.1,
            "neck base": 0.1,
            "neck base breadth": 0.1,
        }

    def _along(self, curve: FloatArray, z: FloatArray) -> FloatArray:
        """Return a curve's value by height; beyond the trunk's ends it keeps the end's."""
        low, high = -20.0, self.chest
        blunt = high - 40.0 * np.log1p(np.exp(np.clip((high - z) / 40.0, -30, 30)))
        found: FloatArray = np.polyval(curve, np.maximum(blunt, low))
        return found

    def _knots(self) -> list[float]:
        return [0.3 * self.waist, self.waist, self.ribs, self.chest, self.acromion]

    def move(self, points: FloatArray, p: FloatArray) -> FloatArray:
        x, y, z = points.T
        q = dict(zip(self.parameters, p))
        knots, ribs = self._knots(), q["ribs breadth"]
        near_ribs = 0.3 * q["waist depth"] + 0.7 * q["chest depth"]
        stout = q["stoutness"]
        hip = self.hip - stout
        broad = monotone(knots, [hip, q["waist breadth"], ribs, ribs + q["chest wider"], q["shoulders"]], z)
        levels = [*knots[:-1], self.deltoid]
        deep = monotone(levels, [hip, q["waist depth"], near_ribs, q["chest depth"], q["shoulder depth"]], z)
        round_ = monotone(knots, [0.0, q["waist corners"], q["chest corners"] / 2, q["chest corners"], 0.0], z)
        wide = np.abs(x)
        half = self._along(self.half, z)
        reach = half * 1.02 + (float(self.marks["acromion_left"][0]) + 20.0 - half * 1.02) * step(
            z, self.chest, self.acromion - 15.0
        )
        axis = self._along(self.axis_y, z)
        # Above the shoulders the neck has its own axis and scale.
        up = step(z - LEAN * y, self.base_w, self.neck_w)
        neck = q["neck"] * up
        base = q["neck base"] * step(z, self.acromion - 45.0, self.acromion + 25.0) * (1 - up)
        outside = step(wide, 0.9 * reach, 1.25 * reach)
        lift = step(z, self.acromion - 30.0, self.neck_z)
        near = step(wide, 120.0, 60.0)
        bx = (
            stout
            + broad * (1 - lift)
            + neck
            + base * near
            + q["neck base breadth"] * near * step(z, self.chest, self.acromion)
        )
        dy = stout + (deep * (1 - outside) + q["shoulder depth"] * outside) * (1 - lift) + neck + base
        # Corners: farther out or in along rays of the level, nothing on the axes.
        fx, fy = wide / np.maximum(half, 1.0), np.abs(y - axis) / 110.0
        corner = 4 * (fx * fy) ** 2 / np.maximum((fx**2 + fy**2) ** 2, 1e-9) * round_ * (1 - outside)
        inner = wide / (1 + (wide / reach) ** _SHARP) ** (1 / _SHARP)
        x1 = wide + (np.exp(bx + corner) - 1) * inner
        x1 = x1 + q["deltoid"] * step(wide, 0.72 * reach, 1.12 * reach) * step(z, self.chest - 60.0, self.deltoid)
        y1 = axis + np.exp(dy + corner) * (y - axis)
        # The shoulder's fall grows by a factor: however short the shoulder, it never rises.
        droop = (
            self.fall * (np.exp(q["slope"]) - 1) * step(wide, 62.0, 170.0) * step(z, self.waist, self.acromion - 20.0)
        )
        return np.stack([np.sign(x) * x1, y1, self.tall * (z - droop)], axis=1)

    def _planes(self, p: FloatArray) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
        heights = {"waist": self.waist, "ribs": self.ribs, "chest": self.chest}
        places = {n: [0.0, float(self._along(self.axis_y, np.array(z))), z] for n, z in heights.items()}
        return dict(zip(places, self.move(np.array(list(places.values())), p))), self.moved_marks(p)

    def stations(self, v: FloatArray, p: FloatArray) -> dict[str, Station]:
        place, at = self._planes(p)
        lean = np.radians(NECK_LEAN_DEG)
        neck = np.array([0.0, -np.sin(lean), np.cos(lean)])
        shoulders = at["acromion_left"] * [0, 1, 1] - [0, 0, 62.0 * self.tall]
        return {
            "waist_circumference": Station(place["waist"], UP, 400.0),
            "chest_circumference": Station(place["chest"], UP, 400.0, self.trunk),
            "shoulder_circumference": Station(shoulders, UP, 500.0),
            "neck_circumference": Station(at["larynx"] + [0.0, 50.0, 18.0], neck, 150.0, self.neck),
        }

    def lengths(self, v: FloatArray, p: FloatArray) -> dict[str, float]:
        at = self.moved_marks(p)
        stations = self.stations(v, p)
        found: dict[str, float] = {}
        for name in ("waist", "chest"):
            ring = stations[f"{name}_circumference"].ring(v, self.f)
            found[f"{name}_breadth"] = float(np.ptp(ring[:, 0]))
            found[f"{name}_depth"] = float(np.ptp(ring[:, 1]))
        ribs = Station(self._planes(p)[0]["ribs"], UP, 400.0, self.trunk)
        found["chest_breadth"] = float(np.ptp(ribs.ring(v, self.f)[:, 0]))
        found["bideltoid_breadth"] = float(np.ptp(stations["shoulder_circumference"].ring(v, self.f)[:, 0]))
        found["biacromial_breadth"] = float(at["acromion_left"][0] - at["acromion_right"][0])
        found["shoulder_length"] = float(np.linalg.norm(at["acromion_left"] - at["side_neck_point_left"]))
        found["neck_base_circumference"] = self._neck_base(v, at)
        return found

    def _neck_base(self, v: FloatArray, at: dict[str, FloatArray]) -> float:
        """Return the settled chain round the neck's base: an arc before and one behind, as on a head's form."""
        left, right = at["side_neck_point_left"], at["side_neck_point_right"]
        middle, total = (left + right) / 2, 0.0
        rows = self.f[self.trunk]
        for end in ("suprasternale", "cervicale"):
            normal = np.cross(left - right, at[end] - middle)
            normal /= np.linalg.norm(normal)
            points = section_points(v, rows, normal, float(normal @ middle))
            out = at[end] - middle
            near = (
                (np.abs(points[:, 0]) <= left[0] + 2.0)
                & ((points - middle) @ out > 0)
                & ((points - middle) @ out < 1.35 * out @ out)
            )
            total += girth(np.concatenate([points[near], [left, right]]), normal) - float(np.linalg.norm(left - right))
        return total
