# SPDX-License-Identifier: GPL-3.0-or-later
"""A piece at many scales: its pose, its smallest margin, and how its margins would change.

A seated piece answers every change by settling anew. To first order it settles so that the margins of what it rests on
stay even: with weights w over the contacts (the soft minimum's, `CONTACT_MM` deep) and J their slopes in the six
freedoms, a change u of the margins becomes u + J x, where x makes the weighted spread of u + J x least.

A seat that is to be an answer is *settled*: the seater climbs by its samples, the place that an exact measurement then
finds tightest is watched from there on, and it climbs again, until nothing is gained.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray, IntArray
from ...distance.clearance import SAMPLES, Clearance, field_for, label_rows, least_margin, measure
from ...distance.field import Probe
from ...distance.surface import surface_of
from ...errors import InputError
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, silent
from ...verdict import Place
from ...wearer.form import Wearer
from ..size.causes import Causes
from ..size.scales import HIGHEST, LOWEST, SCALE_TOLERANCE, SEATED_TOLERANCE, close_in
from ..size.uncertainty import SLOWEST, Places
from .seating import ARM_MM, CLIMB, Seater

SEATS = ("fixed", "best")
Seen = tuple[dict[float, tuple[Pose, float]], dict[float, tuple[Pose, float, Place]]]
CONTACT_MM = 3.0
# Freedoms that the contacts hold by less than this share of a full grip hardly move: other places would soon hold them.
SLACK = 0.02
_CONTACTS = 200
# Steps in the freedoms (mm, and mm of turn at `ARM_MM`) from which a seat that will be the answer is looked for again.
_ABOUT = [(0, s * 2.0, -1.0, s * 4.0, 0, 0) for s in (1, -1)] + [
    (s * 1.5, 0, -1.0, 0, s * 3.0, s * 4.0) for s in (1, -1)
]
_NEXT = 0.01  # scales so near that a seat at one is a start for climbing at the other
_CLIMB = (0.3, 80)  # like `CLIMB`, near the seat
# Places that may come to limit the size are looked for this much above the least margin, one in each cell.
_NEAR_MM = 25.0
_CELL_MM = 24.0


class Seats:
    """A piece on a wearer, at any scale about the files' origin.

    Parameters
    ----------
    piece, wearer
        Who wears what.
    need_mm
        (r,) standoff that each region must keep.
    seat
        ``fixed`` to leave the piece at `start`, ``best`` to seat it at every scale, beginning there.
    start
        Applied after scaling.
    pinned
        Freedoms that seating must leave alone.
    rest
        A scale and the pose the piece was found to rest in there, if that is known already.
    """

    def __init__(
        self,
        piece: Piece,
        wearer: Wearer,
        need_mm: FloatArray,
        seat: str,
        start: Pose | None = None,
        pinned: Sequence[str] = (),
        progress: Progress = silent,
        rest: tuple[float, Pose] | None = None,
    ) -> None:
        if seat not in SEATS:
            raise InputError(f"the seat '{seat}' is not known", remedy=f"use {' or '.join(SEATS)}")
        self.piece, self.wearer, self.need = piece, wearer, need_mm
        self.start = start or Pose()
        self.span = LOWEST, HIGHEST  # the scales that may be looked at
        self._known: dict[float, tuple[Pose, float]] = {}
        self._exact: dict[float, tuple[Pose, float, Place]] = {}
        surface = surface_of(piece)
        if not surface.mesh.areas.any():
            raise InputError("the piece has no surface to size", source=piece.name, remedy="check the mesh")
        self.seater: Seater | None = None
        self.reach = _reach(surface.mesh.vertices - piece.mesh.bounds.mean(axis=0))
        if seat == "best":
            self.seater = Seater(piece, wearer, start, pinned=pinned, progress=progress)
            self.seater.need = need_mm
            if rest is not None:
                self._known[rest[0]] = (rest[1], self.seater.rest(rest[1], rest[0]))
            self.field = self.seater.field
            self.rate = _reach(surface.mesh.vertices - self.seater.centre)
        else:
            self.field = field_for(piece, wearer, self.start, progress=progress)
            # Samples 2 mm apart stand for large faces, as far as that can be afforded.
            count = int(min(surface.mesh.areas.sum() / 4.0, 50_000))
            self._probe = Probe(self.field, np.concatenate([surface.mesh.vertices, surface.samples(count)[0]]))
            self.rate = _reach(surface.mesh.vertices)

    def pose(self, scale: float) -> Pose:
        """Return the pose at a scale."""
        if self.seater is None:
            return self.start
        return self._exact[scale][0] if scale in self._exact else self._seated(scale)[0]

    def margin(self, scale: float) -> float:
        """Return the smallest margin at a scale (mm), by the field at points of the piece."""
        if self.seater is not None:
            return self._seated(scale)[1]
        value = self._probe.standoff(self.start, scale).astype(np.float64)
        if (self.need == self.need[0]).all():
            return float(np.min(value)) - float(self.need[0])
        rows = label_rows(self.field, self._probe.moved(self.start, scale))
        return float(np.min(value - self.need[rows]))

    def exact(self, scale: float) -> float:
        """Return the smallest margin at a scale (mm), exact against the triangles."""
        return self._measured(scale)[1]

    def close_in(self, fails: float, fits: float) -> float | None:
        """Return the scale between two where the exact margin turns; see `scales.close_in`."""
        step = 0.005 * fits
        around = self.margin(fits + step) - self.margin(fits - step) if self.seater is None else 0.0
        slope = min(max(abs(around) / (2 * step), 0.1 * self.rate), self.rate) if around else 0.6 * self.rate
        within = SCALE_TOLERANCE if self.seater is None else SEATED_TOLERANCE
        return close_in(self.exact, fails, fits, slope, within)

    def place(self, scale: float) -> Place:
        """Return where the smallest margin is."""
        return self._measured(scale)[2]

    def measured(self, scale: float, quick: bool = False) -> Clearance:
        """Return the clearance at a scale in full; `quick` on the way to an answer, see `measure`."""
        return measure(self.piece, self.wearer, self.pose(scale), scale, field=self.field, quick=quick)

    def loosest(self, scale: float, rows: IntArray) -> float:
        """Return the largest, over some of the form's regions, of the least room over the allowance, by the field."""
        probe = self._probe if self.seater is None else self.seater.probe
        pose = self.pose(scale)
        value = probe.standoff(pose, scale).astype(np.float64)
        regions = label_rows(self.field, probe.moved(pose, scale))
        least = np.full(len(self.need), np.inf)
        np.minimum.at(least, regions, value)
        room = (least - self.wearer.allowances())[rows]
        return float(np.max(room[np.isfinite(room)], initial=-np.inf))

    def seat_afresh(self, scale: float, anew: bool) -> bool:
        """Seat the piece again at a scale, from about its seat and `anew` from the start; return whether any is better.

        Where regions with unlike needs meet there are many places from which every way leads down.
        """
        assert self.seater is not None
        known = self._measured(scale)
        starts = [self.seater.moved(known[0], np.array(step), scale) for step in _ABOUT]
        if anew:
            starts.append(self.seater.seat(scale)[0])
        climbs = [self.seater.climbed(pose, scale, *_CLIMB) for pose in starts]
        worths = [self._least(pose, scale)[0] - cost for pose, _, cost in climbs]
        fresh = self._settled(climbs[int(np.argmax(worths))][0], scale)
        if fresh[1] <= known[1] + 0.02:
            return False
        # What was found from the other seat would lead back to it.
        self._exact, self._known = {scale: fresh}, {scale: fresh[:2]}
        return True

    def seen(self) -> Seen:
        """Return the seats known by now, for `see`."""
        return self._known, self._exact

    def see(self, seen: Seen) -> None:
        """Go back to what was known."""
        self._known, self._exact = seen

    def _measured(self, scale: float) -> tuple[Pose, float, Place]:
        """Return the pose at a scale, its smallest margin (mm), exact, and where that is."""
        if scale not in self._exact:
            if self.seater is None:
                self._exact[scale] = (self.start, *self._least(self.start, scale))
            else:
                nearest = min(self._exact, key=lambda s: abs(s - scale), default=np.inf)
                near = abs(nearest / scale - 1) < _NEXT
                begin = self._grown(self._exact[nearest][0], nearest, scale) if near else self._seated(scale)[0]
                self._exact[scale] = self._settled(begin, scale, near)
        return self._exact[scale]

    def _least(self, pose: Pose, scale: float) -> tuple[float, Place]:
        return least_margin(self.piece, self.wearer, self.need, pose, scale, self.field)

    def _settled(self, pose: Pose, scale: float, near: bool = False) -> tuple[Pose, float, Place]:
        """Return the best pose about one, its smallest margin, exact, and where that is.

        The seater looks at samples; what lies between them and turns out to be tightest it looks at from then on.
        """
        assert self.seater is not None
        best = (pose, *self._least(pose, scale))
        worth, at = best[1] - self.seater.cost(pose, scale), best
        for climb in (CLIMB, _CLIMB) if near else (CLIMB, _CLIMB, _CLIMB, _CLIMB):
            self.seater.watch(at[0], scale, np.array(at[2].at), self.wearer.form.region_names.index(at[2].region))
            new, _, cost = self.seater.climbed(best[0], scale, *climb)
            at = (new, *self._least(new, scale))
            gained = at[1] - cost - worth
            if gained > 0:
                best, worth = at, at[1] - cost
                if gained < 0.01:
                    break
        return best

    def _grown(self, pose: Pose, before: float, scale: float) -> Pose:
        """Return the pose at a scale of a piece grown about its middle from another: that is then nearly its seat."""
        assert self.seater is not None
        shift = (before - scale) * (pose.rotation @ self.seater.centre)
        return replace(pose, translation_mm=pose.translation_mm + shift)

    def _seated(self, scale: float) -> tuple[Pose, float]:
        assert self.seater is not None
        if scale in self._known:
            return self._known[scale]
        if not self._known:
            self._known[scale] = self.seater.seat(scale)
            return self._known[scale]
        nearest = min(self._known, key=lambda s: abs(s - scale))
        begin = self._grown(self._known[nearest][0], nearest, scale)
        self._known[scale] = self.seater.seat(scale, begin, near=True)
        return self._known[scale]


