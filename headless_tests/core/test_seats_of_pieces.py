# SPDX-License-Identifier: GPL-3.0-or-later
"""Where pieces other than helmets rest: masks, caps, gorgets, pauldrons, bracers, greaves, cuisses, breastplates."""

from __future__ import annotations

from dataclasses import replace

import armoury
import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st

from arming_cap.core.fit.seat.contact import LEASH_MM
from arming_cap.core.fit.seat.seating import Seater, seat
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report.results import ClearanceResult
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.cardform import wearer_of_card
from arming_cap.core.wearer.form import Form, Wearer
from arming_cap.core.wearer.headform import form_from_dimensions

ROOM = 4.0


def piece_of(*meshes: TriangleMesh) -> Piece:
    return Piece("piece", tuple(Part(f"part {k}", mesh) for k, mesh in enumerate(meshes)))


def kept(mesh: TriangleMesh, rows) -> TriangleMesh:
    """Return the triangles whose middles (m, 3) a rule keeps."""
    return mesh.submesh(rows(mesh.corners.mean(axis=1)))


def limb(low: float, high: float, length: float) -> Wearer:
    """Return a limb whose radius goes from `low` at z = 0 to `high` at its top."""
    profile = [(0, 0), (low, 0), (high, length), (0, length)]
    return Wearer("limb", Form(shapes.revolved(profile, 64)), {"default": ROOM})


def sleeve(low: float, high: float, length: float) -> TriangleMesh:
    """Return an open sleeve of a wall without thickness, (radius at its lower and its upper end)."""
    turn, z = np.linspace(0, 2 * np.pi, 73), np.linspace(0.0, 1.0, 13)
    radius = (low + (high - low) * z)[:, None]
    points = np.stack([radius * np.cos(turn), radius * np.sin(turn), length * z[:, None] + 0 * turn], -1).reshape(-1, 3)
    a = (np.arange(12)[:, None] * 73 + np.arange(72)).ravel()
    return TriangleMesh(points, np.concatenate([np.stack([a, a + 1, a + 74], 1), np.stack([a, a + 74, a + 73], 1)]))


@pytest.fixture(scope="module")
def head() -> Wearer:
    hair = {"default": 6.0, **dict.fromkeys(("nose", "chin", "throat"), 0.0)}
    for side in ("left", "right"):
        hair |= {f"ear_{side}": -3.0, f"neck_{side}": 0.0, f"face_{side}": 0.0, f"jaw_{side}": 0.0}
    return Wearer("570", form_from_dimensions({"head_circumference": (570.0, 3.0)}), hair)


# --- on a head --------------------------------------------------------------------------------------------------------


def test_a_masks_openings_lie_at_the_eyes(head):
    x, z = np.meshgrid(np.linspace(-75, 75, 76), np.linspace(-85, 60, 74))
    bowl = 0.0035 * (x**2 + 0.6 * z**2)
    points = np.stack([x, bowl - bowl.max(), z], axis=-1).reshape(-1, 3)
    a = (np.arange(73)[:, None] * 76 + np.arange(75)).ravel()
    faces = np.concatenate([np.stack([a, a + 1, a + 77], 1), np.stack([a, a + 77, a + 76], 1)])
    eyes = (32.0, 14.0)
    mask = TriangleMesh(points, faces)
    mask = kept(mask, lambda p: (np.abs(np.abs(p[:, 0]) - eyes[0]) > 15) | (np.abs(p[:, 2] - eyes[1]) > 9))
    rest = seat(piece_of(mask), head).rest
    holes = rest.pose.apply(np.array([[s * eyes[0], 0.0, eyes[1]] for s in (1, -1)]))
    pupils = np.array([head.form.landmarks[f"pupil_{side}"] for side in ("left", "right")])
    assert rest.kind == "rests"
    assert np.abs(holes[:, 2] - pupils[:, 2]).max() < 9.0  # within the openings' half height
    assert rest.covered_mm < 1.0
    assert rest.pose.translation_mm[0] == pytest.approx(0.0, abs=0.5)


