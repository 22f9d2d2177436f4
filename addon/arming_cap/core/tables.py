# SPDX-License-Identifier: GPL-3.0-or-later
"""TOML files that people write by hand, read key by key: jobs and wearer cards.

Whatever is wrong is told in one line: what, in which table of which file, and what to write instead.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping
from typing import Any

from .errors import InputError


def closest(name: str, choices: Iterable[str]) -> str:
    """Return ``did you mean ...?`` for a mistyped name, or a short choice where nothing is near."""
    choices = list(choices)
    near = difflib.get_close_matches(name.strip().lower().replace("-", "_").replace(" ", "_"), choices, n=1, cutoff=0.5)
    if near:
        return f"did you mean {near[0]}?"
    return f"use {', '.join(choices[:12])}{', ...' if len(choices) > 12 else ''}"


def decoded(content: bytes, source: str) -> str:
    """Return the text of a file; an editor's byte-order mark is no fault of the person who typed it.

    Raises
    ------
    InputError
        If it is not UTF-8.
    """
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("this is not UTF-8 text", source=source, remedy="save it as UTF-8") from None


def read_toml(text: str, source: str, where: str = "") -> Table:
    """Return a TOML text as a table; `where` is what its messages call it, empty for the file alone.

    Raises
    ------
    InputError
        If it is not valid TOML, or nested so deep that nobody wrote it by hand.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not valid TOML ({error})", source=source, remedy="mend that line") from None
    except RecursionError:
        raise InputError("its brackets are nested too deep", source=source, remedy="write it flat") from None
    return Table(content, source, where)


class Table:
    """A TOML table that is read key by key, and complains of what is wrong or left over.

    Parameters
    ----------
    content
        What stands in the file.
    source
        The file, for messages.
    where
        The table's name, for messages; empty for the file itself.

    Raises
    ------
    InputError
        If `content` is no table. Every method raises it for a value of the wrong kind.
    """

    def __init__(self, content: Any, source: str, where: str = "") -> None:
        self.source, self.where = source, where
        if not isinstance(content, dict):
            raise self.error(f"a {_kind(content)} stands where a table belongs", "write it as a table")
        self.content = dict(content)
        self.known: list[str] = []

    def error(self, what: str, remedy: str) -> InputError:
        """Return the exception for something wrong in this table."""
        return InputError(f"in {self.where}: {what}" if self.where else what, source=self.source, remedy=remedy)

    def take(self, key: str) -> Any:
        """Return what stands under a key, None where nothing does; the key counts as read."""
        self.known.append(key)
        return self.content.pop(key, None)

    def finish(self) -> None:
        """Raise `InputError` where a key was not read: nothing that was written is passed over in silence."""
        for key in self.content:
            raise self.error(f"unknown key '{key}'", closest(key, self.known))

    def text(self, key: str, default: str) -> str:
        """Return a text that is not blank."""
        value = self.take(key)
        if value is None:
            return default
        if not isinstance(value, str) or not value.strip():
            raise self.error(f"'{key}' is not a text", f'write {key} = "..."')
        return value

    def texts(self, key: str) -> list[str] | None:
        """Return a list of texts."""
        value = self.take(key)
        if value is not None and not (isinstance(value, list) and all(isinstance(v, str) for v in value)):
            raise self.error(f"'{key}' is not a list of texts", f'write {key} = ["..."]')
        return value

    def choice(self, key: str, choices: Iterable[str], default: str | None) -> str | None:
        """Return one of some words."""
        value = self.take(key)
        if value is None:
            return default
        if not isinstance(value, str) or value not in choices:
            raise self.error(f"'{key}' is {value!r}", f"use one of {', '.join(choices)}")
        return value

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self.take(key)
        if value is not None and not isinstance(value, bool):
            raise self.error(f"'{key}' is not true or false", f"write {key} = true")
        return default if value is None else value

    def number(self, key: str, default: float, low: float, high: float) -> float:
        """Return a number between two."""
        value = self.take(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise self.error(f"'{key}' is not a number from {low:g} to {high:g}", "mend the value")
        return float(value)

    def checked(self, key: str, value: Any) -> float:
        """Return a finite number, `key`'s or one inside it; a number in quotes is none."""
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.error(f"'{key}' is not a finite number", "write a plain number, without quotes")
        return float(value)

    def numbers(self, key: str, default: tuple[float, ...], low: float, high: float) -> tuple[float, ...]:
        """Return a list of numbers between two."""
        value = self.take(key)
        if value is None:
            return default
        plain = isinstance(value, list) and value and all(type(v) in (int, float) and low <= v <= high for v in value)
        if not plain:
            raise self.error(f"'{key}' is not a list of numbers from {low:g} to {high:g}", f"write {key} = [a, b]")
        return tuple(float(v) for v in value)

    def vector(self, key: str, default: tuple[float, float, float]) -> tuple[float, float, float]:
        """Return three numbers."""
        value = self.take(key)
        if value is None:
            return default
        plain = isinstance(value, list) and len(value) == 3
        if not plain or not all(type(v) in (int, float) and math.isfinite(v) for v in value):
            raise self.error(f"'{key}' is not three numbers", f"write {key} = [x, y, z]")
        return (float(value[0]), float(value[1]), float(value[2]))

    def mapping(self, key: str) -> Mapping[str, Any]:
        """Return a table whose keys are not known beforehand; empty where there is none."""
        value = self.take(key)
        if value is None:
            return {}
        if not isinstance(value, dict):
            raise self.error(f"a {_kind(value)} stands where the table '{key}' belongs", f"write {key} = {{ ... }}")
        return value

    def table(self, key: str) -> Table | None:
        """Return a table within."""
        value = self.take(key)
        return None if value is None else Table(value, self.source, f"[{key}]")

    def tables(self, key: str) -> list[Table]:
        """Return a list of tables."""
        value = self.take(key)
        if value is None:
            return []
        if not isinstance(value, list):
            raise self.error(f"'{key}' is a {_kind(value)}, not a list of tables", f"write [[{key}]]")
        return [Table(v, self.source, f"[[{key}]] number {i}") for i, v in enumerate(value, 1)]


def _kind(value: Any) -> str:
    return {bool: "truth value", int: "number", float: "number", str: "text", list: "list", dict: "table"}.get(
        type(value), "value"
    )
