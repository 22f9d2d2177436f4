# SPDX-License-Identifier: GPL-3.0-or-later
"""What the search for cuts handles: a coarse stand-in of a part, and what a plane through it would cost.

The stand-in is a decimated solid of a few thousand triangles: a trial cut of it takes milliseconds and tells the shells
that a plane would really leave. What a plane costs besides that is read from the triangles it crosses, without a cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray
from ..solid.solid import bodies_of, raw_mesh
from .boxfit import Turn, extents_in, frames, grid_count, on_plate, own_axes, reaching, turn_to_fit

STAND_IN_TRIANGLES = 4000
# What a cut leaves with less volume than this, and less than this share of what was cut, is a crumb of a rough surface
# and no part.
CRUMB_MM3, CRUMB_SHARE = 30.0, 1e-3
SAMPLES = 1200
# A cut within this of a sharp edge that runs along it hides in the edge.
CREASE_MM = 1.5
CREASE_COS = 0.87  # 30 degrees between the faces


@dataclass(frozen=True)
class Plane:
    """A cut: the plane ``normal · x = offset`` in the worn frame, mm.

    Attributes
    ----------
    normal
        (3,), unit length.
    offset
        mm.
    near
        Where given, only the part nearest to this point is cut and all others stay whole; None cuts whatever the plane
        crosses within the part it belongs to.
    """

    normal: tuple[float, float, float]
    offset: float
    near: tuple[float, float, float] | None = None

    @classmethod
    def through(cls, normal: Sequence[float], offset: float, near: tuple[float, float, float] | None = None) -> Plane:
        """Return the plane ``normal · x = offset`` for a normal of any length but zero."""
        length = float(np.linalg.norm(normal))
        x, y, z = (float(v) / length for v in normal)
        return cls((x, y, z), offset / length, near)

    def distances(self, points: FloatArray) -> FloatArray:
        """Return how far points (n, 3) lie above the plane, (n,)."""
        return points @ np.asarray(self.normal) - self.offset

    def crosses_alike(self, middle: float) -> bool:
        """Return whether the plane is its own image in the plane x = middle, and cuts whatever it crosses."""
        x = self.normal[0]
        central = abs(abs(x) - 1) < 1e-9 and abs(self.offset * x - middle) < 1e-6
        return self.near is None and (abs(x) < 1e-9 or central)

    def mirrored(self, middle: float) -> Plane:
        """Return the plane's image in the plane x = middle."""
        x, y, z = self.normal
        near = self.near and (2 * middle - self.near[0], *self.near[1:])
        return Plane((-x, y, z), self.offset - 2 * middle * x, near)


@dataclass(frozen=True)
class SeamCost:
    """What one plane through one part costs, besides the parts it leaves.

    Attributes
    ----------
    front_mm, shown_mm
        Length of the seam over outer surfaces that face the front, each stretch counted as far as it faces -Y; and
        over all outer surfaces. What lies in a sharp edge is left out.
    leaning
        Mean over the seam of the cosine between wall and cut: 0 where the cut is square to the wall.
    area_mm2, wall_mm
        Cut area, and the mean wall thickness: twice the area over the outline's length.
    tight
        Share of the seam along which joints of the least depth find no room: the wall is too thin, or leans too much.
    """

    front_mm: float
    shown_mm: float
    leaning: float
    area_mm2: float
    wall_mm: float
    tight: float


def hull_points(solid: Any) -> FloatArray:
    """Return the corners of a manifold's convex hull, (n, 3)."""
    return raw_mesh(solid.hull())[0]


def shells_of(solid: Any) -> list[Any]:
    """Return a solid's separate bodies, largest first; a void stays with the body around it.

    Equal volumes are ordered by the lower corner of their boxes, so that the order is the geometry's.
    """
    shells = solid.decompose()
    bodies = shells if len(shells) == 1 else bodies_of(shells)[0]
    return sorted(bodies, key=lambda b: (-round(b.volume(), 3), b.bounding_box()))


def crumb_of(solid: Any) -> float:
    """Return the volume up to which what a cut leaves of a solid is a crumb, mm³."""
    return min(CRUMB_MM3, CRUMB_SHARE * float(solid.volume()))


def box_of(solid: Any) -> FloatArray:
    """Return a manifold's lowest and highest corner, (2, 3)."""
    return np.array(solid.bounding_box(), float).reshape(2, 3)


def nearest_to(point: Sequence[float], solids: Sequence[Any]) -> int:
    """Return which of some solids a point is nearest to."""
    import igl

    at = np.array([point], float)
    return int(np.argmin([igl.point_mesh_squared_distance(at, *raw_mesh(s))[0][0] for s in solids]))


