# SPDX-License-Identifier: GPL-3.0-or-later
"""Bending a template until it measures as asked, by maps of space that cannot fold it.

Each map moves points along lines (or rays of a level plane) and keeps their order on every one of them: it has an
inverse, and so has any chain of such maps. A surface that does not cut itself therefore never does so after them, up to
what straight sides of triangles add to a smooth map.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..arrays import FloatArray

# A measure is met to this; no user's contract is finer than 1 mm.
TOLERANCE_MM = 0.1
MOST_STEPS = 20
# Only so that no system is singular.
DAMPING = 1e-9
# The longest step of a parameter, in its own prior spreads.
MOST_STEP = 3.0


def step(t: FloatArray, start: float | FloatArray, end: float | FloatArray) -> FloatArray:
    """Return 0 before `start`, 1 after `end`, twice differentiable between; start may lie above end."""
    s: FloatArray = np.clip((t - start) / (end - start), 0.0, 1.0)
    return s**3 * (10 - 15 * s + 6 * s**2)


def monotone(x: Sequence[float] | FloatArray, y: Sequence[float] | FloatArray, at: FloatArray) -> FloatArray:
    """Interpolate by piecewise cubics that stay between neighbouring values (Fritsch and Butland 1984).

    Outside of `x` (ascending) the end's value is kept.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if len(x) == 1:
        return np.full(len(at), y[0])
    h, slope = np.diff(x), np.diff(y) / np.diff(x)
    rate = np.zeros(len(x))
    with np.errstate(divide="ignore", invalid="ignore"):
        w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
        inner = (w1 + w2) / (w1 / slope[:-1] + w2 / slope[1:])
    rate[1:-1] = np.where(slope[:-1] * slope[1:] > 0, inner, 0.0)
    at = np.clip(at, x[0], x[-1])
    k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(h) - 1)
    t = (at - x[k]) / h[k]
    found: FloatArray = (
        y[k] * (1 + 2 * t) * (1 - t) ** 2
        + rate[k] * h[k] * t * (1 - t) ** 2
        + y[k + 1] * t**2 * (3 - 2 * t)
        + rate[k + 1] * h[k] * t**2 * (t - 1)
    )
    return found


def stretched(x: Sequence[float] | FloatArray, y: Sequence[float] | FloatArray, at: FloatArray) -> FloatArray:
    """Return a rising map through the points (x, y), with straight ends that go on at the outer pairs' slopes."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    # What the straight line from end to end leaves over is interpolated; far outside only the line counts.
    first, last = (y[1] - y[0]) / (x[1] - x[0]), (y[-1] - y[-2]) / (x[-1] - x[-2])
    low, high = x[0] - 100.0, x[-1] + 100.0
    knots = np.concatenate([[low - 400.0, low], x, [high, high + 400.0]])
    values = np.concatenate([y[0] + first * (knots[:2] - x[0]), y, y[-1] + last * (knots[-2:] - x[-1])])
    return monotone(knots, values, at)


@dataclass(frozen=True)
class Bend:
    """A template's bend: parameters, how far each is expected to go, and the map they make.

    Attributes
    ----------
    names, sd
        Of the k parameters; 0 is the template.
    move
        ``move(points, p)``: where points (n, 3) go with the parameters (k,).
    measure
        ``measure(p)``: dimensions by name.
    """

    names: tuple[str, ...]
    sd: FloatArray
    move: Callable[[FloatArray, FloatArray], FloatArray]
    measure: Callable[[FloatArray], Mapping[str, float]]


def solve(bend: Bend, wanted: Mapping[str, float]) -> tuple[FloatArray, dict[str, float]]:
    """Return the smallest parameters with which the form measures as wanted, and by how much each dimension is off.

    Gauss-Newton for the parameters of least weight (each in its own spread) that meet the dimensions, with Broyden's
    update of the slopes; slopes are taken anew where that stalls.
    """
    names = list(wanted)
    aim = np.array([wanted[n] for n in names])
    variance = bend.sd**2

    def off(p: FloatArray) -> FloatArray:
        found = bend.measure(p)
        return aim - np.array([found[n] for n in names])

    def slopes_at(p: FloatArray, gap: FloatArray) -> FloatArray:
        h = 0.02 * bend.sd
        return np.stack([(gap - off(p + h * e)) / h[i] for i, e in enumerate(np.eye(len(p)))], axis=1)

    p = np.zeros(len(bend.names))
    gap = off(p)
    slopes = slopes_at(p, gap)
    best, closest, since = p, gap, 0
    for _ in range(MOST_STEPS):
        if np.abs(closest).max() < TOLERANCE_MM:
            break
        square = (slopes * variance) @ slopes.T
        square += DAMPING * np.trace(square) * np.eye(len(names))
        there = variance * (slopes.T @ np.linalg.solve(square, gap + slopes @ p))
        way = there - p
        way *= min(1.0, MOST_STEP / max(float(np.abs(way / bend.sd).max()), 1e-12))
        new = off(p + way)
        slopes = slopes + np.outer(gap - new - slopes @ way, way / variance) / max(float(way @ (way / variance)), 1e-12)
        p, gap, since = p + way, new, since + 1
        if np.abs(gap).max() < 0.7 * np.abs(closest).max():
            since = 0
        if np.abs(gap).max() < np.abs(closest).max():
            best, closest = p, gap
        elif since >= 3:  # worn out: start again from the best
            p, gap, since = best, closest, 0
            slopes = slopes_at(p, gap)
    return best, dict(zip(names, closest))
