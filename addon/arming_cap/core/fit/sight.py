# SPDX-License-Identifier: GPL-3.0-or-later
"""What the wearer sees from inside a piece.

Directions are told as a perimeter tells them: *eccentricity* θ, the angle from straight ahead (-Y), along a
*meridian*, a great half-circle from straight ahead to straight behind at an angle φ about that axis. The half-plane
of a meridian cuts every triangle in a segment, and a segment blocks one interval of θ: visibility along a meridian is
the complement of a union of intervals, exact to rounding. The four limits are read off the meridians to the left, to
the right, up and down. The solid angle is ∫dφ ∫sin θ dθ over what is open: the inner integral exact, the outer one by
the midpoint rule on `MERIDIANS` half-planes.

* A *limit* is where the open interval that begins straight ahead ends, so a bar in the way ends it; 180 where nothing
  is in the way, 0 where straight ahead itself is covered. The *outermost* open direction, bars or not, is told beside.
* ``open_sr`` counts the whole sphere of directions, 4π where there is no piece.
* ``both_eyes_deg`` is the horizontal angle that both eyes see at once, of things far away; ``either_eye_deg`` what at
  least one of them sees.
* ``open_fraction`` is the share of the field of a bare-headed wearer, both eyes taken together, that is left open.
* ``seen`` is cut by the wearer's own field (`OWN_FIELD`) and, where there is a form, by its nose, brow and cheeks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..mesh import TriangleMesh
from ..piece import Piece
from ..progress import Progress, part_of, silent
from ..verdict import Place, Status, Verdict
from ..wearer.form import Form
from .meridians import FRAME, Blocked, Surface, intervals, meridians

# Limits of one eye's field in degrees. Spector RH, "Visual Fields", in Clinical Methods, 3rd ed. 1990, chapter 116
# (NCBI Bookshelf NBK220). Between two limits the field's edge is taken as a quarter of an ellipse.
OWN_FIELD = {"nasal": 60.0, "temporal": 100.0, "up": 60.0, "down": 75.0}
MERIDIANS = 720  # divisible by three
# The form's skin this close to the eye point is the eye and its lids: they move with the gaze and hide nothing.
LIDS_MM = 14.0
_LEFT, _UP, _RIGHT, _DOWN = range(4)


@dataclass(frozen=True)
class EyeView:
    """What one eye sees.

    Attributes
    ----------
    nasal_deg, temporal_deg, up_deg, down_deg
        The limits towards the nose, the temple, up and down; see above.
    open_sr
        Solid angle of the open directions in steradians.
    tolerance_sr
        A cautious bound on the error of `open_sr`: see `Blocked.open_sr`.
    outermost_deg
        The outermost open direction along the same four, in the same order.
    """

    nasal_deg: float
    temporal_deg: float
    up_deg: float
    down_deg: float
    open_sr: float
    tolerance_sr: float
    outermost_deg: tuple[float, float, float, float]

    @property
    def limits_deg(self) -> tuple[float, float, float, float]:
        """The four limits: nasal, temporal, up, down."""
        return self.nasal_deg, self.temporal_deg, self.up_deg, self.down_deg

    @property
    def ahead_blocked(self) -> bool:
        """Whether straight ahead itself is covered."""
        return max(self.limits_deg) == 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return the view as JSON shows it."""
        names = ("nasal_deg", "temporal_deg", "up_deg", "down_deg")
        return {
            **{name: _rounded(angle) for name, angle in zip(names, self.limits_deg)},
            "open_sr": _rounded(self.open_sr, 6),
            "tolerance_sr": _rounded(self.tolerance_sr, 6),
            "ahead_blocked": self.ahead_blocked,
            "outermost": {name: _rounded(angle) for name, angle in zip(names, self.outermost_deg)},
        }


def _either(left: tuple[float, ...], right: tuple[float, ...]) -> dict[str, float]:
    """Return the larger angle of two eyes' (nasal, temporal, up, down) to the wearer's left and right, up and down."""
    return {
        "left": max(left[1], right[0]),
        "right": max(left[0], right[1]),
        "up": max(left[2], right[2]),
        "down": max(left[3], right[3]),
    }


