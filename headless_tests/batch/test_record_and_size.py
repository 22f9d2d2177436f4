# SPDX-License-Identifier: GPL-3.0-or-later
"""From an outcome into the card to a changed size, by the command line alone."""

from __future__ import annotations

import json

import pytest
import shapes

from arming_cap import batch
from arming_cap.core.formats import write_mesh
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.card import read_card

CARD = """# the maker's own words
card = 1
name = "Kerr"
unit = "mm"
form = "left leg"
[readings]
calf_circumference = 380
ankle_circumference = 226
[allowance.sock]
default = 3
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "kerr.toml").write_text(CARD, "utf-8")
    write_mesh(tmp_path / "greave.stl", shapes.tube(75, 79, 90, 48).moved(Pose.of((0, 0, 280))))
    return tmp_path


def run(capsys, *words) -> tuple[int, dict]:
    status = batch.main([str(w) for w in words] + ["--json"])
    out = capsys.readouterr()
    return status, json.loads(out.out) if out.out else {"error": out.err}


def test_the_next_size_uses_what_was_recorded(folder, capsys):
    card, piece = folder / "kerr.toml", folder / "greave.stl"
    asked = ("size", "--wearer", card, "--piece", piece, "--clearance", 0, "--seat", "best", "--pin", "height")
    status, before = run(capsys, *asked)
    assert status == 0, before
    said = ("wearer", "record", card, "--piece", piece, "--scale", 1.0, "--outcome", "tight", "--region", "calf_left")
    status, recorded = run(capsys, *said)
    assert status == 0 and recorded["result"]["known_fit"]["verdict"] == "tight"
    assert recorded["result"]["known_fit"]["piece"] == "greave.stl"
    assert "the maker's own words" in card.read_text("utf-8")
    assert read_card(card).known_fits[0].sha256 == recorded["inputs"][0]["sha256"]
    status, after = run(capsys, *asked)
    assert status == 0
    assert after["result"]["scale"] > before["result"]["scale"] + 0.005
    assert any("1 known fit" in text for text in after["warnings"])
    piece.rename(folder / "moved.stl")
    status, gone = run(capsys, *asked[:4], folder / "moved.stl", *asked[5:])
    assert status == 0
    assert sum("greave.stl is gone" in text for text in gone["warnings"]) == 1
    assert gone["result"]["scale"] == pytest.approx(before["result"]["scale"], abs=1e-6)


def test_an_unknown_region_or_unit_leaves_the_card_alone(folder, capsys):
    card, piece = folder / "kerr.toml", folder / "greave.stl"
    base = ("wearer", "record", card, "--piece", piece, "--outcome", "good")
    for words in (("--region", "elbo"), ("--units", "in")):
        status, said = run(capsys, *base, *words)
        assert status == 2 and said["error"].count("\n") == 1
    assert card.read_text("utf-8") == CARD