def test_a_cap_without_sides_rests_on_the_crown(head):
    cap = kept(armoury.mesh_of(armoury.Helmet(190, 230, 100), 96, 48), lambda p: p[:, 2] > 35.0)
    rest = seat(piece_of(cap), head).rest
    assert rest.kind == "rests"
    assert "crown" in {support.region for support in rest.supports}
    np.testing.assert_allclose(rest.pose.rotation_deg[1:], 0.0, atol=0.5)
    assert rest.pose.translation_mm[0] == pytest.approx(0.0, abs=0.5)


# --- on shoulders -----------------------------------------------------------------------------------------------------


def test_a_gorget_lies_on_the_shoulders():
    # Shoulders that fall by 30 degrees from a neck of radius 60. Grown by a they rise by a / cos 30: the lower edge of
    # a ring of radius R lies (R - 60) tan 30 below where they meet the neck, and that much higher.
    slope, neck, inside = np.radians(30.0), 60.0, 90.0
    drop = 120.0 * np.tan(slope)
    body = shapes.revolved([(0, -300), (180, -300), (180, -drop), (neck, 0), (neck, 150), (0, 150)], 64)
    wearer = Wearer("bust", Form(body), {"default": ROOM})
    rest = seat(piece_of(shapes.tube(inside, inside + 4, 40, 64)), wearer, Pose.of((6, -4, 10), (3, -2, 0))).rest
    assert rest.kind == "rests"
    expected = ROOM / np.cos(slope) - (inside - neck) * np.tan(slope)
    assert rest.pose.translation_mm[2] == pytest.approx(expected, abs=0.8)
    assert rest.free_mm == pytest.approx(inside - neck - ROOM, abs=2.0)


def test_a_pauldron_rests_on_the_shoulder_and_not_on_the_hip():
    shoulder, hip = np.array([170.0, 0, 0]), np.array([150.0, 0, -430])
    trunk = shapes.ellipsoid((140, 100, 330), 32, (0, 0, -240))
    balls = [shapes.sphere(radius, 32, centre) for radius, centre in ((62, shoulder), (75, hip))]
    wearer = Wearer("torso", Form(joined([trunk, *balls])), {"default": ROOM})
    shell = kept(shapes.dome(80, 84, 0.0, 64, 32), lambda p: p[:, 0] > -30)
    rest = seat(piece_of(shell), wearer, Pose.of(shoulder + (18, -15, 30), (0, 8, 0))).rest
    assert rest.kind == "rests"
    middle = rest.pose.apply(np.zeros((1, 3)))[0]
    assert np.linalg.norm(middle - shoulder) < 30.0
    assert rest.supports[0].gap_mm == pytest.approx(ROOM, abs=0.5)
    assert np.linalg.norm(np.array(rest.supports[0].at) - shoulder) == pytest.approx(62 + ROOM, abs=1.5)


def test_a_breastplate_lies_against_the_chest():
    # A shell 10 mm off an egg, its front alone, put down 15 mm away and turned: pressed on, it goes back and 6 mm
    # on, until it touches.
    chest = np.array([150.0, 105.0, 300.0])
    wearer = Wearer("torso", Form(shapes.ellipsoid(tuple(chest), 48)), {"default": ROOM})
    plate = kept(shapes.ellipsoid(tuple(chest + 10), 64), lambda p: (p[:, 1] < -45) & (np.abs(p[:, 2]) < 170))
    rest = seat(piece_of(plate), wearer, Pose.of((6, -12, 9), (3, 2, -3))).rest
    assert rest.kind == "rests"  # pressed on by its straps
    assert rest.supports[0].gap_mm == pytest.approx(ROOM, abs=0.3)
    assert np.linalg.norm(rest.pose.apply(plate.vertices) - plate.vertices, axis=1).max() < 12.0


