# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a margin turns over the scale: searches that step over no root and settle on no false one.

When a piece grows by ds about the files' origin, no point of it moves farther than ds times its distance from there,
and a standoff changes no more than its point moves. `turns` therefore strides by margin over that distance, which
cannot step over a change of sign; `close_in` keeps a scale that fits and one that does not on either side until they
are as good as one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ...arrays import FloatArray
from ...errors import InputError
from ...mesh import TriangleMesh
from ...pose import Pose
from ...verdict import Place
from ...wearer.plain import plain

# Where a scale is looked for unless another range is asked for. A print of half or twice its drawn size is another
# design; common practice, no source.
LOWEST, HIGHEST = 0.5, 2.0
SCALE_TOLERANCE = 2e-4
# A seat is found to a few hundredths of a millimetre: closer than this the margin of a seated piece says nothing.
SEATED_TOLERANCE = 5e-4
_DIRECTIONS = 256
_MOST_POINTS = 20_000
DEEP = 0.05  # of the piece's largest extent

Margin = Callable[[float], float]


class NoScale(InputError):
    """No scale of the range that was looked through fits: an answer, not a wrong call.

    Attributes
    ----------
    larger
        Whether more room was wanted at every scale; otherwise every one is clear of the wearer.
    span
        The range that was looked through.
    scale, margin_mm, place
        The scale that comes nearest, the least margin there (negative where room lacks), and where that is.
    """

    def __init__(
        self, span: tuple[float, float], scale: float, margin_mm: float, place: Place, larger: bool, source: str
    ) -> None:
        self.span, self.scale, self.margin_mm, self.place, self.larger = span, scale, margin_mm, place, larger
        where = f" at the {plain(place.region)}" if place.region not in ("", "whole") else ""
        if larger:
            what = (
                f"no scale up to {100 * span[1]:.0f} % gives this room; the most is "
                f"\N{MINUS SIGN}{abs(margin_mm):.1f} mm{where} at {100 * scale:.1f} %, part {place.part}"
            )
            remedy = "ask for less room, look through larger scales, or move the piece to where it is worn"
        else:
            what = f"the piece is clear of the wearer at every scale down to {100 * span[0]:.0f} %"
            remedy = "check the units of both, and that the piece is worn there; or look through smaller scales"
        super().__init__(what, source=source, remedy=remedy)


@dataclass(frozen=True)
class Turn:
    """A change of sign: the last scale before it, the first after it, and whether the piece fits after it."""

    before: float
    after: float
    fits: bool


def turns(margin: Margin, rate: float, start: float, end: float) -> Iterator[Turn]:
    """Yield every change of sign of a margin (mm) from `start` to `end`, up or down.

    `rate` (mm per unit of scale) is a bound on how fast the margin changes; changes that follow one another within
    `SCALE_TOLERANCE` may go unseen.
    """
    ahead = 1.0 if end > start else -1.0
    scale, room = start, margin(start)
    while scale != end:
        after = scale + ahead * max(abs(room) / rate, SCALE_TOLERANCE)
        after = min(after, end) if ahead > 0 else max(after, end)
        new = margin(after)
        if (new >= 0) != (room >= 0):
            yield Turn(scale, after, new >= 0)
        scale, room = after, new


def close_in(
    margin: Margin, fails: float, fits: float, slope: float, within: float = SCALE_TOLERANCE, most: int = 60
) -> float | None:
    """Return the scale between two where a margin turns, from the side that fits.

    The two are moved apart first if they are not what they are said to be, by what `slope` (mm per unit of scale, a
    guess) asks for or more. Then regula falsi, Illinois variant (Dowell and Jarratt 1971): both ends stay on their
    side of the root, so the answer cannot be a false one. None where no such pair is found. It ends `within` a share of
    the scale.
    """

    def enough(room: float) -> bool:
        return 0 <= room <= 0.5 * within * slope * abs(fits)

    ahead = 1.0 if fits > fails else -1.0
    step = abs(fits - fails)
    good = margin(fits)
    lowest = None
    while good < 0 and most:
        fails, lowest = fits, good
        step, most = max(1.5 * step, -1.2 * good / slope), most - 1
        fits += ahead * step
        good = margin(fits)
    if enough(good):
        return fits
    bad = margin(fails) if lowest is None else lowest
    while bad >= 0 and most:
        fits, good = fails, bad
        if enough(good):
            return fits
        step, most = max(1.5 * step, 1.2 * bad / slope), most - 1
        fails -= ahead * step
        bad = margin(fails)
    if good < 0 or bad >= 0:
        return None
    weight_good, weight_bad, kept = good, bad, 0
    while abs(fits - fails) > within * abs(fits) and not enough(good) and most:
        most -= 1
        # Aimed a little to the side that fits, where the search may end.
        share = (weight_good - 0.2 * within * slope) / (weight_good - weight_bad)
        middle = fits + min(max(share, 0.02), 0.98) * (fails - fits)
        new = margin(middle)
        if new >= 0:  # an end that stays twice counts half
            fits, good, weight_good, weight_bad = middle, new, new, weight_bad * (0.5 if kept > 0 else 1.0)
            kept = 1
        else:
            fails, weight_bad, weight_good = middle, new, weight_good * (0.5 if kept < 0 else 1.0)
            kept = -1
    return fits


class Hull:
    """Whether a wearer is within a piece's hull, at any scale about the files' origin.

    The hull is taken as the meeting of `_DIRECTIONS` half-spaces evenly about the sphere, the wearer as points a little
    under their skin. A piece that stands beside its wearer, or has left them over the head, has nothing of them within
    it, however clear of them it is.
    """

    def __init__(self, piece: TriangleMesh, form: TriangleMesh, pose: Pose) -> None:
        count = np.arange(_DIRECTIONS) + 0.5
        polar, turn = np.arccos(1 - 2 * count / _DIRECTIONS), np.pi * (1 + np.sqrt(5.0)) * count
        directions = np.stack([np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)], axis=1)
        some = np.arange(0, len(form), max(1, len(form) // _MOST_POINTS))
        some = some[form.areas[some] > 0]
        inward = -form.area_vectors[some] / form.areas[some, None] * np.sign(form.volume_mm3)
        self._support: FloatArray = (piece.vertices @ pose.rotation.T @ directions.T).max(axis=0).astype(np.float32)
        centres = form.corners[some].mean(axis=1) - pose.translation_mm
        self._reach: FloatArray = (centres @ directions.T).astype(np.float32)
        self._under: FloatArray = (inward @ directions.T).astype(np.float32)
        self._deep = DEEP * float(np.ptp(piece.bounds, axis=0).max())

    def holds(self, scale: float) -> bool:
        """Return whether some of the wearer lies within the hull, `DEEP` under their skin."""
        inside = np.float32(scale) * (self._support - np.float32(self._deep) * self._under) - self._reach
        return bool(inside.min(axis=1).max() > 0)
