# SPDX-License-Identifier: GPL-3.0-or-later
"""The hollow of a print that is known to fit, to stand in for the form of a wearer of whom nothing else is known.

The hollow is what the print encloses: the hull of its free inside surface less the print itself, the piece of it that
holds the middle. Over openings the hull is the border. A piece that holds this hollow holds whatever wore the print.
"""

from __future__ import annotations

import numpy as np

from ...distance.surface import surface_of
from ...errors import InputError
from ...mesh import TriangleMesh
from ...piece import Piece
from ...wearer.form import Form
from ..solid.solid import raw_mesh, solid_of

# A triangle is of the inside where nothing of the piece stands between it and the middle.
_SKIN_MM = 0.02


def hollow_of(piece: Piece) -> tuple[Form, tuple[str, ...]]:
    """Return the hollow of a piece as a form, and remarks.

    Raises
    ------
    InputError
        If the piece encloses nothing.
    """
    from manifold3d import Manifold

    surface = surface_of(piece)
    mesh = surface.mesh
    middle = mesh.bounds.mean(axis=0)
    centres = mesh.corners.mean(axis=1)
    inward = middle - centres
    length = np.linalg.norm(inward, axis=1)
    inward /= np.maximum(length, 1e-9)[:, None]
    free = ~surface.hit_within(centres + _SKIN_MM * inward, inward, length - 2 * _SKIN_MM)
    free &= mesh.areas > 0
    points = mesh.vertices[np.unique(mesh.triangles[free])]
    hull = Manifold.hull_points(points) if len(points) >= 4 else Manifold()
    remarks: list[str] = []
    try:
        wall, mended = solid_of(mesh)
        remarks += mended
        pieces = (hull - wall).decompose()
        found = max(pieces, key=lambda one: one.volume(), default=Manifold())
    except InputError:
        remarks.append(f"{piece.name} is no solid: its hollow is taken as the hull of its inside")
        found = hull
    if found.is_empty() or not found.volume() > 0.2 * hull.volume():
        raise InputError("the print has no hollow to go by", source=piece.name, remedy="name a piece that is worn")
    vertices, triangles = raw_mesh(found)
    return Form(TriangleMesh(vertices, triangles, f"hollow of {piece.name}").welded(), source="mesh"), tuple(remarks)
