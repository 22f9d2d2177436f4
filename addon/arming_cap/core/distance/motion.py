# SPDX-License-Identifier: GPL-3.0-or-later
"""The least standoff of a piece along a motion, exact: between the poses too, and against the triangles.

A motion is a chain of placements. A placement is six numbers: a translation in mm and a rotation vector in
radians about a pivot. Between two placements all six run linearly. A point at distance r from the pivot then
moves by no more than |Δt| + r·|Δω| (the differential of the exponential map has norm at most one), so a look at
the middle of a stretch bounds the whole stretch, as a look at a ball's centre bounds the ball.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from ..arrays import FloatArray, IntArray
from ..pose import Pose
from .cover import Cover, centres_and_radii, halved
from .field import Field
from .margins import margins_of


def rotations(vectors: FloatArray) -> FloatArray:
    """Return the rotations (n, 3, 3) of rotation vectors (n, 3) in radians (Rodrigues)."""
    angle = np.linalg.norm(vectors, axis=1)
    x, y, z = (vectors / np.where(angle > 0, angle, 1.0)[:, None]).T
    c, s = np.cos(angle), np.sin(angle)
    xs, ys, zs, rest = x * s, y * s, z * s, 1 - c
    xy, xz, yz = x * y * rest, x * z * rest, y * z * rest
    result = np.empty((len(vectors), 3, 3))
    result[:, 0, 0], result[:, 0, 1], result[:, 0, 2] = 1 - (y * y + z * z) * rest, xy - zs, xz + ys
    result[:, 1, 0], result[:, 1, 1], result[:, 1, 2] = xy + zs, 1 - (x * x + z * z) * rest, yz - xs
    result[:, 2, 0], result[:, 2, 1], result[:, 2, 2] = xz - ys, yz + xs, 1 - (x * x + y * y) * rest
    return result


def moved(points: FloatArray, placements: FloatArray, pivot: FloatArray) -> FloatArray:
    """Return points (n, 3) in their placements (n, 6), one each: turned by Rodrigues' formula, then shifted."""
    shift, vectors = placements[:, :3], placements[:, 3:]
    if not vectors.any():
        return points + shift
    angle = np.sqrt((vectors * vectors).sum(axis=1))
    x, y, z = (vectors / np.where(angle > 0, angle, 1.0)[:, None]).T
    a, b, d = (points - pivot).T
    c, s = np.cos(angle), np.sin(angle)
    along = (x * a + y * b + z * d) * (1 - c)
    result = np.empty((len(vectors), 3))
    result[:, 0] = c * a + s * (y * d - z * b) + along * x
    result[:, 1] = c * b + s * (z * a - x * d) + along * y
    result[:, 2] = c * d + s * (x * b - y * a) + along * z
    result += pivot + shift
    return result


def pose_of(placement: FloatArray, pivot: FloatArray, seat: Pose) -> Pose:
    """Return the pose of the piece's files for a placement relative to the seat."""
    rotation = rotations(placement[None, 3:])[0]
    return seat.then(Pose(rotation, pivot - rotation @ pivot + placement[:3]))


def placement_of(pose: Pose, pivot: FloatArray, seat: Pose) -> FloatArray:
    """Return the placement (6,) that `pose_of` turns into a pose."""
    rotation = pose.rotation @ seat.rotation.T
    shift = pose.translation_mm - rotation @ seat.translation_mm
    cosine = float(np.clip((np.trace(rotation) - 1) / 2, -1.0, 1.0))
    turn = np.array([rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0] - rotation[0, 1]])
    angle = float(np.arctan2(0.5 * np.linalg.norm(turn), cosine))
    length = float(np.linalg.norm(turn))
    vector = turn / length * angle if length > 1e-12 else np.zeros(3)
    return np.concatenate([shift - pivot + rotation @ pivot, vector])


