# SPDX-License-Identifier: GPL-3.0-or-later
"""Points of a piece's surface that bound the margin over boxes of placements, many boxes at a time."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from ...arrays import BoolArray, IntArray

KEPT = 6  # witnesses handed down, for each of the eight ways in which a margin may lean


@dataclass(frozen=True, eq=False)
class Looks:
    """Balls of boxes, by owner: their margins and how far they move within the boxes."""

    owner: IntArray
    rows: IntArray
    value: Any
    room: Any

    def of(self, which: BoolArray | IntArray) -> Looks:
        """Return some of them."""
        if which.dtype == bool:
            which = np.flatnonzero(which)
        return Looks(self.owner.take(which), self.rows.take(which), self.value.take(which), self.room.take(which))


def merged(looks: list[Looks]) -> Looks:
    """Return all of some looks, by owner."""
    if len(looks) == 1:
        return looks[0]
    both = Looks(*(np.concatenate([getattr(one, f.name) for one in looks]) for f in fields(Looks)))
    return both.of(np.argsort(both.owner, kind="stable"))


@dataclass(frozen=True, eq=False)
class Slopes:
    """How margins lie about balls: places in the grid, gradients, and moves by a turn, (3, n) each; leans (3, n)."""

    at: Any
    normal: Any
    tangent: Any
    lean: Any


def lowest_of_each(looks: Looks, slopes: Slopes) -> IntArray:
    """Return rows of looks: of each owner's, by the signs of their slopes, the `KEPT` lowest."""
    sign = (slopes.lean[0] > 0) + 2 * (slopes.lean[1] > 0) + 4 * (slopes.lean[2] > 0)
    kind = looks.owner * 8 + sign
    level = np.clip((looks.value + 100.0) * 1000.0, 0, 2**30)  # one whole number sorts faster than two keys
    order = np.argsort((kind << 31) + level.astype(np.int64))
    kind = kind[order]
    start = np.flatnonzero(np.diff(kind, prepend=-1))
    rank = np.arange(len(kind)) - np.repeat(start, np.diff(start, append=len(kind)))
    kept: IntArray = np.sort(order[rank < KEPT])
    return kept
