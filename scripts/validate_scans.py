# SPDX-License-Identifier: GPL-3.0-or-later
"""Synthetic scans with known truth, through `core.wearer.scan`: how often right, how often asked, how often wrong.

    python scripts/validate_scans.py [COUNT] [FIRST] [OUT.json] [--show] [--all] [--two]

Right is what the three bounds below say. A scan is *asked* for where `form_of_scan` raises and names the three
landmarks. What is neither has missed a bound without asking; of these, what is off by more than 12 mm or 10 degrees, or
in another unit, is grossly wrong, and there must be none.

OUT.json keeps the table. `--show` names the scans that missed a bound, `--all` every scan; `--two` works on two at a
time. The constants of the scan road were chosen on seeds from 1000 up; those below 200 judge.
"""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
for place in (ROOT / "addon", ROOT / "headless_tests"):
    sys.path.insert(0, str(place))

from scans import PLACED, Scan, make_scan  # noqa: E402

from arming_cap.core.errors import InputError  # noqa: E402
from arming_cap.core.formats import UNITS_MM  # noqa: E402
from arming_cap.core.wearer.measure import measure  # noqa: E402
from arming_cap.core.wearer.scan import ScanResult, form_of_scan  # noqa: E402

LANDMARK_MM, SIZE_MM, ORIENTATION_DEG = 4.0, 1.5, 3.0
GROSS_MM, GROSS_DEG = 12.0, 10.0
Errors = dict[str, float]


@dataclass(frozen=True)
class Row:
    """What came of one scan: how far off, or None where it was asked for, with the reason or the confidence."""

    seed: int
    about: dict[str, object]
    errors: Errors | None
    text: str
    seconds: float


def errors_of(scan: Scan, found: ScanResult) -> dict[str, float]:
    """Return how far a result is from the truth: landmarks in mm, sizes in mm, orientation in degrees, hand, unit."""
    sizes = measure(found.form)
    off = {
        n: float(np.linalg.norm(found.to_form.apply(p[None])[0] - found.form.landmarks[n]))
        for n, p in scan.landmarks.items()
    }
    # The subject's own frame to the result's, in mm: a rotation, and it should be the inverse of the subject's turn.
    whole = found.to_form.linear @ scan.to_file
    turn = whole @ scan.subject.turn
    angle = float(np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))))
    if np.allclose(found.to_form.linear, UNITS_MM[found.unit] * np.eye(3)):
        angle = 0.0 if not scan.about["turned"] else angle
    return {
        "placed": max(off[n] for n in PLACED),
        "mean": float(np.mean([off[n] for n in PLACED])),
        "breadth": sizes["head_breadth"] - scan.subject.breadth_mm,
        "length": sizes["head_length"] - scan.subject.length_mm,
        "angle": angle,
        "hand": float(found.mirrored != scan.mirrored),
        "unit": float(found.unit != scan.unit),
        "breadth told": found.uncertainty_mm["head_breadth"],
        "length told": found.uncertainty_mm["head_length"],
        **{f"at {n}": off[n] for n in off},
    }


def is_right(e: dict[str, float]) -> bool:
    """Whether every bound holds."""
    return (
        e["placed"] <= LANDMARK_MM
        and max(abs(e["breadth"]), abs(e["length"])) <= SIZE_MM
        and e["angle"] <= ORIENTATION_DEG
        and not e["hand"]
        and not e["unit"]
    )


def judged(seed: int) -> Row:
    """Return what comes of the scan of this seed."""
    scan = make_scan(seed)
    start = time.process_time()
    errors: Errors | None = None
    try:
        found = form_of_scan(scan.mesh, offsets_mm=scan.offsets_mm)
        errors, text = errors_of(scan, found), f"{found.confidence:.2f}"
    except InputError as error:
        text = error.what
    return Row(seed, scan.about, errors, text, time.process_time() - start)


