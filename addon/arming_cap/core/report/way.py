# SPDX-License-Identifier: GPL-3.0-or-later
"""A passage drawn: the piece on its way as ghosts beside the wearer's profile, and the margin along the way."""

from __future__ import annotations

import numpy as np

from ..arrays import FloatArray
from ..fit.passage.along import CLEAR_MM, Along
from ..fit.passage.donning import Passage
from ..geometry.section import Loop, cut
from ..pose import Pose
from .model import Chart, Drawing, Outline
from .words import figure

GHOSTS = 6
AROUND_MM = np.array([120.0, 40.0])  # to the sides the face is to be seen, whatever covers it
TILTED_DEG = 1.0  # less is not said


def way_drawn(along: Along, found: Passage) -> tuple[Drawing, Chart]:
    """Return the side view of a passage, numbered from worn to off, and the curve of its margin with the pinch.

    The view is from the wearer's left; from the front where the way leads aside more than fore and aft.
    """
    moves = np.array([pose.translation_mm - along.seat.translation_mm for pose in along.poses])
    aside = bool(np.ptp(moves[:, 0]) > 2 * np.ptp(moves[:, 1]))
    shown = [0, 2] if aside else [1, 2]
    normal = np.array([0.0, 1.0, 0.0]) if aside else np.array([1.0, 0.0, 0.0])
    worn = along.piece.moved(along.seat).mesh
    loops = cut(worn, normal, float(worn.bounds.mean(axis=0) @ normal))[0].loops
    chosen = _spread(along)
    outlines: list[Outline] = []
    tilts: list[float] = []
    peaks: list[tuple[float, float]] = []
    top = np.concatenate([loop.points for loop in loops]) if loops else worn.vertices
    for row in chosen:
        pose = along.poses[row]
        kind = "" if row == 0 else "pinched" if row == along.pinch else "ghost"
        outlines += _outlines(loops, along.seat, pose, shown, kind, along.piece.name)
        there = _placed(top, along.seat, pose)[:, shown]
        peak = there[there[:, 1].argmax()]
        tilts.append(_tilt(along.seat, pose, aside))
        peaks.append((float(peak[0]), float(peak[1])))
    outlines = _profile(along, normal, shown, outlines) + outlines
    marks, said = _labels(peaks, tilts, aside)
    at = np.array(found.at)[shown]
    marks.append((f"pinch {figure(found.pinch_mm)} mm", (float(at[0]), float(at[1]))))
    last = len(chosen)
    title = (
        f"The way off: 1 worn to {last} clear by {CLEAR_MM:.0f} mm{said}; "
        f"it is put on from {last} to 1, with the same pinch"
    )
    drawing = Drawing(title, tuple(outlines), ("wearer's left" if aside else "back", "up"), tuple(marks))
    points = np.column_stack([along.way_mm, along.margin_mm])
    pinch = (float(along.way_mm[along.pinch]), float(along.margin_mm[along.pinch]))
    chart = Chart(
        "Room along the way off, from worn at 0; the same back on",
        (("", points),),
        "way of the piece from where it is worn, mm",
        "margin, mm",
        marks=((f"pinch {figure(pinch[1])} mm", pinch),),
    )
    return drawing, chart


def _spread(along: Along) -> list[int]:
    """Return the rows of the poses that are drawn: the two ends, the pinch, and others evenly between."""
    wanted = np.linspace(0.0, along.way_mm[-1], GHOSTS)
    rows = [int(np.abs(along.way_mm - way).argmin()) for way in wanted]
    inner = range(1, GHOSTS - 1)
    nearest = min(inner, key=lambda n: abs(wanted[n] - along.way_mm[along.pinch]))
    if along.pinch not in (rows[0], rows[-1]):
        rows[nearest] = along.pinch
    return sorted(set(rows))


def _placed(points: FloatArray, seat: Pose, pose: Pose) -> FloatArray:
    """Return points (n, 3) of the worn piece in another of its poses."""
    return pose.apply(seat.inverse().apply(points))


def _outlines(
    loops: tuple[Loop, ...], seat: Pose, pose: Pose, shown: list[int], kind: str, label: str
) -> list[Outline]:
    return [
        Outline(
            kind or (loop.role if loop.closed else "open"),
            _placed(loop.points, seat, pose)[:, shown],
            loop.closed,
            label,
        )
        for loop in loops
    ]


def _tilt(seat: Pose, pose: Pose, aside: bool) -> float:
    """Return how far a pose is turned from the worn one in the drawing's plane, degrees, forward or left positive."""
    turn = pose.rotation @ seat.rotation.T
    return float(np.degrees(np.arctan2(turn[0, 2], turn[2, 2]) if aside else np.arctan2(turn[2, 1], turn[1, 1])))


def _labels(
    peaks: list[tuple[float, float]], tilts: list[float], aside: bool
) -> tuple[list[tuple[str, tuple[float, float]]], str]:
    """Return each ghost's number and tilt with its place, and a clause that says which way the tilt counts."""
    sign = 1.0 if sum(tilts) >= 0 else -1.0
    ways = ("to the left", "to the right") if aside else ("forward", "back")
    labels = []
    for number, (peak, tilt) in enumerate(zip(peaks, tilts, strict=True), 1):
        turned = f": {figure(sign * tilt, 0)}°" if abs(tilt) >= TILTED_DEG else ""
        labels.append((f"{number}{turned}", peak))
    tilted = any(abs(tilt) >= TILTED_DEG for tilt in tilts)
    return labels, f", tilted {ways[sign < 0]} by so many degrees" if tilted else ", straight"


def _profile(along: Along, normal: FloatArray, shown: list[int], outlines: list[Outline]) -> list[Outline]:
    """Return the wearer's outline through the piece's middle, as much of it as the piece passes."""
    worn = along.piece.moved(along.seat).mesh.bounds
    corners = np.concatenate([o.points for o in outlines] or [worn[:, shown]])
    low, high = corners.min(axis=0) - AROUND_MM, corners.max(axis=0) + AROUND_MM
    body = cut(along.wearer.form.mesh, normal, float(worn.mean(axis=0) @ normal))[0]
    found = []
    for loop in body.loops:
        points = loop.points[:, shown]
        if (points.max(axis=0) >= low).all() and (points.min(axis=0) <= high).all():
            found += [Outline("form", run, closed, along.wearer.name) for run, closed in _within(points, low, high)]
    return found


def _within(points: FloatArray, low: FloatArray, high: FloatArray) -> list[tuple[FloatArray, bool]]:
    """Return the runs of a closed outline (n, 2) that lie in a box, each with whether it is closed."""
    inside = ((points >= low) & (points <= high)).all(axis=1)
    if inside.all():
        return [(points, True)]
    if not inside.any():
        return []
    start = int(np.flatnonzero(~inside)[0])
    points, inside = np.roll(points, -start, axis=0), np.roll(inside, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    runs = [points[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return [(run, False) for run in runs if len(run) > 1]
