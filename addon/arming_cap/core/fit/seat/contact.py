# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a piece that is pressed onto its wearer touches: what of it could carry it, and how far it has to go."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...arrays import BoolArray, FloatArray
from ...distance.clearance import label_rows
from ...distance.field import Field, Probe
from ...pose import Pose
from .steps import moved

# The cosine to the press from which a wall carries; steeper ones wedge and slide.
CARRIES = 0.5
# A place of the piece farther than this from the form is not what carries it.
REACH_MM = 70.0
# A piece sinks no farther than this from where it follows the body most evenly.
LEASH_MM = 25.0
TOUCH_MM = 0.005  # how exactly a rest is found, mm
# Shares of the slope that carries from which on room counts no more: of what may carry, and of the rest.
_EASED, _HALVED = 0.99, 0.7
_NEWTON_MM = 1.0
_PLANE_MM = 0.03  # over so short a way the field is a plane


@dataclass(frozen=True, eq=False)
class Points:
    """Points of a piece's inner side, and which of them lie high enough in it to carry it."""

    probe: Probe
    high: BoolArray


@dataclass(frozen=True, eq=False)
class Look:
    """Of points of a piece in a pose, (n,) each: margin in mm, the form's slope along the press, its region's row.

    `carries` tells which carry the piece where they touch, `may` which would where the form faced the press enough.
    """

    margin: Any
    slope: Any
    rows: Any
    carries: Any
    may: Any

    @property
    def ease(self) -> Any:
        """By how much room (n,) counts for more the more the form faces the press there; 1 at an upright wall.

        Whether a hollow sits in the middle is told by upright walls. Beside the crown that carries it, it has little
        room however large it is; room above a shoulder counts twice.
        """
        part = np.clip(self.slope / CARRIES, 0.0, np.where(self.may, _EASED, _HALVED))
        return 1.0 / (1.0 - part * part)

    @property
    def evenness(self) -> Any:
        """The margins of what is free (k,), mm, room as `ease` counts it."""
        free = ~self.carries
        margin = self.margin[free]
        return np.where(margin > 0, margin * self.ease[free], margin)

    def evenest(self, most: int) -> Any:
        """Return those of the points that are free with the least evenness."""
        which, value = np.flatnonzero(~self.carries), self.evenness
        return which[np.argpartition(value, most)[:most]] if len(which) > most else which

    def least_free(self, kind: str = "rests") -> tuple[float, int]:
        """Return the least margin of what does not carry the piece, mm, and which point has it."""
        free = np.flatnonzero(~self.carries) if kind == "rests" else np.arange(len(self.margin))
        k = int(free[np.argmin(self.margin[free])]) if len(free) else int(np.argmin(self.margin))
        return (float(self.margin[k]) if len(free) else 0.0), k

    def lowest(self, rows: Any, most: int) -> Any:
        """Return those of the points in a mask (n,) that have the least margins."""
        which = np.flatnonzero(rows)
        if len(which) > most:
            which = which[np.argpartition(self.margin[which], most)[:most]]
        return which


class Contact:
    """A piece's inner side against a form grown by what its regions need.

    Parameters
    ----------
    field
        Of the form.
    points, high
        (n, 3) of the inner side in the piece's frame, mm; (n,) which could carry it.
    need
        (r,) standoff that each region must keep, mm.
    can_carry, stands
        (r,) which regions can carry the piece, and on which it may stand with any of its points.
    up
        (3,) unit: against the press.
    """

    def __init__(
        self,
        field: Field,
        points: FloatArray,
        high: BoolArray,
        need: FloatArray,
        bearing: tuple[BoolArray, BoolArray],
        up: FloatArray,
    ) -> None:
        self.field, self.points, self.need, self.up = field, points, need, up
        self.can_carry, self.stands = bearing
        self._high = high
        self.every = Points(Probe(field, points), high)

    def some(self, rows: Any) -> Points:
        """Return some of the points by their rows, or by a slice."""
        return Points(Probe(self.field, self.points[rows]), self._high[rows])

    def look(self, pose: Pose, scale: float, some: Points | None = None) -> Look:
        """Return the inner side's margins, how much the form faces the press there, and its regions, (n,) each."""
        some = some or self.every
        value, slope = some.probe.facing(pose, scale, self.up)
        rows = label_rows(self.field, some.probe.moved(pose, scale))
        may = self.can_carry[rows] & (some.high | self.stands[rows])
        return Look(value - self.need[rows], slope, rows, (slope >= CARRIES) & may, may)

    def rise(self, pose: Pose, scale: float, some: Points | None = None, at: float = 0.0) -> tuple[float, Look] | None:
        """Return how far against the press the piece must go to just touch what can carry it, and what is seen there.

        None where nothing can. Newton's steps for all that carries at once, held between a place that touches and one
        that does not; the last few hundredths of a millimetre go along the planes of the field.
        """
        touching, clear = -np.inf, np.inf
        for _ in range(30):
            look = self.look(moved(pose, at * self.up), scale, some)
            near = np.flatnonzero(look.carries & (look.margin < REACH_MM))
            if not len(near):
                return None
            step = float(np.max(-look.margin[near] / look.slope[near]))
            if abs(step) < _PLANE_MM:
                return at + step, replace(look, margin=look.margin + np.float32(step) * look.slope)
            if step > 0:
                touching = max(touching, at)
            else:
                clear = min(clear, at)
                if step < -_NEWTON_MM:  # from afar by no more than it is clear: it must not fall through
                    step = -float(np.min(look.margin[near]))
            at = at + step if touching < at + step < clear else 0.5 * (touching + clear)
            if not np.isfinite(at) or abs(at) > 4 * REACH_MM or clear - touching < _PLANE_MM:
                break
        return (at, look) if abs(at) < 4 * REACH_MM else None

    def sink(self, pose: Pose, scale: float, some: Points | None = None) -> float | None:
        """Return how far the piece rises (or sinks: negative) until its girth just stops it; None where it does not."""
        at, sinking = 0.0, False
        for _ in range(120):
            look = self.look(moved(pose, at * self.up), scale, some)
            k = int(np.argmin(look.margin))
            margin = float(look.margin[k])
            if abs(margin) < 2 * TOUCH_MM and (look.slope[k] > 0.02 or not sinking):
                return at
            sinking |= margin > 0
            if margin < 0 and sinking:  # margins jump where regions meet
                return at
            at -= max(margin, TOUCH_MM) if margin > 0 else min(margin, -TOUCH_MM)
            if not -4 * LEASH_MM < at < 2 * REACH_MM:
                return None
        return at
