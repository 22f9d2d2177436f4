# SPDX-License-Identifier: GPL-3.0-or-later
"""Marks cut into the outside of a ring: single strokes, wide enough for a 0.4 mm nozzle, no support needed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...geometry.section import cut
from ...mesh import TriangleMesh

# Letters on a grid 4 wide and 6 high: strokes apart by a bar, points as two digits x and y.
GLYPHS = {
    "A": "00 26 40|12 32", "B": "00 06 36 45 44 33 03|33 42 41 30 00", "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00", "E": "40 00 06 46|03 33", "F": "00 06 46|03 33", "G": "45 36 16 05 01 10 30 41 43 23",
    "H": "00 06|40 46|03 43", "I": "10 30|16 36|20 26", "J": "46 41 30 10 01", "K": "00 06|46 03 40", "L": "06 00 40",
    "M": "00 06 23 46 40", "N": "00 06 40 46", "O": "10 01 05 16 36 45 41 30 10", "P": "00 06 36 45 44 33 03",
    "Q": "10 01 05 16 36 45 41 30 10|22 40", "R": "00 06 36 45 44 33 03|23 40",
    "S": "45 36 16 05 04 13 33 42 41 30 10 01", "T": "06 46|26 20", "U": "06 01 10 30 41 46", "V": "06 20 46",
    "W": "06 10 23 30 46", "X": "00 46|06 40", "Y": "06 23 46|23 20", "Z": "06 46 00 40",
    "0": "10 01 05 16 36 45 41 30 10|12 34", "1": "15 26 20|10 30", "2": "05 16 36 45 44 00 40",
    "3": "05 16 36 45 44 33 42 41 30 10 01|13 33", "4": "30 36 02 42", "5": "46 06 03 33 42 41 30 10 01",
    "6": "45 36 16 05 01 10 30 41 42 33 03", "7": "06 46 10", "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33",
    "9": "01 10 30 41 45 36 16 05 04 13 43", "%": "06 16 15 05 06|30 40 41 31 30|00 46", "-": "13 33", ".": "20 21",
    "/": "00 46", ":": "21 22|24 25", "+": "13 33|22 24",
}  # fmt: skip
ADVANCE = 6  # grid units from letter to letter
STROKE_MM = 0.9  # two lines of a 0.4 mm nozzle
PIECE_MM = 1.2  # strokes are laid on the surface in pieces no longer than this: it may curve and lean


def strokes(text: str, height_mm: float) -> list[FloatArray]:
    """Return a text's strokes, (2, 2) mm each from point to point, from x = 0 on, the base line at y = 0.

    What is no letter, digit or sign known here becomes a space.
    """
    unit = height_mm / 6
    found = []
    for i, letter in enumerate(text.upper()):
        for stroke in filter(None, GLYPHS.get(letter, "").split("|")):
            points = np.array([(int(p[0]) + ADVANCE * i, int(p[1])) for p in stroke.split()], float) * unit
            found += [np.stack(ends) for ends in pairwise(points)]
    return found


def width_of(text: str, height_mm: float) -> float:
    """Return the width of a text in mm."""
    return max(0, ADVANCE * len(text) - 2) * height_mm / 6


def engraved(
    band: Any,
    surface: TriangleMesh,
    marks: Sequence[tuple[str, FloatArray]],
    base_mm: float,
    height_mm: float,
    depth_mm: float,
    rise: Callable[[FloatArray], FloatArray] | None = None,
) -> Any:
    """Return a ring with texts cut into its outside.

    Parameters
    ----------
    band
        A ``manifold3d.Manifold`` about the Z axis of its own frame.
    surface
        The band as a mesh; where it rises and falls, brought down by `rise`.
    marks
        Each text, and the direction (2,) from the ring's middle in which it is centred.
    base_mm
        Height of the letters' base line.
    height_mm, depth_mm
        Of the letters, and of the cut.
    rise
        Takes points (n, 2) and returns how high the band's lower edge runs there, (n,) mm: the text runs along. None
        where it lies flat.
    """
    from manifold3d import CrossSection, Manifold, OpType

    levels = base_mm + height_mm * (np.arange(13) + 0.5) / 13
    outlines = [
        [loop.points[:, :2] for loop in section.loops if loop.closed and loop.role == "outer"]
        for section in cut(surface, (0, 0, 1), levels)
    ]
    # Text runs along the hull: steps and grooves of the outside would crowd the letters.
    middle = np.asarray(CrossSection(outlines[len(outlines) // 2]).hull().to_polygons()[0], float)
    ahead = np.roll(middle, -1, axis=0) - middle
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(ahead, axis=1))])
    centre = 0.5 * (middle.min(axis=0) + middle.max(axis=0))

    def along(s: float) -> tuple[FloatArray, FloatArray]:
        """The point at a length along the outline, and the direction there."""
        s %= run[-1]
        i = min(int(np.searchsorted(run, s, side="right")) - 1, len(middle) - 1)
        direction = ahead[i] / (run[i + 1] - run[i])
        return middle[i] + direction * (s - run[i]), direction

    tools = []
    for text, towards in marks:
        unit = np.asarray(towards, float) / np.linalg.norm(towards)
        start = centre + unit * 2 * float(np.ptp(middle, axis=0).max())
        meets = start - unit * _to_surface(start, -unit, [middle])
        at = run[int(np.argmin(np.linalg.norm(middle - meets, axis=1)))]
        # The nearest corner of the outline may be far along a straight stretch: go on to the place itself.
        point, direction = along(at + 1e-9)
        at += float((meets - point) @ direction)
        for ends in strokes(text, height_mm):
            length = float(np.linalg.norm(ends[1] - ends[0]))
            pieces = max(1, int(np.ceil(length / PIECE_MM)))
            slope = (ends[1] - ends[0]) / length
            side = np.array([-slope[1], slope[0]]) * STROKE_MM / 2
            reach = slope * (length / pieces + STROKE_MM) / 2
            for k in range(pieces):
                x, y = ends[0] + (ends[1] - ends[0]) * (k + 0.5) / pieces
                spot, tangent = along(at + x - width_of(text, height_mm) / 2)
                normal = np.array([tangent[1], -tangent[0]])
                outline = outlines[min(12, int(y / height_mm * 13))]
                out = 10.0
                deep = _to_surface(spot + normal * out, -normal, outline)
                if not np.isfinite(deep):
                    continue  # a mouth at this height: nothing to cut into
                hit = spot + normal * (out - deep)
                tool = CrossSection([np.round([reach + side, side - reach, -reach - side, reach - side], 6)])
                frame = np.zeros((3, 4))
                frame[:2, 0], frame[2, 1], frame[:2, 2] = tangent, 1.0, normal
                up = 0.0 if rise is None else float(rise(spot[None])[0])
                frame[:, 3] = [*(hit - normal * depth_mm), base_mm + y + up]
                # Rounded, so that the last bits of one numpy or another do not reach the file.
                tools.append(tool.extrude(depth_mm + 1.0).transform(np.round(frame, 6)))
    return band - Manifold.batch_boolean(tools, OpType.Add) if tools else band


def _to_surface(start: FloatArray, ray: FloatArray, outlines: Sequence[FloatArray]) -> float:
    """Return how far a 2D ray runs to the nearest of some closed outlines; inf where it misses them all."""
    nearest = np.inf
    for outline in outlines:
        step = np.roll(outline, -1, axis=0) - outline
        to = outline - start
        cross = ray[0] * step[:, 1] - ray[1] * step[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            distance = (to[:, 0] * step[:, 1] - to[:, 1] * step[:, 0]) / cross
            on = (to[:, 0] * ray[1] - to[:, 1] * ray[0]) / cross
        hits = (cross != 0) & (on >= 0) & (on <= 1) & (distance > 0)
        if hits.any():
            nearest = min(nearest, float(distance[hits].min()))
    return nearest
