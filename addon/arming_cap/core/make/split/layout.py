# SPDX-License-Identifier: GPL-3.0-or-later
"""How parts lie for printing: which side down, turned how on the plate, and which parts share a plate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray
from ...errors import InputError
from ...pose import Pose
from ..solid.solid import raw_mesh
from .boxfit import ROUND_MM, Turn, extents_in, on_plate, reaching
from .split_cell import Plane, hull_points

# Steeper than this from the plate a surface prints without support: common practice, no source.
OVERHANG_DEG = 45.0
# A flat stands sound from this area on; common practice, no source.
SOUND_FLAT_MM2 = 150.0
FLAT_MM = 0.05
FLAT_COS = np.cos(np.radians(1.0))
SPACING_MM = 5.0
# Sides of the hull that are tried; smaller ones where none of those fits; and how many that fit are judged.
SIDES, MORE_SIDES, LIKELY_SIDES = 12, 250, 24
# A side of the hull as wide as this between the points that touch stands sure; common practice, no source.
SURE_SIDE_MM2 = 1000.0
MOST_SIDES = 20_000
BLOCK = 4_000_000  # directions times triangles that are judged at once


@dataclass(frozen=True, eq=False)
class Laid:
    """A part as it is printed.

    Attributes
    ----------
    pose
        From the worn frame to its own print frame: lowest point at z = 0, middle of its box at x = y = 0.
    size_mm
        (3,) width, depth and height there.
    flat_mm2, overhang_mm2
        What lies on the plate, and what leans over by more than 45 degrees.
    """

    pose: Pose
    size_mm: FloatArray
    flat_mm2: float
    overhang_mm2: float


def lay(solid: Any, planes: Sequence[tuple[Plane, int]], turn: Turn, room: FloatArray) -> Laid:
    """Return how a part is best printed.

    The largest flat sides of its hull, every cut face and the worn axes are tried as the side that lies down. Judged
    are a sound flat on the plate, the share of the surface that overhangs, and the height. Where none of them fits, the
    part stands on three or more of its points: on that smaller side of its hull which fits and is judged best.

    Parameters
    ----------
    planes
        The cuts it was made by, with its side of each.
    turn
        A rotation that is known to fit; taken where no better one does.
    room
        (3,) width, depth and height.

    Raises
    ------
    InputError
        If not even that rotation fits.
    """
    vertices, triangles = raw_mesh(solid)
    hull = hull_points(solid)
    surface = _Surface(vertices, triangles, hull)
    sides = _Sides.of(solid)
    wide, _ = sides.largest(SIDES)
    down = [-side * np.asarray(plane.normal) for plane, side in planes]
    down += [*wide, *(sign * axis for axis in np.eye(3) for sign in (-1.0, 1.0))]
    kept: list[FloatArray] = []
    for one in down:
        if all(one @ other < 1 - 1e-9 for other in kept):
            kept.append(np.asarray(one, float))
    found = surface.best(np.array(kept), np.zeros(len(kept)), room)
    if found is None:
        normals, areas = sides.no_higher(float(room[2]), surface.few).largest(MORE_SIDES)
        likely = [i for i in range(len(areas)) if on_plate(normals[i], surface.few, room) is not None][:LIKELY_SIDES]
        found = surface.best(normals[likely], areas[likely], room)
    if found is not None:
        return found
    if (extents_in(turn.rotation[None], hull)[0] > room + 2 * ROUND_MM).any():
        raise InputError("a part fits the printer in no orientation", remedy="plan with a larger volume")
    flat, leaning, *_ = surface.judged(-turn.rotation[2:], np.zeros(1))
    return _laid(turn.rotation, hull, float(flat[0]), float(leaning[0]))


class _Surface:
    """What a direction to the plate is judged by."""

    def __init__(self, vertices: FloatArray, triangles: IntArray, hull: FloatArray) -> None:
        self.vertices, self.triangles, self.hull, self.few = vertices, triangles, hull, reaching(hull)
        corners = vertices[triangles]
        self.vectors = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        self.areas = np.linalg.norm(self.vectors, axis=1)

    def best(self, down: FloatArray, sides: FloatArray, room: FloatArray) -> Laid | None:
        """Return how the part lies on the best of some directions (k, 3); None where it fits on none of them."""
        flat, leaning, height, cost = self.judged(down, sides)
        for i in np.argsort(cost, kind="stable"):
            if height[i] > room[2] + ROUND_MM:
                continue
            # What fits by all its corners fits by those that reach furthest, and that is asked a hundred times faster.
            if on_plate(down[i], self.few, room) is None:
                continue
            rotation = on_plate(down[i], self.hull, room)
            if rotation is not None:
                return _laid(rotation, self.hull, float(flat[i]), float(leaning[i]))
        return None

    def judged(self, down: FloatArray, sides: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return for directions (k, 3) what lies flat on the plate, what overhangs, the height and the cost, (k,) each.

        Parameters
        ----------
        sides
            (k,) area of the side of the hull that each direction stands on: the wider, the surer.
        """
        flat, leaning, height = (np.empty(len(down)) for _ in range(3))
        for rows in np.array_split(np.arange(len(down)), 1 + len(down) * len(self.areas) // BLOCK):
            facing = self.vectors @ down[rows].T / np.maximum(self.areas, 1e-12)[:, None]
            depth = self.vertices @ down[rows].T
            reach = self.hull @ down[rows].T
            height[rows] = reach.max(axis=0) - reach.min(axis=0)
            touching: BoolArray = (depth > reach.max(axis=0) - FLAT_MM)[self.triangles].all(axis=1)
            flat[rows] = (self.areas[:, None] * (touching & (facing > FLAT_COS))).sum(axis=0)
            over = ~touching & (facing > np.cos(np.radians(OVERHANG_DEG)) + 1e-9)
            leaning[rows] = (self.areas[:, None] * over).sum(axis=0)
        total = self.areas.sum()
        size = float(np.ptp(self.hull, axis=0).max())
        unsound = np.maximum(0.0, 1 - flat / SOUND_FLAT_MM2) - 0.5 * np.minimum(1.0, sides / SURE_SIDE_MM2)
        return flat, leaning, height, 2.0 * leaning / total + 0.3 * height / size + 0.6 * unsound - 0.2 * flat / total


@dataclass(frozen=True, eq=False)
class _Sides:
    """The sides of a hull: outward normals (k, 3) and areas (k,)."""

    normals: FloatArray
    areas: FloatArray

    @classmethod
    def of(cls, solid: Any) -> _Sides:
        """Return a solid's, the widest of them where there are very many."""
        vertices, triangles = raw_mesh(solid.hull())
        corners = vertices[triangles]
        vectors = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        areas = np.linalg.norm(vectors, axis=1)
        widest = np.argsort(-areas, kind="stable")[:MOST_SIDES]
        return cls(vectors[widest] / np.maximum(areas[widest], 1e-12)[:, None], areas[widest])

    def no_higher(self, height: float, few: FloatArray) -> _Sides:
        """Return those on which some points (n, 3) reach no higher."""
        rows: list[FloatArray] = []
        for normals in np.array_split(self.normals, 1 + len(self.normals) * len(few) // BLOCK):
            rows.append(np.ptp(few @ normals.T, axis=0) <= height + ROUND_MM)
        low = np.concatenate(rows).astype(bool)
        return _Sides(self.normals[low], self.areas[low])

    def largest(self, count: int) -> tuple[FloatArray, FloatArray]:
        """Return the normals (k, 3) and areas (k,) of the widest; sides within a degree or so of one count with it."""
        left = self.areas.copy()
        normals: list[FloatArray] = []
        areas: list[float] = []
        while len(normals) < count and len(left) and left.max() > 0:
            i = int(np.argmax(left))
            near = (self.normals @ self.normals[i] > 0.9998) & (left > 0)
            normals.append(self.normals[i])
            areas.append(float(left[near].sum()))
            left[near] = 0.0
        return np.reshape(normals, (-1, 3)), np.array(areas)


def _laid(rotation: FloatArray, hull: FloatArray, flat: float, overhang: float) -> Laid:
    turned = hull @ rotation.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    shift = -np.array([0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1]), low[2]])
    return Laid(Pose(rotation, shift), high - low, flat, overhang)


