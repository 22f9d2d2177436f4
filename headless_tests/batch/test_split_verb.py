# SPDX-License-Identifier: GPL-3.0-or-later
"""The split verb: documents by the schema, files where they are named, wrong calls in one line."""

from __future__ import annotations

import contextlib
import io
import json
import os
from pathlib import Path

import numpy as np
import pytest
import shapes
import trimesh
from jsonschema import Draft202012Validator

import arming_cap
from arming_cap import batch
from arming_cap.core.formats import write_mesh
from arming_cap.core.pose import Pose

SCHEMA = json.loads((Path(arming_cap.__file__).parent / "core/report/schema.json").read_text("utf-8"))


def call(*arguments):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = batch.main([str(a) for a in arguments])
    return status, out.getvalue(), err.getvalue()


def document(*arguments, status=0):
    code, out, err = call(*arguments, "--json")
    assert code == status, err
    found = json.loads(out)
    Draft202012Validator(SCHEMA).validate(found)
    return found


@pytest.fixture
def tube(tmp_path):
    write_mesh(tmp_path / "tube.stl", shapes.tube(95, 100, 300, 64))
    return tmp_path / "tube.stl"


def test_parts_fit_add_up_and_go_back(tube, tmp_path):
    out = tmp_path / "out"
    found = document("split", tube, "--volume", "220x220x250", "--out", out, "--no-joints")["result"]
    assert len(found["parts"]) == 2 and len(found["cuts"]) == 1 and found["joints"] == []
    whole, total, back = trimesh.load(tube), 0.0, []
    for part in found["parts"]:
        mesh = trimesh.load(out / part["file"])
        assert mesh.is_watertight and (mesh.extents <= np.array([220, 220, 250]) + 1e-4).all()
        total += mesh.volume
        pose = Pose.of(part["worn"]["translation_mm"], part["worn"]["rotation_deg"])
        back.append(pose.apply(np.asarray(mesh.vertices)))
    assert total == pytest.approx(whole.volume, rel=1e-6)
    assert np.concatenate(back).min(axis=0) == pytest.approx(whole.bounds[0], abs=0.01)
    assert np.concatenate(back).max(axis=0) == pytest.approx(whole.bounds[1], abs=0.01)
    assert {*os.listdir(out)} >= {found["assembly"], found["build_sheet"], *(p["file"] for p in found["plates"])}


def test_joints_are_listed_with_where_they_are(tube, tmp_path):
    found = document("split", tube, "--volume", "220x220x250", "--out", tmp_path / "out")["result"]
    assert len(found["joints"]) >= 2
    for joint in found["joints"]:
        assert np.hypot(*joint["at"][:2]) == pytest.approx(97.5, abs=0.3)
        assert joint["diameter_mm"] == pytest.approx(1.95) and joint["depth_mm"] == 6


def test_what_fits_is_one_part_without_a_cut(tmp_path):
    write_mesh(tmp_path / "box.stl", shapes.box((200, 100, 50)))
    found = document("split", tmp_path / "box.stl", "--volume", "220x220x250", "--out", tmp_path / "out")["result"]
    assert len(found["parts"]) == 1 and found["cuts"] == [] and found["joints"] == []


def test_the_makers_wishes_reach_the_core(tube, tmp_path):
    asked = (
        "--pin",
        "2.85",
        "--play",
        "0.15",
        "--depth",
        "5",
        "--gap",
        "0.1",
        "--shrinkage",
        "0.2",
        "--material",
        "PLA",
    )
    lock = ("--near", "0,0,1,100,100,0,50", "--weight", "front=0", "--smallest", "5")
    found = document("split", tube, "--volume", "220x220x250", "--out", tmp_path / "out", *asked, *lock)["result"]
    assert {j["diameter_mm"] for j in found["joints"]} == {3.0} and {j["depth_mm"] for j in found["joints"]} == {5}
    assert [c["offset"] for c in found["cuts"]] == [100]
    assert "shrinkage of 0.2 x 0.2 x 0.2 %" in (tmp_path / "out" / found["build_sheet"]).read_text("utf-8")
    heights = sorted(sum(p["size_mm"][2:], 0) for p in found["parts"])
    assert heights == pytest.approx([(100 - 0.05) / 0.998, (200 - 0.05) / 0.998], abs=1e-3)


def test_sources_are_kept_and_older_files_are_told(tmp_path):
    write_mesh(tmp_path / "box.stl", shapes.box((300, 100, 50)))
    before = (tmp_path / "box.stl").read_bytes()
    document("split", tmp_path / "box.stl", "--volume", "220x220x250", "--out", tmp_path)
    again = document("split", tmp_path / "box.stl", "--volume", "320x220x250", "--out", tmp_path)
    assert (tmp_path / "box.stl").read_bytes() == before
    assert any("earlier split" in w and "box-part-2" in w for w in again["warnings"])


def test_a_plan_alone_writes_nothing(tube, tmp_path):
    found = document("split", tube, "--volume", "220x220x250", "--plan-only")["result"]
    assert len(found["plan"]["parts"]) == 2 and found["plan"]["at_least"] == 2
    code, out, _ = call("split", tube, "--volume", "220x220x250", "--plan-only", "--lock", "0,0,1,100")
    assert code == 0 and "2 parts by 1 cuts" in out
    assert sorted(os.listdir(tmp_path)) == ["tube.stl"]


