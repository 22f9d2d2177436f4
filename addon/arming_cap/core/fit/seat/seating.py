# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a piece is worn: the pose in which it would stay, as its wearer would put it on.

The law, in the order in which it binds:

1. *It rests.* A piece is pressed onto the form grown by its allowances until something carries it. A helmet is pressed
   by its weight, straight down; a shallow piece (a mask, a breastplate) by its straps, along its mouth. A place carries
   where the form faces the press by more than `CARRIES` (the cosine of the angle): steeper walls wedge and slide. This
   is equilibrium of a rigid body on a frictionless support, the lowest place it can sink to (textbook statics). Where
   a piece has no such place above it (a ring, a collar) it sinks until its girth stops it, as low as it can; where
   nothing stops it (a bracer on a hanging arm) straps must hold it, and it sits where its inside follows the body most
   evenly.
2. *It is worn square.* With a mirror plane of its own it sits with that plane in the wearer's: side, roll and yaw are
   nought. Its pitch stays within `PITCH_DEG` of its level attitude (`attitude`).
3. *It is even where it is free.* Fore-aft and pitch are chosen so that the least margin of what does not carry, the
   walls at front, back and sides, is largest. Of poses alike in this the more level one is taken (`LEVEL_MM`); and no
   margin is worth a piece that has slid up to stand on its rim (`LOWER`).
4. *The eyes see.* Where it has openings before the eyes, the padding under what carries it is as much as brings them to
   the eyes, up to `padding_mm`, and it is told: a helmet's standing height is its padding.
5. *Too small is too small.* At rest the walls of a piece that is too small lie within the grown form, by its
   *shortfall*. It does not get there: it *stops* where it first touches on its way down, and that pose is the seat.

Terms of helmet standards in use here: the standing height is the distance from the top of the head to the helmet's
inside above it; the helmet position index says how high the brow edge sits above the basic plane (from memory).

Everything is searched in the piece's own axes, so the answer does not hang on how the file holds the piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.clearance import Clearance, field_for, label_rows, measure
from ...distance.field import Field, Probe
from ...distance.surface import surface_of
from ...errors import InputError
from ...piece import Piece
from ...pose import Pose, rotation_about
from ...progress import Progress, silent
from ...wearer.form import Wearer
from .attitude import Attitude, attitude_of, inner_points
from .climb import climbed
from .eyes import Eyes
from .midplane import is_head, wearer_axes

FREEDOMS = ("side", "fore_aft", "height", "pitch", "roll", "yaw")
SAMPLES = 24_000  # of the whole surface; about a third is the inner side
FEW = 2500  # of these, for the first of the two searches
CARRIES = 0.5
# Beyond ten degrees a wearer looks under the brim or over the slit (common practice, no source).
PITCH_DEG = 10.0
# What a degree squared off level must gain in margin, mm: five millimetres at ten degrees.
LEVEL_MM = 0.05
# Padding that may be put under what carries a piece: the thickest foam in common use (common practice, no source).
PADDING_MM = 25.0
ARM_MM = 100.0  # a turn counts as the movement at this distance
# What a millimetre that the piece stands higher than where it was laid on must gain in margin, beyond the first few:
# a turn raises a helmet's middle a little, a helmet that has slid up onto its rim stands much higher.
LOWER, HIGHER_MM = 0.5, 8.0
# What can carry a helmet; ears, nose and jaw give way, or hurt.
CARRIERS = ("crown", "forehead", "occiput", "nape", "parietal", "temple", "shoulder")
# On what a helmet may stand with its rim. Anywhere else a hollow is carried from within: a thimble is no helmet.
STANDS_ON = ("shoulder",)
# So much of a hollow's height, from below, counts as its rim.
RIM_SHARE = 0.5
# A place of the piece farther than this from the form is not what carries it.
REACH_MM = 70.0
# A piece sinks no farther than this from where it follows the body most evenly.
LEASH_MM = 25.0
# How exactly a rest is found, mm.
TOUCH_MM = 0.005
# Places within this of the tightest carry with it.
SUPPORT_MM = 0.3
# What a millimetre of padding for the eyes must gain in margin.
LIFT = 0.05
# An eye covered by a millimetre weighs as much as this much margin.
_EYE = 2.0
# Pitches that are looked through, degrees off level.
# Nodes along each freedom of the lattice on which a step is chosen, by how many freedoms there are.
NODES = (0, 41, 17, 9, 5, 5, 3)
PITCHES = (-9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0)


