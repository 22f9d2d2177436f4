# SPDX-License-Identifier: GPL-3.0-or-later
"""The search for a seat at one scale: what a place is worth by the law of `seating`, and the best place."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
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

FEW = 2500  # points, for the first of the two searches
# Beyond ten degrees a wearer looks under the brim or over the slit (common practice, no source).
PITCH_DEG = 10.0
# What a degree squared off level must gain in margin, mm: five millimetres at ten degrees.
LEVEL_MM = 0.05
# What a millimetre that the piece stands higher than where it was laid on must gain in margin, beyond the first few:
# a turn raises a helmet's middle a little, a helmet that has slid up onto its rim stands much higher.
LOWER, HIGHER_MM = 0.5, 8.0
# What a millimetre of padding for the eyes must gain in margin.
LIFT = 0.05
# An eye covered by a millimetre weighs as much as this much margin.
_EYE = 2.0
# ... and room that is lacking while eyes are covered, up to this many times as much and one more.
_EYE_ROOM = 7.0
# Nodes along each freedom of the lattice on which a step is chosen, by how many freedoms there are.
NODES = (0, 41, 17, 9, 5, 5, 3)
# Pitches that are looked through, degrees off level.
PITCHES = (-9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0)
# How exactly fore-aft and pitch are found, mm and degrees, and within what of the first search's answer.
FINE_MM, FINE_DEG = 0.02, 0.04
NEAR_MM = 5.0
_BETWEEN_DEG = (-3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0)
# The fine search is made on so many places with the least margins; what it misses is added, until it misses nothing.
_FOREMOST = 1500
_MISSED_MM = 0.01
_PITCH = 3
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

    def pose(self, place: FloatArray) -> Pose:
        """Return the pose after a step."""
        return self.steps.pose_at(self.base, place, self.scale)

    def run(self) -> None:
        """Move `place` to the best there is."""
        if not len(self.free):
            return
        self.place, along = self._looked_through()
        if self.kind == "rests" and len(self.free) <= 2:
            self._along_ridge(along)
            return
        # Margins have edges and jumps: the best of the pitches is climbed from.
        for step, points in ((3.0, self._few), (0.6, self.contact.every)):
            self.place = self.place + self._climbed(points, step, 60)
        if self.kind != "girth":
            self._step_up()

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

    def stopped(self, place: FloatArray) -> FloatArray:
        """Return the step near one from which the piece, sunk until it first touches, comes lowest."""
        along = [k for k in self.free if k != _PITCH][:1]

        def low(by: float) -> float:
            there = place.copy()
            there[along] += by
            sunk = self.contact.sink(self.pose(there), self.scale, self._few)
            return -_NOWHERE if sunk is None else -sunk

        best = place.copy()
        if along:
            best[along] += climbed_by(low, 0.0, (4.0, 1.0, 0.25))[1]
        return best

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
        # Walls are weighed as it rests without padding for the eyes: no tilt is worth the lift that it then asks for.
        # What lacks room may be lifted clear, though.
        set_down = moved(pose, rise * contact.up)
        lift, covered = self.eyes.lift(set_down, scale, contact.up, self.padding)
        free = look.least_free()[0]
        if lift and free < 0:
            lifted = contact.look(moved(set_down, lift * contact.up), scale, some)
            free = max(free, min(0.0, lifted.least_free()[0]))
        if free < 0:  # no tilt that shows the eyes a little more is worth walls that cut in
            free *= 1 + min(covered, _EYE_ROOM)
        cost += LIFT * lift
        height = float((pose.translation_mm - self.base.translation_mm) @ contact.up) + rise
        return free - _EYE * covered - LOWER * max(0.0, height - HIGHER_MM) - cost

    def _off_level(self, places: FloatArray) -> Any:
        """Return the degrees squared off level at places (..., 6), with walls at their range."""
        tilt = np.degrees(np.abs(places[..., _PITCH : _PITCH + self.tilts]) / ARM_MM)
        return tilt.sum(axis=-1) ** 2 + _NOWHERE**2 * np.maximum(tilt.max(axis=-1) - PITCH_DEG, 0.0)

    # --- the best place ---------------------------------------------------------------------------------------------

    def _looked_through(self) -> tuple[FloatArray, int | None]:
        """Return the best step of those at a few pitches, each at its own best along the next freedom; and that one."""
        others = [int(k) for k in self.free if k != _PITCH]
        along = None if not others else others[1] if others[0] == 0 and len(others) > 1 else others[0]
        pitches = PITCHES if _PITCH in self.free else (0.0,)
        level = pitches.index(0.0)
        best: dict[int, float] = {}
        tried: list[tuple[float, FloatArray]] = []
        for k in sorted(range(len(pitches)), key=lambda k: abs(pitches[k])):
            # The best fore-aft moves evenly with the pitch: from the last one's, and on as it moved before.
            inner = k + (k < level) - (k > level)
            guess = 2 * best[inner] - best[level] if abs(k - level) == 2 else best.get(inner, 0.0)
            value, best[k] = self._best_along(along, pitches[k], self._few, guess)
            tried.append((value, self._at(along, best[k], pitches[k])))
        return max(tried, key=lambda one: one[0])[1], along

    def _at(self, along: int | None, by: float, pitch_deg: float) -> FloatArray:
        place = np.zeros(6)
        place[_PITCH] = np.radians(pitch_deg) * ARM_MM
        if along is not None:
            place[along] = by
        return place

    def _best_along(self, along: int | None, pitch_deg: float, some: Points, guess: float) -> tuple[float, float]:
        def worth(by: float) -> float:
            return self.worth(self._at(along, by, pitch_deg), some)

        return climbed_by(worth, guess, (6.0, 2.0)) if along is not None else (worth(0.0), 0.0)

    def _along_ridge(self, along: int | None) -> None:
        """Move `place` to the best pitch, each pitch at its own best along the other freedom.

        The crest of the worth is a slanting ridge: one pitch after another is looked at on its crest, so that no step
        falls off it. Few places decide: those are looked at, and what they leave out is added until nothing is missed.
        """
        pitch = float(np.degrees(self.place[_PITCH]) / ARM_MM)
        by = 0.0 if along is None else float(self.place[along])
        rows = np.zeros(0, np.intp)
        best = self.worth(self.place)
        for near in (1.0, 0.5, 0.3, 0.2, 0.1):
            rows = np.union1d(rows, self._foremost(self._at(along, by, pitch)))
            crest = partial(self._crest, along, self.contact.some(rows), (by - near * NEAR_MM, by + near * NEAR_MM))
            if _PITCH in self.free:
                if near == 1.0:  # there may be two tops between two of the pitches that were looked at
                    pitch = max((crest(pitch + step)[0], pitch + step) for step in _BETWEEN_DEG)[1]
                pitch = narrowed(_first_of(crest), pitch - near, pitch + near, FINE_DEG)[1]
            value, by = crest(pitch)
            place = self._at(along, by, pitch)
            if (whole := self.worth(place)) > best:
                best, self.place = whole, place
            if value - whole < _MISSED_MM:
                break

    def _crest(
        self, along: int | None, some: Points, between: tuple[float, float], pitch_deg: float
    ) -> tuple[float, float]:
        """Return the largest worth at a pitch, and how far along the other freedom it is had."""

        def worth(by: float) -> float:
            return self.worth(self._at(along, by, pitch_deg), some)

        return narrowed(worth, *between, FINE_MM) if along is not None else (worth(0.0), 0.0)

    def _foremost(self, place: FloatArray) -> Any:
        """Return the points that touch or come to touch first at a place: of what carries, and of what is free."""
        pose = self.pose(place)
        found = self.contact.rise(pose, self.scale, None, self.rose)
        look = self.contact.look(pose, self.scale) if found is None else found[1]
        return np.concatenate([look.lowest(look.carries, _FOREMOST), look.lowest(~look.carries, _FOREMOST)])

    def _climbed(self, points: Points, step: float, looks: int) -> FloatArray:
        """Return the step from the place held to the best one near it."""
        by = np.zeros(6)

        def worth(some: FloatArray) -> float:
            place = self.place.copy()
            place[self.free] += some
            return self.worth(place, points)

        by[self.free] = climbed(worth, len(self.free), step, looks)
        return by

    def _step_up(self) -> None:
        """Move the place held to the best one near it, however sharp the crest it stands on.

        The margins about a place are taken as planes, of what carries and of what is free; where the piece is set down
        by what carries it, the least of the free is largest at some node of a lattice about the place. It is gone to if
        it is better in truth; otherwise the lattice is drawn in.
        """
        reach, worth = 4.0, self.worth(self.place)
        nodes = np.linspace(-1.0, 1.0, NODES[len(self.free)])
        steps = np.array(list(product(nodes, repeat=len(self.free))))
        while reach > 0.015:
            planes = self._planes()
            if planes is None:
                return
            places = np.repeat(self.place[None], len(steps), axis=0)
            places[:, self.free] += reach * steps
            place = places[int(np.argmax(planes(reach * steps) - LEVEL_MM * self._off_level(places)))]
            new = self.worth(place)
            if new > worth + 1e-3:
                self.place, worth = place, new
            else:
                reach *= 0.4

    def _planes(self) -> Callable[[FloatArray], FloatArray] | None:
        """Return the least free margin after steps (n, f) from the place held, by planes; None: nothing carries."""
        pose, carriers = self.pose(self.place), np.zeros(0, np.intp)
        if self.kind == "rests":
            if (found := self.contact.rise(pose, self.scale, None, self.rose)) is None:
                return None
            pose, look = moved(pose, found[0] * self.contact.up), found[1]
            carriers, walls = look.lowest(look.carries, 300), look.lowest(~look.carries, 300)
        else:
            look = self.contact.look(pose, self.scale)
            walls = look.lowest(np.ones(len(look.margin), bool), 300)
        points = self.contact.points[np.concatenate([carriers, walls])]
        slopes = self.steps.slopes(self.contact.field, points, pose, self.scale)[:, self.free]

        def least(by: FloatArray) -> FloatArray:
            held, open_ = slopes[: len(carriers)] @ by.T, slopes[len(carriers) :] @ by.T
            margin = look.margin[walls][:, None] + open_
            if len(carriers):
                lift = np.max(-(look.margin[carriers][:, None] + held) / look.slope[carriers][:, None], axis=0)
                margin = margin + look.slope[walls][:, None] * lift
            found: FloatArray = np.min(margin, axis=0)
            return found

        return least


def _first_of(pair: Callable[[float], tuple[float, float]]) -> Callable[[float], float]:
    return lambda value: pair(value)[0]
