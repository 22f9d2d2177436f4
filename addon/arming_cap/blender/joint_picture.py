# SPDX-License-Identifier: GPL-3.0-or-later
"""A drawing of the joint that the panel asks for, to scale: two halves of a wall, cut, and what goes in."""

from __future__ import annotations

from typing import Any

import bpy
import bpy.utils.previews
import numpy as np

SIZE = 160
WALL, VOID, INSIDE, TONGUE = (0.62, 0.62, 0.62), (0.0, 0.0, 0.0), (0.85, 0.62, 0.30), (0.72, 0.72, 0.72)

_drawn: Any = None


def icon_of(kind: str, wide: float, deep: float, play: float, glue: float) -> int:
    """Return the icon of a joint's drawing, lengths in mm; 0 where there is no window. Drawn once for each joint."""
    global _drawn
    if bpy.app.background:
        return 0
    if _drawn is None:
        _drawn = bpy.utils.previews.new()
    name = f"{kind} {wide:.2f} {deep:.2f} {play:.2f} {glue:.2f}"
    if name not in _drawn:
        _drawn.clear()
        picture = _drawn.new(name)
        picture.image_size = (SIZE, SIZE)
        picture.image_pixels_float = pixels(kind, wide, deep, play, glue).ravel().tolist()
    return int(_drawn[name].icon_id)


def pixels(kind: str, wide: float, deep: float, play: float, glue: float) -> Any:
    """Return the drawing (SIZE, SIZE, 4): the cut runs upright through the middle, the wall lies left and right of it.

    A magnet fills its hole on each side; a pin or dowel runs through both; a tongue grows out of the left half.
    """
    shown = 2.6 * max(deep, 1.2 * wide)  # mm across the drawing
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    x, y = (x + 0.5 - SIZE / 2) * shown / SIZE, (y + 0.5 - SIZE / 2) * shown / SIZE
    found = np.zeros((SIZE, SIZE, 4))
    wall = np.abs(y) < max(1.6 * wide, 0.2 * shown) / 1.2
    apart = max(glue, shown / SIZE)
    found[wall & (np.abs(x) > apart / 2)] = (*WALL, 1.0)
    if kind == "tongue":  # with draft: narrower towards its tip
        half = wide * (1.0 - 0.25 * np.clip(x / deep, 0.0, 1.0))
        found[(x > 0) & (x < deep + play) & (np.abs(y) < half + play / 2)] = (*VOID, 1.0)
        found[(x > -apart) & (x < deep) & (np.abs(y) < half)] = (*TONGUE, 1.0)
        return found
    hole = (np.abs(x) < deep) & (np.abs(y) < (wide + play) / 2)
    found[hole] = (*VOID, 1.0)
    filled = (np.abs(x) < deep) & (np.abs(y) < wide / 2)
    found[filled & ((np.abs(x) > apart / 2) if kind == "magnet" else True)] = (*INSIDE, 1.0)
    return found


def forget() -> None:
    """Drop the drawings."""
    global _drawn
    if _drawn is not None:
        bpy.utils.previews.remove(_drawn)
        _drawn = None
