# SPDX-License-Identifier: GPL-3.0-or-later
"""The distance field, clearance, seating and sizing on a real body and a shell of 200,000 triangles."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from . import Row, median_time


def rows() -> list[Row]:
    """Return the rows of this topic."""
    import igl

    sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))
    import shapes

    from arming_cap.core.distance import field as fields
    from arming_cap.core.distance.clearance import measure
    from arming_cap.core.fit.seat.seating import Seater
    from arming_cap.core.piece import Part, Piece
    from arming_cap.core.pose import Pose
    from arming_cap.core.wearer.form import Form, Wearer

    body = shapes.body("a")
    centre = body.corners.mean(axis=1)
    head = (centre[:, 2] > 1440) & (np.abs(centre[:, 0]) < 150)
    wearer = Wearer("a", Form(body, ("whole", "crown"), head.astype(np.int64)))
    start = time.perf_counter()
    field = fields.field_of(wearer.form)
    first = time.perf_counter() - start
    shell = shapes.dome(133, 137, -60, segments=320, rings=157)
    piece = Piece("dome", (Part("dome", shell),))
    pose = Pose.of((0, -43, 1612), (5, 2, 1))
    points = shell.moved(pose).vertices[:100_000]
    probe = fields.Probe(field, points)
    few = fields.Probe(field, points[::17])
    ours = median_time(probe.standoff, 15)
    sign = igl.SIGNED_DISTANCE_TYPE_FAST_WINDING_NUMBER
    vertices, triangles = np.array(body.vertices), np.array(body.triangles)
    libigl = median_time(lambda: igl.signed_distance(points, vertices, triangles, sign_type=sign), 3)
    found = [Row("standoff of 100,000 points, field cached", ours, "libigl", libigl, "at least 20x faster")]
    try:
        import open3d as o3d

        scene = o3d.t.geometry.RaycastingScene()
        scene.add_triangles(
            o3d.core.Tensor(body.vertices.astype(np.float32)), o3d.core.Tensor(body.triangles.astype(np.uint32))
        )
        query = o3d.core.Tensor(points.astype(np.float32))
        rival = median_time(lambda: scene.compute_signed_distance(query), 3)
        found.append(Row("standoff of 100,000 points, field cached", ours, "Open3D", rival, "at least 20x faster"))
    except ImportError:
        pass
    # One 16-byte row a point is all that must come from memory.
    buffer = np.ones(16_000_000)
    rate = 2 * buffer.nbytes / median_time(buffer.copy, 3)
    share = 16 * len(few) / median_time(few.standoff, 101) / rate
    note = f"{100 * share:.1f} % of this machine's copying speed counted by the rows alone"
    found.append(
        Row(f"standoff of {len(few)} points", median_time(few.standoff, 101), wanted="under 0.4 ms", note=note)
    )
    found.append(Row("first field of 27,000 triangles", first, wanted="under 5 s", note="unless already kept on disk"))
    exact = measure(piece, wearer, pose)
    note = f"{len(shell)} triangles, exact to {exact.tolerance_mm:.2f} mm, all regions"
    found.append(
        Row(
            "exact clearance of one pose",
            median_time(lambda: measure(piece, wearer, pose), 5),
            wanted="under 50 ms",
            note=note,
        )
    )
    seater = Seater(piece, wearer, pose)
    found.append(Row("seating, piece prepared", median_time(seater.seat, 3), wanted="under 0.5 s"))
    return found
