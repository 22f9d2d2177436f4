# SPDX-License-Identifier: GPL-3.0-or-later
"""The passage's pinch, against a planner of robotics that bisects over grown forms for the same number."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from . import Row

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))

LIMIT_S = 1.0  # after which a planner's silence is taken for a no
WITHIN_MM = 0.3
SCALE_WITHIN = 0.003


def rows() -> list[Row]:
    """Return the times of the passage's questions, fields kept, in processor time."""
    return _pinches() + _sides() + _scales()


def _ball() -> Any:
    """Return a wearer who is a ball of 80 mm: with a round neck all answers are known in closed form."""
    import shapes

    from arming_cap.core.wearer.form import Form, Wearer

    return Wearer("ball", Form(shapes.sphere(80)))


def _helm(gap_mm: float, segments: int = 96, rings: int = 48) -> Any:
    """Return a spherical helm whose round neck is so much wider than the ball, all round; 90 mm inside."""
    import shapes

    from arming_cap.core.piece import Part, Piece

    neck = -float((90.0**2 - (80.0 + gap_mm) ** 2) ** 0.5)
    return Piece("helm", (Part("helm", shapes.dome(90, 94, neck, segments, rings)),))


def _spent(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return the processor time of a call, seconds, and what it returned."""
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def _sides() -> list[Row]:
    """Return the time to decide on which side of 0 a pinch lies, against a planner that is asked the same."""
    from helmets import planned

    from arming_cap.core.fit.passage.donning import find_passage
    from arming_cap.core.fit.passage.search import Search
    from arming_cap.core.pose import Pose

    made, ball = [], _ball()
    find_passage(_helm(5.0), ball, Pose(), Search(decide_only=True))
    for gap, segments, rings in (
        (5.0, 96, 48), (0.5, 96, 48), (0.2, 96, 48), (-0.2, 96, 48), (-0.5, 96, 48), (-2.0, 96, 48), (-10.0, 96, 48),
        (0.5, 400, 125), (-0.5, 400, 125),
    ):  # fmt: skip
        piece = _helm(gap, segments, rings)
        ours, found = _spent(lambda p=piece: find_passage(p, ball, Pose(), Search(decide_only=True)))
        rival, there = _spent(lambda p=piece: planned(p.mesh, ball.form.mesh, LIMIT_S))
        made.append(
            Row(
                f"round neck {gap:+g} mm, {len(piece.mesh):,} triangles: does it pass?",
                ours,
                "RRT-Connect",
                rival,
                "under 1 s; 3 s at 0.2 mm",
                f"ours {found.verdict.value}; the planner {'finds a way' if there else f'finds none in {LIMIT_S:g} s'}",
            )
        )
    return made


def _scales() -> list[Row]:
    """Return the time to the smallest scale that passes, against a planner that bisects scales."""
    from helmets import planned

    from arming_cap.core.fit.passage.scale import scale_bounds
    from arming_cap.core.pose import Pose

    piece, ball = _helm(5.0), _ball()
    scale_bounds(piece, ball, lambda _: Pose(), within=0.05)
    ours, found = _spent(lambda: scale_bounds(piece, ball, lambda _: Pose()))
    low, high, rival = 0.5, 2.0, 0.0
    while high / low - 1 > SCALE_WITHIN:
        middle = (low * high) ** 0.5
        spent, there = _spent(lambda m=middle: planned(piece.scaled(m).mesh, ball.form.mesh, LIMIT_S))
        rival += spent
        low, high = (low, middle) if there else (middle, high)
    note = (
        f"ours {found.fails:.4f} to {found.passes:.4f}{', proved' if found.proved else ''}; the planner {low:.4f} to "
        f"{high:.4f}; closed form {80 / 85:.4f}"
    )
    return [Row("smallest scale that goes on, round neck", ours, "RRT-Connect bisecting", rival, "under 5 s", note)]


def _pinches() -> list[Row]:
    """Return the time to the pinch of generated helmets.

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
