# SPDX-License-Identifier: GPL-3.0-or-later
"""What a fit's report draws: the levels that limit it, the widest level, and the middle from the side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..arrays import FloatArray
from ..geometry.section import Section, cut
from ..piece import Piece
from ..verdict import Verdict
from ..wearer.form import Wearer
from ..wearer.plain import plain
from .model import Drawing, Outline


def drawings_of(piece: Piece, wearer: Wearer, verdicts: Sequence[Verdict]) -> tuple[Drawing, ...]:
    """Draw the level that limits each failing or tightest check, the widest level, and the middle from the side."""
    box = piece.mesh.bounds
    levels: dict[str, float] = {}
    for verdict in verdicts:
        if verdict.check in ("clearance", "donning") and verdict.limited_by.at is not None:
            region = plain(verdict.limited_by.region) if verdict.limited_by.region not in ("", "whole") else ""
            levels[f"What limits {verdict.check}{': the ' + region if region else ''}"] = verdict.limited_by.at[2]
    inside = box[0, 2] + np.array([0.25, 0.5, 0.75]) * np.ptp(box[:, 2])
    levels.setdefault("Half way up the piece", float(inside[1]))
    drawn = []
    marks = {v.limited_by.at[2]: v.limited_by for v in verdicts if v.limited_by.at is not None}
    for title, level in levels.items():
        if not box[0, 2] < level < box[1, 2]:
            continue
        place = marks.get(level)
        mark = () if place is None or place.at is None else ((plain(place.region), (place.at[0], place.at[1])),)
        drawing = _section(piece, wearer, (0.0, 0.0, 1.0), level, f"{title}, at {level:.0f} mm", mark)
        drawn.append(drawing)
    middle = float(box[:, 0].mean())
    drawn.append(
        _section(piece, wearer, (1.0, 0.0, 0.0), middle, "From the side, through the middle", (), ("back", "up"))
    )
    return tuple(d for d in drawn if d.outlines)


def _section(
    piece: Piece,
    wearer: Wearer,
    normal: tuple[float, float, float],
    offset: float,
    title: str,
    marks: tuple[tuple[str, tuple[float, float]], ...],
    axes: tuple[str, str] = ("wearer's left", "back"),
) -> Drawing:
    own = cut(piece.mesh, normal, offset, wearer=wearer.form.mesh)[0]
    body = cut(wearer.form.mesh, normal, offset)[0]
    shown = [0, 1] if normal[2] else [1, 2]
    outlines = _outlines(own, shown, piece.name)
    if not outlines:
        return Drawing(title, ())
    corners = np.concatenate([o.points for o in outlines])
    low, high = corners.min(axis=0) - 40.0, corners.max(axis=0) + 40.0
    # A whole body's arms and hips are no part of this picture.
    outlines += [
        Outline("form", points, closed, wearer.name)
        for points, closed in ((loop.points[:, shown], loop.closed) for loop in body.loops)
        if (points.max(axis=0) >= low).all() and (points.min(axis=0) <= high).all()
    ]
    return Drawing(title, tuple(outlines), axes, marks, _clear_width(own, normal))


def _outlines(section: Section, shown: list[int], label: str) -> list[Outline]:
    return [
        Outline(loop.role if loop.closed else "open", loop.points[:, shown], loop.closed, label)
        for loop in section.loops
    ]


def _clear_width(
    section: Section, normal: tuple[float, float, float]
) -> tuple[tuple[str, tuple[float, float], tuple[float, float]], ...]:
    """Return the clear width as a length to draw, where there is one across the middle."""
    room = section.room
    if room is None or not normal[2]:
        return ()
    points: FloatArray = room.outline
    left, right = points[points[:, 0].argmin()], points[points[:, 0].argmax()]
    level = float((left[1] + right[1]) / 2)
    return ((f"clear {room.width_mm:.0f} mm", (float(left[0]), level), (float(right[0]), level)),)