# --- on a limb --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("halves", [1, 2], ids=["closed", "in two halves"])
def test_a_bracer_on_a_hanging_arm_sits_where_it_follows_the_arm(halves):
    # The arm's radius grows from 30 to 50 over 200 mm; the bracer's inside is 8 mm larger from 60 to 140 up.
    arm = limb(30, 50, 200)
    bracer = sleeve(38 + 6, 38 + 14, 80)
    parts = [bracer] if halves == 1 else [kept(bracer, lambda p, s=s: s * p[:, 0] > 0) for s in (1, -1)]
    rest = seat(piece_of(*parts), arm, Pose.of((3, -2, 75))).rest
    assert rest.kind == "strapped"
    # Lower down it has more room: so far it goes, and no farther than a strap lets it.
    assert 60.0 - LEASH_MM < rest.pose.translation_mm[2] < 60.0 + 1.0
    np.testing.assert_allclose(rest.pose.translation_mm[:2], 0.0, atol=1.0)
    assert 8 * np.cos(np.arctan(0.1)) - ROOM - 0.1 < rest.free_mm < 8 + 0.1 * LEASH_MM - ROOM


def test_a_cuff_that_widens_downwards_sinks_until_its_girth_stops_it():
    # A thigh's radius falls from 80 at z = 0 to 60 at its top; a cuisse of radius 75 all along stops where it has 75.
    thigh = limb(80, 60, 200)
    rest = seat(piece_of(sleeve(75, 75, 60)), thigh, Pose.of((2, 1, 120))).rest
    assert rest.kind == "girth"
    # radius + room / cos = 75 at its lower edge
    expected = (80 + ROOM / np.cos(np.arctan(0.1)) - 75) / 0.1
    assert rest.pose.translation_mm[2] == pytest.approx(expected, abs=3.0)


LEG = limb(40, 60, 240)
GREAVE = sleeve(40 + 10 + 4, 40 + 10 + 18, 140)  # 10 mm off from 40 to 180 up


@given(st.floats(25, 55), st.floats(5, 60), st.floats(0, 100))
@settings(max_examples=2, deadline=None)
def test_a_greave_with_less_material_never_fits_worse(half_deg, more_deg, hole):
    def open_behind(half: float, cut: float) -> TriangleMesh:
        def rule(p):
            behind = np.degrees(np.abs(np.arctan2(p[:, 0], p[:, 1]))) < half
            return ~behind & ~((np.abs(p[:, 0]) < 15) & (p[:, 1] < 0) & (p[:, 2] > 20) & (p[:, 2] < 20 + cut))

        return kept(GREAVE, rule)

    start = Pose.of((4, 3, 60))
    more = seat(piece_of(open_behind(half_deg, 0.0)), LEG, start).rest
    less = seat(piece_of(open_behind(half_deg + more_deg, hole)), LEG, start).rest
    assert less.free_mm > more.free_mm - 0.6
    for rest in (more, less):
        assert rest.pose.translation_mm[2] == pytest.approx(40.0, abs=20.0)  # and not 90 mm too high


def test_less_of_a_helmet_never_fits_worse(head):
    whole = armoury.mesh_of(armoury.FAMILIES["open"], 96, 48).scaled(1.05)
    before = Seater(piece_of(whole), head).seat()
    cut = kept(whole, lambda p: (np.abs(p[:, 0]) < 60) | (p[:, 2] > 20) | (np.abs(p[:, 1]) > 25))  # at the ears
    after = Seater(piece_of(cut), head).seat()
    assert after.free_mm > before.free_mm - 0.1


