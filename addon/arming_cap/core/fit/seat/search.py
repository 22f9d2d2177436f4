# SPDX-License-Identifier: GPL-3.0-or-later
"""The search for a seat at one scale: what a place is worth by the law of `seating`, and the best place."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...pose import Pose
from .climb import climbed
from .contact import LEASH_MM, Contact, Points
from .eyes import Eyes
from .lines import climbed_by, narrowed
from .steps import ARM_MM, Steps, moved

FEW = 2500  # points, for a first look
# Beyond ten degrees a wearer looks under the brim or over the slit (common practice, no source).
PITCH_DEG = 10.0
# What a degree squared off level must gain in margin, mm: two and a half at five degrees. A tilt moves no place of a
# helmet's inside along a curve that bends up by more than that, so there is one best pitch, and it moves evenly.
LEVEL_MM = 0.1
# Room is worth its logarithm over this much: what lacks counts in full, and no tilt is worth more of what is plenty.
ROOM_MM = 2.0
# What a millimetre that the piece stands higher than where it was laid on must gain in margin, beyond the first few:
# a turn raises a helmet's middle a little, a helmet that has slid up onto its rim stands much higher.
LOWER, HIGHER_MM = 0.5, 8.0
# An eye covered by a millimetre weighs as much as this much margin. What slides up or down to the eyes weighs the more;
# a helmet would be tilted to them: by three degrees at most, where five millimetres are gained.
_EYE, _EYE_BY_TILT = 2.0, 0.35
# What it gains while the eyes, seen, come nearer to the middle of the openings.
_CENTRE = 0.1
# Nodes along each freedom of the lattice on which a step is chosen, by how many freedoms there are.
NODES = (0, 41, 17, 9, 5, 5, 3)
# Pitches that are looked through where more than fore-aft and pitch is free, degrees off level.
PITCHES = (0.0, -3.0, 3.0, -6.0, 6.0, -9.0, 9.0)
_FOREMOST = 300  # places of what carries, and of what is free, whose planes stand for all about a place
_FIRST_MM, _LAST_MM = 4.0, 0.015  # the lattice's reach, from first to last
_NARROW_MM = 1.5  # about where few points touch lowest all of them do
_BETTER_MM = 1e-3
_PITCH, _HEIGHT = 3, 2
_NOWHERE = 1e3


class Search:
    """Places of a piece about a pose at one scale, as steps (6,) in the freedoms of `steps`.

    Parameters
    ----------
    contact
        The piece against its wearer, and a few of its points for the first look.
    steps
        Its freedoms.
    base, scale, kind
        Where it was laid on, and how it is held there: ``rests``, ``girth`` or ``strapped``.
    free
        (6,) in which freedoms its place is looked for.
    eyes, padding_mm
        Its openings, and the padding that may be put under what carries it to bring them to the eyes.
    tilts
        Of which freedoms the pitch law holds: with a head of the pitch alone, else of the roll too.
    """

    def __init__(
        self,
        contact: tuple[Contact, Points],
        steps: Steps,
        laid: tuple[Pose, float, str],
        free: Any,
        eyes: Eyes,
        padding_mm: float,
        tilts: int,
    ) -> None:
        self.contact, self._few = contact
        self.steps, self.eyes, self.padding = steps, eyes, padding_mm
        self.base, self.scale, self.kind = laid
        self.free, self.tilts = np.flatnonzero(free), tilts
        self.place = np.zeros(6)
        self.rose = 0.0
        self._level: tuple[FloatArray, FloatArray] | None = None

    def pose(self, place: FloatArray) -> Pose:
        """Return the pose after a step."""
        return self.steps.pose_at(self.base, place, self.scale)

    def run(self) -> None:
        """Move `place` to the best there is."""
        if not len(self.free):
            return
        square = self.kind == "rests" and len(self.free) <= 2
        self.place = self._looked_through((0.0,) if square or _PITCH not in self.free else PITCHES)
        if not square:  # margins have edges and jumps: the best of the pitches is climbed from
            for step, points in ((3.0, self._few), (0.6, self.contact.every)):
                self.place = self.place + self._climbed(points, step, 60)
        if self.kind == "rests" and self.eyes and _PITCH in self.free and _HEIGHT not in self.free:
            self._look_level()
        if self.kind != "girth":
            self._step_up(self.free)

    def _look_level(self) -> None:
        """Find what its openings cover where it sits level, and how that changes with its pitch."""
        tilted, self.place = self.place, self.place.copy()
        self.place[_PITCH] = 0.0
        self._step_up(self.free[self.free != _PITCH])
        pose = self.pose(self.place)
        rise = self.contact.rise(pose, self.scale, None, self.rose)
        pose = moved(pose, (rise[0] if rise else 0.0) * self.contact.up)
        slopes = self.eyes.slopes(self.steps, pose, self.scale)
        self._level = self.eyes.over(pose, self.scale), slopes[:, _PITCH]
        if tilted[_PITCH]:
            self.place = tilted

    def set_down(self, place: FloatArray) -> tuple[Pose, float, float]:
        """Return the pose of a step set down on what carries it, with padding for the eyes, that, and what is covered.

        What no place carries stays where it is.
        """
        pose = self.pose(place)
        if self.kind == "girth":
            return moved(pose, (self.contact.sink(pose, self.scale) or 0.0) * self.contact.up), 0.0, 0.0
        if self.kind != "rests":
            return pose, 0.0, 0.0
        rise = self.contact.rise(pose, self.scale, None, self.rose)
        pose = moved(pose, (rise[0] if rise else 0.0) * self.contact.up)
        lift, covered = self.eyes.lift(pose, self.scale, self.contact.up, self.padding)
        return moved(pose, lift * self.contact.up), lift, covered

    def stopped(self, place: FloatArray) -> Pose | None:
        """Return the pose near a step where the piece, sunk until it first touches, lies lowest; None: never.

        It is held before and behind there, so that its height has an edge: a quarter of a millimetre to and fro may be
        two in height. So the edge itself is closed in on (golden section), and not some place beside it.
        """
        along = [k for k in self.free if k != _PITCH][:1]
        height = 0.0

        def low(by: float, some: Points | None = None) -> float:
            nonlocal height
            pose = self._beside(place, along, by)
            sunk = self.contact.sink(moved(pose, height * self.contact.up), self.scale, some)
            if sunk is None:
                return -_NOWHERE
            height += sunk
            return -height

        by = climbed_by(lambda by: low(by, self._few), 0.0, (4.0, 1.0))[1] if along else 0.0
        if along:
            by = narrowed(low, by - _NARROW_MM, by + _NARROW_MM, _LAST_MM)
        if low(by) == -_NOWHERE:
            return None
        return moved(self._beside(place, along, by), height * self.contact.up)

    def _beside(self, place: FloatArray, along: list[int], by: float) -> Pose:
        there = place.copy()
        there[along] += by
        return self.pose(there)

    # --- what a place is worth --------------------------------------------------------------------------------------

    def worth(self, place: FloatArray, some: Points | None = None) -> float:
        """Return how good a place is, in mm of margin."""
        contact, scale = self.contact, self.scale
        pose = self.pose(place)
        off = float(np.linalg.norm(place[:3])) - LEASH_MM
        cost = LEVEL_MM * float(self._off_level(place)) + 0.5 * max(0.0, off) ** 2
        if self.kind != "rests":  # a ring is sought as if strapped, and sinks from there
            least = float(np.min(contact.look(pose, scale, some).margin))
            return least - _EYE * self.eyes.covered(pose, scale) - cost
        found = contact.rise(pose, scale, some, self.rose)
        if found is None:
            return -_NOWHERE - cost
        rise, look = found
        self.rose = rise
        pose = moved(pose, rise * contact.up)
        lift, covered = self.eyes.lift(pose, scale, contact.up, self.padding)
        if lift:
            look = contact.look(moved(pose, lift * contact.up), scale, some)
        room = float(look.evenness.min(initial=_NOWHERE))
        if _HEIGHT in self.free:
            covered = float(self.eyes.over(pose, scale).max(initial=-_NOWHERE))
        return float(self._valued(room, self._height(place) + rise, covered, place[_PITCH])) - cost

    def _valued(self, room: Any, height: Any, covered: Any, pitch: Any) -> Any:
        """Return what the least room, the height above where it was laid on, and the eyes are worth, mm.

        `covered` is what covers the eyes most; what slides to them counts by how much it is off, where negative.
        """
        worth = np.minimum(room, 0.0) + ROOM_MM * np.log1p(np.maximum(room, 0.0) / ROOM_MM)
        worth = worth - LOWER * np.maximum(0.0, height - HIGHER_MM)
        if _HEIGHT in self.free:
            return worth - _EYE * np.maximum(covered, 0.0) - (_CENTRE * covered if self.eyes else 0.0)
        if self._level is None:
            return worth
        # What a tilt shows of a covered eye is told from the level seat: no helmet is worn off the middle to see.
        over, slope = self._level
        covers: FloatArray = over[:, None] + slope[:, None] * np.atleast_1d(pitch)
        return worth - _EYE_BY_TILT * self.eyes.lifts(covers, self.contact.up, self.padding)[1].reshape(np.shape(pitch))

    def _height(self, places: FloatArray) -> Any:
        return places[..., :3] @ (self.steps.axes.T @ self.contact.up)

    def _off_level(self, places: FloatArray) -> Any:
        """Return the degrees squared off level at places (..., 6), with walls at their range."""
        tilt = np.degrees(np.abs(places[..., _PITCH : _PITCH + self.tilts]) / ARM_MM)
        return tilt.sum(axis=-1) ** 2 + _NOWHERE**2 * np.maximum(tilt.max(axis=-1) - PITCH_DEG, 0.0)

    # --- the best place ---------------------------------------------------------------------------------------------

    def _looked_through(self, pitches: tuple[float, ...]) -> FloatArray:
        """Return the best step of those at a few pitches, each at its own best along the next freedom."""
        others = [int(k) for k in self.free if k != _PITCH]
        along = None if not others else others[1] if others[0] == 0 and len(others) > 1 else others[0]
        tried: list[tuple[float, FloatArray]] = []
        for pitch in pitches:
            place = np.zeros(6)
            place[_PITCH] = np.radians(pitch) * ARM_MM

            def at(by: float, place: FloatArray = place) -> FloatArray:
                moved_on = place.copy()
                if along is not None:
                    moved_on[along] = by
                return moved_on

            value, by = climbed_by(lambda by: self.worth(at(by), self._few), 0.0, (6.0, 2.0) if along else ())
            tried.append((value, at(by)))
        return max(tried, key=lambda one: one[0])[1]

    def _climbed(self, points: Points, step: float, looks: int) -> FloatArray:
        """Return the step from the place held to the best one near it."""
        by = np.zeros(6)

        def worth(some: FloatArray) -> float:
            place = self.place.copy()
            place[self.free] += some
            return self.worth(place, points)

        by[self.free] = climbed(worth, len(self.free), step, looks)
        return by

    def _step_up(self, free: Any) -> None:
        """Move the place held, in some freedoms, to the best one near it, however sharp the crest it stands on.

        The margins about a place are taken as planes, of what carries and of what is free; where the piece is set down
        by what carries it, the worth is largest at some node of a lattice about the place. It is gone to if it is
        better in truth; otherwise the lattice is drawn in.
        """
        if not len(free):
            return
        reach, worth = _FIRST_MM, self.worth(self.place)
        nodes = np.linspace(-1.0, 1.0, NODES[len(free)])
        steps = np.array(list(product(nodes, repeat=len(free))))
        while reach > _LAST_MM:
            planes = self._planes(free)
            if planes is None:
                return
            places = np.repeat(self.place[None], len(steps), axis=0)
            places[:, free] += reach * steps
            place = places[int(np.argmax(planes(reach * steps, places) - LEVEL_MM * self._off_level(places)))]
            new = self.worth(place)
            if new > worth + _BETTER_MM:
                self.place, worth = place, new
            else:
                reach *= 0.4

    def _planes(self, free: Any) -> Callable[[FloatArray, FloatArray], FloatArray] | None:
        """Return what steps (n, f) from the place held to places (n, 6) are worth, by planes; None: nothing carries."""
        contact, scale, pose = self.contact, self.scale, self.pose(self.place)
        carriers, rose, padding = np.zeros(0, np.intp), 0.0, 0.0
        if self.kind == "rests":
            if (found := contact.rise(pose, scale, None, self.rose)) is None:
                return None
            rose, look = found
            pose, carriers = moved(pose, rose * contact.up), look.lowest(look.carries, _FOREMOST)
            held_by = look.margin[carriers][:, None], look.slope[carriers][:, None]
            padding = self.eyes.lift(pose, scale, contact.up, self.padding)[0]
            if padding:
                look = contact.look(moved(pose, padding * contact.up), scale)
            walls = look.evenest(_FOREMOST)
        else:
            look = contact.look(pose, scale)
            walls = look.lowest(np.ones(len(look.margin), bool), _FOREMOST)
        points, lifted = contact.points, moved(pose, padding * contact.up)
        touching = self.steps.slopes(contact.field, points[carriers], pose, scale)[:, free]
        open_ = self.steps.slopes(contact.field, points[walls], lifted, scale)[:, free]
        over, overs = self.eyes.over(pose, scale)[:, None], self.eyes.slopes(self.steps, pose, scale)[:, free]

        def worth(by: FloatArray, places: FloatArray) -> FloatArray:
            margin = look.margin[walls][:, None] + open_ @ by.T
            covers: FloatArray = over + overs @ by.T
            if not len(carriers):
                least: FloatArray = np.min(margin, axis=0)
                return least - _EYE * np.max(covers, axis=0, initial=0.0)
            rise = np.max(-(held_by[0] + touching @ by.T) / held_by[1], axis=0)
            covers = covers + np.outer(self.eyes.rises(contact.up), rise)
            lift, covered = self.eyes.lifts(covers, contact.up, self.padding)
            if _HEIGHT in self.free:
                covered = np.max(covers, axis=0, initial=-_NOWHERE)
            margin = margin + look.slope[walls][:, None] * (rise + lift - padding)
            room = np.min(margin * np.where(margin > 0, look.ease[walls][:, None], 1.0), axis=0, initial=_NOWHERE)
            height = self._height(places) + rose + rise
            valued: FloatArray = self._valued(room, height, covered, places[:, _PITCH])
            return valued

        return worth
