# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check says: a verdict, a number, what limits it, and what would mend it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Any


class Status(str, Enum):
    """The four verdicts. `not checked` is never a silent pass."""

    PASS = "pass"
    MARGINAL = "marginal"
    FAIL = "fail"
    NOT_CHECKED = "not checked"

    @property
    def severity(self) -> int:
        """Worst first when sorted downwards: fail 3, not checked 2, marginal 1, pass 0."""
        return {"pass": 0, "marginal": 1, "not checked": 2, "fail": 3}[self.value]


def judge(margin_mm: float, uncertainty_mm: float = 0.0) -> Status:
    """Return the verdict on a margin: pass or fail only where its uncertainty cannot turn it round."""
    if margin_mm - uncertainty_mm >= 0:
        return Status.PASS
    return Status.MARGINAL if margin_mm + uncertainty_mm >= 0 else Status.FAIL


@dataclass(frozen=True)
class Place:
    """Where something limits: a body region, a part, a point in mm; any may be unknown."""

    region: str = ""
    part: str = ""
    at: tuple[float, float, float] | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the place as JSON shows it."""
        return {
            "region": self.region,
            "part": self.part,
            "at": None if self.at is None else [round(float(v), 3) + 0.0 for v in self.at],
        }

    def __str__(self) -> str:
        region = self.region.replace("_", " ")
        return f"{region} at {self.part}" if region and self.part else region or self.part


@dataclass(frozen=True)
class Verdict:
    """One check's answer.

    Attributes
    ----------
    check
        The check's name, e.g. ``clearance``.
    status
        One of the four.
    number, unit
        The number the verdict was made from, and its unit; None where nothing could be measured.
    requirement
        What was asked, in words with its number: ``at least 5.0 mm``.
    uncertainty
        Half-width of the number's 90 % interval, in the same unit.
    limited_by
        What limits it.
    why
        One sentence on what was found.
    mend
        One sentence on what would mend it; empty on a pass.
    details
        Figures for the report, JSON-ready.
    """

    check: str
    status: Status
    number: float | None = None
    unit: str = "mm"
    requirement: str = ""
    uncertainty: float = 0.0
    limited_by: Place = field(default_factory=Place)
    why: str = ""
    mend: str = ""
    details: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """Return the verdict as JSON shows it."""
        return {
            "check": self.check,
            "verdict": self.status.value,
            "number": None if self.number is None else round(float(self.number), 3) + 0.0,
            "unit": self.unit,
            "requirement": self.requirement,
            "uncertainty": round(float(self.uncertainty), 3),
            "limited_by": self.limited_by.as_dict(),
            "why": self.why,
            "mend": self.mend,
            "details": self.details,
        }


def worst(verdicts: list[Verdict]) -> Status:
    """Return the worst status of a list; `not checked` for an empty one."""
    return max((v.status for v in verdicts), key=lambda s: s.severity, default=Status.NOT_CHECKED)
