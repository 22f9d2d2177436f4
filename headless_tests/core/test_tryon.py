# SPDX-License-Identifier: GPL-3.0-or-later
"""Rings and templates come together or not at all, and open without a warning elsewhere."""

from __future__ import annotations

import pytest
import shapes

from arming_cap.core.errors import Cancelled, InputError
from arming_cap.core.files import written_together
from arming_cap.core.make.rings import tryon
from arming_cap.core.make.rings.ring import RingPlane
from arming_cap.core.piece import Part, Piece

PIECE = Piece("helm", (Part("helm", shapes.tube(60, 64, 60)),))
PLANES = [RingPlane("low", (0, 0, 1), 15), RingPlane("high", (0, 0, 1), 45)]


def held(folder):
    return {p.name: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("fault", [Cancelled, InputError("the disk is full"), OSError(28, "no space")])
@pytest.mark.parametrize("there_before", [True, False])
def test_a_failure_half_way_leaves_nothing_of_this_run(tmp_path, monkeypatch, fault, there_before):
    out = tmp_path / "a" / "rings"
    if there_before:
        tryon.try_on(PIECE, None, PLANES[:1], out)
        (out / "mine.txt").write_text("kept", encoding="utf-8")
    before = held(tmp_path)

    def broken(*_):
        raise fault

    monkeypatch.setattr(tryon, "draw_templates", broken)  # the rings are written by then
    with pytest.raises((Cancelled, InputError, OSError)):
        tryon.try_on(PIECE, None, PLANES, out)
    assert held(tmp_path) == before if there_before else not list(tmp_path.iterdir())


def test_a_place_that_cannot_be_written_puts_the_others_back(tmp_path):
    (tmp_path / "a.txt").write_text("old", encoding="utf-8")
    (tmp_path / "c.txt").mkdir()
    (tmp_path / "c.txt" / "inside").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="there is a folder of this name"), written_together(tmp_path) as folder:
        for name in ("a.txt", "b.txt", "c.txt"):
            (folder / name).write_text("new", encoding="utf-8")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.txt", "c.txt"] and (tmp_path / "c.txt" / "inside").exists()
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "old"
    with written_together(tmp_path) as folder:
        for name in ("a.txt", "b.txt"):
            (folder / name).write_text("new", encoding="utf-8")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.txt", "b.txt", "c.txt"]
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "new"


def test_a_file_where_the_folder_should_be_is_one_line(tmp_path):
    (tmp_path / "rings").write_text("a file", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be written"):
        tryon.try_on(PIECE, None, PLANES[:1], tmp_path / "rings")
