# SPDX-License-Identifier: GPL-3.0-or-later
"""Many fittings at once: spread over processes, with the same answers in the same order as one by one.

Each process is a fresh interpreter that is handed a fitting and hands back its report; fittings of one wearer go to one
process, where the wearer's field is made once. Inside Blender the work stays in its own process: the interpreter there
is Blender's and cannot be started a second time in this way, and threads gain nothing: two fittings in two threads were
measured to take as long as one after the other, for the time goes into many short calls that hold the lock.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Callable, Iterable
from itertools import groupby
from typing import Any

from ..progress import Progress, part_of, silent
from ..report.model import FitReport
from .job import Fitting, Job, Limits

Check = Callable[[Fitting, Limits, Progress], FitReport]


def processes_here() -> int:
    """Return how many processes this interpreter can usefully start: 1 inside Blender."""
    if "bpy" in sys.modules or not sys.executable:
        return 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def each_fitting(check: Check, job: Job, workers: int, progress: Progress) -> list[FitReport]:
    """Return the report of every fitting of a job, in its order."""
    count = len(job.fittings)
    if workers <= 1 or count <= 1 or processes_here() == 1:
        share = 1.0 / max(count, 1)
        return [
            check(one, job.limits, part_of(progress, number * share, (number + 1) * share))
            for number, one in enumerate(job.fittings)
        ]
    of_wearer = sorted(range(count), key=lambda i: id(job.fittings[i].wearer))
    bundles = [list(rows) for _, rows in groupby(of_wearer, key=lambda i: id(job.fittings[i].wearer))]
    if len(bundles) < workers:  # one wearer and many pieces
        bundles = [[i] for i in range(count)]
    bundles.sort(key=lambda rows: rows[0])
    tasks = [(check, rows, [job.fittings[i] for i in rows], job.limits) for rows in bundles]
    found: dict[int, FitReport] = {}
    progress(0.0, f"{count} fittings in {workers} processes")
    # Leaving the block ends the processes, whether all is done or the user stopped it.
    with multiprocessing.get_context("spawn").Pool(min(workers, len(tasks)), _alone) as pool:
        for answers in pool.imap_unordered(_checked, tasks):
            found.update(answers)
            progress(len(found) / count, f"{len(found)} of {count} fittings")
    return [found[i] for i in range(count)]


def _alone() -> None:
    """Keep a library's threads to one for each process: the processes share the machine among them already."""
    os.environ["IGL_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"


def _checked(task: tuple[Check, Iterable[int], list[Fitting], Limits]) -> list[tuple[int, Any]]:
    check, rows, fittings, limits = task
    return [(row, check(one, limits, silent)) for row, one in zip(rows, fittings)]
