# SPDX-License-Identifier: GPL-3.0-or-later
"""The verb that makes try-on rings, as a maker calls it."""

from __future__ import annotations

import contextlib
import io
import json

import pypdf
import pytest
import shapes
import trimesh

from arming_cap.batch import main
from arming_cap.core.formats import write_mesh


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ring")
    write_mesh(folder / "dome.ply", shapes.dome(100, 104, -60, segments=64, rings=24))
    write_mesh(folder / "ball.ply", shapes.ellipsoid((75, 95, 80), 48))
    return folder


def run(*words):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = main([str(w) for w in words])
    return status, out.getvalue(), err.getvalue()


def test_rings_say_what_they_prove_and_what_they_cost(files, tmp_path):
    status, out, _ = run(
        "ring", "--piece", files / "dome.ply", "--wearer", files / "ball.ply", "--out", tmp_path, "--json"
    )
    assert status == 0
    rings = json.loads(out)["result"]["rings"]
    assert 2 <= len(rings) <= 3 and any("limits" in r["proves"] and r["tests"] == ["whole"] for r in rings)
    for ring in rings:
        assert ring["ring"]["grams"] < ring["whole"]["grams"] and ring["ring"]["metres"] > 0
        for file in ring["files"]:
            if file.endswith(".stl"):
                assert trimesh.load(tmp_path / file).is_watertight
    assert len(pypdf.PdfReader(tmp_path / "templates.pdf").pages) > len(rings)


def test_planes_rims_printers_and_labels(files, tmp_path):
    status, out, _ = run(
        "ring", "--piece", files / "dome.ply", "--plane", "0,0.2,1,0", "--rim", "-50", "--volume", "150x150x100",
        "--label", "A7", "--out", tmp_path, "--json",
    )  # fmt: skip
    assert status == 2  # a band along the rim is not cut
    assert not list(tmp_path.iterdir())
    status, out, _ = run(
        "ring", "--piece", files / "dome.ply", "--plane", "0,0.2,1,0", "--rim", "-50", "--label", "A7",
        "--out", tmp_path, "--json",
    )  # fmt: skip
    level, rim = json.loads(out)["result"]["rings"]
    assert status == 0 and rim["name"] == "rim 1" and any("follows the rim" in r for r in rim["remarks"])
    assert level["normal"][1] == pytest.approx(0.196, abs=1e-3)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--plane", "0,0,1,900"), "misses the piece"),
        (("--rim", "900"), "misses the piece"),
        (("--volume", "30x30x30"), "larger than the printer"),
        (("--volume", "300x300x5"), "8 mm high, larger than the printer"),
        (("--scale", "0.001"), "check its unit"),
        (("--most", "0"), "not a whole number"),
    ],
)
def test_bad_input_is_one_line_and_leaves_nothing(files, tmp_path, words, said):
    folder = tmp_path / "out"
    status, out, err = run("ring", "--piece", files / "dome.ply", *words, "--out", folder)
    assert status == 2 and said in err and err.count("\n") == 1 and out == ""
    assert not folder.exists()
