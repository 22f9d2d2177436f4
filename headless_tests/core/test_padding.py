# SPDX-License-Identifier: GPL-3.0-or-later
"""The padding plan against spheres in closed form."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap.core.errors import InputError
from arming_cap.core.fit.size.padding import padding
from arming_cap.core.mesh import joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.wearer.form import Form, Wearer


def test_a_gap_takes_the_thickest_foam_it_holds_over_the_inner_surface():
    # Radii 60 and 75, walls to 79, allowance 2: the gap is 13, foam 10, on 4π·75² of inner surface
    wearer = Wearer("ball", Form(shapes.sphere(60, 64)), {"default": 2.0})
    shell = joined([shapes.sphere(75, 64), shapes.sphere(79, 64)], "shell")
    (pad,) = padding(Piece("shell", (Part("shell", shell),)), wearer)
    assert (pad.region, pad.thickness_mm) == ("whole", 10.0)
    assert pad.area_mm2 == pytest.approx(4 * np.pi * 75**2, rel=0.02)
    assert pad.gap_mm == pytest.approx(13.0, abs=0.2)
    with pytest.raises(InputError, match="above 0"):
        padding(Piece("shell", (Part("shell", shell),)), wearer, stock_mm=(0.0, 3.0))
