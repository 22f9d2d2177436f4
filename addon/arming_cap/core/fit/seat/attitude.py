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
  helmet with cheeks has none. The upper half of its inside, which is much the same before and behind, tells it too.
  Where the two agree, that is level. Where they do not, a file that holds the piece square says what is.
* *Front.* Where rays from the hollow leave more freely, at and below the band: a face is open, a nape is not.

What none of these tells, such as the level of a file that was turned about all axes, is a *doubt*: nobody could tell
from the piece alone, and a guess would be a wrong seat.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray, IntArray
from ...distance.surface import PieceSurface

SAMPLES = 3000
# The inner side is its own mirror image where 80 of 100 points have a twin this near, as a share of the piece's size.
MIRROR_SHARE = 0.012
# |vector area| / area of the inner side: half a ball has 0.5, a closed helmet 0.2, a mask 0.8.
SHALLOW = 0.68
# As drawn with its hollow to the back, a piece less shallow is a mask where so many rays look out through its front.
FACE_DEPTH, LOOKS_OUT, LOOK_RAD = 0.5, 0.03, 0.8
RIM_WITHIN_DEG = 45.0
# A file holds a piece square where its mirror plane lies along an axis to this; its own up then counts as level where
# it is no farther than this from what the rim or the mouth say: a mouth that is open before the face leans far.
SQUARE_DEG, STANDING_DEG, LYING_DEG = 0.5, 60.0, 35.0
# The crown agrees with the rim where its two halves are this much more alike than if it were tilted by so many degrees,
# and then by more than a mesh's facets make.
AGREE_SHARE, TRIED_DEG, TOLD_MM = 0.4, 3.0, 0.5
# It is the same before and behind where 80 of 100 points have a twin this near.
ALIKE_MM = 0.1
# Cosine to a file's axis from which a piece is held along it.
UPRIGHT = 0.7
# Half the cone in which a ring lets one look through.
RING_RAD = 0.35
# Two sides are told apart as front and back where this much more of one is open.
FRONT_SHARE = 0.004
# A line to stand on is a level line where it runs along this share of the piece's length.
RIM_SHARE = 0.6


@dataclass(frozen=True, eq=False)
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
    doubt
        What neither the piece nor its file tells of how it is worn, in words; empty where all is told.
    alike
        Whether it is the same before and behind.
    ring
        Whether one can look right through it: such a piece has no up or front of its own.
    closed
        Whether next to no ray leaves the hollow: such a piece goes onto nothing.
    face
        Whether it is drawn before a face, with openings in its front.
    """

    axes: FloatArray
    middle: FloatArray
    mirrored: bool
    depth: float
    mouth: FloatArray
    doubt: str = ""
    alike: bool = False
    ring: bool = False
    closed: bool = False
    face: bool = False

    @property
    def shallow(self) -> bool:
        """Whether the piece lies against its wearer instead of around them; a skullcap, drawn mouth down, does not."""
        return (self.face or self.depth > SHALLOW) and self.mouth[2] > -UPRIGHT and not self.ring

    def evened(self, points: FloatArray) -> FloatArray:
        """Return points (n, 3) of the piece; of one that is alike, a quarter of them and their mirror images."""
        if not self.alike:
            return points
        own = (points[::4] - self.middle) @ self.axes
        signs = np.array([(x, y, 1.0) for x in (1.0, -1.0) for y in (1.0, -1.0)])
        return (own[:, None, :] * signs).reshape(-1, 3) @ self.axes.T + self.middle

    def thinned(self, count: int, most: int) -> IntArray:
        """Return the rows of about `most` out of `count` of the points that `evened` returns, evened themselves."""
        many = 4 if self.alike else 1
        rows = np.arange(0, count // many, max(1, count // most))
        return (many * rows[:, None] + np.arange(many)).ravel()


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
    if _through(surface, inner, middle):
        return Attitude(np.eye(3), middle, False, depth, mouth, ring=True)
    face = mouth[1] > UPRIGHT and depth > FACE_DEPTH and _looks_out(surface, middle)
    # A mask faces forward: of two planes the upright one is its own.
    drawn = mouth[1] > UPRIGHT and (face or depth > SHALLOW)
    side, mirrored, middle = _mirror(surface, inner, middle, mouth, drawn)
    found = Attitude(np.eye(3), middle, mirrored, depth, mouth, face=face)
    if found.shallow:
        return _shallow(found, side)
    if not mirrored:  # it has no plane of its own: only its file says where it is worn
        doubt = "" if mouth[2] < -UPRIGHT else "which way it faces"
        return replace(found, doubt=doubt, closed=_closed(surface, middle))
    up, doubt = _upright(surface, inner, middle, side, -_square(mouth, side))
    back = np.cross(up, side)
    open_back, open_front = (_openness(surface, middle, side, sign * back, up) for sign in (1.0, -1.0))
    turned = open_back > open_front
    if abs(open_front - open_back) <= FRONT_SHARE:
        lead = 1 if abs(back[1]) > 0.5 else int(np.argmax(np.abs(back)))
        turned = bool(back[lead] < 0)  # as drawn
        # Where it is the same before and behind, that does not matter.
        alike = _plane_across(surface, inner, back)
        if alike is not None:
            middle = middle + (alike - middle @ back) * back
        elif not doubt and (up[2] < UPRIGHT or abs(back[1]) < UPRIGHT):
            doubt = "which side is its front"
        found = replace(found, middle=middle, alike=alike is not None)
    if turned:
        side, back = -side, -back
    return replace(found, axes=np.column_stack([side, back, up]), doubt=doubt, closed=_closed(surface, middle))


def as_filed(surface: PieceSurface) -> Attitude:
    """Return the attitude of a piece that is not for a head: its file's, for a limb may hang in any."""
    inner, inward = inner_side(surface, SAMPLES)
    total = inward.mean(axis=0)
    depth = float(np.linalg.norm(total))
    middle = inner.mean(axis=0)
    mouth = total / depth if depth > 1e-9 else np.array([0.0, 0.0, -1.0])
    ring, closed = _through(surface, inner, middle), _closed(surface, middle)
    return Attitude(np.eye(3), middle, False, depth, mouth, ring=ring, closed=closed)


