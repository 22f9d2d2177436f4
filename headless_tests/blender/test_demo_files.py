# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo files as they open: the piece stands in the view, the eye outside of everything, the sidebar is shown."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest

FILES = sorted((Path(__file__).resolve().parents[2] / "demo_scenes").glob("*.blend"))


def box(objects):
    corners = np.array([np.array(ob.matrix_world) @ (*c, 1.0) for ob in objects for c in ob.bound_box])[:, :3]
    return corners.min(axis=0), corners.max(axis=0)


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_a_demo_file_opens_on_its_piece(extension, file):
    bpy.ops.wm.open_mainfile(filepath=str(file), load_ui=True)
    assert bpy.data.version < (5, 0, 0)  # every Blender that is supported reads it
    scene = bpy.context.scene
    assert scene.arming_cap.begins_with_tab
    low, high = box([ob for ob in scene.objects if ob.arming_cap.role not in {"FORM", "NONE"}])
    (area,) = [a for a in bpy.data.screens["Layout"].areas if a.type == "VIEW_3D"]
    space, view = area.spaces.active, area.spaces.active.region_3d
    assert space.show_region_ui
    middle = np.array(view.view_location)
    assert np.all(middle > low) and np.all(middle < high)
    eye = middle + view.view_distance * np.array(view.view_rotation.to_matrix())[:, 2]
    lowest, highest = box([ob for ob in scene.objects if ob.type == "MESH"])
    assert np.any(eye < lowest) or np.any(eye > highest)
    # From there the whole piece lies within half a right angle, and nothing is clipped.
    assert np.linalg.norm(high - low) / 2 < view.view_distance * np.tan(np.radians(22.5))
    assert space.clip_end > view.view_distance + np.linalg.norm(highest - lowest)
