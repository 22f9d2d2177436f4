# SPDX-License-Identifier: GPL-3.0-or-later
"""A cast of twelve and five helmets: who can wear what, at which scale, from the files to the reports.

The wearers are invented: three readings each, drawn from the survey with a fixed seed, in a card; the rest of the head
is estimated. The helmets are the demo's four and a plain dome. Nothing is kept from an earlier run: the fields are made
in a cache folder of their own.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from . import Row

ROOT = Path(__file__).resolve().parent.parent.parent
READINGS = ("head_breadth", "head_length", "tragion_top_of_head")
PIECES = {
    "Heron helm": ("heron_helm",),
    "Sluice helm": ("sluice_shell", "sluice_face"),
    "Limpet helm": ("limpet_bowl", "limpet_cheek_left", "limpet_cheek_right"),
    "Pike helm": ("pike_helm",),
    "Plain dome": ("dome",),
}
ALLOWANCE = "default = 5.0\near = -3.0\nneck = 0.0\nthroat = 0.0\nnape = 2.0\nshoulder = 0.0\n"


def write_cast(folder: Path, wearers: int = 12, pieces: int = 5, checks: str = '["size"]') -> Path:
    """Write cards, pieces and a job into a folder; return the job."""
    import shapes

    from arming_cap.core.formats import write_mesh
    from arming_cap.core.wearer.population import survey
    from demo.pieces import limpet_places

    rng = np.random.default_rng(12)
    people = survey()
    rows = [people.names.index(name) for name in READINGS]
    rows_of_job = [f'title = "A cast of {wearers}"\n\n[limits]\nchecks = {checks}\n']
    for number in range(wearers):
        sex = "fm"[number % 2]
        group = people.by_sex[sex]
        drawn = rng.multivariate_normal(group.mean[rows], group.covariance[np.ix_(rows, rows)])
        readings = "\n".join(f"{name} = {value:.0f}" for name, value in zip(READINGS, drawn))
        name = f"Wearer {number + 1}"
        card = f'card = 1\nname = "{name}"\nsex = "{sex}"\nunit = "mm"\n\n[readings]\n{readings}\n\n'
        (folder / f"{number + 1}.toml").write_text(f"{card}[allowance.liner]\n{ALLOWANCE}", encoding="utf-8")
        rows_of_job.append(f'[[wearer]]\ncard = "{number + 1}.toml"\n')
    write_mesh(folder / "dome.ply", shapes.dome(118.0, 122.0, -70.0, segments=320, rings=97))
    places = limpet_places()
    for name, parts in list(PIECES.items())[:pieces]:
        rows_of_job.append(f'[[piece]]\nname = "{name}"\nseat = "best"\n')
        for part in parts:
            file = folder / f"{part}.ply"
            if not file.exists():
                file.write_bytes((ROOT / "demo_scenes" / "pieces" / file.name).read_bytes())
            moved = f"translation_mm = {[float(v) for v in places[part]]}\n" if part in places else ""
            rows_of_job.append(f'[[piece.part]]\nfile = "{file.name}"\n{moved}')
    job = folder / "cast.toml"
    job.write_text("\n".join(rows_of_job), encoding="utf-8")
    return job


def run(job: Path, workers: int, out: Path) -> tuple[float, float]:
    """Check a job on the command line with an empty cache; return wall and processor seconds, all processes."""
    with tempfile.TemporaryDirectory() as cache:
        command = [
            sys.executable,
            "-m",
            "arming_cap.batch",
            "check",
            str(job),
            "--out",
            str(out),
            "--workers",
            str(workers),
        ]
        places = os.pathsep.join([str(ROOT / "addon"), os.environ.get("PYTHONPATH", "")])
        before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run(
            command, env={**os.environ, "PYTHONPATH": places, "ARMING_CAP_CACHE": cache}, stdout=subprocess.DEVNULL
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - start, spent


def rows() -> list[Row]:
    """Return the rows of this topic."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        wall, spent = run(write_cast(folder), 2, folder / "out")
        same = " of the size" if (folder / "out" / "report.json").exists() else ": no report was written"
    return [
        Row(
            "12 wearers by 5 helmets, 60 fittings, 2 processes",
            wall,
            wanted="under 2 min on two cores",
            note=f"wall time{same}; {spent:.0f} s of processor time; cards, fields and reports included",
        )
    ]
