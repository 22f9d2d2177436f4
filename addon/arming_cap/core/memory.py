# SPDX-License-Identifier: GPL-3.0-or-later
"""What is dear to make and depends on its input alone, kept in memory for as long as the program runs."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from typing import TypeVar

Made = TypeVar("Made")

_memory: OrderedDict[str, object] = OrderedDict()


def remembered(key: str, limit: int, make: Callable[[], Made]) -> Made:
    """Return what was made under a key, making it if need be; only the latest `limit` of a kind stay.

    Parameters
    ----------
    key
        ``kind:`` and whatever the thing depends on.
    """
    if key in _memory:
        _memory.move_to_end(key)
        return _memory[key]  # type: ignore[return-value]
    made = make()
    _memory[key] = made
    kind = key.split(":")[0]
    same = [k for k in _memory if k.split(":")[0] == kind]
    for old in same[:-limit]:
        del _memory[old]
    return made