def _reach(points: FloatArray) -> float:
    """Return how far the farthest of some points (n, 3) is from the origin."""
    return float(np.sqrt(np.max((points**2).sum(axis=1))))


@dataclass(frozen=True, eq=False)
class Touch:
    """Where a piece touches or may come to touch at one scale, (m,) places.

    Attributes
    ----------
    points, normals
        (m, 3) of the piece in the form's frame, and the way straight off the form there.
    margins, regions, triangles
        (m,) mm, rows of the form's regions, and its nearest triangles.
    slopes
        (m, 6) of the margins in the freedoms, as `Seater` counts them; zero where the piece does not settle.
    free
        (6,) which freedoms it settles in.
    """

    points: FloatArray
    normals: FloatArray
    margins: FloatArray
    regions: IntArray
    triangles: IntArray
    slopes: FloatArray
    free: FloatArray

    def settled(self, change: FloatArray) -> FloatArray:
        """Return changes (m, k) of the margins once the piece has settled anew."""
        free = np.flatnonzero(self.free)
        if not len(free):
            return change
        weight = np.exp(-(self.margins - self.margins.min()) / CONTACT_MM)
        weight /= weight.sum()
        slopes = self.slopes[:, free]
        about = slopes - weight @ slopes
        off = change - weight @ change
        bend = about.T @ (weight[:, None] * about) + SLACK * np.eye(len(free))
        return change + slopes @ np.linalg.solve(bend, -about.T @ (weight[:, None] * off))


