# SPDX-License-Identifier: GPL-3.0-or-later
"""The piece on its wearer from three sides, coloured by the margin, with the places that decide marked.

The colour of a wall is that of its tightest side: what lies within a wall's thickness of a place counts there, so that
a touch inside is seen from outside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..arrays import FloatArray
from ..distance.clearance import NEAR_MM, field_for, label_rows
from ..piece import Piece
from ..pose import Pose
from ..verdict import Place, Status, Verdict
from ..wearer.form import Wearer
from .ramp import display_colours
from .shaded import Camera, render

VIEWS = (("from the front", 0.0, 0.0), ("from the wearer's left", 90.0, 0.0), ("three quarters", 40.0, 18.0))
SIZE = (300, 340)
SKIN = "#d8d4cc"
SPAN_MM = 10.0  # margins beyond this, either way, look alike
WALL_MM = 6.0  # helmet walls are 2 to 5 mm, common practice
MOST_CELLS = 150  # along the longest side: a piece in a wrong unit must not ask for all memory
FACE = ("pupil_left", "pupil_right", "menton")  # in the picture where they are near: one sees how low a helmet sits
BEHIND_MM = 25.0  # what lies this far behind what is seen is on the far side; less is the inside of a wall
AROUND_MM = 90.0  # how much of the wearer is shown around the piece


@dataclass(frozen=True)
class Portrait:
    """One view: its title, the picture as a data URI, its size in pixels, and marks in it by their label.

    `behind` are the labels of marks that lie on the far side.
    """

    title: str
    image: str
    size: tuple[int, int]
    marks: tuple[tuple[str, tuple[float, float]], ...]
    behind: tuple[str, ...] = ()


def portraits(piece: Piece, wearer: Wearer, verdicts: Sequence[Verdict]) -> tuple[Portrait, ...]:
    """Return the worn piece, in the form's frame, from the front, the side and three quarters."""
    meshes = [part.mesh for part in piece.parts]
    values = _margins(piece, wearer)
    colours, start = [], 0
    for mesh in meshes:
        own = values[start : start + len(mesh.vertices)]
        start += len(mesh.vertices)
        colours.append(display_colours(own[mesh.triangles].min(axis=1), SPAN_MM, edge=True))
    low, high = piece.mesh.bounds
    frame = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    corners = wearer.form.mesh.corners
    near = ((corners.max(axis=1) > low - AROUND_MM) & (corners.min(axis=1) < high + AROUND_MM)).all(axis=1)
    body = wearer.form.mesh.submesh(np.flatnonzero(near)) if near.any() else wearer.form.mesh
    marked = [(label, np.array(place.at)) for label, place in deciding(verdicts) if place.at is not None]
    face = [at for name, at in wearer.form.landmarks.items() if name in FACE]
    beside = [at for at in [at for _, at in marked] + face if ((at > low - AROUND_MM) & (at < high + AROUND_MM)).all()]
    shown = np.concatenate([_roomier(frame), *(at[None] for at in beside)])
    found = []
    for title, around, above in VIEWS:
        view = render([body, *meshes], [SKIN, *colours], Camera.turned(around, above), SIZE, shown)
        marks = tuple((label, view.place(at)) for label, at in marked)
        behind = tuple(label for label, at in marked if view.hides(at, BEHIND_MM))
        found.append(Portrait(title, view.data_uri(), SIZE, marks, behind))
    return tuple(found)


def deciding(verdicts: Sequence[Verdict]) -> list[tuple[str, Place]]:
    """Return the places that decide, by a letter: A the least room where it is worn, B the tightest on the way."""
    letters = {"clearance": "A", "donning": "B"}
    return [
        (letters[v.check], v.limited_by)
        for v in verdicts
        if v.check in letters and v.limited_by.at is not None and v.status is not Status.NOT_CHECKED
    ]


def _roomier(frame: FloatArray) -> FloatArray:
    """Return the corners of a box a little larger than another's."""
    middle = frame.mean(axis=0)
    return middle + 1.12 * (frame - middle)


def _margins(piece: Piece, wearer: Wearer) -> FloatArray:
    """Return the margin of the wall about each vertex (n,), by the grid; NaN where nothing is near."""
    field = field_for(piece, wearer, Pose())
    points = np.concatenate([part.mesh.vertices for part in piece.parts])
    standoff = field.standoff(points).astype(float)
    margin = standoff - wearer.allowances()[label_rows(field, np.asarray(points.T, np.float32))]
    margin = np.where(np.abs(standoff) < NEAR_MM, margin, np.nan)
    size = max(WALL_MM, float(np.ptp(points, axis=0).max()) / MOST_CELLS)
    cell = np.floor(points / size).astype(np.int64)
    cell -= cell.min(axis=0)
    shape = cell.max(axis=0) + 3
    least = np.full(int(np.prod(shape)), np.inf)
    rows = np.ravel_multi_index(tuple((cell + 1).T), tuple(shape))
    np.minimum.at(least, rows, np.where(np.isnan(margin), np.inf, margin))
    least = least.reshape(shape)
    for axis in range(3):
        shifted = np.moveaxis(least, axis, 0)
        wide = shifted.copy()
        np.minimum(wide[1:], shifted[:-1], out=wide[1:])
        np.minimum(wide[:-1], shifted[1:], out=wide[:-1])
        least = np.moveaxis(wide, 0, axis)
    wall: FloatArray = least.ravel()[rows]
    return np.where(np.isfinite(wall) & ~np.isnan(margin), wall, np.nan)
