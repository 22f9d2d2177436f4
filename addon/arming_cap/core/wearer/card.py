# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearer card: a TOML file, written by hand or by us, that keeps what is known of a wearer.

    card = 1                      # version of this layout
    name = "Ilse"
    sex = "female"                # or male, any; f and m do as well
    form = "head"                 # or torso, left arm, right arm, left leg, right leg: what the readings shape
    unit = "mm"                   # mm, cm or in, for every length below; the weight is in kg

    [readings]
    head_circumference = 561
    head_breadth = "148±2"        # with a standard deviation of your own
    head_length = "188-191"       # two readings
    neck_circumference = "14 3/8 in"
    wrist_circumference = { value = 154, sd = 1.5 }
    # hat_size = "7 1/4"          # or "58", "M": instead of the head circumference

    [allowance]
    worn = ["short hair"]         # by name, with our figures; see `worn`

    [allowance.hair]              # layers add up, region by region
    default = 3
    crown = 8
    [allowance.ears]
    ear = -6                      # negative: flesh gives. Without _left or _right: both

    [scan]
    file = "ilse.glb"             # beside the card

    [[known_fit]]
    piece = "Lantern helm"
    scale = 0.95
    verdict = "good"

Comments and layout outlive our writing. Nothing of a card goes into a log.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..files import locked, read_input, write_text
from ..tables import Table, closest, decoded, read_toml
from . import hatsize, regions, worn
from .dimension import DIMENSIONS, dimension
from .population import Estimate, estimate, sex_of
from .reading import MM_PER, Reading, check_together, parse_reading

VERSION = 1
HEAD = "head_circumference"
OUTCOMES = ("would not pass", "tight", "good", "loose")
BODY_PARTS = ("head", "torso", "left arm", "right arm", "left leg", "right leg")
_SIDED = {name.rsplit("_", 1)[0] for name in regions.ALL if name.endswith(("_left", "_right"))}
PLACES = ("default", "whole", *regions.ALL, *sorted(_SIDED))
# Longer than any layer that is still worn under a piece: a slip of the decimal point.
MOST_MM = 150.0
# Nothing is tried on at a tenth or ten times its size: a percentage, or a unit taken for a scale.
_LEAST_SCALE = 0.1


@dataclass(frozen=True)
class KnownFit:
    """A piece that was tried on, and how it was.

    Attributes
    ----------
    piece, sha256
        Its name, and the SHA-256 of its file.
    scale
        At which it was tried.
    verdict
        ``would not pass``, ``tight``, ``good`` or ``loose``.
    region
        Where; empty for the whole.
    level_mm, gap_mm
        Height of a try-on ring, and the gap that was felt; None where unknown.
    date
        As ISO 8601 writes it; may be empty.
    """

    piece: str
    verdict: str
    sha256: str = ""
    scale: float = 1.0
    region: str = ""
    level_mm: float | None = None
    gap_mm: float | None = None
    date: str = ""