def touch(seats: Seats, found: Clearance) -> Touch:
    """Return the places of a clearance: each region's nearest, what is near all over, what the piece rests on."""
    pose, scale = found.pose, found.scale
    samples = surface_of(seats.piece).samples(SAMPLES)[0]
    points = np.concatenate([[r.at for r in found.regions.values()], pose.apply(scale * _near(seats, found, samples))])
    if seats.seater is not None:
        near = np.argsort(seats.seater.margins(pose, scale), kind="stable")[:_CONTACTS]
        points = np.concatenate([points, pose.apply(scale * seats.seater.points[near])])
    field = seats.field
    standoff, triangles, closest = field.exact(points)
    normals = (points - closest) * np.sign(standoff)[:, None]
    length = np.linalg.norm(normals, axis=1)
    flat = length < 1e-6
    normals[flat] = field.surface.outward(triangles[flat])
    normals /= np.where(flat, 1.0, length)[:, None]
    regions = field.regions_at(triangles)
    slopes, free = np.zeros((len(points), 6)), np.zeros(6)
    if seats.seater is not None:
        arm = points - pose.apply(scale * seats.seater.centre[None])
        slopes = np.column_stack([normals, np.cross(arm, normals) / ARM_MM])
        free = seats.seater.free.astype(float)
    return Touch(points, normals, standoff - seats.need[regions], regions, triangles, slopes, free)


def _near(seats: Seats, found: Clearance, samples: FloatArray) -> FloatArray:
    """Return of each cell of `_CELL_MM` the sample (n, 3) with the least margin, where that is not large."""
    field = seats.field
    probe = Probe(field, samples)
    placed = probe.moved(found.pose, found.scale)
    margin = probe.standoff(found.pose, found.scale) - seats.need[label_rows(field, placed)]
    order = np.argsort(margin, kind="stable")
    order = order[margin[order] < margin[order[0]] + _NEAR_MM]
    _, first = np.unique(np.floor(placed.T[order] / _CELL_MM), axis=0, return_index=True)
    return samples[order[np.sort(first)]]


def growth(at: Touch, pose: Pose, scale: float, middle: FloatArray | None = None) -> FloatArray:
    """Return how the margins change per unit of scale along each of the piece's own axes, (m, 3).

    `middle` (3,) is that of a seated piece, in its files' frame.
    """
    own = (at.points - pose.translation_mm) @ pose.rotation / scale
    if middle is not None:  # seated, it grows about its middle as well as about any other point
        own = own - middle
    return at.settled((at.normals @ pose.rotation) * own)


def places_of(at: Touch, slopes: FloatArray, causes: Causes, seats: Seats) -> Places:
    """Return what the law of the size is made from."""
    loads = causes.loads(seats.wearer.form, at.triangles, at.normals, at.regions)
    return Places(at.margins, slopes, -at.settled(-loads), SLOWEST * seats.reach)
