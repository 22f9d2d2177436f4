# SPDX-License-Identifier: GPL-3.0-or-later
"""Sight against closed forms, the solid angle of a triangle, rays, and what must not matter."""

from __future__ import annotations

import dataclasses
import json
from functools import lru_cache
from pathlib import Path

import igl
import numpy as np
import pytest
import shapes
from hypothesis import example, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from scipy.integrate import quad

import arming_cap
from arming_cap.core.errors import Cancelled, InputError
from arming_cap.core.fit import meridians
from arming_cap.core.fit.sight import DEMANDS, OWN_FIELD, EyeView, Sight, View, eyes_of, judge_sight, look_out
from arming_cap.core.formats import read_mesh
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.verdict import Place, Status
from arming_cap.core.wearer.form import Form
from arming_cap.core.wearer.recognise import form_of

ORIGIN = np.zeros(3)
DEMO = shapes.DATA.parents[1] / "demo_scenes"


def piece_of(*meshes: TriangleMesh) -> Piece:
    return Piece("piece", tuple(Part(f"part {i}", m) for i, m in enumerate(meshes)))


def soup(corners) -> TriangleMesh:
    corners = np.asarray(corners, float).reshape(-1, 3)
    return TriangleMesh(corners, np.arange(len(corners)).reshape(-1, 3))


def windowed_box(x, z, ahead=50.0, half=100.0) -> TriangleMesh:
    """A box round the origin whose front, at y = -ahead, has the windows x[1]..x[2], x[3]..x[4], ... by z[1]..z[2]."""
    walls = shapes.box((2 * half, half + ahead, 2 * half), (0, (half - ahead) / 2, 0)).corners
    walls = walls[~np.isclose(walls[:, :, 1], -ahead).all(axis=1)]
    x, z = [-half, *x, half], [-half, *z, half]
    front = []
    for i in range(len(x) - 1):
        for k in range(len(z) - 1):
            if i % 2 == 1 and k == 1:
                continue
            a, b, c, d = ([x[p], -ahead, z[q]] for p, q in ((i, k), (i + 1, k), (i + 1, k + 1), (i, k + 1)))
            front += [[a, b, c], [a, c, d]]
    return soup(np.concatenate([walls, np.array(front)]))


def rectangle_sr(x0, x1, z0, z1, d) -> float:
    """Solid angle of a rectangle at distance d: the integral of d / (x² + z² + d²)^1.5, a sum over its corners."""

    def corner(x, z):
        return np.arctan2(x * z, d * np.sqrt(x * x + z * z + d * d))

    return corner(x1, z1) - corner(x0, z1) - corner(x1, z0) + corner(x0, z0)


def holed_sphere(radius_deg, segments, rings=60, turn=None) -> TriangleMesh:
    """A sphere of radius 80 round the origin with a hole of angular radius `radius_deg` about -Y, then turned."""
    polar = np.linspace(np.radians(radius_deg), np.pi, rings)
    profile = 80 * np.stack([np.sin(polar), np.cos(polar)], axis=1)
    profile[-1, 0] = 0.0
    mesh = shapes.revolved(profile[::-1], segments)
    to_front = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])  # +Z to -Y
    points = mesh.vertices @ to_front.T
    return TriangleMesh(points if turn is None else points @ turn.T, mesh.triangles)


def polygon_sr(radius_deg, sides) -> float:
    """Solid angle of a regular spherical polygon of given circumradius, by the excess of its isosceles triangles."""
    t, c = np.tan(np.radians(radius_deg) / 2) ** 2, 2 * np.pi / sides
    return sides * 2 * np.arctan2(t * np.sin(c), 1 + t * np.cos(c))


def triangle_sr(corners) -> float:
    """Solid angle of a triangle at the origin: van Oosterom and Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125."""
    a, b, c = corners
    la, lb, lc = np.linalg.norm(corners, axis=1)
    return abs(2 * np.arctan2(a @ np.cross(b, c), la * lb * lc + (a @ b) * lc + (b @ c) * la + (c @ a) * lb))