# Exact distances one call may ask for, about a microsecond and a half each.
LOOKS = 60_000
LIFT, HIGHEST_MM = 4.0, 120.0  # how far off the form such a ball's centre is, in reaches, and at the most
POLISHING = 12_000  # of them for one pose, where a least is only brought down
FIRST = 16  # looks of one round that are asked exactly before the others, to bring the least down
GRID_SHARE = 0.2  # what a bound by the grid costs, of an exact look
EXACT_ABOVE_MM = 8.0
EXACT_BELOW_MM = 2.0  # the reach of a look from which on it is asked exactly: a larger one is cut first


@dataclass(frozen=True)
class Least:
    """The smallest margin found.

    Attributes
    ----------
    margin_mm
        The margin of a point of the piece at a moment of the motion, exact: the least is at most this.
    floor_mm
        The least is certainly not below this.
    when
        Where along the chain: 2.25 is a quarter of the way from placement 2 to 3.
    point
        (3,) the piece's point, in the piece's seated frame.
    triangle
        The piece's triangle it lies on.
    """

    margin_mm: float
    floor_mm: float
    when: float
    point: FloatArray
    triangle: int


@dataclass(frozen=True, eq=False)
class _Looks:
    """Stretches of the motion of bits of the surface: ``middle ± half`` of `segment`, for balls or triangles."""

    bits: Any  # (n,) rows of the cover, or (n, 3, 3) corners
    source: IntArray
    segment: IntArray
    middle: FloatArray
    half: FloatArray
    floor: FloatArray  # no margin in the stretch is below this

    def __getitem__(self, rows: IntArray) -> _Looks:
        return _Looks(*(getattr(self, f.name)[rows] for f in fields(self)))

    def instead(self, bits: Any, source: IntArray, parent: IntArray) -> _Looks:
        """Return other bits of surface over the stretches of their parents."""
        return replace(self[parent], bits=bits, source=source)

    def halves(self) -> _Looks:
        """Return the first and the second half of each stretch."""
        quarter = self.half / 2
        both = _joined([self, self])
        middle = np.concatenate([self.middle - quarter, self.middle + quarter])
        return replace(both, middle=middle, half=np.tile(quarter, 2))


def _joined(looks: list[_Looks]) -> _Looks:
    return _Looks(*(np.concatenate([getattr(one, f.name) for one in looks]) for f in fields(_Looks)))


