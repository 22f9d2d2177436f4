# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a piece is worn: the pose in which it would stay, as its wearer would put it on.

The law, in the order in which it binds:

1. *It rests.* A piece is pressed onto the form grown by its allowances until something carries it. A helmet is pressed
   by its weight, straight down; a mask or a breastplate by its straps, along its hollow. A place carries where the form
   faces the press by more than `CARRIES` (the cosine of the angle): steeper walls wedge and slide. This is equilibrium
   of a rigid body on a frictionless support, the lowest place it can sink to (textbook statics). Where a piece has no
   such place above it (a ring, a collar) it sinks until its girth stops it, as low as it can; where nothing stops it (a
   bracer on a hanging arm) straps must hold it, and it sits where it has the most room, near where its inside follows
   the body most evenly.
2. *It is worn square.* With a mirror plane of its own it sits with that plane in the wearer's: side, roll and yaw are
   nought. Its pitch stays within `PITCH_DEG` of its level attitude (`attitude`).
3. *It is even where it is free.* Fore-aft is chosen so that the least margin of what does not carry it, as it is worn
   with its padding, is largest; upright walls tell that, for beside the crown a hollow always has little room. A pitch
   must gain more than `LEVEL_MM` a degree squared, and room that is plenty is worth its logarithm (`ROOM_MM`): the
   worth bends down along the pitch faster than any place of the inside can bend it up, so that there is one best pitch
   and the seat moves evenly with the scale. No margin is worth a piece that has slid up to stand on its rim (`LOWER`).
4. *The eyes see.* Where it has openings before the eyes, the padding under what carries it is as much as brings them to
   the eyes, up to the wearer's `padding_mm`, and it is told: a helmet's standing height is its padding. It is tilted to
   see by three degrees at most; what is still covered is told. A mask slides until its openings lie before the eyes.
5. *Too small is too small.* At rest the walls of a piece that is too small lie within the grown form, by its
   *shortfall*. It does not get there: it *stops* where it first touches on its way down, and that pose is the seat.

Terms of helmet standards in use here: the standing height is the distance from the top of the head to the helmet's
inside above it; the helmet position index says how high the brow edge sits above the basic plane (from memory).

Everything is searched in the piece's own axes, so the answer does not hang on how the file holds the piece. What
neither the piece nor its file tells (`attitude`) is asked for: a guess would be a seat that nobody wears.

The parts: `attitude` reads the piece, `laying` lays it on, `contact` presses it down, `search` weighs places and finds
the best, `rest` is the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.clearance import Clearance, field_for, measure
from ...distance.field import Field
from ...distance.surface import surface_of
from ...errors import InputError
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, silent
from ...wearer.form import Wearer
from .attitude import Attitude, as_filed, attitude_of, inner_points
from .contact import TOUCH_MM, Contact
from .eyes import Eyes
from .laying import LACKS_MM, Laying
from .midplane import is_head, wearer_axes
from .rest import Rest, Seat, Support
from .search import FEW, Search
from .steps import ARM_MM, FREEDOMS, Steps, moved

SAMPLES = 24_000  # of the whole surface; about a third is the inner side
_LAID = 800  # of these, to lay the piece on
# What can carry a helmet; ears, nose and jaw give way, or hurt.
CARRIERS = ("crown", "forehead", "occiput", "nape", "parietal", "temple", "shoulder")
# On what a helmet may stand with its rim. Anywhere else a hollow is carried from within: a thimble is no helmet.
STANDS_ON = ("shoulder",)
# So much of a hollow's height, from below, counts as its rim.
RIM_SHARE = 0.5
# A piece that is open along one side (the level part of its inside's vector area, as a share of the area) is not turned
# farther than this about the limb: a greave that is open behind is not worn open beside.
SLOT_SHARE, SLOT_TURNS_DEG = 0.05, 20.0
# The inside of a helmet that fits is about so much broader than a head (the piece's sizes of the demo, no source).
BROADER = 1.2
# Places within this of the tightest carry with it.
SUPPORT_MM = 0.3


