# SPDX-License-Identifier: GPL-3.0-or-later
"""The straight test: the piece drawn off the form along one line."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.cover import Cover
from ...distance.field import Field, field_of
from ...distance.forest import Forest, Tree, tree_of
from ...distance.motion import Least, least_along, polished
from ...errors import InputError
from ...mesh import TriangleMesh
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, silent
from ...tolerances import TOLERANCES
from ...wearer.form import Form, Wearer

UP = np.array([0.0, 0.0, 1.0])
STEP_MM = 8.0
AROUND_MM = 60.0
# Another way out than up is only taken where it is wider by this, and where neither passes by this share of what is
# missing upwards: how deep one solid is drawn through another says nothing.
CLEARLY_WIDER_MM = 1.0
CLEARLY_WIDER = 0.5
FEW = 16  # one point in so many is asked first


Meeting = tuple[tuple[float, float, float], str, str]  # where, the piece's part, the body's region


@dataclass(frozen=True, eq=False)
class Scene:
    """A seated piece and a form, ready to be asked."""

    piece: Piece
    wearer: Wearer
    tree: Tree
    pose: Pose
    scale: float
    field: Field
    allowances: FloatArray
    pivot: FloatArray
    reach: float

    @cached_property
    def cover(self) -> Cover:
        """Of the piece at its seat."""
        return self.tree.cover.placed(self.pose, self.scale)

    @cached_property
    def forest(self) -> Forest:
        """The piece's balls down to its corners, at its seat."""
        return self.tree.forest.placed(self.pose, self.scale)

    @property
    def form(self) -> Form:
        """The wearer's form."""
        return self.wearer.form

    def travel(self, direction: FloatArray) -> float:
        """Return how far along a unit vector (3,) the piece must go until it is off the body, mm.

        Off the body is where all of the form lies behind all of the piece's bounding ball.
        """
        front = float((self.form.mesh.vertices @ direction).max())
        return max(front - float(self.pivot @ direction) + self.reach, STEP_MM)


def seated(
    piece: Piece,
    wearer: Wearer,
    seat: Pose,
    progress: Progress = silent,
    scale: float = 1.0,
) -> Scene:
    """Return the piece after ``seat.apply(scale * points)``, with what the searches need.

    Raises
    ------
    InputError
        If the piece has no triangles.
    """
    mesh: TriangleMesh = piece.mesh
    if not len(mesh):
        raise InputError("the piece has no triangles", source=piece.name, remedy="export it again")
    tree = tree_of(mesh)
    at_seat = piece.scaled(scale).moved(seat)
    bounds = at_seat.mesh.bounds
    pivot = bounds.mean(axis=0)
    reach = float(np.linalg.norm(at_seat.mesh.corners.reshape(-1, 3) - pivot, axis=1).max())
    # Tilted on its way the piece comes beside and below where it is worn.
    field = field_of(
        wearer.form, bounds + [[-AROUND_MM, -AROUND_MM, -AROUND_MM], [AROUND_MM, AROUND_MM, 0.0]], progress
    )
    regions = wearer.form.region_of_triangle
    assert regions is not None
    return Scene(at_seat, wearer, tree, seat, scale, field, wearer.allowances()[regions], pivot, reach)


def all_the_way(scene: Scene, out: FloatArray) -> Scene:
    """Return a scene whose field is fine wherever the piece comes by the form on its way out, not only about its seat.

    Only a form too large for one fine grid has another field for that: a body, whose hand the sleeve has yet to pass.
    """
    seat, form = scene.piece.mesh.bounds, scene.form.mesh.bounds
    ends = np.stack([seat, seat + scene.travel(out) * out])
    low = np.maximum(ends.min(axis=(0, 1)) - AROUND_MM, form[0])
    high = np.minimum(ends.max(axis=(0, 1)) + AROUND_MM, form[1])
    held = scene.field.box
    if (low >= high).any() or ((low >= held[0]) & (high <= held[1])).all():
        return scene
    return replace(scene, field=field_of(scene.form, np.array([low, high])))


def straight_chain(direction: FloatArray, travel: float) -> FloatArray:
    """Return placements (k, 6) along a line, no farther apart than `STEP_MM`."""
    steps = np.linspace(0.0, travel, int(np.ceil(travel / STEP_MM)) + 1)
    return np.column_stack([steps[:, None] * direction, np.zeros((len(steps), 3))])


def drawn_off(scene: Scene, direction: FloatArray) -> tuple[FloatArray, Least]:
    """Return the placements (k, 6) along a unit vector (3,) until the piece is off the body, and their least margin."""
    about = (scene.field, scene.allowances, 2 * TOLERANCES.standoff_mm)
    chain = straight_chain(direction, scene.travel(direction))
    # The seat is part of the way: what leaves more room is not looked at for long.
    at_seat = least_along(scene.cover, scene.pivot, chain[:1], *about)
    least = least_along(scene.cover, scene.pivot, chain, *about, at_seat)
    return chain, polished(least, scene.cover, scene.pivot, chain, *about)


