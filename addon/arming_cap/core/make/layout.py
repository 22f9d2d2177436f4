# SPDX-License-Identifier: GPL-3.0-or-later
"""How parts lie for printing: which side down, turned how on the plate, and which parts share a plate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..arrays import BoolArray, FloatArray
from ..errors import InputError
from ..pose import Pose
from .boxfit import ROUND_MM, Turn, extents_in, on_plate
from .solid import raw_mesh
from .split_cell import Plane, hull_points

# Steeper than this from the plate a surface prints without support: common practice, no source.
OVERHANG_DEG = 45.0
# A flat stands sound from this area on; common practice, no source.
SOUND_FLAT_MM2 = 150.0
FLAT_MM = 0.05
FLAT_COS = np.cos(np.radians(1.0))
SPACING_MM = 5.0


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

    Every flat side of its hull, every cut face and the worn axes are tried as the side that lies down. Judged are a
    sound flat on the plate, the share of the surface that overhangs, and the height.

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
    corners = vertices[triangles]
    area_vectors = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(area_vectors, axis=1)
    down = _downs(solid, planes, turn)
    facing = area_vectors @ down.T / np.maximum(areas, 1e-12)[:, None]
    depth = vertices @ down.T
    lowest = hull @ down.T
    height = lowest.max(axis=0) - lowest.min(axis=0)
    touching: BoolArray = (depth > lowest.max(axis=0) - FLAT_MM)[triangles].all(axis=1)
    flat = (areas[:, None] * (touching & (facing > FLAT_COS))).sum(axis=0)
    leaning = (areas[:, None] * (~touching & (facing > np.cos(np.radians(OVERHANG_DEG)) + 1e-9))).sum(axis=0)
    unsound = np.maximum(0.0, 1 - flat / SOUND_FLAT_MM2)
    size = float(np.ptp(hull, axis=0).max())
    cost = 2.0 * leaning / areas.sum() + 0.3 * height / size + 0.6 * unsound - 0.2 * flat / areas.sum()
    for i in np.argsort(cost, kind="stable"):
        if height[i] > room[2] + ROUND_MM:
            continue
        rotation = on_plate(down[i], hull, room)
        if rotation is not None:
            return _laid(rotation, hull, float(flat[i]), float(leaning[i]))
    if (extents_in(turn.rotation[None], hull)[0] > room + 2 * ROUND_MM).any():
        raise InputError("a part fits the printer in no orientation", remedy="plan with a larger volume")
    i = int(np.argmax(down @ -turn.rotation[2]))
    return _laid(turn.rotation, hull, float(flat[i]), float(leaning[i]))


def _downs(solid: Any, planes: Sequence[tuple[Plane, int]], turn: Turn) -> FloatArray:
    """Return the directions that may point to the plate, (k, 3)."""
    vertices, triangles = raw_mesh(solid.hull())
    corners = vertices[triangles]
    vectors = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(vectors, axis=1)
    normals = vectors / np.maximum(areas, 1e-12)[:, None]
    found = [-side * np.asarray(plane.normal) for plane, side in planes]
    # The largest sides of the hull: faces within a degree or so of the largest count with it.
    left = areas.copy()
    for _ in range(12):
        i = int(np.argmax(left))
        if left[i] <= 0:
            break
        found.append(normals[i])
        left[normals @ normals[i] > 0.9998] = 0.0
    found += [sign * axis for axis in (*np.eye(3), *turn.rotation) for sign in (-1.0, 1.0)]
    kept: list[FloatArray] = []
    for one in found:
        if all(one @ other < 1 - 1e-9 for other in kept):
            kept.append(np.asarray(one, float))
    return np.array(kept)


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
