# SPDX-License-Identifier: GPL-3.0-or-later
"""What is done with a verdict, and that it is then out of date; what the live section reads; where operators stand."""

from __future__ import annotations

import re
from unittest.mock import MagicMock

import bpy
import numpy as np
import pytest
import shapes
from cut_helm import cut_in_two
from mathutils import Vector
from stage_props import ball_in_band, put, select

from arming_cap.core.pose import Pose

SIZE = {"scale": 0.99, "range": [0.985, 0.9951], "passage_scale": 0.993, "print_at": 0.9951}


def kept(scene, seat=((0, 0, 0), (0, 0, 0)), size=SIZE, at=(90.0, 0.0, 12.0), piece="Band"):
    """Verdicts on a ball in a band that rest on the scene as it is, without the time to make them."""
    from arming_cap.blender import results

    place = {"region": "brow", "part": "Band", "at": list(at)}
    verdict = {"check": "clearance", "verdict": "fail", "number": -1.0, "unit": "mm", "uncertainty": 0.0}
    verdict |= {"limited_by": place, "requirement": "", "why": "", "mend": "", "details": {}}
    where = {"translation_mm": list(seat[0]), "rotation_deg": list(seat[1])}
    fit = {"piece": piece, "wearer": "Ball", "verdict": "fail", "verdicts": [verdict], "seat": where, "size": size}
    results.keep(scene, {"result": {"fits": [fit]}}, results.footing(scene), {})
    assert results.compare(scene) == []
    return results


@pytest.mark.parametrize("unit", [1.0, 1000.0])
def test_the_piece_is_scaled_to_what_fits_of_its_file(scene, unit):
    """At 90 % of its file 99.51 % of what stands there fits: 89.559 %, rounded up to 89.6 % of the file."""
    scene.unit_settings.scale_length = unit / 1000.0
    _, band = ball_in_band()
    for ob in scene.objects:
        ob.scale = (1.0 / unit,) * 3
    band.scale *= 0.9
    band.location = Vector((10.0, 0.0, 0.0)) / unit
    bpy.context.view_layer.update()
    results = kept(scene)
    from arming_cap.blender.operators import act

    factor, of_file = act.scaling(scene, 0)
    assert of_file == pytest.approx(0.896) and factor == pytest.approx(0.896 / 0.9)
    assert bpy.ops.arming_cap.scale_piece(fit=0) == {"FINISHED"}
    assert band.scale.x * unit == pytest.approx(0.896, abs=1e-6)
    # About the origin that the size was found about: the place of the object comes nearer with it.
    assert band.location.x * unit == pytest.approx(10.0 * 0.896 / 0.9, abs=1e-5)
    assert results.compare(scene) == ["'Band' has changed"]
    with pytest.raises(RuntimeError, match="out of date"):
        bpy.ops.arming_cap.scale_piece(fit=0)


def test_where_no_size_goes_on_there_is_nothing_to_scale_to(scene):
    ball_in_band()
    kept(scene, size={**SIZE, "print_at": None})
    from arming_cap.blender.operators import act

    assert act.scaling(scene, 0) is None
    with pytest.raises(RuntimeError, match="run the checks again"):
        bpy.ops.arming_cap.scale_piece(fit=0)


def test_the_piece_is_moved_to_its_seat_with_all_its_parts(scene):
    from arming_cap.core.pose import Pose

    _, band = ball_in_band()
    brim = put(__import__("shapes").box((20.0, 20.0, 5.0), name="Brim"), "PART")
    brim.arming_cap.piece = band.arming_cap.piece = "Band"
    brim.parent = band
    bpy.context.view_layer.update()
    scene.arming_cap.seat = "best"
    kept(scene, seat=((3.0, -2.0, 7.0), (10.0, 20.0, 0.0)))
    before = {ob.name: np.array(ob.matrix_world) for ob in (band, brim)}
    assert bpy.ops.arming_cap.move_to_seat(fit=0) == {"FINISHED"}
    pose = Pose.of((3.0, -2.0, 7.0), (10.0, 20.0, 0.0))
    expected = np.eye(4)
    expected[:3, :3], expected[:3, 3] = pose.rotation, pose.translation_mm
    for ob in (band, brim):
        assert np.array(ob.matrix_world) == pytest.approx(expected @ before[ob.name], abs=1e-4)
    assert scene.arming_cap.seat == "fixed"


