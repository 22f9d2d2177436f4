# SPDX-License-Identifier: GPL-3.0-or-later
"""How thick a piece's walls are, and where they are thinnest.

Two methods answer at every point p of the surface, and a wall is what both see:

* the *ray* from p straight into the material, to where it leaves it;
* the *sphere*: the largest ball that touches p from inside and lies in the material, found by shrinking
  (Ma, Bae and Choi 2012, "3D medial axis point approximation using nearest neighbors and the normal field").

A ball's far pole lies on the ray, so the sphere never exceeds the ray; between parallel faces they are equal. Where
the faces lean against each other by the angle a, the ratio is 1 - tan²(a/2). Faces that lean by more than `LEAN_DEG`
are an edge and not a wall. Hence at each point

* the ball's diameter, where the two spots it touches face each other so;
* else, where the ray's two ends face each other so (the ball is held by a nearby edge), the diameter it would have
  between these two faces alone: ray · (1 - tan²(a/2));
* else nothing: an edge, a corner.

Each part is taken by itself, as it is printed. Which side is inside is asked of the winding number, so the triangles
may be a soup: crossing a triangle from its back to its front lowers the number by one, which tells from one value per
triangle what is skin, what is inside out and what lies buried in other material.

Every triangle is looked at, large ones in pieces; the least are then followed down to `REFINED_MM`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ...arrays import BoolArray, FloatArray
from ...errors import InputError
from ...mesh import TriangleMesh
from ...piece import Piece
from ...progress import Progress, part_of, silent
from ..solid.mend import SMALL_HOLE_MM, mended

LEAN_DEG = 45.0
ENOUGH_MM = 30.0  # thicker is called this thick: nobody asks, and the nearest of far points takes long to find
LINE_MM = 0.4  # width of one line of the common nozzle; a wall thinner than two has no inside
REFINED_MM = 0.05
SPOT_MM2 = 1.0  # a smaller place is a spot: two lines of the nozzle across
SPOT_RATIO = 1.05
AGREE = 0.02  # the two methods' figures are called equal within this share
COARSE_MM = 1.0  # triangles are cut no finer than this at first
_LOOKS = 60_000  # triangles, pieces of large ones included, before large ones are left whole
_FOLLOWED = 64
_FACING = np.cos(np.radians(LEAN_DEG))


@dataclass(frozen=True)
class Thickness:
    """The walls of a piece.

    Attributes
    ----------
    least_mm
        The thinnest wall.
    at, part
        Where, in the piece's frame at its scale, on the skin; and on which part.
    ray_mm, sphere_mm
        What each method says there; the sphere less where an edge is near.
    broad_mm
        All of the skin but `SPOT_MM2` has walls of at least this.
    median_mm
        Half of the skin has walls of at least this.
    limit_mm
        Thinner walls are warned of.
    thin_mm2, skin_mm2
        Area of the skin over walls thinner than the limit, and over walls of any thickness.
    agreeing
        Share of the area looked at by both methods where they agree within two per cent; leaning walls do not.
    """

    least_mm: float
    at: tuple[float, float, float]
    part: str
    ray_mm: float
    sphere_mm: float
    broad_mm: float
    median_mm: float
    limit_mm: float
    thin_mm2: float
    skin_mm2: float
    agreeing: float

    @property
    def warning(self) -> str:
        """What to say of a wall that is too thin; empty where none is."""
        if self.least_mm >= self.limit_mm:
            return ""
        x, y, z = self.at
        return (
            f"the wall of {self.part} is {self.least_mm:.2f} mm at ({x:.0f}, {y:.0f}, {z:.0f}), "
            f"under {self.limit_mm:.2f} mm; {self.thin_mm2 / 100:.1f} cm² of skin are thinner than that"
        )

    @property
    def remark(self) -> str:
        """What to say where the thinnest wall is a mere spot; empty where it is not.

        Where faces run together at an edge, how near to it a wall still is one hangs on the lean of single triangles:
        another mesh of the same shape has another least.
        """
        if self.broad_mm <= SPOT_RATIO * self.least_mm:
            return ""
        return (
            f"the least wall, {self.least_mm:.2f} mm, is at a spot of under {SPOT_MM2:.0f} mm², as at an edge, and "
            f"another mesh of the same shape may have another; all other walls are at least {self.broad_mm:.2f} mm"
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the thickness as JSON shows it."""
        return {
            "least_mm": round(self.least_mm, 3),
            "at": [round(v, 3) + 0.0 for v in self.at],
            "part": self.part,
            "ray_mm": round(self.ray_mm, 3),
            "sphere_mm": round(self.sphere_mm, 3),
            "broad_mm": round(self.broad_mm, 3),
            "median_mm": round(self.median_mm, 3),
            "limit_mm": round(self.limit_mm, 3),
            "thin_mm2": round(self.thin_mm2, 1),
            "skin_mm2": round(self.skin_mm2, 1),
            "agreeing": round(self.agreeing, 4),
            "warning": self.warning,
            "remark": self.remark,
        }


