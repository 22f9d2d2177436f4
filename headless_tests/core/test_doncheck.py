# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check of donning says would mend a piece, and that it is tried only where it was asked for."""

import pytest
import shapes

from arming_cap.core import doncheck
from arming_cap.core.checks import check_fit
from arming_cap.core.fit.mending import Mend
from arming_cap.core.job import Limits, read_job
from arming_cap.core.piece import Part, Piece
from arming_cap.core.wearer.form import Form, Wearer

TRIES = (
    Mend("scale up", {"percent": 4.23}, True, 0.1),
    Mend("take off face", {"parts": 1}, True, 3.7),
    Mend("trim the rim", {"depth_mm": 12.31, "area_cm2": 40.0}, False, -2.0),
)
SAID = (
    "any of these, each tried: scale up (by 4.2 %); take off face. "
    "Tried in vain: trim the rim (12.3 mm deep, 40.0 cm\N{SUPERSCRIPT TWO} in all)"
)


def test_mends_in_words():
    assert doncheck._said(TRIES) == SAID
    assert doncheck._said(TRIES[2:]).startswith("tried in vain: trim the rim")
    assert doncheck._said(()) == ""


@pytest.mark.parametrize(("room", "asked", "tried"), [(-2.0, True, True), (-2.0, False, False), (3.0, True, False)])
def test_mends_are_tried_where_asked_and_needed(room, asked, tried, monkeypatch):
    calls = []
    monkeypatch.setattr(doncheck, "smallest_scale", lambda *a, **k: 1.0423)
    monkeypatch.setattr(doncheck, "mends", lambda *a, **k: calls.append(a[4]) or TRIES)
    ring = Piece("ring", (Part("ring", shapes.tube(40 + room, 43 + room, 20, 96)),))
    ball = Wearer("ball", Form(shapes.sphere(40, 96)), {"default": 0.0})
    report = check_fit(ring, ball, Limits(checks=("donning",), mends=asked))
    (verdict,) = report.verdicts
    assert calls == ([1.0423] if tried else [])
    assert ("mends" in verdict.details) is tried
    if tried:
        assert verdict.mend == SAID and verdict.details["mends"][0]["price"] == {"percent": 4.23}


def test_a_job_asks_for_mends(tmp_path):
    from arming_cap.core.formats import write_mesh

    write_mesh(tmp_path / "ball.ply", shapes.sphere(40, 32))
    write_mesh(tmp_path / "ring.ply", shapes.tube(43, 46, 20, 32))
    text = '[[wearer]]\nform = "ball.ply"\n[[piece]]\nname = "r"\n[[piece.part]]\nfile = "ring.ply"\n'
    for said, asked in (("mends = true", True), ("", False)):
        (tmp_path / "job.toml").write_text(f'{text}[limits]\nchecks = ["donning"]\n{said}\n', encoding="utf-8")
        assert read_job(tmp_path / "job.toml", units="mm").limits.mends is asked
