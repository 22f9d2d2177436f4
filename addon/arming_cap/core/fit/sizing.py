# SPDX-License-Identifier: GPL-3.0-or-later
"""The smallest uniform scale at which a piece leaves its wearer the room that was asked for.

The scale is about the origin of the files, as a slicing program or Blender applies it. With the seat fixed nothing
else moves; otherwise the piece is seated anew at each scale.

No root is missed and none is false. When a piece grows by ds, no point of it moves farther than ds times its distance
from the origin (seat fixed) or, the seat making up for the rest, from the piece's middle; a standoff changes no more
than its point moves. So from the drawn scale the search strides by margin over that distance, which cannot step over
a change of sign, down while there is room and up while there is none, and closes in on the first change it meets. The
answer is therefore the end of the range of scales that the drawn piece belongs to, not some tiny scale at which the
piece would vanish beside the wearer. With re-seating the strides rest on each seat being the best one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..piece import Piece
from ..pose import Pose
from ..progress import Progress, part_of, silent
from ..verdict import Place
from ..wearer.field import Probe
from ..wearer.form import Wearer
from .clearance import Clearance, field_for, label_rows, measure
from .seating import Seater
from .surface import surface_of

LOWEST, HIGHEST = 0.25, 4.0
SCALE_TOLERANCE = 2e-4
ROOM_TOLERANCE = 0.02  # mm
NORMAL_90 = 1.6448536269514722  # half-width of a normal law's 90 % interval, in standard deviations
PLA_G_PER_MM3 = 1.24e-3  # nominal, see the material's own sheet


@dataclass(frozen=True)
class Sizing:
    """The size that fits, and how sure that is.

    Attributes
    ----------
    scale
        The smallest that fits the form as it stands.
    range
        Scales that fit with 5 % and with 95 % probability, as the form's spread has it.
    limited_by, next_limits
        What limits, and the two regions that come next.
    margins
        What each region has left at `scale` (mm): its standoff less its allowance and the clearance asked for.
    curve
        (scale, probability of fitting), about the range.
    pose, clearance
        The seat at `scale`, and what was measured there.
    grams_per_percent
        What one per cent more weighs, printed solid in PLA; None where the piece encloses no volume.
    """

    scale: float
    range: tuple[float, float]
    limited_by: Place
    next_limits: tuple[Place, ...]
    margins: dict[str, float]
    curve: tuple[tuple[float, float], ...]
    pose: Pose
    clearance: Clearance
    grams_per_percent: float | None

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
            "grams_per_percent": None if self.grams_per_percent is None else round(self.grams_per_percent, 1),
        }


def size(
    piece: Piece,
    wearer: Wearer,
    clearance_mm: float = 0.0,
    seat: str = "fixed",
    start: Pose | None = None,
    progress: Progress = silent,
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

    Raises
    ------
    InputError
        If no scale fits, or every scale does.
    """
    progress(0.0, f"sizing {piece.name}")
    need = {name: wearer.allowance(name) + clearance_mm for name in wearer.form.region_names}
    seats = _Seats(piece, wearer, np.array(list(need.values())), seat, start, part_of(progress, 0.0, 0.5))

    def exact(scale: float) -> tuple[float, Clearance]:
        found = measure(piece, wearer, seats.pose(scale), scale)
        return min((r.min_mm - need[name] for name, r in found.regions.items()), default=np.inf), found

    low, high = _bracket(seats.margin, seats.rate, piece, progress)
    answer = _refined(seats.margin, exact, low, high)
    if answer is None:  # sampled points slipped past what a face between them touches: ask the triangles throughout
        low, high = _bracket(lambda at: exact(at)[0], seats.rate, piece, progress)
        answer = _refined(lambda at: exact(at)[0], exact, low, high)
    if answer is None:
        raise InputError("the margin turns too sharply to size", source=piece.name, remedy="check the mesh")
    scale, found = answer
    progress(0.8, f"sizing {piece.name}")
    _, larger = exact(scale * 1.01)
    models = {
        name: _Line(r.min_mm - need[name], (larger.regions[name].min_mm - r.min_mm) / (0.01 * scale), r.spread_mm)
        for name, r in found.regions.items()
        if name in larger.regions
    }
    bounds, curve = _spread(scale, models)
    order = sorted(models, key=lambda name: models[name].margin)
    places = tuple(Place(n, found.regions[n].part, found.regions[n].at) for n in order)
    volume = sum(part.mesh.volume_mm3 for part in piece.parts)
    progress(1.0, f"sizing {piece.name}")
    return Sizing(
        scale,
        bounds,
        places[0] if places else found.limited_by,
        places[1:3],
        {name: models[name].margin for name in models},
        curve,
        seats.pose(scale),
        found,
        PLA_G_PER_MM3 * volume * 0.03 * scale**3 if volume > 0 else None,
    )