def stand_in(solid: Any) -> Any:
    """Return a decimated copy of a solid for the search; the solid itself where it is small already."""
    import igl
    from manifold3d import Error, Manifold, Mesh64

    if solid.num_tri() <= STAND_IN_TRIANGLES:
        return solid
    size = float(np.ptp(box_of(solid), axis=0).max())
    thin = solid
    for tolerance in (2e-4, 1e-3, 3e-3):
        if thin.num_tri() > 12 * STAND_IN_TRIANGLES:
            thin = solid.simplify(tolerance * size)
    vertices, triangles = raw_mesh(thin)
    if len(triangles) > STAND_IN_TRIANGLES:
        done = igl.qslim(np.asfortranarray(vertices), np.asfortranarray(triangles), STAND_IN_TRIANGLES)
        coarse = Manifold(Mesh64(np.ascontiguousarray(done[0], float), np.asarray(done[1]).astype(np.uint64)))
        if coarse.status() == Error.NoError and abs(coarse.volume() / solid.volume() - 1) < 0.1:
            return coarse
    return solid.simplify(3e-3 * size)


@dataclass(frozen=True, eq=False)
class View:
    """What counts as front and outside on this piece.

    Attributes
    ----------
    centre
        (3,): surfaces that look away from it are outside.
    middle_x
        The plane of symmetry x = middle_x; None where the piece has none.
    """

    centre: FloatArray
    middle_x: float | None


