# SPDX-License-Identifier: GPL-3.0-or-later
"""The verb that makes every check of every job: check."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..core.progress import Progress, part_of
from ..core.verdict import Status
from .reading import Outcome

if TYPE_CHECKING:
    from ..core.checks.job import Limits


def check(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Make every check of every job and write the reports."""
    from ..core.checks.crowd import processes_here
    from ..core.checks.fit import check_job, merged
    from ..core.checks.job import read_job
    from ..core.report.write import write_reports

    runs = []
    share = 1.0 / len(options.jobs)
    for number, file in enumerate(options.jobs):
        if runs and runs[-1].stopped:
            break
        path = Path(file)
        ours = part_of(progress, number * share, (number + 1) * share)
        if path.suffix.lower() == ".blend":
            from ..blendfile import job_of_blend

            job = job_of_blend(path, options.scale)
        else:
            job = read_job(path, options.units, options.scale, part_of(ours, 0.0, 0.3))
        job = replace(job, limits=limited(job.limits, options))
        runs.append(check_job(job, part_of(ours, 0.3, 1.0), options.workers or processes_here()))
    run = merged(runs)
    written = write_reports(run, options.out or Path("out") / "check")

    def show(stdout: Any) -> None:
        from ..terminal import print_table

        print_table(run, stdout)
        print(f"reports: {next(iter(written.values())).parent}", file=stdout)

    failed = run.status in (Status.FAIL, Status.NOT_CHECKED)
    return Outcome(run.as_dict(), run.inputs, run.warnings, failed, show, run.faults, run.stopped)


def limited(limits: Limits, options: argparse.Namespace) -> Limits:
    """Return a job's limits with what the call says besides."""
    return replace(
        limits,
        scales=options.scales or limits.scales,
        budget_s=options.budget if options.budget is not None else limits.budget_s,
    )
