# SPDX-License-Identifier: GPL-3.0-or-later
"""The one road from a piece and a wearer to verdicts, taken by the panel, the command line and the tests alike."""

from __future__ import annotations

import dataclasses
import functools
import time
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import numpy as np

from ..errors import InputError, OutOfTime
from ..fit.passage.donning import out_in_words
from ..fit.sight import eyes_of, judge_sight, look_out
from ..make.walls.thickness import thickness
from ..piece import Piece
from ..pose import Pose
from ..progress import Progress, part_of, silent, within
from ..report.advice import first_line
from ..report.model import Chart, Drawing, FitReport, RunReport
from ..report.portrait import Portrait, portraits
from ..report.results import (
    ClearanceResult,
    DonningResult,
    MeshResult,
    PassageScale,
    Reason,
    Result,
    SightResult,
    SizeResult,
    Unmade,
    WallsResult,
)
from ..report.said import verdict_of
from ..report.sections import drawings_of
from ..report.sizes import chances_drawn, sized_as_dict
from ..report.way import way_drawn
from ..tolerances import TOLERANCES
from ..verdict import Status, Verdict
from .crowd import Answer, Trouble, each_fitting
from .donning import check_donning, passage_scale, with_mends
from .job import Fitting, Job, Limits
from .placement import carried, placement
from .size import check_size
from .worn import Worn, worn

# A piece that ends farther than this from the eyes is not looked out of.
EYES_WITHIN_MM = 100.0
# Of the time that is left, what the way on may take before the size has its turn.
WAY_SHARE = 0.6
Made = TypeVar("Made")


def check_fit(
    one: Fitting,
    limits: Limits = Limits(),  # noqa: B008  frozen
    progress: Progress = silent,
    told: Callable[[FitReport], None] | None = None,
    drawn: bool = True,
) -> FitReport:
    """Make every check that was asked for of one piece on one wearer.

    Parameters
    ----------
    one
        The piece, its wearer, the scale and the seat.
    limits
        What is asked.
    told
        Called with what is finished, each time that a check that takes its time is next.
    drawn
        Whether the report has drawings, charts and portraits: what only HTML shows.

    Raises
    ------
    Cancelled
        If `progress` asks to stop.
    """
    return _Fit(one, limits, progress, told).report(drawn)


