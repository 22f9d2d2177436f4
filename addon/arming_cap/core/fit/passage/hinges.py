# SPDX-License-Identifier: GPL-3.0-or-later
"""Which way a hinged part swings open: both are tried, and the one that keeps it out of the wearer is taken or named.

Where the piece stands on its wearer the part is measured against the form as it swings. A piece that is still to be
seated is held against a line from its middle straight down, where the body goes on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray
from ...distance.clearance import field_for
from ...piece import Hinge, Part, Piece
from ...pose import Pose, rotation_about
from ...wearer.form import Wearer
from ...wearer.regions import in_words

_SHARES = (0.25, 0.5, 0.75, 1.0)
_POINTS = 1500
# A hinge brings its part this near to the body anyway; only what reaches in deeper swings the wrong way.
ENTERS_MM = 5.0


@dataclass(frozen=True)
class _Swing:
    """The least distance of a swinging part from the wearer, mm, and the region there; empty where none is known."""

    least_mm: float
    region: str = ""


def settled_hinges(piece: Piece, wearer: Wearer, placed: bool, scale: float = 1.0) -> tuple[Piece, tuple[str, ...]]:
    """Return the piece with a sign for each hinge that was given none, and sentences on the ways its parts swing.

    `placed` is whether the piece, at `scale`, stands where it is worn.
    """
    said: list[str] = []
    parts: list[Part] = []
    worn = piece.scaled(scale)
    for part, at_scale in zip(piece.parts, worn.parts):
        hinge = part.hinge
        if hinge is None or hinge.opens_deg == 0:
            parts.append(part)
            continue
        given, other = (_swing(worn, at_scale, wearer, sign * hinge.opens_deg, placed) for sign in (1, -1))
        if not hinge.signed:
            turned = other.least_mm > given.least_mm
            opens = -hinge.opens_deg if turned else hinge.opens_deg
            parts.append(replace(part, hinge=replace(hinge, opens_deg=opens, signed=True)))
            said.append(f"{part.name} opens by {opens:+g}°: that way it swings clear of {wearer.name}")
            continue
        parts.append(part)
        if placed and given.least_mm < -ENTERS_MM < other.least_mm:
            at = f"'s {in_words(given.region)}" if given.region and given.region != "whole" else ""
            said.append(
                f"{part.name} swings {-given.least_mm:.0f} mm into {wearer.name}{at} as it opens by "
                f"{hinge.opens_deg:+g}°: {-hinge.opens_deg:+g}° would swing it clear"
            )
    return replace(piece, parts=tuple(parts)), tuple(said)


def _swing(piece: Piece, part: Part, wearer: Wearer, opens_deg: float, placed: bool) -> _Swing:
    assert part.hinge is not None
    points = np.concatenate([part.mesh.vertices, part.mesh.corners.mean(axis=1)])
    points = points[:: max(1, len(points) // _POINTS)]
    swung = np.concatenate([_turned(points, part.hinge, share * opens_deg) for share in _SHARES])
    if placed:
        field = field_for(piece, wearer, Pose())
        standoff, triangles, _ = field.exact(swung)
        least = int(standoff.argmin())
        region = int(field.regions_at(triangles[least : least + 1])[0])
        return _Swing(float(standoff[least]), wearer.form.region_names[region])
    rest = [p.mesh.vertices for p in piece.parts if p.name != part.name] or [points]
    bounds = np.concatenate(rest)
    away = swung - (bounds.min(axis=0) + bounds.max(axis=0)) / 2
    away[:, 2] = np.maximum(away[:, 2], 0.0)
    return _Swing(float(np.linalg.norm(away, axis=1).min()))


def _turned(points: FloatArray, hinge: Hinge, angle_deg: float) -> FloatArray:
    turned: FloatArray = (points - hinge.point_mm) @ rotation_about(hinge.axis, angle_deg).T + hinge.point_mm
    return turned
