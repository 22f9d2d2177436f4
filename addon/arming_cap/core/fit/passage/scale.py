# SPDX-License-Identifier: GPL-3.0-or-later
"""The smallest scale at which a piece goes on, from both sides.

The tree over the piece is built once: a scale multiplies its radii. At each scale only the sign of the widest way's
pinch is asked. A way passes that falls short by no more than `FINE`, which a thousandth of the scale makes up for:
where clearance limits the scale the seat's own margin is 0, and no way is wider. How narrow a way is by the grid says
where to ask next. A way that passed is tried first at the next.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, silent
from ...wearer.form import Wearer
from .lift import seated
from .search import FINE, Found, Search, find_way
from .springs import sprung

MOST_SCALES = 40  # halving a span of 0.5 to 2 down to a thousandth takes 11, finding its ends as many
FIRST_STEP = 0.2  # of the scale at the most, until both sides are known; then twice that
JUST_ABOVE = 0.3  # of the share asked for: so far above where the pinch seems to be 0 a scale is tried
JUST_BELOW = 0.9  # and so far below one that passes
MOST_BOXES = 4000  # at one scale: what is not settled by then lies too close to 0 to be told from it


@dataclass(frozen=True)
class ScaleBounds:
    """The smallest scale that passes, from both sides.

    Attributes
    ----------
    passes
        Has a way verified to within `FINE`; None where no scale of the span was found to.
    fails
        The largest scale tried below that that was not found to pass; None where the smallest of the span passes.
    proved
        Whether there it is proved that none exists, in the freedoms searched.
    """

    passes: float | None
    fails: float | None
    proved: bool


def scale_bounds(
    piece: Piece,
    wearer: Wearer,
    seat_at: Callable[[float], Pose],
    options: Search = Search(),  # noqa: B008  frozen
    progress: Progress = silent,
    span: tuple[float, float] = (0.5, 2.0),
    first: float = 1.0,
    within: float = 0.0025,
    known_way: FloatArray | None = None,
) -> ScaleBounds:
    """Return the smallest uniform scale, about the frame's origin, that passes, and the largest below that does not.

    Parameters
    ----------
    piece, wearer
        What, and on whom.
    seat_at
        The worn pose at a scale; ``Pose()`` for places as filed.
    options, progress
        As `find_way` takes them; of each scale only the sign of the pinch is asked. Whether it is proved that what
        fails does is asked with `Search.proved`.
    span, first
        The smallest and the largest scale of interest, and the one that is tried first.
    within
        The share of the scale by which the two may differ at the end.
    known_way
        (k, 6) the `Passage.motion` of another scale.
    """
    least, most = span
    if not least <= most:
        return ScaleBounds(None, None, False)
    hunt = _Scales(piece, wearer, seat_at, options, progress, known_way)
    hunt.look(float(np.clip(first, least, most)), True)
    step = FIRST_STEP
    for again in range(MOST_SCALES):
        low, high = hunt.fails, hunt.passes
        if high is None:  # until both sides are known
            assert low is not None
            if low >= most:
                break
            hunt.look(min(low + hunt.beyond(low, step), most), True)
            step *= 2
        elif low is None:
            if high <= least:
                break
            hunt.look(max(high - hunt.beyond(high, step), least), True)
            step *= 2
        elif high / low - 1 > within:
            hunt.look(hunt.between(low, high, within, bool(again % 3)), False)
        elif options.proved and low not in hunt.proved:
            hunt.look(low, True)
        else:
            break
    low = hunt.fails
    return ScaleBounds(hunt.passes, low, low is not None and hunt.proved.get(low, False))


class _Scales:
    """What is known of some scales.

    Attributes
    ----------
    width
        About the pinch of the widest way found, mm, by scale.
    proved
        Scales at which all ways were looked for, and whether it was proved that none passes.
    """

    def __init__(
        self,
        piece: Piece,
        wearer: Wearer,
        seat_at: Callable[[float], Pose],
        options: Search,
        progress: Progress,
        chain: FloatArray | None,
    ) -> None:
        self.piece, self.wearer, self.seat_at, self.progress, self.chain = piece, wearer, seat_at, progress, chain
        self.opens_mm = options.springs_mm
        self.options = replace(
            options, springs_mm=0.0, decide_only=True, measured=False, most_cells=min(options.most_cells, MOST_BOXES)
        )
        self.size = 0.5 * float(np.median(np.ptp(piece.mesh.bounds, axis=0)))
        self.width: dict[float, float] = {}
        self.proved: dict[float, bool] = {}
        self._passing: set[float] = set()

    @property
    def passes(self) -> float | None:
        """The smallest scale that passes."""
        return min(self._passing, default=None)

    @property
    def fails(self) -> float | None:
        """The largest scale below that at which no way was found."""
        high = np.inf if self.passes is None else self.passes
        return max((s for s in self.width if s not in self._passing and s < high), default=None)

    def look(self, scale: float, elsewhere: bool) -> None:
        """Look for a way at a scale: elsewhere than where one is known only if asked."""
        self.progress(0.5, f"passage: at {100 * scale:.1f} %")
        pose = self.seat_at(scale)
        found = self._way(self.piece, pose, scale, elsewhere)
        opened = sprung(self.piece, self.opens_mm / scale)
        if opened is not self.piece and not found.passes and found.at_seat.margin_mm >= 0:
            found = self._way(opened, pose, scale, elsewhere)
        self.width[scale] = found.width
        if found.passes:
            self._passing.add(scale)
        if found.passes or self.chain is None:
            self.chain = found.chain
        if elsewhere:
            self.proved[scale] = found.bound < 0

    def _way(self, piece: Piece, pose: Pose, scale: float, elsewhere: bool) -> Found:
        scene = seated(piece, self.wearer, pose, scale=scale)
        scene = replace(scene, allowances=scene.allowances - FINE)
        return find_way(scene, self.options, self.progress, self.chain, elsewhere)

    def beyond(self, scale: float, step: float) -> float:
        """Return a change of scale, a little more than would bring the pinch to 0 if it grew as the piece does."""
        return float(np.clip(1.1 * abs(self.width[scale]) / self.size, step / 16, step))

    def between(self, low: float, high: float, within: float, straight: bool) -> float:
        """Return a scale between two: about where the pinch is 0 if it grows `straight`, else half way."""
        middle = float(np.sqrt(low * high))
        rise = self.width[high] - self.width[low]
        if not straight or rise <= 0:
            return middle
        nought = low + (high - low) * float(np.clip(-self.width[low] / rise, 0.0, 1.0))
        tried = nought * (1 + JUST_ABOVE * within)
        if tried > high * (1 - JUST_ABOVE * within):
            tried = high * (1 - JUST_BELOW * within)
        return tried if low * (1 + 0.1 * within) < tried < high else middle
