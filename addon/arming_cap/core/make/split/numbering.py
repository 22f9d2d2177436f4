# SPDX-License-Identifier: GPL-3.0-or-later
"""A number and an arrow cut into every part where it will not be seen: inside the piece, else in a cut face.

The arrow points up as the piece is worn, or to the front where up stands square to the surface. Under the marks at
least a line width of wall stays, proved on the solid as for joints.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...progress import Progress, silent
from ..rings.marks import PIECE_MM, STROKE_MM, strokes, width_of
from ..solid.solid import raw_mesh
from .joints import DIGITS, PROVED_MM3
from .split_cell import View
from .split_model import CutPart

HEIGHTS_MM = (10.0, 6.0)  # the largest that finds a place is taken
DEPTH_MM = 0.6
LINE_MM = 0.4
# Strokes cross at almost one depth; the slivers this leaves are taken out: a hundredth of what a printer resolves.
SLIVER_MM = 1e-3
TRIED = 24  # places tried for each part
ABOVE_MM = 4.0  # rays start this far off the surface
UNEVEN_MM = 1.2  # a place is flat enough where its surface stays within this of its middle


def number_parts(
    parts: Sequence[CutPart], view: View, progress: Progress = silent
) -> tuple[list[CutPart], list[FloatArray | None], list[str]]:
    """Cut each part's number, counted from 1, and an arrow into it.

    Returns
    -------
    The parts; for each the middle of its mark, (3,) in the worn frame, or None where it has none; remarks.
    """
    done: list[CutPart] = []
    places: list[FloatArray | None] = []
    remarks: list[str] = []
    for i, part in enumerate(parts):
        progress(i / len(parts), f"numbering part {i + 1}")
        solid, place = _numbered(part, str(i + 1), view)
        done.append(replace(part, solid=solid))
        places.append(place)
        if place is None:
            remarks.append(f"part {i + 1} has no number cut in: nowhere is it flat and thick enough out of sight")
    return done, places, remarks


def lines(text: str, height_mm: float) -> list[FloatArray]:
    """Return the strokes of a number with its arrow, (2, 2) mm each, about their own middle."""
    unit = height_mm / 6
    width = width_of(text, height_mm)
    arrow = np.array([[(3, 0), (3, 6)], [(1.5, 4), (3, 6)], [(4.5, 4), (3, 6)]], float) * unit + [width + unit, 0.0]
    middle = np.array([(width + 5.5 * unit) / 2, height_mm / 2])
    return [s - middle for s in [*strokes(text, height_mm), *arrow]]


def _numbered(part: CutPart, text: str, view: View) -> tuple[Any, FloatArray | None]:
    spots = _spots(part, view)
    shells = len(part.solid.decompose())
    for height in HEIGHTS_MM:
        drawn = lines(text, height)
        for middle, normal in spots:
            tools = _tools(part.solid, drawn, middle, normal)
            if tools is None:
                continue
            cut, proof = tools
            if (proof - part.solid).volume() > PROVED_MM3:
                continue
            left = (part.solid - cut).simplify(SLIVER_MM)
            if len(left.decompose()) == shells:
                return left, middle
    return part.solid, None


def _spots(part: CutPart, view: View) -> list[tuple[FloatArray, FloatArray]]:
    """Return places to try, with their outward normals: inner surfaces, the middle ones first; then cut faces."""
    vertices, triangles = raw_mesh(part.solid)
    corners = vertices[triangles]
    area = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(area, axis=1)
    normals = area / np.maximum(size, 1e-12)[:, None]
    middles = corners.mean(axis=1)
    on_cut = np.zeros(len(triangles), bool)
    for plane, _ in part.planes:
        on_cut |= (np.abs(plane.distances(vertices)) < 1e-5)[triangles].all(axis=1)
    away = middles - view.centre
    away /= np.maximum(np.linalg.norm(away, axis=1), 1e-12)[:, None]
    inner = ~on_cut & ((normals * away).sum(axis=1) < -0.5)
    found: list[tuple[FloatArray, FloatArray]] = []
    for rows in (np.flatnonzero(inner), np.flatnonzero(on_cut)):
        if not len(rows) or size[rows].sum() < 60.0:
            continue
        heart = np.average(middles[rows], axis=0, weights=size[rows])
        # Spread over the surface: of every cell of a coarse grid the triangle nearest its middle.
        grid = max(6.0, float(np.sqrt(size[rows].sum() / TRIED)))
        cell = np.floor((middles[rows] - heart) / grid + 0.5).astype(np.int64)
        off = np.linalg.norm(middles[rows] - (heart + cell * grid), axis=1)
        order = np.lexsort((off, *cell.T))
        first = np.append(True, (np.diff(cell[order], axis=0) != 0).any(axis=1))
        chosen = rows[order[first]]
        near = np.linalg.norm(middles[chosen] - heart, axis=1)
        found += [(middles[i], normals[i]) for i in chosen[np.argsort(near, kind="stable")][:TRIED]]
    return found


def _frame(normal: FloatArray) -> FloatArray:
    """Return right, up and outwards as rows (3, 3), seen by who looks at the surface."""
    up = np.array([0.0, 0.0, 1.0]) if abs(normal[2]) < 0.8 else np.array([0.0, -1.0, 0.0])
    up = up - normal * (up @ normal)
    up /= np.linalg.norm(up)
    return np.stack([np.cross(up, normal), up, normal])


def _tools(solid: Any, drawn: Sequence[FloatArray], middle: FloatArray, normal: FloatArray) -> tuple[Any, Any] | None:
    """Return what to cut away for some strokes, and what must be wall for that; None where the surface is uneven."""
    from manifold3d import CrossSection, Manifold, OpType

    frame = _frame(normal)
    cutters: list[Any] = []
    proofs: list[Any] = []
    for stroke in drawn:
        length = float(np.linalg.norm(stroke[1] - stroke[0]))
        pieces = max(1, int(np.ceil(length / PIECE_MM)))
        along = (stroke[1] - stroke[0]) / length
        side = np.array([-along[1], along[0]]) * STROKE_MM / 2
        reach = along * (length / pieces + STROKE_MM) / 2
        shape = CrossSection([np.round([reach + side, side - reach, -reach - side, reach - side], DIGITS)])
        ends = [stroke[0] + (stroke[1] - stroke[0]) * k / pieces for k in range(pieces + 1)]
        for start, end in pairwise(ends):
            x, y = (start + end) / 2
            origin = middle + frame[0] * x + frame[1] * y
            height = _surface(solid, origin, normal)
            if height is None:
                return None
            place = np.column_stack([frame.T, origin + normal * height])
            cutters.append(
                shape.extrude(DEPTH_MM + 1.0).translate((0.0, 0.0, -DEPTH_MM)).transform(np.round(place, DIGITS))
            )
            proof = shape.offset(LINE_MM).extrude(LINE_MM).translate((0.0, 0.0, -DEPTH_MM - LINE_MM))
            proofs.append(proof.transform(np.round(place, DIGITS)))
    return Manifold.batch_boolean(cutters, OpType.Add), Manifold.batch_boolean(proofs, OpType.Add)


def _surface(solid: Any, origin: FloatArray, normal: FloatArray) -> float | None:
    """Return how far off a point the surface lies along the normal; None where it is uneven or turns away."""
    start, end = origin + normal * ABOVE_MM, origin - normal * ABOVE_MM
    hits = solid.ray_cast(tuple(map(float, start)), tuple(map(float, end)))
    if not hits:
        return None
    first = hits[0]
    height = float((np.asarray(first.position) - origin) @ normal)
    if abs(height) > UNEVEN_MM or float(np.asarray(first.normal) @ normal) < 0.93:
        return None
    return height