def test_a_ring_plane_lies_where_a_verdict_is_limited(scene):
    ball_in_band()
    kept(scene)
    assert bpy.ops.arming_cap.ring_there(fit=0, verdict=0) == {"FINISHED"}
    mark = bpy.context.view_layer.objects.active
    assert mark.arming_cap.ring and mark.arming_cap.piece == "Band"
    assert mark.location.z == pytest.approx(12.0) and mark.users_collection[0] == bpy.context.collection


def test_the_live_section_reads_what_a_caliper_would(scene):
    """Inside the band: 200 mm wide and deep; of the ball: 180 at its middle, 2 sqrt(90² − 29²) = 170.4 at 29 mm."""
    from arming_cap.blender import overlay

    ball_in_band()
    assert bpy.ops.arming_cap.live_section() == {"FINISHED"}
    assert any("200.0 wide, 200.0 deep" in text for text in overlay.section.says)
    assert any("180.0 wide" in text for text in overlay.section.says) and overlay.section.gap_says == "10.0 mm"
    scene.arming_cap.section_at = (0.0, 0.0, 29.0)
    said = next(re.match(r"Ball: ([\d.]+) wide", text) for text in overlay.section.says if text.startswith("Ball"))
    assert float(said[1]) == pytest.approx(2 * (90.0**2 - 29.0**2) ** 0.5, abs=0.8)  # less what facets cut off
    scene.objects["Ball"].hide_set(False)
    assert bpy.ops.arming_cap.live_section() == {"FINISHED"} and overlay.section is None


def test_operators_stand_in_blenders_menus(scene):
    """So that search finds them."""
    from arming_cap.blender import menus

    for name, entry in menus.ENTRIES:
        assert entry in getattr(bpy.types, name)._dyn_ui_initialize()


def test_a_row_selects_what_it_names(scene):
    form, band = ball_in_band()
    select(band)
    assert bpy.ops.arming_cap.select_named(target="Ball") == {"FINISHED"}
    assert form.select_get() and not band.select_get() and bpy.context.view_layer.objects.active == form


