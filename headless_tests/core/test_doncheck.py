# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check of donning says would mend a piece, and that it is tried only where it was asked for."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapes

from arming_cap.core.checks import donning as doncheck
from arming_cap.core.checks import worn
from arming_cap.core.checks.fit import check_fit
from arming_cap.core.checks.job import Fitting, Limits, read_job
from arming_cap.core.fit.passage.donning import out_in_words
from arming_cap.core.fit.passage.mending import Mend, _out
from arming_cap.core.fit.passage.scale import ScaleBounds
from arming_cap.core.piece import Hinge, Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report.results import DonningResult
from arming_cap.core.report.said import mends_in_words
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("ball", Form(shapes.sphere(40, 96)))
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
    assert mends_in_words(TRIES) == SAID
    assert mends_in_words(TRIES[2:]).startswith("tried in vain: trim the rim")
    assert mends_in_words(()) == ""


@pytest.mark.parametrize(("room", "asked", "tried"), [(-2.0, True, True), (-2.0, False, False), (3.0, True, False)])
def test_mends_are_tried_where_asked_and_needed(room, asked, tried, monkeypatch):
    calls = []
    monkeypatch.setattr(doncheck, "scale_bounds", lambda *a, **k: ScaleBounds(1.0423, None, False))
    monkeypatch.setattr(doncheck, "mends", lambda *a, **k: calls.append(a[4]) or TRIES)
    ring = Piece("ring", (Part("ring", shapes.tube(40 + room, 43 + room, 20, 96)),))
    ball = Wearer("ball", Form(shapes.sphere(40, 96)), {"default": 0.0})
    report = check_fit(Fitting(ring, ball), Limits(checks=("donning",), mends=asked))
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


def test_a_hinged_part_is_swung_open_not_taken_off(monkeypatch):
    """In words, among the mends, and in the size's passage."""
    hinge = Hinge(np.array([0.0, 0.0, 60.0]), np.array([1.0, 0.0, 0.0]), -90.0)
    band = Part("band", shapes.tube(44, 47, 20, 96))
    parts = (band, Part("visor", shapes.box((5, 5, 5), (0, -50, 10)), True, hinge), Part("face", shapes.box(), True))
    piece = Piece("helm", parts)
    assert out_in_words(piece, ("face", "visor")) == "face off and visor open"
    assert _out(piece, ("face", "visor")) == "take off face and open visor"
    whole = DonningResult(piece, BALL, ("visor",), {(): None}, SimpleNamespace())
    seen = []

    def search(piece, wearer, seat_at, *rest):
        seen.append((piece, seat_at(1.1)))
        return ScaleBounds(1.1, None, False)

    monkeypatch.setattr(doncheck, "scale_bounds", search)
    asked, rest = [], SimpleNamespace(pose=Pose(), would_rest=None)
    monkeypatch.setattr(worn, "find_seat", lambda one, wearer: asked.append(one) or SimpleNamespace(rest=rest))
    here = worn.Worn(Fitting(piece, BALL, seat="best"), piece, Pose(), None)
    found = doncheck.passage_scale(here, Limits(), replace(whole, tried={("visor",): SimpleNamespace(motion=None)}))
    assert found.scale == 1.1 and found.off == ("visor",)
    ((one, _),) = seen
    assert [part.name for part in one.parts] == ["band", "visor", "face"]
    assert one.parts[1].mesh.bounds[:, 2].max() > parts[1].mesh.bounds[:, 2].max() + 30
    # The seat is that of the whole piece as it is worn, its visor closed, at that scale.
    (seated,) = asked
    assert [part.name for part in seated.parts] == ["band", "visor", "face"]
    assert np.allclose(seated.parts[1].mesh.bounds, 1.1 * parts[1].mesh.bounds)


def test_what_goes_on_with_a_part_off_says_by_how_much_the_whole_fails():
    # The collar's hole is 8 mm narrower than the ball all round; without it the dome is open at its widest.
    collar = shapes.tube(32, 47, 4, 96).moved(Pose.of((0, 0, -16)))
    piece = Piece("helm", (Part("dome", shapes.dome(45, 48, 0)), Part("collar", collar, True)))
    fit = check_fit(Fitting(piece, BALL), Limits(checks=("donning",)))
    (verdict,) = (v for v in fit.verdicts if v.check == "donning")
    whole = fit.results["donning"].whole
    assert verdict.status is Status.PASS and whole.verdict is Status.FAIL and -9.0 < whole.pinch_mm < -7.5
    said = verdict.why
    assert "as a whole it does not" in said and f"lacks {-whole.pinch_mm:.1f} mm" in said and "0.0 mm" not in said
