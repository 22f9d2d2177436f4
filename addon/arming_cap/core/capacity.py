# SPDX-License-Identifier: GPL-3.0-or-later
"""What memory the work on a mesh takes, told before it is spent.

The peak of memory grows with the number of triangles. The figures are measured: see the guide's page on dirty meshes,
and ``scripts/measure_large.py``, which repeats them.
"""

from __future__ import annotations

import math
import os
from pathlib import Path

from .errors import InputError

ALLOWED_GB = 4.0
"""So much memory is used without being asked: half of what a small machine has."""
SETTING = "ARMING_CAP_MEMORY_GB"
"""The environment variable that allows another figure."""

_MEASURED_KB = {
    "reading": 0.85,
    "section": 0.6,
    "clearance": 0.9,
    "sight": 1.0,
    "ring": 1.0,
    "split": 1.3,
    "don": 1.8,
    "size": 1.8,
    "check": 1.8,
}
# What was not measured is taken for as dear as the dearest.
_OTHER_KB = max(_MEASURED_KB.values())
_KB_OF_GB = 1e6


def needed_gb(triangles: int, work: str) -> float:
    """Return how much memory work on so many triangles takes at its peak, GB.

    Parameters
    ----------
    work
        ``reading`` a file, or a verb of the command line.
    """
    return triangles * _MEASURED_KB.get(work, _OTHER_KB) / _KB_OF_GB


def free_gb() -> float | None:
    """Return how much memory can be had here, GB; None where the system does not tell it in a file."""
    try:
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024 / 1e9
    except (OSError, ValueError, IndexError):
        pass
    return None


def allowed_gb() -> tuple[float, str]:
    """Return how much memory work on a mesh may take, GB, and in a word why.

    What the user allows counts alone. Without that it is `ALLOWED_GB`, or what is free where that is less.

    Raises
    ------
    InputError
        If the user's figure is no amount of memory.
    """
    said = os.environ.get(SETTING, "").strip()
    if said:
        try:
            own = float(said)
        except ValueError:
            own = math.nan
        if not 0 < own < math.inf:
            raise InputError(f"'{said}' is no amount of memory", source=SETTING, remedy=f"give GB, as {SETTING}=8")
        return own, "allowed"
    free = free_gb()
    return (free, "free") if free is not None and free < ALLOWED_GB else (ALLOWED_GB, "allowed")


def refuse_large(name: str, triangles: int, work: str) -> None:
    """Raise `InputError` where work on so many triangles would take more memory than is allowed; see `needed_gb`."""
    need = needed_gb(triangles, work)
    most, why = allowed_gb()
    if need <= most:
        return
    fewer = _rounded_down(triangles * most / need)
    raise InputError(
        f"it has {triangles:,} triangles: '{work}' would take about {need:.2g} GB of memory, "
        f"more than the {most:.2g} GB {why}",
        source=name,
        remedy=f"reduce it to {fewer:,} triangles, as with a Decimate modifier, "
        f"or allow more memory: {SETTING}={math.ceil(need):g}",
    )


def processes_within(count: int, triangles: int) -> int:
    """Return how many of `count` processes may check pieces of so many triangles at once; at least one."""
    need = needed_gb(triangles, "check")
    return max(1, min(count, int(allowed_gb()[0] / need))) if need else count


def _rounded_down(value: float) -> int:
    """Return a number with its first two digits alone."""
    step = 10 ** max(int(math.log10(max(value, 1.0))) - 1, 0)
    return int(value // step * step)
