# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line as other programs use it: one document on stdout, the exit status, nothing half-written."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapes

from arming_cap import batch
from arming_cap.core.formats import read_mesh, write_mesh
from arming_cap.core.mesh import TriangleMesh

ROOT = Path(__file__).resolve().parents[2]


def call(*arguments, cwd=None):
    """Run the command in this process, its two streams caught."""
    out, err = io.StringIO(), io.StringIO()
    folder = contextlib.chdir(cwd) if cwd else contextlib.nullcontext()
    with folder, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = batch.main([str(a) for a in arguments])
    return SimpleNamespace(returncode=status, stdout=out.getvalue(), stderr=err.getvalue())


def call_apart(*arguments):
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "arming_cap.batch", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT / "addon")},
        timeout=300,
    )


def document(*arguments, status=0):
    """Run with --json and return the document; stdout must hold nothing else."""
    run = call(*arguments, "--json")
    assert run.returncode == status, run.stderr
    return json.loads(run.stdout)


@pytest.fixture
def files(tmp_path):
    """A ball of 80 mm, a dome that clears it by 10 mm, and one that is too small."""
    write_mesh(tmp_path / "ball.stl", shapes.sphere(80))
    write_mesh(tmp_path / "dome.stl", shapes.dome(90, 94))
    write_mesh(tmp_path / "tight.stl", shapes.dome(75, 79))
    write_mesh(tmp_path / "tube.stl", shapes.tube(40, 45, 100, 360))
    return tmp_path


def test_section_answers_by_the_contract(files):
    found = document("section", files / "tube.stl", "--plane", "0,0,1,50", "--plane", "-1,0,0,-10")
    assert found["tool"] == "arming-cap" and found["verb"] == "section" and found["warnings"] == []
    assert found["inputs"][0]["file"].endswith("tube.stl") and len(found["inputs"][0]["sha256"]) == 64
    level, side = found["result"]["planes"]
    assert [loop["role"] for loop in level["loops"]] == ["outer", "inner"]
    assert all(loop["closed"] for loop in level["loops"])
    # Circles in closed form; 360 chords are short of the arc by 1.3e-5.
    assert level["loops"][0]["girth_mm"] == pytest.approx(2 * np.pi * 45, rel=2e-5)
    assert level["loops"][1]["area_mm2"] == pytest.approx(np.pi * 40**2, rel=6e-5)
    assert level["inner_width_mm"] == pytest.approx(80, abs=0.01)
    assert level["inner_depth_mm"] == pytest.approx(80, abs=0.01)
    assert side["normal"] == [-1, 0, 0] and side["offset"] == -10
    assert side["inner_width_mm"] == pytest.approx(2 * np.sqrt(40**2 - 10**2), abs=0.01)


def test_heights_run_from_a_to_b_with_both_ends(files):
    planes = document("section", files / "tube.stl", "--heights", "10:90:20")["result"]["planes"]
    assert [p["offset"] for p in planes] == [10, 30, 50, 70, 90]


def test_units_and_scale_apply_to_the_mesh(files):
    plain = document("section", files / "tube.stl", "--plane", "0,0,1,50")["result"]["planes"][0]
    inch = document("section", files / "tube.stl", "--units", "in", "--plane", "0,0,1,1270")["result"]["planes"][0]
    half = document("section", files / "tube.stl", "--scale", "0.5", "--plane", "0,0,1,25")["result"]["planes"][0]
    assert inch["inner_width_mm"] == pytest.approx(25.4 * plain["inner_width_mm"], rel=1e-6)
    assert half["inner_width_mm"] == pytest.approx(0.5 * plain["inner_width_mm"], rel=1e-6)