def way_out(scene: Scene) -> FloatArray:
    """Return the direction (3,), of 26, of the widest straight lift by the grid; up unless another is clearly wider."""
    steps = np.array([[x, y, z] for z in (1, 0, -1) for y in (0, -1, 1) for x in (0, 1, -1)], float)
    directions = steps[np.abs(steps).any(axis=1)]
    directions = np.concatenate([[UP], directions])
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    rows = np.arange(scene.cover.roots)
    for _ in range(3):  # balls of 8 mm: larger ones miss what is thin
        rows = scene.cover.children(rows)
    points = scene.cover.centres[rows]

    def width(direction: FloatArray, some: FloatArray) -> float:
        run = np.arange(0.0, scene.travel(direction), STEP_MM)[: 6 * int(scene.reach // STEP_MM)]
        return float(scene.field.standoff((some[None] + run[:, None, None] * direction).reshape(-1, 3)).min())

    best, chosen = width(UP, points), UP
    best += max(CLEARLY_WIDER_MM, CLEARLY_WIDER * max(-best, 0.0))
    for direction in directions[1:]:
        # Most ways lead through the body: some of the points say so.
        if width(direction, points[::FEW]) > best and (wide := width(direction, points)) > best:
            best, chosen = wide, direction
    return chosen


@dataclass(frozen=True, eq=False)
class Lift:
    """What the straight test found.

    Attributes
    ----------
    passes
        Whether nothing touches on the whole way.
    pinch_mm
        The least margin along the way, the seat included; exact to `tolerance_mm`.
    tolerance_mm
        How far the true least may lie below `pinch_mm`.
    at
        (3,) where on the piece, in the form's frame, at the moment of the pinch.
    part, region
        What meets what there.
    lifted_mm
        How far off the seat the pinch is.
    axis
        (3,) the way.
    path
        Poses of the piece's files, seat first.
    decisive
        Whether no tilt could change the answer: a straight lift that passes is a passage; one that does not may
        still be a matter of tilting.
    """

    passes: bool
    pinch_mm: float
    tolerance_mm: float
    at: tuple[float, float, float]
    part: str
    region: str
    lifted_mm: float
    axis: FloatArray
    path: tuple[Pose, ...]
    decisive: bool

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        return {
            "passes": self.passes,
            "pinch_mm": round(self.pinch_mm, 3),
            "tolerance_mm": round(self.tolerance_mm, 3),
            "at": [round(v, 3) for v in self.at],
            "part": self.part,
            "region": self.region,
            "lifted_mm": round(self.lifted_mm, 2),
            "axis": [round(float(v), 4) for v in self.axis],
            "decisive": self.decisive,
        }


def meeting(scene: Scene, point: FloatArray, triangle: int) -> Meeting:
    """Return a point of the moved piece as a tuple, the part it is on, and the form's region nearest to it."""
    part = scene.piece.parts[int(scene.piece.part_of_triangle[triangle])].name
    _, nearest, _ = scene.field.exact(point[None])
    x, y, z = (float(v) for v in point)
    return (x, y, z), part, scene.form.regions_at(nearest)[0]


def straight_lift(
    piece: Piece, wearer: Wearer, seat: Pose, axis: FloatArray | None = None, progress: Progress = silent
) -> Lift:
    """Draw a piece off along a line, and return how narrow it gets.

    Parameters
    ----------
    piece, wearer
        What, and off whom.
    seat
        The worn pose.
    axis
        (3,); where None, up, or the way a straight lift is clearly wider.
    progress
        Told of the making of the distance field.

    Raises
    ------
    InputError
        If the axis has no length, or the piece no triangles.
    """
    scene = seated(piece, wearer, seat, progress)
    if axis is None:
        direction = way_out(scene)
    else:
        length = float(np.linalg.norm(axis))
        if not np.isfinite(length) or length == 0:
            raise InputError("the way out has no direction", source=piece.name, remedy="give an axis such as 0,0,1")
        direction = np.asarray(axis, float) / length
    chain, least = drawn_off(scene, direction)
    step = float(np.linalg.norm(chain[1, :3]))
    at, part, region = meeting(scene, least.point + direction * step * least.when, least.triangle)
    passes = least.margin_mm >= 0
    path = tuple(seat.then(Pose(np.eye(3), row[:3])) for row in chain)
    return Lift(
        passes,
        least.margin_mm,
        least.margin_mm - least.floor_mm,
        at,
        part,
        region,
        step * least.when,
        direction,
        path,
        passes,
    )
