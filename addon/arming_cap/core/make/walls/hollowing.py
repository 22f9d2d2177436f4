# SPDX-License-Identifier: GPL-3.0-or-later
"""Hollow a solid sculpt: a wall of one thickness all around, open below.

The hollow is what lies deeper in the solid than the wall, an isosurface of the exact distance to the outside (marching
cubes, Lorensen and Cline 1987). From its floor it is carried on straight down, so that the piece is open below. Whether
anybody gets in there is a matter for the checks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ...errors import InputError
from ...mesh import TriangleMesh
from ...progress import Progress, silent
from ..solid.solid import mesh_of, solid_below, solid_of

NODES = 2_000_000
GRID_MM = 1.5
THINNEST_MM, THICKEST_MM = 0.4, 50.0


@dataclass(frozen=True)
class Hollowed:
    """A hollowed solid.

    Attributes
    ----------
    mesh
        Closed; its wall is nowhere thinner than asked, save beside the opening where the solid narrows downwards.
    material_mm3, removed_mm3
        What is left, and what was taken away.
    opening_mm
        Width and depth of the opening below.
    remarks
        What was mended of the solid first.
    """

    mesh: TriangleMesh
    material_mm3: float
    removed_mm3: float
    opening_mm: tuple[float, float]
    remarks: tuple[str, ...]


def hollowed(mesh: TriangleMesh, wall_mm: float, progress: Progress = silent) -> Hollowed:
    """Return a solid with a wall of so many millimetres left, open below (−Z).

    Raises
    ------
    InputError
        If the wall is out of range, the mesh cannot be made a solid, or nothing lies as deep in it.
    """
    if not THINNEST_MM <= wall_mm <= THICKEST_MM:
        raise InputError(
            f"a wall of {wall_mm:g} mm is out of range",
            source=mesh.name,
            remedy=f"give {THINNEST_MM:g} to {THICKEST_MM:g} mm; 2 to 4 mm is common practice",
        )
    progress(0.0, f"Reading {mesh.name} as a solid")
    solid, remarks = solid_of(mesh)
    cavity = _deeper(mesh_of(solid, mesh.name), wall_mm, progress)
    low = float(cavity.bounding_box()[2])
    level = low + 2 * GRID_MM  # above the edge that the grid cuts off
    floor = cavity.slice(level)
    if floor.is_empty():
        raise InputError("the hollow has no floor", source=mesh.name, remedy="choose a thinner wall")
    bottom = float(solid.bounding_box()[2]) - 1.0
    shaft = floor.extrude(level - bottom).translate((0.0, 0.0, bottom))
    shell = solid - (cavity + shaft)
    x0, y0, x1, y1 = floor.bounds()
    progress(1.0, "Hollowed")
    made = mesh_of(shell, mesh.name)
    removed = float(solid.volume() - shell.volume())
    return Hollowed(made, float(shell.volume()), removed, (x1 - x0, y1 - y0), tuple(remarks))


def _deeper(mesh: TriangleMesh, wall_mm: float, progress: Progress) -> Any:
    """Return what lies deeper than the wall in a closed mesh, as a solid."""
    import igl

    low, high = mesh.bounds
    h = max(GRID_MM, float(np.prod(high - low) / NODES) ** (1 / 3))
    shape = np.ceil((high - low) / h).astype(int) + 1
    # Marching cubes wants x to run fastest.
    axes = [low[k] + h * np.arange(shape[k]) for k in (2, 1, 0)]
    nodes = np.ascontiguousarray(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)[:, ::-1])
    vertices, triangles = np.array(mesh.vertices), np.array(mesh.triangles)
    value = np.full(len(nodes), h)
    layers = np.array_split(np.arange(len(nodes)), 16)
    for number, rows in enumerate(layers):
        progress(0.1 + 0.7 * number / len(layers), "Looking how deep the material is")
        inside = rows[igl.fast_winding_number(vertices, triangles, nodes[rows]) > 0.5]
        if len(inside):
            squared = igl.point_mesh_squared_distance(nodes[inside], vertices, triangles)[0]
            # Between nodes the distance bends: by no more than this where it is a wall away from a round outside.
            value[inside] = wall_mm + h * h / (8 * wall_mm) - np.sqrt(squared)
    cavity = solid_below(value, nodes, shape, h)
    if cavity is None:
        raise InputError(
            f"nothing lies deeper in it than {wall_mm:g} mm", source=mesh.name, remedy="choose a thinner wall"
        )
    if cavity.is_empty():
        raise InputError("the hollow's surface does not close", source=mesh.name, remedy="report it")
    return max(cavity.decompose(), key=lambda body: body.volume()).simplify(0.01)