def test_a_slotted_greave_is_not_turned_about_the_leg_nor_left_where_it_cuts_in():
    # The leg's radius grows from 20 to 77 over 570 mm; the greave's inside is 8 mm larger from 210 to 390 up, and open
    # behind. Its file holds it at 330, where it would touch at 290 and cuts in by 4 mm.
    leg = limb(20, 77, 570)
    greave = kept(sleeve(41 + 8, 59 + 8, 180), lambda p: (p[:, 1] < 0) | (np.abs(p[:, 0]) > 25))
    rest = seat(piece_of(greave), leg, Pose.of((0, 0, 330))).rest
    turn = np.degrees(np.arctan2(rest.pose.rotation[1, 0], rest.pose.rotation[0, 0]))
    assert rest.kind == "strapped" and abs(turn) < 20.5
    assert 210.0 - LEASH_MM < rest.pose.translation_mm[2] < 291.0 and rest.free_mm > -ROOM


def test_an_open_bracer_too_narrow_for_the_hand_is_tied_above_it(tmp_path):
    # Inside it measures 61 mm at the wrist and 90 to 97 at the elbow; the wrist is about 56 mm thick, the forearm 95,
    # the hand about 68 over its knuckles. Its file holds it at the origin, where the card's arm has its hand.
    card = """card = 1
name = "Ben"
sex = "m"
unit = "mm"
form = "left arm"
[readings]
forearm_circumference_flexed = 300
wrist_circumference = 175
hand_circumference = 215
"""
    (tmp_path / "ben.toml").write_text(card, encoding="utf-8")
    arm = wearer_of_card(tmp_path / "ben.toml").wearer
    bracer = kept(sleeve(30.5, 45, 160).scaled([1.0, 1.08, 1.0]), lambda p: (p[:, 1] < 0) | (np.abs(p[:, 0]) > 14))
    found = seat(piece_of(bracer), arm)
    assert found.rest.kind == "strapped" and found.rest.free_mm > -2.0
    names = arm.form.region_names
    hand = arm.form.region_of_triangle == names.index("hand_left")
    assert found.rest.pose.translation_mm[2] > arm.form.mesh.corners[hand].reshape(-1, 3)[:, 2].mean()


def test_a_slotted_piece_is_not_turned_even_where_that_would_follow_the_limb_better():
    # Leg and greave are oval, a quarter turn apart: evenness alone would open the greave at the side.
    leg = limb(50, 50, 300)
    oval = replace(leg, form=Form(leg.form.mesh.scaled([1.15, 0.85, 1.0])))
    greave = kept(sleeve(60, 60, 150).scaled([0.85, 1.15, 1.0]), lambda p: (p[:, 1] < 0) | (np.abs(p[:, 0]) > 25))
    turn = seat(piece_of(greave), oval, Pose.of((0, 0, 80))).rest.pose.rotation
    assert abs(np.degrees(np.arctan2(turn[1, 0], turn[0, 0]))) < 20.5


def test_a_mask_with_eyes_is_worn_on_the_face_as_drawn_though_it_is_deep(head):
    bowl = shapes.ellipsoid((85, 100, 120), 128)
    mask = kept(bowl, lambda p: (p[:, 1] < -30) & (p[:, 2] > -95) & (p[:, 2] < 70))
    mask = kept(mask, lambda p: (np.abs(np.abs(p[:, 0]) - 32) > 18) | (np.abs(p[:, 2]) > 12))
    mask = kept(mask, lambda p: (np.abs(p[:, 0]) > 22) | (np.abs(p[:, 2] + 62) > 8))
    rest = seat(piece_of(mask), head).rest
    assert rest.kind == "rests" and np.degrees(np.arccos(rest.pose.rotation[2, 2])) < 12


def test_a_helmet_in_another_unit_is_no_matter_of_doubt(head):
    # At a 25th of its size it lies on the crown, within the form by no more than its own height: well within the doubt.
    form = replace(head.form, spread_mm=dict.fromkeys(head.form.region_names, 9.0))
    tiny = piece_of(armoury.mesh_of(armoury.FAMILIES["open"], 96, 48).scaled(0.04))
    found = seat(tiny, replace(head, form=form))
    assert found.rest.kind == "stops" and found.rest.far_too_small
    assert ClearanceResult(found.clearance, "W", True, found.rest).status is Status.FAIL
