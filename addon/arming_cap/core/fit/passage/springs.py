# SPDX-License-Identifier: GPL-3.0-or-later
"""A slit that springs open: a piece as it is while its slit is held open by a stated width.

A slit runs through a piece where, seen along some axis, the walls go round a middle and leave one gap. Sprung, the two
halves turn away from each other about the wall opposite the gap: nothing moves there, and the more the farther from
it. So nothing but the slit gets wider by what is stated, and a piece without a slit gets no wider at all. It is the
maker's number; no strength and no stiffness is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray
from ...piece import Piece

# Of a gap in the walls: narrower than this is a crack in the mesh, wider is no slit but the open side of a plate.
LEAST_GAP_RAD = np.radians(1.0)
MOST_GAP_RAD = np.pi
LEVELS = 48  # along a slit, at which its width is taken
MOST_TURN_RAD = np.radians(60.0)


@dataclass(frozen=True, eq=False)
class Slit:
    """Where a piece is slit.

    Attributes
    ----------
    frame
        (3, 3) rows, unit: across the slit, from the wall opposite towards the slit, and along it.
    hinge
        (3,) a point of the line that the halves turn about: the outermost of the wall opposite.
    middle
        (3,) a point of the line that the walls go round.
    """

    frame: FloatArray
    hinge: FloatArray
    middle: FloatArray


def slit_of(piece: Piece) -> Slit | None:
    """Return the slit that runs through a piece from end to end, the widest as seen from its middle; None without."""
    mesh = piece.mesh
    weights = np.repeat(mesh.areas / 3, 3)
    points = mesh.corners.reshape(-1, 3)
    off = points - weights @ points / weights.sum()
    _, principal = np.linalg.eigh((weights[:, None] * off).T @ off)
    middle = mesh.bounds.mean(axis=0)
    best: tuple[float, Slit | None] = (LEAST_GAP_RAD, None)
    for along in np.concatenate([np.eye(3), principal.T]):
        first = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
        first /= np.linalg.norm(first)
        plane = np.stack([first, np.cross(along, first)])
        gap, at = _widest_gap((mesh.corners - middle) @ plane.T)
        if best[0] < gap < MOST_GAP_RAD:
            towards = np.array([np.cos(at), np.sin(at)]) @ plane
            hinge = middle + float(((points - middle) @ towards).min()) * towards
            best = gap, Slit(np.stack([np.cross(towards, along), towards, along]), hinge, middle)
    return best[1]


def _widest_gap(flat: FloatArray) -> tuple[float, float]:
    """Return the widest angle about the origin that triangles (m, 3, 2) leave free, and its middle, radians."""
    angle = np.arctan2(flat[..., 1], flat[..., 0])
    turn = np.angle(np.exp(1j * (angle - angle[:, :1])))
    low, high = turn.min(axis=1), turn.max(axis=1)
    if (high - low > np.pi - 1e-9).any():  # one lies over the origin
        return 0.0, 0.0
    start = np.mod(angle[:, 0] + low, 2 * np.pi)
    order = np.argsort(start, kind="stable")
    start, end = start[order], (start + high - low)[order]
    reach = np.maximum.accumulate(end)
    following = np.append(start[1:], start[0] + 2 * np.pi)
    gaps = following - np.maximum(reach, reach[-1] - 2 * np.pi)
    widest = int(np.argmax(gaps))
    return float(gaps[widest]), float(following[widest] - gaps[widest] / 2)


def sprung(piece: Piece, opens_mm: float) -> Piece:
    """Return a piece with its slit held open by so much, where that is most; the piece itself where it has none."""
    slit = slit_of(piece)
    if slit is None or opens_mm <= 0:
        return piece
    points = _closely(piece.mesh.corners, slit)
    before = _widths(slit, points, points)

    def opens(turn: float) -> float:
        return float((_widths(slit, points, _turned(slit, points, turn)) - before).max(initial=0.0))

    low, high = 0.0, float(MOST_TURN_RAD)
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if opens(middle) < opens_mm else (low, middle)
    parts = tuple(replace(p, mesh=replace(p.mesh, vertices=_turned(slit, p.mesh.vertices, low))) for p in piece.parts)
    return replace(piece, parts=parts)


def _closely(corners: FloatArray, slit: Slit) -> FloatArray:
    """Return points (k, 3) of the edges of triangles (m, 3, 3): some at each level that an edge goes through."""
    starts, ends = corners.reshape(-1, 3), corners[:, [1, 2, 0]].reshape(-1, 3)
    rise = np.abs((ends - starts) @ slit.frame[2])
    level = max(float(np.ptp(starts @ slit.frame[2])) / LEVELS, 1e-9)
    long = rise > level
    shares = np.linspace(0.0, 1.0, 2 * LEVELS + 1)[None, :, None]
    along = starts[long, None] * (1 - shares) + ends[long, None] * shares
    return np.concatenate([starts, along.reshape(-1, 3)])


def _turned(slit: Slit, points: FloatArray, turn: float) -> FloatArray:
    """Return points (k, 3) with the halves turned apart: by `turn`, radians, at the slit, by nothing opposite."""
    across, above, along = ((points - slit.hinge) @ slit.frame.T).T
    angle = turn * above / max(float(((slit.middle - slit.hinge) @ slit.frame[1]) * 2), 1e-9)
    side = np.sign(across)
    moved = np.stack(
        [
            across * np.cos(angle) + side * above * np.sin(angle),
            above * np.cos(angle) - np.abs(across) * np.sin(angle),
            along,
        ],
        axis=1,
    )
    turned: FloatArray = slit.hinge + moved @ slit.frame
    return turned


def _widths(slit: Slit, points: FloatArray, moved: FloatArray) -> FloatArray:
    """Return how wide the slit is at some levels along it, of the points (k, 3) there once they have moved."""
    _, above, along = ((points - slit.middle) @ slit.frame.T).T
    across = (moved - slit.middle) @ slit.frame[0]
    span = max(float(np.ptp(along)), 1e-9)
    level = np.minimum((LEVELS * (along - along.min()) / span).astype(int), LEVELS - 1)
    before = (points - slit.middle) @ slit.frame[0]
    sides = []
    for side in (-1.0, 1.0):
        rows = (above > 0) & (side * before > 0)
        nearest = np.full(LEVELS, np.inf)
        np.minimum.at(nearest, level[rows], (side * across)[rows])
        sides.append(nearest)
    widths = sides[0] + sides[1]
    kept: FloatArray = widths[np.isfinite(widths)]
    return kept