def thickness(
    piece: Piece, scale: float = 1.0, limit_mm: float = 2 * LINE_MM, progress: Progress = silent
) -> Thickness:
    """Return the wall thickness of a piece after scaling.

    Parameters
    ----------
    piece
        Any triangles; see the module.
    scale
        Uniform; thickness goes with it.
    limit_mm
        What to warn under; two lines of a 0.4 mm nozzle unless given.

    Raises
    ------
    InputError
        If no part encloses material.
    """
    walls = []
    for i, part in enumerate(piece.parts):
        share = part_of(progress, i / len(piece.parts), (i + 1) / len(piece.parts))
        found = _part_walls(part.mesh, limit_mm / scale, ENOUGH_MM / scale, share)
        if found is not None:
            walls.append((part.name, found))
    progress(1.0, "wall thickness")
    if not walls:
        raise InputError(
            "no part encloses material, so there is no wall", source=piece.name, remedy="give the surface a thickness"
        )
    name, thin = min(walls, key=lambda one: one[1].least)
    skin = sum(w.skin for _, w in walls)
    every = np.concatenate([w.thick for _, w in walls])
    weight = np.concatenate([w.area for _, w in walls])
    seen = sum(w.looked for _, w in walls)
    return Thickness(
        thin.least * scale,
        (float(thin.at[0] * scale), float(thin.at[1] * scale), float(thin.at[2] * scale)),
        name,
        thin.ray * scale,
        thin.sphere * scale,
        _at_area(every, weight, SPOT_MM2 / scale**2) * scale,
        _at_area(every, weight, 0.5 * float(weight.sum())) * scale,
        limit_mm,
        sum(w.thin for _, w in walls) * scale**2,
        skin * scale**2,
        sum(w.agreeing for _, w in walls) / seen if seen else 0.0,
    )


@dataclass(frozen=True, eq=False)
class _Walls:
    """What is found of one part, at its own scale; `thick` and `area` by sample, by the ray."""

    least: float
    at: FloatArray
    ray: float
    sphere: float
    thin: float
    skin: float
    looked: float
    agreeing: float
    thick: FloatArray
    area: FloatArray


def _at_area(values: FloatArray, area: FloatArray, below: float) -> float:
    """Return the value that so much area lies below; the largest where there is no more."""
    order = np.argsort(values, kind="stable")
    row = int(np.searchsorted(np.cumsum(area[order]), below))
    return float(values[order][min(row, len(order) - 1)])