@dataclass(frozen=True)
class View:
    """What two eyes see.

    Attributes
    ----------
    left, right
        Each eye.
    open_fraction
        Share of the bare-headed field left open, 0 to 1; see above.
    """

    left: EyeView
    right: EyeView
    open_fraction: float

    @property
    def both_eyes_deg(self) -> float:
        """Horizontal angle that both eyes see."""
        left, right = self.left, self.right
        return min(left.temporal_deg, right.nasal_deg) + min(left.nasal_deg, right.temporal_deg)

    @property
    def either_eye_deg(self) -> float:
        """Horizontal angle that at least one eye sees."""
        return self.reach["left"] + self.reach["right"]

    @property
    def reach(self) -> dict[str, float]:
        """How far at least one eye sees to the left, right, up and down, in degrees."""
        return _either(self.left.limits_deg, self.right.limits_deg)

    @property
    def outermost(self) -> dict[str, float]:
        """The outermost open direction of either eye to the left, right, up and down, in degrees."""
        return _either(self.left.outermost_deg, self.right.outermost_deg)

    def as_dict(self) -> dict[str, Any]:
        """Return the view as JSON shows it."""
        return {
            "left": self.left.as_dict(),
            "right": self.right.as_dict(),
            "both_eyes_deg": _rounded(self.both_eyes_deg),
            "either_eye_deg": _rounded(self.either_eye_deg),
            "open_fraction": _rounded(self.open_fraction, 6),
        }


