# SPDX-License-Identifier: GPL-3.0-or-later
"""``wearer form`` and ``wearer estimate`` as other programs call them."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import jsonschema
import pytest
import shapes

import arming_cap
from arming_cap import batch
from arming_cap.core.formats import read_mesh, write_mesh

SCHEMA = json.loads((Path(arming_cap.__file__).parent / "core" / "report" / "schema.json").read_text(encoding="utf-8"))
SCAN = Path(__file__).resolve().parents[2] / "demo_scenes" / "wearers" / "ilse_head.ply"


def call(*arguments):
    """Return exit status, stdout and stderr of the command."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = batch.main(["wearer", *map(str, arguments)])
    return status, out.getvalue(), err.getvalue()


def document(*arguments):
    status, out, err = call(*arguments, "--json")
    assert status == 0, err
    found = json.loads(out)
    jsonschema.validate(found, SCHEMA)
    return found


def refused(*arguments):
    status, out, err = call(*arguments)
    assert status == 2 and out == "" and err.count("\n") == 1, (status, out, err)
    return err


@pytest.fixture
def card(tmp_path):
    path = tmp_path / "ode.toml"
    path.write_text('card = 1\nunit = "cm"\nsex = "m"\n[readings]\nhead_circumference = 57.8\n', encoding="utf-8")
    return path


def test_a_card_becomes_a_mesh_with_landmarks_and_dimensions(card, tmp_path):
    found = document("form", card, "--out", tmp_path / "new" / "ode.ply")
    assert found["verb"] == "wearer form" and found["inputs"][0]["file"] == str(card)
    result = found["result"]
    mesh = read_mesh(result["file"]).mesh
    assert mesh.soundness.closed
    girth = result["dimensions"]["head_circumference"]
    assert girth["source"] == "measured" and girth["mean_mm"] == 578
    assert girth["on_form_mm"] == pytest.approx(578, abs=1.0)
    assert result["dimensions"]["head_breadth"]["source"] == "estimated"
    assert {"sellion", "menton", "tragion_left", "tragion_right", "vertex"} <= set(result["landmarks"])
    assert result["landmarks"]["vertex"][2] == pytest.approx(mesh.bounds[1, 2], abs=1.0)
    assert set(result["spread_mm"]) <= set(result["regions"])


def test_a_scan_is_measured_too(tmp_path):
    found = document("form", SCAN, "--out", tmp_path / "ilse.stl")["result"]
    head = read_mesh(SCAN).mesh
    assert found["source"] == "mesh" and "head_length" in found["dimensions"]
    skull = head.vertices[head.vertices[:, 2] > found["landmarks"]["tragion_left"][2] + 45]
    # Above the ears nothing is broader than the head: the extent along X is its breadth by definition.
    assert found["dimensions"]["head_breadth"]["on_form_mm"] == pytest.approx(
        float(skull[:, 0].max() - skull[:, 0].min()), abs=1.0
    )


def test_same_card_same_bytes(card, tmp_path):
    for name in ("a.ply", "b.ply"):
        document("form", card, "--out", tmp_path / name)
    assert (tmp_path / "a.ply").read_bytes() == (tmp_path / "b.ply").read_bytes()


def test_without_json_there_is_a_table(card, tmp_path):
    status, out, err = call("form", card, "--out", tmp_path / "ode.ply")
    assert status == 0 and "head_circumference" in out and "sellion" in out and "does not speak for children" in err


def test_what_is_no_head_or_no_file_is_refused_and_nothing_is_written(card, tmp_path):
    write_mesh(tmp_path / "cube.stl", shapes.box((180.0, 180.0, 180.0)))
    arm = tmp_path / "arm.toml"
    arm.write_text('card = 1\nunit = "mm"\n[readings]\nwrist_circumference = 170\n', encoding="utf-8")
    out = tmp_path / "out.ply"
    assert "no head was recognised" in refused("form", tmp_path / "cube.stl", "--out", out)
    assert "no reading of the head" in refused("form", arm, "--out", out)
    assert "no mesh file to write" in refused("form", card, "--out", tmp_path)
    assert "no mesh file to write" in refused("form", card, "--out", tmp_path / "form.txt")
    assert "--out" in refused("form", card)
    assert "no such file" in refused("form", tmp_path / "absent.toml", "--out", out)
    assert not out.exists()


def test_a_reading_given_twice_is_refused():
    twice = refused("estimate", "--known", "head_breadth=150", "head_length=190", "--known", "head_breadth=152")
    assert "head_breadth is given twice" in twice
    assert "given twice" in refused("estimate", "--known", "head_breadth=150", "head_breadth=150")
