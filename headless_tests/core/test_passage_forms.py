# SPDX-License-Identifier: GPL-3.0-or-later
"""Passages whose widest pinch is known in closed form: an elliptic neck, a bend, a hook, a sleeve, half a mm."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.fit.passage.donning import find_passage
from arming_cap.core.fit.passage.lift import straight_lift
from arming_cap.core.fit.passage.search import Search
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

UP = np.array([0.0, 0.0, 1.0])
# The whole search for the widest way.
WIDEST = Search()


def piece(mesh: TriangleMesh) -> Piece:
    return Piece("piece", (Part("piece", mesh),))


def swept(radius: float, bend: float, low: float, high: float, around: int = 48, name: str = "swept") -> TriangleMesh:
    """A rod of a radius, closed, along the arc of a radius `bend` about X: from (0, bend, 0) upwards and forwards."""
    turn, angle = np.radians(np.linspace(low, high, 33)), np.arange(around) * 2 * np.pi / around
    # Corners outside by so much that a facet's middle lies on the radius.
    out = bend + radius * np.cos(angle) / np.cos(np.pi / around)
    side = radius * np.sin(angle) / np.cos(np.pi / around)
    rings = np.stack(
        [
            np.broadcast_to(side, (33, around)),
            np.cos(turn)[:, None] * out,
            np.sin(turn)[:, None] * out,
        ],
        axis=2,
    )
    ends = bend * np.column_stack([np.zeros(2), np.cos(turn[[0, -1]]), np.sin(turn[[0, -1]])])
    i, j = (k.ravel() for k in np.meshgrid(np.arange(32), np.arange(around), indexing="ij"))
    a, b = i * around + j, i * around + (j + 1) % around
    rim, after = np.arange(around), (np.arange(around) + 1) % around
    triangles = [np.stack([a, b, b + around], 1), np.stack([a, b + around, a + around], 1)]
    triangles += [np.stack([after, rim, np.full(around, 33 * around)], 1)]
    triangles += [np.stack([32 * around + rim, 32 * around + after, np.full(around, 33 * around + 1)], 1)]
    mesh = TriangleMesh(np.concatenate([rings.reshape(-1, 3), ends]), np.concatenate(triangles), name)
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(mesh.vertices, mesh.triangles[:, ::-1], name)


def solid(*parts) -> TriangleMesh:
    """Solids of manifold3d as one mesh."""
    whole = sum(parts[1:], parts[0]).to_mesh64()
    return TriangleMesh(np.array(whole.vert_properties[:, :3]), np.array(whole.tri_verts, np.int64), "solid")


def test_an_ellipsoid_head_in_an_elliptic_neck():
    """Half-axes 3 mm apart: 3 mm at both ends; between them the ellipses come no nearer than 3 mm less 0.05."""
    neck = np.sqrt(45**2 - 15**2)
    dome = shapes.dome(45, 48, -15, 96, 24).scaled((33 / neck, 43 / neck, 1.05))
    found = find_passage(piece(dome), Wearer("head", Form(shapes.ellipsoid((30, 40, 40), 96))), Pose(), WIDEST)
    assert found.pinch_mm == pytest.approx(3.0, abs=0.2) and found.bound_mm >= 2.9
    assert found.passes or found.floor_mm < 0


@pytest.mark.parametrize("gap", [0.5, -0.5])
def test_half_a_millimetre_is_told_apart(gap):
    dome = shapes.dome(45, 48, -np.sqrt(45**2 - (40 + gap) ** 2), 192, 24)
    found = find_passage(piece(dome), Wearer("ball", Form(shapes.sphere(40, 96))), Pose(), WIDEST)
    assert found.pinch_mm == pytest.approx(gap, abs=0.15) and found.bound_mm >= gap - 0.1
    assert found.verdict is (Status.PASS if gap > 0 else Status.FAIL)
    assert found.floor_mm >= 0 if gap > 0 else found.bound_mm < 0


def test_a_bent_tube_turns_off_a_bent_rod():
    """Along its own arc it keeps the difference of the radii, 10 mm; drawn straight its bend is in the way."""
    import manifold3d

    rod = swept(8.0, 100.0, -3.0, 62.0)
    base = manifold3d.Manifold.cube((160, 160, 10), True).translate((0, 100, -8))
    form = Form(solid(_solid(rod), base))
    tube = solid(_solid(swept(22.0, 100.0, 4.0, 58.0)) - _solid(swept(18.0, 100.0, 0.0, 62.0)))
    wearer = Wearer("rod", form)
    assert straight_lift(piece(tube), wearer, Pose(), UP).pinch_mm < -1
    found = find_passage(piece(tube), wearer, Pose(), WIDEST)
    assert found.passes and not found.straight
    assert 7.9 < found.pinch_mm < 8.5  # at the seat it has 8.44: its ends are cut square
    assert max(abs(pose.rotation_deg[0]) for pose in found.path) > 20


def _solid(mesh: TriangleMesh):
    import manifold3d

    return manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.triangles, np.uint64)))


def test_a_ring_hooks_over_a_chin():
    """A ring about a bent round bar could keep hole less bar, 9 mm, tilting over the bend; straight it strikes it."""
    import manifold3d

    ball = manifold3d.Manifold.sphere(6.0, 48)
    neck = manifold3d.Manifold.batch_hull([ball.translate((0, 0, -60)), ball])
    chin = manifold3d.Manifold.batch_hull([ball, ball.translate((0, -40, 12))])
    body = manifold3d.Manifold.cube((160, 160, 10), True).translate((0, 0, -65))
    wearer = Wearer("hook", Form(solid(neck, chin, body)))
    turn = np.arange(25) * 2 * np.pi / 24
    ring = shapes.revolved(np.column_stack([18 + 3 * np.cos(turn), 3 * np.sin(turn)]), 64).moved(Pose.of((0, 0, -25)))
    assert straight_lift(piece(ring), wearer, Pose(), UP).pinch_mm < -5
    found = find_passage(piece(ring), wearer, Pose(), WIDEST)
    assert found.passes and not found.straight and 6.8 < found.pinch_mm < 9.1 and found.bound_mm > 8.9
    assert max(abs(pose.rotation_deg[0]) for pose in found.path) > 25


@pytest.mark.parametrize("room", [3.0, -2.0])
def test_a_sleeve_over_a_hand(room):
    """A hanging arm: the sleeve goes off downwards over a hand of 30 mm half breadth."""
    import manifold3d

    arm = manifold3d.Manifold.cylinder(120, 16, 16, 64).translate((0, 0, -20))
    hand = manifold3d.Manifold.sphere(1.0, 96).scale((30, 14, 45)).translate((0, 0, -50))
    trunk = manifold3d.Manifold.cube((120, 120, 10), True).translate((0, 0, 100))
    sleeve = shapes.tube(30 + room, 33 + room, 40, 96).moved(Pose.of((0, 0, 30)))
    found = find_passage(piece(sleeve), Wearer("arm", Form(solid(arm, hand, trunk))), Pose(), WIDEST)
    assert found.out @ -UP > 0.9
    if room > 0:
        assert found.passes and found.pinch_mm == pytest.approx(room, abs=0.2)
    else:
        # A hole of 28 mm goes over 30 by turning: one side of the hand after the other.
        assert found.bound_mm >= found.pinch_mm >= room - 0.2


@pytest.mark.parametrize("pointed", [True, False])
def test_a_greave_over_a_foot_that_is_pointed_or_not(pointed):
    """The foot's half breadth is 45 mm: pointed it goes through a hole of 49 mm with 4 mm left, flat it is a hook."""
    import manifold3d

    shin = manifold3d.Manifold.cylinder(180, 34, 34, 64)
    foot = manifold3d.Manifold.sphere(1.0, 64)
    foot = (
        foot.scale((45, 38, 110)).translate((0, 0, -70))
        if pointed
        else foot.scale((45, 110, 38)).translate((0, -60, 0))
    )
    thigh = manifold3d.Manifold.cube((160, 160, 120), True).translate((0, 0, 230))
    greave = shapes.tube(49, 52, 60, 96).moved(Pose.of((0, 0, 100)))
    options = WIDEST if pointed else Search(decide_only=True, most_cells=0)
    found = find_passage(piece(greave), Wearer("leg", Form(solid(shin, foot, thigh))), Pose(), options)
    if pointed:
        assert found.out @ -UP > 0.9 and found.passes and found.pinch_mm == pytest.approx(4.0, abs=0.2)
    else:
        assert not found.passes and found.pinch_mm < -5