@pytest.mark.parametrize(
    ("x", "z"), [((-40, 70), (-20, 30)), ((-5, 5), (-99, 99)), ((-30, 30), (-30, 30)), ((-1, 80), (-60, 2))]
)
@pytest.mark.parametrize("eye", [(0, 0, 0), (0, 0, 1623.7)])
def test_a_window_in_a_box_in_closed_form(x, z, eye):
    box = windowed_box(x, z)
    found = look_out(piece_of(TriangleMesh(box.vertices + np.array(eye), box.triangles)), eye, eye)
    for view, nasal, temporal in ((found.piece.left, -x[0], x[1]), (found.piece.right, x[1], -x[0])):
        wanted = np.degrees(np.arctan2([nasal, temporal, z[1], -z[0]], 50))
        np.testing.assert_allclose(view.limits_deg, wanted, rtol=0, atol=1e-9)
        np.testing.assert_allclose(view.outermost_deg, wanted, rtol=0, atol=1e-9)
        assert view.open_sr == pytest.approx(rectangle_sr(*x, *z, 50), abs=1e-4)
        assert abs(view.open_sr - rectangle_sr(*x, *z, 50)) <= view.tolerance_sr
    width = np.degrees(np.arctan2(-x[0], 50) + np.arctan2(x[1], 50))
    assert found.piece.either_eye_deg == pytest.approx(width)
    assert found.stops["left"].at == pytest.approx((eye[0] + x[1], eye[1] - 50, eye[2]))
    assert found.stops["up"].at == pytest.approx((eye[0], eye[1] - 50, eye[2] + z[1]))


def test_two_eyes_behind_one_window():
    # The window 100 wide and 60 high at 50, the eyes 64 apart: each eye's limits and what both see, by hand.
    found = look_out(piece_of(windowed_box((-50, 50), (-30, 30))), (32, 0, 0), (-32, 0, 0)).piece
    temporal, nasal = np.degrees(np.arctan2([18, 82], 50))
    assert found.left.limits_deg[:2] == pytest.approx((nasal, temporal))
    assert found.right.limits_deg[:2] == pytest.approx((nasal, temporal))
    assert found.both_eyes_deg == pytest.approx(2 * temporal)
    assert found.either_eye_deg == pytest.approx(2 * nasal)


@pytest.mark.parametrize("radius", [10.0, 35.0, 90.0, 150.0])
def test_a_round_hole_in_a_sphere_in_closed_form(radius):
    view = look_out(piece_of(holed_sphere(radius, 512)), ORIGIN, ORIGIN).piece.left
    assert view.open_sr == pytest.approx(polygon_sr(radius, 512), abs=2e-5)
    assert view.open_sr == pytest.approx(2 * np.pi * (1 - np.cos(np.radians(radius))), rel=2e-4)
    assert view.limits_deg == pytest.approx([radius] * 4, abs=1e-9)  # a corner of the polygon lies on each meridian


@pytest.mark.parametrize(("about_x", "about_z"), [(20, 15), (-70, 40), (100, 0), (0, 180)])
def test_where_the_hole_is_does_not_change_its_solid_angle(about_x, about_z):
    (cx, sx), (cz, sz) = ((np.cos(a), np.sin(a)) for a in np.radians((about_x, about_z)))
    turn = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]]) @ np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    view = look_out(piece_of(holed_sphere(30, 360, turn=turn)), ORIGIN, ORIGIN).piece.left
    assert view.open_sr == pytest.approx(polygon_sr(30, 360), abs=3e-4)
    # How far the hole's middle lies from straight ahead tells whether straight ahead is covered.
    assert view.ahead_blocked == ((turn @ [0, -1, 0]) @ [0, -1, 0] < np.cos(np.radians(30)))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=9, max_size=9))
