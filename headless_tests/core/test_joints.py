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

from arming_cap.core.make.joints import SIDES, JointOptions, add_joints, faces_between
from arming_cap.core.make.numbering import HEIGHTS_MM, lines, number_parts
from arming_cap.core.make.solid import mesh_of
from arming_cap.core.make.split import apply_plan, plan_split, workpiece
from arming_cap.core.make.split_cell import Plane
from arming_cap.core.make.split_model import SplitOptions
from arming_cap.core.make.split_search import Limits

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
