# SPDX-License-Identifier: GPL-3.0-or-later
"""What would let a piece pass that does not, each mend tried on the mended piece, with its price."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.cover import Cover
from ...distance.motion import moved, placement_of
from ...mesh import TriangleMesh
from ...piece import Part, Piece
from ...pose import Pose
from ...progress import Progress, part_of, silent
from ...wearer.form import Wearer
from .donning import Passage, find_passage
from .lift import Scene, seated, straight_lift
from .search import Search

EARS_FOLD_MM = 20.0  # an ear stands off by 20 to 23 mm in the mean (ANSUR II ear protrusion): folded, next to nothing
WALL_MM = 6.0  # what is trimmed is trimmed through the wall; helmet walls are 2 to 5 mm, common practice
STEP_MM = 1.0
TRIM_MM = 25.0  # a strip deeper than this is no trim of a rim but another piece; ours to choose, no source
SCALES_MORE = (0.0, 0.0025, 0.01)  # shares by which a scale is raised until its passage is proved between its looks


@dataclass(frozen=True)
class Mend:
    """One mend.

    Attributes
    ----------
    what
        ``scale up``, ``take off`` or ``open`` and the parts, ``trim the rim``, ``let the ears fold``,
        ``split front and back``.
    price
        What it costs, in named numbers.
    passes, pinch_mm
        Of the mended piece, checked again, its seat included.
    note
        What else is to be known, in words.
    strip
        (k, 3, 3) what a trim takes away, in the frame of the piece's files; None for other mends.
    """

    what: str
    price: dict[str, float]
    passes: bool
    pinch_mm: float
    note: str = ""
    strip: FloatArray | None = field(default=None, repr=False, compare=False)

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        price = {name: round(value, 2) + 0.0 for name, value in self.price.items()}
        said: dict[str, Any] = {"what": self.what, "price": price, "passes": self.passes}
        return {**said, "pinch_mm": round(self.pinch_mm, 3) + 0.0, "note": self.note}


def mends(
    piece: Piece,
    wearer: Wearer,
    seat: Pose,
    found: Passage,
    scale: float | None = None,
    options: Search = Search(),  # noqa: B008  frozen
    progress: Progress = silent,
    seat_at: Callable[[float], Pose] | None = None,
    tried: Mapping[tuple[str, ...], Passage] | None = None,
) -> tuple[Mend, ...]:
    """Return mends for a piece whose passage was found too narrow, each checked on the mended piece.

    Parameters
    ----------
    piece, wearer, seat, found
        What did not pass, and how.
    scale
        The smallest scale that passes where it was looked for.
    options, progress
        As `find_passage` takes them.
    seat_at
        The worn pose at a further scale of the piece as it is given; where None it keeps its seat.
    tried
        Passages with parts off, as `take_off` returns them: each was searched on the piece without them.
    """
    made: list[Mend] = []
    if scale is not None and scale > 1.0:
        made.append(_scaled(piece, wearer, seat_at or (lambda _: seat), scale, options, progress))
    for names, without in (tried or {}).items():
        if names:
            made.append(Mend(_out(piece, names), {"parts": len(names)}, without.passes, without.pinch_mm))
    for number, mend in enumerate((_ears, _split, _trim)):
        one = mend(piece, wearer, seat, found, options, part_of(progress, number / 3, (number + 1) / 3))
        if one is not None:
            made.append(one)
    return tuple(made)


def _out(piece: Piece, names: Sequence[str]) -> str:
    hinged = [part.name for part in piece.parts if part.name in names and part.hinge is not None]
    off = [name for name in names if name not in hinged]
    ways = [f"{what} {' and '.join(some)}" for what, some in (("take off", off), ("open", hinged)) if some]
    return " and ".join(ways)


def _scaled(
    piece: Piece,
    wearer: Wearer,
    seat_at: Callable[[float], Pose],
    scale: float,
    options: Search,
    progress: Progress,
) -> Mend:
    """Scale up as far as was found to pass, or a little more where that is not proved to pass."""
    for more in SCALES_MORE:
        larger = piece.scaled(scale * (1 + more))
        again = find_passage(larger, wearer, seat_at(scale * (1 + more)), replace(options, decide_only=True), progress)
        if again.passes:
            break
    return Mend("scale up", {"percent": 100 * (scale * (1 + more) - 1)}, again.passes, again.pinch_mm)


def _ears(piece: Piece, wearer: Wearer, seat: Pose, found: Passage, options: Search, progress: Progress) -> Mend | None:
    """Let the ears fold, where they are what is met."""
    ears = [name for name in ("ear_left", "ear_right") if name in wearer.form.region_names]
    if not ears or found.region not in ears:
        return None
    folded = replace(wearer, allowance_mm={**wearer.allowance_mm, **dict.fromkeys(ears, -EARS_FOLD_MM)})
    again = find_passage(piece, folded, seat, options, progress)
    note = "ears are folded by hand and hurt where they are pressed: a liner that slides helps"
    return Mend("let the ears fold", {"give_mm": EARS_FOLD_MM}, again.passes, again.pinch_mm, note)


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
    note = "each half is drawn straight off its own way; the joint and its wall are another matter"
    return Mend("split front and back", {"at_y_mm": float(scene.pivot[1])}, min(pinches) >= 0, min(pinches), note)


@dataclass(frozen=True, eq=False)
class Strip:
    """What a trim takes away: what the way meets, through the wall.

    Attributes
    ----------
    corners
        (k, 3, 3) its small triangles, in the frame of the piece's files.
    kept
        (m, 3, 3) those of the piece without it, at the seat.
    depth_mm, area_cm2
        How deep it is at the most, and the skin that is met.
    """

    corners: FloatArray
    kept: FloatArray
    depth_mm: float
    area_cm2: float


def strip_along(scene: Scene, path: Sequence[Pose], seat: Pose) -> Strip | None:
    """Return the strip that a way meets; None where it meets nothing, or more than half of the piece."""
    corners = scene.cover.corners
    hit = met(scene, path, seat)
    if not hit.any() or hit.mean() > 0.5:
        return None
    centres = corners.mean(axis=1)
    gone = _within(centres, centres[hit], WALL_MM)
    if gone.all():
        return None
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    filed = seat.inverse().apply(corners[gone].reshape(-1, 3)).reshape(-1, 3, 3)
    return Strip(filed, corners[~gone], _depth(centres[hit], centres[~gone]), float(area[hit].sum()) / 100)


def _trim(piece: Piece, wearer: Wearer, seat: Pose, found: Passage, options: Search, progress: Progress) -> Mend | None:
    """Take away what the widest way meets, through the wall, if that leaves a piece."""
    strip = strip_along(seated(piece, wearer, seat, progress), found.path, seat)
    if strip is None:
        return None
    price = {"depth_mm": strip.depth_mm, "area_cm2": strip.area_cm2}
    if strip.depth_mm > TRIM_MM:
        note = f"not tried: deeper than {TRIM_MM:g} mm it is no trim, but another piece"
        return Mend("trim the rim", price, False, found.pinch_mm, note, strip.corners)
    kept = Piece(piece.name, (Part(piece.name, _soup(strip.kept)),))
    again = find_passage(kept, wearer, Pose(), options, progress)
    return Mend("trim the rim", price, again.passes, again.pinch_mm, "", strip.corners)


def met(scene: Scene, path: Sequence[Pose], seat: Pose) -> Any:
    """Return which of the cover's small triangles come below their allowance on a way."""
    cover: Cover = scene.cover
    leaves = cover.leaves
    chain = np.array([placement_of(pose, scene.pivot, seat) for pose in path])
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
