# SPDX-License-Identifier: GPL-3.0-or-later
"""Surfaces that run through themselves, and open ends stuck into a solid, become the solid they bound.

Referees: closed forms; manifold3d's union of the stretches that do not cross; libigl's distance to the mesh as it was.
"""

from __future__ import annotations

import igl
import manifold3d
import numpy as np
import pytest
import shapes

from arming_cap.core.errors import InputError
from arming_cap.core.make.solid.crossings import crossings
from arming_cap.core.make.solid.solid import raw_mesh, solid_of
from arming_cap.core.make.split.split import plan_split, workpiece
from arming_cap.core.make.split.split_model import SplitOptions
from arming_cap.core.make.split.splitting import carry_out
from arming_cap.core.mesh import TriangleMesh, joined

N, K = 64, 16
HELM = shapes.dome(90, 94, -20, 48, 24)


def swept(first=0, last=N, radius=8.0, reach=40.0):
    """A tube along a figure of eight, whole and closed, or a stretch of it with its ends capped."""
    t = (np.arange(first, last + 1) + 0.3) * 2 * np.pi / N  # no corner lies just where it crosses
    path = reach * np.stack([np.sin(t), np.sin(t) * np.cos(t), 0 * t], 1)
    along = np.stack([np.cos(t), np.cos(2 * t), 0 * t], 1)
    along /= np.linalg.norm(along, axis=1)[:, None]
    up = np.array([0.0, 0.0, 1.0])
    side = np.cross(along, up)
    angle = np.arange(K) * 2 * np.pi / K
    ring = np.cos(angle)[None, :, None] * side[:, None] + np.sin(angle)[None, :, None] * up
    points = np.round(path[:, None] + radius * ring, 9)
    i, j = np.meshgrid(np.arange(last - first), np.arange(K), indexing="ij")
    a, b, c, d = i * K + j, (i + 1) * K + j, (i + 1) * K + (j + 1) % K, i * K + (j + 1) % K
    tri = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    if last - first == N:
        return TriangleMesh(np.concatenate([points[:-1].reshape(-1, 3), points[0]]), tri).welded()
    fan = np.stack([np.zeros(K - 2, int), np.arange(1, K - 1), np.arange(2, K)], 1)
    return TriangleMesh(points.reshape(-1, 3), np.concatenate([tri, fan, fan[:, ::-1] + (last - first) * K]))


def as_solid(mesh):
    return manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.triangles, np.uint64)))


def horn(base, length, radius, ended):
    """A cone along x whose rim stands at `base`; without an end it is open there."""
    angle = np.arange(24) * 2 * np.pi / 24
    rim = np.stack([base + 0 * angle, radius * np.cos(angle), radius * np.sin(angle)], 1)
    k, fan = np.arange(24), np.arange(1, 23)
    end = np.stack([np.zeros(22, int), fan + 1, fan], 1)
    cone = np.stack([k, (k + 1) % 24, np.full(24, 24)], 1)
    return TriangleMesh(np.concatenate([rim, [[base + length, 0, 0]]]), np.concatenate([cone, *([end] * ended)]))


def nearest(points, mesh):
    return np.sqrt(igl.point_mesh_squared_distance(points, np.array(mesh.vertices), np.array(mesh.triangles))[0])