def least_along(
    piece: Cover,
    pivot: FloatArray,
    chain: FloatArray,
    field: Field,
    allowances: FloatArray,
    tolerance: float,
    known: Least | None = None,
    looks_allowed: int = LOOKS,
    enough: float = np.inf,
    least: float = -np.inf,
) -> Least:
    """Return the least margin of a piece along a chain of placements, by branch and bound.

    Parameters
    ----------
    piece
        Cover of the piece at the seat.
    pivot
        (3,) mm.
    chain
        (k, 6), k at least 1.
    field
        Of the form.
    allowances
        (m,) mm, of each of the form's triangles.
    tolerance
        How far the answer may lie above the true least, mm; `looks_allowed` may leave more, see
        `Least.floor_mm`: two surfaces that run along each other are equally near everywhere. Where allowances differ,
        a margin jumps at the border of two regions; the answer is then the least over looks no farther apart than
        the tolerance.
    known
        A least found before, to beat.
    looks_allowed
        Where to stop.
    enough
        What is known to lie above this is not looked at further, mm.
    least
        A margin below which it does not matter how low it is: one such found ends the looking, mm.
    """
    if len(chain) == 1:
        chain = np.concatenate([chain, chain])
    speed = np.linalg.norm(np.diff(chain[:, :3], axis=0), axis=1)
    spin = np.linalg.norm(np.diff(chain[:, 3:], axis=0), axis=1)
    margins = margins_of(field, allowances)
    most = float(margins.levels[-1])
    asked = 0
    best = Least(np.inf, -np.inf, 0.0, np.zeros(3), -1) if known is None else replace(known, when=0.0)

    def placed(at: FloatArray, segment: IntArray) -> FloatArray:
        share = (at - segment)[:, None]
        return chain[segment] * (1 - share) + chain[segment + 1] * share

    def open_at(floor: FloatArray) -> Any:
        return floor < min(best.margin_mm - tolerance, enough)

    def ask(at: _Looks, rows: IntArray, points: FloatArray, start: FloatArray) -> Any:
        """Improve `best` by the exact margins of points (n, 3), of `rows`, and return their `Field.exact`."""
        nonlocal best, asked
        near = field.exact(points)
        margin = near[0] - allowances[near[1]]
        asked += len(rows)
        if len(rows) and margin.min() < best.margin_mm:
            low = int(margin.argmin())
            row = rows[low]
            best = Least(float(margin[low]), -np.inf, float(at.middle[row]), start[row], int(at.source[row]))
        return near

    def look(at: _Looks, centre: FloatArray, radius: FloatArray) -> tuple[IntArray, IntArray]:
        """Improve `best`; return the rows that may hold less, to be cut in time and to be cut in space."""
        nonlocal asked
        arm = np.linalg.norm(centre - pivot, axis=1)
        travel = at.half * (speed[at.segment] + spin[at.segment] * arm)
        points = moved(centre, placed(at.middle, at.segment), pivot)
        reach = radius + travel
        # The grid's certain lower bounds spare most points the exact question.
        at.floor[:] = np.maximum(at.floor, field.floor(points) - reach - most)
        rows = np.flatnonzero(open_at(at.floor))
        if not len(rows):
            return rows, rows
        lowest = rows[np.argsort(margins.rough(points[rows]), kind="stable")[:FIRST]]
        ask(at, lowest, points[lowest], centre)
        rows = rows[open_at(at.floor[rows])]
        hull = swept(at, rows)
        sag = 0.5 * (at.half[rows] * spin[at.segment[rows]]) ** 2 * (arm[rows] + radius[rows])
        asked += int(GRID_SHARE * len(rows))
        standoff = field.floor_over(hull) - sag
        highest = allowed_at_most(points[rows], reach[rows], standoff)
        at.floor[rows] = np.maximum(at.floor[rows], standoff - highest)
        ask_exactly = open_at(at.floor[rows])
        rows, hull, sag, highest = rows[ask_exactly], hull[ask_exactly], sag[ask_exactly], highest[ask_exactly]
        small = np.flatnonzero((reach[rows] < EXACT_BELOW_MM) | (reach[rows] > EXACT_ABOVE_MM))
        near = ask(at, rows[small], points[rows[small]], centre)
        asked += len(small)
        certain = _lifted(margins.field, points[rows[small]], near, hull[small], reach[rows[small]])
        certain = np.maximum(certain - sag[small], near[0] - reach[rows[small]]) - highest[small]
        at.floor[rows[small]] = np.maximum(at.floor[rows[small]], certain)
        rows = rows[open_at(at.floor[rows]) & (reach[rows] > 0.5 * tolerance)]
        in_time = travel[rows] > radius[rows]
        return rows[in_time], rows[~in_time]

    def swept(at: _Looks, rows: IntArray) -> FloatArray:
        """Return points (n, k, 3) about which the bits of some looks lie from the start to the end of their stretch."""
        bits = at.bits[rows]
        hull = piece.points(bits) if bits.ndim == 1 else bits
        ends = []
        for side in (-1, 1):
            when = placed(at.middle[rows] + side * at.half[rows], at.segment[rows])
            ends.append(moved(hull.reshape(-1, 3), when.repeat(hull.shape[1], axis=0), pivot).reshape(hull.shape))
        return np.concatenate(ends, axis=1)

    def allowed_at_most(points: FloatArray, reach: FloatArray, standoff: FloatArray) -> FloatArray:
        """Return what no allowance within reach of points is above: closely where the standoff's bound hangs on it."""
        highest = margins.highest(points, reach)
        if len(margins.levels) > 1:
            unsure = open_at(standoff - highest) & ~open_at(standoff - margins.highest(points, reach, lowest=True))
            unsure |= reach < EXACT_BELOW_MM
            unsure &= highest > margins.levels[0]
            close = np.flatnonzero(unsure)
            distance = np.abs(field.surface.nearest(points[close])[0])
            highest[close] = margins.allowed(points[close], distance, reach[close])[1]
        return highest

    segments = np.repeat(np.arange(len(speed)), piece.roots)
    balls = np.tile(np.arange(piece.roots), len(speed))
    half = np.full(len(balls), 0.5)
    looks = _Looks(balls, piece.triangle_at[balls], segments, segments + half, half, np.full(len(half), -np.inf))
    ground: list[_Looks] = []
    while len(looks.half) and asked < looks_allowed and best.margin_mm >= least:
        balls = looks.bits
        in_time, in_space = look(looks, piece.centres[balls], piece.radii[balls])
        is_leaf = piece.leaf[balls[in_space]] >= 0
        inner, leaves = in_space[~is_leaf], in_space[is_leaf]
        ground.append(looks.instead(piece.corners[piece.leaf[balls[leaves]]], looks.source[leaves], leaves))
        children = piece.children(balls[inner])
        below = looks.instead(children, piece.triangle_at[children], np.repeat(inner, piece.count[balls[inner]]))
        looks = _joined([looks[in_time].halves(), below])
    left = looks.floor
    looks = _joined(ground) if ground else looks
    while len(looks.half) and asked < looks_allowed and best.margin_mm >= least:
        in_time, in_space = look(looks, *centres_and_radii(looks.bits))
        twice = np.tile(in_space, 2)
        smaller = looks.instead(halved(looks.bits[in_space]), looks.source[twice], twice)
        looks = _joined([looks[in_time].halves(), smaller])
    floor = np.concatenate([left, looks.floor, [min(best.margin_mm - tolerance, enough)]]).min()
    return replace(best, floor_mm=float(floor))


