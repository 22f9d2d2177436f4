# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold the passage's answers against a planner of robotics, on generated helmets and the CC0 bodies' heads.

Needs the packages ``ompl`` and ``python-fcl``. For each helmet: our pinch and the bound of its proof; whether
RRT-Connect over FCL finds a way on the head as it is, which must be so exactly where our pinch is above 0 by more than
1 mm; and whether it finds one on the head grown by our pinch and 1 mm, which it must not: what it finds for a form
grown by d has a pinch of d at least.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "addon"), str(ROOT / "headless_tests")]

SECONDS = 2.0
CLEAR_MM = 1.0


def main() -> int:
    """Print the table; return 1 where an answer does not hold."""
    from helmets import grown, head, helmets, planned, shell

    from arming_cap.core.fit.passage.donning import find_passage
    from arming_cap.core.piece import Part, Piece
    from arming_cap.core.pose import Pose
    from arming_cap.core.wearer.form import Form, Wearer

    print("body room neck tilt chin cheek scale |  pinch  bound verdict   ours s | planner  s   wider  s   | holds")
    wrong = count = 0
    for helmet in helmets():
        mesh, (form, _, _) = shell(helmet), head(helmet.body)
        start = time.process_time()
        found = find_passage(Piece("helm", (Part("helm", mesh),)), Wearer(helmet.body, Form(form)), Pose())
        ours = time.process_time() - start
        start = time.process_time()
        there = planned(mesh, grown(helmet.body, 0.0), SECONDS)
        first = time.process_time() - start
        start = time.process_time()
        wider = planned(mesh, grown(helmet.body, round(found.pinch_mm + CLEAR_MM, 2)), SECONDS)
        second = time.process_time() - start
        holds = not wider and (abs(found.pinch_mm) <= CLEAR_MM or bool(there) == (found.pinch_mm > 0))
        count, wrong = count + 1, wrong + (not holds)
        answer = {True: "way", False: "none", None: "seat"}
        print(
            f"{helmet.body:>4} {helmet.room_mm:4.0f} {helmet.neck:4.2f} {helmet.tilt_deg:4.0f} {helmet.chin_mm:4.0f} "
            f"{helmet.cheek_mm:5.0f} {helmet.scale:5.2f} | {found.pinch_mm:6.2f} {found.bound_mm:6.2f} "
            f"{found.verdict.value:8} {ours:7.2f} | {answer[there]:4} {first:5.2f}  {answer[wider]:4} {second:5.2f} "
            f"| {'yes' if holds else 'NO'}",
            flush=True,
        )
    print(f"{count - wrong} of {count} hold; 'seat': the piece touches where it is worn; 'none': in {SECONDS:g} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