class Seater:
    """A piece and a wearer made ready to be seated at many scales.

    Parameters
    ----------
    piece, wearer
        Who wears what.
    start
        Where the file's piece is held; only asked where the form has no head or the piece no attitude of its own.
    need_mm
        (r,) standoff that each region must keep; by default the allowances.
    pinned
        Which of `FREEDOMS` stay as in `start`.

    Raises
    ------
    InputError
        If a freedom is unknown, the piece has no surface, or neither it nor its file tells how it is worn.
    """

    def __init__(
        self,
        piece: Piece,
        wearer: Wearer,
        start: Pose | None = None,
        need_mm: FloatArray | None = None,
        pinned: Sequence[str] = (),
        progress: Progress = silent,
    ) -> None:
        if unknown := [name for name in pinned if name not in FREEDOMS]:
            raise InputError(f"there is no freedom '{unknown[0]}'", remedy=f"the freedoms are {', '.join(FREEDOMS)}")
        self.wearer, self.start = wearer, start or Pose()
        self.pinned, self.padding = tuple(pinned), wearer.padding_mm
        self._surface = surface_of(piece)
        if not self._surface.mesh.areas.any():
            raise InputError("the piece has no surface to seat", source=piece.name, remedy="check the mesh")
        make = attitude_of if is_head(wearer.form) else as_filed
        self.attitude: Attitude = self._surface.kept(make.__name__, lambda: make(self._surface))
        # A ring has no attitude of its own: it is worn about where its file holds it, as a limb's piece is.
        self.head = is_head(wearer.form) and not self.attitude.ring
        if self.head and self.attitude.doubt:
            raise InputError(
                f"cannot tell how it is worn: {self.attitude.doubt}",
                source=piece.name,
                remedy="turn it so that it stands upright, Z up, and faces \N{MINUS SIGN}Y",
            )
        self.field: Field = self._field(piece, wearer, progress)
        self.axes, self.middle = wearer_axes(self.field)
        # Along the press the piece goes where it is carried: that is no freedom of the search.
        shallow = self.attitude.shallow
        self.rest_axis, self.up = 2, self.axes[:, 2]
        if shallow and self.head:
            self.rest_axis, self.up = 1, -self.axes[:, 1]
        elif shallow:  # strapped on along the level axis that its hollow opens to
            hollow = self.start.rotation @ self.attitude.mouth
            self.rest_axis = int(np.argmax(np.abs(hollow[:2])))
            self.up = -np.sign(hollow[self.rest_axis]) * np.eye(3)[self.rest_axis]
        self.centre = self.attitude.middle
        self.steps = Steps(self.axes, self.centre)
        points = self._surface.kept(
            f"inner side, {make.__name__}", lambda: self.attitude.evened(inner_points(self._surface, SAMPLES))
        )
        height = (points - self.centre) @ self.attitude.axes[:, 2]
        helmet = self.head and not shallow
        rim = shallow or self.attitude.ring  # of these any edge may carry
        names = wearer.form.region_names
        self.contact = Contact(
            self.field,
            points,
            height - height.min() > RIM_SHARE * np.ptp(height),
            wearer.allowances() if need_mm is None else need_mm,
            (
                np.array([not helmet or name.startswith(CARRIERS) for name in names]),
                np.array([rim or (helmet and name.startswith(STANDS_ON)) for name in names]),
            ),
            self.up,
        )
        self._laying = Laying(self.field, points[self.attitude.thinned(len(points), _LAID)], self.steps)
        self._few = self.contact.some(self.attitude.thinned(len(points), FEW))
        self._search: Search | None = None
        square = self.head and self.attitude.mirrored
        held = {"side", "roll", "yaw"} if square else set() if self.head else {"yaw"}
        if shallow and not self.head:  # pressed straight on, from where it follows the body most evenly
            held = set(FREEDOMS)
        self.free = np.array([n not in held and n not in self.pinned for n in FREEDOMS])

    @property
    def _slotted(self) -> bool:
        """Whether a limb's piece is open along one side: its file says to which side of the limb that is."""
        return float(np.linalg.norm((self.start.rotation @ self.attitude.mouth)[:2])) * self.attitude.depth > SLOT_SHARE

    def _field(self, piece: Piece, wearer: Wearer, progress: Progress) -> Field:
        if self.head:
            top = wearer.form.mesh.vertices[np.argmax(wearer.form.mesh.vertices[:, 2])]
            size = float(np.linalg.norm(np.ptp(piece.mesh.bounds, axis=0)))
            at = Pose(np.eye(3), top - np.array([0.0, 0.0, 0.35 * size]) - piece.mesh.bounds.mean(axis=0))
            return field_for(piece, wearer, at, progress=progress)
        return field_for(piece, wearer, self.start, progress=progress)

    def seat(self, scale: float = 1.0) -> Rest:
        """Return how the piece rests at a scale of its frame about the origin; no answer hangs on one given before."""
        self._search = search = self._begin(scale)
        search.run()
        return self._told(search)

    def judged(self, found: Clearance, rest: Rest) -> Clearance:
        """Return a clearance measured at a rest, with what is free told apart from what carries the piece."""
        if rest.kind not in ("rests", "stops"):
            return found
        exact, rows, points = self.free_exactly(rest)
        carriers = {support.region for support in rest.supports} if rest.kind == "rests" else set()
        regions = dict(found.regions)
        for name, region in found.regions.items():
            own = np.flatnonzero(rows == self.wearer.form.region_names.index(name))
            k = own[np.argmin(exact[own])] if len(own) else None
            least = np.inf if k is None else float(exact[k])
            lacks = rest.kind == "stops" and least < min(region.min_mm, region.allowance_mm)
            if name not in carriers and not lacks:
                continue
            x, y, z = region.at if k is None else (float(v) for v in points[k])
            regions[name] = replace(region, free_mm=least, at=(x, y, z))
        return replace(found, regions=regions)

    def held(self, scale: float) -> float:
        """Return the least free margin at a scale, mm, with fore-aft, pitch and the like as in the seat found last."""
        search = self._search
        assert search is not None
        pivot = search.base.apply(search.scale * self.centre[None])[0]
        base = Pose(search.base.rotation, pivot - scale * search.base.rotation @ self.centre)
        pose = self.steps.pose_at(base, search.place, scale)
        if search.kind == "rests" and (found := self.contact.rise(pose, scale)) is not None:
            pose = moved(pose, found[0] * self.up)
            pose = moved(pose, search.eyes.lift(pose, scale, self.up, self.padding)[0] * self.up)
        return self.contact.look(pose, scale).least_free(search.kind)[0]

    def searched(self, rest: Rest) -> Any:
        """Return in which freedoms (6,) the piece's place is searched where it rests so."""
        return self._searched(rest.kind)

    def _searched(self, kind: str) -> Any:
        return self.free if kind == "strapped" else self.free & (np.arange(6) != self.rest_axis)

    def free_exactly(self, rest: Rest, count: int = 4000) -> tuple[FloatArray, Any, FloatArray]:
        """Return of the `count` samples with the least free margins: exact standoffs (n,), regions, points (n, 3)."""
        pose, scale = (rest.pose, rest.scale) if rest.kind != "stops" else (rest.would_rest or rest.pose, rest.scale)
        look = self.contact.look(pose, scale)
        free = np.flatnonzero(~look.carries) if rest.kind != "strapped" else np.arange(len(look.margin))
        free = free if len(free) else np.arange(len(look.margin))
        free = free[np.argsort(look.margin[free], kind="stable")[:count]]
        points = pose.apply(scale * self.contact.points[free])
        standoff, triangles, _ = self.field.exact(points)
        return standoff, self.field.regions_at(triangles), points

    def _begin(self, scale: float) -> Search:
        """Return a search that begins where the piece is laid on, and how it is held there."""
        if self.head:
            base = self._laying.on_head(self.attitude, self.middle, self.contact.points, scale)
        else:
            free = np.array([n not in self.pinned for n in FREEDOMS])
            base = self._laying.as_filed(self.start, scale, free)
            if self._slotted and _turn_deg(base, self.start) > SLOT_TURNS_DEG:
                free &= np.array([n != "yaw" for n in FREEDOMS])
                base = self._laying.as_filed(self.start, scale, free)
        kind = "strapped"
        if self.attitude.closed:  # closed all round: it goes onto nothing, and is looked at about its middle
            pass
        elif (found := self.contact.rise(base, scale)) is not None:
            kind, base = "rests", moved(base, found[0] * self.up)
        elif (sunk := self.contact.sink(base, scale)) is not None:
            kind, low = "girth", moved(base, sunk * self.up)
            if not self.head and (found := self.contact.rise(low, scale)) is not None:  # onto shoulders, say
                kind, base = "rests", moved(low, found[0] * self.up)
        if not self.head and "height" not in self.pinned and (kind == "strapped" or self._slotted):
            kind, base = self._strapped(kind, base, scale, free)
        laid, eyes = (base, scale, kind), self._eyes
        return Search(
            (self.contact, self._few), self.steps, laid, self._searched(kind), eyes, self.padding, 1 if self.head else 2
        )

    def _strapped(self, kind: str, base: Pose, scale: float, free: Any) -> tuple[str, Pose]:
        """Return how and where a limb's piece is strapped on, unless it lies as well where it would be carried.

        An open piece need not slide down to what stops it: a bracer that is too narrow for the hand is tied above it.
        """
        lacks = self.contact.look(base, scale).least_free(kind)[0]
        if kind != "strapped" and lacks > -LACKS_MM:
            return kind, base
        laid = self._laying.along(base, scale, free)
        if kind == "strapped" or self.contact.look(laid, scale).least_free("strapped")[0] > lacks:
            return "strapped", laid
        return kind, base

    @cached_property
    def _eyes(self) -> Eyes:
        """The piece's openings, looked for once, at the scale at which it is about as broad as a helmet for this head.

        An edge that was looked for at every scale anew would be another one from one scale to the next.
        """
        landmarks = self.field.form.landmarks
        if not self.head or self.attitude.closed or not landmarks:
            return Eyes(self._surface, {}, self.start, 1.0)
        theirs = float(np.ptp(self._laying.skull() @ self.axes[:, 0]))
        own = float(np.ptp((self.contact.points - self.centre) @ self.attitude.axes[:, 0]))
        scale = BROADER * theirs / max(own, 1e-3)
        base = self._laying.on_head(self.attitude, self.middle, self.contact.points, scale)
        if (found := self.contact.rise(base, scale)) is not None:
            base = moved(base, found[0] * self.up)
        return Eyes(self._surface, landmarks, base, scale)

    def _told(self, search: Search) -> Rest:
        """Return the place found as an answer."""
        scale, kind, place, contact = search.scale, search.kind, search.place, self.contact
        pose, padding, _ = search.set_down(place)
        look = contact.look(pose, scale)
        free, k = look.least_free(kind)
        region = self.wearer.form.region_names[int(look.rows[k])]
        at, would = pose.apply(scale * contact.points[[k]])[0], None
        if kind == "rests" and free < -2 * TOUCH_MM:
            kind, padding, would = "stops", 0.0, pose
            pose = search.stopped(place) or pose
        return Rest(
            pose,
            scale,
            kind,
            self._supports(pose, scale, padding, kind) if kind != "strapped" else (),
            free,
            region,
            (float(at[0]), float(at[1]), float(at[2])),
            padding,
            search.eyes.covered(pose, scale),
            float(np.degrees(place[3] / ARM_MM)),
            would,
            0.5 * scale * float(np.ptp((contact.points - self.centre) @ self.attitude.axes[:, :2], axis=0).min()),
        )

    def _supports(self, pose: Pose, scale: float, padding: float, kind: str) -> tuple[Support, ...]:
        """Return the places that carry the piece, or stop it, one in each region, the tightest first."""
        look = self.contact.look(pose, scale)
        rows = look.rows
        margin = np.where(look.carries, look.margin, np.inf) if kind == "rests" else look.margin
        near = np.flatnonzero(margin < max(padding, float(np.min(margin))) + SUPPORT_MM)
        placed = pose.apply(scale * self.contact.points[near])
        standoff = self.field.exact(placed)[0]
        chosen = []
        for row in dict.fromkeys(rows[near[np.argsort(margin[near], kind="stable")]].tolist()):
            own = np.flatnonzero(rows[near] == row)
            k = own[np.argmin(margin[near[own]])]
            x, y, z = (float(v) for v in placed[k])
            chosen.append(Support(self.wearer.form.region_names[row], float(standoff[k]), (x, y, z)))
        return tuple(chosen)


def _turn_deg(pose: Pose, start: Pose) -> float:
    """Return by how much a pose is turned from another about the upright, without sign."""
    turn = pose.rotation @ start.rotation.T
    return abs(float(np.degrees(np.arctan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1]))))


def seat(
    piece: Piece,
    wearer: Wearer,
    start: Pose | None = None,
    pinned: Sequence[str] = (),
    progress: Progress = silent,
) -> Seat:
    """Return where a piece is worn; see `Seater`.

    Raises
    ------
    InputError
        If a freedom is unknown, or the piece has no surface or comes nowhere near the wearer.
    """
    progress(0.1, f"seating {piece.name}")
    seater = Seater(piece, wearer, start, None, pinned, progress)
    rest = seater.seat()
    progress(0.6, f"seating {piece.name}")
    found = seater.judged(measure(piece, wearer, rest.pose, field=seater.field), rest)
    progress(1.0, f"seating {piece.name}")
    return Seat(rest, found)
