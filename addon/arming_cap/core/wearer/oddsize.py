# SPDX-License-Identifier: GPL-3.0-or-later
"""Sizes that nobody wears: a piece or a form in another unit than it was read in, told in one line.

Nothing is converted: the line names the factor that would make the size a likely one. Limits are common practice, no
source, and wide on purpose.
"""

from __future__ import annotations

import numpy as np

from ..formats import UNITS_MM
from ..mesh import TriangleMesh
from .form import Form

# Largest side of something worn, from a wrist cuff to as large as who wears it; of a body or a part of it.
PIECE_MM = (50.0, 2300.0)
FORM_MM = (80.0, 2300.0)
# Largest side of a piece as a multiple of the wearer's: of a skull's length, else of the form's middle extent.
BESIDE_HEAD, BESIDE_BODY = (0.7, 5.0), (0.3, 8.0)
SKULL = ("crown", "occiput", "forehead", "parietal_left", "parietal_right")
_WORDS = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches"}


def odd_piece(mesh: TriangleMesh, name: str, form: Form | None = None, stated: bool = False) -> list[str]:
    """Return a sentence where a piece's size is odd by itself or beside its wearer, else nothing.

    `stated` is whether its file names its unit, or the user did: a scale can then help, another unit cannot.
    """
    largest = _largest(mesh)
    low, high = PIECE_MM
    beside = ""
    if form is not None:
        what, length = _yardstick(form)
        share = BESIDE_HEAD if what == "head" else BESIDE_BODY
        low, high = share[0] * length, share[1] * length
        beside = f" beside a {what} of {length:.0f} mm"
    if low <= largest <= high:
        return []
    hint = _hint(largest, low, high, stated, "piece")
    return [f"{name}: the largest side is {largest:.3g} mm{beside}, odd for something worn; {hint}"]


def odd_form(mesh: TriangleMesh, name: str, stated: bool = False) -> list[str]:
    """Return a sentence where a wearer's form has no body's size, else nothing."""
    largest = _largest(mesh)
    low, high = FORM_MM
    if low <= largest <= high:
        return []
    hint = _hint(largest, low, high, stated, "wearer")
    return [f"{name}: the largest side is {largest:.3g} mm, odd for a body; {hint}"]


def _largest(mesh: TriangleMesh) -> float:
    return float(np.ptp(mesh.bounds, axis=0).max())


def _yardstick(form: Form) -> tuple[str, float]:
    """Return what a piece's size is held against, in words, and its length in mm."""
    rows = [i for i, name in enumerate(form.region_names) if name in SKULL]
    assert form.region_of_triangle is not None
    if "crown" in form.region_names:
        corners = form.mesh.corners[np.isin(form.region_of_triangle, rows)].reshape(-1, 3)
        return "head", float(np.ptp(corners, axis=0).max())
    return "body", float(np.sort(np.ptp(form.mesh.bounds, axis=0))[1])


def _hint(largest: float, low: float, high: float, stated: bool, whose: str) -> str:
    """Return what would make a size a likely one: a unit, or a factor."""
    likely = {
        unit: largest * mm for unit, mm in UNITS_MM.items() if unit != "mm" and 1.2 * low <= largest * mm <= 0.8 * high
    }
    middle = np.sqrt(low * high) if whose == "wearer" else 2.2 * low
    if likely and not stated:
        unit = min(likely, key=lambda u: abs(np.log(likely[u] / middle)))
        say = f"--{whose}-units {unit}, in a job units = '{unit}'"
        return f"in {_WORDS[unit]} it would be {likely[unit]:.0f} mm ({say})"
    factors = [10.0, 25.4, 1000.0, 0.1, 1 / 25.4, 0.001]
    fitting = [f for f in factors if 1.2 * low <= largest * f <= 0.8 * high]
    if fitting:
        factor = min(fitting, key=lambda f: abs(np.log(largest * f / middle)))
        return f"{factor:.4g} times as large it would be {largest * factor:.0f} mm: check the unit it was exported in"
    return "no usual unit makes it a likely one: check its scale"
