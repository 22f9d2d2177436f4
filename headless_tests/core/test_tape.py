# SPDX-License-Identifier: GPL-3.0-or-later
"""The sum that a maker does with a tape, beside a helmet's size."""

from __future__ import annotations

import armoury
import numpy as np
import pytest

from arming_cap.core.fit.size.tape import tape_of
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report.sizes import _by_tape
from arming_cap.core.wearer.form import Wearer
from arming_cap.core.wearer.headform import form_from_dimensions


@pytest.fixture(scope="module")
def wearer() -> Wearer:
    form = form_from_dimensions({"head_breadth": (150.0, 1.0), "head_length": (196.0, 1.0)})
    return Wearer("W", form, {"default": 6.0})


def at_the_band(wearer: Wearer, helmet: armoury.Helmet, scale: float) -> tuple[Piece, Pose]:
    """Return a helmet with its band at the height of the wearer's, and its middle over the head's."""
    marks = wearer.form.landmarks
    height = 0.5 * (marks["euryon_left"] + marks["euryon_right"])[2]
    along = 0.5 * (marks["glabella"] + marks["opisthocranion"])[1]
    piece = Piece("h", (Part("h", armoury.mesh_of(helmet)),))
    return piece, Pose(np.eye(3), np.array([0.0, along, height + 0.01 * scale]))


@pytest.mark.parametrize("scale", [1.0, 1.1])
def test_it_is_the_inside_less_the_head_less_the_hair(wearer, scale):
    helmet = armoury.Helmet(180, 220, 110, skirt=30)
    piece, pose = at_the_band(wearer, helmet, scale)
    tape = tape_of(piece, wearer, pose, scale)
    assert tape.inside_mm == pytest.approx((180 * scale, 220 * scale), abs=0.5)
    assert tape.head_mm == pytest.approx((150.0, 196.0), abs=1.0)
    assert tape.spare_mm == pytest.approx((180 * scale - 150 - 12, 220 * scale - 196 - 12), abs=1.5)
    said = _by_tape(tape.as_dict())
    assert said.startswith("by tape, inside at the band: breadth ") and "of hair and liner leaves" in said


def test_where_the_face_is_open_there_is_no_length(wearer):
    helmet = armoury.Helmet(180, 220, 110, skirt=60, face=60, brow=-20)
    piece, pose = at_the_band(wearer, helmet, 1.0)
    tape = tape_of(piece, wearer, pose, 1.0)
    assert tape.inside_mm[0] == pytest.approx(180, abs=0.5)
    assert tape.inside_mm[1] is None
    assert tape.as_dict()["spare_mm"][1] is None
    assert "length" not in _by_tape(tape.as_dict())


def test_off_the_head_there_is_none(wearer):
    piece, pose = at_the_band(wearer, armoury.Helmet(), 1.0)
    assert tape_of(piece, wearer, Pose(np.eye(3), pose.translation_mm + [0, 0, 900]), 1.0) is None
