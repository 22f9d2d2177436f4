# SPDX-License-Identifier: GPL-3.0-or-later
"""How a piece is meant to be held against its wearer, read off the piece: its mirror plane, its hollow, its front.

Files come turned. Whatever is found here turns with the piece, so that the seat does not hang on how the file holds it.

* *Mouth.* The vector area of the inner side. For any shell it points from the hollow out through what is open, and
  its length over the area tells a deep hollow (a helmet) from a shallow one (a mask).
* *Mirror plane.* The plane in which the inner side is its own mirror image, looked for among the principal planes that
  hold the mouth's axis. Where two planes serve, as for a plain bowl, the one across the narrower inside is taken, for
  heads are longer than broad.
* *Level.* A helmet is drawn to stand on its rim: of the lines on which the piece, seen along its mirror plane, could
  stand, the longest within `RIM_WITHIN_DEG` of the mouth is its level line, if it runs along most of the piece. A
  helmet with cheeks has none; then the upper half of its inside, which is much the same before and behind, tells it.
  Where the file holds the piece square, its own up is level if it is near.
* *Front.* Where rays from the hollow leave more freely, at and below the band: a face is open, a nape is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...arrays import FloatArray
from ...distance.surface import PieceSurface

SAMPLES = 3000
# The inner side is its own mirror image where 80 of 100 points have a twin this near, as a share of the piece's size.
MIRROR_SHARE = 0.012
# |vector area| / area of the inner side: half a ball has 0.5, a closed helmet 0.2, a mask 0.8.
SHALLOW = 0.68
RIM_WITHIN_DEG = 45.0
# A file holds a piece square where its mirror plane lies along an axis to this; its own up then counts as level where
# it is no farther than this from what the piece's rim or crown say.
SQUARE_DEG, DRAWN_DEG = 0.5, 20.0
# Two sides are told apart as front and back where this much more of one is open.
# The crown is nearly the same before and behind where 80 of 100 points have a twin this near.
CROWN_SHARE = 0.03
FRONT_SHARE = 0.004
# A line to stand on is a level line where it runs along this share of the piece's length.
RIM_SHARE = 0.6


@dataclass(frozen=True)
class Attitude:
    """The piece's own axes.

    Attributes
    ----------
    axes
        (3, 3), columns: the wearer's left, back and up as the piece is meant to be worn, in the file's frame.
    middle
        (3,) of the inner side, mm.
    mirrored
        Whether the piece is its own mirror image across the plane through `middle` square to the first axis.
    depth
        |vector area| / area of the inner side.
    mouth
        (3,) unit: out of the hollow.
    front_known
        Whether the piece tells its front from its back.
    level_known
        Whether a rim tells which pitch is level; otherwise the up is only the mouth's.
    closed
        Whether next to no ray leaves the hollow: such a piece goes onto nothing.
    """

    axes: FloatArray
    middle: FloatArray
    mirrored: bool
    depth: float
    mouth: FloatArray
    front_known: bool
    level_known: bool
    closed: bool

    @property
    def shallow(self) -> bool:
        """Whether the piece lies against its wearer instead of around them; a skullcap, drawn mouth down, does not."""
        return self.depth > SHALLOW and self.mouth[2] > -0.7


def inner_side(surface: PieceSurface, count: int) -> tuple[FloatArray, FloatArray]:
    """Return points (n, 3) of a piece's inner side that each stand for the same area, and the way inwards there.

    The inner side is what the middle of the surface sees first; of `count` samples all, where it sees next to none.
    """
    points, rows = surface.samples(count)
    middle = points.mean(axis=0)
    away = points - middle
    length = np.linalg.norm(away, axis=1)
    reach = surface.reach(np.repeat(middle[None], len(points), axis=0), away / np.maximum(length, 1e-9)[:, None])
    seen = reach > length - 0.05
    if seen.sum() < 100:
        seen[:] = True
    normals = surface.mesh.area_vectors[rows[seen]]
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    inward = normals * -np.sign((normals * away[seen]).sum(axis=1))[:, None]
    return points[seen], inward


def inner_points(surface: PieceSurface, count: int) -> FloatArray:
    """Return points (n, 3) of a piece's inner side: of `count` even samples, and of the vertices, those on it.

    Edges and corners of a piece are what touches first, and only vertices stand on them.
    """
    points, _ = inner_side(surface, count)
    vertices = surface.mesh.vertices[:: max(1, len(surface.mesh.vertices) // count)]
    middle = surface.samples(SAMPLES)[0].mean(axis=0)
    away = vertices - middle
    length = np.linalg.norm(away, axis=1)
    reach = surface.reach(np.repeat(middle[None], len(away), axis=0), away / np.maximum(length, 1e-9)[:, None])
    return np.concatenate([points, vertices[reach > length - 0.05]])


def attitude_of(surface: PieceSurface) -> Attitude:
    """Return how a piece is meant to be held, read off its surface."""
    inner, inward = inner_side(surface, SAMPLES)
    total = inward.mean(axis=0)
    depth = float(np.linalg.norm(total))
    mouth = total / depth if depth > 1e-9 else np.array([0.0, 0.0, -1.0])
    middle = inner.mean(axis=0)
    side, mirrored, middle = _mirror(surface, inner, middle, mouth)
    if depth > SHALLOW and mouth[2] > -0.7:
        back = _square(mouth, side)
        up = np.cross(side, back)
        if up[int(np.argmax(np.abs(up)))] < 0:  # the file's own sense: of two ways up, the drawn one
            side, up = -side, -up
        return Attitude(np.column_stack([side, back, up]), middle, mirrored, depth, mouth, True, True, False)
    up = -_square(mouth, side)
    level = _level(surface.mesh.vertices, side, middle, up)
    if level is None:
        level = _crown_level(surface, inner, side, middle, up)
    up = _as_drawn(up if level is None else level, side)
    back = np.cross(up, side)
    open_back, open_front = (_openness(surface, middle, side, sign * back, up) for sign in (1.0, -1.0))
    known = abs(open_front - open_back) > FRONT_SHARE
    lead = 1 if abs(back[1]) > 0.5 else int(np.argmax(np.abs(back)))  # as drawn, where the piece does not tell
    if open_back > open_front if known else back[lead] < 0:
        side, back = -side, -back
    return Attitude(
        np.column_stack([side, back, up]),
        middle,
        mirrored,
        depth,
        mouth,
        known,
        level is not None,
        _closed(surface, middle),
    )


def _as_drawn(up: FloatArray, side: FloatArray) -> FloatArray:
    """Return the file's own up where it is near `up` and the file holds the piece square: helmets are drawn level."""
    axes = np.concatenate([np.eye(3), -np.eye(3)])
    axes = axes[np.abs(axes @ side) < np.sin(np.radians(SQUARE_DEG))]
    if len(axes) < 4:  # the mirror plane lies along no axis of the file: it has been turned
        return up
    nearest = axes[int(np.argmax(axes @ up))]
    return _square(nearest, side) if nearest @ up > np.cos(np.radians(DRAWN_DEG)) else up


