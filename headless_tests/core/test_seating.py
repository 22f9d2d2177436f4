# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a piece is worn: closed forms of rest, squareness under turned files, heads and generated helmets."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import armoury
import numpy as np
import pytest
import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from seat_pictures import keep, seat

from arming_cap.core.errors import InputError
from arming_cap.core.fit.seat.search import PITCH_DEG
from arming_cap.core.fit.seat.seating import Seater
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import PADDING_MM, Form, Wearer
from arming_cap.core.wearer.headform import form_from_dimensions

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))
import measure_seats

HAIR = {
    "default": 6.0,
    **{f"{name}_{side}": room for side in ("left", "right") for name, room in (("ear", -3.0), ("neck", 0.0))},
    **{f"{name}_{side}": 0.0 for side in ("left", "right") for name in ("shoulder", "face", "jaw")},
    **{"throat": 0.0, "nape": 2.0, "nose": 0.0, "chin": 0.0},
}


def piece_of(mesh: TriangleMesh) -> Piece:
    return Piece("piece", (Part("piece", mesh),))


def ball(radius: float, room: float = 0.0) -> Wearer:
    return Wearer("ball", Form(shapes.sphere(radius, 64)), {"default": room})


@pytest.fixture(scope="module")
def wearer() -> Wearer:
    return Wearer("570", form_from_dimensions({"head_circumference": (570.0, 3.0)}), HAIR)


# --- closed forms -----------------------------------------------------------------------------------------------------


@given(st.floats(55, 90), st.floats(0, 12), st.floats(2, 25))
@settings(max_examples=3, deadline=None)
def test_a_cap_rests_on_the_top_of_a_ball_with_the_room_that_was_asked(radius, room, larger):
    # The inside of radius R touches the ball grown to r + a at its top: the gap there is a, whatever the radii.
    cap = shapes.dome(radius + room + larger, radius + room + larger + 4, 0.0, 64, 24)
    rest = seat(piece_of(cap), ball(radius, room), Pose.of((4.0, -3.0, 12.0))).rest
    assert rest.kind == "rests"
    top = rest.pose.apply(np.array([[0.0, 0.0, radius + room + larger]]))[0]
    assert np.linalg.norm(top) == pytest.approx(radius + room, abs=0.15)
    assert rest.supports[0].gap_mm == pytest.approx(room, abs=0.1)


@pytest.mark.parametrize("short", [1.0, 15.0])
def test_a_cap_that_is_too_small_stops_where_the_sphere_of_its_radius_does(short):
    # A half ball of radius R on a ball of radius r + a > R: its rim stops sqrt((r + a)^2 - R^2) above the middle. What
    # it lacks is what its rim lacks at rest, where its upper half, 30 degrees up and above, just touches: the middle is
    # then h up, (r + a)^2 = R^2 + h^2 + R h.
    radius, room = 80.0, 5.0
    inside = radius + room - short
    found = seat(piece_of(shapes.dome(inside, inside + 4, 0.0, 192, 64)), ball(radius, room))
    assert found.rest.kind == "stops"
    rim = found.pose.apply(np.zeros((1, 3)))[0][2]
    assert rim == pytest.approx(np.sqrt((radius + room) ** 2 - inside**2), rel=0.05)
    up = 0.5 * (np.sqrt(inside**2 + 4 * ((radius + room) ** 2 - inside**2)) - inside)
    assert found.rest.short_mm == pytest.approx(radius + room - np.hypot(inside, up), rel=0.05, abs=0.1)
    assert found.margin_mm == pytest.approx(-found.rest.short_mm, abs=0.1)


def test_an_ellipsoidal_dome_rests_on_an_ellipsoid_alike():
    # Half-axes 70, 85, 95 grown by a factor: the dome of 1.1 of them touches at the top, square and centred.
    egg = Wearer("egg", Form(shapes.ellipsoid((70, 85, 95), 128)))
    dome = shapes.dome(1.0, 1.04, 0.0, 128, 64)
    dome = TriangleMesh(dome.vertices * [77, 93.5, 104.5], dome.triangles, "dome")
    rest = seat(piece_of(dome), egg, Pose.of((6.0, -5.0, 9.0), (6.0, -4.0, 0.0))).rest
    assert rest.kind == "rests"
    np.testing.assert_allclose(rest.pose.translation_mm, [0, 0, 95 - 104.5], atol=0.4)
    np.testing.assert_allclose(rest.pose.rotation_deg[:2], 0, atol=1.0)


