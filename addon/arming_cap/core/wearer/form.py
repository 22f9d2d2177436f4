# SPDX-License-Identifier: GPL-3.0-or-later
"""The closed surface that stands for the wearer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..errors import InputError
from ..mesh import TriangleMesh
from ..pose import Pose

WHOLE = "whole"
# The region of the faces where a body was cut off. What is nearest to one of them lies past the end of the form: the
# body goes on there, and nobody knows how. No room is asked for there, and a little less than nothing is not told as
# a touch.
CUT = "cut"
CUT_GIVES_MM = 20.0


# The thickest foam in common use (common practice, no source). Over more than an inch the piece rocks, and is too large
# or drawn for another head.
PADDING_MM = 25.0


@dataclass(frozen=True, eq=False)
class Form:
    """A closed surface with its body regions.

    Attributes
    ----------
    mesh
        Closed, millimetres, Z up, facing -Y.
    region_names
        The regions there are; ``("whole",)`` where no body part was recognised.
    region_of_triangle
        (m,) int, rows of `region_names`.
    landmarks
        Named points, (3,) mm each; empty where nothing was recognised. Names as in ISO 7250-1, left and right
        with that ending: ``sellion``, ``menton``, ``tragion_left``, ``pupil_left``, ``vertex``, ...
    spread_mm
        Half-width of the 90 % interval of where the surface is, by region (mm); regions not named have 0.
    source
        ``scan``, ``card`` or ``mesh``.
    on_cut
        (m,) bool: the triangles of the flat faces where a template was cut out of a body. There is no skin there: the
        body goes on, so a standoff or margin whose nearest triangle is one of these says nothing of the wearer. All
        False for a mesh that did not come from a template.

    Raises
    ------
    InputError
        If the surface is not closed: inside and outside would be undefined.
    """

    mesh: TriangleMesh
    region_names: tuple[str, ...] = (WHOLE,)
    region_of_triangle: IntArray | None = None
    landmarks: Mapping[str, FloatArray] = field(default_factory=dict)
    spread_mm: Mapping[str, float] = field(default_factory=dict)
    source: str = "mesh"
    on_cut: BoolArray | None = None

    def __post_init__(self) -> None:
        facts = self.mesh.soundness
        if not facts.closed:
            raise InputError(
                f"the form is not closed ({', '.join(facts.remarks())})",
                source=self.mesh.name,
                remedy="fill its holes and save it again",
            )
        if self.region_of_triangle is None:
            object.__setattr__(self, "region_of_triangle", np.zeros(len(self.mesh), np.int64))
        if self.on_cut is None:
            object.__setattr__(self, "on_cut", np.zeros(len(self.mesh), bool))
        assert self.on_cut is not None and self.region_of_triangle is not None
        if self.on_cut.any() and CUT not in self.region_names:
            region = np.where(self.on_cut, len(self.region_names), self.region_of_triangle)
            object.__setattr__(self, "region_names", (*self.region_names, CUT))
            object.__setattr__(self, "region_of_triangle", region)

    def moved(self, pose: Pose) -> Form:
        """Return the form in another place."""
        landmarks = {name: pose.apply(point[None])[0] for name, point in self.landmarks.items()}
        return replace(self, mesh=self.mesh.moved(pose), landmarks=landmarks)

    def regions_at(self, triangles: IntArray) -> list[str]:
        """Return the region's name for each of some triangles."""
        assert self.region_of_triangle is not None
        return [self.region_names[i] for i in self.region_of_triangle[triangles]]


@dataclass(frozen=True)
class Wearer:
    """A person: a form, and the room each region must keep.

    Attributes
    ----------
    name
        What the wearer is called in reports.
    form
        The clean body.
    allowance_mm
        Standoff a region must keep, by region name; ``default`` for the rest. Negative where flesh gives.
    padding_mm
        Most padding beyond that which they put where a piece is carried, to bring its openings to the eyes.
    """

    name: str
    form: Form
    allowance_mm: Mapping[str, float] = field(default_factory=dict)
    padding_mm: float = PADDING_MM

    def allowance(self, region: str) -> float:
        """Return the allowance of one region in mm; where the form was cut off nothing is asked for."""
        if region == CUT:
            return min(0.0, *self.allowance_mm.values(), 0.0) - CUT_GIVES_MM
        return float(self.allowance_mm.get(region, self.allowance_mm.get("default", 0.0)))

    def allowances(self) -> FloatArray:
        """Return the allowance of each region of the form, (r,) mm."""
        return np.array([self.allowance(name) for name in self.form.region_names])
