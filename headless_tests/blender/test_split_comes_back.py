# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo's largest helm, split for two printers, opened in Blender and put together again, is the helm."""

from __future__ import annotations

from pathlib import Path

import bmesh
import bpy
import igl
import numpy as np
import pytest

from arming_cap.core.formats import read_mesh
from arming_cap.core.make.split.joints import SIDES, JointOptions
from arming_cap.core.make.split.split import plan_split, workpiece
from arming_cap.core.make.split.split_model import SplitOptions
from arming_cap.core.make.split.splitting import carry_out
from arming_cap.core.pose import Pose
from arming_cap.core.report.build_sheet import hand_over

HELM = Path(__file__).resolve().parents[2] / "demo_scenes" / "pieces" / "heron_helm.ply"


@pytest.mark.parametrize("side_mm", [180.0, 220.0])
def test_the_helm_comes_back(scene, tmp_path, side_mm):
    helm = read_mesh(HELM).mesh
    options = SplitOptions((side_mm,) * 3)
    piece = workpiece([helm], "heron")
    done = carry_out(piece, plan_split(piece, options), options, JointOptions(), numbers=False)
    written = hand_over(done, tmp_path)
    gathered, volume = [], 0.0
    for part in written["parts"]:
        bpy.ops.wm.stl_import(filepath=str(tmp_path / part["file"]))
        data = bpy.context.view_layer.objects.active.data
        points = np.empty(3 * len(data.vertices), np.float32)
        data.vertices.foreach_get("co", points)
        points = points.reshape(-1, 3).astype(float)
        assert (np.ptp(points, axis=0) <= side_mm + 1e-3).all() and points[:, 2].min() >= -1e-3
        worn = Pose.of(part["worn"]["translation_mm"], part["worn"]["rotation_deg"])
        gathered.append(worn.apply(points))
        shape = bmesh.new()
        shape.from_mesh(data)
        assert all(edge.is_manifold for edge in shape.edges)
        volume += shape.calc_volume(signed=True)
        shape.free()
    assert len(gathered) <= 5
    # Blender's own count of the volume, with the holes that were drilled, is the helm's.
    prism = SIDES / 2 * np.sin(2 * np.pi / SIDES)
    drilled = sum(2 * prism * (j["diameter_mm"] / 2) ** 2 * j["depth_mm"] for j in written["joints"])
    assert volume + drilled == pytest.approx(piece.solid.volume(), rel=1e-5)
    points = np.concatenate(gathered)
    square, _, _ = igl.point_mesh_squared_distance(points, helm.vertices, helm.triangles)
    away = np.sqrt(square)
    # What does not lie on the helm's surface lies on a cut or in a hole: near a cut's plane.
    inner = points[away > 0.01]
    depth = np.min([np.abs(inner @ np.array(cut["normal"]) - cut["offset"]) for cut in written["cuts"]], axis=0)
    assert depth.max() < 12.0
    # And every corner of the helm is there again.
    nearest, _, _ = igl.point_mesh_squared_distance(helm.vertices, points, np.arange(len(points))[:, None])
    assert np.quantile(np.sqrt(nearest), 0.99) < 0.01
