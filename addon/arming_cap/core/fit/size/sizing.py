# SPDX-License-Identifier: GPL-3.0-or-later
"""The uniform scales at which a piece leaves its wearer the room that was asked for, and no more than is wanted.

The scale is about the origin of the files, as a slicing program or Blender applies it. With the seat fixed nothing
else moves; otherwise the piece is seated anew at each scale.

*Fixed.* Growing may carry a piece off its wearer as well as give them room: the margin need not be monotone, and a
piece that is clear of the wearer need not be around them. All changes of sign are walked through from below (`scales`),
and the first after which some of the wearer lies within the piece's hull is the answer. Where no scale has that, and
the piece as drawn has not either (a plate worn on the chest), it is the change of sign nearest to the drawn size, and
a warning says so.

*Seated.* The margin is that of what does not carry the piece, at rest. A larger hollow holds whatever a smaller one of
its shape holds, so it grows with the scale, save where the piece sinks deeper as it grows: the search goes from the
drawn size towards the change of sign, upwards only where the margin falls the other way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...distance.clearance import NEAR_MM, Clearance
from ...errors import InputError
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, part_of, silent
from ...tolerances import TOLERANCES
from ...verdict import Place
from ...wearer.form import Wearer
from ..seat.seats import Seats, growth, places_of, touch
from .causes import Causes, causes_of_spread
from .largest import largest_scale
from .scales import HIGHEST, LOWEST, SCALE_TOLERANCE, SEATED_TOLERANCE, Hull, NoScale, close_in, turns
from .uncertainty import Law, Places, after_reading, law_of
from .unequal import PerAxis, per_axis

PLA_G_PER_MM3 = 1.24e-3  # nominal, see the material's own sheet
# A piece smaller than this share of its wearer, or larger than its inverse, is in another unit.
SMALLEST_SHARE = 0.02
# A piece that is worn beside the body is no farther from it than this.
WORN_WITHIN_MM = 120.0
# What a reading must take off the range to be worth naming.
WORTH_READING = 0.05
# How often the place and the scale of a seated piece are sought in turns; three are enough as a rule.
ROUNDS = 10
# A seated piece with less room than this has none to spare, mm.
NO_ROOM_MM = 0.01
BESIDE = "no part of the wearer lies within the piece: it is sized as something worn beside them"


@dataclass(frozen=True)
class NextReading:
    """The dimension that would narrow the range most, were it measured.

    Attributes
    ----------
    dimension
        Its name.
    range
        What would be left, about the same answer.
    narrows_by
        Share of the range's width that goes, 0 to 1.
    """

    dimension: str
    range: tuple[float, float]
    narrows_by: float

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        return {
            "dimension": self.dimension,
            "range": [round(v, 5) for v in self.range],
            "narrows_by": round(self.narrows_by, 3),
        }


@dataclass(frozen=True)
class Sizing:
    """The size that fits, and how sure that is.

    Attributes
    ----------
    scale
        The smallest that fits the form as it stands.
    range
        Scales that fit with 5 % and with 95 % probability.
    limited_by, next_limits
        What limits, and the two regions that come next.
    margins
        What each region has left at `scale` (mm): its standoff less its allowance and the clearance asked for.
    curve
        (scale, probability of fitting), about the range.
    pose, clearance
        The seat at `scale`, and what was measured there.
    largest, largest_by
        The largest scale in one run with `scale` that still fits and is nowhere looser than asked, and what ends it;
        None where nothing does, or where already the smallest is looser: then `largest_by` alone says where.
    grams, grams_per_percent, grams_drawn
        What it weighs at `scale`, what one per cent more adds, and what it weighs as drawn, printed solid in PLA; None
        where the piece encloses no volume.
    next_reading
        What to measure next; None where no single reading would help.
    per_axis
        A scale for each axis that saves material; None where none does, or none was asked for.
    warnings
        Sentences for the user.
    """

    scale: float
    range: tuple[float, float]
    limited_by: Place
    next_limits: tuple[Place, ...]
    margins: dict[str, float]
    curve: tuple[tuple[float, float], ...]
    pose: Pose
    clearance: Clearance
    largest: float | None = None
    largest_by: Place | None = None
    grams: float | None = None
    grams_per_percent: float | None = None
    grams_drawn: float | None = None
    next_reading: NextReading | None = None
    per_axis: PerAxis | None = None
    warnings: tuple[str, ...] = ()

    @property
    def law(self) -> Law:
        """Range and curve."""
        return Law(self.range, self.curve)

    def as_dict(self) -> dict[str, Any]:
        """Return the sizing as JSON shows it."""
        return {
            "scale": round(self.scale, 5),
            "range": [round(v, 5) for v in self.range],
            "limited_by": self.limited_by.as_dict(),
            "next_limits": [place.as_dict() for place in self.next_limits],
            "margins": {name: round(v, 3) + 0.0 for name, v in self.margins.items()},
            "curve": [[round(s, 5), round(p, 4)] for s, p in self.curve],
            "seat": self.pose.as_dict(),
            "largest": None if self.largest is None else round(self.largest, 5),
            "largest_limited_by": None if self.largest_by is None else self.largest_by.as_dict(),
            "grams": _grams_out(self.grams),
            "grams_per_percent": _grams_out(self.grams_per_percent),
            "grams_drawn": _grams_out(self.grams_drawn),
            "next_reading": None if self.next_reading is None else self.next_reading.as_dict(),
            "per_axis": None if self.per_axis is None else self.per_axis.as_dict(),
        }


def _grams_out(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def size(
    piece: Piece,
    wearer: Wearer,
    clearance_mm: float = 0.0,
    seat: str = "fixed",
    start: Pose | None = None,
    progress: Progress = silent,
    *,
    loosest_mm: float | None = None,
    distortion: float = 0.0,
    causes: Causes | None = None,
    pinned: Sequence[str] = (),
    first: float = 1.0,
    span: tuple[float, float] = (LOWEST, HIGHEST),
) -> Sizing:
    """Return the smallest uniform scale at which every region keeps its allowance and `clearance_mm` more.

    Parameters
    ----------
    piece, wearer
        Who wears what.
    clearance_mm
        Wanted beyond the allowances.
    seat
        ``fixed`` to leave the piece where it is, ``best`` to seat it at every scale.
    start
        The fixed pose, or where seating begins; applied after scaling.
    loosest_mm
        How far what carries the piece may stand off beyond its allowance, for the largest scale; see `largest`.
    distortion
        How far the scales of two axes may differ, as a share; 0 for no scale per axis. `unequal.DISTORTION` is usual.
    causes
        What may make the wearer another than the form says; by default the form's spread.
    pinned
        Freedoms that seating leaves alone.
    first
        The scale that a seated piece's search begins with.
    span
        The scales that are looked through.

    Raises
    ------
    NoScale
        If no scale of the span fits, or every one does.
    InputError
        If piece and wearer cannot be in one unit.
    """
    progress(0.0, f"sizing {piece.name}")
    _check_extents(piece, wearer)
    need = wearer.allowances() + clearance_mm
    seats = Seats(piece, wearer, need, seat, start, pinned, part_of(progress, 0.0, 0.1))
    seats.span = span
    warnings: list[str] = []
    scale, found = smallest(seats, part_of(progress, 0.1, 0.6), warnings, first)
    progress(0.7, f"sizing {piece.name}: what limits it")

    causes = causes or causes_of_spread(wearer.form)
    at = touch(seats, found)
    grows = growth(at, found.pose, scale, None if seats.seater is None else seats.seater.centre)
    places = places_of(at, grows.sum(axis=1), causes, seats)
    law = law_of(scale, places, causes.drawn())
    margins = {name: r.room_mm - clearance_mm for name, r in found.regions.items()}
    margins = {name: margin for name, margin in margins.items() if np.isfinite(margin)}
    order = sorted(margins, key=lambda name: margins[name])
    limits = tuple(Place(n, found.regions[n].part, found.regions[n].at) for n in order)
    largest, ends = largest_scale(seats, found, loosest_mm, part_of(progress, 0.7, 0.85))
    volume = sum(part.mesh.volume_mm3 for part in piece.parts)
    weighs = volume > 0
    unequal = None
    if distortion > 0:
        progress(0.85, f"sizing {piece.name}: a scale for each axis")
        unequal = per_axis(seats, at, grows, scale, distortion, _nearly_smallest)
    progress(1.0, f"sizing {piece.name}")
    return Sizing(
        scale,
        law.range,
        limits[0] if limits else found.limited_by,
        limits[1:3],
        margins,
        law.curve,
        found.pose,
        found,
        largest,
        ends,
        PLA_G_PER_MM3 * volume * scale**3 if weighs else None,
        PLA_G_PER_MM3 * volume * 0.03 * scale**2 if weighs else None,
        PLA_G_PER_MM3 * volume if weighs else None,
        _next_reading(scale, places, causes, law),
        unequal,
        tuple(warnings),
    )


def _check_extents(piece: Piece, wearer: Wearer) -> None:
    own, theirs = (float(np.ptp(mesh.bounds, axis=0).max()) for mesh in (piece.mesh, wearer.form.mesh))
    if not SMALLEST_SHARE * theirs <= own <= theirs / SMALLEST_SHARE:
        raise InputError(
            f"the piece measures {own:.3g} mm and the wearer {theirs:.3g} mm",
            source=piece.name,
            remedy="give the unit of the file that says none",
        )


def smallest(seats: Seats, progress: Progress, warnings: list[str], first: float = 1.0) -> tuple[float, Clearance]:
    """Return the smallest scale that fits, and what is measured there; a seated piece begins at scale `first`.

    Raises
    ------
    InputError
        If no scale of the span fits, or every one does.
    """
    scale, found = _confirmed(seats, _smallest(seats, progress, warnings, first))
    if scale > seats.span[1] * (1 + SCALE_TOLERANCE):  # the triangles had the last word, and asked for more
        raise _no_scale(seats, (0.0, seats.span[1]))
    return scale, found


def _smallest(seats: Seats, progress: Progress, warnings: list[str], first: float = 1.0) -> float:
    """Return the smallest scale that fits, exact against the triangles.

    A seated piece begins at scale `first`.
    """
    if seats.seater is None:
        fails, fits = _fixed_bracket(seats, progress, warnings)
        found = seats.close_in(fails, fits)
    else:
        found = _seated_smallest(seats, first, progress)
    if found is None:
        raise InputError(
            "the margin turns too sharply with the scale", source=seats.piece.name, remedy="check the mesh"
        )
    return found


def _nearly_smallest(seats: Seats, near: float) -> float | None:
    """Return a scale that fits, exact against the triangles, not far above the smallest; None where that is not `near`.

    With the seat fixed it is the smallest.
    """
    if seats.seater is None:
        return _smallest(seats, silent, [])
    for _ in range(4):
        if (room := seats.exact(near)) >= 0:
            return near
        near += -1.2 * room / (0.6 * seats.rate) + SEATED_TOLERANCE * near
    return None


def _confirmed(seats: Seats, scale: float) -> tuple[float, Clearance]:
    """Return the scale and its clearance in full, a touch larger where the full measurement finds less room."""
    if (least := float(np.min(seats.need))) >= NEAR_MM:
        raise InputError(
            f"{least:g} mm of room are asked for everywhere, which would take a scale of {100 * scale:.0f} %; "
            f"standoffs are told up to {NEAR_MM:.0f} mm",
            source=seats.piece.name,
            remedy="ask for less room",
        )
    for last in (False, False, True):
        found = seats.measured(scale)
        need = dict(zip(seats.wearer.form.region_names, seats.need))
        short = -min((r.room_mm + r.allowance_mm - need[name] for name, r in found.regions.items()), default=0.0)
        if short <= TOLERANCES.standoff_mm or last:
            break
        scale += short / (0.9 * seats.rate)
    return scale, found


def _fixed_bracket(seats: Seats, progress: Progress, warnings: list[str]) -> tuple[float, float]:
    """Return a scale that does not fit and the next that does, with the wearer inside the piece if that can be."""
    hull = Hull(seats.piece.mesh, seats.wearer.form.mesh, seats.start)
    tried: list[tuple[float, float]] = []
    low, high = seats.span

    def margin(scale: float) -> float:
        progress((scale - low) / (high - low), f"sizing {seats.piece.name}: {100 * scale:.1f} %")
        tried.append((seats.margin(scale), scale))
        return tried[-1][0]

    for turn in turns(margin, seats.rate, low, high):
        if turn.fits and hull.holds(turn.after):
            return turn.before, turn.after
    lowest = tried[0]
    if lowest[0] >= 0 and hull.holds(low):
        raise _far_too_large(seats)
    drawn = min(max(1.0, low), high)
    if hull.holds(drawn):
        around = [pair for pair in tried if hull.holds(pair[1])]
        raise _no_scale(seats, max(around or tried))
    # Something that is worn beside the body: what is nearest to the drawn size.
    room = seats.margin(drawn)
    least = seats.exact(drawn) + float(np.max(seats.need))
    if least > WORN_WITHIN_MM:
        raise InputError(
            f"the piece lies wholly outside the wearer, {least:.0f} mm away",
            source=seats.piece.name,
            remedy="put it where it is worn, or let it be seated",
        )
    for turn in turns(margin, seats.rate, drawn, low if room >= 0 else high):
        warnings.append(BESIDE)
        return (turn.after, turn.before) if room >= 0 else (turn.before, turn.after)
    if room >= 0:
        raise _far_too_large(seats)
    raise _no_scale(seats, max(tried))


def _seated_smallest(seats: Seats, start: float, progress: Progress) -> float | None:
    """Return the smallest scale that fits a seated piece, by the field, from `start` on.

    In turns: fore-aft and pitch held, the scale where the margin turns; at that scale, the best fore-aft and pitch.
    """
    assert seats.seater is not None
    scale = min(max(start, seats.span[0]), seats.span[1])
    for _ in range(ROUNDS):
        room = seats.margin(scale)
        fails, fits = _seated_bracket(seats, scale, room, progress)
        found = close_in(seats.seater.held, fails, fits, 0.6 * seats.rate, SCALE_TOLERANCE)
        if found is None:
            return None
        near, scale = abs(found / scale - 1) < SEATED_TOLERANCE, found
        if near:
            break
    # The field errs to the safe side, by less than a tenth of a millimetre: the triangles have the last word.
    fitting: float | None = None
    for _ in range(4):
        room = seats.exact(scale)
        if room >= 0:
            fitting = scale
        if 0 <= room < NO_ROOM_MM:
            break
        scale -= room / (0.95 * seats.rate)
    return scale if fitting is None else fitting


def _seated_bracket(seats: Seats, scale: float, room: float, progress: Progress) -> tuple[float, float]:
    """Return a scale that does not fit and a larger one that does, from one with a margin `room`, all else held."""
    assert seats.seater is not None
    low, high = seats.span
    if room < 0 and (below := _fits_below(seats, scale, room)) is not None:
        scale, room = below, seats.seater.held(below)
    shrinking, slope = room >= 0, 0.6 * seats.rate
    nearest = (room, scale)
    while True:
        stride = min(1.15 * abs(room) / slope + SCALE_TOLERANCE, 0.3 * scale)
        after = max(scale - stride, low) if shrinking else min(scale + stride, high)
        if after == scale:  # the end of the range
            raise _far_too_large(seats) if shrinking else _no_scale(seats, nearest)
        progress(0.5, f"sizing {seats.piece.name}: {100 * after:.1f} %")
        new = seats.seater.held(after)
        nearest = max(nearest, (new, after))
        if (new >= 0) != shrinking:
            turn = scale - room * (after - scale) / (new - room)
            near = 2 * SEATED_TOLERANCE * turn
            return max(min(scale, after), turn - near), min(max(scale, after), turn + near)
        slope = min(max((new - room) / (after - scale), 0.2 * seats.rate), seats.rate)
        scale, room = after, new


def _fits_below(seats: Seats, scale: float, room: float) -> float | None:
    """Return a smaller scale that fits although `scale` does not; None where the margin `room` falls that way.

    The crown's gap holds a hollow down as it grows: one with a narrow rim may then meet the face or the nape that it
    cleared while it was smaller.
    """
    assert seats.seater is not None
    for _ in range(6):
        scale *= 0.95
        if scale < seats.span[0]:
            return None
        new = seats.seater.held(scale)
        if new >= 0:
            return scale
        if new <= room:
            return None
        room = new
    return None


def _far_too_large(seats: Seats) -> NoScale:
    low = seats.span[0]
    return NoScale(seats.span, low, seats.exact(low), seats.place(low), False, seats.piece.name)


def _no_scale(seats: Seats, nearest: tuple[float, float]) -> NoScale:
    scale = nearest[1]
    return NoScale(seats.span, scale, min(seats.exact(scale), 0.0), seats.place(scale), True, seats.piece.name)


def _next_reading(scale: float, places: Places, causes: Causes, law: Law) -> NextReading | None:
    """Return the unmeasured dimension whose reading would narrow the range most."""
    best: NextReading | None = None
    draws = causes.drawn()
    for name, sd in causes.reading_sd.items():
        left = law_of(scale, places, after_reading(draws, causes.names.index(name), sd))
        narrows = 1 - left.width / law.width if law.width > 0 else 0.0
        if narrows > max(WORTH_READING, best.narrows_by if best else 0.0):
            best = NextReading(name, left.range, narrows)
    return best
