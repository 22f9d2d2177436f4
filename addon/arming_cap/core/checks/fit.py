# SPDX-License-Identifier: GPL-3.0-or-later
"""The one road from a piece and a wearer to verdicts, taken by the panel, the command line and the tests alike."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..distance.clearance import Clearance, measure
from ..errors import InputError
from ..fit.passage.donning import out_in_words
from ..fit.passage.facing import WORN_WITHIN_MM, gap_to_body
from ..fit.sight import eyes_of, judge_sight, look_out
from ..fit.size.causes import Causes
from ..make.walls.thickness import Thickness, thickness
from ..piece import Piece, misplacements
from ..pose import Pose
from ..progress import Progress, part_of, silent, within
from ..report.model import Chart, Drawing, FitReport, RunReport
from ..report.sections import drawings_of
from ..report.sizes import per_cent
from ..tolerances import TOLERANCES
from ..verdict import Place, Status, Verdict, judge
from ..wearer.form import WHOLE, Wearer
from ..wearer.regions import in_words
from .crowd import Answer, Trouble, each_fitting
from .donning import check_donning
from .job import Fitting, Job, Limits
from .size import check_size, flattened, seats_on

# A piece that ends farther than this from the eyes is not looked out of.
EYES_WITHIN_MM = 100.0


def check_fit(
    piece: Piece,
    wearer: Wearer,
    limits: Limits = Limits(),  # noqa: B008  frozen
    *,
    scale: float = 1.0,
    seat: str = "fixed",
    causes: Causes | None = None,
    progress: Progress = silent,
    told: Callable[[FitReport], None] | None = None,
) -> FitReport:
    """Make every check that was asked for of one piece on one wearer.

    Parameters
    ----------
    piece
        As the files hold it, in worn position.
    wearer
        Who wears it, with the allowances to keep.
    limits
        What is asked.
    scale
        Uniform scale of the piece about its files' origin.
    seat
        ``fixed``: as placed; ``best``: find where it comes to rest.
    causes
        What may make the wearer another than the form says; by default the form's spread.
    told
        Called with what is finished, each time that a check that takes its time is next.

    Raises
    ------
    InputError
        If the input cannot be checked at all.
    Cancelled
        If `progress` asks to stop.
    """
    whole = piece.scaled(scale)
    verdicts: list[Verdict] = []
    warnings: list[str] = []
    drawings: tuple[Drawing, ...] = ()
    regions: dict[str, dict[str, float]] = {}
    sized: dict[str, Any] | None = None
    charts: tuple[Chart, ...] = ()
    way: tuple[Drawing, ...] = ()
    room: tuple[Chart, ...] = ()
    chances: tuple[Chart, ...] = ()
    goes_on: Verdict | None = None
    motion: FloatArray | None = None
    pose = Pose()

    def so_far(*more: Verdict) -> None:
        if told is not None:
            done = (*verdicts, *more)
            told(FitReport(piece.name, wearer.name, scale, pose.as_dict(), done, regions, tuple(warnings)))

    progress(0.0, f"{piece.name}: looking at the mesh")
    if "mesh" in limits.checks:
        verdicts.append(_mesh(whole))
    placement = _placement(whole, wearer, seat)
    if "placement" in limits.checks:
        verdicts.append(placement)
    so_far()

    sees = "sight" in limits.checks and (not limits.wants_all or _is_looked_out_of(whole, wearer, seat))
    asked = [c for c in ("clearance", "donning", "size") if c in limits.checks] + ["sight"] * sees
    if placement.status is Status.FAIL:
        # Numbers of parts that are not where they are worn would be about nothing.
        why = "the parts are not in their worn position, so there is nothing to measure"
        verdicts += [Verdict(c, Status.NOT_CHECKED, why=why, mend=placement.mend) for c in asked]
    elif asked:
        if seat == "best":
            from ..fit.seat.seating import seat as find_seat

            rest = find_seat(whole, wearer, progress=part_of(progress, 0.05, 0.4))
            pose, found = rest.pose, rest.clearance
        else:
            progress(0.3, f"{piece.name} on {wearer.name}: measuring the standoff")
            found = measure(whole, wearer, pose, progress=part_of(progress, 0.3, 0.4))
        regions = _region_figures(found)
        if "clearance" in limits.checks:
            verdicts.append(_clearance(found, wearer))
            so_far()
        seen: list[Verdict] = []
        if sees:  # before the passage, which takes longer; told behind it
            progress(0.4, f"{piece.name} on {wearer.name}: looking out")
            seen = [_sight(whole.moved(pose), wearer)]
            so_far(*seen)
        if "donning" in limits.checks:
            passing = flattened(wearer, limits.padding_gives_mm)
            seat_of = seats_on(wearer, seat) if limits.mends else None
            goes_on, passage, way, room = check_donning(whole, passing, pose, part_of(progress, 0.4, 0.7), seat_of)
            verdicts.append(goes_on)
            motion = passage.motion
            if off := goes_on.details["take_off"]:
                warnings.append(f"it goes on and comes off only with {out_in_words(whole, tuple(off))}")
        verdicts += seen
        so_far()
        if "size" in limits.checks:
            verdict, sized, chances, said = check_size(
                piece, wearer, limits, scale, seat, causes, goes_on, motion, pose, part_of(progress, 0.7, 0.95)
            )
            verdicts.append(verdict)
            warnings += said
        progress(0.95, f"{piece.name} on {wearer.name}: drawing")
        drawings = way + drawings_of(whole.moved(pose), wearer, verdicts)
        charts = room + chances
    if "walls" in limits.checks:
        verdicts.append(_walls(piece, scale, limits.wall_mm, pose, part_of(progress, 0.95, 1.0)))
    progress(1.0, f"{piece.name} on {wearer.name}: done")
    return FitReport(
        piece.name,
        wearer.name,
        scale,
        pose.as_dict(),
        tuple(verdicts),
        regions,
        tuple(warnings),
        drawings,
        charts,
        sized,
    )


def check_job(
    job: Job,
    progress: Progress = silent,
    workers: int = 1,
    told: Callable[[FitReport], None] | None = None,
) -> RunReport:
    """Check every fitting of a job; see `check_fit`. What `told` gets comes in this process only.

    With `workers` above 1 that many processes share the work, and the report is the same to the byte; see `crowd`.
    """
    check = check_fitting if told is None else partial(check_fitting, told=told)
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


def check_fitting(
    one: Fitting, limits: Limits, progress: Progress = silent, told: Callable[[FitReport], None] | None = None
) -> FitReport:
    """Check one fitting of a job, in the time it may take."""
    progress = within(progress, limits.budget_s)
    causes = None
    if one.known is not None and "size" in limits.checks:
        causes = one.known.causes(part_of(progress, 0.0, 0.1))
        progress = part_of(progress, 0.1, 1.0)
    return check_fit(
        one.piece, one.wearer, limits, scale=one.scale, seat=one.seat, causes=causes, progress=progress, told=told
    )


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


# --- one check each ---------------------------------------------------------------------------------------------------


def _mesh(piece: Piece) -> Verdict:
    """Report what is unsound about the parts: facts for printing, no hindrance to the other checks."""
    facts = {p.name: p.mesh.soundness for p in piece.parts}
    remarks = [f"{name}: {', '.join(f.remarks())}" for name, f in facts.items() if f.remarks()]
    faults = {
        name: f.open_edges + f.non_manifold_edges + f.flipped_edges + f.duplicate_triangles for name, f in facts.items()
    }
    worst = max(faults, key=lambda name: faults[name])
    # Slivers without area bound nothing and stop no slicer: a remark, no doubt.
    status = Status.MARGINAL if faults[worst] else Status.PASS
    return Verdict(
        "mesh",
        status,
        sum(faults.values()),
        "faults",
        "none",
        limited_by=Place(part=worst) if faults[worst] else Place(),
        why="; ".join(remarks) or "every part is a closed, sound mesh",
        mend="the checks hold as they are; repair the mesh before slicing it" if faults[worst] else "",
        details={name: dataclasses.asdict(f) for name, f in facts.items()},
    )


def _walls(piece: Piece, scale: float, limit_mm: float, pose: Pose, progress: Progress) -> Verdict:
    """Report the thinnest wall at a scale; a thin one is a doubt, for it can be meant to be an edge."""
    asked = f"at least {limit_mm:g} mm everywhere"
    try:
        found = thickness(piece, scale, limit_mm, progress)
    except InputError as error:
        return Verdict("walls", Status.NOT_CHECKED, None, "mm", asked, why=error.what, mend=error.remedy)
    x, y, z = (float(v) for v in pose.apply(np.array([found.at]))[0])
    thin = found.least_mm < limit_mm
    why = f"the thinnest wall at {per_cent(scale)}; half of the skin has {found.median_mm:.1f} mm or more"
    if thin:
        area = f"{found.thin_mm2 / 100:.1f} cm²" if found.thin_mm2 >= 5 else "less than 0.1 cm²"
        why += f"; {area} of skin is thinner than {limit_mm:g} mm"
    return Verdict(
        "walls",
        Status.MARGINAL if thin else Status.PASS,
        found.least_mm,
        "mm",
        asked,
        0.0,
        Place("", found.part, (x, y, z)),
        why,
        f"thicken it there by {limit_mm - found.least_mm:.2f} mm, or print it solid and with care" if thin else "",
        {"ray_mm": round(found.ray_mm, 3), "sphere_mm": round(found.sphere_mm, 3), **_walls_figures(found)},
    )


def _walls_figures(found: Thickness) -> dict[str, float]:
    return {
        "median_mm": round(found.median_mm, 3),
        "thin_mm2": round(found.thin_mm2, 1),
        "skin_mm2": round(found.skin_mm2, 1),
        "agreeing": round(found.agreeing, 4),
    }


def _placement(piece: Piece, wearer: Wearer, seat: str) -> Verdict:
    """Report whether the parts look as if they were in worn position, on the wearer."""
    doubts = misplacements(piece)
    if doubts:
        return Verdict(
            "placement", Status.FAIL, len(doubts), "pairs of parts", "each part where it is worn",
            limited_by=Place(part=piece.parts[0].name),
            why="; ".join(doubts) + ": they look exported each at the origin",
            mend="move each part to where it is worn: translation_mm of each part in the job, or the object in Blender",
        )  # fmt: skip
    gap = gap_to_body(piece, wearer)
    if gap > WORN_WITHIN_MM and seat == "fixed":
        return Verdict(
            "placement", Status.FAIL, gap, "mm", f"within {WORN_WITHIN_MM:.0f} mm of the wearer",
            limited_by=Place(part=piece.parts[0].name),
            why=f"the piece is {gap:.0f} mm away from the wearer's body",
            mend="move the piece to where it is worn, or ask for seat = 'best'",
        )  # fmt: skip
    return Verdict(
        "placement",
        Status.PASS,
        gap,
        "mm",
        "each part where it is worn",
        why="the parts sit beside each other on the wearer",
    )


def _is_looked_out_of(piece: Piece, wearer: Wearer, seat: str) -> bool:
    """Return whether the piece can be before the wearer's eyes at all."""
    eyes = [wearer.form.landmarks[name] for name in ("pupil_left", "pupil_right") if name in wearer.form.landmarks]
    if len(eyes) < 2:
        return False
    low, high = piece.mesh.bounds
    # A piece that is still to be seated has no place yet: what is as wide as a head may go on one.
    return seat == "best" or all((e > low - EYES_WITHIN_MM).all() and (e < high + EYES_WITHIN_MM).all() for e in eyes)