def test_clearance_of_a_ball_in_a_dome(files):
    found = document("clearance", "--wearer", files / "ball.stl", "--piece", files / "dome.stl")["result"]
    assert found["min_standoff_mm"] == pytest.approx(10, abs=0.06)
    assert found["part"] == "dome" and found["region"] == "whole"
    assert set(found["regions"]["whole"]) >= {"min_mm", "mean_mm", "p5_mm"}
    assert found["seat"] == {"translation_mm": [0, 0, 0], "rotation_deg": [0, 0, 0]}


def test_a_piece_that_cuts_into_the_wearer_fails(files):
    found = document("clearance", "--wearer", files / "ball.stl", "--piece", files / "tight.stl", status=1)["result"]
    assert found["min_standoff_mm"] == pytest.approx(-5, abs=0.06)


def test_an_allowance_turns_the_verdict(files):
    asked = ("clearance", "--wearer", files / "ball.stl", "--piece", files / "dome.stl", "--allowance")
    assert call(*asked, 9).returncode == 0
    assert call(*asked, 12).returncode == 1


def test_without_json_there_is_a_table(files):
    run = call("section", files / "tube.stl", "--plane", "0,0,1,50")
    assert run.returncode == 0 and "outer" in run.stdout and "282.7" in run.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["section", "absent.stl", "--plane", "0,0,1,0"], "no such file"),
        (["section", "tube.stl"], "no plane"),
        (["section", "tube.stl", "--plane", "0,0,0,5"], "no length"),
        (["section", "tube.stl", "--plane", "1,2,3"], "four numbers"),
        (["section", "tube.stl", "--plane", "a,b,c,d"], "not a number"),
        (["section", "tube.stl", "--plane", "nan,0,1,2"], "out of range"),
        (["section", "tube.stl", "--heights", "9:1:1"], "upwards"),
        (["section", "tube.stl", "--plane", "0,0,1,0", "--scale", "0"], "not above 0"),
        (["clearance", "--wearer", "ball.stl"], "--piece"),
        (["clearance", "--wearer", "open.stl", "--piece", "dome.stl"], "not closed"),
        (["clearance", "--wearer", "ball.stl", "--piece", "dome.stl", "dome.stl"], "two parts are named 'dome'"),
        (["frobnicate"], "invalid choice"),
        ([], "VERB"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(files, arguments, words):
    ball = shapes.sphere(80, 24)
    write_mesh(files / "open.stl", ball.submesh(np.arange(1, len(ball))))
    run = call(*arguments, cwd=files)
    assert run.returncode == 2, run.stdout + run.stderr
    assert run.stdout == "" and len(run.stderr.splitlines()) == 1
    assert words in run.stderr and "Traceback" not in run.stderr


def test_help_and_version_are_no_error():
    assert call("--help").returncode == 0
    assert call("--version").stdout.startswith("arming-cap ")


def test_a_process_of_its_own_prints_one_document_and_ends_with_the_status(files):
    good = call_apart("clearance", "--wearer", files / "ball.stl", "--piece", files / "dome.stl", "--json")
    assert good.returncode == 0 and json.loads(good.stdout)["verb"] == "clearance"
    bad = call_apart("section", files / "gone.stl", "--plane", "0,0,1,0", "--json")
    assert bad.returncode == 2 and bad.stdout == "" and len(bad.stderr.splitlines()) == 1


def test_a_fault_of_ours_goes_to_a_log_and_is_status_3(files, monkeypatch):
    from arming_cap import verbs

    def broken(options, progress):
        raise ZeroDivisionError

    monkeypatch.setattr(verbs, "section", broken)
    run = call("section", files / "tube.stl", "--plane", "0,0,1,0")
    path = Path(run.stderr.split()[-1])
    assert run.returncode == 3 and "Traceback" not in run.stderr and "ZeroDivisionError" in path.read_text()
    path.unlink()


JOB = """
title = "A ball in a dome"
[[wearer]]
name = "Ball"
form = "ball.stl"
[[piece]]
name = "Dome"
[[piece.part]]
file = "dome.stl"
"""


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("title", "titel"), "unknown key 'titel'"),
        (('form = "ball.stl"', "form = 3"), "'form' is not a text"),
        (('form = "ball.stl"', ""), "form = or card ="),
        (("[[piece.part]]", "part = 5"), "not a list of tables"),
        (('[[piece.part]]\nfile = "dome.stl"', ""), "at least one [[piece.part]]"),
        (('file = "dome.stl"', 'file = "dome.stl"\nscale = 2'), "unknown key 'scale'"),
        (('file = "dome.stl"', 'file = "gone.stl"'), "no such file"),
        (('name = "Dome"', 'name = "Dome"\nscale = "big"'), "'scale' is not a number"),
        (('name = "Dome"', 'name = "Dome"\nwearers = ["Bell"]'), "names the wearer 'Bell'"),
        (('name = "Ball"', 'name = "Ball"\nallowance_mm = 5'), "a number stands where the table"),
        (('name = "Ball"', 'name = "Ball"\nallowance_mm = { elbowe = 5 }'), "no region 'elbowe'"),
        (('name = "Ball"', 'name = "Ball'), "not valid TOML"),
        (("[[wearer]]", f"deep = {'[' * 3000}{']' * 3000}\n[[wearer]]"), "nested too deep"),
        (('name = "Ball"', 'name = "Ball"\nallowance_mm = { crown = 160 }'), "not plausible"),
        (("[[wearer]]", "limits = 3\n[[wearer]]"), "a number stands where a table belongs"),
    ],
)
def test_a_wrong_job_is_one_line_and_writes_nothing(files, change, words):
    assert change[0] in JOB
    (files / "job.toml").write_text(JOB.replace(*change, 1))
    run = call("check", files / "job.toml", "--out", files / "out")
    assert run.returncode == 2, run.stdout + run.stderr
    assert len(run.stderr.splitlines()) == 1 and words in run.stderr
    assert ("gone.stl" if "no such file" in words else "job.toml") in run.stderr
    assert not (files / "out").exists()