def _square(way: FloatArray, side: FloatArray) -> FloatArray:
    """Return the unit vector nearest to `way` that is square to `side`."""
    flat = way - (way @ side) * side
    return flat / np.linalg.norm(flat)


def _mirror(
    surface: PieceSurface, inner: FloatArray, middle: FloatArray, mouth: FloatArray
) -> tuple[FloatArray, bool, FloatArray]:
    """Return the normal of the mirror plane, whether there is one, and the inner side's middle moved onto it."""
    size = float(np.linalg.norm(np.ptp(inner, axis=0)))
    flat = inner - middle
    flat = flat - np.outer(flat @ mouth, mouth)
    values, vectors = np.linalg.eigh(flat.T @ flat / len(flat))
    across = [vectors[:, k] for k in np.argsort(-np.abs(values))[:2]]  # the third is the mouth's own axis
    if values[np.argsort(values)[1]] > 0.97 * values.max():  # round: any plane through the axis, so the drawn one
        x = _square(np.eye(3)[0 if abs(mouth[0]) <= 0.9 else int(np.argmin(np.abs(mouth)))], mouth)
        across = [x, np.cross(mouth, x)]
    tried = []
    for normal in across:
        fitted, offset, off = _fitted(surface, inner, normal, float(middle @ normal))
        tried.append((off / size, float(np.ptp(inner @ fitted)), fitted, offset))
    good = [one for one in tried if one[0] < MIRROR_SHARE]
    chosen = min(good, key=lambda one: one[1]) if good else min(tried, key=lambda one: one[0])
    normal = chosen[2]
    if normal[int(np.argmax(np.abs(normal)))] < 0:
        normal, offset = -normal, -chosen[3]
    else:
        offset = chosen[3]
    return normal, bool(good), middle + (offset - middle @ normal) * normal