def _sight(piece: Piece, wearer: Wearer) -> Verdict:
    """Judge what the wearer sees from inside the piece where it is worn."""
    if not {"pupil_left", "pupil_right"} <= wearer.form.landmarks.keys():
        return Verdict(
            "sight",
            Status.NOT_CHECKED,
            why="no eyes were recognised on the form",
            mend="give the wearer a form with a head, or leave sight out of the checks",
        )
    left, right = eyes_of(wearer.form)
    return judge_sight(look_out(piece, left, right, wearer.form))


def _region_figures(found: Clearance) -> dict[str, dict[str, float]]:
    return {
        name: {
            "min_mm": r.min_mm,
            "mean_mm": r.mean_mm,
            "p5_mm": r.p5_mm,
            "allowance_mm": r.allowance_mm,
            "margin_mm": r.margin_mm,
        }
        for name, r in found.regions.items()
    }


def _clearance(found: Clearance, wearer: Wearer) -> Verdict:
    """Judge the smallest margin over all regions."""
    region = found.limiting
    allowance, spread = wearer.allowance(region), wearer.form.spread_mm.get(region, 0.0)
    room = found.margin_mm + spread
    status = judge(room, spread)
    where = in_words(region) if region != WHOLE else "closest place"
    why = f"{room + allowance:.1f} mm at the {where} of {wearer.name}, where {allowance:g} mm are to be kept"
    mend = ""
    if status is not Status.PASS:
        need = max(spread - room, 0.1)
        mend = f"{need:.1f} mm more room there: a larger scale, thinner padding, or relief inside"
    return Verdict(
        "clearance",
        status,
        room,
        "mm",
        f"at least 0 mm over an allowance of {allowance:g} mm",
        max(spread, found.tolerance_mm),
        found.limited_by,
        why,
        mend,
        {"min_standoff_mm": round(found.min_standoff_mm, 3), "allowance_mm": allowance},
    )
