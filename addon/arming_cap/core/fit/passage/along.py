# SPDX-License-Identifier: GPL-3.0-or-later
"""The margin at each pose of a passage: where on the way it is tight.

A curve to look at, not a proof: the pinch, which is proved, was found by the search.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.margins import margins_of
from ...distance.motion import moved, placement_of, pose_of
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, silent
from ...wearer.form import Wearer
from .bow import bowed
from .donning import Passage, out_of_the_way
from .lift import Scene, all_the_way, seated
from .search import FINE
from .springs import sprung
from .widen import tightest

CLEAR_MM = 20.0  # with so much margin for good the piece is off, and the rest of the way says nothing
STATIONS = 25
GRID_ERRS_MM = 0.5  # by how much the grid may take one point for tighter than another; more than has been seen


@dataclass(frozen=True, eq=False)
class Along:
    """Poses along a way, the seat first, and how much room each leaves.

    Attributes
    ----------
    piece, wearer
        What moves, with parts off as they are for the passage, and the wearer as they hold their head.
    seat
        The worn pose.
    steps
        (k,) places along `Passage.path`, ascending; the pinch's is one of them.
    way_mm
        (k,) how far the corners of the piece's box have come from the seat, in the mean.
    margin_mm
        (k,) least margin in each pose of the piece's corners and of the middles of bits of its faces no larger than
        `cover.LEAF_MM`, by exact distances: no less than the true one, and above it by what such a bit bulges, mostly
        less than 0.1 mm. At the pinch that of the passage.
    poses
        (k) of the piece's files.
    pinch
        Which of them is the pinch.
    """

    piece: Piece
    wearer: Wearer
    seat: Pose
    steps: FloatArray
    way_mm: FloatArray
    margin_mm: FloatArray
    poses: tuple[Pose, ...]
    pinch: int

    def as_list(self) -> list[dict[str, Any]]:
        """Return it as JSON shows it."""
        return [
            {"step": round(float(s), 3), "way_mm": round(float(w), 2) + 0.0, "margin_mm": round(float(m), 3) + 0.0}
            for s, w, m in zip(self.steps, self.way_mm, self.margin_mm, strict=True)
        ]


def margins_along(
    piece: Piece,
    wearer: Wearer,
    seat: Pose,
    found: Passage,
    off: tuple[str, ...] = (),
    progress: Progress = silent,
) -> Along:
    """Return the margin at some poses of a passage, from the seat to where the piece is clear of the body.

    Parameters
    ----------
    piece, wearer, seat, found, off
        What `take_off` was asked, the passage that is looked at, and the parts that are off for it.
    progress
        Told how far it is; may cancel.
    """
    free = out_of_the_way(piece, off)
    if found.neck_bend_deg:
        wearer = replace(wearer, form=bowed(wearer.form, found.neck_bend_deg))
    at_seat = scene = seated(free, wearer, seat)
    if found.springs_mm:
        scene = seated(sprung(free, found.springs_mm), wearer, seat)
    scene = all_the_way(scene, found.out)
    chain = np.array([placement_of(pose, scene.pivot, seat) for pose in found.path])
    way = np.concatenate([[0.0], np.cumsum(_travel(chain, scene))])
    last = _last_near(chain, scene)
    steps = np.interp(np.linspace(0.0, way[last], STATIONS), way, np.arange(len(way)))
    steps = np.unique(np.append(steps, np.clip(found.pinch_step, 0.0, len(chain) - 1)).round(6))
    placed = np.stack([np.interp(steps, np.arange(len(chain)), column) for column in chain.T], axis=1)
    pinch = int(np.abs(steps - found.pinch_step).argmin())
    progress(0.0, "passage: margins along the way")
    margins = np.concatenate([_least_at(placed[:1], at_seat), _least_at(placed[1:], scene)])
    if found.where != "swing":
        # The search tells the pinch to `FINE`: what is found below it by less is as good as it.
        margins[(margins < found.pinch_mm) & (margins > found.pinch_mm - FINE)] = found.pinch_mm
        margins[pinch] = min(margins[pinch], found.pinch_mm)
    poses = tuple(pose_of(row, scene.pivot, seat) for row in placed)
    along = np.interp(steps, np.arange(len(way)), way)
    return Along(free, wearer, seat, steps, along, margins, poses, pinch)


def _least_at(placed: FloatArray, scene: Scene) -> FloatArray:
    """Return the least margins (k,) in placements (k, 6): exact at what the grid holds for nearly tightest."""
    margins, forest = margins_of(scene.field, scene.allowances), scene.forest
    near = tightest(placed, forest, scene.pivot, margins, GRID_ERRS_MM, 0.0, np.inf)[0]
    size = [len(rows) for rows in near]
    there = moved(forest.centres[np.concatenate(near)], np.repeat(placed, size, axis=0), scene.pivot)
    return np.minimum.reduceat(margins.exact(there)[0], np.cumsum(size) - size)


def _travel(chain: FloatArray, scene: Scene) -> FloatArray:
    """Return how far the corners of the piece's box move in the mean between placements (k, 6), (k-1,)."""
    low, high = scene.piece.mesh.bounds
    corners = np.array(list(product(*zip(low, high, strict=True))))
    places = np.stack([moved(np.broadcast_to(c, (len(chain), 3)), chain, scene.pivot) for c in corners])
    travel: FloatArray = np.linalg.norm(np.diff(places, axis=1), axis=2).mean(axis=0)
    return travel


def _last_near(chain: FloatArray, scene: Scene) -> int:
    """Return the first placement of a chain (k, 6) from which on the piece is clear of the body, by the grid."""
    rows = np.arange(scene.cover.roots)
    for _ in range(2):
        rows = scene.cover.children(rows)
    points, most = scene.cover.centres[rows], float(scene.allowances.max())
    for number in range(len(chain) - 1, 0, -1):
        there = moved(points, np.broadcast_to(chain[number], (len(points), 6)), scene.pivot)
        if scene.field.standoff(there).min() - most < CLEAR_MM:
            return min(number + 1, len(chain) - 1)
    return len(chain) - 1