def _shallow(found: Attitude, side: FloatArray) -> Attitude:
    """Return the attitude of a piece that lies against the face: its hollow opens to the back, its up is the file's."""
    back = _square(found.mouth, side)
    up = np.cross(side, back)
    if up[int(np.argmax(np.abs(up)))] < 0:
        side, up = -side, -up
    doubt = "" if found.mouth[1] > UPRIGHT and up[2] > UPRIGHT else "which way it faces"
    return replace(found, axes=np.column_stack([side, back, up]), doubt=doubt)


def _upright(
    surface: PieceSurface, inner: FloatArray, middle: FloatArray, side: FloatArray, up: FloatArray
) -> tuple[FloatArray, str]:
    """Return the up of a hollow piece, and what cannot be told of it.

    The rim and the crown are two witnesses: where they agree, that is level, however the file holds the piece. Where
    they do not, a file that holds it square says it; of a file that has been turned it cannot be told.
    """
    rim = _level(surface.mesh.vertices, side, middle, up)
    if rim is not None and (
        _crown_agrees(surface, inner, side, middle, rim)
        or _plane_across(surface, inner, np.cross(rim, side)) is not None
    ):
        return rim, ""
    told = up if rim is None else rim
    axes = np.concatenate([np.eye(3), -np.eye(3)])
    axes = axes[np.abs(axes @ side) < np.sin(np.radians(SQUARE_DEG))]
    if len(axes) == 4:  # the mirror plane lies along an axis of the file
        if abs(side[2]) < 0.5 and told[2] > np.cos(np.radians(STANDING_DEG)):
            return _square(np.array([0.0, 0.0, 1.0]), side), ""
        nearest = axes[int(np.argmax(axes @ told))]
        if nearest @ told > np.cos(np.radians(LYING_DEG)):
            return _square(nearest, side), ""
    return told, "which way is level"