def test_check_writes_the_three_reports_whole(files):
    (files / "job.toml").write_text(JOB)
    found = document("check", files / "job.toml", "--out", files / "out")["result"]
    assert sorted(p.name for p in (files / "out").iterdir()) == ["junit.xml", "report.html", "report.json"]
    verdicts = {v["check"]: v for v in found["fits"][0]["verdicts"]}
    assert {"mesh", "placement", "clearance", "donning", "size"} == set(verdicts)
    assert verdicts["clearance"]["number"] == pytest.approx(10, abs=0.06)
    saved = json.loads((files / "out" / "report.json").read_text())
    assert saved["result"] == found


def test_parts_stacked_at_the_origin_are_told(files):
    """The trade's commonest trap: each part exported centred on the origin."""
    write_mesh(files / "face.stl", shapes.dome(88, 92, 20))
    job = JOB.replace('file = "dome.stl"', 'file = "dome.stl"\n[[piece.part]]\nfile = "centred.stl"')
    dome = shapes.dome(90, 94)
    write_mesh(files / "centred.stl", shapes.box((90, 60, 40), dome.bounds.mean(axis=0)))
    (files / "job.toml").write_text(job)
    found = document("check", files / "job.toml", "--out", files / "out", status=1)["result"]["fits"][0]["verdicts"]
    by_check = {v["check"]: v for v in found}
    assert by_check["placement"]["verdict"] == "fail" and "translation_mm" in by_check["placement"]["mend"]
    assert by_check["clearance"]["verdict"] == "not checked"


def test_what_is_worn_is_named_with_its_figures(files):
    arguments = ("clearance", "--wearer", files / "ball.stl", "--piece", files / "dome.stl", "--allowance")
    found = document(*arguments, "foam 6 + glasses")
    assert any("6 mm at" in line and "common practice, no source" in line for line in found["warnings"])
    run = call(*arguments, "top hat")
    assert run.returncode == 2 and "nothing worn is called 'top hat'" in run.stderr


