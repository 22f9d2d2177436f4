# SPDX-License-Identifier: GPL-3.0-or-later
"""Boxes that share faces: floods, cheapest ways and widest ways through them, in whole arrays at a time."""

from __future__ import annotations

import numpy as np

from ...arrays import BoolArray, FloatArray, IntArray


class Faces:
    """Faces between boxes that are not closed, `alive` (n,), of all `edges`: two arrays of the boxes on either side."""

    def __init__(self, edges: tuple[IntArray, IntArray], alive: BoolArray) -> None:
        a, b = edges
        both = alive[a] & alive[b]
        a, b = a[both], b[both]
        source, target = np.concatenate([a, b]), np.concatenate([b, a])
        order = np.argsort(target, kind="stable")
        self.source, target = source[order], target[order]
        self.begin = np.flatnonzero(np.diff(target, prepend=-1))
        self.target = target[self.begin]
        self.number = len(alive)

    def spread(self, start: BoolArray, weight: FloatArray) -> FloatArray:
        """Return the least sums of weights on a way from the start to each box, its own included; inf where none."""
        cost = np.full(self.number, np.inf)
        cost[start] = weight[start]
        if not len(self.source):
            return cost
        own = weight[self.target]
        while True:
            new = np.minimum(cost[self.target], np.minimum.reduceat(cost[self.source], self.begin) + own)
            if (new == cost[self.target]).all():
                return cost
            cost[self.target] = new

    def widest(self, start: BoolArray, value: FloatArray) -> FloatArray:
        """Return the largest least value on a way from the start to each box; -inf where none leads there."""
        width = np.full(self.number, -np.inf)
        width[start] = value[start]
        if not len(self.source):
            return width
        own = value[self.target]
        while True:
            new = np.maximum(width[self.target], np.minimum(np.maximum.reduceat(width[self.source], self.begin), own))
            if (new == width[self.target]).all():
                return width
            width[self.target] = new

    def path(self, near: FloatArray, far: FloatArray, weight: FloatArray) -> IntArray:
        """Return the boxes on a cheapest way from the start to the end."""
        at = int(np.argmin(np.where(far <= weight, near, np.inf)))
        path = [at]
        ends = np.append(self.begin, len(self.source))
        place = {int(t): k for k, t in enumerate(self.target)}
        while near[at] > weight[at] + 1e-12:
            k = place[at]
            beside = self.source[ends[k] : ends[k + 1]]
            at = int(beside[np.argmin(near[beside])])
            path.append(at)
        return np.array(path[::-1])


def grid_faces(shape: tuple[int, ...]) -> tuple[IntArray, IntArray]:
    """Return the boxes on either side of each face of a grid of boxes, numbered in C order."""
    number = np.arange(int(np.prod(shape))).reshape(shape)
    pairs = [
        (np.take(number, range(n - 1), axis).ravel(), np.take(number, range(1, n), axis).ravel())
        for axis, n in enumerate(shape)
    ]
    return np.concatenate([a for a, _ in pairs]), np.concatenate([b for _, b in pairs])
