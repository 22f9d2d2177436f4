# SPDX-License-Identifier: GPL-3.0-or-later
"""Which planes to weigh through a part, and what each promises, from sample points alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ...arrays import BoolArray, FloatArray
from .boxfit import frames, grid_count, own_axes, ratios
from .split_cell import CREASE_MM, Cell, Plane

COARSE_FRAMES = 80
# The refined rotation gains about this over the best of the coarse ones.
COARSE_GAIN = 1.05
# Sharp edges in one plane count as a place for a seam from this share of the part's size on.
CREASE_SHARE = 0.5
# What a part counts for each time more that it is too large: it breaks ties on the way.
EXCESS = 0.15


def candidates(cell: Cell, more: Sequence[Plane] = ()) -> tuple[list[Plane], FloatArray]:
    """Return planes through a cell, and for each how many parts its two sides will take, guessed from sample points.

    Normals: the axes, the turns between them, the cell's principal axes, and the frames in which a grid would cut it
    into fewest parts. Offsets: evenly spaced ones, and those that leave just one printer's width or height.
    """
    points = cell.samples
    tried = np.concatenate([frames()[:COARSE_FRAMES], own_axes(cell.hull)[None], cell.turn.rotation[None]])
    spread = (points @ tried.reshape(-1, 3).T).astype(np.float32)
    whole = (spread.max(axis=0) - spread.min(axis=0)).reshape(-1, 3).astype(float)
    count = grid_count(whole, cell.room)
    frame_order = np.lexsort((ratios(whole, cell.room), count))
    normals = _normals(np.concatenate([tried[frame_order[:3]], own_axes(cell.hull)[None]]))
    middle = cell.view.middle_x
    planes: list[Plane] = []
    hope: list[float] = []
    extra = [(p, np.asarray(p.normal)) for p in more]
    for normal in normals:
        height = points @ normal
        low, high = float(height.min()), float(height.max())
        offsets = {low + (high - low) * k / 14 for k in range(1, 14)} | {
            low + (high - low) / 3,
            high - (high - low) / 3,
        }
        for size in sorted(set(cell.room.tolist())):
            for k in range(1, 8):
                offsets |= {low + k * size, high - k * size}
        if middle is not None and abs(abs(normal[0]) - 1) < 1e-9:
            offsets.add(middle * normal[0])
        offsets |= _along_creases(cell, normal)
        offsets |= {p.offset * float(np.sign(n @ normal)) for p, n in extra if abs(n @ normal) > 1 - 1e-9}
        margin = min(2.0, 0.02 * (high - low))
        levels = np.array(sorted(o for o in offsets if low + margin < o < high - margin))
        if not len(levels):
            continue
        guess = _hopes(height, spread, levels, cell.room)
        facing = (float(normal[0]), float(normal[1]), float(normal[2]))
        planes += [Plane(facing, float(level)) for level in levels]
        hope += guess.tolist()
    return planes, np.array(hope)


def _along_creases(cell: Cell, normal: FloatArray) -> set[float]:
    """Return where planes square to a direction run along sharp edges of some length: there a seam hides best."""
    edges = cell.surface.creases
    if not len(edges):
        return set()
    ends = cell.surface.vertices[edges]
    height = ends @ normal
    level = np.abs(height[:, 1] - height[:, 0]) < CREASE_MM
    if not level.any():
        return set()
    middle = height[level].mean(axis=1)
    length = np.linalg.norm(ends[level, 1] - ends[level, 0], axis=1)
    slots, which = np.unique(np.round(middle / CREASE_MM), return_inverse=True)
    total = np.bincount(which.ravel(), weights=length, minlength=len(slots))
    mean = np.bincount(which.ravel(), weights=length * middle, minlength=len(slots)) / np.maximum(total, 1e-9)
    longest = np.argsort(-total, kind="stable")[:3]
    return {float(mean[i]) for i in longest if total[i] > CREASE_SHARE * float(np.ptp(cell.bounds, axis=0).max())}


def _normals(rotations: FloatArray) -> FloatArray:
    """Return the directions to cut square to, (n, 3): fixed ones, then the axes of some frames; opposite ones once."""
    fixed = [np.eye(3)[i] for i in range(3)]
    for degrees in (15, 30, 45, 60, 75, 105, 120, 135, 150, 165):
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        fixed.append(np.array([0.0, c, s]))
        if degrees % 30 == 0 or degrees % 45 == 0:
            fixed += [np.array([c, s, 0.0]), np.array([s, 0.0, c])]
    kept: list[FloatArray] = []
    for normal in [*fixed, *rotations.reshape(-1, 3)]:
        normal = normal * np.sign(normal[np.argmax(np.abs(normal))])
        if all(abs(float(normal @ other)) < 0.9995 for other in kept):
            kept.append(normal)
    return np.array(kept) + 0.0


def _hopes(height: FloatArray, spread: Any, levels: FloatArray, room: FloatArray) -> FloatArray:
    """Return for planes at some levels how many parts both sides will take together, with a fraction for the excess.

    Parameters
    ----------
    height
        (n,) of the sample points above the plane through the origin.
    spread
        (n, 3 k) of the points along the axes of k frames.
    levels
        (l,) ascending.
    """
    order = np.argsort(height, kind="stable")
    first = np.searchsorted(height[order], levels)
    starts = np.concatenate([[0], first])
    columns = np.ascontiguousarray(spread.T[:, order])
    filled = np.append(starts[1:], columns.shape[1]) > starts
    low = np.full((len(columns), len(starts)), np.inf, np.float32)
    high = np.full((len(columns), len(starts)), -np.inf, np.float32)
    low[:, filled] = np.minimum.reduceat(columns, starts[filled], axis=1)
    high[:, filled] = np.maximum.reduceat(columns, starts[filled], axis=1)
    below = (np.maximum.accumulate(high, axis=1) - np.minimum.accumulate(low, axis=1))[:, :-1]
    high, low = high[:, ::-1], low[:, ::-1]
    above = (np.maximum.accumulate(high, axis=1) - np.minimum.accumulate(low, axis=1))[:, ::-1][:, 1:]
    # Of cuts that promise the same, the one nearest the middle is tried first.
    total = 0.1 * np.abs(2 * first / len(height) - 1)
    for side in (below, above):
        extents = side.T.reshape(len(levels), -1, 3).astype(float)
        extents = np.where(np.isfinite(extents), extents, 0.0)
        ratio = ratios(extents, room)
        over = np.maximum(np.sort(extents, axis=2) / np.sort(room), 1.0).prod(axis=2).min(axis=1)
        fits: BoolArray = ratio.min(axis=1) <= COARSE_GAIN
        total += np.where(fits, 1.0, np.maximum(2, grid_count(extents, room).min(axis=1)) + EXCESS * (over - 1))
    return total