@dataclass(frozen=True)
class Support:
    """A place that carries the piece: the region, and the thickness of what lies between, mm."""

    region: str
    gap_mm: float
    at: tuple[float, float, float]


@dataclass(frozen=True)
class Rest:
    """How a piece rests.

    Attributes
    ----------
    pose
        From the piece's frame to the wearer's, applied after scaling.
    scale
        Of the piece about its frame's origin.
    kind
        ``rests`` on what carries it, ``girth`` where its girth stops it, ``strapped`` where only straps hold it,
        ``stops`` where it is too small to come to rest.
    supports
        What carries it, or stops it.
    free_mm
        The least margin of what does not carry it, at rest: negative is the shortfall.
    short_region, short_at
        Where that is.
    padding_mm
        Padding beyond the allowances that it needs where it is carried, to bring its openings to the eyes.
    covered_mm
        By how much an edge of its openings still covers an eye.
    off_level_deg
        Its pitch off its level attitude, positive with the front down.
    would_rest
        The pose in which it would rest were there room; None where it does rest.
    """

    pose: Pose
    scale: float
    kind: str
    supports: tuple[Support, ...]
    free_mm: float
    short_region: str
    short_at: tuple[float, float, float]
    padding_mm: float = 0.0
    covered_mm: float = 0.0
    off_level_deg: float = 0.0
    would_rest: Pose | None = None

    @property
    def short_mm(self) -> float:
        """By how much it is too small to come to rest, mm; 0 where it rests."""
        return max(-self.free_mm, 0.0) if self.kind == "stops" else 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        return {
            "kind": self.kind,
            "carried_by": [
                {"region": s.region, "gap_mm": round(s.gap_mm, 2) + 0.0, "at": [round(v, 2) + 0.0 for v in s.at]}
                for s in self.supports
            ],
            "padding_mm": round(self.padding_mm, 2) + 0.0,
            "covered_mm": round(self.covered_mm, 2) + 0.0,
            "free_mm": round(self.free_mm, 3) + 0.0,
            "short_mm": round(self.short_mm, 3) + 0.0,
            "short_at": {"region": self.short_region, "at": [round(v, 2) + 0.0 for v in self.short_at]},
            "off_level_deg": round(self.off_level_deg, 2) + 0.0,
        }


@dataclass(frozen=True)
class Seat:
    """Where a piece is worn, and the clearance measured exactly there."""

    rest: Rest
    clearance: Clearance

    @property
    def pose(self) -> Pose:
        """From the piece's frame to the wearer's."""
        return self.rest.pose

    @property
    def margin_mm(self) -> float:
        """The smallest margin there."""
        return self.clearance.margin_mm


@dataclass(frozen=True)
class _Look:
    """Of points of a piece in a pose, (n,) each: margin in mm, the form's slope along the press, its region's row.

    `carries` tells which could carry the piece.
    """

    margin: Any
    slope: Any
    rows: Any
    carries: Any


