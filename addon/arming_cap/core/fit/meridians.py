# SPDX-License-Identifier: GPL-3.0-or-later
"""What a triangle soup hides from a point: exact along meridians, half-planes about the straight-ahead axis.

A direction is an angle φ about the axis, which tells its meridian, and an *eccentricity* θ from 0 straight ahead to π
straight behind. The half-plane of a meridian cuts every triangle in a segment, and a segment blocks one interval of θ.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..mesh import TriangleMesh
from ..progress import Progress, silent

# The wearer's directions: ahead, to the left, up.
FRAME = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
# A slit or a thread narrower than this is rounding, or a triangle without area: a sharp eye resolves thirty times as
# much (1 minute of arc).
_SLIT_RAD = 1e-5
# Segments worked on at once, so that a chunk stays in the processor's cache.
_CHUNK = 60_000


@dataclass(frozen=True, eq=False)
class Blocked:
    """What is blocked along each of `count` meridians: disjoint intervals of eccentricity, in radians, sorted."""

    count: int
    row: IntArray
    low: FloatArray
    high: FloatArray

    @classmethod
    def merged(cls, count: int, row: IntArray, low: FloatArray, high: FloatArray) -> Blocked:
        """Return the union of any intervals."""
        # Four is more than half a turn: laid end to end, the meridians do not overlap.
        order = np.argsort(4.0 * row + low, kind="stable")
        row, low = row[order], low[order]
        reach = np.maximum.accumulate(4.0 * row + high[order]) - 4.0 * row
        first = np.ones(len(row), bool)
        first[1:] = (row[1:] != row[:-1]) | (low[1:] > reach[:-1] + _SLIT_RAD)
        last = np.roll(first, -1)
        return cls(count, row[first], low[first], reach[last])

    @classmethod
    def union(cls, count: int, parts: list[Blocked]) -> Blocked:
        """Return what any of some blocks."""
        row = np.concatenate([np.empty(0, np.int64)] + [part.row for part in parts])
        low = np.concatenate([np.empty(0)] + [part.low for part in parts])
        high = np.concatenate([np.empty(0)] + [part.high for part in parts])
        return cls.merged(count, row, low, high)

    def __add__(self, other: Blocked) -> Blocked:
        """Return what either blocks."""
        return self.union(self.count, [self, other])

    def open_sr(self) -> tuple[float, float]:
        """Return the open solid angle, and how well it is known.

        Where the edge has a corner, the midpoint rule on every third meridian errs nine times as much as on all, and
        the three differ by twelve times the error of all. (Every second would not do: what is symmetric is the same
        for both.) Where something begins between two meridians, straight behind for instance, the rule errs by up to
        half a step of what begins: the two largest such steps, a beginning and an end, are counted as well.
        """
        closed = np.bincount(self.row, np.cos(self.low) - np.cos(self.high), self.count)
        thirds = 2 * np.pi * (2.0 - closed.reshape(-1, 3).mean(axis=0))
        steps = np.sort(np.abs(closed - np.roll(closed, 1)))[-2:].sum() * np.pi / self.count
        return float(max(thirds.mean(), 0.0)), float(max(np.ptp(thirds), steps))

    def limits_deg(self) -> FloatArray:
        """Return where the open interval from straight ahead ends, (count,)."""
        out = np.full(self.count, np.pi)
        rows, first = np.unique(self.row, return_index=True)
        out[rows] = self.low[first]
        return _clean_degrees(out)

    def outermost_deg(self) -> FloatArray:
        """Return the outermost open eccentricity, (count,)."""
        out = np.full(self.count, np.pi)
        ends = self.high > np.pi - _SLIT_RAD
        out[self.row[ends]] = self.low[ends]
        return _clean_degrees(out)


def _clean_degrees(angle: FloatArray) -> FloatArray:
    return np.degrees(np.where(angle > _SLIT_RAD, angle, 0.0))


def _offset(count: int) -> float:
    """Return where the first meridian lies, in steps: four make the cross, more lie midway so as to be even."""
    return 0.0 if count == 4 else 0.5


def meridians(count: int) -> FloatArray:
    """Return the unit direction, left and up, of each meridian, (count, 2)."""
    angle = (np.arange(count) + _offset(count)) * (2 * np.pi / count)
    # Rounded, so that the cross is level and upright to the last bit.
    return np.round(np.stack([np.cos(angle), np.sin(angle)], axis=1), 15) + 0.0


@dataclass(frozen=True, eq=False)
class Surface:
    """Triangles as seen from an eye.

    Attributes
    ----------
    points
        (n, 3): ahead of the eye, to its left, above it.
    triangles
        (m, 3) rows of `points`.
    """

    points: FloatArray
    triangles: IntArray

    @classmethod
    def of(cls, mesh: TriangleMesh, eye: FloatArray, beyond_mm: float = 0.0) -> Surface:
        """Return a mesh seen from `eye`, without the triangles that have a corner within `beyond_mm` of it."""
        x, y, z = (mesh.vertices - eye).T
        points = np.stack([-y, x, z], axis=1)
        far = np.linalg.norm(points, axis=1) >= beyond_mm
        return cls(points, mesh.triangles[far[mesh.triangles].all(axis=1)])

    @cached_property
    def arcs(self) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Between which angles about the axis each triangle lies, and whether it is seen all round it, (m,) each."""
        around_axis = self.points[:, 1:]
        angle = np.arctan2(around_axis[:, 1], around_axis[:, 0])
        a, b, c = angle[self.triangles].T
        # Seen from the first corner the shorter way round, for a triangle beside the axis spans less than half a turn.
        to_b, to_c = ((other - a + np.pi) % (2 * np.pi) - np.pi for other in (b, c))
        low, high = np.minimum(np.minimum(to_b, to_c), 0.0), np.maximum(np.maximum(to_b, to_c), 0.0)
        on_axis = np.hypot(*around_axis.T) < 1e-9
        return a + low, a + high, (high - low > np.pi - 1e-9) | on_axis[self.triangles].any(axis=1)

    def blocks(self, count: int, progress: Progress = silent, text: str = "") -> Blocked:
        """Return what is blocked along `count` meridians."""
        parts = []
        for row, triangle, p, q in self.segments(count):
            parts.append(Blocked.merged(count, row, *intervals(p, q)))
            progress((int(triangle[-1]) + 1) / len(self.triangles), text)
        found = Blocked.union(count, parts)
        wide = found.high - found.low > _SLIT_RAD
        return Blocked(count, found.row[wide], found.low[wide], found.high[wide])

    def segments(self, count: int) -> Iterator[tuple[IntArray, IntArray, FloatArray, FloatArray]]:
        """Yield, chunk by chunk, where triangles cross the half-planes of the meridians.

        Each chunk is the meridian (k,), the triangle (k,) and the two ends (k, 2) of the segment, ahead and outwards
        of the eye. A segment may reach over the axis, to negative outwards.
        """
        step = 2 * np.pi / count
        start, end, around = self.arcs
        first = np.where(around, 0.0, np.ceil(start / step - _offset(count) - 1e-6)).astype(np.int64)
        last = np.where(around, count - 1.0, np.floor(end / step - _offset(count) + 1e-6)).astype(np.int64)
        crossed = np.flatnonzero(last >= first)
        first, number = first[crossed], (last - first + 1)[crossed]
        total = np.cumsum(number)
        along = meridians(count)
        done = 0
        while done < len(crossed):
            before = int(total[done - 1]) if done else 0
            upto = max(int(np.searchsorted(total, before + _CHUNK, side="right")), done + 1)
            pick = np.repeat(np.arange(done, upto), number[done:upto])
            row = (first[pick] + np.arange(len(pick)) + before - (total - number)[pick]) % count
            triangle = crossed[pick]
            done = upto
            ahead, left, above = np.moveaxis(self.points[self.triangles[triangle]], 2, 0)
            across, up = along[row].T[:, :, None]
            outwards = left * across + above * up
            # Which side of the half-plane each corner is on. None is on it: an edge counts for one of its triangles.
            off = above * across - left * up
            side = off >= 0
            lone = np.where(side[:, 0] == side[:, 1], 2, np.where(side[:, 0] == side[:, 2], 1, 0))
            k = np.flatnonzero((side[:, 0] != side[:, 1]) | (side[:, 1] != side[:, 2]))
            ends = []
            for turn in (1, 2):
                one, other = (k, lone[k]), (k, (lone[k] + turn) % 3)
                a, b = np.abs(off[one]), np.abs(off[other])
                ends.append(
                    np.stack([(ahead[one] * b + ahead[other] * a), (outwards[one] * b + outwards[other] * a)], axis=1)
                    / (a + b)[:, None]
                    + 0.0  # -0.0 on the axis would turn arctan2 round
                )
            near = np.flatnonzero(np.maximum(ends[0][:, 1], ends[1][:, 1]) >= 0)
            if len(near):
                yield row[k[near]], triangle[k[near]], ends[0][near], ends[1][near]


def intervals(p: FloatArray, q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the eccentricities (k,) between which segments from p to q (k, 2) block the half-plane."""
    at_p, at_q = np.arctan2(p[:, 1], p[:, 0]), np.arctan2(q[:, 1], q[:, 0])
    low, high = np.minimum(at_p, at_q), np.maximum(at_p, at_q)
    over = np.flatnonzero(low < 0)  # one end lies beyond the axis, straight ahead or straight behind
    crossing = p[over, 0] * q[over, 1] - q[over, 0] * p[over, 1]
    ahead = crossing * (q[over, 1] - p[over, 1]) > 0
    low[over], high[over] = np.where(ahead, 0.0, high[over]), np.where(ahead, high[over], np.pi)
    return low, high
