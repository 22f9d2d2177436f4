# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a room ends at a mouth: the lips of the wall, and how near they come."""

from __future__ import annotations

import numpy as np

from ..arrays import BoolArray, FloatArray
from .plane import signed_area

# What lies before a mouth's narrowest place is outside, where it is more of the region than this: two horns and the
# face between them. Less is the depth of the lips.
FORECOURT = 0.15
# Lips are looked for along so much of the wall from either end.
LIP_SHARE = 0.3
# Behind lips a room is wider than between them by at least this factor.
WIDENS = 1.01
# A lip ends at the latest where its wall turns by so much.
CORNER_DEG = 45.0
CORNER_SHARE = 0.15  # and no farther from the mouth's end than so much of its length
# The end of a wall is no thicker than this, and before it lies no more than so much of a room.
RIM_MM = 20.0
RIM_SHARE = 0.1


def unpinched(contour: FloatArray) -> FloatArray:
    """Return the largest loop of an outline (n, 2) that touches itself.

    Where a rib of the outside touches the hull, the bay beside it hangs together with the room by that one point.
    """
    while True:
        order = np.argsort(contour[:, 0], kind="stable")
        for k in (1, 2, 3):
            a, b = order[:-k], order[k:]
            apart = np.abs(a - b)
            meets = (apart > 1) & (apart < len(contour) - 1)
            meets &= np.abs(contour[a] - contour[b]).max(axis=1, initial=0.0) <= 1e-3
            if meets.any():
                at = int(np.argmax(meets))
                i, j = sorted((int(a[at]), int(b[at])))
                halves = contour[i:j], np.roll(contour, -j, axis=0)[: len(contour) - j + i]
                contour = max(halves, key=lambda half: abs(signed_area(half)))
                break
        else:
            return contour


def runs(chosen: BoolArray) -> list[tuple[int, int]]:
    """Return the first corner and the last of each unbroken run of chosen stretches, round the closed outline."""
    starts = np.flatnonzero(chosen & ~np.roll(chosen, 1))
    ends = np.flatnonzero(~chosen & np.roll(chosen, 1))
    if len(starts) and ends[0] < starts[0]:
        ends = np.roll(ends, -1)
    return [(int(i), int(j)) for i, j in zip(starts, ends)]