@dataclass
class _Laid:
    """Where a piece was laid on at a scale, how it is held there, and the best step (6,) from there so far."""

    scale: float
    pose: Pose
    kind: str
    place: FloatArray = field(default_factory=lambda: np.zeros(6))


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
    padding_mm
        Padding that may be put under what carries the piece.
    """

    def __init__(
        self,
        piece: Piece,
        wearer: Wearer,
        start: Pose | None = None,
        need_mm: FloatArray | None = None,
        pinned: Sequence[str] = (),
        padding_mm: float = PADDING_MM,
        progress: Progress = silent,
    ) -> None:
        if unknown := [name for name in pinned if name not in FREEDOMS]:
            raise InputError(f"there is no freedom '{unknown[0]}'", remedy=f"the freedoms are {', '.join(FREEDOMS)}")
        self.wearer = wearer
        self.start = start or Pose()
        self._surface = surface_of(piece)
        if not self._surface.mesh.areas.any():
            raise InputError("the piece has no surface to seat", source=piece.name, remedy="check the mesh")
        self.attitude: Attitude = self._surface.kept("attitude", lambda: attitude_of(self._surface))
        self.points = self._surface.kept("inner side", lambda: inner_points(self._surface, SAMPLES))
        self.need = wearer.allowances() if need_mm is None else need_mm
        self.pinned = tuple(pinned)
        self.padding = padding_mm
        self.head = is_head(wearer.form)
        self.field: Field = self._field(piece, wearer, progress)
        self.axes, self.middle = wearer_axes(self.field)
        shallow = self.attitude.shallow and self.head
        self.up = -self.axes[:, 1] if shallow else self.axes[:, 2]
        self.probe = Probe(self.field, self.points)
        self.centre = self.attitude.middle
        every = max(1, len(self.points) // FEW)
        self.quick = Probe(self.field, self.points[::every])
        self.few_rows = np.arange(0, len(self.points), max(1, len(self.points) // 800))
        self.few = Probe(self.field, self.points[self.few_rows])
        names = wearer.form.region_names
        helmet = self.head and not shallow
        self.can_carry = np.array([not helmet or n.startswith(CARRIERS) for n in names])
        self.stands = np.array([shallow or (helmet and n.startswith(STANDS_ON)) for n in names])
        height = (self.points - self.centre) @ self.attitude.axes[:, 2]
        above = height - height.min() > RIM_SHARE * np.ptp(height)
        self._above = {id(self.probe): above, id(self.quick): above[::every]}
        self.eyes: Eyes | None = None
        self._laid: _Laid | None = None
        self._rose = 0.0
        square = self.head and self.attitude.mirrored
        held = {"side", "roll", "yaw"} if square else set() if self.head else {"yaw"}
        # Along the press the piece goes where it is carried: that is no freedom of the search.
        self.rest_axis = 1 if shallow else 2
        self.free = np.array([n not in held and n not in self.pinned for n in FREEDOMS])

    def _field(self, piece: Piece, wearer: Wearer, progress: Progress) -> Field:
        if self.head:
            top = wearer.form.mesh.vertices[np.argmax(wearer.form.mesh.vertices[:, 2])]
            size = float(np.linalg.norm(np.ptp(piece.mesh.bounds, axis=0)))
            at = Pose(np.eye(3), top - np.array([0.0, 0.0, 0.35 * size]) - piece.mesh.bounds.mean(axis=0))
            return field_for(piece, wearer, at, progress=progress)
        return field_for(piece, wearer, self.start, progress=progress)

    # --- the answer -------------------------------------------------------------------------------------------------

    def seat(self, scale: float = 1.0) -> Rest:
        """Return how the piece rests at a scale of its frame about the origin; no answer hangs on one given before."""
        self._laid = laid = self._begin(scale)
        # Margins have edges and jumps: first all pitches are looked through, then the best is climbed from.
        laid.place = self._looked_through(laid)
        steps = ((3.0, 60, self.quick), (0.6, 60, self.probe))
        for step, looks, probe in steps if laid.kind != "rests" else steps[: int(self._searched("rests").sum() > 2)]:
            laid.place = laid.place + self._climbed(laid, laid.kind, probe, step, looks)
        if laid.kind != "girth":
            self._step_up(laid)
        return self._told(laid)

    def _step_up(self, laid: _Laid) -> None:
        """Move the place held to the best one near it, however sharp the crest it stands on.

        The margins about a place are taken as planes, of what carries and of what is free; where the piece is set down
        by what carries it, the least of the free is largest at some node of a lattice about the place. It is gone to if
        it is better in truth; otherwise the lattice is drawn in.
        """
        free = np.flatnonzero(self._searched(laid.kind))
        if not len(free):
            return
        reach, worth = 4.0, self._worth(laid, laid.place, laid.kind, self.probe)
        steps = np.array(list(product(np.linspace(-1.0, 1.0, NODES[len(free)]), repeat=len(free))))
        while reach > 0.015:
            pose, carriers = self.pose_at(laid.pose, laid.place, laid.scale), np.zeros(0, np.intp)
            if laid.kind == "rests":
                if (found := self._rise(pose, laid.scale, None, self._rose)) is None:
                    return
                pose, look = _moved(pose, found[0] * self.up), found[1]
                carriers = _lowest(look.margin, look.carries)
                walls = _lowest(look.margin, ~look.carries)
            else:
                look = self._look(pose, laid.scale)
                walls = _lowest(look.margin, np.ones(len(look.margin), bool))
            slopes = self._slopes(pose, laid.scale, np.concatenate([carriers, walls]))[:, free]
            by = reach * steps
            held, open_ = slopes[: len(carriers)] @ by.T, slopes[len(carriers) :] @ by.T
            least = look.margin[walls][:, None] + open_
            if len(carriers):
                lift = np.max(-(look.margin[carriers][:, None] + held) / look.slope[carriers][:, None], axis=0)
                least = least + look.slope[walls][:, None] * lift
            least = np.min(least, axis=0)
            places = np.repeat(laid.place[None], len(by), axis=0)
            places[:, free] += by
            least -= LEVEL_MM * self._off_level(places) ** 2
            place = places[int(np.argmax(least))]
            new = self._worth(laid, place, laid.kind, self.probe)
            if new > worth + 1e-3:
                laid.place, worth = place, new
            else:
                reach *= 0.4

    def _slopes(self, pose: Pose, scale: float, rows: Any) -> FloatArray:
        """Return the standoffs' slopes (n, 6) in the freedoms, of some of the points."""
        points = self.points[rows]
        slope = np.asarray(Probe(self.field, points).gradient(pose, scale), float)
        arm = scale * (points - self.centre) @ pose.rotation.T
        return np.column_stack([slope @ self.axes, np.cross(arm, slope) @ self.axes / ARM_MM])

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
        laid = self._laid
        assert laid is not None
        pivot = laid.pose.apply(laid.scale * self.centre[None])[0]
        base = Pose(laid.pose.rotation, pivot - scale * laid.pose.rotation @ self.centre)
        pose = self.pose_at(base, laid.place, scale)
        if laid.kind == "rests" and (found := self._rise(pose, scale)) is not None:
            pose = self._padded(_moved(pose, found[0] * self.up), scale)[0]
        return self._least_free(self._look(pose, scale), laid.kind)[0]

    def searched(self, rest: Rest) -> Any:
        """Return in which freedoms (6,) the piece's place is searched where it rests so."""
        return self._searched(rest.kind)

    def _searched(self, kind: str) -> Any:
        return self.free if kind == "strapped" else self.free & (np.arange(6) != self.rest_axis)

    def free_exactly(self, rest: Rest, count: int = 4000) -> tuple[FloatArray, Any, FloatArray]:
        """Return of the `count` samples with the least free margins: exact standoffs (n,), regions, points (n, 3)."""
        pose, scale = (rest.pose, rest.scale) if rest.kind != "stops" else (rest.would_rest or rest.pose, rest.scale)
        look = self._look(pose, scale)
        free = np.flatnonzero(~look.carries) if rest.kind != "strapped" else np.arange(len(look.margin))
        free = free if len(free) else np.arange(len(look.margin))
        free = free[np.argsort(look.margin[free], kind="stable")[:count]]
        points = pose.apply(scale * self.points[free])
        standoff, triangles, _ = self.field.exact(points)
        return standoff, self.field.regions_at(triangles), points

    def _looked_through(self, laid: _Laid) -> FloatArray:
        """Return the best place (6,) of those at a few pitches, each at its own best along the next freedom."""
        free = np.flatnonzero(self._searched(laid.kind))
        if not len(free):
            return laid.place
        tried: list[tuple[float, FloatArray]] = []
        along = int(free[0] if free[0] != 0 or len(free) == 1 or free[1] == 3 else free[1])
        pitches = np.radians(PITCHES) * ARM_MM if 3 in free and along != 3 else (0.0,)
        best = 0.0
        for pitch in sorted(pitches, key=abs):

            def at(by: float, pitch: float = pitch) -> FloatArray:
                place = laid.place.copy()
                place[3] += pitch
                place[along] += by
                return place

            own = [(self._worth(laid, at(by), laid.kind, self.quick), by) for by in (best - 6.0, best, best + 6.0)]
            for step in (4.0, 2.0, 1.0):
                by = max(own)[1]
                own += [(self._worth(laid, at(b), laid.kind, self.quick), b) for b in (by - step, by + step)]
            tried.append((max(own)[0], at(max(own)[1])))
            if len(tried) == 1:
                best = max(own)[1]
        return max(tried, key=lambda one: one[0])[1]

    def _climbed(self, laid: _Laid, kind: str, probe: Probe, step: float, looks: int) -> FloatArray:
        """Return the step (6,) from the place held to the best one near it."""
        free = np.flatnonzero(self._searched(kind))
        by = np.zeros(6)

        def worth(some: FloatArray) -> float:
            place = laid.place.copy()
            place[free] += some
            return self._worth(laid, place, kind, probe)

        by[free] = climbed(worth, len(free), step, looks)
        return by

    def _begin(self, scale: float) -> _Laid:
        """Return where to begin at a scale, and how the piece is held there."""
        base = self._lay_on(scale)
        kind = "strapped"
        if self.attitude.closed:  # closed all round: it goes onto nothing, and is looked at about its middle
            pass
        elif (found := self._rise(base, scale)) is not None:
            kind, base = "rests", _moved(base, found[0] * self.up)
        elif self._sink(base, scale) is not None:
            kind = "girth"
        self.eyes = Eyes(self._surface, self.field.form.landmarks, base, scale)
        self._rose = 0.0
        return _Laid(scale, base, kind)

    def pose_at(self, base: Pose, place: FloatArray, scale: float) -> Pose:
        """Return a pose after a step (6,) in the freedoms: mm, and turns in mm at `ARM_MM`, by the wearer's axes."""
        pivot = base.apply(scale * self.centre[None])[0]
        turn = np.eye(3)
        if (angle := float(np.linalg.norm(place[3:])) / ARM_MM) > 1e-12:
            turn = rotation_about(self.axes @ place[3:], float(np.degrees(angle)))
        return base.then(Pose(turn, pivot - turn @ pivot + self.axes @ place[:3]))

    def _worth(self, laid: _Laid, place: FloatArray, kind: str, probe: Probe) -> float:
        """Return how good a place is, in mm of margin."""
        base, scale = laid.pose, laid.scale
        pose = self.pose_at(base, place, scale)
        off = float(np.linalg.norm(place[:3])) - LEASH_MM
        cost = LEVEL_MM * self._off_level(place) ** 2 + 0.5 * max(0.0, off) ** 2
        if kind in ("strapped", "girth"):  # a ring is sought as if strapped, and sinks from there
            least = float(np.min(self._look(pose, scale, probe).margin))
            return least - _EYE * self._covered(pose, scale) - cost
        if kind == "sinks":
            rise = self._sink(pose, scale, probe)
            low = -1e3 if rise is None else -rise
            return low - (self.axes.T @ (pose.translation_mm - base.translation_mm))[2] - cost
        found = self._rise(pose, scale, probe, self._rose)
        if found is None:
            return -1e3 - cost
        rise, look = found
        self._rose = rise
        # Walls are weighed as it rests without padding for the eyes: no tilt is worth the lift that it then asks for.
        # What lacks room may be lifted clear, though.
        padded, padding, covered = self._padded(_moved(pose, rise * self.up), scale)
        free = self._least_free(look)[0]
        if padding and free < 0:
            free = max(free, min(0.0, self._least_free(self._look(padded, scale, probe))[0]))
        cost += LIFT * padding
        height = float((self.pose_at(base, place, scale).translation_mm - base.translation_mm) @ self.up) + rise
        return free - _EYE * covered - LOWER * max(0.0, height - HIGHER_MM) - cost

    def _off_level(self, places: FloatArray) -> Any:
        """Return what pitch (and roll, without a head) off level counts at places (..., 6), with walls at its range."""
        tilt = np.degrees(np.abs(places[..., 3 : 4 if self.head else 5]) / ARM_MM)
        return tilt.sum(axis=-1) + 1e3 * np.maximum(tilt.max(axis=-1) - PITCH_DEG, 0.0)

    def _look(self, pose: Pose, scale: float, probe: Probe | None = None) -> _Look:
        """Return the inner side's margins, how much the form faces the press there, and its regions, (n,) each."""
        probe = probe or self.probe
        value, slope = probe.facing(pose, scale, self.up)
        rows = label_rows(self.field, probe.moved(pose, scale))
        carries = (slope >= CARRIES) & self.can_carry[rows] & (self._above[id(probe)] | self.stands[rows])
        return _Look(value - self.need[rows], slope, rows, carries)

    def _rise(
        self, pose: Pose, scale: float, probe: Probe | None = None, at: float = 0.0
    ) -> tuple[float, _Look] | None:
        """Return how far against the press the piece must go to just touch what can carry it, and what is seen there.

        None where nothing can. Newton's steps, held between a place that touches and one that does not.
        """
        touching, clear = -np.inf, np.inf
        for _ in range(25):
            look = self._look(_moved(pose, at * self.up), scale, probe)
            near = np.flatnonzero(look.carries & (look.margin < REACH_MM))
            if not len(near):
                return None
            k = near[np.argmin(look.margin[near])]
            margin = float(look.margin[k])
            if abs(margin) < (TOUCH_MM if probe is None else 3 * TOUCH_MM):
                break
            if margin < 0:
                touching = max(touching, at)
            else:
                clear = min(clear, at)
            step = at - margin / float(look.slope[k]) if margin < 0 else at - margin
            at = step if touching < step < clear else 0.5 * (touching + clear)
            if not np.isfinite(at) or abs(at) > 4 * REACH_MM or clear - touching < 1e-4:
                break
        return (at, look) if abs(at) < 4 * REACH_MM else None

    def _sink(self, pose: Pose, scale: float, probe: Probe | None = None) -> float | None:
        """Return how far the piece rises (or sinks: negative) until its girth just stops it; None where it does not."""
        at, sinking = 0.0, False
        for _ in range(120):
            look = self._look(_moved(pose, at * self.up), scale, probe)
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

    def _least_free(self, look: _Look, kind: str = "rests") -> tuple[float, int]:
        """Return the least margin of what does not carry the piece, mm, and which point has it."""
        free = np.flatnonzero(~look.carries) if kind == "rests" else np.arange(len(look.margin))
        k = int(free[np.argmin(look.margin[free])]) if len(free) else int(np.argmin(look.margin))
        return (float(look.margin[k]) if len(free) else 0.0), k

    def _covered(self, pose: Pose, scale: float) -> float:
        return float(self.eyes.covered(pose, scale, self.up, np.zeros(1))[0]) if self.eyes else 0.0

    def _padded(self, pose: Pose, scale: float) -> tuple[Pose, float, float]:
        """Return the pose with as much padding as brings its openings to the eyes, how much, and what stays covered."""
        if not self.eyes:
            return pose, 0.0, 0.0
        steps = np.linspace(0.0, self.padding, 51)
        each = self.eyes.covered(pose, scale, self.up, steps)
        k = int(np.argmin(np.round(each, 3)))
        if each[k] > each[0] - 0.5:
            k = 0
        return _moved(pose, steps[k] * self.up), float(steps[k]), float(each[k])

    def _told(self, laid: _Laid) -> Rest:
        """Return the place held as an answer."""
        base, place, scale, kind = laid.pose, laid.place, laid.scale, laid.kind
        pose = self.pose_at(base, place, scale)
        padding = 0.0
        if kind == "rests":
            rise = self._rise(pose, scale, None, self._rose)
            pose, padding, _ = self._padded(_moved(pose, (rise[0] if rise else 0.0) * self.up), scale)
        elif kind == "girth":
            pose = _moved(pose, (self._sink(pose, scale) or 0.0) * self.up)
        look = self._look(pose, scale)
        free, k = self._least_free(look, kind)
        region = self.wearer.form.region_names[int(look.rows[k])]
        at, would = pose.apply(scale * self.points[[k]])[0], None
        if kind == "rests" and free < -2 * TOUCH_MM:
            kind, padding, would = "stops", 0.0, pose
            place = place + self._climbed(laid, "sinks", self.quick, 3.0, 30)
            pose = self.pose_at(base, place, scale)
            stopped = self._sink(pose, scale)
            pose = pose if stopped is None else _moved(pose, stopped * self.up)
        return Rest(
            pose,
            scale,
            kind,
            self._supports(pose, scale, padding, kind) if kind != "strapped" else (),
            free,
            region,
            (float(at[0]), float(at[1]), float(at[2])),
            padding,
            self._covered(pose, scale),
            float(np.degrees(place[3] / ARM_MM)),
            would,
        )

    def _supports(self, pose: Pose, scale: float, padding: float, kind: str) -> tuple[Support, ...]:
        """Return the places that carry the piece, or stop it, one in each region, the tightest first."""
        look = self._look(pose, scale)
        rows = look.rows
        margin = np.where(look.carries, look.margin, np.inf) if kind == "rests" else look.margin
        near = np.flatnonzero(margin < max(padding, float(np.min(margin))) + SUPPORT_MM)
        placed = pose.apply(scale * self.points[near])
        standoff = self.field.exact(placed)[0]
        chosen = []
        for row in dict.fromkeys(rows[near[np.argsort(margin[near], kind="stable")]].tolist()):
            own = np.flatnonzero(rows[near] == row)
            k = own[np.argmin(margin[near[own]])]
            x, y, z = (float(v) for v in placed[k])
            chosen.append(Support(self.wearer.form.region_names[row], float(standoff[k]), (x, y, z)))
        return tuple(chosen)

    # --- laying on --------------------------------------------------------------------------------------------------

    def _lay_on(self, scale: float) -> Pose:
        """Return the square pose near which the piece is worn, where its inside follows the body most evenly."""
        if not self.head:
            return self._evened_from_file(scale)
        turn = self.axes @ self.attitude.axes.T
        vertices = self.wearer.form.mesh.vertices
        top = vertices[:, 2].max()
        skull = vertices[vertices[:, 2] > top - 120.0]
        aim = self.middle + 0.0
        inner = scale * self.points @ turn.T
        held = inner.mean(axis=0)
        low, high = inner.min(axis=0), inner.max(axis=0)
        if self.rest_axis == 2:
            aim = np.array([aim[0], 0.5 * (skull[:, 1].min() + skull[:, 1].max()), top - high[2] + held[2] + 8.0])
            held = np.array([held[0], 0.5 * (low[1] + high[1]), held[2]])
        else:
            face = self.field.form.landmarks.get("sellion")
            front = vertices[:, 1].min() if face is None else float(face[1])
            height = top - 125.0 if face is None else float(face[2]) - 20.0
            aim = np.array([aim[0], front + 10.0, height])
        middle = (turn @ (scale * self.attitude.middle)) @ self.axes[:, 0]
        shift = aim - held
        shift = shift + (self.middle @ self.axes[:, 0] - middle - shift @ self.axes[:, 0]) * self.axes[:, 0]
        start = Pose(turn, shift)
        free = np.zeros(6, bool)
        free[[1, 2]] = True
        free[3] = not self.attitude.level_known
        return self._even_out(start, scale, free)[0]

    def _evened_from_file(self, scale: float) -> Pose:
        """Return the most even pose about the file's own."""
        free = np.array([name not in self.pinned for name in FREEDOMS])
        starts = [self.start]
        for k in range(3):
            starts += [self.pose_at(self.start, s * 50.0 * np.eye(6)[k] * free, scale) for s in (-1, 1)]
            starts += [self.pose_at(self.start, s * 31.0 * np.eye(6)[3 + k] * free, scale) for s in (-1, 1)]
        tried = [self._even_out(pose, scale, free) for pose in starts]
        best, cost = tried[0]
        for pose, other in tried[1:]:
            if other < 0.98 * cost - 1e-6:  # of equals, such as the turns of a ball, the one nearest to the start
                best, cost = pose, other
        return best

    def _even_out(self, pose: Pose, scale: float, free: Any) -> tuple[Pose, float]:
        """Return the pose near one with the most even standoffs, and their robust spread (Levenberg-Marquardt)."""
        damping = 1e-2

        def spread(at: Pose) -> tuple[float, FloatArray]:
            value = np.asarray(self.few.standoff(at, scale), float)
            off = value - float(np.median(value))
            return float(np.mean(np.sqrt(1 + (off / 10.0) ** 2) - 1)), off

        cost, off = spread(pose)
        for _ in range(40):
            jacobian = self._slopes(pose, scale, self.few_rows)[:, free]
            weight = 1 / np.sqrt(1 + (off / 10.0) ** 2)
            centred = jacobian - (weight[:, None] * jacobian).sum(axis=0) / weight.sum()
            normal = centred.T @ (weight[:, None] * centred) / len(off)
            step = np.zeros(6)
            step[free] = np.linalg.solve(normal + damping * np.eye(len(normal)), -centred.T @ (weight * off) / len(off))
            moved = self.pose_at(pose, step, scale)
            new, new_off = spread(moved)
            if new < cost:
                done = cost - new < 1e-6 * cost
                pose, cost, off, damping = moved, new, new_off, max(damping / 4, 1e-6)
                if done:
                    break
            elif (damping := damping * 8) > 1e4:
                break
        return pose, cost


def _lowest(margin: Any, rows: Any, most: int = 300) -> Any:
    """Return those of some rows, given by a mask (n,), that have the least margins."""
    which = np.flatnonzero(rows)
    return which[np.argsort(margin[which], kind="stable")[:most]]


def _moved(pose: Pose, shift: FloatArray) -> Pose:
    return Pose(pose.rotation, pose.translation_mm + shift)


def seat(
    piece: Piece,
    wearer: Wearer,
    start: Pose | None = None,
    pinned: Sequence[str] = (),
    padding_mm: float = PADDING_MM,
    progress: Progress = silent,
) -> Seat:
    """Return where a piece is worn; see `Seater`.

    Raises
    ------
    InputError
        If a freedom is unknown, or the piece has no surface or comes nowhere near the wearer.
    """
    progress(0.1, f"seating {piece.name}")
    seater = Seater(piece, wearer, start, None, pinned, padding_mm, progress)
    rest = seater.seat()
    progress(0.6, f"seating {piece.name}")
    found = seater.judged(measure(piece, wearer, rest.pose, field=seater.field), rest)
    progress(1.0, f"seating {piece.name}")
    return Seat(rest, found)
