# SPDX-License-Identifier: GPL-3.0-or-later
"""Measuring a head form by the definitions of ISO 7250-1 and ANSUR II, as `dimension.py` tells them in plain words.

A tape is taut: it lies along the convex hull of the section it is laid in. A section is never chained into loops here;
the hull of its points is all that a tape needs. The form stands upright, facing -Y.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..errors import InputError
from .form import Form

# The neck leans forward; the tape lies square to it. From memory: some 20° from upright in relaxed adults.
NECK_LEAN_DEG = 20.0
# Nothing this near the straight line between the tragions counts for a tape: it passes over the ears' notches.
EAR_ROOT_MM = 10.0
SKULL = ("crown", "forehead", "temple", "parietal", "occiput")
NECK = ("throat", "neck", "nape")


def measure(form: Form) -> dict[str, float]:
    """Return the head's dimensions in mm by name; those whose region or landmark the form lacks are left out.

    Raises
    ------
    InputError
        If the form has no head landmarks.
    """
    if "glabella" not in form.landmarks:
        remedy = "use a mesh of a whole head, upright, facing -Y, in millimetres"
        raise InputError("no head was recognised in it", source=form.mesh.name, remedy=remedy)
    return Ruler(form.mesh.triangles, form.region_names, _rows(form)).measure(form.mesh.vertices, form.landmarks)


def _rows(form: Form) -> IntArray:
    assert form.region_of_triangle is not None
    return form.region_of_triangle


class Ruler:
    """What measuring needs of a mesh's triangles and regions, found once for many shapes of it.

    Parameters
    ----------
    triangles, region_names, region_of_triangle
        As in `Form`.
    """

    def __init__(self, triangles: IntArray, region_names: tuple[str, ...], region_of_triangle: IntArray) -> None:
        bare = [name.removesuffix("_left").removesuffix("_right") for name in region_names]

        def among(*names: str) -> BoolArray:
            return np.isin(region_of_triangle, [i for i, n in enumerate(bare) if n in names])

        def named(*names: str) -> BoolArray:
            return np.isin(region_of_triangle, [i for i, n in enumerate(region_names) if n in names])

        self.skull = triangles[among(*SKULL)]
        self.skull_vertices = np.unique(self.skull)
        self.face_vertices = np.unique(triangles[among("face", "temple")])
        self.head = triangles[among(*SKULL, "face", "nose", "chin", "jaw", *NECK)]
        self.below_chin = triangles[among("face", "jaw", "chin", *NECK)]
        self.neck = triangles[among(*NECK)]
        self.ears = {side: np.unique(triangles[named(f"ear_{side}")]) for side in ("left", "right")}
        self.head_vertices = np.unique(triangles[among(*SKULL, "face", *NECK)])

    def measure(self, v: FloatArray, at: Mapping[str, FloatArray]) -> dict[str, float]:
        """Return the dimensions of the vertices `v` (n, 3) with these landmarks."""
        middle = float(at["sellion"][0])
        out: dict[str, float] = {}
        skull = v[self.skull_vertices]
        above_ears = skull[skull[:, 2] > max(float(v[rows, 2].max(initial=-np.inf)) for rows in self.ears.values())]
        out["head_breadth"] = float(np.ptp(above_ears[:, 0]))
        profile = section_points(v, self.skull, np.array([1.0, 0.0, 0.0]), middle)
        rear = profile[profile[:, 1] > at["glabella"][1] + 60.0]
        reach = np.linalg.norm(rear - at["glabella"], axis=1)
        out["head_length"] = float(reach.max())
        back = rear[np.argmax(reach)] - at["glabella"]
        normal = np.array([0.0, -back[2], back[1]]) / np.hypot(back[1], back[2])
        out["head_circumference"] = girth(section_points(v, self.skull, normal, float(normal @ at["glabella"])), normal)
        left, right = at["tragion_left"], at["tragion_right"]
        ear_height = float(left[2] + right[2]) / 2
        out["tragion_top_of_head"] = float(np.max(skull[:, 2])) - ear_height
        out["nose_to_back_depth"] = float(np.max(skull[:, 1]) - at["pronasale"][1])
        out["interpupillary_breadth"] = float(np.linalg.norm(at["pupil_left"] - at["pupil_right"]))
        face = v[self.face_vertices]
        arch = (at["zygion_left"] + at["zygion_right"]) / 2
        cheeks = face[(np.abs(face[:, 2] - arch[2]) < 16.0) & (face[:, 1] < arch[1] + 3.0)]
        if len(cheeks):
            out["bizygomatic_breadth"] = float(np.ptp(cheeks[:, 0]))
        out["bitragion_arc"] = self._arc(v, self.head, left, right, np.array([0.0, 0.0, 1.0]))
        if "menton" in at:
            menton = at["menton"]
            out["menton_sellion_length"] = float(np.linalg.norm(menton - at["sellion"]))
        if "pogonion" in at:
            chin = at["pogonion"] - (left + right) / 2
            out["bitragion_chin_arc"] = self._arc(v, self.head, left, right, chin)
        if "larynx" in at:
            lean = np.radians(NECK_LEAN_DEG)
            axis = np.array([0.0, -np.sin(lean), np.cos(lean)])
            out["neck_circumference"] = girth(section_points(v, self.neck, axis, float(axis @ at["larynx"])), axis)
        if "cervical_point" in at:
            corner = at["cervical_point"] - (left + right) / 2
            out["bitragion_submandibular_arc"] = self._arc(v, self.below_chin, left, right, corner)
        if "side_neck_point_left" in at:
            # A settled chain does not lie in one plane: it rises from either end of the midline to the neck's sides.
            sides = at["side_neck_point_left"], at["side_neck_point_right"]
            ends = (at[name] - (sides[0] + sides[1]) / 2 for name in ("suprasternale", "cervicale"))
            out["neck_base_circumference"] = sum(self._arc(v, self.neck, *sides, end, 0.0) for end in ends)
        if "superaurale_left" in at:
            ears = [self._ear(at, side) for side in ("left", "right")]
            out["ear_length"], out["ear_breadth"] = (float(np.mean(both)) for both in zip(*ears))
        off = [p for p in (self._ear_protrusion(v, at, side) for side in ("left", "right")) if p is not None]
        if off:
            out["ear_protrusion"] = float(np.mean(off))
        return out

    def _arc(
        self,
        v: FloatArray,
        triangles: IntArray,
        left: FloatArray,
        right: FloatArray,
        to: FloatArray,
        root: float = EAR_ROOT_MM,
    ) -> float:
        """Return the taut tape between two points in the plane that holds them and the direction `to`.

        Nothing within `root` mm of the straight line between them counts: the tape passes over an ear's notches.
        """
        across = left - right
        normal = np.cross(across, to)
        normal /= np.linalg.norm(normal)
        middle = (left + right) / 2
        points = section_points(v, triangles, normal, float(normal @ middle))
        out = np.cross(normal, across)
        out *= np.sign(out @ to)
        beyond = points[(points - middle) @ out > root * np.linalg.norm(out)]
        chord = float(np.linalg.norm(across))
        return girth(np.concatenate([beyond, [left, right]]), normal) - chord

    def _ear(self, at: Mapping[str, FloatArray], side: str) -> tuple[float, float]:
        """Return the ear's length, and its breadth square to it, both flat along the head."""
        along, across = (
            (at[f"{a}_{side}"] - at[f"{b}_{side}"])[1:]
            for a, b in (("superaurale", "subaurale"), ("postaurale", "preaurale"))
        )
        length = float(np.hypot(*along))
        return length, abs(float(along[1] * across[0] - along[0] * across[1])) / length

    def _ear_protrusion(self, v: FloatArray, at: Mapping[str, FloatArray], side: str) -> float | None:
        ear = v[self.ears[side]]
        if len(ear) < 10:
            return None
        sign = 1.0 if side == "left" else -1.0
        tip = at[f"ear_lateral_{side}"]
        rest = v[self.head_vertices]
        rear = float(np.max(ear[:, 1]))
        bone = rest[
            (np.abs(rest[:, 2] - tip[2]) < 14.0)
            & (rest[:, 1] > rear - 6.0)
            & (rest[:, 1] < rear + 12.0)
            & (sign * (rest[:, 0] - at["sellion"][0]) > 0)
        ]
        return float(sign * tip[0] - (sign * bone[:, 0]).max()) if len(bone) else None


