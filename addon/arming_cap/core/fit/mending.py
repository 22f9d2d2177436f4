# SPDX-License-Identifier: GPL-3.0-or-later
"""What would let a piece pass that does not, each mend tried on the mended piece, with its price."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..mesh import TriangleMesh
from ..piece import Part, Piece
from ..pose import Pose
from ..progress import Progress, part_of, silent
from ..wearer.form import Wearer
from .cover import Cover
from .donning import Passage, find_passage
from .lift import Scene, seated, straight_lift
from .motion import moved, placement_of
from .ways import Search

EARS_FOLD_MM = 20.0  # an ear stands off by 20 to 23 mm in the mean (ANSUR II ear protrusion): folded, next to nothing
WALL_MM = 6.0  # what is trimmed is trimmed through the wall; helmet walls are 2 to 5 mm, common practice
STEP_MM = 1.0


@dataclass(frozen=True)
class Mend:
    """One mend.

    Attributes
    ----------
    what
        ``scale up``, ``trim the rim``, ``let the ears fold``, ``split front and back``.
    price
        What it costs, in named numbers.
    passes, pinch_mm
        Of the mended piece, checked again.
    """

    what: str
    price: dict[str, float]
    passes: bool
    pinch_mm: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        price = {name: round(value, 2) + 0.0 for name, value in self.price.items()}
        return {"what": self.what, "price": price, "passes": self.passes, "pinch_mm": round(self.pinch_mm, 3) + 0.0}


def mends(
    piece: Piece,
    wearer: Wearer,
    seat: Pose,
    found: Passage,
    scale: float | None = None,
    options: Search = Search(),  # noqa: B008  frozen
    progress: Progress = silent,
) -> tuple[Mend, ...]:
    """Return mends for a piece whose passage was found too narrow, each checked on the mended piece.

    Parameters
    ----------
    piece, wearer, seat, found
        What did not pass, and how.
    scale
        The smallest scale that passes where it was looked for; the passage there is known to be 0 at least.
    options, progress
        As `find_passage` takes them.
    """
    made: list[Mend] = []
    if scale is not None and scale > 1.0:
        made.append(Mend("scale up", {"percent": 100 * (scale - 1)}, True, 0.0))
    for number, mend in enumerate((_ears, _split, _trim)):
        one = mend(piece, wearer, seat, found, options, part_of(progress, number / 3, (number + 1) / 3))
        if one is not None:
            made.append(one)
    return tuple(made)


def _ears(piece: Piece, wearer: Wearer, seat: Pose, found: Passage, options: Search, progress: Progress) -> Mend | None:
    """Let the ears fold, where they are what is met."""
    ears = [name for name in ("ear_left", "ear_right") if name in wearer.form.region_names]
    if not ears or found.region not in ears:
        return None
    folded = replace(wearer, allowance_mm={**wearer.allowance_mm, **dict.fromkeys(ears, -EARS_FOLD_MM)})
    again = find_passage(piece, folded, seat, options, progress)
    return Mend("let the ears fold", {"give_mm": EARS_FOLD_MM}, again.passes, again.pinch_mm)


def _split(
    piece: Piece, wearer: Wearer, seat: Pose, found: Passage, options: Search, progress: Progress
) -> Mend | None:
    """Part the piece front and back through its middle, each half drawn straight off its own way."""
    scene = seated(piece, wearer, seat, progress)
    corners = scene.cover.corners
    behind = corners.mean(axis=1)[:, 1] > scene.pivot[1]
    pinches = []
    for rows, way in ((behind, 1.0), (~behind, -1.0)):
        if not rows.any():
            return None
        half = Piece(piece.name, (Part(piece.name, _soup(corners[rows])),))
        lift = straight_lift(half, wearer, Pose(), np.array([0.0, way, 0.0]), progress)
        pinches.append(lift.pinch_mm - lift.tolerance_mm if lift.passes else lift.pinch_mm)
    return Mend("split front and back", {"at_y_mm": float(scene.pivot[1])}, min(pinches) >= 0, min(pinches))


def _trim(piece: Piece, wearer: Wearer, seat: Pose, found: Passage, options: Search, progress: Progress) -> Mend | None:
    """Take away what the widest way meets, through the wall, if that leaves a piece."""
    scene = seated(piece, wearer, seat, progress)
    corners = scene.cover.corners
    hit = met(scene, found, seat)
    if not hit.any() or hit.mean() > 0.5:
        return None
    centres = corners.mean(axis=1)
    gone = _within(centres, centres[hit], WALL_MM)
    kept = Piece(piece.name, (Part(piece.name, _soup(corners[~gone])),))
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    depth = _depth(centres[hit], centres[~gone])
    again = find_passage(kept, wearer, Pose(), options, progress)
    return Mend(
        "trim the rim", {"depth_mm": depth, "area_cm2": float(area[hit].sum()) / 100}, again.passes, again.pinch_mm
    )


def met(scene: Scene, found: Passage, seat: Pose) -> Any:
    """Return which of the cover's small triangles come below their allowance on the way found."""
    cover: Cover = scene.cover
    leaves = cover.leaves
    chain = np.array([placement_of(pose, scene.pivot, seat) for pose in found.path])
    chain = _dense(chain, scene.reach)
    hit = np.zeros(len(cover.corners), bool)
    for placed in chain:
        points = moved(cover.centres[leaves], np.broadcast_to(placed, (len(leaves), 6)), scene.pivot)
        near = np.flatnonzero(scene.field.standoff(points) < scene.allowances.max() + 1.0)
        distance, triangle, _ = scene.field.exact(points[near])
        below = near[distance < scene.allowances[triangle]]
        hit[cover.leaf[leaves[below]]] = True
    return hit


def _dense(chain: FloatArray, reach: float) -> FloatArray:
    """Return a chain with placements no farther apart than a few steps, by how far the piece's points move."""
    move = np.linalg.norm(np.diff(chain[:, :3], axis=0), axis=1) + reach * np.linalg.norm(
        np.diff(chain[:, 3:], axis=0), axis=1
    )
    at = np.concatenate([[0.0], np.cumsum(move)])
    some = np.linspace(0.0, at[-1], int(at[-1] / (4 * STEP_MM)) + 2)
    return np.stack([np.interp(some, at, column) for column in chain.T], axis=1)


def _within(points: FloatArray, marks: FloatArray, reach: float) -> Any:
    """Return which points (n, 3) have a mark within reach."""
    import igl

    squared = igl.point_mesh_squared_distance(points, marks, np.arange(len(marks))[:, None].repeat(3, axis=1))[0]
    return squared <= reach**2


def _depth(strip: FloatArray, kept: FloatArray) -> float:
    """Return how deep a strip (n, 3) is: the farthest of its points from what is kept."""
    import igl

    squared = igl.point_mesh_squared_distance(strip, kept, np.arange(len(kept))[:, None].repeat(3, axis=1))[0]
    return float(np.sqrt(squared.max()))


def _soup(corners: FloatArray) -> TriangleMesh:
    return TriangleMesh(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3))
