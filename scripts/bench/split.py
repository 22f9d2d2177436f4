# SPDX-License-Identifier: GPL-3.0-or-later
"""Plans, cuts and joints of a shell of 200,000 triangles, in processor seconds: other work counts less there."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from . import Row

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))


def rows() -> list[Row]:
    """Return what a plan costs, what comes on top, and what applying it costs beside the bare splits."""
    import shapes

    from arming_cap.core.make.split.joints import add_joints
    from arming_cap.core.make.split.split import apply_plan, plan_split, workpiece
    from arming_cap.core.make.split.split_cell import box_of
    from arming_cap.core.make.split.split_model import SplitOptions

    shell = shapes.dome(125, 133, -60, segments=448, rings=112)
    options = SplitOptions((180.0, 180.0, 180.0))
    prepared = least_time(lambda: workpiece([shell], "shell"), 2)
    piece = workpiece([shell], "shell")
    planned = least_time(lambda: plan_split(piece, options), 2)
    plan = plan_split(piece, options)
    parts, _ = apply_plan(piece, plan, options)
    applied = least_time(lambda: apply_plan(piece, plan, options), 3)

    def bare() -> None:
        waiting = [(piece.solid, plan.bodies[0])]
        while waiting:
            solid, node = waiting.pop()
            if node.plane is None:
                continue
            for half, nodes in zip(
                solid.split_by_plane(node.plane.normal, node.plane.offset), (node.above, node.below)
            ):
                # Each body goes on as one: what is not cut further costs nothing here.
                half.num_tri()
                for child in nodes:
                    if len(nodes) == 1:
                        waiting.append((half, child))
                    else:
                        low = min(half.decompose(), key=lambda s: abs(box_of(s) - child.bounds).max())
                        waiting.append((low, child))

    split = least_time(bare, 3)
    jointed = least_time(lambda: add_joints(parts), 2)
    size = f"{len(shell)} triangles into 180 mm cubes"
    per = 1e6 * planned / max(plan.tally.weighed, 1)
    return [
        Row(f"plan of {size}", prepared + planned, wanted="under 10 s", note=f"{len(plan.parts)} parts, "
            f"{plan.tally.weighed} cuts weighed at {per:.0f} µs each, {plan.tally.tried} of them tried on a stand-in"),
        Row(f"cut and joints of {size}", applied + jointed, wanted="under 5 s", note=f"{len(parts)} parts"),
        Row(f"the plan's {len(plan.planes)} cuts applied", applied, "manifold3d split_by_plane", split, "at most 2x"),
        large(),
    ]  # fmt: skip


def large() -> Row:
    """Return what two million triangles take from mesh to files, once."""
    import resource
    import tempfile

    import shapes

    from arming_cap.core.make.split.split import plan_split, workpiece
    from arming_cap.core.make.split.split_model import SplitOptions
    from arming_cap.core.make.split.splitting import carry_out
    from arming_cap.core.report.build_sheet import hand_over

    shell = shapes.dome(125, 130, -60, segments=1414, rings=354)
    options = SplitOptions((220.0, 220.0, 250.0))

    def whole() -> None:
        piece = workpiece([shell], "shell")
        with tempfile.TemporaryDirectory() as folder:
            hand_over(carry_out(piece, plan_split(piece, options), options), Path(folder))

    took = least_time(whole, 1)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return Row(
        f"{len(shell)} triangles, from mesh to files and build sheet", took, wanted="under 90 s", note=f"{peak:.1f} GB"
    )


def least_time(work: Callable[[], Any], runs: int) -> float:
    """Return the least processor time of some calls, in seconds."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)
