# SPDX-License-Identifier: GPL-3.0-or-later
"""Climbing where slopes mislead: the last steps of a seat, whose margin has edges and jumps.

The (1+1) evolution strategy with covariance matrix adaptation of Igel, Suttorp and Hansen 2006 ("A computational
efficient covariance matrix update and a (1+1)-CMA for evolution strategies"), with their constants: one step at a time
is drawn about the best place so far; the steps' size follows how often they succeed, and their shape the directions in
which they did. It draws from a fixed seed: the same question has the same answer.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ...arrays import FloatArray

SETTLED = 1e-3  # of the first step's size: steps as small as that find nothing more


def climbed(worth: Callable[[FloatArray], float], freedoms: int, step: float, looks: int) -> FloatArray:
    """Return where (freedoms,) the worth is largest, as found from the origin.

    Parameters
    ----------
    worth
        What is to be large, of a place (freedoms,).
    freedoms
        How many numbers a place has, of like size.
    step
        The standard deviation of the first steps along each.
    looks
        How often the worth is asked for at most, the origin not counted.
    """
    best = np.zeros(freedoms)
    if not freedoms:
        return best
    value, size = worth(best), step
    rng = np.random.default_rng(0)
    aimed, patience = 2 / 11, 1 + freedoms / 2
    gain_success, gain_path, gain_shape = 1 / 12, 2 / (freedoms + 2), 2 / (freedoms**2 + 6)
    success, path = aimed, np.zeros(freedoms)
    shape = root = np.eye(freedoms)
    for _ in range(looks):
        way = root @ rng.standard_normal(freedoms)
        place = best + size * way
        new = worth(place)
        better = new > value
        success += gain_success * (better - success)
        size *= float(np.exp((success - aimed) / (patience * (1 - aimed))))
        if better:
            best, value = place, new
            often = success > 0.44
            path = (1 - gain_path) * path + (0.0 if often else np.sqrt(gain_path * (2 - gain_path))) * way
            kept = gain_path * (2 - gain_path) if often else 0.0
            shape = (1 - gain_shape) * shape + gain_shape * (np.outer(path, path) + kept * shape)
            root = np.linalg.cholesky(shape)
        if size < SETTLED * step:
            break
    return best
