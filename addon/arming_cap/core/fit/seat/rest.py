# SPDX-License-Identifier: GPL-3.0-or-later
"""How a seated piece rests: what carries it, what is free, what it lacks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ...distance.clearance import Clearance
from ...pose import Pose

# A piece that lies within the form by this share of its own half breadth is of another size altogether, or unit: so
# small a thing cannot lie within it by much.
FAR_SHARE = 0.1


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
    half_mm
        Half of what its inside measures across its narrower level axis.
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
    half_mm: float = 0.0

    @property
    def far_too_small(self) -> bool:
        """Whether it lacks so much of its own breadth that no doubt about the form would make it fit."""
        return self.short_mm > FAR_SHARE * self.half_mm

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
