# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer from a card: a headform or limbform from its readings, or the scan that it names.

What was read shapes the form; what was not is estimated (`population`), and the estimate's spread becomes the form's,
region by region, so that it reaches every margin. A scan is the form itself: the readings then only check its size.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from ..errors import InputError
from ..files import read_input, sha256
from ..formats import read_mesh
from ..progress import Progress, part_of, silent
from ..tables import decoded
from ..tolerances import TOLERANCES
from .card import Card, parse_card
from .dimension import DIMENSIONS
from .form import Wearer
from .found import ReadWearer, Source
from .headform import head_form_of
from .limbform import Station, limb_form_of
from .population import SPEAKS_FOR
from .recognise import form_of
from .scanread import hints_of, wearer_of_scan
from .worn import in_figures

GUESSED = f"what was not measured is estimated from {SPEAKS_FOR}"


def wearer_of_card(path: Path | str, progress: Progress = silent) -> ReadWearer:
    """Read a wearer card and make the form that it describes.

    Raises
    ------
    InputError
        If the card or its scan cannot be read, nothing in it speaks of the body part it asks for, or no such form
        exists.
    """
    path = Path(path)
    progress(0.0, f"Reading {path.name}")
    content = read_input(path)
    card = parse_card(decoded(content, str(path)), path)
    made = wearer_as_known(card, progress)
    progress(1.0, f"Read {path.name}")
    return replace(made, sources=(Source(path, sha256(content)), *made.sources))


def wearer_as_known(card: Card, progress: Progress = silent) -> ReadWearer:
    """Make the form that a card describes, whether or not it stands in a file; raises as `wearer_of_card` does."""
    made = _from_scan(card, progress) if card.scan_path else _from_readings(card, progress)
    said = (f"{card.name}: {in_figures(card.worn)}",) if card.worn else ()
    wearer = replace(made.wearer, allowance_mm=card.allowance_mm())
    return replace(made, wearer=wearer, warnings=(*made.warnings, *said))


def _from_readings(card: Card, progress: Progress) -> ReadWearer:
    kind, side = card.body_part
    if not any(DIMENSIONS[name].group == kind for name in card.readings):
        first = "head_circumference" if kind == "head" else next(n for n, d in DIMENSIONS.items() if d.group == kind)
        raise InputError(
            f"the card holds no reading of the {kind}, and no scan", source=card.shown, remedy=f"measure {first}"
        )
    estimate = card.estimate()
    part_of(progress, 0.2, 0.9)(0.0, f"Making the form of {card.name}")
    notes: tuple[str, ...] = ()
    stations: Mapping[str, Station] = {}
    try:
        if kind == "head":
            form = head_form_of(estimate, card.name)
        else:
            limb = limb_form_of(estimate, kind, side or "left")
            form, stations = limb.form, limb.stations
            idle = [n for n in card.readings if DIMENSIONS[n].group == kind and n not in limb.used]
            notes = (*limb.notes, *(f"{DIMENSIONS[n].in_words} does not shape the form" for n in idle))
    except InputError as error:
        raise InputError(error.what, source=card.shown, remedy=error.remedy) from None
    guessed = any(v.source == "estimated" and DIMENSIONS[n].group == kind for n, v in estimate.dimensions.items())
    notes = (*estimate.warnings, *notes)
    warnings = (*((GUESSED,) if guessed else ()), *(f"{card.name}: {text}" for text in notes))
    return ReadWearer(Wearer(card.name, form), (), warnings, estimate, stations, card.body_part)


def _from_scan(card: Card, progress: Progress) -> ReadWearer:
    assert card.scan_path is not None
    hints = hints_of(card.scan_settings, card.unit, card.shown)
    inner = part_of(progress, 0.1, 0.9)
    if card.body_part[0] == "head":
        known = {n: r.value for n, r in card.readings.items() if DIMENSIONS[n].group == "head"}
        return wearer_of_scan(card.scan_path, hints, known, name=card.name, progress=inner)
    read = read_mesh(card.scan_path, hints.units)
    form = form_of(read.mesh, "scan")
    form = replace(form, spread_mm=dict.fromkeys(form.region_names, TOLERANCES.scan_error_mm))
    return ReadWearer(Wearer(card.name, form), (Source(read.path, read.sha256),), read.warnings)
