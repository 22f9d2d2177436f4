# SPDX-License-Identifier: GPL-3.0-or-later
"""A colour ramp for signed lengths: even steps to the eye, told apart by the colour-blind, zero the lightest.

Lightness and hue move along straight lines in Oklab (B. Ottosson, 2020), from rust below zero through near-white to
blue above. Blue and orange stay apart in all common kinds of colour blindness.
"""

from __future__ import annotations

import numpy as np

from ..arrays import FloatArray

# L, a, b in Oklab.
BELOW, ZERO, ABOVE = np.array([[0.48, 0.11, 0.10], [0.95, 0.0, 0.0], [0.40, -0.03, -0.15]])
STEP = 0.35
"""Where what falls short begins, as a share of its side, if zero is to be an edge and not only the lightest place."""

_CONES = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_SRGB = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)


def linear_colours(values: FloatArray, span: float, edge: bool = False) -> FloatArray:
    """Return colours for signed values.

    Parameters
    ----------
    values
        (n,) float; NaN is drawn mid-grey.
    span
        The value, above 0, at which the ramp ends on both sides.
    edge
        Whether the colour jumps at zero, as it should where zero decides.

    Returns
    -------
    (n, 3) float, linear sRGB, 0 to 1.
    """
    t = np.clip(np.asarray(values, float) / span, -1.0, 1.0)
    share = np.abs(np.nan_to_num(t))[:, None]
    share = np.where(t[:, None] < 0, STEP + (1 - STEP) * share, share) if edge else share
    lab = ZERO + share * (np.where(t[:, None] < 0, BELOW, ABOVE) - ZERO)
    lab = np.where(np.isnan(t)[:, None], [0.6, 0.0, 0.0], lab)
    return np.clip((lab @ _CONES.T) ** 3 @ _SRGB.T, 0.0, 1.0)


# What a maker looks for in a margin: by how much it is short, whether it is close, and no more than that it is ample.
MARGIN_STOPS = (-6.0, 0.0, 0.0, 2.0, 6.0, 12.0)
_MARGIN_LAB = np.array(
    [
        [0.38, 0.10, 0.09],  # short: rust, darker the more is lacking
        [0.62, 0.14, 0.12],
        [0.93, 0.00, 0.13],  # from here on there is room: pale straw where it is close
        [0.86, -0.05, 0.00],
        [0.52, -0.04, -0.12],  # blue where it is comfortable
        [0.66, -0.01, -0.03],  # and grey where it does not matter
    ]
)


def margin_colours(values: FloatArray) -> FloatArray:
    """Return colours for margins in mm (n,): short, 0 to 2, 2 to 6, more; (n, 3) linear sRGB, NaN neutral grey."""
    at = np.asarray(values, float)
    short = at < 0
    lab = np.empty((len(at), 3))
    for axis in range(3):
        lack = np.interp(at, MARGIN_STOPS[:2], _MARGIN_LAB[:2, axis])
        room = np.interp(at, MARGIN_STOPS[2:], _MARGIN_LAB[2:, axis])
        lab[:, axis] = np.where(short, lack, room)
    lab = np.where(np.isnan(at)[:, None], [0.72, 0.0, 0.0], lab)
    return np.clip((lab @ _CONES.T) ** 3 @ _SRGB.T, 0.0, 1.0)


def display_colours(values: FloatArray, span: float, edge: bool = False) -> FloatArray:
    """Return the same colours encoded for a screen, (n, 3) sRGB, 0 to 1 (IEC 61966-2-1)."""
    return display_of(linear_colours(values, span, edge))


def display_of(linear: FloatArray) -> FloatArray:
    """Return linear sRGB (n, 3) encoded for a screen."""
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