def test_clearance_and_check_say_and_end_the_same(tmp_path):
    """A head with a spread of 4 mm and a dome 2 mm off its allowance: marginal to both, and status 0."""
    card = "card = 1\nname = 'Ilse'\nsex = 'f'\nunit = 'mm'\n[readings]\nhead_circumference = 560\n"
    (tmp_path / "ilse.toml").write_text(card, encoding="utf-8")
    for radius in (112, 120, 126, 132):
        write_mesh(tmp_path / "dome.stl", shapes.dome(radius, radius + 4, 0, 48, 24))
        (tmp_path / "job.toml").write_text(
            "[[wearer]]\ncard = 'ilse.toml'\nallowance_mm = { default = 0 }\n[[piece]]\nname = 'dome'\n"
            "[[piece.part]]\nfile = 'dome.stl'\n[limits]\nchecks = ['clearance']\n",
            encoding="utf-8",
        )
        one = call(
            "clearance",
            "--wearer",
            tmp_path / "ilse.toml",
            "--piece",
            tmp_path / "dome.stl",
            "--allowance",
            0,
            "--json",
        )
        two = call("check", tmp_path / "job.toml", "--out", tmp_path / "out", "--json")
        verb, check = json.loads(one.stdout)["result"], json.loads(two.stdout)["result"]["fits"][0]
        assert verb["verdict"] == check["verdicts"][0]["verdict"] and verb["why"] == check["verdicts"][0]["why"]
        assert one.returncode == two.returncode == (1 if verb["verdict"] in ("fail", "not checked") else 0)


def test_units_of_the_piece_and_of_the_wearer_are_two_things(files):
    shapes_cm = read_mesh(files / "dome.stl").mesh.scaled(0.1)
    write_mesh(files / "dome_cm.stl", shapes_cm)
    write_mesh(files / "ball.ply", read_mesh(files / "ball.stl").mesh)
    plain = document("clearance", "--wearer", files / "ball.stl", "--piece", files / "dome.stl")["result"]
    asked = ("clearance", "--wearer", files / "ball.stl", "--piece", files / "dome_cm.stl")
    cm = document(*asked, "--piece-units", "cm")["result"]
    assert cm["min_standoff_mm"] == pytest.approx(plain["min_standoff_mm"], abs=0.01)
    # A form that says its unit is never scaled by --units
    both = document("clearance", "--wearer", files / "ball.ply", "--piece", files / "dome_cm.stl", "--units", "cm")
    assert both["result"]["min_standoff_mm"] == pytest.approx(plain["min_standoff_mm"], abs=0.01)
    # One known length does as well
    wide = float(np.ptp(shapes_cm.bounds, axis=0)[0])
    known = document(*asked, "--known-length", f"{wide}={10 * wide}")["result"]
    assert known["min_standoff_mm"] == pytest.approx(plain["min_standoff_mm"], abs=0.01)
    odd = document("section", files / "dome_cm.stl", "--plane", "0,0,1,1")["warnings"]
    assert any("odd for something worn" in line and "--piece-units cm" in line for line in odd)


def test_a_piece_drawn_another_way_round_is_turned(files):
    mesh = read_mesh(files / "dome.stl").mesh
    write_mesh(files / "yup.stl", TriangleMesh(mesh.vertices[:, [0, 2, 1]] * [1, 1, -1], mesh.triangles, "yup"))
    plain = document("clearance", "--wearer", files / "ball.stl", "--piece", files / "dome.stl")["result"]
    turned = document(
        "clearance", "--wearer", files / "ball.stl", "--piece", files / "yup.stl", "--face", "z", "--up", "y"
    )
    assert turned["result"]["min_standoff_mm"] == pytest.approx(plain["min_standoff_mm"], abs=1e-3)
    eyes = ("sight", "--piece", files / "yup.stl", "--eyes", "30,-50,0,-30,-50,0")
    assert call(*eyes, "--face", "y", "--up", "-y").returncode == 2
