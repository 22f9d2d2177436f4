# SPDX-License-Identifier: GPL-3.0-or-later
"""Sleeves and greaves: along the limb, at both ends' rims, and the other side in the mirror."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.known import read_known
from arming_cap.core.fit.size.sizing import size
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Form, Wearer

CARD = """card = 1
name = "Kerr"
unit = "mm"
form = "{side} leg"
[readings]
calf_circumference = 380
ankle_circumference = 226
[allowance.sock]
default = 3
"""


def piece_of(mesh: TriangleMesh) -> Piece:
    return Piece("greave", (Part("greave", mesh),))


def mirrored(mesh: TriangleMesh) -> TriangleMesh:
    return TriangleMesh(mesh.vertices * [-1, 1, 1], mesh.triangles[:, ::-1], mesh.name)


@pytest.mark.parametrize("low,rim", [(True, 20.0), (False, 120.0)])
def test_a_straight_sleeve_on_a_cone_is_limited_at_one_ends_rim(low, rim):
    # A cone from radius 50 to 30 (or back) over 160 mm; a sleeve from z = 20 to 120 is tightest at the end where the
    # cone is thick. Distance of the rim's ring (radius s·60, height s·z) from the cone's side: (s·60 - r(s·z))·cos α
    wide, narrow = (50.0, 30.0) if low else (30.0, 50.0)
    cone = shapes.revolved([(0, 0), (wide, 0), (narrow, 160), (0, 160)], 96)
    wearer = Wearer("cone", Form(cone))
    found = size(piece_of(shapes.tube(60, 63, 100, 96).moved(Pose.of((0, 0, 20)))), wearer, 2.0)
    slope = (narrow - wide) / 160
    cosine = 1 / np.hypot(1, slope)
    # (60 s - wide - slope·rim·s)·cos α = 2
    assert found.scale == pytest.approx((2 / cosine + wide) / (60 - slope * rim), rel=0.002)
    assert found.limited_by.at[2] == pytest.approx(rim * found.scale, abs=1.0)


def test_left_and_right_are_one_another_in_the_mirror(tmp_path):
    greave = shapes.tube(75, 79, 90, 48).moved(Pose.of((4, 3, 280)))
    found = {}
    for side, mesh in (("left", greave), ("right", mirrored(greave))):
        path = tmp_path / f"{side}.toml"
        path.write_text(CARD.format(side=side), "utf-8")
        wearer = read_known(path).read.wearer
        found[side] = size(piece_of(mesh), wearer)
    left, right = found["left"], found["right"]
    assert left.scale == pytest.approx(right.scale, rel=0.001)
    assert left.limited_by.region.replace("left", "right") == right.limited_by.region
    np.testing.assert_allclose(np.array(left.limited_by.at) * [-1, 1, 1], right.limited_by.at, atol=2.0)
    assert {n.replace("left", "right"): pytest.approx(v, abs=0.2) for n, v in left.margins.items()} == right.margins
