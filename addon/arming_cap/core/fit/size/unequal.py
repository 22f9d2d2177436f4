# SPDX-License-Identifier: GPL-3.0-or-later
"""A scale for each axis: wider without being taller, where one direction alone asks for the size.

Along some of the piece's own axes it is stretched by a little more than along the rest. Which axes, and by how much, is
read off the margins' growth along each axis at the uniform answer; the choice is then
measured like any other piece, at a scale that fits and is not far above its smallest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.surface import stretched_surface
from ...errors import InputError
from ...piece import Piece
from ..seat.seats import Seats, Touch
from .uncertainty import SLOWEST

DISTORTION = 0.04
STEP = 0.005
# Material that must be saved before a distorted piece is worth offering.
WORTH_SAVING = 0.02
_AXES = ("X", "Y", "Z")
_PATTERNS = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1))


@dataclass(frozen=True)
class PerAxis:
    """A scale for each axis of the files.

    Attributes
    ----------
    scale
        Along X, Y and Z.
    distortion
        Largest over smallest of them, less 1.
    saves
        Share of the material that the uniform scale would take more, 0 to 1.
    """

    scale: tuple[float, float, float]
    distortion: float
    saves: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        return {
            "scale": [round(v, 5) for v in self.scale],
            "distortion": round(self.distortion, 4),
            "saves": round(self.saves, 4),
        }

    def __str__(self) -> str:
        return ", ".join(f"{axis} {100 * value:.1f} %" for axis, value in zip(_AXES, self.scale))


def per_axis(
    seats: Seats,
    at: Touch,
    grows: FloatArray,
    scale: float,
    distortion: float,
    smallest: Callable[[Seats, float], float | None],
) -> PerAxis | None:
    """Return the least distorted scale per axis that saves nearly as much as any; None where none saves enough.

    Parameters
    ----------
    at, grows
        The places at the uniform answer `scale`, and their margins' growth along each axis (m, 3).
    distortion
        The most that is allowed.
    smallest
        How to size a piece near a scale.
    """
    choices = [
        (pattern, stretch, _base(at.margins, grows, scale, stretch * np.array(pattern), SLOWEST * seats.reach))
        for pattern in _PATTERNS
        for stretch in np.arange(STEP, distortion + 1e-9, STEP)
    ]
    saved = [1 - base**3 * (1 + stretch) ** sum(pattern) / scale**3 for pattern, stretch, base in choices]
    if max(saved) < WORTH_SAVING:
        return None
    enough = [i for i, share in enumerate(saved) if share >= 0.9 * max(saved)]
    pattern, stretch, near = choices[min(enough, key=lambda i: (choices[i][1], -saved[i]))]
    ratio = 1 + stretch * np.array(pattern)
    begin = seats.start if seats.seater is None else seats.pose(scale)
    piece = stretched(seats.piece, ratio)
    stretched_surface(piece, seats.piece, ratio)
    again = Seats(
        piece,
        seats.wearer,
        seats.need,
        "fixed" if seats.seater is None else "best",
        begin,
        () if seats.seater is None else seats.seater.pinned,
    )
    try:
        base = smallest(again, near)
    except InputError:
        return None
    if base is None:
        return None
    saves = float(1 - base**3 * ratio.prod() / scale**3)
    if saves < WORTH_SAVING:
        return None
    x, y, z = (float(base * r) for r in ratio)
    return PerAxis((x, y, z), float(stretch), saves)


def stretched(piece: Piece, ratio: FloatArray) -> Piece:
    """Return a piece with its parts' meshes scaled per axis about the files' origin."""
    return replace(piece, parts=tuple(replace(p, mesh=p.mesh.scaled(list(ratio)), hinge=None) for p in piece.parts))


def _base(margins: FloatArray, grows: FloatArray, scale: float, stretch: FloatArray, slowest: float) -> float:
    """Return the smallest scale along the unstretched axes, margins taken as linear: m + G·(b(1 + stretch) - s) ≥ 0."""
    rate = grows @ (1 + stretch)
    asked = rate > slowest
    need = scale * grows.sum(axis=1) - margins
    return float(np.max(need[asked] / rate[asked])) if asked.any() else scale
