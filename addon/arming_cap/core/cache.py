# SPDX-License-Identifier: GPL-3.0-or-later
"""Arrays that are dear to make, kept in the user's cache folder under a name that says what they hold.

A cache may vanish, be read-only or be damaged at any time: then the arrays are made again, and nothing is said.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np

from .errors import InputError
from .files import written_whole

LIMIT_BYTES = 2_000_000_000


def folder() -> Path | None:
    """Return where to keep things: ``ARMING_CAP_CACHE``, else the platform's place; None where there is neither."""
    chosen = os.environ.get("ARMING_CAP_CACHE")
    if chosen is not None:
        return Path(chosen) if chosen else None
    try:
        return _usual_folder()
    except RuntimeError:  # nobody's home, as in a container
        return None


def _usual_folder() -> Path:
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "arming-cap"


def load(name: str) -> dict[str, Any] | None:
    """Return the arrays kept under a name, or None; a damaged file (its checksums tell) counts as none."""
    place = folder()
    if place is None:
        return None
    path = place / f"{name}.npz"
    try:
        with np.load(path, allow_pickle=False) as kept:
            arrays = {key: kept[key] for key in kept.files}
        os.utime(path)  # what is in use is the last to be dropped
        return arrays
    except Exception:  # whatever a damaged zip or header raises
        return None


def store(name: str, **arrays: Any) -> None:
    """Keep arrays under a name, written whole or not at all; the longest unused files make room."""
    place = folder()
    if place is None:
        return
    with contextlib.suppress(InputError, OSError):
        with written_whole(place / f"{name}.npz") as temporary, temporary.open("wb") as file:
            np.savez(file, **arrays)
        kept = sorted(place.glob("*.npz"), key=lambda p: p.stat().st_mtime, reverse=True)
        total = 0
        for path in kept:
            total += path.stat().st_size
            if total > LIMIT_BYTES:
                path.unlink(missing_ok=True)