class _Seats:
    """The pose and, by the field, the smallest margin at each scale."""

    def __init__(
        self, piece: Piece, wearer: Wearer, need: FloatArray, seat: str, start: Pose | None, progress: Progress
    ) -> None:
        self._known: dict[float, tuple[Pose, float]] = {}
        self._need = need
        self._start = start or Pose()
        self._seater: Seater | None = None
        vertices = surface_of(piece).mesh.vertices
        if seat == "best":
            self._seater = Seater(piece, wearer, start, progress=progress)
            self._seater.need = need
            self.rate = _reach(vertices - self._seater.centre)
        elif seat == "fixed":
            self._field = field_for(piece, wearer, self._start, progress=progress)
            # Samples 2 mm apart stand for large faces, as far as that can be afforded.
            count = int(min(surface_of(piece).mesh.areas.sum() / 4.0, 50_000))
            self._probe = Probe(self._field, np.concatenate([vertices, surface_of(piece).samples(count)[0]]))
            self.rate = _reach(vertices)
        else:
            raise InputError(f"the seat '{seat}' is not known", remedy="use fixed or best")

    def pose(self, scale: float) -> Pose:
        return self._at(scale)[0]

    def margin(self, scale: float) -> float:
        return self._at(scale)[1]

    def _at(self, scale: float) -> tuple[Pose, float]:
        if scale not in self._known:
            self._known[scale] = self._found(scale)
        return self._known[scale]

    def _found(self, scale: float) -> tuple[Pose, float]:
        if self._seater is None:
            value = self._probe.standoff(self._start, scale).astype(np.float64)
            if (self._need == self._need[0]).all():
                return self._start, float(np.min(value)) - float(self._need[0])
            rows = label_rows(self._field, self._probe.moved(self._start, scale))
            return self._start, float(np.min(value - self._need[rows]))
        if not self._known:
            return self._seater.seat(scale)
        nearest = min(self._known, key=lambda s: abs(s - scale))
        before = self._known[nearest][0]
        # Grown about its middle, not about the files' origin: the seat is then nearly right.
        shift = (nearest - scale) * (before.rotation @ self._seater.centre)
        return self._seater.seat(scale, replace(before, translation_mm=before.translation_mm + shift), near=True)


def _reach(points: FloatArray) -> float:
    """Return how far the farthest of some points (n, 3) is from the origin."""
    return float(np.sqrt(np.max((points**2).sum(axis=1))))


def _bracket(margin: Callable[[float], float], rate: float, piece: Piece, progress: Progress) -> tuple[float, float]:
    """Return a scale that does not fit and a larger neighbour that does."""
    scale, room = 1.0, margin(1.0)
    shrinking = room >= 0
    nearest = (room, scale)
    while True:
        stride = max(abs(room) / rate, SCALE_TOLERANCE)
        after = scale - stride if shrinking else scale + stride
        if not LOWEST <= after <= HIGHEST:
            break
        progress(0.5, f"sizing {piece.name}: {100 * after:.1f} %")
        new = margin(after)
        nearest = max(nearest, (new, after))
        if (new >= 0) != shrinking:
            return (after, scale) if shrinking else (scale, after)
        scale, room = after, new
    if shrinking:
        raise InputError(
            f"the piece is clear of the wearer at every scale down to {100 * LOWEST:.0f} %, so it is not around them",
            source=piece.name,
            remedy="put the piece where it is worn and check the units",
        )
    raise InputError(
        f"no scale up to {100 * HIGHEST:.0f} % fits: "
        f"the nearest is {100 * nearest[1]:.1f} %, {-nearest[0]:.1f} mm short",
        source=piece.name,
        remedy="ask for less clearance, move the piece to where it is worn, or let it be seated",
    )


def _refined(
    margin: Callable[[float], float], exact: Callable[[float], tuple[float, Clearance]], low: float, high: float
) -> tuple[float, Clearance] | None:
    """Return the scale between where the exact margin turns, from the side that fits, and the clearance there.

    None where the exact margin does not turn near where `margin` does.
    """
    while high - low > SCALE_TOLERANCE:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if margin(middle) >= 0 else (middle, high)
    # The field decided so far; the triangles have the last word, found by secants.
    scale, slope = high, max((margin(high + 0.01) - margin(high)) / 0.01, 1.0)
    room, found = exact(scale)
    best = (scale, found) if room >= -ROOM_TOLERANCE else None
    for _ in range(6):
        if abs(room) <= max(ROOM_TOLERANCE, 0.5 * SCALE_TOLERANCE * slope):
            return scale, found
        before, had = scale, room
        scale -= room / slope
        room, found = exact(scale)
        if room >= -ROOM_TOLERANCE and (best is None or scale < best[0]):
            best = scale, found
        if (room - had) * (scale - before) > 0:
            slope = (room - had) / (scale - before)
    return best


@dataclass(frozen=True)
class _Line:
    """A region's margin about the answer: its value there, its slope per unit of scale, its 90 % half-width."""

    margin: float
    slope: float
    spread: float

    def chance(self, step: float) -> float:
        """Return the probability that the margin is not negative at `step` more scale."""
        value = self.margin + self.slope * step
        if self.spread <= 0:
            return 1.0 if value >= -1e-3 else 0.0
        return 0.5 * (1 + math.erf(value * NORMAL_90 / self.spread / math.sqrt(2)))


def _spread(scale: float, models: dict[str, _Line]) -> tuple[tuple[float, float], tuple[tuple[float, float], ...]]:
    """Return the scales that fit with 5 % and 95 % probability, and the curve between and a little beyond.

    The regions' errors are taken as independent and normal, their margins as linear in scale near the answer.
    """
    if all(line.spread <= 0 for line in models.values()):
        return (scale, scale), ((scale, 1.0),)
    steps = np.linspace(-0.2, 0.2, 4001) * scale
    chance = np.array([math.prod(line.chance(step) for line in models.values()) for step in steps])
    chance = np.maximum.accumulate(chance)

    def at(level: float) -> float:
        found = int(np.searchsorted(chance, level))
        return float(scale + steps[min(found, len(steps) - 1)])

    low, high = min(at(0.05), scale), max(at(0.95), scale)
    room = max(0.25 * (high - low), 0.002)
    where = np.linspace(low - room, high + room, 25)
    return (low, high), tuple((float(s), float(np.interp(s - scale, steps, chance))) for s in where)