def test_a_lidded_tube_stands_on_a_capsule():
    # The lid, level, touches the top of the round end.
    length, radius = 60.0, 40.0
    t = np.linspace(-np.pi / 2, np.pi / 2, 33)
    profile = [(radius * np.cos(a), radius * np.sin(a) + (length if a > 0 else -length)) for a in t]
    profile[0], profile[-1] = (0.0, profile[0][1]), (0.0, profile[-1][1])
    capsule = Wearer("capsule", Form(shapes.revolved(profile, 96)), {"default": 3.0})
    lidded = shapes.revolved([(52, 0), (55, 0), (55, 103), (0, 103), (0, 100), (52, 100), (52, 0)], 96)
    rest = seat(piece_of(lidded), capsule, Pose.of((0, 0, 10))).rest
    lid = rest.pose.apply(np.array([[0.0, 0.0, 100.0]]))[0][2]
    assert lid == pytest.approx(length + radius + 3.0, abs=0.2)
    assert rest.free_mm == pytest.approx(52 - 43, abs=0.3)


def test_a_ring_sinks_on_a_cone_until_its_girth_stops_it():
    # A cone of half-angle b, apex up, grown by a: a ring of radius R sits where the grown cone has that radius. The
    # grown cone is the cone raised by a / sin b, so the ring stops R / tan b below its apex.
    half, height, room, inside = np.radians(15.0), 400.0, 4.0, 60.0
    cone = shapes.revolved([(0, -height), (height * np.tan(half), -height), (0, 0)], 192)
    wearer = Wearer("cone", Form(cone), {"default": room})
    ring = shapes.tube(inside, inside + 4, 6.0, 192)
    rest = seat(piece_of(ring), wearer, Pose.of((3.0, -2.0, -205.0))).rest
    assert rest.kind == "girth"
    expected = room / np.sin(half) - inside / np.tan(half)
    # It sinks until its lower edge touches.
    assert rest.pose.translation_mm[2] == pytest.approx(expected, abs=2.0)
    np.testing.assert_allclose(rest.pose.translation_mm[:2], 0, atol=1.0)


def test_a_mask_lies_against_a_ridge(wearer):
    # A flat plate with a rim before the face: what lies highest of it, the nose, carries it.
    x, z = np.meshgrid(np.linspace(-60, 60, 41), np.linspace(-70, 50, 41))
    bowl = 0.0035 * (x**2 + 0.6 * z**2)
    points = np.stack([x, -bowl.max() + bowl, z], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(40), np.arange(40), indexing="ij")
    a = (i * 41 + j).ravel()
    mask = TriangleMesh(points, np.concatenate([np.stack([a, a + 1, a + 42], 1), np.stack([a, a + 42, a + 41], 1)]))
    found = seat(piece_of(mask), wearer)
    assert found.rest.kind == "rests"
    assert found.rest.supports[0].region.startswith(("nose", "face", "forehead", "jaw", "chin"))
    assert found.rest.supports[0].gap_mm == pytest.approx(wearer.allowance(found.rest.supports[0].region), abs=0.3)
    assert found.pose.translation_mm[0] == pytest.approx(0.0, abs=0.5)


# --- heads and helmets ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def brimmed(wearer):
    seater = Seater(armoury.piece_of(armoury.BRIMMED), wearer)
    return {scale: seater.seat(scale) for scale in (1.0, 1.02, 1.04, 1.06, 1.1, 1.2)}


def test_a_brimmed_helmet_sits_upright_and_square_at_every_scale(brimmed):
    for rest in brimmed.values():
        assert abs(rest.off_level_deg) <= PITCH_DEG
        np.testing.assert_allclose(rest.pose.rotation_deg[1:], 0, atol=0.5)
        assert rest.pose.translation_mm[0] == pytest.approx(0, abs=0.5)


def test_its_room_grows_with_the_scale_and_it_never_hovers(brimmed, wearer):
    free = [rest.free_mm for rest in brimmed.values()]
    assert free == sorted(free)
    for rest in brimmed.values():
        if rest.kind == "rests":
            assert rest.supports
            gaps = [s.gap_mm - wearer.allowance(s.region) for s in rest.supports]
            # What carries it stands on its padding and on no air: as far off as it was lifted, less where it leans.
            assert 0.45 * rest.padding_mm - 0.3 <= min(gaps) <= rest.padding_mm + 0.3
            assert rest.padding_mm <= PADDING_MM
        else:
            assert rest.short_mm > 0
    assert brimmed[1.0].kind == "stops"
    assert brimmed[1.1].kind == "rests"


