# SPDX-License-Identifier: GPL-3.0-or-later
"""Where to write on a drawing so that no label hides a line or another label."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from ..arrays import FloatArray

# Mean advance of a serif letter as a share of its height, on the wide side; common practice, no source.
ADVANCE = 0.52


@dataclass(frozen=True)
class Spot:
    """A place for a text: its baseline point, which end of the text is there, whether it reads upwards."""

    x: float
    y: float
    anchor: str = "start"
    upwards: bool = False


@dataclass
class Labels:
    """The room taken so far, in a frame whose y runs downwards.

    Attributes
    ----------
    letter
        Height of a letter.
    ink
        (n, 2) points along everything drawn.
    frame
        Left, top, right, bottom that labels should stay in.
    boxes
        The labels placed, as the frame.
    """

    letter: float
    ink: FloatArray
    frame: tuple[float, float, float, float]
    boxes: list[tuple[float, float, float, float]] = field(default_factory=list)

    def place(self, words: str, spots: Iterable[Spot]) -> Spot:
        """Return the best of some spots, take its room, and prefer earlier spots where two are as good."""
        _, spot, box = min(
            ((self._cost(box) + 0.02 * rank, spot, box) for rank, (spot, box) in self._ranked(words, spots)),
            key=lambda found: found[0],
        )
        self.boxes.append(box)
        return spot

    def avoid(self, points: FloatArray) -> None:
        """Count more points, (n, 2), as drawn."""
        self.ink = np.vstack([self.ink, points])

    def _ranked(
        self, words: str, spots: Iterable[Spot]
    ) -> Iterable[tuple[int, tuple[Spot, tuple[float, float, float, float]]]]:
        width = ADVANCE * self.letter * max(len(words), 1)
        back = {"start": 0.0, "middle": 0.5, "end": 1.0}
        above, below = 0.85 * self.letter, 0.3 * self.letter
        for rank, spot in enumerate(spots):
            before = back[spot.anchor] * width
            if spot.upwards:
                box = (spot.x - above, spot.y + before - width, spot.x + below, spot.y + before)
            else:
                box = (spot.x - before, spot.y - above, spot.x - before + width, spot.y + below)
            yield rank, (spot, box)

    def _cost(self, box: tuple[float, float, float, float]) -> float:
        """Return how bad a box is: labels it covers weigh most, then leaving the frame, then crossing lines."""
        left, top, right, bottom = box
        area = (right - left) * (bottom - top)
        covered = sum(_overlap(box, other) for other in self.boxes) / area
        outside = 1 - _overlap(box, self.frame) / area
        x, y = self.ink.T
        crossed = np.count_nonzero((x > left) & (x < right) & (y > top) & (y < bottom))
        return float(20 * covered + (covered > 0) + 10 * outside + 0.3 * crossed)


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    width, height = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    return width * height if width > 0 and height > 0 else 0.0


def dense(points: FloatArray, closed: bool, step: float) -> FloatArray:
    """Return points along a polyline no further apart than `step`, (k, 2)."""
    ring = np.vstack([points, points[:1]]) if closed else points
    if len(ring) < 2:
        return ring
    run = np.diff(ring, axis=0)
    pieces = np.maximum(np.ceil(np.linalg.norm(run, axis=1) / step), 1).astype(np.int64)
    first = np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = (np.arange(pieces.sum()) - first) / np.repeat(pieces, pieces)
    return np.vstack(
        [np.repeat(ring[:-1], pieces, axis=0) + share[:, None] * np.repeat(run, pieces, axis=0), ring[-1:]]
    )
