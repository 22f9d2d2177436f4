# SPDX-License-Identifier: GPL-3.0-or-later
"""Tongues for thicker walls: a ridge with draft that stands on one part's cut face, and its groove in the other's.

A tongue lies along the wall, on its middle line. It takes about a third of the wall, so that as much is left on each
side; that at least a line is left all round the groove is proved on the solid, by a block wider and deeper than it.
A part with tongues is larger than without: the side is chosen on which the part still fits the printer.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ...arrays import FloatArray

# Thinner walls keep pins. A third of 6 mm is five lines of a 0.4 mm nozzle: common practice, no source.
THICK_MM = 6.0
WALL_SHARE, WIDEST_MM = 1 / 3, 8.0
HEIGHT_MM = 4.0
LONG = 3.0  # lengths to one width
DRAFT_DEG = 8.0  # each side leans in by this: it finds its groove and does not jam; common practice, no source
ROOT_MM = 0.5  # how far it reaches into its own part, to become one with it


def width_for(wall_mm: float) -> float | None:
    """Return how wide a tongue at its foot is for a wall, mm; None where the wall is too thin for one."""
    return min(WIDEST_MM, WALL_SHARE * wall_mm) if wall_mm >= THICK_MM else None


def direction(points: FloatArray, row: int, reach_mm: float) -> FloatArray:
    """Return along which way the middle line runs at one of its points (k, 2): a unit vector (2,)."""
    near = points[np.linalg.norm(points - points[row], axis=1) <= reach_mm]
    if len(near) < 2:
        return np.array([1.0, 0.0])
    _, vectors = np.linalg.eigh(np.cov((near - points[row]).T))
    along: FloatArray = np.round(vectors[:, 1], 6)
    along *= np.sign(along[int(np.argmax(np.abs(along)))])
    return along / np.linalg.norm(along)


def ridge(width_mm: float, height_mm: float, play_mm: float = 0.0, deeper_mm: float = 0.0, root_mm: float = 0.0) -> Any:
    """Return a tongue along x that stands on z = 0 and points down, or with play the groove it goes into.

    Parameters
    ----------
    play_mm, deeper_mm
        By how much a groove is wider and longer, and deeper, than its tongue.
    root_mm
        How far it reaches above z = 0.
    """
    from manifold3d import Manifold

    half = np.array([LONG * width_mm, width_mm]) / 2 + play_mm / 2
    height = height_mm + deeper_mm
    low = half - height * np.tan(np.radians(DRAFT_DEG))
    corners = [(x * s[0], y * s[1], z) for s, z in ((half, 0.0), (low, -height)) for x in (-1, 1) for y in (-1, 1)]
    if root_mm > 0:
        corners += [(x * half[0], y * half[1], root_mm) for x in (-1, 1) for y in (-1, 1)]
    return Manifold.hull_points(np.array(corners))


def block(width_mm: float, reach_mm: float, around_mm: float) -> Any:
    """Return what must be wall round a groove, along x from z = 0 down: its foot grown by some wall, as a block."""
    from manifold3d import Manifold

    x, y = LONG * width_mm + 2 * around_mm, width_mm + 2 * around_mm
    return Manifold.cube((x, y, reach_mm)).translate((-x / 2, -y / 2, -reach_mm))