TURNS = [
    Pose.of((0, 0, 0), lying).then(Pose.of((31, -22, 17), turn))
    for lying, turn in (((90, 0, 0), (0, 0, 0)), ((0, 0, 0), (21, -14, 28)), ((0, 270, 0), (-26, 9, -17)))
]


@pytest.mark.parametrize("family", ["nasal", "closed", "open"])
def test_a_turned_file_has_the_same_seat(wearer, family):
    helmet = armoury.drawn(0, family)
    mesh = armoury.mesh_of(helmet, 96, 48)
    drawn = Seater(piece_of(mesh), wearer)
    rest = drawn.seat()
    for turn in TURNS[:: 1 if family == "closed" else 2]:
        turned = Seater(piece_of(mesh.moved(turn)), wearer).seat()
        moved, angle = measure_seats.differs(rest.pose, turned.pose, turn, drawn.attitude.middle, helmet.alike)
        assert (turned.kind, moved < 0.5, angle < 0.5) == (rest.kind, True, True)


@pytest.mark.parametrize("helmet", [armoury.uneven(1, "open"), armoury.drawn(0, "cheeks")], ids=["slanted", "cheeks"])
def test_what_nobody_could_tell_is_asked_for(wearer, helmet):
    # A rim that is not level, or none: lying square the file says what is level, turned about it says nothing.
    mesh = armoury.mesh_of(helmet, 96, 48)
    Seater(piece_of(mesh.moved(TURNS[0])), wearer)
    for turn in TURNS[1:]:
        with pytest.raises(InputError, match="cannot tell how it is worn: which way is level") as found:
            Seater(piece_of(mesh.moved(turn)), wearer)
        assert found.value.remedy.startswith("turn it so that it stands upright")


def test_a_great_helm_is_padded_until_its_slit_is_at_the_eyes(wearer):
    rest = seat(armoury.piece_of(armoury.GREAT_HELM), wearer).rest
    slit = rest.pose.apply(np.array([[0.0, -115.0, -25.0]]))[0][2]
    assert slit == pytest.approx(wearer.form.landmarks["pupil_left"][2], abs=7.0)
    assert 0 < rest.padding_mm <= PADDING_MM
    without = Seater(armoury.piece_of(armoury.GREAT_HELM), replace(wearer, padding_mm=0.0)).seat()
    assert without.padding_mm == 0.0
    # It would sink past that and lacks room there, so it stops: near by, and not where nothing holds it.
    assert without.kind == "stops" and without.free_mm < 0 < rest.free_mm
    assert without.pose.translation_mm[2] == pytest.approx(rest.pose.translation_mm[2], abs=15.0)


def test_nothing_hurts_to_carry_it(wearer):
    # The nose bar would come to lie on the nose: no helmet is carried by it.
    for name in ("nasal", "closed", "cheeks"):
        rest = seat(armoury.piece_of(armoury.FAMILIES[name], 96, 48), wearer).rest
        if rest.kind == "rests":
            assert not {s.region for s in rest.supports} & {"nose", "chin", "ear_left", "ear_right"}


def test_less_material_never_fits_worse(wearer):
    whole = armoury.FAMILIES["cheeks"]
    least = -np.inf
    for face in (30.0, 45.0, 60.0):
        rest = seat(armoury.piece_of(replace(whole, face=face), 96, 48), wearer).rest
        assert rest.free_mm > least - 0.4
        least = rest.free_mm


@pytest.mark.parametrize("family", armoury.FAMILIES)
def test_every_family_sits_upright_and_square(wearer, family):
    piece = armoury.piece_of(replace(armoury.FAMILIES[family], lean=6.0, slant=3.0), 96, 48)
    rest = Seater(piece, wearer).seat(1.05)
    keep(piece, wearer, rest)
    assert abs(rest.off_level_deg) <= PITCH_DEG
    np.testing.assert_allclose(rest.pose.rotation_deg[1:], 0, atol=0.5)
    assert rest.pose.translation_mm[0] == pytest.approx(0, abs=0.5)
    assert rest.supports