@dataclass(frozen=True)
class Card:
    """What is known of a wearer. Change it with `dataclasses.replace`, then `write`.

    Attributes
    ----------
    name, sex
        Sex is ``f``, ``m`` or ``any``.
    unit
        The unit the file is written in; everything here is in mm (weight in kg).
    readings
        By dimension name.
    allowances
        mm by layer, then by region or ``default``.
    scan_file, scan_settings
        The scan's path as the card gives it, and the settings beside it; None where there is none.
    known_fits
        In the file's order.
    path
        Where it was read from.
    form
        The body part that the readings shape, one of `BODY_PARTS`.
    worn
        What is worn under a piece, by name; see the module `worn`.
    """

    name: str
    sex: str = "any"
    unit: str = "mm"
    readings: Mapping[str, Reading] = field(default_factory=dict)
    allowances: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    scan_file: str | None = None
    scan_settings: Mapping[str, Any] = field(default_factory=dict)
    known_fits: tuple[KnownFit, ...] = ()
    path: Path | None = None
    form: str = "head"
    worn: tuple[str, ...] = ()
    # What stood in the file: only differences from it are written, so that another program's changes stay.
    as_read: Card | None = field(default=None, repr=False, compare=False)

    @property
    def body_part(self) -> tuple[str, str]:
        """The kind of form, ``head``, ``torso``, ``arm`` or ``leg``, and its side where it has one."""
        side, _, kind = self.form.rpartition(" ")
        return kind, side

    @property
    def shown(self) -> str:
        """What messages call it: its file, or the wearer's name where it has none yet."""
        return self.name if self.path is None else str(self.path)

    @property
    def scan_path(self) -> Path | None:
        """The scan's path, resolved from the card's folder."""
        if self.scan_file is None:
            return None
        return (self.path.parent if self.path else Path()) / self.scan_file

    def allowance_mm(self) -> dict[str, float]:
        """Return the sum of the layers by region, with ``default`` for the regions no layer names."""
        layers = [by_side(layer) for layer in self.allowances.values()]
        layers += [worn.room_of(self.worn)] if self.worn else []
        places = dict.fromkeys(("default", *(place for layer in layers for place in layer)))
        return {place: sum(layer.get(place, layer.get("default", 0.0)) for layer in layers) for place in places}

    def estimate(self) -> Estimate:
        """Return every dimension with its spread; see `population.estimate`."""
        return estimate(self.readings, self.sex, source=_shown(self.path))

    def write(self, path: Path | None = None) -> Card:
        """Write the card and return it as it now stands in the file.

        An existing file keeps its comments, and whatever it gained since this card was read.
        """
        target = path or self.path
        if target is None:
            raise InputError("the card has no file yet", remedy="say where to write it")
        with locked(target):
            # A file that is not the one we read is not merged into blindly: everything of ours is then a change.
            same = self.as_read if target == self.path else None
            document = _document(target)
            unit, form = (str(document.get(key, standard)) for key, standard in (("unit", self.unit), ("form", "head")))
            _apply(document, same or Card("", sex="", unit=unit, form=form), self)
            _save(target, document)
        return read_card(target)

    def record_known_fit(self, fit: KnownFit) -> Card:
        """Add one known fit to the file, and return the card as it now stands there."""
        if self.path is None:
            raise InputError("the card has no file yet", remedy="write it first")
        with locked(self.path):
            document = _document(self.path)
            _append_fit(document, fit, str(document.get("unit", self.unit)), _shown(self.path))
            _save(self.path, document)
        return read_card(self.path)

    def forget_known_fit(self, row: int) -> Card:
        """Take one known fit out of the file, counted from 0, and return the card as it now stands there."""
        if self.path is None:
            raise InputError("the card has no file yet", remedy="write it first")
        with locked(self.path):
            document = _document(self.path)
            fits = document.get("known_fit", [])
            if not 0 <= row < len(fits):
                raise InputError(f"there is no known fit {row + 1}", source=_shown(self.path), remedy="count again")
            del fits[row]
            if not fits:
                document.pop("known_fit")
            _save(self.path, document)
        return read_card(self.path)


def _shown(path: Path | None) -> str:
    return "" if path is None else str(path)


def by_side(layer: Mapping[str, float]) -> dict[str, float]:
    """Spell out places without a side; a sided one that is named itself wins."""
    both = {f"{k}_{side}": v for k, v in layer.items() if k in _SIDED for side in ("left", "right")}
    return both | {k: v for k, v in layer.items() if k not in _SIDED or k in regions.ALL}


# -- reading ---------------------------------------------------------------------------------------------------------


def read_card(path: Path | str) -> Card:
    """Read a wearer card.

    Raises
    ------
    InputError
        If it is no TOML, of another version, has an unknown key, or a reading is implausible or contradicts another.
    """
    path = Path(path)
    return parse_card(_text(path), path)


def _text(path: Path) -> str:
    return decoded(read_input(path), str(path))


def parse_card(text: str, path: Path | None = None) -> Card:
    """Read a card's text; `path` is where it stands."""
    source = _shown(path)
    data = read_toml(text, source)
    version = data.take("card")
    if version is None:
        raise data.error("this is no wearer card", f"begin it with card = {VERSION}")
    if type(version) is not int or version != VERSION:
        raise data.error(f"the card's version is {version!r}, this program reads {VERSION}", "update")
    unit = data.take("unit")
    if not isinstance(unit, str) or unit not in MM_PER:
        raise data.error("the card's unit is not stated", 'write unit = "mm", "cm" or "in"')
    sex = sex_of(data.take("sex") or "any", source)
    form = data.take("form") or "head"
    if form not in BODY_PARTS:
        raise data.error(f"no form is called {form!r}", f"use {', '.join(BODY_PARTS)}")
    name = data.take("name")
    if not isinstance(name, str | None):
        raise data.error("the name is not text", "put it in quotes")
    readings = _readings(data.mapping("readings"), unit, source)
    check_together(readings, source)
    scan = dict(data.mapping("scan"))
    file = scan.pop("file", None)
    if (scan and file is None) or not isinstance(file, str | None):
        raise data.error("the scan names no file", 'write file = "..." under [scan]')
    layers, under = _allowances(data.table("allowance"), unit)
    fits = tuple(_known_fit(entry, unit) for entry in data.tables("known_fit"))
    data.finish()
    if name is None:
        name = path.stem if path else ""
    card = Card(name, sex, unit, readings, layers, file, scan, fits, path, form, under)
    object.__setattr__(card, "as_read", card)
    return card