def _lifted(
    field: Field,
    points: FloatArray,
    near: tuple[FloatArray, IntArray, FloatArray],
    hull: FloatArray,
    reach: FloatArray,
) -> FloatArray:
    """Return bounds (n,) that no standoff in the hulls (n, k, 3) about points (n, 3) is below.

    A ball about a point off the form that holds the hull: its centre's standoff less its radius bounds the standoff of
    all in it. With the centre straight out from the form the ball is nearly flat where the hull is, so that a wall, and
    a move, along the form cost next to nothing. `near` is what `Field.exact` says of the points, `reach` (n,) how far
    the hulls go.
    """
    distance, triangle, closest = near
    side = np.where(distance < 0, -1.0, 1.0)
    away = (points - closest) * side[:, None]
    length = np.abs(distance)
    out = away / np.maximum(length, 1e-9)[:, None]
    flat = length <= 1e-6
    out[flat] = field.surface.outward(triangle[flat])
    centre = points + out * np.minimum(LIFT * reach, HIGHEST_MM)[:, None]
    return field.exact(centre)[0] - np.linalg.norm(hull - centre[:, None], axis=2).max(axis=1)


def polished(
    best: Least,
    piece: Cover,
    pivot: FloatArray,
    chain: FloatArray,
    field: Field,
    allowances: FloatArray,
    tolerance: float,
) -> Least:
    """Return the least near one of `least_along` whose looks ran out: best in time and best on the surface, in turn."""
    span = 1.0
    while span > 1e-3:
        when = np.clip(best.when + span * np.linspace(-1, 1, 41), 0, len(chain) - 1)
        segment = np.minimum(when.astype(int), len(chain) - 2)
        share = (when - segment)[:, None]
        placed = chain[segment] * (1 - share) + chain[segment + 1] * share
        distance, triangle, _ = field.exact(moved(np.tile(best.point, (len(placed), 1)), placed, pivot))
        margin = distance - allowances[triangle]
        low = int(margin.argmin())
        if margin[low] < best.margin_mm:
            best = replace(best, margin_mm=float(margin[low]), when=float(when[low]))
        there = least_along(piece, pivot, placed[low : low + 1], field, allowances, tolerance, best, POLISHING)
        if there.margin_mm < best.margin_mm:
            best = replace(there, when=float(when[low]), floor_mm=best.floor_mm)
        span /= 5
    return best