class _Fit:
    """The checks of one fitting, made in the order of their cost and told in the order of `CHECKS`."""

    def __init__(
        self, one: Fitting, limits: Limits, progress: Progress, told: Callable[[FitReport], None] | None
    ) -> None:
        self.one, self.limits, self.progress, self.told = one, limits, progress, told
        self.piece = one.piece.scaled(one.scale)
        self.results: dict[str, Result] = {}
        self.worn: Worn | None = None
        self.carried = True  # whether it rests on the wearer at all
        self.end = None if limits.budget_s is None else time.monotonic() + limits.budget_s

    def report(self, drawn: bool) -> FitReport:
        """Make the checks and return the report."""
        self._say(0.0, "looking at the mesh")
        if "mesh" in self.limits.checks:
            self.results["mesh"] = MeshResult({p.name: p.mesh.soundness for p in self.piece.parts})
        asked = self._asked()
        if asked or "placement" in self.limits.checks:
            self._place(asked)
        if self.worn is not None:
            self._measure(asked, self.worn)
        if "walls" in self.limits.checks:
            self.results["walls"] = self._walls()
        self._say(0.95, "drawing")
        report = self._report(drawn)
        self._say(1.0, "done")
        return report

    def _asked(self) -> list[str]:
        """Return the checks that are measured on the worn piece."""
        sees = not self.limits.wants_all or _is_looked_out_of(self.piece, self.one)
        return [
            name
            for name in ("clearance", "donning", "sight", "size")
            if name in self.limits.checks and (name != "sight" or sees)
        ]

    def _place(self, asked: list[str]) -> None:
        """Find where the piece is worn; where it is not worn at all nothing else is measured."""
        placed = placement(self.piece, self.one.wearer, self.one.seat)
        refused: InputError | None = None
        if asked and placed.status is Status.PASS:
            try:
                self.worn = worn(self.one, part_of(self.progress, 0.05, 0.4), self.limits.pinned)
                placed = carried(placed, self.worn.clearance)
            except InputError as error:
                refused = error
        if "placement" in self.limits.checks or placed.status is not Status.PASS:
            self.results["placement"] = placed
        self._tell()
        if refused is not None:
            self.results |= {name: Unmade.refused(name, refused) for name in asked}
        elif placed.status is not Status.PASS:
            self.carried = False
            # Numbers of a piece that is not where it is worn would be about nothing. Another size may be what it lacks.
            said = verdict_of(placed)
            measured = () if self.worn is None else ("clearance", "size")
            here = [name for name in asked if name not in measured]
            self.results |= {name: Unmade(name, Reason.MISPLACED, said.why, said.mend) for name in here}

    def _measure(self, asked: list[str], here: Worn) -> None:
        """Make the checks of a worn piece that are not settled yet."""
        left = [name for name in asked if name not in self.results]
        if "clearance" in left:
            self.results["clearance"] = ClearanceResult(here.clearance, here.wearer.name, self.carried, here.rest)
            self._tell()
        if "sight" in left:  # before the passage, which takes longer
            self._say(0.4, "looking out")
            self.results["sight"] = self._sight(here)
            self._tell()
        donning: DonningResult | None = None
        if "donning" in left:
            room = min((r.room_mm + min(r.allowance_mm, 0.0) for r in here.clearance.regions.values()), default=None)
            made = self._in_time("donning", lambda p: check_donning(here, self.limits, p), (0.42, 0.7), WAY_SHARE, room)
            self.results["donning"] = made
            donning = made if isinstance(made, DonningResult) else None
            self._tell()
        if "size" in left:
            self.results["size"] = self._in_time("size", lambda p: self._size(here, donning, p), (0.7, 0.9))
        if donning is not None:
            self._mend(here, donning)

    def _size(self, here: Worn, donning: DonningResult | None, progress: Progress) -> SizeResult:
        causes = None
        if self.one.known is not None:
            causes = self.one.known.causes(part_of(progress, 0.0, 0.2))
        return check_size(here, self.limits, donning, causes, part_of(progress, 0.2, 1.0))

    def _mend(self, here: Worn, donning: DonningResult) -> None:
        """Look for the scale at which it goes on where no size was asked for, and try what would let it on."""
        lacks = self.limits.mends and not donning.passage.passes
        size = self.results.get("size")
        scale = size.advice.scale if isinstance(size, SizeResult) else None
        if self.limits.way_scale or (lacks and not isinstance(size, SizeResult)):
            as_whole = dataclasses.replace(donning, off=())
            way = self._in_time("donning", lambda p: passage_scale(here, self.limits, as_whole, 0.0, p), (0.75, 0.9))
            if isinstance(way, PassageScale):
                donning = dataclasses.replace(donning, smallest=way)
                scale = way.scale
        if lacks:
            larger = scale if scale is not None and scale > self.one.scale else None
            tries = self._in_time("donning", lambda p: with_mends(here, self.limits, donning, larger, p), (0.9, 0.95))
            donning = donning if isinstance(tries, Unmade) else tries
        self.results["donning"] = donning

    def _in_time(
        self,
        check: str,
        make: Callable[[Progress], Made],
        part: tuple[float, float],
        share: float = 1.0,
        most_mm: float | None = None,
    ) -> Made | Unmade:
        """Return what a check makes, or that it was refused or ran out of its share of the time that is left."""
        left = None if self.end is None else share * max(self.end - time.monotonic(), 0.0)
        try:
            return make(within(part_of(self.progress, *part), left))
        except InputError as error:
            return Unmade.refused(check, error)
        except OutOfTime:
            return Unmade(check, Reason.OUT_OF_TIME, most_mm=most_mm, budget_s=self.limits.budget_s)

    def _sight(self, here: Worn) -> Result:
        if not {"pupil_left", "pupil_right"} <= here.wearer.form.landmarks.keys():
            return Unmade("sight", Reason.NO_EYES)
        left, right = eyes_of(here.wearer.form)
        sight = look_out(here.piece.moved(here.pose), left, right, here.wearer.form)
        return SightResult(sight, judge_sight(sight))

    def _walls(self) -> Result:
        scale, limit = self.one.scale, self.limits.wall_mm
        pose = Pose() if self.worn is None else self.worn.pose
        try:
            found = thickness(self.one.piece, scale, limit, part_of(self.progress, 0.95, 1.0))
        except InputError as error:
            return Unmade.refused("walls", error)
        x, y, z = (float(v) for v in pose.apply(np.array([found.at]))[0])
        return WallsResult(found, scale, limit, (x, y, z))

    def _say(self, fraction: float, doing: str) -> None:
        self.progress(fraction, f"{self.one.piece.name} on {self.one.wearer.name}: {doing}")

    def _tell(self) -> None:
        if self.told is not None:
            self.told(self._report(drawn=False))

    def _report(self, drawn: bool) -> FitReport:
        """Return what is made by now."""
        order = ("mesh", "placement", "clearance", "donning", "sight", "size", "walls")
        results = {name: self.results[name] for name in order if name in self.results}
        verdicts = tuple(verdict_of(result) for result in results.values())
        here, size, donning = self.worn, results.get("size"), results.get("donning")
        warnings: list[str] = []
        if isinstance(donning, DonningResult) and donning.off:
            warnings.append(f"it goes on and comes off only with {out_in_words(donning.piece, donning.off)}")
        if isinstance(size, SizeResult) and size.sizing is not None:
            warnings += size.sizing.warnings
        drawings, charts = self._drawings(verdicts, donning, size) if drawn else ((), ())
        seen: tuple[Portrait, ...] = ()
        if drawn and here is not None:
            seen = portraits(here.piece.moved(here.pose), here.wearer, verdicts)
        return FitReport(
            self.one.piece.name,
            self.one.wearer.name,
            self.one.scale,
            (Pose() if here is None else here.pose).as_dict(),
            verdicts,
            {} if here is None else here.clearance.as_dict()["regions"],
            tuple(warnings),
            drawings,
            charts,
            sized_as_dict(size) if isinstance(size, SizeResult) else None,
            first_line(self.one.scale, results),
            seen,
            results,
            tuple(part.as_dict() for part in self.one.piece.assembled),
        )

    def _drawings(
        self, verdicts: Sequence[Verdict], donning: Result | None, size: Result | None
    ) -> tuple[tuple[Drawing, ...], tuple[Chart, ...]]:
        here = self.worn
        if here is None:
            return (), ()
        drawings: tuple[Drawing, ...] = ()
        charts: tuple[Chart, ...] = ()
        if isinstance(donning, DonningResult):
            drawing, chart = way_drawn(donning.along, donning.passage)
            drawings, charts = (drawing,), (chart,)
        drawings += drawings_of(here.piece.moved(here.pose), here.wearer, verdicts)
        if isinstance(size, SizeResult) and size.sizing is not None:
            charts += chances_drawn(size.sizing, size.scale)
        return drawings, charts


