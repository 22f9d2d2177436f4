# SPDX-License-Identifier: GPL-3.0-or-later
"""Can it be put on: the passage from the seat to off the body, and its pinch.

A passage is a chain of poses of the piece; its pinch is the least margin along it, the seat included, largest over
all chains searched. Putting on is the same chain from its end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..piece import Piece
from ..pose import Pose
from ..progress import Progress, silent
from ..tolerances import TOLERANCES
from ..verdict import Status
from ..wearer.form import Wearer
from .cells import CELL_MM, Freedoms, WidestWay
from .lift import Scene, meeting, seated, straight_chain, way_out
from .motion import LOOKS, Least, least_along, moved, polished, pose_of

QUICK_CELLS = 2500  # for one of a dozen scales; what stays undecided counts as not passing


@dataclass(frozen=True)
class Search:
    """How a passage is looked for.

    Attributes
    ----------
    pitch_deg
        How far the piece is tilted either way.
    tolerance_mm
        How closely the pinch is to be known.
    most_cells
        Where to stop and give the bounds found.
    decide_only
        Whether to stop as soon as it is known on which side of 0 the pinch lies.
    """

    pitch_deg: float = 75.0
    tolerance_mm: float = 0.3
    most_cells: int = 12_000
    decide_only: bool = False


@dataclass(frozen=True, eq=False)
class Passage:
    """The widest way found.

    Attributes
    ----------
    verdict
        ``pass``, ``fail`` (proved for the freedoms searched), or ``marginal`` where the bounds straddle 0.
    pinch_mm
        Least margin of the path, measured on the triangles; negative where flesh must give by as much.
    floor_mm, bound_mm
        The path's pinch is at least `floor_mm`, motion between the poses included; no path in the freedoms
        searched has a pinch above `bound_mm`.
    at, part, region
        Where it is tightest: a point in the form's frame, the part and the body region that meet.
    where
        ``seat`` if nothing on the way is tighter than the seat itself, else ``way``.
    pinch_pose, pinch_step
        The pose there, and its place along `path` (2.25: a quarter of the way from pose 2 to 3).
    path
        Poses of the piece's files, the seat first, clear of the body last: taking off. Reversed it is putting on.
    straight
        Whether the path is a straight lift.
    out
        (3,) direction off the body.
    freedoms
        What was searched, in words.
    cells
        Size of the proof.
    """

    verdict: Status
    pinch_mm: float
    floor_mm: float
    bound_mm: float
    at: tuple[float, float, float]
    part: str
    region: str
    where: str
    pinch_pose: Pose
    pinch_step: float
    path: tuple[Pose, ...]
    straight: bool
    out: FloatArray
    freedoms: tuple[str, ...]
    cells: int

    @property
    def passes(self) -> bool:
        """Whether the verdict is a pass."""
        return self.verdict is Status.PASS

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        return {
            "passes": self.passes,
            "verdict": self.verdict.value,
            "pinch_mm": round(self.pinch_mm, 3) + 0.0,
            "pinch_bounds_mm": [round(self.floor_mm, 3) + 0.0, round(self.bound_mm, 3) + 0.0],
            "at": [round(v, 3) + 0.0 for v in self.at],
            "part": self.part,
            "region": self.region,
            "where": self.where,
            "pinch_pose": self.pinch_pose.as_dict(),
            "pinch_step": round(self.pinch_step, 3),
            "path": [pose.as_dict() for pose in self.path],
            "straight": self.straight,
            "out": [round(float(v), 4) + 0.0 for v in self.out],
            "freedoms": list(self.freedoms),
            "neck_bend_deg": 0.0,
            "cells": self.cells,
            "doffing": "the path as listed; donning is the same poses in reverse, with the same pinch",
        }


def find_passage(
    piece: Piece, wearer: Wearer, seat: Pose, options: Search = Search(), progress: Progress = silent
) -> Passage:
    """Return the widest way off the body and back.

    Parameters
    ----------
    piece, wearer
        What, and on whom.
    seat
        The worn pose.
    options
        How closely to look.
    progress
        Told the bounds as they close; may cancel.

    Raises
    ------
    InputError
        If the piece has no triangles.
    """
    scene = seated(piece, wearer, seat)
    tight = 2 * TOLERANCES.standoff_mm
    at_seat = least_along(scene.cover, scene.pivot, np.zeros((1, 6)), scene.field, scene.allowances, tight)
    out = way_out(scene)
    line = straight_chain(out, scene.travel(out))
    about = (scene.field, scene.allowances, tight)
    straight = least_along(scene.cover, scene.pivot, line, *about, at_seat)
    progress(0.1, f"passage: a straight lift leaves {straight.margin_mm:.1f} mm")
    chain, least, bound, cells = line, straight, at_seat.margin_mm, 0
    enough = options.decide_only and (straight.floor_mm >= 0 or at_seat.margin_mm < 0)
    if not enough and straight.margin_mm < at_seat.margin_mm - options.tolerance_mm:
        freedoms = _freedoms(scene, out, options)
        search = WidestWay(
            scene.cover,
            freedoms,
            scene.field,
            scene.allowances,
            scene.travel(out),
            at_seat.margin_mm,
            options.tolerance_mm / 2,
            options.most_cells,
        )
        decide = 0.0 if options.decide_only else None
        while True:
            way = search.search(progress, decide)
            bound, cells = min(bound, way.bound_mm), way.cells
            if len(way.chain) < 2:
                break
            six = _to_the_end(freedoms.placements(way.chain), out, line)
            found = least_along(scene.cover, scene.pivot, six, scene.field, scene.allowances, tight, at_seat)
            if found.margin_mm > least.margin_mm:
                chain, least = six, found
            closed = bound - least.margin_mm <= options.tolerance_mm
            settled = options.decide_only and (least.floor_mm >= 0 or bound < 0)
            if closed or settled or cells > options.most_cells or found.margin_mm >= way.margin_mm - 0.01:
                break
            if not search.cut_near(way, found.when):
                break
        if straight.margin_mm >= least.margin_mm - options.tolerance_mm:
            chain, least = line, straight
    if least.floor_mm < least.margin_mm - 2 * tight and least.triangle >= 0:
        least = polished(least, scene.cover, scene.pivot, chain, *about)
    if least.floor_mm < 0 <= least.margin_mm:  # the verdict hangs on it: look longer
        sure = least_along(
            scene.cover, scene.pivot, chain, scene.field, scene.allowances, tight, least, 8 * LOOKS, enough=0.0
        )
        least = replace(least, floor_mm=sure.floor_mm) if sure.margin_mm >= least.margin_mm else sure
    progress(1.0, f"passage: pinch {least.margin_mm:.1f} mm")
    return _answer(scene, seat, out, chain, least, max(bound, least.margin_mm), at_seat, options, cells)


def _answer(
    scene: Scene,
    seat: Pose,
    out: FloatArray,
    chain: FloatArray,
    least: Least,
    bound: float,
    at_seat: Least,
    options: Search,
    cells: int,
) -> Passage:
    low = min(int(least.when), len(chain) - 2)
    share = least.when - low
    placement = chain[low] * (1 - share) + chain[low + 1] * share
    point = moved(least.point[None], placement[None], scene.pivot)[0]
    at, part, region = meeting(scene, point, least.triangle)
    if bound < 0:
        verdict = Status.FAIL
    elif least.margin_mm >= 0 and least.floor_mm >= -options.tolerance_mm:
        verdict = Status.PASS if least.floor_mm >= 0 else Status.MARGINAL
    else:
        verdict = Status.MARGINAL
    return Passage(
        verdict=verdict,
        pinch_mm=least.margin_mm,
        floor_mm=least.floor_mm,
        bound_mm=bound,
        at=at,
        part=part,
        region=region,
        where="seat" if least.margin_mm >= at_seat.margin_mm - 2 * TOLERANCES.standoff_mm else "way",
        pinch_pose=pose_of(placement, scene.pivot, seat),
        pinch_step=least.when,
        path=tuple(pose_of(row, scene.pivot, seat) for row in chain),
        straight=not chain[:, 3:].any(),
        out=out,
        freedoms=("fore-aft", "up", f"pitch within {options.pitch_deg:g} degrees either way"),
        cells=cells,
    )


def _to_the_end(chain: FloatArray, out: FloatArray, line: FloatArray) -> FloatArray:
    """Return a chain (k, 6) with a straight run added until it is as far out as a straight lift ends."""
    rest = float(line[-1, :3] @ out - chain[-1, :3] @ out)
    if rest <= 0:
        return chain
    return np.concatenate([chain, [chain[-1] + np.concatenate([out * rest, np.zeros(3)])]])


def _freedoms(scene: Scene, out: FloatArray, options: Search) -> Freedoms:
    """Return the two translations and the turn that are searched: in the plane of the way out and fore-aft."""
    side = np.array([1.0, 0.0, 0.0]) - out * out[0]
    if np.linalg.norm(side) < 0.5:
        side = np.array([0.0, 1.0, 0.0]) - out * out[1]
    axis = side / np.linalg.norm(side)
    across = np.cross(axis, out)
    far = scene.travel(out)
    turn = CELL_MM / scene.reach
    turns = 2 * int(np.ceil(np.radians(options.pitch_deg) / turn))
    turn = 2 * np.radians(options.pitch_deg) / turns
    wide = 2 * int(np.ceil(scene.reach / CELL_MM))
    below = 2
    count = np.array([wide, int(np.ceil(far / CELL_MM)) + 1 + below, turns])
    size = np.array([CELL_MM, CELL_MM, turn])
    low = np.array([-wide / 2 * CELL_MM, -below * CELL_MM, -turns / 2 * turn])
    return Freedoms(across, out, axis, scene.pivot, low, count, size)


def take_off(
    piece: Piece, wearer: Wearer, seat: Pose, options: Search = Search(), progress: Progress = silent
) -> tuple[tuple[str, ...] | None, dict[tuple[str, ...], Passage]]:
    """Return the smallest set of removable parts to take off, and the passage for every set that was tried.

    Sets are tried smallest first; of one size all are tried, and of those that pass the widest is chosen. None where
    no set helps.
    """
    tried: dict[tuple[str, ...], Passage] = {}
    for size in range(len(piece.removable) + 1):
        for names in combinations(piece.removable, size):
            if len(names) < len(piece.parts):
                tried[names] = find_passage(piece.without(names), wearer, seat, options, progress)
        passing = [n for n in tried if len(n) == size and tried[n].passes]
        if passing:
            return max(passing, key=lambda n: tried[n].pinch_mm), tried
    return None, tried


def smallest_scale(
    piece: Piece,
    wearer: Wearer,
    seat_of: Callable[[Piece], Pose],
    options: Search = Search(),
    progress: Progress = silent,
    span: tuple[float, float] = (0.5, 2.0),
    within: float = 0.0025,
) -> float | None:
    """Return the smallest uniform scale, about the frame's origin, at which the piece passes; None within the span.

    The answer has a way whose measured pinch is at least 0, not yet proved between its looks as `find_passage` proves
    it; for a scale smaller by `within` (a share) none was found. `seat_of` gives the worn pose of a scaled piece;
    for positions as filed it returns ``Pose()``.
    """
    quick = replace(options, decide_only=True, most_cells=min(options.most_cells, QUICK_CELLS))

    def passes(scale: float) -> bool:
        scaled = piece.scaled(scale)
        return find_passage(scaled, wearer, seat_of(scaled), quick, progress).pinch_mm >= 0

    low, high = span
    if passes(1.0):
        high, step = 1.0, 0.98
        while passes(high * step):
            high *= step
            step *= step
            if high <= span[0]:
                return high
        low = high * step
    else:
        low, step = 1.0, 1.02
        while not passes(low * step):
            low *= step
            step *= step
            if low >= span[1]:
                return None
        high = low * step
    while high / low - 1 > within:
        middle = float(np.sqrt(low * high))
        if passes(middle):
            high = middle
        else:
            low = middle
    return high


def check_parts(piece: Piece, names: tuple[str, ...]) -> None:
    """Raise `InputError` where a name is no removable part of the piece."""
    for name in names:
        if name not in piece.removable:
            raise InputError(
                f"there is no removable part '{name}'", source=piece.name, remedy="name a part as its file"
            )
