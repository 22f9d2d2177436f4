# SPDX-License-Identifier: GPL-3.0-or-later
"""Joints meet, keep their wall and break nothing.

Referees: closed forms for a hole's volume; rays and distances of libigl on the written meshes, which share no code with
the proof by booleans inside.
"""

from __future__ import annotations

import functools

import igl
import numpy as np
import pytest
import shapes

from arming_cap.core.make.solid.solid import mesh_of
from arming_cap.core.make.split.joints import SIDES, JointOptions, add_joints, faces_between
from arming_cap.core.make.split.numbering import HEIGHTS_MM, lines, number_parts
from arming_cap.core.make.split.split import apply_plan, plan_split, workpiece
from arming_cap.core.make.split.split_cell import Plane
from arming_cap.core.make.split.split_model import SplitOptions
from arming_cap.core.make.split.split_search import Limits

COMMON = (220.0, 220.0, 250.0)
ANY = Limits()
ACROSS = Limits(locked=(Plane((0.0, 0.0, 1.0), 150.0),))


@functools.cache
def parted(mesh, volume=COMMON, limits=ANY):
    piece = workpiece([mesh], mesh.name)
    options = SplitOptions(volume, limits=limits)
    return piece, apply_plan(piece, plan_split(piece, options), options)[0]


@functools.cache
def jointed(mesh, volume):
    return add_joints(parted(mesh, volume)[1])


def hole_volume(joint):
    """A prism of SIDES sides."""
    return SIDES / 2 * np.sin(2 * np.pi / SIDES) * (joint.diameter_mm / 2) ** 2 * joint.depth_mm


PIECES = [
    (shapes.box((400, 60, 40)), COMMON),
    (shapes.tube(95, 100, 300), COMMON),
    (shapes.tube(97, 100, 300), COMMON),
    (shapes.dome(125, 130, -60, segments=64, rings=32), (180.0, 180.0, 180.0)),
    (shapes.box((300, 300, 300)), COMMON),
]


@pytest.mark.parametrize(("mesh", "volume"), PIECES)
def test_every_hole_takes_just_its_own_volume(mesh, volume):
    """More would be a hole through a wall less than whole, or two holes in one place; less a hole in the open."""
    _, parts = parted(mesh, volume)
    made = jointed(mesh, volume)
    assert made.joints
    for i, (before, after) in enumerate(zip(parts, made.parts)):
        own = sum(hole_volume(j) for j in made.joints if i in j.parts)
        assert before.solid.volume() - after.solid.volume() == pytest.approx(own, abs=1e-3)
        assert len(after.solid.decompose()) == len(before.solid.decompose())
        assert after.solid.genus() == before.solid.genus()  # a blind hole adds no handle


@pytest.mark.parametrize(("mesh", "volume"), PIECES[1:4])
def test_a_line_of_wall_stays_around_every_hole(mesh, volume):
    """From every hole's axis and end, the part's own surface is further than the hole's radius and a line."""
    options = JointOptions()
    _, parts = parted(mesh, volume)
    made = add_joints(parts, options)
    for joint in made.joints:
        for part, side in zip(joint.parts, (1, -1)):
            surface = mesh_of(parts[part].solid)
            along = np.linspace(0.3, joint.depth_mm, 12)[:, None] * joint.axis * side
            points = joint.at + along
            inside = igl.fast_winding_number(surface.vertices, surface.triangles, points)
            assert (np.abs(inside) > 0.5).all()
            # The cut face itself is crossed by the hole: only other surfaces count.
            corners = np.abs((surface.corners - joint.at) @ joint.axis)
            others = surface.submesh(np.flatnonzero((corners > 1e-4).any(axis=1)))
            squared = igl.point_mesh_squared_distance(points, others.vertices, others.triangles)[0]
            assert np.sqrt(squared).min() >= options.radius_mm + options.line_mm - 1e-6


@pytest.mark.parametrize(("mesh", "volume"), PIECES)
def test_two_joints_or_more_hold_a_face_that_has_room(mesh, volume):
    made = jointed(mesh, volume)
    told = [r for r in made.remarks if "joint" in r]
    for face in made.faces:
        here = [j for j in made.joints if j.parts == face.parts and abs(face.plane.distances(j.at[None])[0]) < 1e-4]
        assert len(here) >= 2 or told