def test_several_files_are_one_piece(tmp_path):
    write_mesh(tmp_path / "a.stl", shapes.box((300, 40, 40)))
    write_mesh(tmp_path / "b.stl", shapes.box((40, 300, 40)))
    found = document(
        "split", tmp_path / "a.stl", tmp_path / "b.stl", "--volume", "400x400x100", "--out", tmp_path / "out"
    )["result"]
    assert len(found["parts"]) == 1
    assert found["parts"][0]["volume_mm3"] == pytest.approx(2 * 300 * 1600 - 40**3, rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--volume", "220x220"], "WxDxH"),
        (["--volume", "0x1x1", "--out", "o"], "above 0"),
        (["--volume", "220x220x250"], "no folder"),
        (["--out", "o"], "--volume"),
        (["--volume", "15x15x15", "--out", "o"], "would need about"),
        (["--volume", "220x220x250", "--out", "o", "--whole", "0,0,0,5"], "nothing of the piece"),
        (["--volume", "220x220x250", "--out", "o", "--lock", "0,0,0,5"], "no length"),
        (["--volume", "220x220x250", "--out", "o", "--weight", "beauty=1"], "one of front"),
        (["--volume", "220x220x250", "--out", "o", "--shrinkage", "1,2"], "one or three"),
        (["--volume", "220x220x250", "--out", "o", "--shrinkage", "30"], "10 %"),
        (["--volume", "220x220x250", "--out", "o", "--margin", "-1"], "below 0"),
        (["--volume", "220x220x250", "--out", "o", "--margin", "120"], "volume is empty"),
    ],
)
def test_a_wrong_call_is_one_line(tube, tmp_path, monkeypatch, arguments, words):
    monkeypatch.chdir(tmp_path)
    code, out, err = call("split", tube, *arguments)
    assert code == 2 and out == "" and len(err.splitlines()) == 1, err
    assert words in err
    assert sorted(os.listdir(tmp_path)) == ["tube.stl"]


def test_a_plan_says_what_does_not_fit_and_numbers_parts_as_they_will_be(tmp_path):
    write_mesh(tmp_path / "bar.stl", shapes.box((400, 50, 50)))
    asked = ("split", tmp_path / "bar.stl", "--volume", "220x220x250")
    found = document(*asked, "--plan-only", "--whole", "0,0,0,195", status=1)
    assert [p["fits"] for p in found["result"]["plan"]["parts"]] == [False]
    assert found["warnings"] == ["part 1 does not fit a printer of 220 x 220 x 250 mm with the cuts allowed"]
    asked = (*asked, "--lock", "1,0,0,-100", "--lock", "0,0,1,5")
    planned = document(*asked, "--plan-only")["result"]["plan"]["parts"]
    made = document(*asked, "--out", tmp_path / "out", "--no-joints")["result"]["parts"]
    assert len(planned) == len(made) > 3
    for before, after in zip(planned, made):
        assert before["size_mm"] == pytest.approx(after["size_mm"], abs=0.02)
        assert before["print"]["grams"] == pytest.approx(after["print"]["grams"], rel=0.01)


@pytest.mark.parametrize(("kind", "files"), [("dowel", 1), ("magnet", 0), ("tongue", 0)])
def test_the_kinds_of_joint(tmp_path, kind, files):
    write_mesh(tmp_path / "bar.stl", shapes.box((400, 50, 50)))
    asked = ("--joint", kind, "--pin", "5", "--depth", "4")
    found = document("split", tmp_path / "bar.stl", "--volume", "220x220x250", "--out", tmp_path / "out", *asked)[
        "result"
    ]
    assert {j["kind"] for j in found["joints"]} == {kind} and len(found["joints"]) >= 2
    page = (tmp_path / "out" / found["build_sheet"]).read_text("utf-8")
    assert len(found["dowels"]) == files
    if kind == "dowel":
        (one,) = found["dowels"]
        mesh = trimesh.load(tmp_path / "out" / one["file"])
        assert mesh.is_watertight and one["count"] == len(found["joints"])
        assert sorted(mesh.extents) == pytest.approx([5, 5, 7.5], abs=0.03)
        assert f"Print {one['count']} dowels of 7.5 mm, 5.00 mm wide" in page
    elif kind == "magnet":
        assert f"Have {2 * len(found['joints'])} magnets ready, 5.00 mm wide and 4.0 mm thick" in page
    else:
        assert all(abs(np.dot(j["along"], j["axis"])) < 1e-6 for j in found["joints"])
        assert "on part" in page


def test_a_dirty_mesh_is_told_in_one_line_or_mended_and_told(tmp_path):
    shell = shapes.dome(100, 105, -50, 48, 24)
    write_mesh(tmp_path / "metres.stl", shell.scaled(0.001))
    write_mesh(tmp_path / "sheet.stl", shapes.revolved([(80, 0), (80, 300)], 48))
    write_mesh(tmp_path / "lid.stl", shapes.revolved([(0, 0), (80, 0), (80, 300)], 48))
    size = ("--volume", "220x220x250", "--out", tmp_path / "out")
    for name, words in (
        ("metres.stl", "check the unit"),
        ("sheet.stl", "a sheet without thickness, or torn; 96 open edges, the first at 79.7, 5.2, 0.0 mm, in 2 rims"),
        ("lid.stl", "in 1 rim of 502 mm; close it, or give it a thickness, or have what lies open closed: --close 503"),
        ("nothing.stl", "no such file"),
    ):
        code, out, err = call("split", tmp_path / name, *size)
        assert code == 2 and out == "" and len(err.strip().splitlines()) <= 2 and words in err, err
    assert not (tmp_path / "out").exists()
    found = document("split", tmp_path / "lid.stl", *size, "--close", "503", "--no-joints")["result"]
    assert any("longest rim 502 mm" in r for r in found["remarks"])
    n = 48
    prism = n / 2 * np.sin(2 * np.pi / n) * 80**2 * 300
    assert sum(p["volume_mm3"] for p in found["parts"]) == pytest.approx(prism, rel=1e-6)
