# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearer card: a TOML file, written by hand or by us, that keeps what is known of a wearer.

    card = 1                      # version of this layout
    name = "Ilse"
    sex = "f"                     # f, m or any
    form = "head"                 # or torso, left arm, right arm, left leg, right leg: what the readings shape
    unit = "mm"                   # mm, cm or in, for every length below; the weight is in kg

    [readings]
    head_circumference = 561
    head_breadth = "148±2"        # with a standard deviation of your own
    wrist_circumference = { value = 154, sd = 1.5 }

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

import contextlib
import math
import os
import re
import time
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..files import read_input, write_text
from . import regions
from .dimension import DIMENSIONS, closest, dimension
from .population import SEXES, Estimate, estimate
from .reading import MM_PER, Reading, check_together, parse_known

VERSION = 1
OUTCOMES = ("would not pass", "tight", "good", "loose")
BODY_PARTS = ("head", "torso", "left arm", "right arm", "left leg", "right leg")
_KEYS = ("card", "name", "sex", "form", "unit", "readings", "allowance", "scan", "known_fit")
_SIDED = {name.rsplit("_", 1)[0] for name in regions.ALL if name.endswith(("_left", "_right"))}
_PLACES = ("default", *regions.ALL, *sorted(_SIDED))
# Longer than any layer that is still worn under a piece: a slip of the decimal point.
_MOST_MM = 150.0
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
        layers = [_by_side(layer) for layer in self.allowances.values()]
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


def _shown(path: Path | None) -> str:
    return "" if path is None else str(path)


def _by_side(layer: Mapping[str, float]) -> dict[str, float]:
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
    return decoded(read_input(path), path)


def decoded(content: bytes, path: Path) -> str:
    """Return a card's text from the bytes of its file."""
    try:
        # An editor's byte-order mark is no fault of the person who typed the card.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("the card is not UTF-8 text", source=str(path), remedy="save it as UTF-8") from None


