# SPDX-License-Identifier: GPL-3.0-or-later
"""Rings are taken where they decide, and no more of them than that takes."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import shapes
from hypothesis import given
from hypothesis import strategies as st

from arming_cap.core.distance.clearance import measure
from arming_cap.core.errors import InputError
from arming_cap.core.make.rings.levels import _Aim, _fewest, plan_levels
from arming_cap.core.make.rings.pinch import Pinch, pinch_of
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Form, Wearer
from arming_cap.core.wearer.limbform import limb_form_of
from arming_cap.core.wearer.population import estimate


def lipped(*lips):
    """A tube of inner radius 95 from z = 0 to 120 with rounded lips inside, each (z, inner radius)."""
    inner = []
    for z, radius in sorted(lips, reverse=True):
        inner += [(95, z + 4), (radius, z + 1), (radius, z - 1), (95, z - 4)]
    profile = [(95, 0), (100, 0), (100, 120), (95, 120), *inner, (95, 0)]
    return Piece("lipped", (Part("shell", shapes.revolved(profile, 72)),))


def post(spread, *borders):
    """A cylinder of radius 80 whose regions lie over each other, each as unsure as the other."""
    mesh = shapes.revolved([(0, -20), *((80, z) for z in np.arange(-20, 141, 5.0)), (0, 140)], 72)
    row = np.searchsorted(borders, mesh.corners[:, :, 2].mean(axis=1))
    names = tuple(f"level_{i}" for i in range(len(borders) + 1))
    return Wearer("post", Form(mesh, names, row, spread_mm=dict.fromkeys(names, spread)))


def planned(piece, wearer, **more):
    return plan_levels(piece, wearer, measure(piece, wearer), **more)


def test_two_margins_in_doubt_far_apart_take_two_rings_where_they_are():
    piece, wearer = lipped((20, 82), (90, 83)), post(5.0, 55)
    low, high = planned(piece, wearer, pinch=Pinch("the pinch", (0, 0, 20))).planes
    assert low.offset == pytest.approx(20, abs=5) and high.offset == pytest.approx(90, abs=5)
    assert low.tests == ("level_0",) and high.tests == ("level_1",)
    assert "which limits: +2.0 mm give or take 5.0" in low.proves and "pinch" in low.proves
    assert "+3.0 mm" in high.proves


def test_two_margins_close_together_take_one():
    piece, wearer = lipped((50, 82), (58, 82.5)), post(5.0, 55)
    plan = planned(piece, wearer, pinch=Pinch("the pinch", (0, 0, 52)), height_mm=12.0)
    both = [p for p in plan.planes if p.tests]
    assert len(both) == 1 and set(both[0].tests) == {"level_0", "level_1"}
    far = planned(lipped((30, 82), (80, 82.2)), wearer, pinch=Pinch("the pinch", (0, 0, 30)))
    assert len([p for p in far.planes if p.tests]) == 2


def test_a_margin_beyond_doubt_takes_none():
    piece, wearer = lipped((20, 82), (90, 90)), post(3.0, 55)
    plan = planned(piece, wearer, pinch=Pinch("the pinch", (0, 0, 20)))
    # 10 mm give or take 3 cannot turn round. The second ring is the widest level, for want of another doubt.
    assert [p.tests for p in plan.planes if p.tests] == [("level_0",)]


def test_no_more_rings_than_asked_for_and_what_that_leaves_is_said():
    piece = lipped((15, 82), (40, 82.5), (65, 83), (90, 83.5))
    wearer = post(5.0, 27, 52, 77)
    four = planned(piece, wearer, pinch=Pinch("the pinch", (0, 0, 15)))
    assert [p.tests for p in four.planes] == [(f"level_{i}",) for i in range(4)] and four.untested == ()
    two = planned(piece, wearer, pinch=Pinch("the pinch", (0, 0, 15)), most=2)
    assert two.planes[0].tests == ("level_0",) and len(two.planes) == 2
    assert len(two.untested) == 2 and two.untested[0].startswith("left without a ring: the level")


def test_what_only_presses_from_above_is_said_to_be_beyond_any_ring():
    form = shapes.sphere(80, 72)
    row = (form.corners[:, :, 2].mean(axis=1) > 60).astype(int)
    wearer = Wearer("ball", Form(form, ("side", "crown"), row))
    sunk = shapes.dome(90, 94, -40, segments=72, rings=32)
    piece = Piece("dome", (Part("shell", type(sunk)(sunk.vertices - (0, 0, 9.5), sunk.triangles)),))
    plan = planned(piece, wearer)
    assert len(plan.untested) == 1 and plan.untested[0].startswith("no ring can try the crown, which limits")
    assert all(p.tests == () for p in plan.planes) and plan.planes


def test_without_a_wearer_the_opening_and_the_roomiest_level():
    piece = Piece("dome", (Part("shell", shapes.dome(90, 94, -40, segments=72, rings=32)),))
    low, high = plan_levels(piece).planes
    assert (low.name, high.name) == ("opening", "widest")
    assert low.offset == pytest.approx(-36, abs=1) and high.offset == pytest.approx(0, abs=1.5)
    assert [p.name for p in plan_levels(piece, most=1).planes] == ["opening"]


def test_the_opening_is_the_narrowest_level_on_the_way_in():
    # A vase: a flared foot, a neck of radius 60 at z = 30, a belly of 90 at z = 80, and a top that narrows again.
    inner = [(70, 0), (60, 30), (90, 80), (40, 120)]
    vase = shapes.revolved([*((r + 4, z) for r, z in inner), *inner[::-1], (inner[0][0] + 4, 0)], 72)
    planes = {p.name: p for p in plan_levels(Piece("vase", (Part("shell", vase),))).planes}
    assert planes["opening"].offset == pytest.approx(30, abs=1.5)
    assert planes["widest"].offset == pytest.approx(80, abs=1.5)


def test_limbs_have_their_levels_by_name():
    arm = limb_form_of(estimate({}, "m"), "arm", "left").form
    wearer = Wearer("arm", arm)
    bracer = shapes.tube(60, 64, 260, 72)
    piece = Piece("bracer", (Part("shell", type(bracer)(bracer.vertices + (0, 0, 170), bracer.triangles)),))
    by_name = {p.name: p for p in plan_levels(piece, wearer).planes}
    assert {"wrist", "forearm"} <= set(by_name)
    assert by_name["wrist"].offset == pytest.approx(arm.landmarks["wrist_left"][2])
    leg = limb_form_of(estimate({}, "m"), "leg", "left").form
    greave = shapes.tube(75, 79, 330, 72)
    piece = Piece("greave", (Part("shell", type(greave)(greave.vertices + (0, 0, 110), greave.triangles)),))
    assert {"ankle", "calf"} <= {p.name for p in plan_levels(piece, Wearer("leg", leg)).planes}
    tall = Piece(
        "greave", (Part("shell", type(greave)(greave.vertices * (1, 1, 1.4) + (0, 0, 110), greave.triangles)),)
    )
    assert "knee" in {p.name for p in plan_levels(tall, Wearer("leg", leg)).planes}


@pytest.mark.parametrize("turn", [(0, 0, 0), (50, 0, 0), (0, 90, 0)])
def test_rings_of_a_long_piece_are_square_to_the_limb_however_that_is_held(turn):
    arm = limb_form_of(estimate({}, "m"), "arm", "left").form
    bracer = shapes.tube(60, 64, 260, 48)
    mesh = type(bracer)(bracer.vertices + (0, 0, 170), bracer.triangles)
    pose = Pose.of((30, -20, 10), turn)
    marks = {name: pose.apply(np.array([p]))[0] for name, p in arm.landmarks.items()}
    held = replace(arm, mesh=arm.mesh.moved(pose), landmarks=marks)
    plan = plan_levels(Piece("bracer", (Part("shell", mesh.moved(pose)),)), Wearer("arm", held))
    by_name = {p.name: p for p in plan.planes}
    assert {"wrist", "forearm"} <= set(by_name)
    wrist = by_name["wrist"]
    way = pose.rotation @ (0, 0, 1)
    assert abs(np.dot(wrist.normal, way)) == pytest.approx(1, abs=1e-6)
    assert wrist.offset == pytest.approx(np.dot(wrist.normal, held.landmarks["wrist_left"]), abs=1e-6)


def test_a_solid_has_no_level():
    with pytest.raises(InputError, match="no level section has an inside"):
        plan_levels(Piece("box", (Part("box", shapes.box((40, 40, 40))),)))


@given(st.integers(1, 6), st.integers(3, 12), st.integers(0, 2**31))
def test_the_cover_is_the_smallest_there_is(count, levels, seed):
    # Referee: every subset, smallest first.
    random = np.random.default_rng(seed)
    felt = random.random((count, levels)) < 0.4
    felt[np.arange(count), random.integers(0, levels, count)] = True
    aims = [_Aim(str(i), "", f, random.random(levels)) for i, f in enumerate(felt)]
    found = _fewest(aims)
    assert felt[:, found].any(axis=1).all()
    least = next(
        k for k in range(1, levels + 1) for some in combinations(range(levels), k) if felt[:, some].any(axis=1).all()
    )
    assert len(found) == least if least <= 3 else len(found) >= least


def test_the_pinch_is_where_the_piece_is_tight_and_not_where_it_is_then():
    # A ball of 30 over a post of 20, and a collar of 32 at the foot of a wide cap: drawn off, the collar passes the
    # ball 18 mm higher up. The ring belongs to the collar.
    ball = [(30 * np.cos(t), 30 * np.sin(t)) for t in np.linspace(-0.84, np.pi / 2, 16)]
    wearer = Wearer("ball", Form(shapes.revolved([(0, -60), (20, -60), *ball[:-1], (0, 30)], 48)))
    inner = [(32, -20), (32, -17), (40, -14), (40, 40), (0, 40)]
    outer = [(36, -20), (44, -16), (44, 44), (0, 44)]
    cap = Piece("cap", (Part("shell", shapes.revolved([*outer, *inner[::-1], outer[0]], 48)),))
    clearance = measure(cap, wearer)
    for how, said in (("lift", "the tightest place on the way straight off"), ("way", "the pinch of the passage")):
        found = pinch_of(cap, wearer, clearance, how)
        # Closed form: a circle of 32 past a ball of 30; facets of 7.5 degrees take up to 0.07 mm of either.
        assert -20 <= found.at[2] <= -16.5 and np.hypot(*found.at[:2]) == pytest.approx(32, abs=0.5)
        assert found.words.startswith(said)
        assert float(found.words.split(": ")[1].split()[0]) == pytest.approx(2, abs=0.1)
    (low, *_) = plan_levels(cap, wearer, clearance, found, height_mm=4.0).planes
    assert abs(low.offset - found.at[2]) <= 2 and "the pinch of the passage" in low.proves
    assert pinch_of(cap, wearer, clearance, "none") is None


def test_a_piece_that_cannot_be_drawn_off_says_so_and_keeps_its_opening():
    ball = Wearer("ball", Form(shapes.sphere(30, 48)))
    shut = Piece("dome", (Part("shell", shapes.dome(34, 38, -25, segments=48, rings=16)),))
    clearance = measure(shut, ball)
    found = pinch_of(shut, ball, clearance)
    assert found.at is None and not found.decides and "mm too tight" in found.says
    # Closed form: a neck of sqrt(34² - 25²) past a ball of 30, both with facets.
    assert float(found.says.split("it is ")[1].split()[0]) == pytest.approx(30 - np.sqrt(34**2 - 25**2), abs=0.2)
    plan = plan_levels(shut, ball, clearance, found)
    assert found.says in plan.untested and "opening" in [p.name for p in plan.planes]
    bowl = Piece("bowl", (Part("shell", shapes.dome(34, 38, 0, segments=48, rings=16)),))
    clearance = measure(bowl, ball)
    assert pinch_of(bowl, ball, clearance).says == "nothing on the way off is tighter than the seat"
    with pytest.raises(InputError, match="no way to look"):
        pinch_of(bowl, ball, clearance, "guess")
