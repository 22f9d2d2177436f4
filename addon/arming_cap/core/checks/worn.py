# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the piece is worn: the one seat that every check, every verb and the panel stand on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from ..distance.clearance import Clearance, measure
from ..fit.passage.play import Begin, begun
from ..fit.seat.rest import Rest
from ..fit.seat.seating import seat as find_seat
from ..piece import Piece
from ..pose import Pose
from ..progress import Progress, silent
from ..wearer.form import Wearer
from .job import Fitting


@dataclass(frozen=True, eq=False)
class Worn:
    """A piece on a wearer in the pose in which it is worn.

    Attributes
    ----------
    one
        The piece as its files hold it, the wearer, the scale, and which seat was asked for.
    piece
        The piece at that scale.
    pose
        Applied after scaling.
    clearance
        What was measured there.
    rest
        How it rests, where the seat was sought.
    """

    one: Fitting
    piece: Piece
    pose: Pose
    clearance: Clearance
    rest: Rest | None = None

    @property
    def wearer(self) -> Wearer:
        """Who wears it."""
        return self.one.wearer


def worn(one: Fitting, progress: Progress = silent, pinned: tuple[str, ...] = ()) -> Worn:
    """Return a fitting in the pose in which it is worn: as filed for ``fixed``, else where the piece comes to rest.

    `pinned` are freedoms that seating leaves alone.

    Raises
    ------
    InputError
        If the piece comes nowhere near the wearer.
    """
    piece = one.piece.scaled(one.scale)
    if one.seat == "fixed":
        progress(0.0, f"{piece.name} on {one.wearer.name}: measuring the standoff")
        return Worn(one, piece, Pose(), measure(piece, one.wearer, Pose(), progress=progress))
    seat = find_seat(piece, one.wearer, progress=progress, pinned=pinned)
    return Worn(one, piece, seat.pose, seat.clearance, seat.rest)


def begin_of(one: Fitting, piece: Piece, wearer: Wearer, pose: Pose, rest: Rest | None) -> Begin:
    """Return where the way of a worn piece begins: as filed, or within the play of a seat that was sought.

    A piece that stops short of its rest is not worn where it stops: its way begins where it would rest, in the body.
    """
    if one.seat == "fixed":
        return Begin(pose)
    if rest is not None and rest.would_rest is not None:
        return Begin(rest.would_rest)
    return begun(piece, wearer, pose)


def begins_at(one: Fitting, wearer: Wearer) -> Callable[[float], Pose]:
    """Return how the pose at a scale is told in which the way of the whole piece begins, whatever is off meanwhile."""
    known: dict[float, Pose] = {}

    def at(scale: float) -> Pose:
        if scale not in known:
            pose, rest, piece = Pose(), None, one.piece.scaled(scale)
            if one.seat != "fixed":
                rest = find_seat(piece, one.wearer).rest
                pose = rest.pose
            known[scale] = begin_of(one, piece, wearer, pose, rest).pose
        return known[scale]

    return at


def firm(wearer: Wearer) -> Wearer:
    """Return the wearer as a body that gives nowhere."""
    return replace(wearer, allowance_mm={name: max(room, 0.0) for name, room in wearer.allowance_mm.items()})


def flattened(wearer: Wearer, gives_mm: float) -> Wearer:
    """Return the wearer with padding pressed down by so much, but not below the skin; what gives stays as it is."""
    pressed = {name: min(room, max(room - gives_mm, 0.0)) for name, room in wearer.allowance_mm.items()}
    return replace(wearer, allowance_mm=pressed)
