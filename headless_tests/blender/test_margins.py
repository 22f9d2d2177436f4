# SPDX-License-Identifier: GPL-3.0-or-later
"""Margins painted on form and piece: in closed form, whatever the object's own vertices are."""

from __future__ import annotations

import bpy
import numpy as np
import pytest
from stage_props import ball_in_band


@pytest.fixture
def checked(scene):
    """A ball of 90 mm that keeps 5 mm in a band of 100 mm, with verdicts on it."""
    from arming_cap.blender import results

    form, _ = ball_in_band()
    form.arming_cap.allowance_mm = 5.0
    seat = {"translation_mm": [0, 0, 0], "rotation_deg": [0, 0, 0]}
    fit = {"piece": "Band", "wearer": "Ball", "verdict": "pass", "verdicts": [], "seat": seat}
    results.keep(scene, {"result": {"fits": [fit]}}, results.footing(scene), {})
    return scene


def values(ob):
    found = np.empty(len(ob.data.vertices), np.float32)
    ob.data.attributes["margin_mm"].data.foreach_get("value", found)
    return found


def test_the_margin_stands_at_every_vertex(checked):
    assert bpy.ops.arming_cap.show_margins(fit=0) == {"FINISHED"}
    band = checked.objects["Band"]
    points = np.array([v.co[:] for v in band.data.vertices])
    # A vertex at distance r of a ball of 90 mm has r − 90 of standoff and 5 less of margin; its
    # facets lack up to 90 (1 - cos²(π/48)) = 0.39 mm.
    inner = np.linalg.norm(points[:, :2], axis=1) < 101.5
    assert values(band)[inner] == pytest.approx(np.linalg.norm(points, axis=1)[inner] - 95.0, abs=0.4)
    assert np.isnan(values(band)[~inner]).all() and inner.sum() == 256  # the outside tells nothing
    ball = checked.objects["Ball"]
    middle = np.abs(np.array([v.co[2] for v in ball.data.vertices])) < 20.0
    assert values(ball)[middle] == pytest.approx(5.0 + 90.0 - 90.0 * np.ones(middle.sum()), abs=2.5)
    assert ball.data.color_attributes.active_color.name == "margin_mm_colour"


def test_a_split_vertex_keeps_its_place(checked):
    """Vertices that coincide are one to the core and two to Blender: both are painted."""
    band = checked.objects["Band"]
    data = band.data
    doubled = bpy.data.meshes.new("doubled")
    corners = [tuple(data.vertices[i].co) for polygon in data.polygons for i in polygon.vertices]
    doubled.from_pydata(corners, [], [(3 * i, 3 * i + 1, 3 * i + 2) for i in range(len(corners) // 3)])
    band.data = doubled
    bpy.ops.arming_cap.show_margins(fit=0)
    inner = np.linalg.norm(np.array(corners)[:, :2], axis=1) < 101.5
    assert np.isfinite(values(band)[inner]).all()
    assert values(band)[inner] == pytest.approx(np.linalg.norm(np.array(corners), axis=1)[inner] - 95.0, abs=0.4)


def test_a_second_click_takes_the_paint_off_and_leaves_what_was(checked):
    ball = checked.objects["Ball"]
    own = ball.data.color_attributes.new("mine", "FLOAT_COLOR", "POINT")
    ball.data.color_attributes.active_color = own
    before = {area.as_pointer(): area.spaces.active.shading.color_type for area in views()}
    bpy.ops.arming_cap.show_margins(fit=0)
    assert checked.arming_cap.margins_shown
    assert all(area.spaces.active.shading.color_type == "VERTEX" for area in views())
    bpy.ops.arming_cap.show_margins(fit=0)
    assert not checked.arming_cap.margins_shown and "margin_mm" not in ball.data.attributes
    assert [one.name for one in ball.data.color_attributes] == ["mine"]
    assert {area.as_pointer(): area.spaces.active.shading.color_type for area in views()} == before


def views():
    return [area for area in bpy.context.screen.areas if area.type == "VIEW_3D"] if bpy.context.screen else []


def test_modifiers_that_make_other_vertices_are_named(checked):
    checked.objects["Band"].modifiers.new("Finer", "SUBSURF")
    with pytest.raises(RuntimeError, match="Band: its modifiers"):
        bpy.ops.arming_cap.show_margins(fit=0)
    assert "margin_mm" not in checked.objects["Ball"].data.attributes
