# SPDX-License-Identifier: GPL-3.0-or-later
"""A visor swings up and not down through the chest; a door swings out and not in."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.fit.passage.hinges import settled_hinges
from arming_cap.core.mesh import joined
from arming_cap.core.piece import Hinge, Part, Piece
from arming_cap.core.wearer.form import Form, Wearer


def wearer() -> Wearer:
    """A head of 90 mm radius on a trunk, closed bodies one above the other."""
    head, trunk = shapes.sphere(90, 48), shapes.box((360, 220, 300), (0, 0, -270))
    mesh = joined([head, trunk], "body")
    chest = (mesh.corners.mean(axis=1)[:, 2] < -100).astype(np.int64)
    return Wearer("Odo", Form(mesh, ("crown", "chest"), chest))


def helm(opens: float, signed: bool, axis=(1.0, 0.0, 0.0)) -> Piece:
    """A shell open in front, and before it a visor that swings about the ears."""
    shell = shapes.dome(100, 104, 0, 48, 24)
    visor = shapes.box((120, 6, 110), (0, -109, -15))
    hinge = Hinge(np.zeros(3), np.array(axis), opens, signed)
    return Piece("helm", (Part("shell", shell), Part("visor", visor, True, hinge)))


@pytest.mark.parametrize("placed", [True, False])
@pytest.mark.parametrize(("axis", "wanted"), [((1.0, 0, 0), -100.0), ((-1.0, 0, 0), 100.0)])
def test_without_a_sign_the_visor_swings_up(placed, axis, wanted):
    piece, said = settled_hinges(helm(100, False, axis), wearer(), placed)
    assert piece.parts[1].hinge.opens_deg == wanted
    assert said[0].startswith(f"visor opens by {wanted:+g}°")


def test_a_sign_that_swings_into_the_chest_is_kept_and_said():
    piece, said = settled_hinges(helm(100, True), wearer(), True)
    assert piece.parts[1].hinge.opens_deg == 100
    assert "into Odo's chest" in said[0] and "-100° would swing it clear" in said[0]
    assert settled_hinges(helm(-100, True), wearer(), True)[1] == ()