def test_a_tube_that_runs_through_itself_is_the_union_of_its_stretches():
    eight = swept()
    assert eight.soundness.closed
    quarters = [as_solid(swept(k * N // 4, (k + 1) * N // 4)) for k in range(4)]
    meant = manifold3d.Manifold.batch_boolean(quarters, manifold3d.OpType.Add)
    assert sum(q.volume() for q in quarters) > 1.05 * meant.volume()
    solid, done = solid_of(eight)
    assert solid.volume() == pytest.approx(meant.volume(), rel=1e-9)
    assert (solid ^ meant).volume() == pytest.approx(meant.volume(), rel=1e-9)
    assert "runs through itself, as at" in done[0] and "within 0.000 mm" in done[-1]
    assert nearest(raw_mesh(solid)[0], eight).max() < 1e-9
    # And it can be split: a volume that is counted twice would not add up.
    piece = workpiece([eight], "eight")
    options = SplitOptions((60.0, 60.0, 60.0))
    split = carry_out(piece, plan_split(piece, options), options, joints=None, numbers=False)
    assert sum(p.mesh.volume_mm3 for p in split.parts) == pytest.approx(meant.volume(), rel=1e-6)


def test_shells_that_overlap_or_are_doubled_are_united():
    ball = shapes.sphere(50, segments=32)
    other = shapes.sphere(50, segments=32, centre=(30.0, 0.0, 0.0))
    meant = as_solid(ball) + as_solid(other)
    for soup in (joined([ball, other]), joined([ball, other, ball]), joined([ball, other]).welded()):
        solid, done = solid_of(soup)
        assert solid.volume() == pytest.approx(meant.volume(), rel=1e-6) and done


@pytest.mark.parametrize(
    ("base", "length", "radius", "said"),
    [
        (80.0, 60.0, 15.0, "hidden inside a solid"),  # a rim of 94 mm: closed because nobody sees it
        (95.0, 60.0, 5.0, "small holes"),
    ],
)
def test_an_open_end_that_is_stuck_into_a_solid_is_taken_in(base, length, radius, said):
    block = shapes.box((200, 60, 60))
    solid, done = solid_of(joined([block, horn(base, length, radius, ended=False)]))
    meant = as_solid(block) + as_solid(horn(base, length, radius, ended=True))
    assert solid.volume() == pytest.approx(meant.volume(), rel=1e-9)
    assert said in "; ".join(done)


def test_an_open_end_that_is_seen_is_closed_only_where_the_maker_agrees():
    """The same horn turned round, its wide end in the open air: closing it would invent a surface."""
    block = shapes.box((200, 60, 60))

    def round_about(ended):
        out = horn(-70, 60, 15, ended)
        return TriangleMesh(out.vertices * [-1, -1, 1] + [60, 0, 0], out.triangles)

    soup = joined([block, round_about(False)])
    with pytest.raises(InputError, match=r"open edges, the first at 130.* in 1 rim of 94 mm"):
        solid_of(soup)
    solid, _ = solid_of(soup, close_mm=100.0)
    assert solid.volume() == pytest.approx((as_solid(block) + as_solid(round_about(True))).volume(), rel=1e-9)


def test_crossing_sheets_with_openings_are_parted_by_the_winding_number():
    """Two domes that run through each other, one of them with a fin and a flipped patch: no closing alone helps."""
    other = TriangleMesh(HELM.vertices + [70.0, 0.0, 0.0], HELM.triangles)
    fin = TriangleMesh(np.array([[-94.0, 0, 10], [-94.0, 0, 30], [-120.0, 5, 20]]), np.array([[0, 1, 2]]))
    flipped = other.triangles.copy()
    flipped[100:140] = flipped[100:140][:, ::-1]
    solid, done = solid_of(joined([HELM, TriangleMesh(other.vertices, flipped), fin]))
    assert solid.volume() == pytest.approx((as_solid(HELM) + as_solid(other)).volume(), rel=1e-6)
    told = "; ".join(done)
    assert "flipped" in told and "fins without thickness" in told and "within 0.000 mm" in told


def test_a_rounding_of_the_file_is_no_crossing():
    """Two skins of one box that touch within a few micrometres of rounding are left as they are."""
    rng = np.random.default_rng(7)
    ball = shapes.sphere(50, segments=48)
    rough = TriangleMesh(ball.vertices + rng.normal(0, 1e-5, ball.vertices.shape), ball.triangles)
    places, negative = crossings(rough)
    assert not len(places) and not negative
    assert solid_of(rough)[1] == []


def test_half_of_it_inside_out_is_said_with_the_place():
    """A prism over a bow tie: one half winds the other way, and no rule can tell which was meant."""
    tie = np.array([[-20, -10], [20, 10], [20, -10], [-20, 10]], float)
    low, high = np.column_stack([tie, np.zeros(4)]), np.column_stack([tie, np.full(4, 10.0)])
    walls = [[k, (k + 1) % 4, 4 + (k + 1) % 4] for k in range(4)] + [[k, 4 + (k + 1) % 4, 4 + k] for k in range(4)]
    tri = np.array([[0, 2, 1], [0, 3, 2], [4, 5, 6], [4, 6, 7], *walls])
    mesh = TriangleMesh(np.concatenate([low, high]), tri, "tie")
    with pytest.raises(InputError, match=r"inside out|no solid") as caught:
        solid_of(mesh)
    assert "\n" not in str(caught.value)


def test_a_large_hole_is_closed_only_where_the_maker_agrees():
    tall = shapes.revolved([(0, 0), (40, 0), (40, 50), (0, 50)], 48)
    top = (tall.corners[:, :, 2] > 49.9).all(axis=1)
    cup = TriangleMesh(tall.vertices, tall.triangles[~top], "cup")
    with pytest.raises(InputError, match="in 1 rim of 251 mm"):
        solid_of(cup)
    solid, done = solid_of(cup, close_mm=260.0)
    assert solid.volume() == pytest.approx(tall.volume_mm3, rel=1e-9)
    assert "longest rim 251 mm" in done[0] and "but for the holes" in done[-1]
