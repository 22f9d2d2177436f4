# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces: names, what comes off, and parts that are not where they are worn."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.errors import InputError
from arming_cap.core.piece import Hinge, Part, Piece, misplacements
from arming_cap.core.pose import Pose


def piece(**meshes):
    return Piece("piece", tuple(Part(name, mesh) for name, mesh in meshes.items()))


def test_parts_beside_each_other_are_in_place():
    assert misplacements(piece(a=shapes.box((9, 9, 9)), b=shapes.box((9, 9, 9), (9, 0, 0)))) == []


def test_a_liner_inside_a_shell_is_in_place():
    """It lies inside the shell's room, not inside its wall, and lower than the shell's middle."""
    assert misplacements(piece(shell=shapes.dome(90, 94, -30), liner=shapes.dome(80, 88, -60))) == []


def test_parts_centred_on_one_point_are_told():
    stacked = piece(a=shapes.box((80, 90, 100)), b=shapes.box((30, 60, 20)))
    assert misplacements(stacked) == ["parts 'a' and 'b' share one centre"]


def test_a_part_inside_another_is_told():
    buried = piece(a=shapes.box((80, 90, 100)), b=shapes.box((10, 10, 10), (20, 20, 20)))
    assert misplacements(buried) == ["parts 'a' and 'b' lie deep inside one another"]


def test_a_rivet_that_reaches_into_the_wall_is_no_doubt():
    assert misplacements(piece(wall=shapes.box((80, 80, 4)), rivet=shapes.box((3, 3, 20), (0, 0, 11)))) == []


def test_names_must_differ_and_something_must_be_left():
    with pytest.raises(InputError, match="two parts are named 'a'"):
        Piece("p", (Part("a", shapes.box()), Part("a", shapes.box())))
    with pytest.raises(InputError, match="no part"):
        Piece("p", ())
    with pytest.raises(InputError, match="there is no part 'c'"):
        piece(a=shapes.box(), b=shapes.box()).without(["c"])


def test_a_hinge_goes_with_its_part():
    hinge = Hinge(np.array([0.0, 0, 10]), np.array([1.0, 0, 0]), 90)
    one = Piece("p", (Part("a", shapes.box(), True, hinge),))
    assert one.scaled(2).parts[0].hinge.point_mm == pytest.approx([0, 0, 20])
    turned = one.moved(Pose.of((1, 2, 3), (0, 0, 90))).parts[0].hinge
    assert turned.point_mm == pytest.approx([1, 2, 13]) and turned.axis == pytest.approx([0, 1, 0])
