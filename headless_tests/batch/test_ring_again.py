# SPDX-License-Identifier: GPL-3.0-or-later
"""What was tried on before is not cut again: the ring verb asks only for the levels that leave a doubt."""

from __future__ import annotations

import json

import pytest
import shapes

from arming_cap import batch
from arming_cap.core.formats import write_mesh
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.pose import Pose

CARD = 'card = 1\nname = "Oda"\nsex = "f"\nunit = "mm"\n\n[readings]\nhead_circumference = 560\n'


@pytest.fixture
def files(tmp_path):
    """A card, and an upright tube of 128 mm inside that a head of 560 mm stands in."""
    (tmp_path / "oda.toml").write_text(CARD, encoding="utf-8")
    inner = shapes.tube(128.0, 132.0, 160.0, 64).moved(Pose.of((0, 0, -40.0)))
    write_mesh(tmp_path / "tube.stl", joined([TriangleMesh(inner.vertices, inner.triangles)], "tube"))
    return tmp_path


def run(capsys, *arguments):
    status = batch.main([*map(str, arguments), "--json"])
    said = capsys.readouterr()
    return status, json.loads(said.out) if said.out else said.err


def ring(files, capsys, *more):
    return run(
        capsys, "ring", "--wearer", files / "oda.toml", "--piece", files / "tube.stl", "--out", files / "r", *more
    )


def record(files, capsys, outcome, *more):
    call = ("wearer", "record", files / "oda.toml", "--piece", files / "tube.stl", "--outcome", outcome, *more)
    assert run(capsys, *call)[0] == 0


def test_a_level_that_was_good_is_settled_and_others_are_not(files, capsys):
    status, first = ring(files, capsys)
    assert status == 0 and len(first["result"]["rings"]) >= 2
    names = [one["name"] for one in first["result"]["rings"]]
    level = first["result"]["rings"][0]["offset"]
    record(files, capsys, "good", "--level", level)
    status, second = ring(files, capsys)
    assert status == 0 and [one["name"] for one in second["result"]["rings"]] == names[1:]
    assert any(names[0] in text for text in second["warnings"])


def test_good_all_round_leaves_nothing_but_what_is_asked_for(files, capsys):
    record(files, capsys, "good")
    status, said = ring(files, capsys)
    assert status == 2 and "no level in doubt" in said.splitlines()[-1]  # lines of progress may stand before
    assert not (files / "r").exists()
    status, made = ring(files, capsys, "--plane", "0,0,1,20")
    assert status == 0 and len(made["result"]["rings"]) == 1


def test_outcomes_that_contradict_each_other_settle_nothing(files, capsys):
    record(files, capsys, "tight")
    record(files, capsys, "loose")
    status, made = ring(files, capsys)
    assert status == 0 and "contradict" in made["result"]["rings"][0]["proves"]
