# SPDX-License-Identifier: GPL-3.0-or-later
"""Can it be put on: the passage from the seat to off the body, and its pinch.

A passage is a chain of poses of the piece; its pinch is the least margin along it, the seat included, largest over
all chains searched. Putting on is the same chain from its end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.motion import Least, least_along, moved, pose_of
from ...piece import Part, Piece
from ...pose import Pose, rotation_about
from ...progress import Progress, silent
from ...tolerances import TOLERANCES
from ...verdict import Status
from ...wearer.form import Wearer
from .bow import bowed
from .enclosed import enclosed_depth
from .lift import Meeting, Scene, meeting, seated
from .search import FINE, Found, Search, find_way
from .springs import sprung
from .subdivide import BELOW, ROOT_MM

BENDS = (0.5, 1.0, -1.0)  # shares of the neck's range that are tried


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
        `proved_in` has a pinch above `bound_mm`. A path that turns in other freedoms too may be wider than that.
    at, part, region
        Where it is tightest: a point in the form's frame, the part and the body region that meet.
    where
        ``seat`` if nothing on the way is tighter than the seat itself, else ``way``; ``swing`` where a hinged part
        that swings open is tightest.
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
    proved_in
        The freedoms for which `bound_mm` is proved; empty where it holds for all, as it does for the seat's own margin.
    cells
        Size of the proof.
    motion
        (k, 6) the path as `find_way` has it: placements from the seat.
    neck_bend_deg
        How far the head bows on the way, forwards if positive; 0 where the form is rigid.
    springs_mm
        How far the slit is held open on the way; 0 where the piece is rigid.
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
    proved_in: tuple[str, ...]
    cells: int
    motion: FloatArray
    neck_bend_deg: float = 0.0
    springs_mm: float = 0.0

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
            "bound_mm": round(self.bound_mm, 3) + 0.0,
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
            "proved_in": list(self.proved_in),
            "neck_bend_deg": round(self.neck_bend_deg, 3) + 0.0,
            "springs_mm": round(self.springs_mm, 3) + 0.0,
            "cells": self.cells,
            "doffing": "the path as listed; donning is the same poses in reverse, with the same pinch",
        }


def find_passage(
    piece: Piece,
    wearer: Wearer,
    seat: Pose,
    options: Search = Search(),  # noqa: B008  frozen
    progress: Progress = silent,
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
    opens_mm, options = options.springs_mm, replace(options, springs_mm=0.0)
    way = find_way(seated(piece, wearer, seat), options, progress)
    found = _answer(way, seat, options)
    if opens_mm and not found.passes and way.at_seat.margin_mm >= 0:  # no slit makes room at the seat
        found = _springing(piece, wearer, seat, opens_mm, options, progress, found)
    if options.neck_bend_deg and not found.passes:
        found = _bowing(piece, wearer, seat, options, progress, found)
        if not found.neck_bend_deg:
            tried = f"head bowed up to {options.neck_bend_deg:g} degrees on the neck either way: no wider way found"
            found = replace(found, freedoms=(*found.freedoms, tried))
    progress(1.0, f"passage: pinch {found.pinch_mm:.1f} mm")
    return found


def _springing(
    piece: Piece, wearer: Wearer, seat: Pose, opens_mm: float, options: Search, progress: Progress, found: Passage
) -> Passage:
    """Return the passage with the slit held open on the way, where that is wider; it opens and closes at the seat."""
    opened = sprung(piece, opens_mm)
    if opened is piece:
        return replace(found, freedoms=(*found.freedoms, "nothing springs: no slit runs from end to end"))
    one = _answer(find_way(seated(opened, wearer, seat), options, progress), seat, options)
    for share in (0.0, 1 / 3, 2 / 3):
        one = _resting(one, seated(sprung(piece, share * opens_mm), wearer, seat), seat)
    if one.pinch_mm <= found.pinch_mm:
        return found
    said = f"the slit held open by {opens_mm:g} mm on the way, as stated"
    return replace(one, springs_mm=opens_mm, freedoms=(*one.freedoms, said))


def _resting(found: Passage, scene: Scene, seat: Pose) -> Passage:
    """Return a passage no wider than a scene at its seat."""
    rest = least_along(scene.cover, scene.pivot, np.zeros((1, 6)), scene.field, scene.allowances, FINE)
    if rest.margin_mm >= found.pinch_mm:
        return found
    return _tighter(found, rest, meeting(scene, rest.point, rest.triangle), "seat", seat)


def _bowing(piece: Piece, wearer: Wearer, seat: Pose, options: Search, progress: Progress, found: Passage) -> Passage:
    """Return the widest passage over a few bends of the neck, held on the way and straightened at the seat."""
    for share in BENDS:
        bend = share * options.neck_bend_deg
        bent = replace(wearer, form=bowed(wearer.form, bend))
        one = _answer(find_way(seated(piece, bent, seat), options, progress), seat, options)
        for part in (1 / 3, 2 / 3):  # raising the head again, the piece on it
            one = _resting(one, seated(piece, replace(wearer, form=bowed(wearer.form, part * bend)), seat), seat)
        if one.pinch_mm > found.pinch_mm:
            kept = f"head bowed by {bend:g} degrees on the neck, of {options.neck_bend_deg:g} either way"
            found = replace(one, neck_bend_deg=bend, freedoms=(*one.freedoms, kept))
        if found.passes:
            break
    return found


def _answer(found: Found, seat: Pose, options: Search) -> Passage:
    scene, chain, least, bound = found.scene, found.chain, found.least, found.bound
    low = min(int(least.when), len(chain) - 2)
    share = least.when - low
    placement = chain[low] * (1 - share) + chain[low + 1] * share
    point = moved(least.point[None], placement[None], scene.pivot)[0]
    at, part, region = meeting(scene, point, least.triangle)
    closed = False
    if bound >= 0 and least.margin_mm < 0 and (depth := enclosed_depth(scene)) is not None:
        bound = max(-depth - float(scene.allowances.min()), least.margin_mm)
        closed = True
    if least.margin_mm >= 0 and least.floor_mm >= 0:
        verdict = Status.PASS  # in six freedoms, whatever is proved of three
    else:
        verdict = Status.FAIL if bound < 0 and least.margin_mm < 0 else Status.MARGINAL
    pitch = f"within {options.pitch_deg:g} degrees either way"
    back = f"and back by {BELOW * ROOT_MM:g} mm"
    freedoms: tuple[str, ...] = ("fore-aft", f"up, {back}", f"pitch {pitch}")
    if found.out[2] < 1 - 1e-9:
        out = ", ".join(f"{v:.2f}" for v in found.out + 0.0)
        freedoms = (f"along {out}, {back}", "square to it in one plane", f"a turn in that plane {pitch}")
    if found.planes > 1:
        freedoms += (f"or out, square to that plane, and a turn there {pitch}",)
    whatever = closed or not found.cells or bound >= found.at_seat.margin_mm
    proved_in = () if whatever else freedoms
    if found.planes:
        freedoms += ("the way found widened in side, roll and yaw too",)
    return Passage(
        verdict=verdict,
        pinch_mm=least.margin_mm,
        floor_mm=least.floor_mm,
        bound_mm=bound,
        at=at,
        part=part,
        region=region,
        where="seat" if least.margin_mm >= found.at_seat.margin_mm - 2 * TOLERANCES.standoff_mm else "way",
        pinch_pose=pose_of(placement, scene.pivot, seat),
        pinch_step=least.when,
        path=tuple(pose_of(row, scene.pivot, seat) for row in chain),
        straight=not chain[:, 3:].any(),
        out=found.out,
        freedoms=freedoms,
        proved_in=proved_in,
        cells=found.cells,
        motion=chain,
    )


def take_off(
    piece: Piece,
    wearer: Wearer,
    seat: Pose,
    options: Search = Search(),  # noqa: B008  frozen
    progress: Progress = silent,
    fails_measured: bool = True,
) -> tuple[tuple[str, ...] | None, dict[tuple[str, ...], Passage]]:
    """Return the smallest set of removable parts to take off, and the passage for every set that was tried.

    Sets are tried smallest first. Each is decided; of one size all are, and those that pass are measured, to choose
    the widest. None where no set helps: then the whole piece is measured, if that is asked for (`fails_measured`).
    """
    if not piece.removable and fails_measured:
        found = find_passage(piece, wearer, seat, options, progress)
        return (() if found.passes else None), {(): found}
    tried: dict[tuple[str, ...], Passage] = {}
    quick = replace(options, decide_only=True)

    def look(names: tuple[str, ...], how: Search) -> Passage:
        found = find_passage(out_of_the_way(piece, names), wearer, seat, how, progress)
        return _with_swing(found, piece, names, wearer, seat)

    for size in range(len(piece.removable) + 1):
        for names in combinations(piece.removable, size):
            if len(names) < len(piece.parts):
                tried[names] = look(names, quick)
        passing = [n for n in tried if len(n) == size and tried[n].passes]
        if passing and not options.decide_only:
            for names in passing:
                measured = look(names, options)
                if measured.pinch_mm > tried[names].pinch_mm:
                    tried[names] = measured
        if passing:
            return max(passing, key=lambda n: tried[n].pinch_mm), tried
    if not options.decide_only and fails_measured:
        measured = look((), options)
        if measured.verdict is Status.FAIL or tried[()].verdict is not Status.FAIL:
            tried[()] = measured
    return None, tried


def out_of_the_way(piece: Piece, names: tuple[str, ...]) -> Piece:
    """Return the piece with some parts off, or swung open where they hang on a hinge."""
    hinged = [p.name for p in piece.parts if p.name in names and p.hinge is not None]
    rest = piece.without(set(names) - set(hinged))
    return replace(rest, parts=tuple(_opened(p) if p.name in hinged else p for p in rest.parts))


def out_in_words(piece: Piece, names: tuple[str, ...]) -> str:
    """Return how parts are out of the way, in words: ``face off and visor open``."""
    hinged = {part.name for part in piece.parts if part.hinge is not None}
    return " and ".join(f"{name} {'open' if name in hinged else 'off'}" for name in names)


def _opened(part: Part) -> Part:
    hinge = part.hinge
    assert hinge is not None
    turn = rotation_about(hinge.axis, hinge.opens_deg)
    return replace(part, mesh=part.mesh.moved(Pose(turn, hinge.point_mm - turn @ hinge.point_mm)), hinge=None)


def _with_swing(found: Passage, piece: Piece, names: tuple[str, ...], wearer: Wearer, seat: Pose) -> Passage:
    """Return a passage no wider than its hinged parts are when they swing open at the seat."""
    for part in piece.parts:
        if part.name not in names or part.hinge is None:
            continue
        scene = seated(Piece(part.name, (part,)), wearer, seat)
        hinge = scene.piece.parts[0].hinge
        assert hinge is not None
        axis = hinge.axis / np.linalg.norm(hinge.axis)
        angles = np.radians(np.linspace(0.0, hinge.opens_deg, max(2, int(abs(hinge.opens_deg) / 5) + 1)))
        chain = np.column_stack([np.zeros((len(angles), 3)), angles[:, None] * axis])
        least = least_along(scene.cover, hinge.point_mm, chain, scene.field, scene.allowances, FINE)
        if least.margin_mm < found.pinch_mm:
            low = min(int(least.when), len(chain) - 2)
            there = chain[low] + (least.when - low) * (chain[low + 1] - chain[low])
            point = moved(least.point[None], there[None], hinge.point_mm)[0]
            found = _tighter(found, least, meeting(scene, point, least.triangle), "swing", seat)
    return found


def _tighter(found: Passage, least: Least, met: Meeting, where: str, seat: Pose) -> Passage:
    """Return a passage whose pinch is not on its path: the piece stands at its seat meanwhile."""
    verdict = found.verdict
    if least.floor_mm < 0:
        verdict = Status.FAIL if least.margin_mm < 0 else Status.MARGINAL
    at, part, region = met
    return replace(
        found,
        verdict=verdict,
        pinch_mm=least.margin_mm,
        floor_mm=least.floor_mm,
        bound_mm=min(found.bound_mm, least.margin_mm),
        at=at,
        part=part,
        region=region,
        where=where,
        pinch_pose=seat,
        pinch_step=0.0,
    )