def without_forecourts(contour: FloatArray, mouth: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Return an outline that ends at the lips of its mouths, where much of it would lie before them."""
    for _ in range(8):
        for i, j in runs(mouth):
            _, cut = narrowest(contour, i, j)
            if cut is None:
                continue
            chain = np.roll(np.arange(len(contour)), -j)
            (p, at_p), (q, at_q) = cut
            keep = chain[p + 1 : q + 1]
            inner = np.concatenate([at_p[None], contour[keep], at_q[None]])
            if signed_area(contour) - signed_area(inner) > FORECOURT * signed_area(contour):
                contour = inner
                mouth = np.concatenate([mouth[chain[p]][None], mouth[keep], [True]])
                break
        else:
            break
    return contour, mouth


def without_rims(contour: FloatArray, mouth: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Return an outline whose mouths end at the inner corners of the wall's ends.

    Where a wall ends at its widest, a straight line between the hull's corners may touch its ends at their outer
    corners: what lies between that line and the ends' faces would make the room wider than the walls are apart.
    """
    for _ in range(8):
        for i, j in runs(mouth):
            chain = np.roll(np.arange(len(contour)), -j)[: (i - j) % len(contour) + 1]
            near = min(CORNER_SHARE * float(np.linalg.norm(contour[j] - contour[i])), RIM_MM)
            first, last = _corner_before(contour[chain], near), _corner_before(contour[chain[::-1]], near)
            keep = chain[first : len(chain) - last]
            if first + last == 0 or len(keep) < 3:
                continue
            inner = contour[keep]
            across = inner[0] - inner[-1]
            beside = (inner - inner[-1]) @ np.array([-across[1], across[0]])
            gone = signed_area(contour) - signed_area(inner)
            wider = np.ptp(contour @ across) > np.ptp(inner @ across)
            if wider and beside.min() > -1e-6 * float(across @ across) and gone < RIM_SHARE * signed_area(contour):
                contour, mouth = inner, np.concatenate([mouth[keep[:-1]], [True]])
                break
        else:
            break
    return contour, mouth


def narrowest(
    contour: FloatArray, i: int, j: int
) -> tuple[float, tuple[tuple[int, FloatArray], tuple[int, FloatArray]] | None]:
    """Return the closest distance of the two lips of a mouth.

    Parameters
    ----------
    contour
        (n, 2), counter-clockwise.
    i, j
        The mouth runs from corner i to corner j. The lips are the walls behind it: as far as half its length, or, where
        they come no nearer there, `LIP_SHARE` of the way round.

    Returns
    -------
    The distance; and where the lips come nearest, if that is no end of theirs: of the one behind j and of the one
    before i, the stretch counted from j and the point on it.
    """
    chain = np.roll(contour, -j, axis=0)[: (i - j) % len(contour) + 1]
    across = float(np.linalg.norm(contour[j] - contour[i]))
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(chain, axis=0), axis=1))])
    best: tuple[float, tuple[tuple[int, FloatArray], tuple[int, FloatArray]] | None] = across - 1e-6, None
    for reach in (min(0.5 * across, LIP_SHARE * run[-1]), LIP_SHARE * run[-1]):
        a = int(np.searchsorted(run, reach, side="right"))  # stretches of the lip behind j
        b = int(np.searchsorted(run, run[-1] - reach, side="left")) - 1  # and the first of the lip before i
        left, right = np.array([chain[:a], chain[1 : a + 1]]), np.array([chain[b:-1], chain[b + 1 :]])
        distance, (p, at_p), (q, at_q) = _closest(left, right)
        turned, (q2, at_q2), (p2, at_p2) = _closest(right, left)
        if turned < distance:
            distance, p, at_p, q, at_q = turned, p2, at_p2, q2, at_q2
        behind = np.concatenate([at_p[None], chain[p + 1 : b + q + 1], at_q[None]])
        if p < a - 1 and q > 0 and distance < best[0] and _widens(behind):
            best = distance, ((p, at_p), (b + q, at_q))
    if best[1] is not None:
        return best
    near = CORNER_SHARE * across
    first, last = (_corner_before(line, near) for line in (chain, chain[::-1]))
    if not first or not last:
        return across, None
    return min(across, float(np.linalg.norm(chain[first] - chain[len(chain) - 1 - last]))), None


def _widens(behind: FloatArray) -> bool:
    """Return whether a region (n, 2) is wider than the line from its last corner to its first: that is a narrow place.

    A bowl that tapers is nearer to itself the deeper one looks, and has no lips there.
    """
    across = behind[0] - behind[-1]
    length = float(np.linalg.norm(across))
    return float(np.ptp(behind @ (across / max(length, 1e-9)))) > WIDENS * length


def _closest(ends: FloatArray, lines: FloatArray) -> tuple[float, tuple[int, FloatArray], tuple[int, FloatArray]]:
    """Return the least distance of the corners of some stretches (2, a, 2) from others (2, b, 2).

    Returns
    -------
    The distance; the stretch and the corner on it; the other stretch, and the nearest point on it.
    """
    corners = np.concatenate([ends[0], ends[1, -1:]])
    along = lines[1] - lines[0]
    squared = (along**2).sum(axis=1)
    to = corners[:, None] - lines[0][None]
    t = np.clip((to * along[None]).sum(axis=2) / np.where(squared > 0, squared, 1.0), 0, 1)
    off = to - t[:, :, None] * along[None]
    distance = np.hypot(off[:, :, 0], off[:, :, 1])
    k, m = np.unravel_index(int(np.argmin(distance)), distance.shape)
    own = min(int(k), ends.shape[1] - 1)
    return float(distance[k, m]), (own, corners[k]), (int(m), lines[0, m] + t[k, m] * along[m])


def _corner_before(line: FloatArray, near: float) -> int:
    """Return at which corner a line (n, 2) first turns sharply within a length; 0 where it does not."""
    run = np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))
    step = np.diff(line[: int(np.searchsorted(run, near, side="right")) + 2], axis=0)
    turn = np.arctan2(step[:-1, 0] * step[1:, 1] - step[:-1, 1] * step[1:, 0], (step[:-1] * step[1:]).sum(axis=1))
    sharp = np.flatnonzero(np.abs(turn) > np.radians(CORNER_DEG))
    return int(sharp[0]) + 1 if len(sharp) else 0