@example([0.0, 0.0, 1.0, 0.21875, 0.0, 0.75, 0.0, 1.0, 0.0])  # a corner straight behind
def test_a_lone_triangle_hides_its_solid_angle(numbers):
    corners = np.array(numbers).reshape(3, 3)
    distance = abs(np.linalg.det(corners)) / max(np.linalg.norm(np.cross(*np.diff(corners, axis=0))), 1e-9)
    if distance < 0.5:  # the eye in the triangle's plane: whether it is inside is rounding
        return
    view = look_out(piece_of(soup(corners)), ORIGIN, ORIGIN).piece.left
    assert view.open_sr == pytest.approx(4 * np.pi - triangle_sr(corners), abs=max(view.tolerance_sr, 1e-4))


def test_nothing_in_the_way():
    thread = soup([[[-90, -30, 0], [90, -30, 0], [0, -30, 0]], [[0, -9, 9], [0, -9, 9], [9, -9, -9]]])  # without area
    found = look_out(piece_of(thread), (30, 0, 0), (-30, 0, 0))
    for view in (found.piece.left, found.piece.right):
        assert view.open_sr == pytest.approx(4 * np.pi)
        assert view.limits_deg == view.outermost_deg == (180.0,) * 4
    assert found.piece.open_fraction == found.seen.open_fraction == 1.0
    assert found.seen.left.limits_deg == pytest.approx(tuple(OWN_FIELD.values()))
    # Spector 1990: 100 to the temple and 60 to the nose, so 120 with both eyes and 200 in all.
    assert found.seen.both_eyes_deg == pytest.approx(120.0)
    assert found.seen.either_eye_deg == pytest.approx(200.0)
    assert found.stops["left"] == Place()
    assert judge_sight(found).status is Status.PASS


def test_the_own_field_by_quadrature():
    def edge(angle):
        across = OWN_FIELD["temporal" if np.cos(angle) > 0 else "nasal"]
        upright = OWN_FIELD["up" if np.sin(angle) > 0 else "down"]
        return np.radians(1 / np.hypot(np.cos(angle) / across, np.sin(angle) / upright))

    quarters = np.arange(4) * np.pi / 2
    wanted = sum(quad(lambda a: 1 - np.cos(edge(a)), q, q + np.pi / 2)[0] for q in quarters)
    found = look_out(piece_of(shapes.box((1, 1, 1), (0, 5000, 0))), ORIGIN, ORIGIN).seen
    assert found.left.open_sr == pytest.approx(wanted, abs=1e-4)
    assert found.right.open_sr == pytest.approx(wanted, abs=1e-4)


def test_a_bar_ends_the_limit_and_what_lies_beyond_is_told():
    # Open 5 to each side, a bar 10 wide, then open again as far as 60.
    found = look_out(piece_of(windowed_box((-60, -15, -5, 5, 15, 60), (-30, 30))), ORIGIN, ORIGIN)
    assert found.piece.left.temporal_deg == pytest.approx(np.degrees(np.arctan2(5, 50)))
    assert found.piece.left.outermost_deg[1] == pytest.approx(np.degrees(np.arctan2(60, 50)))
    verdict = judge_sight(found)
    assert verdict.status is Status.FAIL
    assert "past what is in the way" in verdict.why


def test_straight_ahead_covered_gives_limits_of_nought_and_says_so():
    # A nose bar before the right eye only.
    found = look_out(piece_of(windowed_box((-90, -36, -28, 90), (-80, 80))), (32, 0, 0), (-32, 0, 0))
    assert found.piece.right.ahead_blocked
    assert not found.piece.left.ahead_blocked
    assert found.piece.right.limits_deg == (0.0,) * 4
    assert found.piece.both_eyes_deg == 0.0
    assert found.piece.right.open_sr > 1.0
    assert len(found.warnings) == 1
    assert "right eye" in found.warnings[0]


@lru_cache
def helm(name: str) -> tuple[Piece, np.ndarray, np.ndarray]:
    """A piece of the demo production before the eyes of its wearer."""
    form = form_of(read_mesh(DEMO / "wearers" / "tovi_head.ply").mesh)
    mesh = read_mesh(DEMO / "pieces" / f"{name}.ply").mesh
    return piece_of(TriangleMesh(mesh.vertices * 0.9, mesh.triangles)), *eyes_of(form)


