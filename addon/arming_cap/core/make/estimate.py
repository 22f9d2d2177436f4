# SPDX-License-Identifier: GPL-3.0-or-later
"""What a print takes: grams, metres of filament, rough minutes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Filament:
    """What is printed with, and how fast.

    Attributes
    ----------
    density_g_cm3
        PLA is 1.24, PETG 1.27, ABS 1.04 to 1.10: nominal values of generic material profiles.
    diameter_mm
        1.75 is the common one.
    flow_mm3_s
        Mean volume laid per second, moves and layer changes included. Common practice, no source: printers lay
        8 to 20 while they lay; halved for everything else.
    start_min
        Heating and levelling before the first line. Common practice, no source.
    wall_mm, infill
        What of a thick part is printed solid from its surface inwards, and what share of the rest is filled. Common
        practice, no source: three lines of 0.4 mm, and 15 %.
    """

    density_g_cm3: float = 1.24
    diameter_mm: float = 1.75
    flow_mm3_s: float = 5.0
    start_min: float = 5.0
    wall_mm: float = 1.2
    infill: float = 0.15


@dataclass(frozen=True)
class Estimate:
    """Grams, metres of filament and rough minutes of one print."""

    grams: float
    metres: float
    minutes: float

    def as_dict(self) -> dict[str, Any]:
        """Return the estimate as JSON shows it."""
        return {"grams": round(self.grams, 1), "metres": round(self.metres, 2), "minutes": round(self.minutes)}

    def __str__(self) -> str:
        time = f"{self.minutes:.0f} min" if self.minutes < 120 else f"{self.minutes / 60:.0f} h"
        return f"{self.grams:.0f} g and {time}"


def estimate(volume_mm3: float, filament: Filament = Filament(), area_mm2: float | None = None) -> Estimate:
    """Return what printing a volume takes.

    Parameters
    ----------
    area_mm2
        Surface of the part: what lies deeper than the filament's wall is then filled in part only. None prints it
        solid, as thin shells are.
    """
    if area_mm2 is not None:
        wall = min(volume_mm3, area_mm2 * filament.wall_mm)
        volume_mm3 = wall + filament.infill * (volume_mm3 - wall)
    return Estimate(
        grams=volume_mm3 * filament.density_g_cm3 / 1000.0,
        metres=volume_mm3 / (np.pi / 4 * filament.diameter_mm**2) / 1000.0,
        minutes=filament.start_min + volume_mm3 / filament.flow_mm3_s / 60.0,
    )