def test_matching_holes_are_in_line_in_the_parts_as_cut():
    """The axis of each hole, fitted to the walls found on the part's mesh, is the other's within 0.01 mm."""
    _, parts = parted(shapes.tube(95, 100, 300))
    made = add_joints(parts)
    for joint in made.joints:
        axes = []
        for part, side in zip(joint.parts, (1, -1)):
            mesh = mesh_of(made.parts[part].solid)
            off = mesh.vertices - joint.at
            height = side * (off @ joint.axis)
            radial = off - np.outer(off @ joint.axis, joint.axis)
            wall = (np.linalg.norm(radial, axis=1) < joint.diameter_mm / 2 + 1e-4) & (height > -1e-6)
            rim = wall & (height < 1e-6)
            end = wall & (np.abs(height - joint.depth_mm) < 1e-6)
            assert rim.sum() == end.sum() == SIDES
            axes.append((mesh.vertices[rim].mean(axis=0), mesh.vertices[end].mean(axis=0)))
        (a0, a1), (b0, b1) = axes
        assert np.linalg.norm(a0 - b0) < 0.01
        straight = np.cross(a1 - a0, b1 - b0)
        assert np.linalg.norm(straight) / np.linalg.norm(a1 - a0) / np.linalg.norm(b1 - b0) < 1e-3


def test_a_wall_without_room_stays_without_joints_and_it_is_said():
    _, parts = parted(shapes.tube(98, 100, 300))
    made = add_joints(parts)
    assert not made.joints and any("no joint" in r for r in made.remarks)
    # 1.95 + 2 x 0.4 = 2.75 is what a hole needs.
    assert JointOptions().wall_mm == pytest.approx(2.75)
    _, parts = parted(shapes.tube(97.1, 100, 300, 256))
    assert add_joints(parts).joints


@pytest.mark.parametrize(
    "mesh", [shapes.tube(95, 100, 300), shapes.box((60, 60, 300)), shapes.box((30, 80, 300)), shapes.sphere(120, 48)]
)
def test_no_turn_in_the_cut_brings_holes_onto_holes(mesh):
    """By brute force over turns about the face's middle: the holes match nowhere but as they are."""
    limits = Limits(locked=(Plane((0.0, 0.0, 1.0), float(mesh.bounds[:, 2].mean())),))
    _, parts = parted(mesh, COMMON, limits)
    made = add_joints(parts)
    assert not any("turned" in r for r in made.remarks)
    spots = np.array([j.at[:2] for j in made.joints])
    middle = mesh.bounds.mean(axis=0)[:2]
    for angle in np.radians(np.arange(5, 356, 0.5)):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        moved = (spots - middle) @ turn.T + middle
        off = np.linalg.norm(moved[:, None] - spots[None], axis=2).min(axis=1).max()
        assert off > 1.0, np.degrees(angle)


def test_a_gap_for_glue_sets_each_face_back_by_half():
    _, parts = parted(shapes.tube(95, 100, 300), limits=ACROSS)
    made = add_joints(parts, JointOptions(gap_mm=0.2))
    (face,) = faces_between(parts)
    gone = sum(p.solid.volume() for p in parts) - sum(p.solid.volume() for p in made.parts)
    # Counted from the cut's middle a hole is deeper by half the gap, less what the gap took.
    holes = sum(2 * hole_volume(j) for j in made.joints)
    assert gone == pytest.approx(face.area_mm2 * 0.2 + holes, rel=2e-3)


def test_magnets_are_holes_too():
    _, parts = parted(shapes.box((60, 60, 300)), limits=ACROSS)
    options = JointOptions("magnet", 8.0, 0.1, 3.1, shorter=(1.0,))
    made = add_joints(parts, options)
    assert {j.kind for j in made.joints} == {"magnet"} and made.joints[0].diameter_mm == pytest.approx(8.1)


def test_faces_are_where_parts_met():
    _, parts = parted(shapes.tube(95, 100, 300, 256), limits=ACROSS)
    (face,) = faces_between(parts)
    n = 256
    ring = n / 2 * np.sin(2 * np.pi / n) * (100**2 - 95**2)
    assert face.area_mm2 == pytest.approx(ring, rel=1e-4)
    assert face.wall_mm == pytest.approx(5, abs=0.02)


@pytest.mark.parametrize(("mesh", "volume"), PIECES)
def test_numbers_are_cut_where_they_are_not_seen(mesh, volume):
    piece, _ = parted(mesh, volume)
    made = jointed(mesh, volume)
    numbered, places, remarks = number_parts(made.parts, piece.view)
    assert not remarks
    for before, after, place in zip(made.parts, numbered, places):
        gone = before.solid - after.solid
        assert 3 < gone.volume() < 60
        assert len(after.solid.decompose()) == 1
        # In a cut face, or facing inwards.
        on_cut = any(abs(plane.distances(place[None])[0]) < 0.01 for plane, _ in before.planes)
        near = mesh_of(before.solid)
        _, row, _ = igl.point_mesh_squared_distance(place[None], near.vertices, near.triangles)
        inwards = near.area_vectors[row[0]] @ (piece.view.centre - place) > 0
        assert on_cut or inwards


