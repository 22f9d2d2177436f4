# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure dirty variants of the demo's pieces and of real bodies with every verb, and print how the answers compare.

python scripts/measure_corpus.py [--seeds N] [--every N] [--verbs section clearance ...] [--show]

section is asked of every variant, the other verbs of one in so many (see SHARE), unless --every 1.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "addon"), str(ROOT / "headless_tests")]

from corpus.judged import EQUAL, FLAGGED, VERBS, WITHHELD, WRONG, cases  # noqa: E402

# One variant in so many.
SHARE = {"clearance": 2, "sight": 4, "walls": 8, "ring": 6, "split": 6, "size": 60, "don": 90}


def main() -> int:
    """Print a row for each verb and one for each wrong answer; fail where there is one."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--every", type=int, default=0)
    parser.add_argument("--verbs", nargs="*", default=list(VERBS))
    parser.add_argument("--show", action="store_true", help="list what was withheld or flagged too")
    options = parser.parse_args()
    share = {v: options.every or SHARE.get(v, 1) for v in VERBS}
    turn: Counter[str] = Counter()

    def chosen(subject: str, kind: str, seed: int, verb: str) -> bool:
        turn[verb] += 1
        return verb in options.verbs and turn[verb] % share[verb] == 0

    counts: dict[str, Counter[str]] = {v: Counter() for v in options.verbs}
    variants = set()
    start = time.process_time()
    for case in cases(chosen, options.seeds):
        counts[case.verb][case.verdict] += 1
        variants.add((case.subject, case.kind, case.seed))
        if case.verdict == WRONG or (options.show and case.verdict != EQUAL):
            print(f"{case.verdict}: {case.subject}, {case.kind}, {case.verb}: {_short(case.dirty)}", end=" ")
            print(f"for {_short(case.clean)} {'; '.join(case.said)[:200]}", flush=True)
    print(f"\n| verb | {EQUAL} | {WITHHELD} | {FLAGGED} | {WRONG} and confident |\n|---|---|---|---|---|")
    for verb, count in counts.items():
        print(f"| {verb} | " + " | ".join(str(count[v]) for v in (EQUAL, WITHHELD, FLAGGED, WRONG)) + " |")
    asked = sum(sum(c.values()) for c in counts.values())
    print(f"\n{asked} answers on {len(variants)} variants in {time.process_time() - start:.0f} s of processor time")
    return int(any(c[WRONG] for c in counts.values()))


def _short(values: tuple[float | None, ...]) -> str:
    return "(" + ", ".join("none" if v is None else f"{v:.3f}" for v in values) + ")"


if __name__ == "__main__":
    sys.exit(main())
