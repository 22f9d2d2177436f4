# SPDX-License-Identifier: GPL-3.0-or-later
"""The one JSON document that every verb of the command line prints."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from .. import __version__

TOOL = "arming-cap"
# A list of numbers alone, broken over lines; no text can hold a bare line break.
_NUMBERS = re.compile(r"\[\n[\s\d.,eE+-]+\]")


def version() -> str:
    """Return the version of the package, which an unpacked extension knows too."""
    return __version__


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: numpy unwrapped, NaN and infinities as None, no minus zero."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    raise TypeError(f"JSON cannot hold a {type(value).__name__}")


def document(
    verb: str, inputs: Iterable[Mapping[str, str]], warnings: Iterable[str], result: Mapping[str, Any]
) -> dict[str, Any]:
    """Return the document of one call; its keys always come in this order."""
    return {
        "tool": TOOL,
        "version": version(),
        "verb": verb,
        "inputs": [{"file": entry["file"], "sha256": entry["sha256"]} for entry in inputs],
        "warnings": list(warnings),
        "result": plain(result),
    }


def dumps(document: Mapping[str, Any]) -> str:
    """Return a document as text: UTF-8 as it is, a line for each key, points on one line, a newline at the end."""
    text = json.dumps(plain(document), ensure_ascii=False, indent=1, allow_nan=False)
    # A number a line would make a section of a hundred planes half a million lines long.
    return _NUMBERS.sub(lambda rows: "".join(rows[0].split()).replace(",", ", "), text) + "\n"