class Material:
    """The skin of one part, and the way into the material from each of its triangles.

    Parameters
    ----------
    corners
        Triangles (m, 3, 3) in mm, without those of no area.
    enough
        Anything thicker is called this thick, mm.

    Attributes
    ----------
    corners, inward
        Of the triangles that are skin, (k, 3, 3) and unit vectors (k, 3).
    """

    def __init__(self, corners: FloatArray, enough: float = ENOUGH_MM) -> None:
        import igl

        self.enough = enough
        flat = np.ascontiguousarray(corners.reshape(-1, 3))
        rows = np.arange(len(flat)).reshape(-1, 3)
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        self.step = 1e-5 * float(np.linalg.norm(np.ptp(flat, axis=0)))  # off the surface
        self._winding = igl.FastWindingNumberBVH()
        self._winding.init(flat, rows)
        behind = self._winding.winding_number(np.ascontiguousarray(corners.mean(axis=1) - self.step * normal))
        filled, filled_ahead = np.abs(behind) > 0.5, np.abs(behind - 1) > 0.5
        # Beside a hole the number is no whole one, and inside no longer means anything.
        skin = (filled != filled_ahead) & (np.abs(behind - np.rint(behind)) < 0.1)
        self.corners = corners[skin]
        self.inward = np.where(filled, -1.0, 1.0)[skin, None] * normal[skin]
        self._vertices = np.ascontiguousarray(self.corners.reshape(-1, 3))
        self._rows = np.arange(len(self._vertices)).reshape(-1, 3)
        self._tree = igl.AABB()
        if len(self.corners):
            self._tree.init(self._vertices, self._rows)

    def ray(self, points: FloatArray, inward: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how far it is through the material (n,), inf where it does not end, and the cosine of the lean."""
        start = np.ascontiguousarray(points + self.step * inward)
        hit, far, _ = self._tree.intersect_ray_first(self._vertices, self._rows, start, np.ascontiguousarray(inward))
        far = np.where(np.isfinite(far) & (hit >= 0), far + self.step, np.inf)
        against = -np.einsum("ij,ij->i", self.inward[np.maximum(hit, 0)], inward)
        against = np.where(np.isfinite(far), against, 0.0)
        deep = np.isfinite(far) & (far >= self.enough)
        return np.where(deep, self.enough, far), np.where(deep, 1.0, against)

    def filled(self, points: FloatArray) -> BoolArray:
        """Return which points (n, 3) lie in material."""
        found: BoolArray = np.abs(self._winding.winding_number(np.ascontiguousarray(points))) > 0.5
        return found

    def sphere(
        self, points: FloatArray, inward: FloatArray, ray: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the diameter of the largest ball inside that touches each point (n,), where it touches something
        else (n, 3), and the cosine of the lean between the two spots; NaN where nothing but the ray's end stops it.
        """
        radius = 0.5 * ray
        facing = np.full(len(points), np.nan)
        touched = points + ray[:, None] * inward
        going = np.arange(len(points))
        for _ in range(60):
            if not len(going):
                break
            r = radius[going, None]
            centre = np.ascontiguousarray(points[going] + r * inward[going])
            _, _, spot = self._tree.squared_distance(self._vertices, self._rows, centre)
            to = spot.reshape(-1, 3) - points[going]
            far2, height = (to**2).sum(axis=1), np.einsum("ij,ij->i", to, inward[going])
            inside = np.linalg.norm(to - r * inward[going], axis=1) < radius[going] * (1 - 1e-6)
            inside &= height > 0
            new = far2[inside] / (2 * height[inside])
            going = going[inside]
            radius[going] = new
            touched[going] = points[going] + to[inside]
            # With the spot at height h over the tangent plane, its spoke leans by a: h = r (1 + cos a).
            facing[going] = height[inside] / new - 1
        return 2 * radius, touched, facing


def _part_walls(mesh: TriangleMesh, limit: float, enough: float, progress: Progress) -> _Walls | None:
    """Look at one part in its own scale; None where nothing of it has a wall."""
    what = f"wall thickness of {mesh.name}"
    progress(0.0, what)
    facts = mesh.soundness
    if facts.flipped_edges or facts.duplicate_triangles:
        # Turned faces and copies spoil the winding number, which tells where material is: set right as for a cut.
        mesh = mended(mesh.welded(), SMALL_HOLE_MM)[0]
    progress(0.1, f"{what}: its skin")
    corners = skin_pieces(mesh)
    if not len(corners):
        return None
    material = Material(corners, enough)
    corners, inward = material.corners, material.inward
    if not len(corners):
        return None
    a, b, c = (corners[:, k] for k in range(3))
    area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    middle = corners.mean(axis=1)
    progress(0.4, f"{what}: rays")
    ray, against = material.ray(middle, inward)
    through = np.isfinite(ray)
    if not through.any():
        return None
    best = np.full(len(ray), np.inf)
    faced = through & (against >= _FACING)
    best[faced] = _between(ray[faced], against[faced])
    # The sphere says less than the ray by a third at most where there is a wall: no other point needs it.
    lowest = ray * _between(1.0, np.array(_FACING))
    order = np.argsort(lowest, kind="stable")
    order = order[through[order]]
    wall, sphere = best.copy(), np.full(len(ray), np.nan)
    least = float(best.min())
    taken = 0
    while taken < len(order) and lowest[order[taken]] < max(least, limit):
        progress(0.5 + 0.5 * taken / len(order), f"{what}: balls")
        rows = order[taken : taken + 8192]
        wall[rows], sphere[rows] = _wall(material, middle[rows], inward[rows], ray[rows], against[rows])
        least = min(float(np.min(wall[rows])), least)
        taken += len(rows)
    counted = np.isfinite(wall)
    if not counted.any():
        return None
    follow = np.argsort(wall, kind="stable")[:_FOLLOWED]
    value, at, at_ray, at_sphere = _followed(material, corners[follow], inward[follow])
    looked = counted & np.isfinite(sphere)
    agree = looked & (np.abs(sphere - ray) <= AGREE * ray)
    return _Walls(
        value,
        at,
        at_ray,
        at_sphere,
        float(area[counted & (wall < limit)].sum()),
        float(area[counted].sum()),
        float(area[looked].sum()),
        float(area[agree].sum()),
        wall[counted],
        area[counted],
    )


def _between(ray: Any, against: FloatArray) -> Any:
    """Return the diameter of the ball between two planes, by the ray from one to the other and the cosine of the lean.

    1 - tan²(a/2) = 2 cos a / (1 + cos a).
    """
    leaning = np.maximum(against, 0.0)
    return ray * (2 * leaning / (1 + leaning))


def _wall(
    material: Material, points: FloatArray, inward: FloatArray, ray: FloatArray, against: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the wall (n,) at some points, inf where there is none, and the sphere's own answer.

    A triangle that dips into other material is skin in part only: what a ball touches must have nothing behind it.
    """
    sphere, touched, facing = material.sphere(points, inward, ray)
    facing = np.where(np.isnan(facing), against, facing)
    by_ray = np.where(against >= _FACING, _between(ray, against), np.inf)
    doubtful = np.flatnonzero(sphere < (1 - AGREE) * by_ray)
    if len(doubtful):
        away = touched[doubtful] - points[doubtful] - 0.5 * sphere[doubtful, None] * inward[doubtful]
        away /= np.linalg.norm(away, axis=1, keepdims=True)
        facing[doubtful[material.filled(touched[doubtful] + 2 * material.step * away)]] = -1.0
    return np.where(facing >= _FACING, sphere, by_ray), sphere


def _followed(material: Material, corners: FloatArray, inward: FloatArray) -> tuple[float, FloatArray, float, float]:
    """Follow the thinnest walls into ever smaller pieces of their triangles; return wall, place, ray and sphere."""
    best = (np.inf, corners[0].mean(axis=0), np.inf, np.inf)
    while True:
        points = corners.mean(axis=1)
        ray, against = material.ray(points, inward)
        through = np.flatnonzero(np.isfinite(ray))
        wall, sphere = np.full(len(ray), np.inf), np.full(len(ray), np.inf)
        at, way = points[through], inward[through]
        wall[through], sphere[through] = _wall(material, at, way, ray[through], against[through])
        i = int(np.argmin(wall))
        if wall[i] < best[0]:
            best = (float(wall[i]), points[i], float(ray[i]), float(sphere[i]))
        keep = np.argsort(wall, kind="stable")[:_FOLLOWED]
        corners, inward = corners[keep], inward[keep]
        size = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        if size.max() <= REFINED_MM:
            return best
        corners, inward = _quartered(corners), np.repeat(inward, 4, axis=0)


def _quartered(corners: FloatArray) -> FloatArray:
    """Return triangles (m, 3, 3) cut into four each at the middles of their sides, (4 m, 3, 3)."""
    a, b, c = (corners[:, k] for k in range(3))
    ab, bc, ca = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
    return np.stack([a, ab, ca, ab, b, bc, ca, bc, c, ab, bc, ca], axis=1).reshape(-1, 3, 3)


def skin_pieces(mesh: TriangleMesh) -> FloatArray:
    """Return the triangles of some area as corners (k, 3, 3), the large ones in pieces."""
    corners = mesh.corners[mesh.areas > 0]
    if not len(corners):
        return corners
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    aim = float(longest.max())
    while aim > COARSE_MM:
        count = 4.0 ** np.ceil(np.log2(np.maximum(longest / (0.5 * aim), 1.0)))
        if count.sum() > _LOOKS:
            break
        aim *= 0.5
    while True:
        large = longest > aim * (1 + 1e-9)
        if not large.any():
            return corners
        corners = np.concatenate([corners[~large], _quartered(corners[large])])
        longest = np.concatenate([longest[~large], np.repeat(0.5 * longest[large], 4)])
