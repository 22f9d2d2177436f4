# SPDX-License-Identifier: GPL-3.0-or-later
"""Bounds on the least of many planes over a box, by weighing them against each other."""

from __future__ import annotations

import numpy as np

from ...arrays import FloatArray, IntArray

ROUNDS = 6  # of weighing


def weighed(
    base: FloatArray, slope: FloatArray, owner: IntArray, count: int
) -> tuple[FloatArray, list[IntArray], FloatArray]:
    """Return bounds on the least of planes over unit boxes, and the planes they rest on.

    Parameters
    ----------
    base, slope
        (n,) and (n, 3): plane i is ``base + slope · q`` for q in [-1, 1]³.
    owner
        (n,) box of each plane, ascending; every box has one at least.
    count
        Number of boxes.

    Returns
    -------
    bounds
        (count,): the largest over a box of its least plane is at most this. For any weights w that sum to one the
        least plane is at most Σ w (base + slope · q) ≤ Σ w base + |Σ w slope|₁; weights go to one plane after the
        other where that helps most.
    planes
        Rows of the planes, one array (count,) for each round.
    lean
        (count, 3): Σ w slope.
    """

    def best(values: FloatArray, owner: IntArray) -> tuple[IntArray, IntArray]:
        """Return the boxes that have a value here, and for each the first place of its least."""
        start = np.flatnonzero(np.diff(owner, prepend=-1))
        least = np.minimum.reduceat(values, start)
        hit = np.flatnonzero(values == np.repeat(least, np.diff(start, append=len(owner))))
        box, at = np.unique(owner[hit], return_index=True)
        return box, hit[at]

    single = base + np.abs(slope).sum(axis=1)
    chosen = best(single, owner)[1]
    bound, total, lean = single[chosen], base[chosen].copy(), slope[chosen].copy()
    planes = [chosen]
    rows = np.arange(len(base))
    for _ in range(ROUNDS):
        # A plane that nowhere in the box dips below the bound cannot help.
        rows = rows[base[rows] - np.abs(slope[rows]).sum(axis=1) < bound[owner[rows]]]
        if not len(rows):
            break
        mine = owner[rows]
        rise, turn = base[rows] - total[mine], slope[rows] - lean[mine]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.clip(np.nan_to_num(-lean[mine] / turn, nan=0.0, posinf=0.0, neginf=0.0), 0.0, 1.0)
        # Convex and piecewise straight in the share, so least at a bend.
        value = (
            total[mine][:, None]
            + share * rise[:, None]
            + np.abs(lean[mine][:, None] + share[:, :, None] * turn[:, None]).sum(axis=2)
        )
        bend = value.argmin(axis=1)
        value = value[np.arange(len(rows)), bend]
        box, place = best(value, mine)
        better = value[place] < bound[box] - 1e-9
        box, place = box[better], place[better]
        if not len(box):
            break
        part = share[place, bend[place]]
        total[box] += part * rise[place]
        lean[box] += part[:, None] * turn[place]
        bound[box] = value[place]
        used = planes[0].copy()
        used[box] = rows[place]
        planes.append(used)
    return bound, planes, lean