@pytest.mark.parametrize("name", ["heron_helm", "pike_helm"])
def test_rays_agree(name):
    """Referee: libigl's ray and tree, which share nothing with the way this is found."""
    piece, left, right = helm(name)
    found = look_out(piece, left, right).piece
    tree, mesh = igl.AABB(), piece.mesh
    tree.init(mesh.vertices, mesh.triangles)

    def open_to(eye, rays) -> np.ndarray:
        origins = np.broadcast_to(eye, rays.shape).copy()
        return tree.intersect_ray_first(mesh.vertices, mesh.triangles, origins, rays)[0] < 0

    directions = np.random.default_rng(7).normal(size=(20_000, 3))
    for eye, view, side in ((left, found.left, 1), (right, found.right, -1)):
        share = open_to(eye, directions).mean()
        deviation = np.sqrt(share * (1 - share) / len(directions))
        assert view.open_sr / (4 * np.pi) == pytest.approx(share, abs=4 * deviation)
        ways = [(-side, 0, 0), (side, 0, 0), (0, 0, 1), (0, 0, -1)]
        for limit, way in zip(view.limits_deg, ways):
            fine = np.radians(np.concatenate([np.linspace(0.01, limit - 0.01, 60), [limit + 0.01]]))
            rays = np.cos(fine)[:, None] * [0, -1, 0] + np.sin(fine)[:, None] * np.array(way)
            seen = open_to(eye, rays)
            if limit > 0.1:
                assert seen[:-1].all(), (limit, way)
            assert limit == 180.0 or not seen[-1], (limit, way)


def same(one: Sight, other: Sight) -> None:
    for a, b in ((one.piece, other.piece), (one.seen, other.seen)):
        for p, q in ((a.left, b.left), (a.right, b.right)):
            assert p.limits_deg == pytest.approx(q.limits_deg, abs=1e-7)
            assert p.open_sr == pytest.approx(q.open_sr, abs=1e-7)
        assert a.open_fraction == pytest.approx(b.open_fraction, abs=1e-8)


def test_a_dirty_mesh_is_seen_as_the_clean_one(monkeypatch):
    piece, left, right = helm("heron_helm")
    mesh = piece.mesh
    clean = look_out(piece, left, right)
    rng = np.random.default_rng(3)
    order = rng.permutation(len(mesh))
    corners = mesh.corners[order]
    flipped = np.where(rng.random(len(mesh))[:, None, None] < 0.5, corners, corners[:, ::-1])
    # A thread without area across the view, seen by nobody; every tenth triangle twice; nothing welded.
    thread = [[left + [-60, -30, 0.1], left + [60, -30, 0.1], left + [0, -30, 0.1]], [left + [0, -30, 0.2]] * 3]
    dirty = soup(np.concatenate([flipped, flipped[::10], np.array(thread)]))
    same(clean, look_out(piece_of(dirty), left, right))
    # Nor do the parts it comes in, or the size of a chunk.
    half = len(mesh) // 2
    monkeypatch.setattr(meridians, "_CHUNK", 999)
    same(clean, look_out(piece_of(mesh.submesh(np.arange(half)), mesh.submesh(np.arange(half, 2 * half))), left, right))


def test_what_ends_the_view_is_named():
    box = windowed_box((-60, 60), (-60, 60))
    flap = soup([[[20, -49, -60], [60, -49, -60], [60, -49, 60]], [[20, -49, -60], [60, -49, 60], [20, -49, 60]]])
    found = look_out(piece_of(box, flap), ORIGIN, ORIGIN)
    assert found.stops["left"].part == "part 1"
    assert found.stops["left"].at == pytest.approx((20, -49, 0))
    assert {found.stops[way].part for way in ("right", "up", "down")} == {"part 0"}
    off = look_out(piece_of(box, flap).without(["part 1"]), ORIGIN, ORIGIN)
    assert off.piece.left.temporal_deg > found.piece.left.temporal_deg
    assert off.piece.open_fraction > found.piece.open_fraction


