# SPDX-License-Identifier: GPL-3.0-or-later
"""The colour ramp: zero marked, even in lightness, and apart for the colour-blind."""

from __future__ import annotations

import numpy as np

from arming_cap.core.report.ramp import display_colours, linear_colours

# Viénot, Brettel and Mollon 1999, linear sRGB, from memory: what a protanope and a deuteranope see.
PROTAN = np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, -0.0], [0.00401, -0.00401, 1.0]])
DEUTAN = np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, -0.0], [-0.02234, 0.02234, 1.0]])


def luminance(linear):
    """Relative luminance (IEC 61966-2-1)."""
    return linear @ [0.2126, 0.7152, 0.0722]


def test_both_sides_darken_away_from_zero():
    away = np.linspace(0.02, 1.0, 50)
    for side in (-1.0, 1.0):
        light = luminance(linear_colours(side * away, 1.0))
        assert (np.diff(light) < 0).all()
    assert luminance(linear_colours(np.zeros(1), 1.0))[0] > 0.8


def test_an_edge_at_zero_is_seen_and_the_ends_stay():
    low, zero = linear_colours(np.array([-1e-6, 0.0]), 1.0, edge=True)
    assert luminance(zero) - luminance(low) > 0.3
    ends = np.array([-1.0, 1.0])
    assert np.allclose(linear_colours(ends, 1.0, edge=True), linear_colours(ends, 1.0))


def test_both_sides_stay_apart_for_the_colour_blind():
    away = np.linspace(0.3, 1.0, 8)
    below, above = linear_colours(-away, 1.0), linear_colours(away, 1.0)
    for seen in (np.eye(3), PROTAN, DEUTAN):
        assert (np.linalg.norm((below - above) @ seen.T, axis=1) > 0.15).all()


def test_beyond_the_span_nothing_changes_and_nan_is_grey():
    ends = display_colours(np.array([1.0, 7.0, np.inf, -1.0, -9.0, np.nan]), 1.0)
    assert (ends[0] == ends[1]).all() and (ends[0] == ends[2]).all() and (ends[3] == ends[4]).all()
    assert np.ptp(ends[5]) < 0.01
    assert (ends >= 0).all() and (ends <= 1).all()
