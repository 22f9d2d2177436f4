# SPDX-License-Identifier: GPL-3.0-or-later
"""The size among the checks: verdicts on spheres in closed form, the cast's scales, and many fittings at once."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapes
from jsonschema import Draft202012Validator

import arming_cap
from arming_cap.core.checks.crowd import each_fitting
from arming_cap.core.checks.fit import check_fit, check_job
from arming_cap.core.checks.job import Fitting, Job, Limits
from arming_cap.core.errors import Cancelled
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.report import as_json, html
from arming_cap.core.report.model import FitReport, cast_of
from arming_cap.core.report.sizes import sentences
from arming_cap.core.report.table import cast_rows
from arming_cap.core.verdict import Status, Verdict
from arming_cap.core.wearer.form import Form, Wearer

SIZE = Limits(checks=("size",), distortion_percent=0.0)


def ball(name: str = "Ball", radius: float = 60.0, spread: float = 0.0) -> Wearer:
    return Wearer(name, Form(shapes.sphere(radius, 64), spread_mm={"whole": spread}))


def shell(radius: float = 80.0, name: str = "Shell") -> Piece:
    """A hollow ball of two walls, 5 mm apart: one wall alone would be a solid block, on which nobody is seated."""
    outer, inner = (shapes.sphere(r, 48, centre=(8, 0, 0)) for r in (radius + 5, radius))
    inward = TriangleMesh(inner.vertices, inner.triangles[:, ::-1])
    return Piece(name, (Part("shell", shapes.two(outer, inward)),))


def judged(wearer, scale, limits=SIZE) -> tuple[Verdict, FitReport]:
    report = check_fit(Fitting(shell(), wearer, scale), limits)
    return next(v for v in report.verdicts if v.check == "size"), report


def test_a_scale_passes_hangs_or_fails_by_the_range_it_stands_in():
    # s·(80 - 8) = 60: 83.3 %; with 2 mm unsure, 80.6 to 86.1 %
    sure, report = judged(ball(), 0.84)
    assert sure.status is Status.PASS and sure.number == pytest.approx(100 * 60 / 72, rel=6e-3)
    assert report.size["scale"] == pytest.approx(60 / 72, rel=6e-3)
    assert judged(ball(), 0.82)[0].status is Status.FAIL
    unsure = ball(spread=2.0)
    assert judged(unsure, 0.88)[0].status is Status.PASS
    hanging, report = judged(unsure, 0.85)
    assert hanging.status is Status.MARGINAL and "print it at 86." in hanging.mend
    assert hanging.uncertainty == pytest.approx(100 * 2 / 72, rel=0.05)
    assert hanging.details["chance"] == pytest.approx(0.84, abs=0.05)  # Φ(1.645·(0.85 - 60/72)/(2/72))
    assert report.charts and len(report.charts[0].series) == 2
    assert judged(unsure, 0.79)[0].status is Status.FAIL


def test_a_piece_that_is_looser_than_wanted_is_said_to_be():
    # s·72 - 60 = 10: 97.2 %
    loose, _ = judged(ball(), 0.99, Limits(checks=("size",), loosest_mm=10.0, distortion_percent=0.0))
    assert loose.status is Status.MARGINAL and "97." in loose.why


def test_where_no_scale_fits_the_verdict_fails_in_one_line():
    huge = Wearer("Ball", ball().form, {"default": 150.0})
    report = check_fit(Fitting(Piece("plate", (Part("plate", shapes.box((100, 100, 2))),)), huge), SIZE)
    (verdict,) = report.verdicts
    assert verdict.status is Status.FAIL and "no scale up to 200 % gives this room" in verdict.why
    assert report.size is None


def test_more_room_than_is_measured_is_said_to_be_asked_for():
    wide = Limits(checks=("size",), distortion_percent=0.0, scales=(0.5, 4.0))
    report = check_fit(Fitting(shell(), Wearer("Ball", ball().form, {"default": 150.0})), wide)
    assert report.verdicts[0].status is Status.FAIL and "150 mm of room are asked for" in report.verdicts[0].why


def test_the_size_asks_for_the_passage_too():
    # A bowl about a ball of 60, its mouth √(80² - 60²) = 52.9 wide: the margins ask for 75 %, the mouth for 113.4 %
    bowl = Piece("bowl", (Part("bowl", shapes.dome(80, 84, -60, 48, 16)),))
    limits = Limits(checks=("donning", "size"), distortion_percent=0.0)
    report = check_fit(Fitting(bowl, ball()), limits)
    verdict = report.verdicts[1]
    assert verdict.status is Status.FAIL
    assert report.size["passage_scale"] == pytest.approx(60 / 52.915, rel=0.012)
    assert verdict.number == pytest.approx(100 * report.size["passage_scale"], abs=1e-3)
    assert report.size["scale"] == pytest.approx(0.75, rel=0.006)


def test_a_way_on_without_a_part_is_not_called_a_way_on_as_a_whole():
    found = judged(ball(), 0.84)[1].size
    told = sentences({**found, "passage_scale": 0.9, "passage_without": ["visor"]})
    assert "smallest that goes on without visor: 90.00 %" in told
    told = sentences({**found, "passage_scale": None, "passage_without": []})
    assert "at no scale was it found to go on as a whole" in told


def sized(piece, wearer, low, high) -> FitReport:
    size = None if low is None else {"scale": low, "largest": high}
    return FitReport(piece, wearer, 1.0, {}, (Verdict("size", Status.PASS),), size=size)


def test_the_one_scale_that_serves_most_wearers():
    fits = [
        sized("Helm", "A", 0.90, 1.00),
        sized("Helm", "B", 0.95, 1.10),
        sized("Helm", "C", 1.02, 1.20),
        sized("Helm", "D", None, None),
        sized("Bracer", "A", 1.0, None),
    ]
    helm, bracer = cast_of(fits)
    # A and B share 0.95 to 1.00, B and C 1.02 to 1.10: two each, the smaller scale wins
    assert helm.serves == 0.95 and helm.served == ("A", "B")
    assert helm.scales["D"] is None
    assert bracer.serves == 1.0
    assert cast_rows(fits)[1] == (
        "Helm",
        "90.0 to 100.0",
        "95.0 to 110.0",
        "102.0 to 120.0",
        "no scale",
        "95.0 %: 2 of 4",
    )
    assert cast_rows(fits)[2][1:3] == ("100.0 up", "–")


def test_what_is_too_loose_already_serves_at_no_larger_scale():
    loose = FitReport("Helm", "B", 1.0, {}, (Verdict("size", Status.PASS),), size={
        "scale": 0.95, "largest": None, "largest_limited_by": {"region": "crown", "part": "helm", "at": None}
    })  # fmt: skip
    fits = [sized("Helm", "A", 1.0, 1.1), loose]
    (helm,) = cast_of(fits)
    assert helm.scales["B"] == (0.95, 0.95) and helm.served == ("B",) and helm.serves == 0.95
    assert cast_rows(fits)[1] == ("Helm", "100.0 to 110.0", "95.0, padded", "95.0 %: 1 of 2")
    # 5 mm all round are kept at s·80 = 65, where the ball stands free by more than 3
    wearer = Wearer("Ball", ball().form, {"default": 5.0})
    verdict, report = judged(wearer, 1.0, Limits(checks=("size",), loosest_mm=0.0, distortion_percent=0.0))
    assert report.size["largest"] is not None or "looser than wanted" in verdict.why
    assert verdict.status is Status.MARGINAL


def test_whose_size_was_not_asked_for_is_not_one_whom_no_scale_fits():
    unplaced = FitReport("Helm", "A", 1.0, {}, (Verdict("size", Status.NOT_CHECKED),))
    unasked = FitReport("Helm", "B", 1.0, {}, (Verdict("clearance", Status.PASS, 1.0, "mm"),))
    (helm,) = cast_of([sized("Helm", "A", 0.90, 1.00), unplaced, unasked])
    assert helm.scales == {"A": (0.90, 1.00)} and helm.served == ("A",)
    assert cast_of([unplaced, unasked]) == []


def cast() -> Job:
    wearers = [ball(f"Ball {r}", r) for r in (50.0, 60.0)]
    pieces = [shell(80.0, "Shell")]
    return Job("Cast", tuple(Fitting(p, w) for w in wearers for p in pieces), Limits(checks=("clearance", "size")))


def test_several_processes_give_the_same_bytes_as_one_by_one():
    one, two = (check_job(cast(), workers=n) for n in (1, 2))
    assert as_json.dumps(one.as_dict()) == as_json.dumps(two.as_dict())
    assert html.dumps(one) == html.dumps(two)
    schema = json.loads((Path(arming_cap.__file__).parent / "core/report/schema.json").read_text("utf-8"))
    Draft202012Validator(schema).validate(json.loads(as_json.dumps(as_json.document("check", [], [], one.as_dict()))))
    assert [row["serves"] for row in one.as_dict()["cast"]] == [
        pytest.approx(60 / 72, rel=6e-3)
    ]  # fmt: skip
    page = html.dumps(one)
    for line in sentences(one.fits[0].size):
        assert html.escape(line) in page


def test_stopping_ends_the_processes():
    def stop(fraction: float, text: str) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        check_job(cast(), stop, workers=2)
    import multiprocessing

    assert not [p for p in multiprocessing.active_children() if "Spawn" in type(p).__name__ and p.is_alive()]


def test_one_fitting_starts_no_process():
    job = Job("one", (Fitting(shell(), ball()),), SIZE)
    seen = []
    each_fitting(lambda one, limits, progress: seen.append(one), job, 8, lambda f, t: None)
    assert len(seen) == 1  # a local function could not have gone to another process
    assert np.isclose(seen[0].scale, 1.0)
