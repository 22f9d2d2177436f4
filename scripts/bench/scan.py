# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a scan takes to come home, and the recognition of a head in a clean mesh; beside general registration."""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path
from typing import Any

import igl
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "headless_tests"))

from scans import Scan, make_scan

from arming_cap.core.formats import UNITS_MM
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.wearer.recognise import form_of
from arming_cap.core.wearer.scan import form_of_scan
from arming_cap.core.wearer.template import template_head

from . import Row, median_time


def dense_scan() -> tuple[Scan, TriangleMesh]:
    """Return a bust of more than half a million triangles with 1 mm of noise, in an unknown pose and unit."""
    scan = make_scan(1, "drawn", cut="shoulders", density=2, white_mm=1.0, cap_mm=0.0)
    return scan, TriangleMesh(*igl.upsample(scan.mesh.vertices, scan.mesh.triangles, 1), "dense")


def _features(o3d: Any, points: np.ndarray) -> tuple[Any, Any]:
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.array(points))).voxel_down_sample(6.0)
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamHybrid(radius=15.0, max_nn=30))
    search = o3d.geometry.KDTreeSearchParamHybrid(radius=35.0, max_nn=100)
    return cloud, o3d.pipelines.registration.compute_fpfh_feature(cloud, search)


def ransac_fpfh(scan: Scan, mesh: TriangleMesh) -> tuple[float, float]:
    """Return how long open3d's RANSAC on FPFH features with ICP takes, and how far its rotation is off, in degrees.

    It is told the unit, which it cannot find, and has no outlier of a loose shell to fear.
    """
    import open3d as o3d

    registration = o3d.pipelines.registration
    start = time.perf_counter()
    source, source_features = _features(o3d, mesh.vertices * UNITS_MM[scan.unit])
    target, target_features = _features(o3d, template_head().mesh.vertices)
    o3d.utility.random.seed(0)
    found = registration.registration_ransac_based_on_feature_matching(
        source,
        target,
        source_features,
        target_features,
        True,
        9.0,
        registration.TransformationEstimationPointToPoint(False),
        3,
        [registration.CorrespondenceCheckerBasedOnDistance(9.0)],
        registration.RANSACConvergenceCriteria(100_000, 0.999),
    )
    found = registration.registration_icp(
        source, target, 9.0, found.transformation, registration.TransformationEstimationPointToPlane()
    )
    took = time.perf_counter() - start
    hand = np.diag([-1.0 if scan.mirrored else 1.0, 1.0, 1.0])
    true = scan.to_file @ scan.subject.turn * UNITS_MM[scan.unit] @ hand
    cosine = (np.trace(found.transformation[:3, :3] @ true) - 1) / 2
    return took, float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def rows() -> list[Row]:
    """Return the bench's rows."""
    scan, mesh = dense_scan()
    start, cpu = time.perf_counter(), time.process_time()
    found = form_of_scan(mesh)
    took, cpu = time.perf_counter() - start, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    turn = found.to_form.linear @ scan.to_file @ scan.subject.turn
    angle = float(np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))))
    note = f"{cpu:.1f} s of CPU, peak {peak:.0f} MB, rotation off by {angle:.1f}°"
    rival, rival_s = "", None
    try:
        rival_s, off = ransac_fpfh(scan, mesh)
        rival = "open3d RANSAC-FPFH and ICP: rotation alone, told the unit"
        note += f"; theirs {off:.0f}°"
    except ImportError:
        note += "; open3d is not there to compare"
    out = [Row(f"scan of {len(mesh)} triangles to form", took, rival, rival_s, "under 15 s, under 2048 MB", note)]
    clean = TriangleMesh(*igl.upsample(template_head().mesh.vertices, template_head().mesh.triangles, 1), "clean")
    clean = clean.scaled(1.03)
    out.append(
        Row(f"head recognised in a closed mesh of {len(clean)} triangles", median_time(lambda: form_of(clean), 3))
    )
    return out
