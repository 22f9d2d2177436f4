# SPDX-License-Identifier: GPL-3.0-or-later
"""The relief verb: room where it is lacking, told as the schema says; what cannot be helped is a fail."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import shapes
from jsonschema import validate

import arming_cap
from arming_cap import batch
from arming_cap.core.formats import read_mesh, write_mesh
from arming_cap.core.mesh import TriangleMesh, joined

SCHEMA = json.loads((Path(arming_cap.__file__).parent / "core/report/schema.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A ball of 45 mm in a closed shell from 50 to 54 mm."""
    folder = tmp_path_factory.mktemp("relief")
    inner, outer = shapes.sphere(50.0, 32), shapes.sphere(54.0, 32)
    write_mesh(folder / "shell.stl", joined([TriangleMesh(inner.vertices, inner.triangles[:, ::-1]), outer], "shell"))
    write_mesh(folder / "ball.stl", shapes.sphere(45.0, 32))
    return folder


def run(capsys, *arguments):
    status = batch.main([*map(str, arguments), "--json"])
    return status, capsys.readouterr()


def test_room_is_made_and_the_outside_stays(files, tmp_path, capsys):
    call = ("relief", "--wearer", files / "ball.stl", "--piece", files / "shell.stl", "--out", tmp_path)
    status, said = run(capsys, *call, "--clearance", "6.5", "--wall", "1.2")
    document = json.loads(said.out)
    validate(document, SCHEMA)
    result = document["result"]
    assert status == 0 and result["verdict"] == "pass"
    assert result["margin_before_mm"] == pytest.approx(5.0, abs=0.3)  # facets of the ball and of the shell
    assert result["margin_after_mm"] >= 6.5 - 0.05
    mesh = read_mesh(tmp_path / result["parts"][0]["file"]).mesh
    assert mesh.soundness.closed
    assert mesh.bounds == pytest.approx(read_mesh(files / "shell.stl").mesh.bounds, abs=0.01)


def test_what_the_wall_does_not_give_is_a_fail(files, tmp_path, capsys):
    call = ("relief", "--wearer", files / "ball.stl", "--piece", files / "shell.stl", "--out", tmp_path)
    status, said = run(capsys, *call, "--clearance", "12")
    result = json.loads(said.out)["result"]
    assert status == 1 and result["verdict"] == "fail" and result["short"][0]["missing_mm"] > 0


def test_without_a_folder_it_says_so_in_one_line(files, capsys):
    status, said = run(capsys, "relief", "--wearer", files / "ball.stl", "--piece", files / "shell.stl")
    assert status == 2 and said.out == "" and said.err.count("\n") == 1 and "--out" in said.err
