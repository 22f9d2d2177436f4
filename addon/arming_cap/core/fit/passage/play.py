# SPDX-License-Identifier: GPL-3.0-or-later
"""The play of a seat: where a passage begins.

A piece that rests touches what carries it, so its least margin at rest is nothing, or less where it presses. It is put
on by hand, and a hand lifts it that much: a passage may begin anywhere near the seat where the margins leave more room.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...arrays import FloatArray
from ...distance.margins import margins_of
from ...distance.motion import least_along, pose_of
from ...piece import Piece
from ...pose import Pose
from ...tolerances import TOLERANCES
from ...wearer.form import Wearer
from .lift import seated
from .widen import margins_at

PLAY_MM = 5.0  # about a finger's padding; ours to choose, no source
PLAY_RAD = np.radians(4.0)
ROOM_MM = 0.5  # a seat with so much room is where the passage begins
WORTH_MM = 0.05  # more room than at the seat is taken from so much on


@dataclass(frozen=True)
class Begin:
    """Where a passage begins.

    Attributes
    ----------
    pose
        From the piece's frame to the wearer's.
    off_mm
        How far the piece's middle is from where it is at the seat.
    """

    pose: Pose
    off_mm: float = 0.0


def begun(piece: Piece, wearer: Wearer, seat: Pose) -> Begin:
    """Return where the passage of a piece begins: at its seat, or near it where that leaves no room and less does.

    Raises
    ------
    InputError
        If the piece has no triangles.
    """
    scene = seated(piece, wearer, seat)

    def exact(placement: FloatArray) -> float:
        about = (scene.field, scene.allowances, TOLERANCES.standoff_mm)
        return least_along(scene.cover, scene.pivot, placement[None], *about).margin_mm

    at_seat = exact(np.zeros(6))
    if at_seat >= ROOM_MM:
        return Begin(seat)
    margins = margins_of(scene.field, scene.allowances)
    step = np.array([0.0, 0.5 * PLAY_MM, 0.5 * PLAY_MM, PLAY_RAD, 0.0, 0.0])
    best = np.zeros(6)
    for reach in (2, 1, 1):
        ticks = np.arange(-reach, reach + 1)
        fore, up, turn = (g.ravel() for g in np.meshgrid(ticks, ticks, ticks[np.abs(ticks) < 2], indexing="ij"))
        tried = best + step * np.stack([0 * fore, fore, up, turn, 0 * fore, 0 * fore], axis=1)
        tried = tried[np.linalg.norm(tried[:, :3], axis=1) <= PLAY_MM]
        tried = tried[np.argsort(np.linalg.norm(tried[:, :3], axis=1), kind="stable")]  # of equals the nearest
        best = tried[int(np.argmax(np.round(margins_at(tried, scene.forest, scene.pivot, margins), 2)))]
        step = step / 2
    if exact(best) < at_seat + WORTH_MM:
        return Begin(seat)
    return Begin(pose_of(best, scene.pivot, seat), float(np.linalg.norm(best[:3])))