def plates(
    sizes: Sequence[FloatArray], room: FloatArray, spacing_mm: float = SPACING_MM
) -> list[tuple[int, float, float]]:
    """Lay boxes out on as few plates as come easily: for each its plate, counted from 0, and its middle (x, y).

    The plate runs from (0, 0) to the room's width and depth; boxes keep their orientation and a spacing between them.
    Largest first, each goes into the free corner that is nearest the plate's own.
    """
    order = sorted(range(len(sizes)), key=lambda i: (-float(sizes[i][0] * sizes[i][1]), i))
    taken: list[list[tuple[float, float, float, float]]] = []
    found: list[tuple[int, float, float]] = [(0, 0.0, 0.0)] * len(sizes)
    for i in order:
        width, depth = float(sizes[i][0]), float(sizes[i][1])
        for number in range(len(taken) + 1):
            if number == len(taken):
                taken.append([])
            corner = _free_corner(taken[number], width, depth, room, spacing_mm)
            if corner is not None:
                x, y = corner
                taken[number].append((x, y, x + width, y + depth))
                found[i] = (number, x + width / 2, y + depth / 2)
                break
    return found


def _free_corner(
    boxes: Sequence[tuple[float, float, float, float]], width: float, depth: float, room: FloatArray, spacing: float
) -> tuple[float, float] | None:
    if not boxes:  # the first lies in the middle of the plate's corner, whatever its last digits
        return 0.0, 0.0
    xs = sorted({0.0, *(b[2] + spacing for b in boxes)})
    ys = sorted({0.0, *(b[3] + spacing for b in boxes)})
    for y in ys:
        for x in xs:
            inside = x + width <= room[0] + ROUND_MM and y + depth <= room[1] + ROUND_MM
            if inside and all(
                x + width + spacing <= b[0] + ROUND_MM
                or b[2] + spacing <= x + ROUND_MM
                or y + depth + spacing <= b[1] + ROUND_MM
                or b[3] + spacing <= y + ROUND_MM
                for b in boxes
            ):
                return x, y
    return None