def test_the_number_stands_upright_beside_its_arrow():
    for height in HEIGHTS_MM:
        drawn = np.concatenate(lines("7", height))
        assert np.ptp(drawn[:, 1]) == pytest.approx(height)
        assert drawn[:, 0].min() == pytest.approx(-drawn[:, 0].max())


@functools.cache
def tongued(thick=True):
    mesh = shapes.tube(90, 102 if thick else 95, 300)
    _, parts = parted(mesh, COMMON)
    return parts, add_joints(parts, JointOptions("tongue", play_mm=0.2), room=np.array(COMMON))


def test_tongues_stand_where_the_wall_is_thick_and_pins_elsewhere():
    _, made = tongued()
    assert len(made.joints) >= 2 and {j.kind for j in made.joints} == {"tongue"}
    assert {j.kind for j in tongued(False)[1].joints} == {"pin"}


def test_a_tongue_goes_into_its_groove_with_play_all_round_and_breaks_nothing():
    parts, made = tongued()
    for before, after in zip(parts, made.parts):
        assert after.solid.genus() == before.solid.genus() and len(after.solid.decompose()) == 1
    for joint in made.joints:
        on, into = (made.parts[i].solid for i in joint.parts)
        assert (on ^ into).volume() < 1e-6
        # A frustum by closed form: foot 3w x w, each side leaning in by 8 degrees over the height.
        w, h, lean = joint.diameter_mm, joint.depth_mm, np.tan(np.radians(8.0))
        a, b = (3 * w, w), (3 * w - 2 * h * lean, w - 2 * h * lean)
        middle = (a[0] + b[0]) * (a[1] + b[1]) / 4
        prism = h / 6 * (a[0] * a[1] + 4 * middle + b[0] * b[1])
        ball = on ^ parts[joint.parts[1]].solid  # what stands beyond the cut: all tongues of this part
        beside = [j for j in made.joints if j.parts == joint.parts]
        assert ball.volume() == pytest.approx(len(beside) * prism, rel=1e-6)
        # Play by an independent road: from the tongue's faces to the other part's mesh.
        groove, tip = mesh_of(into), mesh_of(ball)
        middles = tip.corners.mean(axis=1)
        beyond = (middles - joint.at) @ joint.axis < -1e-3
        squared = igl.point_mesh_squared_distance(middles[beyond], groove.vertices, groove.triangles)[0]
        assert np.sqrt(squared).min() == pytest.approx(0.1 * np.cos(np.radians(8.0)), abs=0.02)
        # And outside of the groove a line of wall stays.
        outer = parts[joint.parts[1]].solid
        shell = mesh_of(outer)
        others = shell.submesh(np.flatnonzero((np.abs((shell.corners - joint.at) @ joint.axis) > 1e-4).any(axis=1)))
        deep = tip.vertices[(tip.vertices - joint.at) @ joint.axis < -1e-3]
        squared = igl.point_mesh_squared_distance(deep, others.vertices, others.triangles)[0]
        assert np.sqrt(squared).min() > 0.1 + JointOptions().line_mm - 1e-6


def test_a_part_never_outgrows_the_printer_by_its_tongues():
    """Two halves that fill the printer to the last millimetre get pins instead, and it is said."""
    mesh = shapes.box((80, 80, 500))
    _, parts = parted(mesh, (82.0, 82.0, 250.0))
    made = add_joints(parts, JointOptions("tongue"), room=np.array((82.0, 82.0, 250.0)))
    assert {j.kind for j in made.joints} == {"pin"} and any("would not fit" in r for r in made.remarks)
    made = add_joints(parts, JointOptions("tongue"), room=np.array((82.0, 82.0, 260.0)))
    assert {j.kind for j in made.joints} == {"tongue"}


def test_a_leaning_wall_is_told_from_a_thin_one():
    cone = shapes.revolved([(40, 0), (44.5, 0), (104.5, 60), (100, 60), (40, 0)], 96)
    limits = Limits(locked=(Plane((0.0, 0.0, 1.0), 30.0),))
    _, parts = parted(cone, COMMON, limits)
    (told,) = add_joints(parts).remarks
    assert "no joint" in told and "leans or bends" in told and ", 30 mm, has" in told
    _, parts = parted(shapes.tube(98, 100, 300))
    assert all("thinner than the 2.75 mm" in r for r in add_joints(parts).remarks)