def _crown_agrees(
    surface: PieceSurface, inner: FloatArray, side: FloatArray, middle: FloatArray, up: FloatArray
) -> bool:
    """Return whether the upper part of the inside is the same before and behind about `up`, and about no up beside it.

    A crown that is round along the middle is the same about any: it says nothing.
    """
    height = (inner - middle) @ up
    top = inner[height > np.quantile(height, 0.6)][:: max(1, len(inner) // 1500)]
    back = np.cross(up, side)
    off = []
    for angle in np.radians([0.0, -TRIED_DEG, TRIED_DEG]):
        normal = np.cos(angle) * back + np.sin(angle) * up
        offset = float(np.median(top @ normal))
        for _ in range(12):  # Gauss-Newton: a plane that shifts by one moves a mirrored point by two
            mirrored, distance, foot, within = _off(surface, top, normal, offset)
            near = (distance <= within) & (distance > 1e-9)
            way = ((foot - mirrored) @ normal)[near] / distance[near]
            step = 0.5 * float(distance[near] @ way) / max(float(way @ way), 1e-9)
            offset += step
            if abs(step) < 1e-3:
                break
        off.append(_off(surface, top, normal, offset)[3])
    return off[0] < AGREE_SHARE * min(off[1:]) and min(off[1:]) > TOLD_MM


def _plane_across(surface: PieceSurface, inner: FloatArray, back: FloatArray) -> float | None:
    """Return the offset along `back` of the plane before and behind which the piece is the same; None where it is not.

    By sight, not by some share: what differs by more than `ALIKE_MM` does have a front.
    """
    normal, offset, off = _fitted(surface, inner, back, 0.5 * float((inner @ back).min() + (inner @ back).max()))
    return offset if off < ALIKE_MM and abs(normal @ back) > np.cos(np.radians(SQUARE_DEG)) else None


def _through(surface: PieceSurface, inner: FloatArray, middle: FloatArray) -> bool:
    """Return whether one can look right through the piece, along one of its axes, in a wide cone: it is a ring."""
    flat = inner - middle
    axes = np.linalg.eigh(flat.T @ flat)[1]
    turn = np.linspace(0.0, 2 * np.pi, 12, endpoint=False)
    for k in range(3):
        across = np.outer(np.cos(turn), axes[:, (k + 1) % 3]) + np.outer(np.sin(turn), axes[:, (k + 2) % 3])
        rays = np.cos(RING_RAD) * axes[:, k] + np.sin(RING_RAD) * across
        rays = np.concatenate([rays, -rays])
        if np.isinf(surface.reach(np.repeat(middle[None], len(rays), axis=0), rays)).all():
            return True
    return False


def _square(way: FloatArray, side: FloatArray) -> FloatArray:
    """Return the unit vector nearest to `way` that is square to `side`."""
    flat = way - (way @ side) * side
    return flat / np.linalg.norm(flat)


def _mirror(
    surface: PieceSurface, inner: FloatArray, middle: FloatArray, mouth: FloatArray, drawn: bool
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
    chosen = min(tried, key=lambda one: one[0])
    if good:
        chosen = max(good, key=lambda one: abs(one[2][0])) if drawn else min(good, key=lambda one: one[1])
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
    line = np.abs(angle - angle[int(np.argmax(weight))]) < np.radians(1.0)
    a = float(np.average(angle[line], weights=length[below][line]))
    if max(weight) < RIM_SHARE * np.ptp(flat[:, 0]):
        return None
    turned = np.cos(a) * up - np.sin(a) * along
    return turned / np.linalg.norm(turned)


def _hull_rows(points: FloatArray) -> list[int]:
    """Return the rows of the convex hull of points (n, 2), counter-clockwise (Andrew 1979)."""
    # What lies within the polygon of the extremes in some directions is on no hull.
    turn = np.linspace(0.0, 2 * np.pi, 65)[:-1]
    corners = points[np.argmax(points @ np.stack([np.cos(turn), np.sin(turn)]), axis=0)]
    edges = np.roll(corners, -1, axis=0) - corners
    corners, edges = corners[edges.any(axis=1)], edges[edges.any(axis=1)]
    out = np.stack([edges[:, 1], -edges[:, 0]], axis=1)
    beyond = (points @ out.T - (corners * out).sum(axis=1) > -1e-6).any(axis=1)
    kept_rows = np.flatnonzero(beyond)
    order = kept_rows[np.lexsort((points[kept_rows, 1], points[kept_rows, 0]))]

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


def _looks_out(surface: PieceSurface, middle: FloatArray) -> bool:
    """Return whether there are openings before the middle of a piece, towards the file's front."""
    around, above = np.meshgrid(*[np.linspace(-LOOK_RAD, LOOK_RAD, 41)] * 2, indexing="ij")
    rays = np.column_stack([np.sin(around.ravel()), -np.ones(around.size), np.sin(above.ravel())])
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    return bool(np.isinf(surface.reach(np.repeat(middle[None], len(rays), axis=0), rays)).mean() > LOOKS_OUT)


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