def _fitted(
    surface: PieceSurface, inner: FloatArray, normal: FloatArray, offset: float
) -> tuple[FloatArray, float, float]:
    """Return the plane near one across which the inner side is best mirrored, and how far 80 of 100 points are off.

    Gauss-Newton on the distances of mirrored points to the surface, the worst fifth left out.
    """
    points = inner[:: max(1, len(inner) // 800)]
    place, reach = _off(surface, points, normal, offset), 1.0
    for _ in range(14):
        mirrored, distance, foot, off = place
        near = np.flatnonzero((distance <= off) & (distance > 1e-9))
        if len(near) < 20 or off < 1e-3:
            break
        way = (mirrored[near] - foot[near]) / distance[near, None]
        # d(mirrored)/d(normal) along a tangent t: -2 [(p.t) n + (p.n - c) t]; along the offset: 2 n
        tangents = np.linalg.svd(normal[None])[2][1:]
        p = points[near]
        columns = [
            (way * (-2 * (np.outer(p @ t, normal) + np.outer(p @ normal - offset, t)))).sum(axis=1) for t in tangents
        ]
        columns.append(2 * way @ normal)
        step = reach * np.linalg.lstsq(np.column_stack(columns), -distance[near], rcond=None)[0]
        turned = normal + step[0] * tangents[0] + step[1] * tangents[1]
        turned = turned / np.linalg.norm(turned)
        after = _off(surface, points, turned, offset + float(step[2]))
        if after[3] < off:
            done = off - after[3] < 1e-4 * off
            normal, offset, place, reach = turned, offset + float(step[2]), after, 1.0
            if done:
                break
        elif (reach := 0.5 * reach) < 0.1:
            break
    return normal, offset, place[3]


def _off(
    surface: PieceSurface, points: FloatArray, normal: FloatArray, offset: float
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return mirrored points (n, 3), their distances (n,), their feet (n, 3), and what 80 of 100 are within."""
    mirrored = points - 2 * np.outer(points @ normal - offset, normal)
    squared, foot = surface.nearest(mirrored)
    distance = np.sqrt(squared)
    return mirrored, distance, foot, float(np.quantile(distance, 0.8))


def _level(vertices: FloatArray, side: FloatArray, middle: FloatArray, up: FloatArray) -> FloatArray | None:
    """Return the up that makes the piece stand on its rim: see the module's head; None where it has no level rim."""
    along = np.cross(up, side)
    flat = np.column_stack([(vertices - middle) @ along, (vertices - middle) @ up])
    hull = flat[_hull_rows(flat)]
    edges = np.roll(hull, -1, axis=0) - hull
    length = np.linalg.norm(edges, axis=1)
    out = np.column_stack([edges[:, 1], -edges[:, 0]]) / np.maximum(length, 1e-9)[:, None]  # counter-clockwise hull
    below = np.flatnonzero((out[:, 1] < -np.cos(np.radians(RIM_WITHIN_DEG))) & (length > 1e-9))
    if not len(below):
        return None
    # Neighbouring edges that lie within a degree are one line.
    angle = np.arctan2(out[below, 0], -out[below, 1])
    weight = [float(length[below][np.abs(angle - a) < np.radians(1.0)].sum()) for a in angle]
    a = angle[int(np.argmax(weight))]
    if max(weight) < RIM_SHARE * np.ptp(flat[:, 0]):
        return None
    turned = np.cos(a) * up - np.sin(a) * along
    return turned / np.linalg.norm(turned)


def _crown_level(
    surface: PieceSurface, inner: FloatArray, side: FloatArray, middle: FloatArray, up: FloatArray
) -> FloatArray | None:
    """Return the up about which the upper half of the inside is nearly the same before and behind, if there is one."""
    size = float(np.linalg.norm(np.ptp(inner, axis=0)))
    level: FloatArray | None = None
    for angles in (
        (-24.0, -8.0, 8.0, 24.0),
        (0.0,),
        (0.0,),
    ):  # again from what was found: the upper half is another then
        held = up if level is None else level
        height = (inner - middle) @ held
        top = inner[height > np.quantile(height, 0.6)]
        if len(top) < 100:
            return None
        back = np.cross(held, side)
        fits = []
        for angle in np.radians(angles):
            start = np.cos(angle) * back + np.sin(angle) * held
            fits.append(_fitted(surface, top, start, float(top.mean(axis=0) @ start)))
        normal, _, off = min(fits, key=lambda fit: fit[2])
        normal = _square(normal, side)
        level = np.cross(side, normal) if normal @ back > 0 else np.cross(normal, side)
    assert level is not None
    return level if off < CROWN_SHARE * size and level @ up > np.cos(np.radians(RIM_WITHIN_DEG)) else None


def _hull_rows(points: FloatArray) -> list[int]:
    """Return the rows of the convex hull of points (n, 2), counter-clockwise (Andrew 1979)."""
    order = np.lexsort((points[:, 1], points[:, 0]))

    def half(rows: FloatArray) -> list[int]:
        kept: list[int] = []
        for k in rows:
            while len(kept) > 1:
                a, b, c = points[kept[-2]], points[kept[-1]], points[k]
                if (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) > 0:
                    break
                kept.pop()
            kept.append(int(k))
        return kept[:-1]

    return half(order) + half(order[::-1])


def _closed(surface: PieceSurface, middle: FloatArray) -> bool:
    """Return whether fewer than one in a hundred rays from the middle, spread evenly (Fibonacci), leave the piece."""
    count = 400
    height = 1 - 2 * (np.arange(count) + 0.5) / count
    turn = np.pi * (1 + np.sqrt(5)) * np.arange(count)
    flat = np.sqrt(1 - height**2)
    rays = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])
    return bool(np.isinf(surface.reach(np.repeat(middle[None], count, axis=0), rays)).mean() < 0.01)


def _openness(surface: PieceSurface, middle: FloatArray, side: FloatArray, way: FloatArray, up: FloatArray) -> float:
    """Return the share of rays from the hollow's middle, towards `way`, that leave the piece."""
    around, above = np.radians(np.meshgrid(np.arange(-50.0, 51.0, 4.0), np.arange(-36.0, 25.0, 2.0), indexing="ij"))
    rays = (
        np.cos(above)[..., None] * (np.cos(around)[..., None] * way + np.sin(around)[..., None] * side)
        + np.sin(above)[..., None] * up
    ).reshape(-1, 3)
    return float(np.isinf(surface.reach(np.repeat(middle[None], len(rays), axis=0), rays)).mean())