def section_points(v: FloatArray, triangles: IntArray, normal: FloatArray, offset: float) -> FloatArray:
    """Return where the triangles' sides pass through the plane normal · x = offset, (k, 3), in no order."""
    side = v @ normal - offset
    high = side[triangles] >= 0
    crossing = triangles[high.any(axis=1) & ~high.all(axis=1)]
    edges = crossing[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    a, b = edges[(side[edges[:, 0]] >= 0) != (side[edges[:, 1]] >= 0)].T
    share = side[a] / (side[a] - side[b])
    return v[a] + share[:, None] * (v[b] - v[a])


def girth(points: FloatArray, normal: FloatArray) -> float:
    """Return the perimeter of the convex hull of points (k, 3) in a plane; 0 for fewer than three."""
    if len(points) < 3:
        return 0.0
    u = np.cross(normal, [1.0, 0.0, 0.0] if abs(normal[0]) < 0.9 else [0.0, 1.0, 0.0])
    u /= np.linalg.norm(u)
    hull = convex_hull(points @ np.stack([u, np.cross(normal, u)], axis=1))
    return float(np.linalg.norm(hull - np.roll(hull, 1, axis=0), axis=1).sum())


def convex_hull(points: FloatArray) -> FloatArray:
    """Return the convex hull (k, 2) of points (n, 2), n at least 1, counter-clockwise."""
    from manifold3d import CrossSection

    return np.asarray(CrossSection.hull_points(points).to_polygons()[0], float)
