# SPDX-License-Identifier: GPL-3.0-or-later
"""Synthetic scans with known truth, through `core.wearer.scan`: how often right, how often asked, how often wrong.

    python scripts/validate_scans.py [COUNT] [FIRST] [--show]

Right is what the three bounds below say. A scan is *asked* for where `form_of_scan` raises and names the three
landmarks. What is neither has missed a bound without asking; of these, what is off by more than 12 mm or 10 degrees, or
in another unit, is grossly wrong, and there must be none.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
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


def main() -> None:
    """Run the campaign and print its table."""
    words = [a for a in sys.argv[1:] if not a.startswith("-")]
    count, first = int(words[0]) if words else 200, int(words[1]) if len(words) > 1 else 0
    rows: list[tuple[Scan, dict[str, float] | None, str, float]] = []
    for seed in range(first, first + count):
        scan = make_scan(seed)
        start = time.process_time()
        try:
            found = form_of_scan(scan.mesh, offsets_mm=scan.offsets_mm)
            rows.append((scan, errors_of(scan, found), f"{found.confidence:.2f}", time.process_time() - start))
        except InputError as error:
            rows.append((scan, None, error.what, time.process_time() - start))
        if "--show" in sys.argv:
            _, e, text, seconds = rows[-1]
            about = {k: round(v, 1) if isinstance(v, float) else v for k, v in scan.about.items() if v}
            if e is None or not is_right(e) or "--all" in sys.argv:
                print(
                    seed,
                    text,
                    f"{seconds:.1f} s",
                    "" if e is None else {k: round(v, 1) for k, v in e.items() if not k.startswith("at")},
                    "" if e is None else sorted(((round(e[f"at {n}"], 1), n) for n in PLACED), reverse=True)[:3],
                    " ".join(f"{k}={v}" for k, v in about.items()),
                    flush=True,
                )
    table(rows)


def table(rows: list[tuple[Scan, dict[str, float] | None, str, float]]) -> None:
    """Print the shares, for bodies and headforms apart."""
    for title, pick in (
        ("all", lambda s: True),
        ("bodies", lambda s: s.about["subject"] != "drawn"),
        ("headforms", lambda s: s.about["subject"] == "drawn"),
    ):
        some = [r for r in rows if pick(r[0])]
        answers = [e for _, e, _, _ in some if e is not None]
        if not answers:
            continue

        def share(test, answers=answers):
            return f"{100 * np.mean([test(e) for e in answers]):5.1f} %"

        print(f"{title}: {len(some)} scans, {len(some) - len(answers)} asked, {len(answers)} answered")
        print("  landmarks within 4 mm  ", share(lambda e: e["placed"] <= LANDMARK_MM))
        print("  breadth within 1.5 mm  ", share(lambda e: abs(e["breadth"]) <= SIZE_MM))
        print("  length within 1.5 mm   ", share(lambda e: abs(e["length"]) <= SIZE_MM))
        print("  orientation within 3°  ", share(lambda e: e["angle"] <= ORIENTATION_DEG))
        print("  unit; hand             ", share(lambda e: not e["unit"]), share(lambda e: not e["hand"]))
        print("  all of these           ", share(is_right))
        print("  mean landmark error    ", f"{np.mean([e['mean'] for e in answers]):.2f} mm")
        for key in ("breadth", "length"):
            values = np.array([e[key] for e in answers])
            print(f"  {key}: mean {values.mean():+.2f}, SD {values.std():.2f} mm")
        missed = [e for e in answers if not is_right(e)]
        gross = [e for e in missed if e["placed"] > GROSS_MM or e["angle"] > GROSS_DEG or e["unit"]]
        worst = max((max(abs(e["breadth"]), abs(e["length"])) for e in answers), default=0.0)
        print("  missed without asking  ", len(missed), f"(largest error of breadth or length {worst:.1f} mm)")
        print("  grossly wrong          ", len(gross))
        print("  seconds, mean and most ", f"{np.mean([r[3] for r in some]):.1f}", f"{max(r[3] for r in some):.1f}")
    asked = Counter(text for _, e, text, _ in rows if e is None)
    for text, times in asked.most_common():
        print(f"  asked {times}x: {text}")


if __name__ == "__main__":
    main()
