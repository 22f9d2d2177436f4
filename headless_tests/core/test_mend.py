# SPDX-License-Identifier: GPL-3.0-or-later
"""Dirty meshes become the solid they meant, nothing is moved, and what was done is said.

Referees: closed forms, manifold3d's own volume, libigl's distance to the mesh as it was meant.
"""

from __future__ import annotations

import igl
import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st

from arming_cap.core.errors import InputError
from arming_cap.core.make.solid.mend import mended
from arming_cap.core.make.solid.solid import raw_mesh, solid_of
from arming_cap.core.mesh import TriangleMesh, joined

BOX = shapes.box((10, 10, 10))
DOME = shapes.dome(90, 94, -20, 48, 24)


def turned(mesh, rows=slice(None)):
    tri = mesh.triangles.copy()
    tri[rows] = tri[rows][:, ::-1]
    return TriangleMesh(mesh.vertices, tri, mesh.name)


def walled(walls):
    """Two boxes side by side that share no wall, one, or both of theirs."""
    pair = joined([BOX, shapes.box((10, 10, 10), (10, 0, 0))]).welded()
    wall = np.isclose(pair.corners[:, :, 0], 5).all(axis=1)
    rows = np.flatnonzero(wall)[:walls]
    return TriangleMesh(pair.vertices, np.concatenate([pair.triangles[~wall], pair.triangles[rows]]))


def fin(attached):
    v = DOME.vertices
    a, b = v[DOME.triangles[500, 0]], v[DOME.triangles[500, 1]]
    rise = 1.3 if attached else 1.2
    low = (a, b) if attached else (a * 1.05, b * 1.05)
    return TriangleMesh(np.array([*low, a * rise]), np.array([[0, 1, 2]]))


@pytest.mark.parametrize(
    ("mesh", "volume", "said"),
    [
        (DOME, DOME.volume_mm3, ""),
        (joined([BOX, shapes.box((10, 10, 10), (10, 10, 0))]), 2000, ""),
        (walled(0), 2000, ""),
        (walled(2), 2000, "partitions"),
        (walled(4), 2000, ""),
        (joined([DOME, fin(False)]), DOME.volume_mm3, "fins without thickness"),
        (joined([DOME, fin(True)]), DOME.volume_mm3, "fins without thickness"),
        (turned(DOME), DOME.volume_mm3, "right side out"),
        (turned(DOME, np.arange(0, len(DOME), 3)), DOME.volume_mm3, "flipped"),
        (joined([DOME, DOME.submesh(np.arange(40))]), DOME.volume_mm3, "repeated"),
        (joined([BOX, turned(TriangleMesh(BOX.vertices + 3, BOX.triangles))]), 2000 - 343, "overlap"),
        (joined([shapes.box((20, 20, 20)), turned(shapes.box((5, 5, 5)))]), 8000 - 125, ""),
        (joined([shapes.box((20, 20, 20)), shapes.box((5, 5, 5))]), 8000, "overlap"),
        # An island in a void in a body.
        (joined([shapes.box((20, 20, 20)), turned(shapes.box((10, 10, 10))), shapes.box((4, 4, 4))]), 7064, ""),
    ],
)  # fmt: skip
def test_the_solid_that_was_meant(mesh, volume, said):
    solid, done = solid_of(mesh)
    assert solid.volume() == pytest.approx(volume, rel=1e-9)
    assert (said in "; ".join(done)) if said else not done


@settings(max_examples=20)
@given(st.lists(st.integers(0, len(DOME) - 1), min_size=1, max_size=6, unique=True), st.integers(0, 10_000))
def test_holes_flips_and_repeats_together(gone, seed):
    rng = np.random.default_rng(seed)
    tri = np.delete(DOME.triangles, gone, axis=0)
    flip = rng.random(len(tri)) < 0.2
    tri[flip] = tri[flip][:, ::-1]
    tri = np.concatenate([tri, tri[rng.integers(0, len(tri), 5)]])
    solid, done = solid_of(TriangleMesh(DOME.vertices, tri))
    assert done
    vertices, triangles = raw_mesh(solid)
    # Under 0.1 mm everywhere but at the holes, which lie in the triangles that were taken out.
    middles = vertices[triangles].mean(axis=1)
    squared, row, _ = igl.point_mesh_squared_distance(middles, DOME.vertices, DOME.triangles)
    off = np.sqrt(squared) > 0.1
    assert np.isin(row[off], gone).all() or off.sum() < 12 * len(gone)
    assert solid.volume() == pytest.approx(DOME.volume_mm3, rel=5e-3)


def test_what_touches_along_an_edge_keeps_an_edge_each():
    pair = joined([BOX, shapes.box((10, 10, 10), (10, 10, 0))]).welded()
    assert pair.soundness.non_manifold_edges == 1
    mesh, _ = mended(pair)
    assert len(mesh.vertices) == len(pair.vertices) + 2
    assert len(solid_of(pair)[0].decompose()) == 2


@pytest.mark.parametrize(
    ("mesh", "words"),
    [
        (shapes.revolved([(80, 0), (80, 100)], 48), "open edges, the first at"),
        (joined([sheet := shapes.revolved([(80, 0), (80, 100)], 48), turned(sheet)]), "enclose nothing"),
        (shapes.revolved([(110, -30), (110, 30)], 48), "enclose nothing"),
        (DOME.submesh(np.arange(0, len(DOME) // 2)), "sheet without thickness, or torn"),
    ],
)
def test_a_sheet_is_one_clear_line(mesh, words):
    with pytest.raises(InputError, match=words) as caught:
        solid_of(mesh)
    assert "give it a thickness" in str(caught.value) and "\n" not in str(caught.value)
