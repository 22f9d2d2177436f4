# SPDX-License-Identifier: GPL-3.0-or-later
"""What is said of unsound meshes, by verb."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.geometry.doubts import TORN, doubts
from arming_cap.core.mesh import TriangleMesh, joined

TUBE = shapes.tube(90, 94, 100)


@pytest.mark.parametrize("verb", TORN)
def test_a_sound_mesh_is_not_spoken_of(verb):
    assert doubts([TUBE, shapes.box()], verb) == []


@pytest.mark.parametrize("verb", TORN)
def test_a_hole_is_told_with_its_edges_and_what_it_does(verb):
    (line,) = doubts([TUBE.submesh(np.arange(len(TUBE)) != 40)], verb)
    assert line == f"'tube' is torn, 3 open edges: {TORN[verb]}"


def test_flipped_and_doubled_faces_are_told_together():
    flipped = TUBE.triangles.copy()
    flipped[40] = flipped[40, ::-1]
    dirty = TriangleMesh(TUBE.vertices, np.concatenate([flipped, TUBE.triangles[100:102]]), "tube")
    (line,) = doubts([dirty], "clearance")
    assert "edges between flipped faces, 2 duplicate triangles" in line and line.endswith("change nothing here")
    assert doubts([dirty], "split")[0].endswith("mended before it is cut")


def test_a_surface_without_thickness_is_not_called_torn():
    bare = shapes.revolved([(80, 0), (80, 100)], name="visor")
    assert doubts([TUBE, bare], "size") == [
        "'visor' is open, 192 open edges, as of a surface without thickness, or of faces that do not meet: "
        "a wall to be printed may be missing from this answer"
    ]
    assert doubts([bare, joined([bare], "b"), joined([bare], "c")], "size")[0].startswith(
        "3 parts ('visor', 'b' and others) are open, "
    )