def parse_card(text: str, path: Path | None = None) -> Card:
    """Read a card's text; `path` is where it stands."""
    source = _shown(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not a TOML file ({error})", source=source, remedy="mend that line") from None
    _only(data, _KEYS, "", source)
    if "card" not in data:
        raise InputError("this is no wearer card", source=source, remedy=f"begin it with card = {VERSION}")
    if type(data["card"]) is not int or data["card"] != VERSION:
        raise InputError(
            f"the card's version is {data['card']!r}, this program reads {VERSION}", source=source, remedy="update"
        )
    unit = data.get("unit")
    if not isinstance(unit, str) or unit not in MM_PER:
        raise InputError("the card's unit is not stated", source=source, remedy='write unit = "mm", "cm" or "in"')
    sex = data.get("sex", "any")
    if sex not in SEXES:
        raise InputError(f"sex {sex!r} is not known", source=source, remedy="use f, m or any")
    form = data.get("form", "head")
    if form not in BODY_PARTS:
        raise InputError(f"no form is called {form!r}", source=source, remedy=f"use {', '.join(BODY_PARTS)}")
    name = data.get("name", path.stem if path else "")
    if not isinstance(name, str):
        raise InputError("the name is not text", source=source, remedy="put it in quotes")

    readings = {key: _reading(key, value, unit, source) for key, value in _table(data, "readings", source).items()}
    check_together(readings, source)
    scan = dict(_table(data, "scan", source))
    file = scan.pop("file", None)
    if (scan and file is None) or not isinstance(file, str | None):
        raise InputError("the scan names no file", source=source, remedy='write file = "..." under [scan]')
    fits = data.get("known_fit", [])
    if not isinstance(fits, list):
        raise InputError("known_fit is not a list of tables", source=source, remedy="write [[known_fit]]")
    card = Card(
        name,
        sex,
        unit,
        readings,
        _allowances(_table(data, "allowance", source), unit, source),
        file,
        scan,
        tuple(_known_fit(entry, unit, source) for entry in fits),
        path,
        form,
    )
    object.__setattr__(card, "as_read", card)
    return card


def _only(table: Mapping[str, Any], keys: Iterable[str], where: str, source: str) -> None:
    for key in table:
        if key not in keys:
            inside = f" in {where}" if where else ""
            raise InputError(f"unknown key {key!r}{inside}", source=source, remedy=closest(key, keys))


def _table(data: Mapping[str, Any], key: str, source: str) -> Mapping[str, Any]:
    table = data.get(key, {})
    if not isinstance(table, Mapping):
        raise InputError(f"{key} is not a table", source=source, remedy=f"write [{key}]")
    return table


def _number(value: Any, what: str, source: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{what} is not a finite number", source=source, remedy="write a plain number")
    return float(value)


def _reading(name: str, value: Any, unit: str, source: str) -> Reading:
    of = dimension(name, source)
    factor = MM_PER[unit] if of.unit == "mm" else 1.0
    if isinstance(value, str):
        if not value.rstrip().endswith(("mm", "cm", "in", "kg")):
            value += unit if of.unit == "mm" else of.unit
        try:
            return parse_known(f"{name}={value}")[1]
        except InputError as error:
            if error.what in ("not a reading", "not a number"):
                comma = "with a point instead of the comma, " if "," in value else ""
                raise InputError(
                    f"{name} of {value.removesuffix(unit)!r} is no reading",
                    source=source,
                    remedy=f'write it {comma}as 155 or "155±2"',
                ) from None
            raise InputError(error.what, source=source, remedy=error.remedy) from None
    if isinstance(value, Mapping):
        _only(value, ("value", "sd"), name, source)
        if "value" not in value:
            raise InputError(f"{name} has no value", source=source, remedy="write { value = ..., sd = ... }")
        sd = _number(value["sd"], f"the sd of {name}", source) * factor if "sd" in value else None
        return Reading(_number(value["value"], name, source) * factor, sd)
    return Reading(_number(value, name, source) * factor)


def _allowances(table: Mapping[str, Any], unit: str, source: str) -> dict[str, dict[str, float]]:
    layers: dict[str, dict[str, float]] = {}
    for layer, places in table.items():
        if not isinstance(places, Mapping):
            raise InputError(
                f"allowance {layer!r} is not a layer",
                source=source,
                remedy="give each layer a table: [allowance.liner] and in it default = 4",
            )
        _only(places, _PLACES, f"allowance.{layer}", source)
        layers[layer] = {}
        for place, value in places.items():
            mm = _number(value, f"allowance.{layer}.{place}", source) * MM_PER[unit]
            if abs(mm) > _MOST_MM:
                raise InputError(
                    f"allowance.{layer}.{place} of {mm:g} mm is not plausible",
                    source=source,
                    remedy=f"give it in {unit}",
                )
            layers[layer][place] = mm
    return layers


_FIT_KEYS = tuple(f.name for f in fields(KnownFit))


def _known_fit(entry: Any, unit: str, source: str) -> KnownFit:
    if not isinstance(entry, Mapping):
        raise InputError("a known fit is not a table", source=source, remedy="write [[known_fit]]")
    # The unit is the card's, so the keys in the file do not name one.
    keys = tuple(key.removesuffix("_mm") for key in _FIT_KEYS)
    _only(entry, keys, "known_fit", source)
    for key in ("piece", "verdict"):
        if not isinstance(entry.get(key), str):
            raise InputError(f"a known fit has no {key}", source=source, remedy=f'write {key} = "..."')
    lengths = {
        f"{key}_mm": _number(entry[key], f"known_fit {key}", source) * MM_PER[unit]
        for key in ("level", "gap")
        if key in entry
    }
    fit = KnownFit(
        entry["piece"],
        entry["verdict"],
        str(entry.get("sha256", "")),
        _number(entry.get("scale", 1.0), "known_fit scale", source),
        str(entry.get("region", "")),
        date=str(entry.get("date", "")),
        **lengths,
    )
    _check_fit(fit, source)
    return fit


def _check_fit(fit: KnownFit, source: str) -> None:
    if fit.verdict not in OUTCOMES:
        raise InputError(f"verdict {fit.verdict!r} is not known", source=source, remedy=closest(fit.verdict, OUTCOMES))
    if fit.region and fit.region not in _PLACES and fit.region != "whole":
        raise InputError(f"unknown region {fit.region!r}", source=source, remedy=closest(fit.region, _PLACES))
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
    if fit.gap_mm is not None and not abs(fit.gap_mm) <= _MOST_MM:
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


@contextlib.contextmanager
def locked(path: Path, patience_s: float = 10.0) -> Iterator[None]:
    """Hold the card for this process; the system lets go of it if the process dies.

    The lock is a hidden file beside the card and stays there: removing it would let two processes lock two files.
    """
    lock = path.with_name(f".{path.name}.lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", source=str(path), remedy="choose a folder you may write to"
        ) from None
    try:
        give_up = time.monotonic() + patience_s
        while not _try_lock(handle):
            if time.monotonic() > give_up:
                raise InputError("another program is writing this card", source=str(path), remedy="try again")
            time.sleep(0.01)
        yield
    finally:
        os.close(handle)


def _try_lock(handle: int) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


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
    for layer in dict.fromkeys((*old.allowances, *new.allowances)):
        was, now = old.allowances.get(layer, {}), new.allowances.get(layer, {})
        if was == now:
            continue
        layers = document.setdefault("allowance", _super_table())
        _differences(layers, layer, was, now, {place: _length_out(mm, unit) for place, mm in now.items()})
        if not now:
            layers.pop(layer, None)
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
