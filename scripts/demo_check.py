# SPDX-License-Identifier: GPL-3.0-or-later
"""Run every check of the demo production and say whether the verdicts are those that its design foresees."""

from __future__ import annotations

import multiprocessing
import os
import sys
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "addon"))

SCENES = ROOT / "demo_scenes"


def surprises(run_of: dict[str, dict[tuple[str, str, str], str]]) -> list[str]:
    """Return what differs from demo_scenes/expected.toml, a sentence each.

    Parameters
    ----------
    run_of
        For each job's name, the verdict by (piece, wearer, check).
    """
    found = []
    for row in tomllib.loads((SCENES / "expected.toml").read_text(encoding="utf-8"))["expected"]:
        verdicts = run_of[row["scene"]]
        key = (row["piece"], row["wearer"], row["check"])
        # Rows on single questions (a size, a straight lift, the whole of a piece) are asked in the tests, not by jobs.
        if row.get("question") or row["check"] not in {check for _, _, check in verdicts}:
            continue
        got = verdicts.get(key, "nothing")
        if got != row["verdict"]:
            found.append(f"{row['piece']} on {row['wearer']}, {row['check']}: {got}, expected {row['verdict']}")
    return found


def checked(path: Path) -> Any:
    """Return one job's run; for a process of its own."""
    from arming_cap.core.checks.fit import check_job
    from arming_cap.core.checks.job import read_job

    return check_job(read_job(path))


def main() -> int:
    from arming_cap import batch
    from arming_cap.core.checks.fit import merged
    from arming_cap.core.report.write import write_reports
    from arming_cap.terminal import print_table

    out = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "out" / "demo"
    jobs = sorted(SCENES.glob("[0-9]*.toml"))
    runs = {}
    # The jobs share nothing; each process takes about 1 GB.
    workers = min(len(jobs), os.cpu_count() or 1, 4)
    with batch.shown_progress() as progress, multiprocessing.get_context("spawn").Pool(workers) as pool:
        for number, (path, run) in enumerate(zip(jobs, pool.imap(checked, jobs))):
            runs[path.stem] = run
            progress((number + 1) / len(jobs), f"{path.stem} checked")
    run = merged(list(runs.values()), "The Toll at Low Water")
    written = write_reports(run, out)
    print_table(run)
    print("Reports:")
    for path in written.values():
        print(f"  {path}")
    by_check = {
        name: {(fit.piece, fit.wearer, v.check): v.status.value for fit in one.fits for v in fit.verdicts}
        for name, one in runs.items()
    }
    differing = surprises(by_check)
    for line in differing:
        print(f"not as designed: {line}")
    if not differing:
        print("Every verdict is the one the production was designed for; see demo_scenes/expected.toml.")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