@dataclass(eq=False)
class Cell:
    """A part under search.

    Attributes
    ----------
    solid
        The stand-in, in the worn frame.
    planes
        The cuts it lies between.
    symmetric
        Whether it is its own mirror image in the piece's plane of symmetry.
    count
        How many parts it stands for: 2 where a mirror image is cut alike.
    """

    solid: Any
    room: FloatArray
    view: View
    planes: tuple[Plane, ...] = ()
    symmetric: bool = False
    count: int = 1

    @cached_property
    def raw(self) -> tuple[FloatArray, IntArray]:
        """Vertices and triangles."""
        return raw_mesh(self.solid)

    @cached_property
    def volume(self) -> float:
        """Of the stand-in, mm³."""
        return float(self.solid.volume())

    @cached_property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner, (2, 3)."""
        return box_of(self.solid)

    @cached_property
    def hull(self) -> FloatArray:
        """Corners of the convex hull."""
        return hull_points(self.solid)

    @cached_property
    def reach(self) -> FloatArray:
        """The corners that reach furthest in many directions: enough of the hull to weigh a part by."""
        return reaching(self.hull)

    @cached_property
    def turn(self) -> Turn:
        """The rotation that fits it into the room, or comes near it."""
        return turn_to_fit(self.hull, self.room, 1.0, self.reach)

    @cached_property
    def own_axes(self) -> FloatArray:
        """Its principal axes, (3, 3)."""
        return own_axes(self.reach)

    @cached_property
    def extents(self) -> FloatArray:
        """Its extents (k, 3) in the frames looked at, and in that of its principal axes."""
        return extents_in(np.concatenate([frames(), self.own_axes[None]]), self.reach)

    @cached_property
    def need(self) -> int:
        """A guess at how many parts it takes: cut by a grid, in the frame that is best for one."""
        return 1 if self.turn.fits else max(2, int(grid_count(self._tried, self.room).min()))

    @cached_property
    def excess(self) -> float:
        """By how much it is too large for one room: the product of extents over room, where above 1; 0 if it fits."""
        if self.turn.fits:
            return 0.0
        over = np.sort(self._tried) / np.sort(self.room)
        return float(np.maximum(over, 1.0).prod(axis=1).min())

    @property
    def _tried(self) -> FloatArray:
        return np.concatenate([self.extents, extents_in(self.turn.rotation[None], self.reach)])

    @cached_property
    def thinnest(self) -> float:
        """The least extent along any of the frames looked at, mm."""
        return float(self.extents.min())

    @cached_property
    def stands(self) -> bool:
        """Whether it fits standing on a cut face, or upright as worn: else it prints on a corner."""
        middle = self.hull.mean(axis=0)
        downs = [-np.sign(plane.distances(middle[None])[0]) * np.asarray(plane.normal) for plane in self.planes]
        for down in [*downs, np.array([0.0, 0.0, -1.0])]:
            height = self.reach @ down
            if np.ptp(height) <= self.room[2] and on_plate(down, self.reach, self.room) is not None:
                return True
        return False

    @cached_property
    def samples(self) -> FloatArray:
        """Points spread over the surface, (n, 3): corners, and points along edges where triangles are large."""
        vertices, triangles = self.raw
        edges = np.sort(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
        edges = np.unique(edges, axis=0)
        length = np.linalg.norm(vertices[edges[:, 1]] - vertices[edges[:, 0]], axis=1)
        pieces = np.ceil(length / 15.0).astype(np.int64).clip(1, 40)
        which = np.repeat(np.arange(len(edges)), pieces)
        step = np.arange(len(which)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        share = ((step + 0.5) / np.repeat(pieces, pieces))[:, None]
        points = np.concatenate([vertices, vertices[edges[which, 0]] * (1 - share) + vertices[edges[which, 1]] * share])
        if len(points) > SAMPLES:
            points = points[:: -(-len(points) // SAMPLES)]
        return np.concatenate([points, self.hull])

    @cached_property
    def surface(self) -> Surface:
        """What the cost of a plane is read from."""
        return Surface.of(self)

    def sides(self, plane: Plane) -> tuple[list[Any], list[Any]]:
        """Return the shells above and below a plane, crumbs left out."""
        above, below = self.solid.split_by_plane(plane.normal, plane.offset)
        least = crumb_of(self.solid)
        return tuple([s for s in shells_of(side) if s.volume() > least] for side in (above, below))  # type: ignore[return-value]


@dataclass(frozen=True, eq=False)
class Surface:
    """The surface of a cell; the faces of earlier cuts are walls like others, but nobody sees them."""

    vertices: FloatArray
    triangles: IntArray
    normals: FloatArray
    shown: FloatArray
    front: FloatArray
    creases: IntArray

    @classmethod
    def of(cls, cell: Cell) -> Surface:
        """Return a cell's."""
        vertices, triangles = cell.raw
        inside = np.zeros(len(triangles), bool)
        for plane in cell.planes:
            inside |= (np.abs(plane.distances(vertices)) < 1e-6)[triangles].all(axis=1)
        corners = vertices[triangles]
        area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normals = area / np.maximum(np.linalg.norm(area, axis=1), 1e-12)[:, None]
        away = corners.mean(axis=1) - cell.view.centre
        away /= np.maximum(np.linalg.norm(away, axis=1), 1e-12)[:, None]
        shown = np.where(inside, 0.0, (2 * (normals * away).sum(axis=1)).clip(0, 1))
        front = shown * (-normals[:, 1]).clip(0, 1) * (away[:, 1] < 0)
        creases = _creases(vertices, triangles[~inside], normals[~inside])
        return cls(vertices, triangles, normals, shown, front, creases)

    def seam(self, plane: Plane, joint_wall_mm: float = 2.75, joint_depth_mm: float = 3.0) -> SeamCost:
        """Return what a plane costs here.

        Parameters
        ----------
        joint_wall_mm, joint_depth_mm
            Wall that a joint needs, and its least depth on each side: over which a leaning wall moves away.
        """
        normal = np.asarray(plane.normal)
        height = self.vertices @ normal - plane.offset
        above = height[self.triangles] > 0
        rows = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
        if not len(rows):
            return SeamCost(0.0, 0.0, 1.0, 0.0, 0.0, 1.0)
        tri, up = self.triangles[rows], above[rows]
        # Roll each triangle so that its lone corner, on one side by itself, comes first.
        lone = np.where(up.sum(axis=1)[:, None] == 1, up, ~up).argmax(axis=1)
        at = np.arange(len(rows))
        a, b, c = (tri[at, (lone + k) % 3] for k in range(3))
        p, q = (
            self.vertices[a] + (height[a] / (height[a] - height[o]))[:, None] * (self.vertices[o] - self.vertices[a])
            for o in (b, c)
        )
        length = np.linalg.norm(q - p, axis=1)
        total = max(float(length.sum()), 1e-9)
        # Green's theorem on the outline; with the material's normal to tell which way round each stretch runs.
        inward = -self.normals[rows] + (self.normals[rows] @ normal)[:, None] * normal
        inward /= np.maximum(np.linalg.norm(inward, axis=1), 1e-12)[:, None]
        middle = 0.5 * (p + q)
        area = 0.5 * abs(float((length * ((middle - middle.mean(axis=0)) * inward).sum(axis=1)).sum()))
        lean = np.abs(self.normals[rows] @ normal)
        leaning = float((length * lean).sum() / total)
        drift = 2 * joint_depth_mm * lean / np.sqrt(np.maximum(1 - lean**2, 1e-6))
        tight = float(length[2 * area / total < joint_wall_mm + drift].sum() / total)
        share = 1.0
        shown = float((length * self.shown[rows]).sum())
        if len(self.creases) and shown > 0:
            ends = height[self.creases]
            along = (np.abs(ends) < CREASE_MM).all(axis=1)
            hidden = float(np.linalg.norm(np.diff(self.vertices[self.creases[along]], axis=1), axis=2).sum())
            share = max(0.2, 1.0 - hidden / max(shown, 1e-9))
        front = float((length * self.front[rows]).sum())
        return SeamCost(front * share, shown * share, leaning, area, 2 * area / total, tight)


def _creases(vertices: FloatArray, triangles: IntArray, normals: FloatArray) -> IntArray:
    """Return the sharp edges, (k, 2)."""
    edges = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    owner = np.repeat(np.arange(len(triangles)), 3)
    key = edges.min(axis=1) * len(vertices) + edges.max(axis=1)
    order = np.argsort(key, kind="stable")
    same = key[order][1:] == key[order][:-1]
    first, second = order[:-1][same], order[1:][same]
    sharp: BoolArray = (normals[owner[first]] * normals[owner[second]]).sum(axis=1) < CREASE_COS
    return edges[first[sharp]]
