# SPDX-License-Identifier: GPL-3.0-or-later
"""Laying a piece on: the pose, square or as filed, near which its inside follows the body most evenly."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.field import Field, Probe
from ...pose import Pose
from .attitude import Attitude
from .steps import FREEDOMS, Steps, moved

_SOFT_MM = 10.0  # unevenness beyond this counts by its length alone
_UNEVEN_MM = 40.0  # what unevenness by one counts beside margin: a slotted piece laid before a thigh cuts in nowhere
LACKS_MM = 3.0  # as laid on, what cuts in by no more stays about where its file holds it
_SNUG = 0.05  # of places alike in both, the one where the piece follows the limb more closely
_SKULL_MM = 120.0
_ALONG_MM = 15.0  # how densely heights along a limb are tried


class Laying:
    """Points (n, 3) of a piece's inside, about 800, to be laid on a form."""

    def __init__(self, field: Field, points: FloatArray, steps: Steps) -> None:
        self.field, self.points, self.steps = field, points, steps
        self._probe = Probe(field, points)

    def skull(self) -> FloatArray:
        """Return the form's vertices (n, 3) from its top down to the ears."""
        vertices = self.field.form.mesh.vertices
        skull: FloatArray = vertices[vertices[:, 2] > vertices[:, 2].max() - _SKULL_MM]
        return skull

    def on_head(self, attitude: Attitude, middle: FloatArray, inside: FloatArray, scale: float) -> Pose:
        """Return the square pose over a head, or before its face where the piece is shallow.

        `middle` (3,) is of the wearer's mirror plane, `inside` (m, 3) of the piece.
        """
        axes = self.steps.axes
        turn = axes @ attitude.axes.T
        skull, vertices = self.skull(), self.field.form.mesh.vertices
        top = vertices[:, 2].max()
        inner = scale * inside @ turn.T
        held = inner.mean(axis=0)
        low, high = inner.min(axis=0), inner.max(axis=0)
        if attitude.shallow:
            face = self.field.form.landmarks.get("sellion")
            front = vertices[:, 1].min() if face is None else float(face[1])
            height = top - 125.0 if face is None else float(face[2]) - 20.0
            aim = np.array([middle[0], front + 10.0, height])
        else:
            aim = np.array([middle[0], 0.5 * (skull[:, 1].min() + skull[:, 1].max()), top - high[2] + held[2] + 8.0])
            held = np.array([held[0], 0.5 * (low[1] + high[1]), held[2]])
        own = (turn @ (scale * attitude.middle)) @ axes[:, 0]
        shift = aim - held
        shift = shift + (middle @ axes[:, 0] - own - shift @ axes[:, 0]) * axes[:, 0]
        free = np.zeros(6, bool)
        free[[1, 2]] = True
        return self._evened(Pose(turn, shift), scale, free)[0]

    def as_filed(self, start: Pose, scale: float, free: Any) -> Pose:
        """Return the most even pose about the file's own, in some of the freedoms (6,)."""
        starts = [start]
        for k in range(3):
            starts += [self.steps.pose_at(start, s * 50.0 * np.eye(6)[k] * free, scale) for s in (-1, 1)]
            starts += [self.steps.pose_at(start, s * 31.0 * np.eye(6)[3 + k] * free, scale) for s in (-1, 1)]
        tried = [self._evened(pose, scale, free) for pose in starts]
        best, cost = tried[0]
        for pose, other in tried[1:]:
            if other < 0.98 * cost - 1e-6:  # of equals, such as the turns of a ball, the one nearest to the start
                best, cost = pose, other
        return best

    def along(self, base: Pose, scale: float, free: Any) -> Pose:
        """Return a pose that follows the body evenly and does not cut into it, anywhere along the form.

        What is so where its file holds it stays there. But what is even as a whole may cut in at one end, as a greave
        does that has slid up over the knee; and a file may hold a bracer beside the hand.
        """
        up = self.steps.axes[:, 2]
        held = free & np.array([n != "height" for n in FREEDOMS])

        def tried(height: float) -> tuple[float, float, Pose]:
            pose, cost = self._evened(moved(base, height * up), scale, held)
            off = np.asarray(self._probe.standoff(pose, scale), float)
            lack = min(float(off.min()), 0.0)
            return lack, lack - _UNEVEN_MM * cost - _SNUG * max(float(np.median(off)), 0.0), pose

        lack, best, pose = tried(0.0)
        if lack > -LACKS_MM and best > -2 * LACKS_MM:
            return base
        own, body = base.apply(scale * self.points) @ up, self.field.form.mesh.vertices @ up
        down, above = min(0.0, float(body.min() - own.min())), max(0.0, float(body.max() - own.max()))
        for height in np.linspace(down, above, int((above - down) / _ALONG_MM) + 1):
            _, worth, there = tried(float(height))
            worth -= 1e-3 * abs(float(height))
            if worth > best:
                best, pose = worth, there
        return pose

    def _evened(self, pose: Pose, scale: float, free: Any) -> tuple[Pose, float]:
        """Return the pose near one with the most even standoffs, and their robust spread (Levenberg-Marquardt)."""
        damping = 1e-2

        def spread(at: Pose) -> tuple[float, FloatArray]:
            value = np.asarray(self._probe.standoff(at, scale), float)
            off = value - float(np.median(value))
            return float(np.mean(np.sqrt(1 + (off / _SOFT_MM) ** 2) - 1)), off

        cost, off = spread(pose)
        for _ in range(40):
            jacobian = self.steps.slopes(self.field, self.points, pose, scale)[:, free]
            weight = 1 / np.sqrt(1 + (off / _SOFT_MM) ** 2)
            centred = jacobian - (weight[:, None] * jacobian).sum(axis=0) / weight.sum()
            normal = centred.T @ (weight[:, None] * centred) / len(off)
            step = np.zeros(6)
            step[free] = np.linalg.solve(normal + damping * np.eye(len(normal)), -centred.T @ (weight * off) / len(off))
            onward = self.steps.pose_at(pose, step, scale)
            new, new_off = spread(onward)
            if new < cost:
                done = cost - new < 1e-6 * cost
                pose, cost, off, damping = onward, new, new_off, max(damping / 4, 1e-6)
                if done:
                    break
            elif (damping := damping * 8) > 1e4:
                break
        return pose, cost