def test_every_joint_has_a_drawing_of_its_own():
    from arming_cap.blender import joint_picture

    drawn = [joint_picture.pixels(kind, 4.0, 6.0, 0.2, 0.3) for kind in ("pin", "magnet", "tongue")]
    assert all(one.shape == (joint_picture.SIZE, joint_picture.SIZE, 4) for one in drawn)
    assert all((a != b).any() for a in drawn for b in drawn if a is not b)
    # To scale: a pin sunk 6 mm each side is 12 mm of the 15.6 shown.
    row = drawn[0][joint_picture.SIZE // 2]
    inside = (row[:, :3] == joint_picture.INSIDE).all(axis=1).sum() / joint_picture.SIZE
    assert inside == pytest.approx(12.0 / 15.6, abs=0.02)


@pytest.mark.parametrize("unit_mm", [1.0, 1000.0])
def test_parts_that_lie_as_for_printing_are_put_together_in_one_step(scene, unit_mm):
    from arming_cap.blender.scene import piece_name

    scene.unit_settings.scale_length = unit_mm / 1000.0
    put(shapes.sphere(60.0, 32), "FORM", "Ball", unit_mm)
    larger, other = cut_in_two()
    away = Pose.of((300, 40, -90), (75, 20, 130))
    objects = [put(p.mesh.moved(m), "PART", p.name, unit_mm) for p, m in ((larger, Pose()), (other, away))]
    first, moved = objects
    kept(scene, piece=piece_name(scene, first))
    assert bpy.ops.arming_cap.put_together(fit=0) == {"FINISHED"}
    corners = np.array([moved.matrix_world @ v.co for v in moved.data.vertices]) * unit_mm
    assert np.abs(corners - other.mesh.vertices).max() < 0.1
    assert np.abs(np.array(first.matrix_world) - np.eye(4)).max() < 1e-6


@pytest.mark.parametrize("unit", [1.0, 1000.0])
def test_a_piece_said_to_be_solid_is_made_hollow_beside_that_line_and_kept(scene, unit):
    """A block of 64 by 70 by 80 mm and a wall of 4 mm: open below by 56 by 62 mm, and no longer solid."""
    from arming_cap.blender.panels.fit import ARMINGCAP_PT_verdicts
    from arming_cap.core.checks.placement import placement
    from arming_cap.core.piece import Part, Piece
    from arming_cap.core.report.said import verdict_of
    from arming_cap.core.wearer.form import Form, Wearer

    scene.unit_settings.scale_length = unit / 1000.0
    put(shapes.sphere(50.0, 24), "FORM", "Ball", unit)
    block = put(shapes.box((64.0, 70.0, 80.0)), "PART", "Block", unit)
    results = kept(scene, piece="Block")
    ball = Wearer("Ball", Form(shapes.sphere(50.0, 24)), {})
    sidebar = MagicMock(scene=scene)
    sidebar.region.width, sidebar.preferences.system.ui_scale = 300, 1.0

    def buttons(ob):
        """Return what is drawn with the verdict on where an object of the scene stands."""
        mesh = shapes.TriangleMesh(
            np.array([ob.matrix_world @ v.co for v in ob.data.vertices]) * unit,
            np.array([f.vertices[:] for f in ob.data.polygons]),
        )
        verdict = verdict_of(placement(Piece("Block", (Part(ob.name, mesh),)), ball, "best")).as_dict()
        layout, body = MagicMock(), MagicMock()
        layout.panel.return_value = MagicMock(), body
        ARMINGCAP_PT_verdicts._verdict(layout, sidebar, 0, 0, verdict)
        return [call.args[0] for call in body.column.return_value.operator.call_args_list]

    assert buttons(block) == ["arming_cap.make_hollow"]
    scene.arming_cap.shell_wall_mm = 4.0
    assert bpy.ops.arming_cap.make_hollow(fit=0) == {"FINISHED"}
    shell = scene.objects["Block hollow"]
    assert (block.arming_cap.role, block.hide_get(), len(block.data.polygons)) == ("NONE", True, 12)
    assert (shell.arming_cap.role, shell.arming_cap.piece) == ("PART", "Block")
    corners = np.array([v.co for v in shell.data.vertices]) * unit
    below = np.abs(corners[corners[:, 2] < -39.99, :2])
    rim = below[(below < [31.9, 34.9]).all(axis=1)]
    assert below.max(axis=0) == pytest.approx([32, 35]) and rim.max(axis=0) == pytest.approx([28, 31], abs=0.3)
    assert buttons(shell) == [] and results.compare(scene)
    with pytest.raises(RuntimeError, match="out of date"):
        bpy.ops.arming_cap.make_hollow(fit=0)


def test_a_wall_that_leaves_no_hollow_is_refused_in_one_line(scene):
    put(shapes.sphere(50.0, 24), "FORM", "Ball")
    put(shapes.box((60.0, 60.0, 60.0)), "PART", "Block")
    kept(scene, piece="Block")
    scene.arming_cap.shell_wall_mm = 40.0
    with pytest.raises(RuntimeError, match="nothing lies deeper in it than 40 mm"):
        bpy.ops.arming_cap.make_hollow(fit=0)
    assert len(scene.objects) == 2 and scene.objects["Block"].arming_cap.role == "PART"
