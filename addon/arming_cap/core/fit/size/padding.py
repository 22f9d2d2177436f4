# SPDX-License-Identifier: GPL-3.0-or-later
"""Which stock foam fills the gap that remains between a wearer and a piece, by region."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...distance.clearance import NEAR_MM, SAMPLES, field_for, seen_first
from ...distance.surface import surface_of
from ...errors import InputError
from ...piece import Piece
from ...pose import Pose
from ...wearer.form import CUT, Wearer

STOCK_MM = (3.0, 5.0, 10.0, 15.0, 20.0, 25.0)  # common practice, no source


@dataclass(frozen=True)
class Pad:
    """Foam of one thickness in one region.

    Attributes
    ----------
    region
        Where.
    thickness_mm
        The thickest of the stock that the gap holds.
    area_mm2
        Of the piece's inner surface it covers.
    gap_mm
        The mean gap there.
    """

    region: str
    thickness_mm: float
    area_mm2: float
    gap_mm: float

    def as_dict(self) -> dict[str, Any]:
        """Return the pad as JSON shows it."""
        return {
            "region": self.region,
            "thickness_mm": round(self.thickness_mm, 3),
            "area_mm2": round(self.area_mm2),
            "gap_mm": round(self.gap_mm, 1),
        }


def padding(
    piece: Piece,
    wearer: Wearer,
    pose: Pose | None = None,
    scale: float = 1.0,
    stock_mm: Sequence[float] = STOCK_MM,
) -> tuple[Pad, ...]:
    """Return the pads that fill the piece's inner surface, in the form's order of regions, thinnest first.

    The gap is the standoff less the region's allowance, at points of the inner surface that stand for equal areas;
    each takes the thickest foam not thicker than its gap. Gaps below the thinnest foam take none.

    Raises
    ------
    InputError
        If the stock is empty or holds a thickness that is not positive.
    """
    stock = np.unique(np.asarray(stock_mm, float))
    if not len(stock) or not (stock > 0).all():
        raise InputError("the foam stock needs thicknesses above 0 mm", remedy="list them in mm, e.g. 3, 5, 10")
    pose = pose or Pose()
    surface = surface_of(piece)
    field = field_for(piece, wearer, pose, scale)
    points = pose.apply(scale * surface.samples(SAMPLES)[0])
    if not len(points):
        return ()
    standoff, triangle, closest = field.exact(points)
    inner = seen_first(surface, field, pose, scale, points, standoff, triangle, closest)
    label = field.regions_at(triangle)
    each = float(surface.mesh.areas.sum()) * scale**2 / len(points)
    gap = standoff - wearer.allowances()[label]
    choice = np.searchsorted(stock, gap, side="right") - 1
    counts = inner & (choice >= 0) & (standoff < NEAR_MM)
    pads = []
    for i, name in enumerate(wearer.form.region_names):
        if name == CUT:
            continue
        for k, thickness in enumerate(stock):
            chosen = counts & (label == i) & (choice == k)
            if chosen.any():
                pads.append(Pad(name, float(thickness), float(chosen.sum() * each), float(gap[chosen].mean())))
    return tuple(pads)


def by_region(pads: Sequence[Pad]) -> list[tuple[str, str]]:
    """Return a line of foam for each region, ``5 mm 23 cm², 10 mm 160 cm²``, and the sums under an empty name."""
    found: dict[str, dict[float, float]] = {}
    for pad in pads:
        for region in (pad.region, ""):
            areas = found.setdefault(region, {})
            areas[pad.thickness_mm] = areas.get(pad.thickness_mm, 0.0) + pad.area_mm2
    order = [region for region in found if region] + [""] * bool(found)
    return [
        (region, ", ".join(f"{mm:g} mm {area / 100:.0f} cm²" for mm, area in sorted(found[region].items())))
        for region in order
    ]