def test_points_on_the_axis_to_the_last_sign_of_nought():
    # A closed box whose faces' middles are vertices: straight ahead and straight behind lie on them exactly.
    for turn in range(4):
        quarter = np.linalg.matrix_power(np.array([[0, 0, -1], [0, 1, 0], [1, 0, 0]]), turn)
        rim = np.array([[-1, 0, -1], [1, 0, -1], [1, 0, 1], [-1, 0, 1]]) @ quarter.T
        fan = [[[0.0, y, 0.0], a * 20 + [0, y, 0], b * 20 + [0, y, 0]]
               for y in (-20.0, 20.0) for a, b in zip(rim, np.roll(rim, -1, axis=0))]  # fmt: skip
        found = look_out(piece_of(soup(fan)), ORIGIN, ORIGIN).piece.left
        assert found.ahead_blocked
        # Two of a cube's six faces.
        assert found.open_sr == pytest.approx(4 * np.pi * 4 / 6, abs=1e-4)
        assert found.outermost_deg == pytest.approx((135.0,) * 4)


def test_a_mirrored_piece_swaps_the_eyes():
    piece, left, right = helm("heron_helm")
    cut = piece.mesh.submesh(piece.mesh.corners[:, :, 0].mean(axis=1) < left[0])  # no longer symmetric
    mirror = np.array([-1.0, 1.0, 1.0])
    one = look_out(piece_of(cut), left, right).piece
    other = look_out(piece_of(TriangleMesh(cut.vertices * mirror, cut.triangles)), right * mirror, left * mirror).piece
    for a, b in ((one.left, other.right), (one.right, other.left)):
        assert a.limits_deg == pytest.approx(b.limits_deg, abs=1e-9)
        assert a.open_sr == pytest.approx(b.open_sr, abs=1e-9)
    assert one.open_fraction == pytest.approx(other.open_fraction, abs=1e-9)
    assert one.left.limits_deg != pytest.approx(one.right.limits_deg, abs=1.0)


coordinate = st.floats(-60, 60)


