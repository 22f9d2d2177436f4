# SPDX-License-Identifier: GPL-3.0-or-later
"""A solid sculpt is told to be one, and hollowed with the wall that its maker chooses."""

from __future__ import annotations

import json

import igl
import numpy as np
import pytest
import shapes

from arming_cap import batch
from arming_cap.core.errors import InputError
from arming_cap.core.formats import read_mesh, write_mesh
from arming_cap.core.make.walls.hollowing import hollowed


@pytest.mark.parametrize("wall", [2.0, 4.0])
def test_a_ball_leaves_a_shell_of_the_wall_open_below(wall):
    radius = 40.0
    ball = shapes.sphere(radius, 96)
    found = hollowed(ball, wall)
    assert found.mesh.soundness.closed and len(found.remarks) == 0
    # Closed form: a shell of the wall less the cap that the opening takes; the grid leaves a little more.
    whole = 4 / 3 * np.pi * (radius**3 - (radius - wall) ** 3)
    shaft = np.pi / 4 * np.prod(found.opening_mm) * wall
    assert whole - 1.6 * shaft < found.material_mm3 < 1.12 * whole
    # Nowhere thinner than asked: from every corner of the inside to the outside.
    points = found.mesh.vertices
    squared = igl.point_mesh_squared_distance(points, np.array(ball.vertices), np.array(ball.triangles))[0]
    inside = np.sqrt(squared) > 0.5
    # The shaft's rim apart, which cuts the wall square.
    above = points[:, 2] > -radius + 2 * wall + 2
    assert np.sqrt(squared)[inside & above].min() > wall - 0.02
    assert np.sqrt(squared)[inside & above].max() < wall + 1.0


def test_a_box_keeps_its_wall_and_its_floor_is_open():
    found = hollowed(shapes.box((120.0, 140.0, 160.0)), 3.0)
    off = 1.5**2 / 24  # what the grid adds to the wall
    assert np.array(found.opening_mm) == pytest.approx([114 - 2 * off, 134 - 2 * off], abs=0.3)
    inside = (114 - 2 * off) * (134 - 2 * off) * (157 - off)
    assert found.removed_mm3 == pytest.approx(inside, rel=0.003)


@pytest.mark.parametrize("wall, match", [(0.1, "out of range"), (80.0, "out of range"), (40.0, "nothing lies deeper")])
def test_a_wall_that_leaves_no_hollow_is_refused(wall, match):
    with pytest.raises(InputError, match=match):
        hollowed(shapes.box((60, 60, 60)), wall)


def test_a_check_says_that_it_is_solid_and_how_to_mend_it_and_the_mend_is_worn(tmp_path, capsys):
    write_mesh(tmp_path / "head.ply", shapes.sphere(40.0, 48))
    write_mesh(tmp_path / "sculpt.stl", shapes.ellipsoid((50, 55, 60), 64))
    fitted = ["--wearer", str(tmp_path / "head.ply"), "--seat", "fixed"]
    assert batch.main(["clearance", *fitted, "--piece", str(tmp_path / "sculpt.stl")]) == 2
    said = capsys.readouterr().err
    assert "is solid" in said and "arming-cap hollow" in said
    made = ["hollow", str(tmp_path / "sculpt.stl"), "--wall", "3", "--out", str(tmp_path / "out"), "--json"]
    assert batch.main(made) == 0
    result = json.loads(capsys.readouterr().out)["result"]
    (part,) = result["parts"]
    assert part["watertight"] and part["wall_mm"] == 3.0
    shell = read_mesh(tmp_path / "out" / part["file"]).mesh
    assert shell.soundness.closed
    assert batch.main(["clearance", *fitted, "--piece", str(tmp_path / "out" / part["file"]), "--json"]) == 0
    # Closed form: the ball of 40 in an ellipsoid of 50, less the wall, at its side.
    least = json.loads(capsys.readouterr().out)["result"]["min_standoff_mm"]
    assert least == pytest.approx(7.0, abs=0.4)


def test_a_torn_sculpt_is_refused_in_one_line_and_leaves_no_file(tmp_path, capsys):
    ball = shapes.sphere(40.0, 48)
    holed = ball.submesh(np.flatnonzero(ball.corners[:, :, 0].max(axis=1) < 25.0))
    write_mesh(tmp_path / "torn.stl", holed)
    assert batch.main(["hollow", str(tmp_path / "torn.stl"), "--wall", "3", "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr()
    assert "torn" in said.err and "open edges" in said.err and "Traceback" not in said.err and not said.out
    assert not list(tmp_path.glob("out/*"))
