# SPDX-License-Identifier: GPL-3.0-or-later
"""Does a part fit the printer, turned any way? The least over rotations of its extents against the volume.

A rotation counts as good as its worst axis: the largest of extent over room, both sorted, since turning by right angles
permutes the axes. The search looks at a fixed, even set of rotations and refines the best few. A rotation it finds is
checked on the part's own hull, so `fits` is never a guess; that none is found is no proof that none exists.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import permutations
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...pose import rotation_about

FRAMES = 160  # rotations looked at first; with the box's 24 turns they lie about 11 degrees apart
REFINED = 6  # of them are refined
REACH = 300  # hull corners that are looked at one by one; beyond, those that reach furthest
BLOCK = 20_000  # points that are turned at once
STEPS = np.radians([9.0 / 2**k for k in range(9)])  # of the refining turns: from 9 to 0.035 degrees
MOVES = 6  # turns by one step, each as good as it can be, that a part is granted to come to fit
ROUND_MM = 1e-6  # two extents that differ by less are one: a box of 220 fits a room of 220


@dataclass(frozen=True, eq=False)
class Turn:
    """How a part fits: the rotation (3, 3) that brings it into the room, and its worst extent over room."""

    rotation: FloatArray
    ratio: float

    @property
    def fits(self) -> bool:
        """Whether every extent is within its room."""
        return self.ratio <= 1.0


def _rotation_of(quaternion: FloatArray) -> FloatArray:
    """Return the rotations (k, 3, 3) of unit quaternions (k, 4), w first."""
    w, x, y, z = quaternion.T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), 2, 0)


@cache
def frames() -> FloatArray:
    """Return the rotations looked at first, (k, 3, 3): the upright one, eighth turns, then an even set.

    The even set is Shoemake's uniform quaternions (Graphics Gems III, 1992) on a Kronecker sequence.
    """
    eighth = np.cos(np.pi / 8), np.sin(np.pi / 8)
    plain = [(1.0, 0.0, 0.0, 0.0)]
    plain += [(eighth[0], *(eighth[1] * np.eye(3)[i])) for i in range(3)]
    # The space diagonal stood upright: acos(1/sqrt 3) about a level diagonal.
    half = 0.5 * np.arccos(1 / np.sqrt(3))
    plain.append((np.cos(half), np.sin(half) / np.sqrt(2), -np.sin(half) / np.sqrt(2), 0.0))
    # Root of x^4 = x + 1: the generator of the three-dimensional Kronecker sequence of least discrepancy.
    g = 1.2207440846057596
    u = (0.5 + np.outer(np.arange(1, FRAMES + 1), [1 / g, 1 / g**2, 1 / g**3])) % 1.0
    a, b, first, second = np.sqrt(1 - u[:, 0]), np.sqrt(u[:, 0]), 2 * np.pi * u[:, 1], 2 * np.pi * u[:, 2]
    even = np.stack([a * np.sin(first), a * np.cos(first), b * np.sin(second), b * np.cos(second)], axis=1)
    found = _rotation_of(np.concatenate([np.array(plain), even]))
    found.setflags(write=False)
    return found


def ratios(extents: FloatArray, room: FloatArray) -> FloatArray:
    """Return the worst of extent over room, (...,), for extents (..., 3) that may be permuted."""
    return ((np.sort(extents, axis=-1) - ROUND_MM) / np.sort(room)).max(axis=-1)


def grid_count(extents: FloatArray, room: FloatArray) -> Any:
    """Return into how many rooms a grid of planes would cut boxes of these extents (..., 3), axes permuted as best."""
    counts = [np.ceil((extents - ROUND_MM) / room[list(p)]).clip(1).prod(axis=-1) for p in permutations(range(3))]
    return np.min(counts, axis=0)


def own_axes(points: FloatArray) -> FloatArray:
    """Return the rotation (3, 3) whose rows are the principal axes of some points."""
    centred = points - points.mean(axis=0)
    _, vectors = np.linalg.eigh(centred.T @ centred)
    rotation: FloatArray = vectors.T[::-1].copy()
    if np.linalg.det(rotation) < 0:
        rotation[2] *= -1
    return rotation


def extents_in(rotations: FloatArray, points: FloatArray) -> FloatArray:
    """Return the extents (k, 3) of points (n, 3) turned by rotations (k, 3, 3)."""
    spread = points @ rotations.reshape(-1, 3).T
    return (spread.max(axis=0) - spread.min(axis=0)).reshape(-1, 3)


def reaching(points: FloatArray) -> FloatArray:
    """Return those of a hull's corners that reach furthest in many directions: enough of it to search with."""
    if len(points) <= REACH:
        return points
    axes = frames().reshape(-1, 3)
    rows: list[Any] = []
    for block in np.array_split(np.arange(len(points)), 1 + len(points) // BLOCK):
        # A row for each direction: the largest of a row is found at the speed of memory.
        turned = axes @ points[block].T
        rows += [block[turned.argmax(axis=1)], block[turned.argmin(axis=1)]]
    few = points[np.unique(np.concatenate(rows))]
    return few if len(points) <= BLOCK else reaching(few)


def turn_to_fit(points: FloatArray, room: FloatArray, enough: float = 0.0, few: FloatArray | None = None) -> Turn:
    """Return the best rotation found for points (n, 3), a hull's corners, in a room (3,) of width, depth, height.

    Parameters
    ----------
    enough
        The search ends at a ratio this small: 1 asks only whether it fits, 0 for the best found. It also ends, with
        the best so far, where turns as small as those left to try cannot bring the part to it.
    few
        `reaching` of the points, where the caller has them.
    """
    if few is None:
        few = reaching(points)
    for _ in range(5):
        found = _searched(few, room, enough)
        if few is points:
            return Turn(_axes_sorted(found.rotation, points, room), found.ratio)
        turned = points @ found.rotation.T
        true = float(ratios(np.ptp(turned, axis=0), room))
        if not found.ratio <= enough < true:
            break
        # What was left out sticks out in this rotation: it counts from now on.
        few = np.concatenate([few, points[turned.argmax(axis=0)], points[turned.argmin(axis=0)]])
    return Turn(_axes_sorted(found.rotation, points, room), true)


def _searched(points: FloatArray, room: FloatArray, enough: float) -> Turn:
    starts = np.concatenate([frames(), own_axes(points)[None]])
    ratio = ratios(extents_in(starts, points), room)
    order = np.argsort(ratio, kind="stable")
    if ratio[0] <= enough:  # as it stands is best of all
        order[0] = 0
    best = Turn(starts[order[0]], float(ratio[order[0]]))
    for i in order[:REFINED]:
        if best.ratio <= enough or ratio[i] > 1.35 * ratio[order[0]]:
            break
        found = _refined(starts[i], float(ratio[i]), points, room, enough)
        if found.ratio < best.ratio - 1e-9:
            best = found
    return best


@cache
def _small_turns() -> FloatArray:
    """Return the turns (steps, 26, 3, 3) that are tried together: about each axis and each pair or three, both ways."""
    axes = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) != (0, 0, 0)])
    axes = axes / np.linalg.norm(axes, axis=1)[:, None]
    halves = STEPS / 2
    return np.array([_rotation_of(np.column_stack([np.full(26, np.cos(h)), np.sin(h) * axes])) for h in halves])