@settings(max_examples=25, deadline=None)
@given(st.lists(coordinate, min_size=9, max_size=36), st.floats(0.2, 5))
def test_more_in_the_way_never_opens_the_view_and_size_does_not_matter(numbers, scale):
    box = windowed_box((-60, 60), (-60, 60))
    extra = soup(np.array(numbers[: len(numbers) // 9 * 9]))
    eyes = (np.array([31.0, 0.5, 0.25]), np.array([-31.0, 0.5, 0.25]))
    before, after = (look_out(piece_of(m), *eyes) for m in (box, joined([box, extra])))
    for a, b in ((before.piece, after.piece), (before.seen, after.seen)):
        for p, q in ((a.left, b.left), (a.right, b.right)):
            assert (np.array(q.limits_deg) <= np.array(p.limits_deg) + 1e-9).all()
            assert q.open_sr <= p.open_sr + 1e-9
        assert b.open_fraction <= a.open_fraction + 1e-9
    assert judge_sight(after).status.severity >= judge_sight(before).status.severity
    same(after, look_out(piece_of(joined([box, extra]).scaled(scale)), *(e * scale for e in eyes)))


@pytest.mark.parametrize("letter", ["a", "b"])
def test_a_real_face_sees_about_what_is_published(letter):
    # Spector 1990 limits the field by the retina and the face together: no bare face may cut it by more than a tenth.
    form = form_of(shapes.body(letter))
    left, right = eyes_of(form)
    assert 50 < left[0] - right[0] < 75  # Dodgson 2004: most adults' pupils are 50 to 75 apart
    found = look_out(piece_of(shapes.box((1, 1, 1), (0, 9000, 0))), left, right, form)
    assert found.seen.both_eyes_deg == pytest.approx(120, abs=12)
    assert found.seen.either_eye_deg == pytest.approx(200, abs=20)
    bare = look_out(piece_of(shapes.box((1, 1, 1), (0, 9000, 0))), left, right).seen
    assert 0.9 * bare.left.open_sr < found.seen.left.open_sr < bare.left.open_sr  # the nose and the cheek are there
    assert found.seen.open_fraction == 1.0


def test_eyes_that_were_not_recognised_must_be_given():
    with pytest.raises(InputError, match="--eyes X,Y,Z,X,Y,Z"):
        eyes_of(Form(shapes.sphere(80)))


@pytest.mark.parametrize("eyes", [((-30, 0, 0), (30, 0, 0)), ((np.nan, 0, 0), (0, 0, 0)), ((1, 2), (0, 0, 0))])
def test_eyes_that_cannot_be_are_refused(eyes):
    with pytest.raises(InputError, match="eye"):
        look_out(piece_of(shapes.box()), *eyes)


def test_it_can_be_stopped_and_tells_how_far_it_is():
    told: list[float] = []
    look_out(piece_of(shapes.sphere(80, 64)), ORIGIN, ORIGIN, progress=lambda fraction, _: told.append(fraction))
    assert told == sorted(told)
    assert told[-1] == 1.0

    def stop(fraction: float, text: str) -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        look_out(piece_of(shapes.sphere(80, 64)), ORIGIN, ORIGIN, progress=stop)


def sight_of(across=60.0, up=40.0, down=50.0, right_eye_open=True) -> Sight:
    eye = EyeView(across, across, up, down, 1.0, 0.0, (across, across, up, down))
    view = View(eye, eye if right_eye_open else EyeView(0, 0, 0, 0, 1.0, 0.0, (0, 0, 0, 0)), 0.5)
    return Sight(view, view, {way: Place(part=way) for way in ("left", "right", "up", "down")})


@pytest.mark.parametrize(
    ("given", "status", "way"),
    [
        ({}, Status.PASS, "from side to side"),
        ({"across": 59.9}, Status.MARGINAL, "from side to side"),
        ({"across": 24.0, "up": 20.0}, Status.MARGINAL, "from side to side"),
        ({"across": 23.9}, Status.FAIL, "from side to side"),
        ({"up": 19.9}, Status.MARGINAL, "upwards"),
        ({"up": 9.9}, Status.FAIL, "upwards"),
        ({"down": 44.9}, Status.MARGINAL, "downwards"),
        ({"down": 19.9}, Status.FAIL, "downwards"),
        ({"right_eye_open": False}, Status.MARGINAL, "from side to side"),
    ],
)
def test_the_verdict_and_its_reason(given, status, way):
    verdict = judge_sight(sight_of(**given))
    assert verdict.status is status
    assert way in verdict.why
    assert way in verdict.requirement
    assert bool(verdict.mend) == (status is not Status.PASS)
    assert verdict.number is not None
    demand = next(d for d in DEMANDS if f"{d.pass_from_deg:.0f}°" in verdict.requirement)
    assert demand.fail_below_deg < demand.pass_from_deg
    if given.get("right_eye_open", True):
        assert (verdict.number >= float(verdict.requirement.split()[2].rstrip("°"))) == (status is Status.PASS)


def test_both_eyes_covered_is_a_fail():
    closed = EyeView(0, 0, 0, 0, 2.0, 0.0, (80, 80, 50, 50))
    view = View(closed, closed, 0.9)
    verdict = judge_sight(dataclasses.replace(sight_of(), piece=view, seen=view))
    assert verdict.status is Status.FAIL
    assert verdict.number == 0.0


def test_the_document_keeps_the_contract():
    found = look_out(piece_of(windowed_box((-50, 50), (-30, 30))), (32, 0, 0), (-32, 0, 0)).as_dict()
    for view in (found, found["seen"]):
        assert {"left", "right", "both_eyes_deg", "open_fraction"} <= view.keys()
        for eye in (view["left"], view["right"]):
            assert {"nasal_deg", "temporal_deg", "up_deg", "down_deg", "open_sr"} <= eye.keys()
            assert 0 <= eye["open_sr"] <= 4 * np.pi
    schema = json.loads((Path(arming_cap.__file__).parent / "core/report/schema.json").read_text("utf-8"))
    said = json.loads(json.dumps(found, allow_nan=False))
    Draft202012Validator({"$ref": "#/$defs/sight_result", "$defs": schema["$defs"]}).validate(said)
