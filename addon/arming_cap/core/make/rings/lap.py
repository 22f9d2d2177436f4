# SPDX-License-Identifier: GPL-3.0-or-later
"""A ring larger than the printer, cut into segments with half-lap joints.

At each cut the lower half of the band runs on past the middle by half a lap, and the upper half of its neighbour over
it. Nothing is added to the wall, inside or outside: the measurement stays. The lap's long faces are glued.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...errors import InputError

LAP_MM = 14.0
GAP_MM = 0.15  # between the faces of a joint; common practice for filament, no source


def lapped(band: Any, volume_mm: tuple[float, float, float], height: float, ring: str, piece: str) -> list[Any]:
    """Return the segments of a flat-lying ring that fit a printer; none where it fits whole.

    Parameters
    ----------
    band
        A ``manifold3d.Manifold`` between z = 0 and z = `height`.
    volume_mm
        The printer's width, depth and height; a segment may lie either way round.
    ring, piece
        What to call them in a message.

    Raises
    ------
    InputError
        If even its quarters do not fit.
    """
    if fits(band, volume_mm):
        return []
    box = np.array(band.bounding_box()).reshape(2, 3)
    middle, size = box.mean(axis=0), np.ptp(box, axis=0)
    longer = int(size[1] > size[0])
    # Half of the longer side first: that cut crosses the ring where it runs straight across the cut.
    for axes in ((longer,), (1 - longer,), (0, 1)):
        segments = [band]
        for axis in axes:
            segments = [half for s in segments for half in _halves(s, axis, float(middle[axis]), height)]
        if all(fits(s, volume_mm) for s in segments):
            return segments
    if size[2] > volume_mm[2]:
        raise InputError(
            f"ring '{ring}' is {size[2]:.0f} mm high, larger than the printer", source=piece, remedy="give its volume"
        )
    raise InputError(
        f"ring '{ring}' is {size[0]:.0f} x {size[1]:.0f} mm, and a quarter of it is larger than the printer",
        source=piece,
        remedy="print a paper template of it",
    )


def fits(solid: Any, volume_mm: tuple[float, float, float]) -> bool:
    """Return whether a ``manifold3d.Manifold`` fits a printer as it lies or turned by a right angle."""
    size = np.ptp(np.array(solid.bounding_box()).reshape(2, 3), axis=0)
    room = np.array(volume_mm) + 1e-9
    return bool((size <= room).all() or (size[[1, 0, 2]] <= room).all())


def _halves(band: Any, axis: int, at: float, height: float) -> tuple[Any, Any]:
    """Return what lies below and above ``axis = at``, lapped over each other."""
    up = np.zeros(3)
    up[axis] = 1.0
    gap, lap = GAP_MM / 2, LAP_MM / 2

    def block(upper: bool, direction: FloatArray, offset: float) -> Any:
        """The upper or lower half of the band, as far as ``direction · x >= offset``."""
        z = height / 2 + gap if upper else -(height / 2 - gap)
        return band.trim_by_plane((0, 0, 1.0 if upper else -1.0), z).trim_by_plane(tuple(direction), offset)

    below = block(False, -up, -(at + lap - gap)) + block(True, -up, -(at - lap - gap))
    above = block(False, up, at + lap + gap) + block(True, up, at - lap + gap)
    # The part of the band's middle layer that no lap needs belongs to whoever has the rest there.
    return below + band.trim_by_plane(tuple(-up), -(at - lap - gap)), above + band.trim_by_plane(
        tuple(up), at + lap + gap
    )
