# SPDX-License-Identifier: GPL-3.0-or-later
"""What the passage's proof stands on: bounds that are never below what they bound, and mends that were tried."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import shapes

from arming_cap.core.distance.cover import cover
from arming_cap.core.distance.field import field_of
from arming_cap.core.distance.forest import Forest
from arming_cap.core.distance.margins import Margins
from arming_cap.core.distance.motion import least_along, moved, placement_of, pose_of
from arming_cap.core.fit.passage.bow import bowed
from arming_cap.core.fit.passage.donning import find_passage, take_off
from arming_cap.core.fit.passage.freedoms import Freedoms
from arming_cap.core.fit.passage.lift import seated, straight_lift
from arming_cap.core.fit.passage.mending import mends
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.fit.passage.subdivide import Subdivision
from arming_cap.core.fit.passage.weighing import weighed
from arming_cap.core.piece import Hinge, Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("ball", Form(shapes.sphere(80)))


def two_regions() -> Form:
    """An ellipsoid whose front gives 3 mm and whose back keeps 5 mm."""
    mesh = shapes.ellipsoid((60, 75, 90), 48)
    region = (mesh.corners.mean(axis=1)[:, 1] > 10).astype(np.int64)
    return Form(mesh, ("front", "back"), region)


def margins_of(form: Form) -> Margins:
    allowances = np.array([-3.0, 5.0]) if len(form.region_names) == 2 else np.zeros(1)
    return Margins(field_of(form), allowances[form.region_of_triangle])


@pytest.mark.parametrize("form", [two_regions(), BALL.form])
def test_a_cap_is_above_every_margin_within_reach(form):
    margins = margins_of(form)
    rng = np.random.default_rng(3)
    away = rng.normal(size=(400, 3))
    points = away / np.linalg.norm(away, axis=1, keepdims=True) * rng.uniform(30, 110, (400, 1))
    reach = rng.uniform(0.1, 12.0, 400)
    height, slope, bend, margin = margins.cap(points, reach)
    np.testing.assert_allclose(margins.exact(points)[0], margin, atol=1e-9)
    for _ in range(20):
        move = rng.normal(size=(400, 3))
        move *= (reach * rng.uniform(0, 1, 400) / np.linalg.norm(move, axis=1))[:, None]
        most = height + (slope * move).sum(axis=1) + bend * (move**2).sum(axis=1)
        assert (margins.exact(points + move)[0] <= most + 1e-6).all()


def test_what_lies_below_a_ball_lies_in_its_ball_and_in_its_box():
    tree = cover(shapes.revolved(np.array([[60.0, -40], [75, -10], [70, 30], [20, 60]]), 96))
    directions = np.random.default_rng(8).normal(size=(60, 3))
    below = {int(row): {int(row)} for row in tree.leaves}
    for row in range(len(tree.radii) - 1, -1, -1):  # children stand behind their parents
        if tree.leaf[row] < 0:
            below[row] = set().union(*(below[c] for c in range(tree.first[row], tree.first[row] + tree.count[row])))
    for row, leaves in below.items():
        corners = tree.corners[tree.leaf[list(leaves)]].reshape(-1, 3)
        assert (np.linalg.norm(corners - tree.centres[row], axis=1) <= tree.radii[row] + 1e-9).all()
        support = (tree.points(np.array([row]))[0] @ directions.T).max(axis=0)
        assert ((corners @ directions.T).max(axis=0) <= support + 1e-6).all()


def test_no_allowance_within_reach_is_beyond_what_the_lattice_says():
    margins = margins_of(two_regions())
    rng = np.random.default_rng(6)
    away = rng.normal(size=(2000, 3))
    points = away / np.linalg.norm(away, axis=1, keepdims=True) * rng.uniform(40, 110, (2000, 1))
    reach = rng.uniform(0.1, 12.0, 2000)
    highest, lowest = margins.highest(points, reach), margins.highest(points, reach, lowest=True)
    for _ in range(20):
        move = rng.normal(size=(2000, 3))
        move *= (reach * rng.uniform(0, 1, 2000) / np.linalg.norm(move, axis=1))[:, None]
        margin, standoff, _ = margins.exact(points + move)
        allowed = standoff - margin
        assert ((allowed <= highest + 1e-9) & (allowed >= lowest - 1e-9)).all()
    close = margins.allowed(points, np.abs(margins.exact(points)[1]), reach)
    assert ((close[1] <= highest) & (close[0] >= lowest)).all()
    assert 0.05 < (highest < margins.levels[-1]).mean()  # and it says something


def test_a_cap_is_flat_near_a_large_ball():
    # A ball of radius 80: at 10 mm off, moving 5 mm along the surface adds 5²/2(80 + 10) = 0.14 mm, not 5.
    margins = margins_of(BALL.form)
    height, slope, bend, _ = margins.cap(np.array([[90.0, 0.0, 0.0]]), np.array([5.0]))
    assert height[0] == pytest.approx(10.0, abs=0.2)
    assert abs(slope[0] @ [0, 1, 0]) < 0.05 and bend[0] * 25 < 0.4


def test_weighing_is_the_dual_of_a_linear_program():
    optimize = pytest.importorskip("scipy.optimize")
    rng = np.random.default_rng(5)
    number, each = 40, 12
    base, slope = rng.normal(0, 4, number * each), rng.normal(0, 3, (number * each, 3))
    owner = np.repeat(np.arange(number), each)
    bounds, planes, _ = weighed(base, slope, owner, number)
    gaps = []
    for box in range(number):
        mine = owner == box
        matrix = np.column_stack([-slope[mine], np.ones(each)])
        best = optimize.linprog([0, 0, 0, -1], matrix, base[mine], bounds=[(-1, 1)] * 3 + [(None, None)])
        gaps.append(bounds[box] + best.fun)
        assert gaps[-1] >= -1e-9
        assert all(owner[p[box]] == box for p in planes)
    assert np.median(gaps) < 0.3


def test_no_placement_in_a_box_has_more_than_what_is_proved_of_it():
    form = two_regions()
    wearer = Wearer("two", form, {"front": -3.0, "back": 5.0})
    scene = seated(Piece("dome", (Part("dome", shapes.dome(100, 104, -40, 48, 16)),)), wearer, Pose())
    margins = Margins(scene.field, scene.allowances)
    freedoms = Freedoms(
        np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]), scene.pivot
    )  # fmt: skip
    search = Subdivision(scene, Forest.of(scene.cover), margins, freedoms, 1.3, 2.0, 10_000)
    for _ in range(3):
        low = np.flatnonzero(search.live & (search.value < 2.0))
        search.split(low[np.argsort(-search.guess[low])[:40]])
    asked = np.flatnonzero(search.live & (search.value < 2.0))[::7]
    search.prove(asked)
    assert len(asked) >= 30 and np.isfinite(search.proof[asked]).all()
    rng = np.random.default_rng(2)
    points = scene.cover.centres[scene.cover.leaves]
    for box in asked[:15]:
        middle, half = search.middle(np.array([box]))[0], search.half(np.array([box]))[0]
        for q in middle + half * rng.uniform(-1, 1, (2, 3)):
            placed = np.broadcast_to(freedoms.placements(q[None]), (len(points), 6))
            least = margins.exact(moved(points, placed, scene.pivot))[0].min()
            if least > search.proof[box]:  # the middles of triangles are not all of the surface
                least = least_along(
                    scene.cover, scene.pivot, freedoms.placements(q[None]), scene.field, scene.allowances, 0.01
                ).margin_mm
            assert least <= search.proof[box] + 1e-6


def test_boxes_share_faces_with_all_their_neighbours():
    scene = seated(Piece("dome", (Part("dome", shapes.dome(100, 104, -40, 24, 8)),)), BALL, Pose())
    out, side = np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0])
    freedoms = Freedoms(np.cross(side, out), out, side, scene.pivot)
    search = Subdivision(
        scene, Forest.of(scene.cover), Margins(scene.field, scene.allowances), freedoms, 1.0, 0.0, 9999
    )
    rng = np.random.default_rng(4)
    for _ in range(4):
        live = np.flatnonzero(search.live)
        search.split(np.sort(rng.choice(live, len(live) // 6, replace=False)))
    live = np.flatnonzero(search.live)
    low, high = search.low[live], search.high[live]
    room = np.minimum(high[:, None], high[None]) - np.maximum(low[:, None], low[None])
    touch = (room >= 0).all(axis=2) & ((room > 0).sum(axis=2) == 2)
    expected = {(int(live[i]), int(live[j])) for i, j in zip(*np.nonzero(np.triu(touch)), strict=True)}
    found = {tuple(sorted(pair)) for pair in zip(search.edges[0].tolist(), search.edges[1].tolist(), strict=True)}
    assert found == expected and len(search.edges[0]) == len(expected)
    volume = np.prod((high - low).astype(float), axis=1).sum()
    assert volume == pytest.approx(np.prod(search.top.astype(float)))


def test_placements_and_poses_are_each_others_inverse():
    rng = np.random.default_rng(1)
    pivot, seat = rng.normal(0, 50, 3), Pose.of((3, -4, 5), (10, 20, -30))
    for _ in range(20):
        placement = np.concatenate([rng.normal(0, 100, 3), rng.normal(0, 0.8, 3)])
        np.testing.assert_allclose(placement_of(pose_of(placement, pivot, seat), pivot, seat), placement, atol=1e-9)


def test_an_ellipsoid_through_an_elliptic_neck():
    # Half-axes 3 mm apart in both directions: 3 mm between the two ellipses, at their ends (to 0.05 mm elsewhere).
    ring = shapes.tube(1.0, 1.2, 4.0, 96).scaled((63.0, 83.0, 1.0)).moved(Pose.of((0, 0, -130)))
    form = Form(shapes.ellipsoid((60, 80, 100), 96))
    found = straight_lift(Piece("ring", (Part("ring", ring),)), Wearer("e", form), Pose(), np.array([0.0, 0.0, 1.0]))
    assert found.pinch_mm == pytest.approx(3.0, abs=0.2)


def test_a_seat_deep_in_the_form_is_refused_there():
    # A half shell 10 mm too small, drawn straight off: nothing on the way is tighter than the seat.
    small = Piece("dome", (Part("dome", shapes.dome(70, 74, 0, 48, 16)),))
    found = find_passage(small, BALL, Pose(), Search(decide_only=True))
    assert found.verdict is Status.FAIL and found.where == "seat"
    # Both are made of facets: the nearest place of each to the common middle bounds the seat's margin on both sides.
    inner, ball = (
        np.sqrt(igl.point_mesh_squared_distance(np.zeros((1, 3)), mesh.vertices, mesh.triangles)[0][0])
        for mesh in (small.mesh, BALL.form.mesh)
    )
    assert inner - 80.0 <= found.bound_mm <= inner - ball + 0.05


def test_a_piece_without_an_opening_never_comes_off():
    closed = Piece("shell", (Part("shell", shapes.sphere(88, 48)),))
    found = find_passage(closed, BALL, Pose(), Search(decide_only=True))
    assert found.verdict is Status.FAIL and found.bound_mm < 0


def test_a_hinged_lid_that_swings_out_of_the_way_opens_the_neck():
    shell = Part("shell", shapes.dome(90, 94, -20, 48, 16))
    lid = shapes.box((188, 188, 3), (0, 0, -90))
    hinge = Hinge(np.array([0.0, 110.0, -90.0]), np.array([1.0, 0.0, 0.0]), 120.0)
    piece = Piece("helm", (shell, Part("lid", lid, True, hinge)))
    names, tried = take_off(piece, BALL, Pose(), Search(decide_only=True, most_cells=6000))
    assert names == ("lid",) and tried[("lid",)].passes and not tried[()].passes
    # Swung the other way it would have to go through the ball's lower half: said to be tightest in the swing.
    inward = Piece("helm", (shell, Part("lid", lid, True, Hinge(hinge.point_mm, hinge.axis, -120.0))))
    _, other = take_off(inward, BALL, Pose(), Search(decide_only=True, most_cells=2000))
    swung = other[("lid",)]
    assert swung.where == "swing" and swung.pinch_mm < 0
    # All that is told of the pinch is of the swing: the lid, in the ball, while the helm stands at its seat.
    assert swung.part == "lid" and swung.pinch_step == 0
    assert np.linalg.norm(swung.at) == pytest.approx(80 + swung.pinch_mm, abs=0.3)
    np.testing.assert_allclose(swung.pinch_pose.translation_mm, 0, atol=1e-9)


def test_mends_are_tried_on_the_mended_piece():
    narrow = Piece("helm", (Part("helm", shapes.dome(90, 94, -50, 48, 24)),))
    options = Search(most_cells=6000, decide_only=True)
    found = find_passage(narrow, BALL, Pose(), options)
    asked = []

    def seat_at(scale):
        asked.append(scale)
        return Pose()

    tried = {(): found, ("lid",): found}
    by_name = {m.what: m for m in mends(narrow, BALL, Pose(), found, 1.2, options, seat_at=seat_at, tried=tried)}
    # Closed form: the neck's radius, scaled, less the ball's; at the scaled piece's own seat.
    up = by_name["scale up"]
    assert not found.passes and up.price["percent"] == pytest.approx(20) and asked == [1.2]
    assert up.passes and up.pinch_mm == pytest.approx(1.2 * np.sqrt(90**2 - 50**2) - 80, abs=0.3)
    assert by_name["split front and back"].passes and not by_name["take off lid"].passes
    trim = by_name["trim the rim"]
    assert trim.passes and 0 < trim.price["depth_mm"] <= 25 and trim.price["area_cm2"] > 0
    # The strip runs along the rim: within its depth and a wall of the edge, all the way round.
    middle = trim.strip.mean(axis=1)
    assert middle[:, 2].max() < -50 + trim.price["depth_mm"] + 12
    assert np.ptp(np.arctan2(middle[:, 1], middle[:, 0])) > 6


def test_a_scale_that_does_not_pass_is_not_said_to():
    narrow = Piece("helm", (Part("helm", shapes.dome(45, 48, -25, 48, 16)),))
    ball = Wearer("ball", Form(shapes.sphere(40, 48)))
    options = Search(most_cells=0, decide_only=True)
    found = find_passage(narrow, ball, Pose(), options)
    (up,) = (m for m in mends(narrow, ball, Pose(), found, 1.01, options) if m.what == "scale up")
    assert not up.passes and up.pinch_mm < 0


def test_a_bowed_head_keeps_the_head_and_turns_the_trunk():
    profile = [(0, -200), (120, -200), (120, -150), (50, -120), (50, -60), (80, -20), (80, 60), (0, 90)]
    fine = np.concatenate(
        [np.linspace(a, b, 9)[:-1] for a, b in zip(profile, profile[1:], strict=False)] + [profile[-1:]]
    )
    mesh = shapes.revolved(fine, 48)
    height = mesh.corners.mean(axis=1)[:, 2]
    region = np.digitize(-height, [60, 120])
    form = Form(mesh, ("crown", "nape", "chest"), region)
    bent = bowed(form, 20.0)
    head = np.unique(mesh.triangles[region == 0])
    np.testing.assert_allclose(bent.mesh.vertices[head], mesh.vertices[head], atol=1e-9)
    floor = np.flatnonzero(mesh.vertices[:, 2] < -199)
    tilt = np.polyfit(bent.mesh.vertices[floor, 1], bent.mesh.vertices[floor, 2], 1)[0]
    assert np.degrees(np.arctan(tilt)) == pytest.approx(-20.0, abs=0.5)


def test_a_neck_that_bends_to_no_avail_is_listed_as_searched(monkeypatch):
    from arming_cap.core.fit.passage import donning

    closed = Piece("shell", (Part("shell", shapes.sphere(46, 48)),))
    ball = Wearer("ball", Form(shapes.sphere(40, 48)))
    monkeypatch.setattr(donning, "_bowing", lambda *asked: asked[-1])
    found = find_passage(closed, ball, Pose(), Search(most_cells=0, neck_bend_deg=20.0))
    assert found.as_dict()["neck_bend_deg"] == 0.0
    assert any("bowed up to 20 degrees" in word for word in found.as_dict()["freedoms"])