@dataclass(frozen=True)
class Sight:
    """What is seen from inside a piece.

    Attributes
    ----------
    piece
        What the piece alone leaves open.
    seen
        The same, cut by the wearer's own field.
    stops
        What of the piece ends the view of the eye that sees farther to the left, right, up and down.
    warnings
        Sentences for the user.
    """

    piece: View
    seen: View
    stops: dict[str, Place]
    warnings: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return the sight as JSON shows it."""
        return {
            **self.piece.as_dict(),
            "seen": self.seen.as_dict(),
            "stops": {way: place.as_dict() for way, place in self.stops.items()},
        }


def eyes_of(form: Form) -> tuple[FloatArray, FloatArray]:
    """Return the left and the right eye point of a form, (3,) mm each: the front of the eyeball, to a tenth of a mm.

    Raises
    ------
    InputError
        If no head was recognised in the form.
    """
    try:
        # Landmarks are good to a millimetre or so: the rounding of their fit is not to show in the angles.
        return np.round(form.landmarks["pupil_left"], 1) + 0.0, np.round(form.landmarks["pupil_right"], 1) + 0.0
    except KeyError:
        raise InputError(
            "no eyes were recognised on the form",
            source=form.mesh.name,
            remedy="give them with --eyes X,Y,Z,X,Y,Z, the left eye and then the right",
        ) from None


def look_out(
    piece: Piece,
    left_eye: FloatArray,
    right_eye: FloatArray,
    form: Form | None = None,
    progress: Progress = silent,
) -> Sight:
    """Return what is seen from inside a piece, looking straight ahead.

    Parameters
    ----------
    piece
        In worn position; any triangle soup.
    left_eye, right_eye
        (3,) mm; the wearer's left is +X.
    form
        The wearer, in the piece's frame, whose nose, brow and cheeks then count in `Sight.seen`.
    progress
        Fraction done, and a step in words.

    Raises
    ------
    InputError
        If an eye is no point, or the left eye lies to the right of the right one.
    """
    eyes = [np.asarray(eye, np.float64).ravel() for eye in (left_eye, right_eye)]
    if any(eye.shape != (3,) or not np.isfinite(eye).all() for eye in eyes):
        raise InputError("an eye is no point in space", remedy="give three numbers for each eye, in mm")
    if eyes[0][0] < eyes[1][0]:
        raise InputError(
            "the left eye lies to the right of the right eye",
            remedy="give the left eye first; the wearer faces -Y and their left is +X",
        )
    outlooks = [
        _Outlook.of(eye, side, piece.mesh, form, part_of(progress, start, start + 0.5))
        for eye, side, start in zip(eyes, (1, -1), (0.0, 0.5))
    ]
    left, right = outlooks
    bare = [left.round_bare, right.round_bare]
    field = [_own_field(MERIDIANS, o.side) for o in outlooks]
    alone = View(
        _eye_view(left.round_piece, left.cross_piece, left.side),
        _eye_view(right.round_piece, right.cross_piece, right.side),
        _share([o.round_piece + own for o, own in zip(outlooks, field)], field),
    )
    seen_round = [o.round_piece + o.round_bare for o in outlooks]
    seen = View(
        _eye_view(seen_round[0], left.cross_piece + left.cross_bare, left.side),
        _eye_view(seen_round[1], right.cross_piece + right.cross_bare, right.side),
        _share(seen_round, bare),
    )
    farther = {
        "left": (_LEFT, alone.left.temporal_deg >= alone.right.nasal_deg),
        "right": (_RIGHT, alone.left.nasal_deg > alone.right.temporal_deg),
        "up": (_UP, alone.left.up_deg >= alone.right.up_deg),
        "down": (_DOWN, alone.left.down_deg >= alone.right.down_deg),
    }
    stops = {way: outlooks[not left].stop(piece, row) for way, (row, left) in farther.items()}
    warnings = tuple(
        f"straight ahead of the {name} eye the view is covered: its limits are 0"
        for name, view in (("left", alone.left), ("right", alone.right))
        if view.ahead_blocked
    )
    progress(1.0, "Sight")
    return Sight(alone, seen, stops, warnings)


@dataclass(frozen=True)
class Demand:
    """How far at least one eye must see.

    Attributes
    ----------
    way
        ``across``, ``left``, ``right``, ``up`` or ``down``.
    fail_below_deg, pass_from_deg
        Between the two the verdict is marginal.
    source
        Where the two come from.
    """

    way: str
    fail_below_deg: float
    pass_from_deg: float
    source: str


# No rule is made for costume. A pass sees what a driver must: 120° across, 50° to each side, 20° up and down; read in
# summaries of the UK's Group 1 standard, which restates the directive. What fails to a side is narrower than an eye
# protector's window, an ellipse 22.0 mm wide at 25 mm: atan(11/25) = 23.7°; read in Health Technol. 2020,
# doi 10.1007/s12553-020-00429-2, Table 1.
_DRIVING = "Directive 2006/126/EC, Annex III, as amended by 2009/113/EC: the field of vision of a car's driver"
_WINDOW = "EN 166, clause 7.1.1: the window of an eye protector"
_BLINDNESS = "20 CFR 404.1581: a field of 20° across counts as blindness, so 10° upwards"
_STEPS = "UN Regulation 22.05, clause 6.9 (from memory): a rider's helmet opens 45° downwards; steps are down there"
DEMANDS = (
    Demand("across", 48.0, 120.0, f"{_WINDOW}, both sides; {_DRIVING}"),
    Demand("left", 24.0, 50.0, f"{_WINDOW}; {_DRIVING}"),
    Demand("right", 24.0, 50.0, f"{_WINDOW}; {_DRIVING}"),
    Demand("up", 10.0, 20.0, f"{_BLINDNESS}; {_DRIVING}"),
    Demand("down", 20.0, 45.0, f"{_DRIVING}; {_STEPS}"),
)
_WORDS = {
    "across": "from side to side",
    "left": "to the left",
    "right": "to the right",
    "up": "upwards",
    "down": "downwards",
}


def judge_sight(sight: Sight) -> Verdict:
    """Return the verdict on what the wearer sees with at least one eye.

    The number is the demand that comes off worst: least in proportion to what a pass asks. One eye covered
    straight ahead is marginal at best; both are a fail, for then every limit is 0.
    """
    reach = {**sight.seen.reach, "across": sight.seen.either_eye_deg}
    judged = [(_status(reach[d.way], d), reach[d.way] / d.pass_from_deg, d) for d in DEMANDS]
    status, _, demand = min(judged, key=lambda j: (-j[0].severity, j[1]))
    covered = [n for n, eye in (("left", sight.seen.left), ("right", sight.seen.right)) if eye.ahead_blocked]
    if covered and status is Status.PASS:
        status = Status.MARGINAL
    number = reach[demand.way]
    way = _WORDS[demand.way]
    # Across is limited where the narrower side is.
    stop = min(("left", "right"), key=lambda side: reach[side]) if demand.way == "across" else demand.way
    # Cut off, not rounded: what is a hair under a demand must not read as if it met it.
    why, mend = f"at least one eye sees {np.floor(10 * number + 1e-6) / 10:.1f}° {way}", ""
    if covered:
        why += f"; straight ahead of the {' and the '.join(covered)} eye the view is covered"
    if status is not Status.PASS:
        if sight.seen.outermost[stop] > reach[stop] + 1.0:
            why += f"; past what is in the way it goes on, out to {sight.seen.outermost[stop]:.0f}° {_WORDS[stop]}"
        mend = "clear the view straight ahead" if covered else f"widen the eye openings {way}"
        mend += ", or wear the piece with a part taken off"
    return Verdict(
        "sight",
        status,
        number,
        "°",
        f"at least {demand.pass_from_deg:.0f}° {way}",
        # Where the wearer's own nose, brow or field ends the view, nothing of the piece does.
        limited_by=sight.stops[stop] if sight.piece.reach[stop] <= reach[stop] else Place(),
        why=why,
        mend=mend,
        details={**sight.as_dict(), "demands": [{**vars(d), "seen_deg": _rounded(reach[d.way])} for d in DEMANDS]},
    )


def _status(angle: float, demand: Demand) -> Status:
    if angle >= demand.pass_from_deg:
        return Status.PASS
    return Status.MARGINAL if angle >= demand.fail_below_deg else Status.FAIL


@dataclass(frozen=True, eq=False)
class _Outlook:
    """What blocks one eye, all round and on the cross of the four limits; `side` is 1 for the left eye, else -1."""

    eye: FloatArray
    side: int
    surface: Surface
    round_piece: Blocked
    round_bare: Blocked
    cross_piece: Blocked
    cross_bare: Blocked

    @classmethod
    def of(cls, eye: FloatArray, side: int, mesh: TriangleMesh, form: Form | None, progress: Progress) -> _Outlook:
        piece = Surface.of(mesh, eye)
        text = f"What the {'left' if side > 0 else 'right'} eye sees"
        around = piece.blocks(MERIDIANS, part_of(progress, 0.0, 0.8), text)
        bare = [_own_field(MERIDIANS, side), _own_field(4, side)]
        if form is not None:
            body = Surface.of(form.mesh, eye, LIDS_MM)
            bare[0] += body.blocks(MERIDIANS, part_of(progress, 0.8, 1.0), text)
            bare[1] += body.blocks(4)
        return cls(eye, side, piece, around, bare[0], piece.blocks(4), bare[1])

    def stop(self, piece: Piece, row: int) -> Place:
        """Return what of the piece ends the view along one of the four meridians."""
        limit = np.radians(self.cross_piece.limits_deg()[row])
        if row not in self.cross_piece.row:
            return Place()
        rows, triangle, p, q = (np.concatenate(a) for a in zip(*self.surface.segments(4)))
        low, _ = intervals(p, q)
        here = np.flatnonzero(rows == row)
        found = here[np.argmin(np.abs(low[here] - limit))]
        # Where the segment meets the line of sight; seen end on, its nearer end.
        ray = np.array([np.cos(limit), np.sin(limit)])
        along = (q - p)[found]
        slope = ray[0] * along[1] - ray[1] * along[0]
        cut = p[found, 0] * along[1] - p[found, 1] * along[0]
        ends = np.linalg.norm([p[found], q[found]], axis=1)
        far = cut / slope if abs(slope) > 1e-9 * np.linalg.norm(along) else ends.min()
        ahead, out = np.clip(far, 0.0, ends.max()) * ray
        x, y, z = (float(v) for v in self.eye + ahead * FRAME[0] + out * (meridians(4)[row] @ FRAME[1:]))
        return Place(part=piece.parts[piece.part_of_triangle[triangle[found]]].name, at=(x, y, z))


def _eye_view(around: Blocked, cross: Blocked, side: int) -> EyeView:
    """Return one eye's view from what is blocked all round and on the cross."""
    order = [_RIGHT, _LEFT, _UP, _DOWN] if side > 0 else [_LEFT, _RIGHT, _UP, _DOWN]
    nasal, temporal, up, down = (float(v) for v in cross.limits_deg()[order])
    out = cross.outermost_deg()[order]
    outermost = (float(out[0]), float(out[1]), float(out[2]), float(out[3]))
    return EyeView(nasal, temporal, up, down, *around.open_sr(), outermost)


def _share(of: list[Blocked], whole: list[Blocked]) -> float:
    """Return the solid angle that either eye has open in `of`, as a share of that in `whole`."""

    def either(eyes: list[Blocked]) -> float:
        left, right = eyes
        return left.open_sr()[0] + right.open_sr()[0] - (left + right).open_sr()[0]

    return min(either(of) / either(whole), 1.0)


def _own_field(count: int, side: int) -> Blocked:
    """Return what lies outside the field of one bare eye."""
    across, up = meridians(count).T
    horizontal = np.where(across * side > 0, OWN_FIELD["temporal"], OWN_FIELD["nasal"])
    vertical = np.where(up > 0, OWN_FIELD["up"], OWN_FIELD["down"])
    limit = np.radians(1.0 / np.hypot(across / horizontal, up / vertical))
    return Blocked(count, np.arange(count), limit, np.full(count, np.pi))


def _rounded(value: float, digits: int = 4) -> float:
    return round(float(value), digits) + 0.0