def _refined(rotation: FloatArray, ratio: float, points: FloatArray, room: FloatArray, enough: float) -> Turn:
    """Descend from a rotation by ever smaller turns (a pattern search: the ratio has kinks where axes change).

    A turn by an angle lessens no extent by more than that angle times the part's size. A part that is too large by
    several times that is not followed further where only fitting counts.
    """
    gain = float(np.linalg.norm(np.ptp(points, axis=0)) / room.min())
    for step, turns in zip(STEPS, _small_turns()):
        if enough and ratio > enough + MOVES * step * gain:
            break
        while ratio > enough:
            tried = turns @ rotation
            found = ratios(extents_in(tried, points), room)
            i = int(np.argmin(found))
            if found[i] >= ratio - 1e-9:
                break
            rotation, ratio = tried[i], float(found[i])
    return Turn(rotation, ratio)


def _axes_sorted(rotation: FloatArray, points: FloatArray, room: FloatArray) -> FloatArray:
    """Return the rotation with its rows put in the order of the room's axes: the longest extent to the longest room."""
    extent = extents_in(rotation[None], points)[0]
    if (extent <= room + ROUND_MM).all():
        return rotation
    order = np.empty(3, np.int64)
    order[np.argsort(room, kind="stable")] = np.argsort(extent, kind="stable")
    turned = rotation[order]
    if np.linalg.det(turned) < 0:
        turned = turned * np.array([[-1.0], [1.0], [1.0]])
    return turned


def on_plate(down: FloatArray, hull: FloatArray, room: FloatArray) -> FloatArray | None:
    """Return the rotation (3, 3) with a direction down and the smallest footprint that fits; None where none does.

    The height is the caller's to check.
    """
    from manifold3d import CrossSection

    side = np.eye(3)[int(np.argmin(np.abs(down)))]
    across = np.cross(-down, side)
    across /= np.linalg.norm(across)
    frame = np.stack([across, np.cross(-down, across), -down])
    outline = CrossSection.hull_points(hull @ frame[:2].T).to_polygons()[0]
    run = np.roll(outline, -1, axis=0) - outline
    angles = np.degrees(np.arctan2(run[:, 1], run[:, 0])) % 90.0
    angles = np.unique(np.round(np.concatenate([angles, np.arange(0.0, 90.0, 3.0)]), 6))
    c, s = np.cos(np.radians(angles)), np.sin(np.radians(angles))
    along, aside = outline @ np.stack([c, s]), outline @ np.stack([-s, c])
    sizes = np.stack([np.ptp(along, axis=0), np.ptp(aside, axis=0)], axis=1)
    area = sizes.prod(axis=1)
    for i in np.argsort(np.round(area, 6), kind="stable"):
        # The longer side along the width, where it fits: long parts then share a plate.
        quarters = (0.0, 90.0) if sizes[i, 0] >= sizes[i, 1] - 1e-6 else (90.0, 0.0)
        for quarter in quarters:
            size = sizes[i] if quarter == 0.0 else sizes[i, ::-1]
            if (size <= room[:2] + ROUND_MM).all():
                return rotation_about(np.array([0.0, 0.0, 1.0]), -(float(angles[i]) + quarter)) @ frame
    return None
