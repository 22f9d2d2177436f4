# SPDX-License-Identifier: GPL-3.0-or-later
"""A check ends: searches stay in their range, and what ends one fitting takes no other's answer with it."""

from __future__ import annotations

import io
import time

import pytest
import shapes

from arming_cap import batch
from arming_cap.core.checks.crowd import Trouble, each_fitting
from arming_cap.core.checks.fit import check_job
from arming_cap.core.checks.job import Fitting, Job, Limits
from arming_cap.core.errors import InputError, OutOfTime
from arming_cap.core.fit.passage.scale import ScaleBounds, scale_bounds
from arming_cap.core.fit.size import sizing
from arming_cap.core.fit.size.scales import NoScale
from arming_cap.core.fit.size.sizing import size
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.progress import silent, within
from arming_cap.core.report.model import FitReport
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("Ball", Form(shapes.sphere(60, 48)))


def ring(inner: float) -> Piece:
    return Piece("ring", (Part("ring", shapes.tube(inner, inner + 4, 20, 48)),))


def test_the_smallest_scale_of_a_passage_stays_in_its_range():
    """A first scale above the range made the search look at the range's end for ever."""
    start = time.process_time()
    assert scale_bounds(ring(50), BALL, lambda piece: Pose(), span=(2.4, 2.0), first=2.4) == ScaleBounds(
        None, None, False
    )
    # Where it must be 1.2: up to 1.1 there is none, and the search says so.
    assert scale_bounds(ring(50), BALL, lambda piece: Pose(), span=(0.5, 1.1), first=2.4).passes is None
    assert time.process_time() - start < 60


@pytest.mark.parametrize("seat", ["fixed", "best"])
def test_no_scale_in_the_range_is_an_answer_with_its_figures(seat):
    """A shell of 80 mm about a ball of 60 that is to keep 90: at 150 % it has 120 - 60 - 90 = -30 mm."""
    shell = Piece("shell", (Part("shell", shapes.sphere(80, 48)),))
    with pytest.raises(NoScale, match=r"no scale up to 150 % gives this room; the most is .30.* at 150") as caught:
        size(shell, Wearer("Ball", BALL.form, {"default": 90.0}), seat=seat, span=(0.5, 1.5))
    assert caught.value.larger and caught.value.scale == pytest.approx(1.5)
    # The shell of 48 facets is 120 (1 - cos(pi / 48)) = 0.26 mm narrower between its edges.
    assert caught.value.margin_mm == pytest.approx(-30, abs=0.3) and caught.value.place.part == "shell"
    with pytest.raises(NoScale, match="clear of the wearer at every scale down to 90 %") as caught:
        size(shell, BALL, seat=seat, span=(0.9, 1.5))
    assert not caught.value.larger and caught.value.scale == 0.9


def test_no_scale_beyond_the_range_is_told(monkeypatch):
    """Where the triangles ask for more than the field: the end of the range is the end."""
    shell = Piece("shell", (Part("shell", shapes.sphere(80, 48)),))
    monkeypatch.setattr(sizing, "_smallest", lambda *_: 1.6)
    with pytest.raises(NoScale, match="no scale up to 150 % gives this room"):
        size(shell, Wearer("Ball", BALL.form, {"default": 60.0}), span=(0.5, 1.5))


def three() -> Job:
    pieces = [Piece(name, (Part(name, shapes.tube(65, 69, 20, 24)),)) for name in ("one", "two", "three")]
    return Job("Three", tuple(Fitting(piece, BALL) for piece in pieces), Limits(checks=("mesh",)))


def answered(trouble: BaseException):
    def check(one: Fitting, limits: Limits, progress) -> FitReport:
        if one.piece.name == "two":
            raise trouble
        return FitReport(one.piece.name, one.wearer.name, 1.0, {}, ())

    return check


def test_a_refusal_and_a_fault_leave_the_others_their_answers():
    first, second, third = each_fitting(answered(InputError("too far", remedy="move it")), three(), 1, silent)
    assert isinstance(first, FitReport) and isinstance(third, FitReport)
    assert second == Trouble("too far", "move it")
    first, second, third = each_fitting(answered(ZeroDivisionError()), three(), 1, silent)
    assert isinstance(third, FitReport) and isinstance(second, Trouble) and "ZeroDivisionError" in second.fault


def test_ctrl_c_keeps_what_is_done():
    first, second, third = each_fitting(answered(KeyboardInterrupt()), three(), 1, silent)
    assert isinstance(first, FitReport) and second is None and third is None


def test_a_fitting_without_an_answer_is_not_checked_in_the_report(monkeypatch):
    from arming_cap.core.checks import fit

    monkeypatch.setattr(fit, "check_fit", answered(InputError("too far", remedy="move it")))
    run = check_job(three())
    (verdict,) = run.fits[1].verdicts
    assert verdict.status is Status.NOT_CHECKED and verdict.why == "too far" and verdict.mend == "move it"
    assert run.status is Status.NOT_CHECKED and not run.stopped and not run.faults
    monkeypatch.setattr(fit, "check_fit", answered(KeyboardInterrupt()))
    run = check_job(three())
    assert run.stopped and run.fits[2].verdicts[0].status is Status.NOT_CHECKED


def test_a_budget_ends_the_work():
    limited = within(silent, 0.01)
    limited(0.0, "in time")
    time.sleep(0.02)
    with pytest.raises(OutOfTime):
        limited(0.1, "late")


def test_a_fitting_out_of_time_says_so():
    limits = Limits(checks=("mesh",), budget_s=2.0)
    answers = each_fitting(answered(OutOfTime()), Job("Three", three().fittings, limits), 1, silent)
    assert answers[1] == Trouble("no answer within the 2 s it was given", "give it more time")


def test_without_a_terminal_there_is_a_line_every_few_seconds(monkeypatch):
    now = [0.0]
    monkeypatch.setattr(batch.time, "monotonic", lambda: now[0])
    stream = io.StringIO()
    tell = batch.progress_lines(stream, 5.0, 15.0)
    for second in range(25):
        now[0] = float(second)
        tell(second / 25, f"step {second}")
    assert stream.getvalue().splitlines() == [" 60 % step 15", " 80 % step 20"]


def test_a_count_has_its_bounds():
    for count in ("0", "65", "100000", "1.5"):
        with pytest.raises(InputError, match="whole number from 1 to 64"):
            batch.parser().parse_args(["check", "job.toml", "--workers", count])