def _readings(table: Mapping[str, Any], unit: str, source: str) -> dict[str, Reading]:
    found: dict[str, Reading] = {}
    for key, value in table.items():
        name, reading = _reading(key, value, unit, source)
        if name in found:
            raise InputError(f"{name} is given twice", source=source, remedy=f"leave out {hatsize.KEY}, or the reading")
        found[name] = reading
    return found


def _reading(name: str, value: Any, unit: str, source: str) -> tuple[str, Reading]:
    if name == hatsize.KEY:
        return parse_reading(name, f"{value:g}" if type(value) in (int, float) else str(value), source=source)
    of = dimension(name, source)
    factor = MM_PER[unit] if of.unit == "mm" else 1.0
    if isinstance(value, str):
        if _plain(value):
            raise InputError(
                f"{name} of {value!r} stands in quotes", source=source, remedy=f"write {name} = {value.strip()}"
            )
        return parse_reading(name, value, unit, source)
    if not isinstance(value, Mapping):
        value = {"value": value}
    table = Table(value, source, name)
    number, sd = table.take("value"), table.take("sd")
    table.finish()
    if number is None:
        raise table.error("there is no value", "write { value = ..., sd = ... }")
    spread = None if sd is None else table.checked("sd", sd) * factor
    return name, Reading(table.checked("value", number) * factor, spread)


