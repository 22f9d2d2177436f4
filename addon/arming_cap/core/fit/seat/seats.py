# SPDX-License-Identifier: GPL-3.0-or-later
"""A piece at many scales: its pose, its smallest margin, and how its margins would change.

A seated piece answers every change by settling anew. To first order it settles so that the margins of what it rests on
stay even: with weights w over the contacts (the soft minimum's, `CONTACT_MM` deep) and J their slopes in the six
freedoms, a change u of the margins becomes u + J x, where x makes the weighted spread of u + J x least.

What is asked of a seated piece is its *free* margin, of what does not carry it: where it is carried it touches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
from .contact import CARRIES
from .rest import Rest
from .seating import Seater
from .steps import ARM_MM

SEATS = ("fixed", "best")
CONTACT_MM = 3.0
# Freedoms that the contacts hold by less than this share of a full grip hardly move: other places would soon hold them.
SLACK = 0.02
_CONTACTS = 200
_EXACT = 400  # samples with the least free margin, which are asked exactly
# Places that may come to limit the size are looked for this much above the least margin, one in each cell.
_NEAR_MM = 25.0
_CELL_MM = 24.0
_FAR_MM = 1e3  # a margin that limits nothing


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
    ) -> None:
        if seat not in SEATS:
            raise InputError(f"the seat '{seat}' is not known", remedy=f"use {' or '.join(SEATS)}")
        self.piece, self.wearer, self.need = piece, wearer, need_mm
        self.start = start or Pose()
        self.span = LOWEST, HIGHEST  # the scales that may be looked at
        self.span = (LOWEST, HIGHEST)
        self._rests: dict[float, Rest] = {}
        self._exact: dict[float, tuple[float, Place]] = {}
        surface = surface_of(piece)
        if not surface.mesh.areas.any():
            raise InputError("the piece has no surface to size", source=piece.name, remedy="check the mesh")
        self.seater: Seater | None = None
        self.reach = _reach(surface.mesh.vertices - piece.mesh.bounds.mean(axis=0))
        if seat == "best":
            self.seater = Seater(piece, wearer, start, need_mm, pinned, progress=progress)
            self.field = self.seater.field
            self.rate = _reach(surface.mesh.vertices - self.seater.centre)
        else:
            self.field = field_for(piece, wearer, self.start, progress=progress)
            # Samples 2 mm apart stand for large faces, as far as that can be afforded.
            count = int(min(surface.mesh.areas.sum() / 4.0, 50_000))
            self._probe = Probe(self.field, np.concatenate([surface.mesh.vertices, surface.samples(count)[0]]))
            self.rate = _reach(surface.mesh.vertices)

    def rest(self, scale: float) -> Rest:
        """Return how a seated piece rests at a scale."""
        assert self.seater is not None
        if scale not in self._rests:
            self._rests[scale] = self.seater.seat(scale)
        return self._rests[scale]

    def pose(self, scale: float) -> Pose:
        """Return the pose at a scale."""
        return self.start if self.seater is None else self.rest(scale).pose

    def margin(self, scale: float) -> float:
        """Return the smallest margin at a scale (mm), of what is free, by the field at points of the piece."""
        if self.seater is not None:
            return self.rest(scale).free_mm
        value = self._probe.standoff(self.start, scale).astype(np.float64)
        if (self.need == self.need[0]).all():
            return float(np.min(value)) - float(self.need[0])
        rows = label_rows(self.field, self._probe.moved(self.start, scale))
        return float(np.min(value - self.need[rows]))

    def exact(self, scale: float) -> float:
        """Return the smallest margin at a scale (mm), of what is free, exact against the triangles."""
        return self._measured(scale)[0]

    def close_in(self, fails: float, fits: float) -> float | None:
        """Return the scale between two where the exact margin turns; see `scales.close_in`."""
        step = 0.005 * fits
        around = self.margin(fits + step) - self.margin(fits - step) if self.seater is None else 0.0
        slope = min(max(abs(around) / (2 * step), 0.1 * self.rate), self.rate) if around else 0.6 * self.rate
        within = SCALE_TOLERANCE if self.seater is None else SEATED_TOLERANCE
        return close_in(self.exact, fails, fits, slope, within)

    def place(self, scale: float) -> Place:
        """Return where the smallest margin is."""
        return self._measured(scale)[1]

    def measured(self, scale: float, quick: bool = False) -> Clearance:
        """Return the clearance at a scale in full; `quick` on the way to an answer, see `measure`."""
        found = measure(self.piece, self.wearer, self.pose(scale), scale, field=self.field, quick=quick)
        return found if self.seater is None else self.seater.judged(found, self.rest(scale))

    def loosest(self, scale: float, rows: IntArray) -> float:
        """Return the largest, over some of the form's regions, of the least room over the allowance, by the field."""
        probe = self._probe if self.seater is None else self.seater.contact.every.probe
        pose = self.pose(scale)
        value = probe.standoff(pose, scale).astype(np.float64)
        regions = label_rows(self.field, probe.moved(pose, scale))
        least = np.full(len(self.need), np.inf)
        np.minimum.at(least, regions, value)
        room = (least - self.wearer.allowances())[rows]
        return float(np.max(room[np.isfinite(room)], initial=-np.inf))

    def _measured(self, scale: float) -> tuple[float, Place]:
        """Return the smallest free margin at a scale (mm), exact, and where that is."""
        if scale not in self._exact:
            if self.seater is None:
                found = least_margin(self.piece, self.wearer, self.need, self.start, scale, self.field)
                self._exact[scale] = found
            else:
                rest = self.rest(scale)
                exact, rows, points = self.seater.free_exactly(rest, _EXACT)
                k = int(np.argmin(exact - self.need[rows]))
                x, y, z = (float(v) for v in points[k])
                place = Place(self.wearer.form.region_names[rows[k]], self._part_at(points[k], rest), (x, y, z))
                self._exact[scale] = float(exact[k] - self.need[rows[k]]), place
        return self._exact[scale]

    def _part_at(self, point: FloatArray, rest: Rest) -> str:
        """Return the part that a point (3,) of the seated piece belongs to."""
        if len(self.piece.parts) == 1:
            return self.piece.parts[0].name
        back = rest.pose.inverse().apply(point[None])[0] / rest.scale
        away = [float(np.min(((part.mesh.corners.mean(axis=1) - back) ** 2).sum(axis=1))) for part in self.piece.parts]
        return self.piece.parts[int(np.argmin(away))].name


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
    rises
        (m,) of the margins against the press.
    carrier
        The place that carries the piece, whose margin counts as large; None where none does.
    """

    points: FloatArray
    normals: FloatArray
    margins: FloatArray
    regions: IntArray
    triangles: IntArray
    slopes: FloatArray
    free: FloatArray
    rises: FloatArray
    carrier: int | None = None

    def settled(self, change: FloatArray) -> FloatArray:
        """Return changes (m, k) of the margins once the piece has settled anew.

        What carries it keeps touching: the piece rises by what its margin loses. The rest evens out.
        """
        if self.carrier is not None:
            lift = -change[self.carrier] / self.rises[self.carrier]
            change = change + np.outer(self.rises, lift)
            change[self.carrier] = 0.0
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
    pose, scale, carrier = found.pose, found.scale, None
    samples = surface_of(seats.piece).samples(SAMPLES)[0]
    points = np.concatenate([[r.at for r in found.regions.values()], pose.apply(scale * _near(seats, found, samples))])
    if seats.seater is not None:
        rest = seats.rest(scale)
        points = np.concatenate([points, seats.seater.free_exactly(rest, 6 * _CONTACTS)[2][::6]])
        if rest.kind == "rests" and rest.supports:
            # Of several that carry it the one that faces the press most: it alone tells how far the piece is lifted.
            up = seats.seater.up
            bearing = max(rest.supports, key=lambda support: float(np.array(support.at) @ up))
            carrier, points = len(points), np.concatenate([points, [bearing.at]])
    field = seats.field
    standoff, triangles, closest = field.exact(points)
    normals = (points - closest) * np.sign(standoff)[:, None]
    length = np.linalg.norm(normals, axis=1)
    flat = length < 1e-6
    normals[flat] = field.surface.outward(triangles[flat])
    normals /= np.where(flat, 1.0, length)[:, None]
    regions = field.regions_at(triangles)
    slopes, free, rises = np.zeros((len(points), 6)), np.zeros(6), np.zeros(len(points))
    if seats.seater is not None:
        arm = points - pose.apply(scale * seats.seater.centre[None])
        slopes = np.column_stack([normals, np.cross(arm, normals) / ARM_MM])
        free = seats.seater.searched(seats.rest(scale)).astype(float)
        rises = normals @ seats.seater.up
    margins = standoff - seats.need[regions]
    if carrier is not None and seats.seater is not None:  # what carries the piece touches by nature, and limits no size
        margins[(rises >= CARRIES) & seats.seater.contact.can_carry[regions]] = margins[carrier] = _FAR_MM
    return Touch(points, normals, margins, regions, triangles, slopes, free, rises, carrier)


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

    `middle` (3,) is the place about which a seated piece grows, in its files' frame; see `Seater.anchor`.
    """
    own = (at.points - pose.translation_mm) @ pose.rotation / scale
    if middle is not None:  # seated, it grows about its middle as well as about any other point
        own = own - middle
    return at.settled((at.normals @ pose.rotation) * own)


def places_of(at: Touch, slopes: FloatArray, causes: Causes, seats: Seats) -> Places:
    """Return what the law of the size is made from."""
    loads = causes.loads(seats.wearer.form, at.triangles, at.normals, at.regions)
    return Places(at.margins, slopes, -at.settled(-loads), SLOWEST * seats.reach)
