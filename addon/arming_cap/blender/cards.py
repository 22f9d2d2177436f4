# SPDX-License-Identifier: GPL-3.0-or-later
"""The scene's working copy of a wearer card: typed into the panel, read from and written to a file."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import bpy
from bpy.types import PropertyGroup, Scene

from ..core.errors import InputError
from ..core.wearer.card import Card, KnownFit, read_card
from ..core.wearer.dimension import DIMENSIONS
from ..core.wearer.reading import Reading, parse_reading
from ..core.wearer.regions import in_words
from .language import tr, tr_error
from .words import within

FIRST = 8
"""So many dimensions of a body part are shown before the rest is folded away: those that shape a form most."""


def load(scene: Scene, path: Path) -> Card:
    """Read a card's file into the scene; raises `InputError` and changes nothing where it cannot be read."""
    card = read_card(path)
    own = scene.arming_cap.card
    own.path = bpy.path.relpath(str(path)) if bpy.data.is_saved else str(path)
    own.title, own.sex = card.name, card.sex
    own.body_part = card.form
    own.history = json.dumps([_told(fit) for fit in card.known_fits])
    own.readings.clear()
    for name, reading in card.readings.items():
        row = own.readings.add()
        row.name = name
        if name == "weight":
            row.weight_kg = reading.value
        else:
            row.value_mm = reading.value
        row.sd_mm = reading.sd or 0.0
    refresh(own)
    return card


def read_history(own: PropertyGroup) -> None:
    """Read anew what the open card's file says was tried on; readings that are being typed stay."""
    path = path_of(own)
    if path is not None and path.exists():
        own.history = json.dumps([_told(fit) for fit in read_card(path).known_fits])


def forget_outcome(own: PropertyGroup, row: int) -> None:
    """Take one outcome out of the open card's file; raises `InputError` where the file has another by now."""
    card = read_card(path_of(own))
    told = [_told(fit) for fit in card.known_fits]
    if told != history_of(own) or row >= len(told):
        read_history(own)
        raise InputError("the card's file has changed meanwhile", source=card.name, remedy="look again which to forget")
    card.forget_known_fit(row)
    read_history(own)


def _told(fit: KnownFit) -> str:
    """Return a known fit as the panel's history tells it."""
    # Kept meshes end in twelve digits of what they hold, which tell a reader nothing.
    name = re.sub(r"-[0-9a-f]{12}$", "", Path(fit.piece.split("; ")[0]).stem)
    said = tr("{piece} at {scale:g} % was {outcome}")
    if fit.region and fit.region != "whole":
        said = tr("{piece} at {scale:g} % was {outcome} at the {region}")
    outcome, region = within(fit.verdict).lower(), within(in_words(fit.region or ""))
    said = said.format(piece=name, scale=100 * fit.scale, outcome=outcome, region=region)
    return f"{fit.date + ': ' if fit.date else ''}{said}"


def history_of(own: PropertyGroup) -> list[str]:
    """Return what was tried on, one sentence each, oldest first."""
    try:
        return [str(text) for text in json.loads(own.history)] if own.history else []
    except (ValueError, TypeError):  # written by another version
        return []


def clear(scene: Scene) -> None:
    """Begin a card with nothing in it."""
    own = scene.arming_cap.card
    own.readings.clear()
    for key in ("path", "title", "sex", "body_part", "history"):
        own.property_unset(key)
    refresh(own)


def path_of(own: PropertyGroup) -> Path | None:
    """Return the card's file, absolute; None where it has none yet."""
    return Path(bpy.path.abspath(own.path)) if own.path else None


def card_of(own: PropertyGroup) -> Card:
    """Return the card as the panel has it: over what its file holds besides, where there is one.

    Raises
    ------
    InputError
        If the file can no longer be read.
    """
    path = path_of(own)
    base = read_card(path) if path is not None and path.exists() else Card("", path=path)
    title = own.title.strip() or (path.stem if path else tr("Wearer"))
    return replace(base, name=title, sex=own.sex, form=own.body_part, readings=_readings(own, base))


def _readings(own: PropertyGroup, base: Card) -> dict[str, Reading]:
    """Return the readings; where single precision is all that differs, the file's own number stays."""
    found = {}
    for row in own.readings:
        value = round(row.weight_kg if row.name == "weight" else row.value_mm, 3)
        sd = round(row.sd_mm, 3) or None
        reading, held = Reading(value, sd), base.readings.get(row.name)
        if held is not None and abs(held.value - value) < 2e-3 and abs((held.sd or 0.0) - (sd or 0.0)) < 2e-3:
            reading = held
        found[row.name] = reading
    return found


def save(own: PropertyGroup, path: Path) -> None:
    """Write the card to a file, comments and all else in it kept; raises `InputError` and leaves the file whole."""
    card = card_of(own)
    card.write(path)
    own.path = str(path)


def refresh(own: PropertyGroup) -> None:
    """Estimate anew what was not measured, or say what is wrong with what was."""
    try:
        own.estimates = _estimated(_readings(own, Card("")), own.sex)
        own.trouble = ""
    except InputError as error:
        own.trouble, own.estimates = tr_error(error), ""


def _estimated(readings: dict[str, Reading], sex: str) -> str:
    from ..core.wearer.population import estimate

    found = estimate(readings, sex)
    values = {n: [round(v.mean, 2), round(v.sd, 2), v.source] for n, v in found.dimensions.items()}
    return json.dumps({"values": values, "warnings": list(found.warnings)})


@cache
def _before_any_reading() -> str:
    return _estimated({}, "any")


def estimates_of(own: PropertyGroup) -> dict[str, Any]:
    """Return mean, spread and source by dimension, and remarks on the readings; empty where there is trouble."""
    text = own.estimates or ("" if own.trouble else _before_any_reading())
    try:
        kept = json.loads(text) if text else {}
        return {"values": dict(kept.get("values", {})), "warnings": list(kept.get("warnings", []))}
    except (ValueError, TypeError, AttributeError):  # written by another version
        return {"values": {}, "warnings": []}


def typed(own: PropertyGroup, name: str) -> str:
    """Return a reading as it would be typed; empty where the dimension was not measured."""
    row = reading_of(own, name)
    if row is None:
        return ""
    unit = DIMENSIONS[name].unit
    spread = f" ± {row.sd_mm:.4g}" if row.sd_mm else ""
    return f"{row.weight_kg if unit == 'kg' else row.value_mm:.5g}{spread} {unit}"


def type_in(own: PropertyGroup, name: str, text: str) -> None:
    """Take what was typed as the reading of a dimension; nothing typed forgets it, and it is estimated again.

    What is no reading is told as the card's trouble, and the reading stays as it was.
    """
    row = reading_of(own, name)
    if not text.strip():
        if row is not None:
            own.readings.remove(list(own.readings).index(row))
        refresh(own)
        return
    try:
        _, reading = parse_reading(name, text)
    except InputError as error:
        own.trouble = tr_error(error)
        return
    if row is None:
        row = own.readings.add()
        row.name = name
    setattr(row, "weight_kg" if name == "weight" else "value_mm", reading.value)
    row.sd_mm = reading.sd or 0.0
    refresh(own)


def reading_of(own: PropertyGroup, name: str) -> PropertyGroup | None:
    """Return the row of one dimension, or None where it was not measured."""
    return next((row for row in own.readings if row.name == name), None)