def _is_looked_out_of(piece: Piece, one: Fitting) -> bool:
    """Return whether the piece can be before the wearer's eyes at all."""
    marks = one.wearer.form.landmarks
    eyes = [marks[name] for name in ("pupil_left", "pupil_right") if name in marks]
    if len(eyes) < 2:
        return False
    low, high = piece.mesh.bounds
    # A piece that is still to be seated has no place yet: what is as wide as a head may go on one.
    beside = all((e > low - EYES_WITHIN_MM).all() and (e < high + EYES_WITHIN_MM).all() for e in eyes)
    return one.seat == "best" or beside


def check_job(
    job: Job,
    progress: Progress = silent,
    workers: int = 1,
    told: Callable[[FitReport], None] | None = None,
) -> RunReport:
    """Check every fitting of a job; see `check_fit`. What `told` gets comes from this process only.

    With `workers` above 1 that many processes share the work, and the report is the same to the byte; see `crowd`.
    """
    check = check_fit if told is None else functools.partial(check_fit, told=told)
    answers = each_fitting(check, job, 1 if told else workers, progress)
    fits = tuple(_report(one, answer, job.limits) for one, answer in zip(job.fittings, answers))
    faults = tuple(a.fault for a in answers if isinstance(a, Trouble) and a.fault)
    return RunReport(job.title, fits, job.inputs, job.warnings, settings(job.limits), faults, None in answers)


def _report(one: Fitting, answer: Answer, limits: Limits) -> FitReport:
    """Return a fitting's report; where there is none, one in which every check says why it was not made."""
    if isinstance(answer, FitReport):
        return answer
    why, mend = (answer.what, answer.remedy) if answer else ("stopped before it was done", "run it again")
    verdicts = tuple(Verdict(name, Status.NOT_CHECKED, why=why, mend=mend) for name in limits.checks)
    return FitReport(one.piece.name, one.wearer.name, one.scale, Pose().as_dict(), verdicts)


def merged(runs: Sequence[RunReport], title: str = "") -> RunReport:
    """Return several runs as one, under a title of its own or else theirs one after the other."""
    if len(runs) == 1 and not title:
        return runs[0]
    inputs: list[dict[str, str]] = []
    for run in runs:
        inputs += [entry for entry in run.inputs if entry not in inputs]
    return RunReport(
        title or "; ".join(dict.fromkeys(run.title for run in runs)),
        tuple(fit for run in runs for fit in run.fits),
        tuple(inputs),
        tuple(dict.fromkeys(warning for run in runs for warning in run.warnings)),
        runs[0].settings,
        tuple(fault for run in runs for fault in run.faults),
        any(run.stopped for run in runs),
    )


def settings(limits: Limits) -> dict[str, Any]:
    """Return what every number of a report rests on: limits, tolerances, library versions."""
    from .. import engines

    return {
        "limits": {**dataclasses.asdict(limits), "checks": list(limits.checks)},
        "tolerances": dataclasses.asdict(TOLERANCES),
        "versions": engines.versions(),
    }