def main() -> None:
    """Run the campaign, print its table and keep it."""
    words = [a for a in sys.argv[1:] if not a.startswith("-")]
    count, first = int(words[0]) if words else 200, int(words[1]) if len(words) > 1 else 0
    rows: list[Row] = []
    with ProcessPoolExecutor(2 if "--two" in sys.argv else 1) as pool:
        for row in pool.map(judged, range(first, first + count)):
            rows.append(row)
            if "--all" in sys.argv or ("--show" in sys.argv and (row.errors is None or not is_right(row.errors))):
                show(row)
    shares = {
        "all": table("all", rows),
        "bodies": table("bodies", [r for r in rows if r.about["subject"] != "drawn"]),
        "headforms": table("headforms", [r for r in rows if r.about["subject"] == "drawn"]),
    }
    for text, times in Counter(r.text for r in rows if r.errors is None).most_common():
        print(f"  asked {times}x: {text}")
    if len(words) > 2:
        Path(words[2]).write_text(json.dumps({"seeds": [first, first + count], **shares}, indent=1) + "\n", "utf-8")


def show(row: Row) -> None:
    """Print one scan's line."""
    about = " ".join(f"{k}={round(v, 1) if isinstance(v, float) else v}" for k, v in row.about.items() if v)
    e = row.errors
    if e is None:
        print(row.seed, row.text, about, flush=True)
        return
    worst = sorted(((round(e[f"at {n}"], 1), n) for n in PLACED), reverse=True)[:3]
    off = {k: round(v, 1) for k, v in e.items() if not k.startswith("at")}
    print(row.seed, row.text, f"{row.seconds:.1f} s", off, worst, about, flush=True)


def table(title: str, rows: list[Row]) -> dict[str, float]:
    """Print and return the shares of the answered scans, in per cent, and what goes with them."""
    answers = [r.errors for r in rows if r.errors is not None]

    def share(test: Callable[[Errors], bool]) -> float:
        return round(100 * float(np.mean([test(e) for e in answers])), 1)

    missed = [e for e in answers if not is_right(e)]
    gross = [e for e in missed if e["placed"] > GROSS_MM or e["angle"] > GROSS_DEG or e["unit"]]
    found: dict[str, float] = {
        "scans": len(rows),
        "asked": len(rows) - len(answers),
        "landmarks within 4 mm, %": share(lambda e: e["placed"] <= LANDMARK_MM),
        "breadth within 1.5 mm, %": share(lambda e: abs(e["breadth"]) <= SIZE_MM),
        "length within 1.5 mm, %": share(lambda e: abs(e["length"]) <= SIZE_MM),
        "orientation within 3 degrees, %": share(lambda e: e["angle"] <= ORIENTATION_DEG),
        "unit, %": share(lambda e: not e["unit"]),
        "hand, %": share(lambda e: not e["hand"]),
        "all of these, %": share(is_right),
        "mean landmark error, mm": round(float(np.mean([e["mean"] for e in answers])), 2),
    }
    for key in ("breadth", "length"):
        off = np.array([e[key] for e in answers])
        found[f"{key} error, mean, mm"] = round(float(off.mean()), 2)
        found[f"{key} error, SD, mm"] = round(float(off.std()), 2)
        found[f"{key} error, largest, mm"] = round(float(np.abs(off).max()), 2)
        found[f"{key} in its own 90 % interval, %"] = share(lambda e, key=key: abs(e[key]) <= e[f"{key} told"])  # type: ignore[misc]
        found[f"{key} interval, median half-width, mm"] = round(
            float(np.median([e[f"{key} told"] for e in answers])), 2
        )
    found["missed without asking"] = len(missed)
    found["grossly wrong"] = len(gross)
    print(f"{title}:")
    for key, value in found.items():
        print(f"  {key:40s} {value:g}")
    seconds = [r.seconds for r in rows]
    print(f"  {'seconds, mean and most':40s} {np.mean(seconds):.1f} {max(seconds):.1f}")
    return found


if __name__ == "__main__":
    main()
