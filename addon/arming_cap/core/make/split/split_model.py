# SPDX-License-Identifier: GPL-3.0-or-later
"""What a split is asked for and what it holds on the way: wishes, the piece, a plan, parts as cut."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...errors import InputError
from ...mesh import TriangleMesh
from ..estimate import Estimate, Filament
from ..solid.solid import raw_mesh
from .boxfit import Turn
from .split_cell import Plane, View
from .split_search import Limits, Node, Tally, Weights


@dataclass(frozen=True)
class Shrinkage:
    """By how much a print shrinks along the printer's axes, in per cent, and of which material; 0 changes nothing."""

    percent: tuple[float, float, float] = (0.0, 0.0, 0.0)
    material: str = ""

    @property
    def scale(self) -> FloatArray:
        """What the files are scaled by so that the print comes out right, (3,)."""
        percent = np.asarray(self.percent, float)
        if not (np.abs(percent) < 10).all():
            raise InputError("a shrinkage of 10 % or more is none", remedy="give it in per cent, such as 0.2")
        return 1.0 / (1.0 - percent / 100.0)


UNSHRUNK = Shrinkage()


@dataclass(frozen=True, eq=False)
class SplitOptions:
    """What a split is to keep to.

    Attributes
    ----------
    volume_mm
        The printer's width, depth and height.
    margin_mm
        Kept free all round on the plate, for a brim.
    weights, limits
        What plans are judged by, and the cuts that must or must not be.
    planes
        More planes to weigh, such as the borders between the piece's parts.
    filament
        What it is printed with.
    line_mm, thin
        Width of a printed line, and whether a piece is split even though much of its wall is thinner than one.
    shrinkage
        What the files are scaled by.
    scale
        What the piece was scaled by before, as the files say of themselves.
    """

    volume_mm: tuple[float, float, float]
    margin_mm: float = 0.0
    weights: Weights = field(default_factory=Weights)
    limits: Limits = field(default_factory=Limits)
    planes: tuple[Plane, ...] = ()
    filament: Filament = field(default_factory=Filament)
    line_mm: float = 0.4
    thin: bool = False
    shrinkage: Shrinkage = UNSHRUNK
    scale: float = 1.0

    @property
    def room(self) -> FloatArray:
        """The volume less the margin, as it holds what is not yet scaled for shrinkage, (3,)."""
        room = np.asarray(self.volume_mm, float) - [2 * self.margin_mm, 2 * self.margin_mm, 0.0]
        room = room / self.shrinkage.scale
        if not (np.isfinite(room).all() and (room > 0).all()):
            raise InputError("the printer's volume is empty", remedy="give width, depth and height above the margin")
        return room


@dataclass(frozen=True, eq=False)
class Workpiece:
    """A piece ready to be split.

    Attributes
    ----------
    solid
        The union of its meshes, a ``manifold3d.Manifold`` in the worn frame.
    coarse
        Its stand-in for the search.
    view
        What is outside and front, and its plane of symmetry.
    remarks
        Repairs made on the way, in words.
    """

    name: str
    solid: Any
    coarse: Any
    view: View
    remarks: tuple[str, ...] = ()

    def points_within(self, centre: FloatArray, radius_mm: float) -> FloatArray:
        """Return points on what of the piece lies within a ball, (k, 3): a place that cuts may be told to leave whole.

        Raises
        ------
        InputError
            If the ball holds nothing of the piece.
        """
        from manifold3d import Manifold

        x, y, z = (float(v) for v in centre)
        found = raw_mesh(self.solid ^ Manifold.sphere(radius_mm, 24).translate((x, y, z)))[0]
        if not len(found):
            raise InputError(
                f"nothing of the piece lies within {radius_mm:g} mm of {x:g}, {y:g}, {z:g}",
                source=self.name,
                remedy="give a point on its surface, or a larger radius",
            )
        return found


@dataclass(frozen=True, eq=False)
class PlannedPart:
    """A part as planned: a coarse mesh of it in the worn frame, its size as it prints, what it takes to print."""

    mesh: TriangleMesh
    size_mm: FloatArray
    fits: bool
    estimate: Estimate


@dataclass(frozen=True, eq=False)
class Plan:
    """A plan, not yet a cut.

    Attributes
    ----------
    bodies
        A tree of cuts for each separate body of the piece, in the order of `shells_of`; a single tree without a cut
        where the whole fits as it is.
    parts
        What it leads to.
    tally
        How many planes were weighed and tried.
    front_mm, shown_mm
        Seam seen from the front, and on all outer surfaces.
    at_least
        No plan has fewer parts: bodies, the whole's volume over the printer's, and its longest diameter over the
        printer's diagonal.
    """

    bodies: tuple[Node, ...]
    parts: tuple[PlannedPart, ...]
    tally: Tally
    front_mm: float
    shown_mm: float
    at_least: int

    @property
    def planes(self) -> tuple[Plane, ...]:
        """Every cut, in the order they are made."""
        return tuple(p for n in self.bodies for p in n.planes)

    @property
    def longest(self) -> Estimate:
        """The estimate of the part that prints longest."""
        return max((p.estimate for p in self.parts), key=lambda e: e.minutes)


@dataclass(frozen=True, eq=False)
class CutPart:
    """A part as cut, in the worn frame.

    Attributes
    ----------
    solid
        A ``manifold3d.Manifold``.
    planes
        The planes it was cut by, each with the side it lies on: +1 above, -1 below.
    turn
        A rotation in which it fits the room.
    """

    solid: Any
    planes: tuple[tuple[Plane, int], ...]
    turn: Turn