def _plain(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _allowances(table: Table | None, unit: str) -> tuple[dict[str, dict[str, float]], tuple[str, ...]]:
    """Return the layers by name, mm, and what is worn by name."""
    if table is None:
        return {}, ()
    under = table.content.pop("worn", [])
    if isinstance(under, str):
        under = under.split("+")
    if not (isinstance(under, list) and all(isinstance(name, str) for name in under)):
        raise table.error("'worn' is not a list of texts", 'write worn = ["short hair"]')
    worn.layers_of(under, table.source)
    layers: dict[str, dict[str, float]] = {}
    for layer, places in table.content.items():
        if not isinstance(places, Mapping):
            raise table.error(
                f"allowance {layer!r} is not a layer",
                "give each layer a table: [allowance.liner] and in it default = 4",
            )
        one = Table(places, table.source, f"[allowance.{layer}]")
        mm = {place: one.checked(place, value) * MM_PER[unit] for place, value in places.items()}
        layers[layer] = checked_room(mm, one, f"give it in {unit}")
    return layers, tuple(under)


def checked_room(room: Mapping[str, float], table: Table, remedy: str = "give millimetres") -> dict[str, float]:
    """Return allowances by place, mm, a card's or a job's; raise `InputError` for one that cannot be meant."""
    for place, mm in room.items():
        if place not in PLACES:
            raise table.error(f"there is no region '{place}'", closest(place, PLACES))
        if abs(mm) > MOST_MM:
            raise table.error(f"'{place}' of {mm:g} mm is not plausible", remedy)
    return dict(room)


_FIT_KEYS = tuple(f.name for f in fields(KnownFit))


def _known_fit(table: Table, unit: str) -> KnownFit:
    # The unit is the card's, so the keys in the file do not name one.
    values = {key: table.take(key.removesuffix("_mm")) for key in _FIT_KEYS}
    table.finish()
    for key in ("piece", "verdict"):
        if not isinstance(values[key], str):
            raise table.error(f"there is no {key}", f'write {key} = "..."')
    for key, value in values.items():
        if key.endswith("_mm") and value is not None:
            values[key] = table.checked(key.removesuffix("_mm"), value) * MM_PER[unit]
    values["scale"] = table.checked("scale", 1.0 if values["scale"] is None else values["scale"])
    for key in ("sha256", "region", "date"):
        values[key] = "" if values[key] is None else str(values[key])
    fit = KnownFit(**values)
    _check_fit(fit, table.source)
    return fit


def _check_fit(fit: KnownFit, source: str) -> None:
    if fit.verdict not in OUTCOMES:
        raise InputError(f"verdict {fit.verdict!r} is not known", source=source, remedy=closest(fit.verdict, OUTCOMES))
    if fit.region and fit.region not in PLACES:
        raise InputError(f"unknown region {fit.region!r}", source=source, remedy=closest(fit.region, PLACES))
    if not fit.piece.strip():
        raise InputError("a known fit's piece has no name", source=source, remedy='write piece = "..."')
    if fit.sha256 and not re.fullmatch(r"[0-9a-f]{64}", fit.sha256):
        raise InputError(
            "a known fit's sha256 is no SHA-256",
            source=source,
            remedy="it has 64 digits 0-9 a-f; leave it out if unknown",
        )
    if not (math.isfinite(fit.scale) and fit.scale > 0):
        raise InputError("a known fit's scale is not above 0", source=source, remedy="1 is the file's own size")
    if not _LEAST_SCALE < fit.scale < 1 / _LEAST_SCALE:
        raise InputError(
            f"a known fit's scale of {fit.scale:g} is not plausible", source=source, remedy="per cent? 95 % is 0.95"
        )
    if fit.gap_mm is not None and not abs(fit.gap_mm) <= MOST_MM:
        raise InputError(f"a known fit's gap of {fit.gap_mm:g} mm is not plausible", source=source, remedy="measure it")
    if fit.level_mm is not None and not math.isfinite(fit.level_mm):
        raise InputError("a known fit's level is not a finite number", source=source, remedy="write a plain number")
    if fit.date:
        try:
            datetime.fromisoformat(fit.date)
        except ValueError:
            raise InputError(
                f"a known fit's date {fit.date!r} is no date", source=source, remedy="write it as 2026-03-01"
            ) from None


# -- writing ---------------------------------------------------------------------------------------------------------


def _document(path: Path) -> Any:
    """Return the file as an editable document with its comments, or a new one."""
    import tomlkit

    if not path.exists():
        document = tomlkit.document()
        document["card"] = VERSION
        return document
    text = _text(path)
    parse_card(text, path)  # a card we cannot read is not one we may rewrite
    return tomlkit.parse(text)


def _save(path: Path, document: Any) -> None:
    import tomlkit

    text = tomlkit.dumps(document)
    parse_card(text, path)  # never leave a card behind that cannot be read again
    write_text(path, text)


def _apply(document: Any, old: Card, new: Card) -> None:
    """Write the differences between two cards into a document."""
    for key in ("name", "sex"):
        if getattr(new, key) != getattr(old, key):
            document[key] = getattr(new, key)
    if new.form != old.form:
        document["form"] = new.form
    # The file's unit stays: numbers and comments around ours are in it.
    unit = document.setdefault("unit", new.unit)
    in_file = {name: _reading_out(name, reading, unit) for name, reading in new.readings.items()}
    _differences(document, "readings", old.readings, new.readings, in_file)
    if new.readings.get(HEAD) != old.readings.get(HEAD):
        document["readings"].pop(hatsize.KEY, None)  # the reading that now stands there takes its place
    for layer in dict.fromkeys((*old.allowances, *new.allowances)):
        was, now = old.allowances.get(layer, {}), new.allowances.get(layer, {})
        if was == now:
            continue
        layers = document.setdefault("allowance", _super_table())
        _differences(layers, layer, was, now, {place: _length_out(mm, unit) for place, mm in now.items()})
        if not now:
            layers.pop(layer, None)
    if new.worn != old.worn:
        layers = document.setdefault("allowance", _super_table())
        layers["worn"] = list(new.worn)
        if not new.worn:
            layers.pop("worn")
    scan_old, scan_new = ({**c.scan_settings, "file": c.scan_file} for c in (old, new))
    if scan_old != scan_new:
        if new.scan_file is None:
            document.pop("scan", None)
        else:
            _differences(document, "scan", scan_old, scan_new, scan_new)
    for fit in new.known_fits[len(old.known_fits) :]:
        _append_fit(document, fit, unit, _shown(new.path))


def _super_table() -> Any:
    import tomlkit

    return tomlkit.table(is_super_table=True)


def _differences(
    document: Any, key: str, old: Mapping[str, Any], new: Mapping[str, Any], written: Mapping[str, Any]
) -> None:
    import tomlkit

    if old == new:
        return
    table = document.setdefault(key, tomlkit.table())
    for name in old:
        if name not in new:
            table.pop(name, None)
    for name, value in new.items():
        if old.get(name) != value:
            table[name] = written[name]


def _length_out(mm: float, unit: str) -> float:
    value = round(mm / MM_PER[unit], 6)
    return int(value) if value == int(value) else value


def _reading_out(name: str, reading: Reading, unit: str) -> Any:
    import tomlkit

    file_unit = unit if DIMENSIONS[name].unit == "mm" else "mm"
    if reading.sd is None:
        return _length_out(reading.value, file_unit)
    both = tomlkit.inline_table()
    both["value"], both["sd"] = _length_out(reading.value, file_unit), _length_out(reading.sd, file_unit)
    return both


def _append_fit(document: Any, fit: KnownFit, unit: str, source: str) -> None:
    import tomlkit

    _check_fit(fit, source)
    table = tomlkit.table()
    for key in _FIT_KEYS:
        value = getattr(fit, key)
        if value is None or value == "":
            continue
        table[key.removesuffix("_mm")] = _length_out(value, unit) if key.endswith("_mm") else value
    document.setdefault("known_fit", tomlkit.aot()).append(table)
