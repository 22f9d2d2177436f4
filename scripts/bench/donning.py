# SPDX-License-Identifier: GPL-3.0-or-later
"""The passage's pinch, against a planner of robotics that bisects over grown forms for the same number."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from . import Row

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))

LIMIT_S = 1.0  # after which a planner's silence is taken for a no
WITHIN_MM = 0.3


def rows() -> list[Row]:
    """Return the time to the pinch of generated helmets, fields kept, in processor time.

    RRT-Connect over FCL answers whether there is a way for a form grown by d; it is asked of d between -4 and 4 mm
    until the answer is known to `WITHIN_MM`. Growing the forms is not counted.
    """
    from helmets import Helmet, grown, head, planned, shell

    from arming_cap.core.fit.passage.donning import find_passage
    from arming_cap.core.piece import Part, Piece
    from arming_cap.core.pose import Pose
    from arming_cap.core.wearer.form import Form, Wearer

    made = []
    for name, helmet in (
        ("lifted straight", Helmet("a", neck=0.9)),
        ("a narrow neck", Helmet("a", tilt_deg=20, neck=0.85)),
    ):
        piece, wearer = Piece("helm", (Part("helm", shell(helmet)),)), Wearer("a", Form(head("a")[0]))
        find_passage(piece, wearer, Pose())
        start = time.process_time()
        found = find_passage(piece, wearer, Pose())
        ours = time.process_time() - start
        low, high, rival = -4.0, 4.0, 0.0
        while high - low > WITHIN_MM:
            middle = 0.5 * (low + high)
            form = grown("a", middle)
            start = time.process_time()
            there = planned(shell(helmet), form, LIMIT_S)
            rival += time.process_time() - start
            low, high = (middle, high) if there else (low, middle)
        note = f"ours {found.pinch_mm:.1f}, none above {found.bound_mm:.1f}; the planner {low:.1f} to {high:.1f} mm"
        made.append(
            Row(
                f"pinch of a helmet, {name}",
                ours,
                "RRT-Connect bisecting",
                rival,
                "under 2 s; at least 10x faster",
                note,
            )
        )
    return made