@pytest.mark.parametrize(("family", "low"), [("open", 1.0), ("brimmed", 1.05), ("nasal", 1.01)])
def test_the_seat_moves_evenly_with_the_scale_and_its_room_hardly_falls(wearer, family, low):
    # Forty scales. Margins between samples, and between cells of the field, are good to some tenths.
    seater = Seater(armoury.piece_of(armoury.FAMILIES[family], 48, 24), wearer)
    rests = [seater.seat(scale) for scale in np.linspace(low, low + 0.15, 40)]
    middles = np.array([rest.pose.apply(rest.scale * seater.centre[None])[0] for rest in rests])
    assert {rest.kind for rest in rests} == {"rests"}
    assert np.linalg.norm(np.diff(middles, axis=0), axis=1).max() < 3.0
    assert np.abs(np.diff([rest.off_level_deg for rest in rests])).max() < 1.5
    free = np.array([rest.free_mm for rest in rests])
    assert (free > np.maximum.accumulate(free) - 0.25).all()


def test_a_nudge_hardly_moves_where_a_helmet_that_is_too_small_stops(wearer):
    # The inside is dented by up to 0.3 mm, alike on both sides. Held between brow and nape on walls about 17 degrees
    # from upright, it may stand 0.3 / tan 17 = 1 mm higher or lower, and as much for what its pitch gives; no more.
    mesh = armoury.mesh_of(armoury.FAMILIES["cheeks"], 96, 48)
    rng = np.random.default_rng(0)
    dent = np.sin((mesh.vertices * [0, 1, 1]) @ rng.normal(size=(3, 3)) / 25.0) * [0, 1, 1]
    dented = mesh.vertices + 0.3 * dent / np.linalg.norm(dent, axis=1).max()
    rests = [Seater(piece_of(one), wearer).seat(0.94) for one in (mesh, replace(mesh, vertices=dented))]
    for rest in rests:
        assert rest.kind == "stops"
        assert {"forehead", "occiput"} <= {support.region for support in rest.supports}  # by both, on the edge
    assert np.linalg.norm(np.subtract(*[rest.pose.translation_mm for rest in rests])) < 2.0


@pytest.mark.parametrize("family", ["open", "cheeks"])
def test_a_referee_finds_it_touching_and_unable_to_sink(wearer, family):
    # Open3D's signed distance, which shares no code with the seat: nothing is within the 6 mm that are kept all round,
    # something lies at them, and half a millimetre lower it is within.
    o3d = pytest.importorskip("open3d")
    even = replace(wearer, allowance_mm={"default": 6.0}, padding_mm=0.0)
    mesh = armoury.mesh_of(armoury.FAMILIES[family], 96, 48)
    rest = Seater(piece_of(mesh), even).seat(1.12)
    scene = o3d.t.geometry.RaycastingScene()
    form = wearer.form.mesh
    scene.add_triangles(form.vertices.astype(np.float32), form.triangles.astype(np.uint32))
    points = rest.pose.apply(1.12 * np.concatenate([mesh.vertices, mesh.corners.mean(axis=1)]))

    def least_at(drop: float) -> float:
        asked = o3d.core.Tensor((points - [0.0, 0.0, drop]).astype(np.float32))
        return float(scene.compute_signed_distance(asked).numpy().min())

    least, lower = least_at(0.0), least_at(0.5)
    assert rest.kind == "rests"
    assert least == pytest.approx(6.0, abs=0.3)
    assert lower < least - 0.2


def test_a_lopsided_piece_may_leave_the_middle(wearer):
    # A lump inside on one side: without a mirror plane it gives way to the other.
    mesh = armoury.mesh_of(armoury.FAMILIES["open"], 96, 48).scaled(1.1)
    lump = shapes.box((12, 60, 40), (88, 0, 20))
    rest = seat(piece_of(joined([mesh, lump])), wearer).rest
    assert rest.kind == "rests"
    assert rest.pose.translation_mm[0] > -6.0


def test_the_same_every_time(wearer):
    one, two = (seat(armoury.piece_of(armoury.FAMILIES["nasal"], 96, 48), wearer) for _ in range(2))
    np.testing.assert_array_equal(one.pose.rotation, two.pose.rotation)
    np.testing.assert_array_equal(one.pose.translation_mm, two.pose.translation_mm)


def test_an_answer_does_not_hang_on_those_before(wearer):
    seater = Seater(armoury.piece_of(armoury.FAMILIES["nasal"], 96, 48), wearer)
    seater.seat(1.2)
    again, fresh = seater.seat(1.05), Seater(armoury.piece_of(armoury.FAMILIES["nasal"], 96, 48), wearer).seat(1.05)
    np.testing.assert_allclose(again.pose.translation_mm, fresh.pose.translation_mm, atol=1e-9)


def test_an_unknown_freedom_is_named(wearer):
    with pytest.raises(InputError, match="no freedom 'tilt'"):
        seat(armoury.piece_of(armoury.FAMILIES["nasal"], 48, 24), wearer, pinned=("tilt",))
