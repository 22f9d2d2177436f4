# SPDX-License-Identifier: GPL-3.0-or-later
"""Every tolerance the checks rest on, in one place, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Tolerances:
    """Numbers that decide how finely the geometry is worked out; printed in every report.

    Attributes
    ----------
    standoff_mm
        Final standoffs are exact against the triangles to this; a layer of print is four times as high.
    field_cell_mm
        Cell of the fine distance grid: a nose has about ten cells across.
    field_band_mm
        Grid nodes within this of the surface hold exact distances; beyond it nothing touches soon.
    scan_error_mm
        ISO 20685:2010, largest mean error of a scan-derived head dimension where hair is not included.
    """

    standoff_mm: float = 0.05
    field_cell_mm: float = 2.0
    field_band_mm: float = 12.0
    scan_error_mm: float = 1.0


TOLERANCES = Tolerances()
