# SPDX-License-Identifier: GPL-3.0-or-later
"""Many fittings at once: spread over processes, with the same answers in the same order as one by one.

Each process is a fresh interpreter that is handed a fitting and hands back its report; fittings of one wearer go to one
process, where the wearer's field is made once. Inside Blender the work stays in its own process: the interpreter there
is Blender's and cannot be started a second time in this way, and threads gain nothing: two fittings in two threads were
measured to take as long as one after the other, for the time goes into many short calls that hold the lock.

What ends one fitting ends no other: a refusal, a fault of the program and Ctrl-C each leave the reports that are done.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from ..capacity import processes_within
from ..errors import Cancelled, InputError, OutOfTime
from ..progress import Progress, part_of, silent
from ..report.model import FitReport
from .job import Fitting, Job, Limits

Check = Callable[[Fitting, Limits, Progress], FitReport]
POLL_S = 1.0  # how often it is said that processes are still at work


@dataclass(frozen=True)
class Trouble:
    """Why a fitting has no report: a refusal, or the traceback of a fault of the program."""

    what: str
    remedy: str = ""
    fault: str = ""


Answer = FitReport | Trouble | None
"""What became of a fitting; None where the work was stopped before."""


def processes_here() -> int:
    """Return how many processes this interpreter can usefully start: 1 inside Blender."""
    if "bpy" in sys.modules or not sys.executable:
        return 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def each_fitting(check: Check, job: Job, workers: int, progress: Progress) -> list[Answer]:
    """Return what became of every fitting of a job, in its order.

    Ctrl-C (`KeyboardInterrupt`) ends the work and keeps what is done; `Cancelled` from `progress` passes through.
    """
    count = len(job.fittings)
    answers: list[Answer] = [None] * count
    # Each process holds its own: on a large piece fewer are started than there are cores.
    workers = processes_within(workers, max((one.piece.triangles for one in job.fittings), default=0))
    try:
        if workers <= 1 or count <= 1 or processes_here() == 1:
            for number, one in enumerate(job.fittings):
                share = part_of(progress, number / count, (number + 1) / count)
                answers[number] = _answer(check, one, job.limits, share)
        else:
            _spread(check, job, workers, progress, answers)
    except KeyboardInterrupt:
        progress(1.0, "stopped")
    return answers


def _spread(check: Check, job: Job, workers: int, progress: Progress, answers: list[Answer]) -> None:
    """Fill in the answers from several processes, each as it comes."""
    count = len(job.fittings)
    of_wearer = sorted(range(count), key=lambda i: id(job.fittings[i].wearer))
    bundles = [list(rows) for _, rows in groupby(of_wearer, key=lambda i: id(job.fittings[i].wearer))]
    if len(bundles) < workers:  # one wearer and many pieces
        bundles = [[i] for i in range(count)]
    bundles.sort(key=lambda rows: rows[0])
    tasks = [(check, rows, [job.fittings[i] for i in rows], job.limits) for rows in bundles]
    done, start = 0, time.monotonic()
    progress(0.0, f"{count} fittings in {workers} processes")
    # Leaving the block ends the processes, whether all is done or the user stopped it.
    with multiprocessing.get_context("spawn").Pool(min(workers, len(tasks)), _alone) as pool:
        waiting = pool.imap_unordered(_checked, tasks)
        while done < count:
            try:
                for row, answer in waiting.next(POLL_S):
                    answers[row] = answer
                    done += 1
            except multiprocessing.TimeoutError:
                pass
            progress(done / count, f"{done} of {count} fittings, {time.monotonic() - start:.0f} s")


def _alone() -> None:
    """Keep a library's threads to one for each process: the processes share the machine among them already.

    Ctrl-C is left to the process that started them, which ends them.
    """
    os.environ["IGL_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _checked(task: tuple[Check, Iterable[int], list[Fitting], Limits]) -> list[tuple[int, Any]]:
    check, rows, fittings, limits = task
    return [(row, _answer(check, one, limits, silent)) for row, one in zip(rows, fittings)]


def _answer(check: Check, one: Fitting, limits: Limits, progress: Progress) -> FitReport | Trouble:
    try:
        return check(one, limits, progress)
    except InputError as error:
        source = f"{error.source}: " if error.source and error.source != one.piece.name else ""
        return Trouble(source + error.what, error.remedy)
    except (Cancelled, KeyboardInterrupt):
        raise
    except OutOfTime:
        return Trouble(f"no answer within the {limits.budget_s:g} s it was given", "give it more time")
    except Exception as error:  # told in the report; the traceback goes to a log
        return Trouble(f"a fault of the program itself ({type(error).__name__})", "", traceback.format_exc())
