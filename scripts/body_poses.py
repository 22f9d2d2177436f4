# SPDX-License-Identifier: GPL-3.0-or-later
"""Lay the three CC0 bodies of the tests into the attitudes of the limb templates.

The bodies stand with the arms some 40° off the trunk, elbows a little bent, fingers spread. They share their topology,
so what is found on one (a ring round the wrist, a finger) is known on all. Limbs are turned about joints, the centroids
of rings, by angles that grow smoothly with the way over the skin from the fingertip; no vertex is mixed from two
turned places, so nothing collapses at a joint.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "addon"))

from arming_cap.core.formats import read_mesh  # noqa: E402

HUMAN = ROOT / "headless_tests" / "data" / "human"
NAMES = ("adult_a", "adult_b", "adult_c")
# Vertices at the tips of the left hand, read off the bodies: from the first finger to the little one, and the thumb.
FINGERS, THUMB = (8778, 9049, 9485, 9727), 9819
# The way over the skin from the tip of the middle finger, mm on the mean body; read off its sections.
WRIST, ELBOW, ARMPIT, SHOULDER = 186.0, 432.0, 590.0, 690.0
# Of the trunk with hanging arms: how far the arm stays off the upright.
HANGING_DEG = 14.0


def step(t: np.ndarray, start: float, end: float) -> np.ndarray:
    """Return 0 before `start`, 1 after `end`, smooth between."""
    s = np.clip((t - start) / (end - start), 0.0, 1.0)
    return s * s * (3 - 2 * s)


def turned(points: np.ndarray, about: np.ndarray, axis: np.ndarray, angles: np.ndarray) -> np.ndarray:
    """Turn each point by its own angle in radians about one axis through `about` (Rodrigues)."""
    axis = axis / np.linalg.norm(axis)
    p = points - about
    c, s = np.cos(angles)[:, None], np.sin(angles)[:, None]
    return about + p * c + np.cross(axis, p) * s + np.outer(p @ axis, axis) * (1 - c)


def aligned(points: np.ndarray, about: np.ndarray, way: np.ndarray, to: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Turn points about a joint so that the direction `way` becomes `to`, each by its share of the angle."""
    way, to = way / np.linalg.norm(way), to / np.linalg.norm(to)
    axis = np.cross(way, to)
    angle = np.arctan2(np.linalg.norm(axis), way @ to)
    return turned(points, about, axis, angle * share) if angle > 1e-9 else points


@dataclass(frozen=True)
class Bodies:
    """The bodies' vertices (3, n, 3) in mm, their shared triangles, and the eyes' height of each."""

    vertices: np.ndarray
    triangles: np.ndarray
    eye: np.ndarray

    @classmethod
    def read(cls) -> Bodies:
        """Read them from the tests' data."""
        marks = json.loads((HUMAN / "landmarks.json").read_text())
        meshes = [read_mesh(HUMAN / f"{name}.obj").mesh for name in NAMES]
        eye = np.array([marks[name]["eye_centre_left"] for name in NAMES])
        return cls(np.stack([m.vertices for m in meshes]), meshes[0].triangles, eye)

    @cached_property
    def mean(self) -> np.ndarray:
        """The mean body's vertices, (n, 3)."""
        return self.vertices.mean(axis=0)

    @cached_property
    def graph(self) -> sparse.csr_matrix:
        """The mean body's edges with their lengths."""
        ends = np.unique(np.sort(self.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
        length = np.linalg.norm(self.mean[ends[:, 0]] - self.mean[ends[:, 1]], axis=1)
        n = len(self.mean)
        half = sparse.coo_matrix((length, (ends[:, 0], ends[:, 1])), (n, n))
        return (half + half.T).tocsr()

    def way(self, row: int) -> np.ndarray:
        """Return the way over the skin from a vertex, (n,) mm on the mean body; infinite on the body's right."""
        far = csgraph.dijkstra(self.graph, indices=[row])[0]
        return np.where(self.mean[:, 0] > 0, far, np.inf)

    @cached_property
    def along_arm(self) -> np.ndarray:
        """The way from the tip of the left middle finger, (n,) mm."""
        # The thumb lies beside the way: what is nearer to its tip than its root is counts as of the palm.
        thumb = step(self.way(THUMB), 70.0, 125.0)
        far = self.way(FINGERS[1])
        return np.where(thumb < 1, np.minimum(far, 120.0 + 60.0 * thumb), far)

    def ring(self, vertices: np.ndarray, at: float, half: float = 14.0) -> np.ndarray:
        """Return the centre of the arm where the way from the fingertip is `at`."""
        return vertices[np.abs(self.along_arm - at) < half].mean(axis=0)

    def straight_arm(self, body: np.ndarray, thumb: str = "flat") -> np.ndarray:
        """Return a body's vertices with the left arm straight down, the palm to the thigh, fingers together.

        The elbow's crease is in front. `thumb` is ``flat`` (along the first finger) or ``tucked`` (under the palm).
        Only the arm's vertices mean anything.
        """
        d = self.along_arm
        d = np.where(np.isfinite(d), d, 2000.0)
        v = body.copy()
        knuckles = self.ring(v, 100.0, 12.0)
        wrist, elbow, shoulder = (self.ring(v, at) for at in (WRIST, ELBOW, ARMPIT + 20))
        v = aligned(v, wrist, knuckles - wrist, wrist - elbow, step(d, WRIST + 25, WRIST - 25))
        bent = np.cross(elbow - shoulder, wrist - elbow)
        v = aligned(v, elbow, wrist - elbow, elbow - shoulder, step(d, ELBOW + 55, ELBOW - 55))
        down = np.array([0.0, 0.0, -1.0])
        whole = np.ones(len(v))
        axis = turned(
            bent[None], np.zeros(3), np.cross(elbow - shoulder, down), np.array([_angle(elbow - shoulder, down)])
        )[0]
        v = aligned(v, shoulder, elbow - shoulder, down, whole)
        # The forearm was bent towards -Y when the axis of the bend points to the body's right.
        v = turned(v, shoulder, np.array([0, 0, 1.0]), whole * (np.pi - np.arctan2(axis[1], axis[0])))
        v = self._palm_in(v, d)
        v = self._fingers_together(v, thumb)
        wrist, elbow = self.ring(v, WRIST), self.ring(v, ELBOW)
        return v - [elbow[0], elbow[1], 0.0]

    def _palm_in(self, v: np.ndarray, d: np.ndarray) -> np.ndarray:
        """Twist the forearm so that the knuckles lie along Y, the first finger in front."""
        wrist = self.ring(v, WRIST)
        first, last = (np.abs(self.finger_ways[k] - 66.0) < 9.0 for k in (0, 3))
        across = (v[first].mean(axis=0) - v[last].mean(axis=0))[:2]
        twist = np.arctan2(-1.0, 0.0) - np.arctan2(across[1], across[0])
        twist = (twist + np.pi) % (2 * np.pi) - np.pi
        return turned(v, wrist, np.array([0, 0, 1.0]), twist * step(d, ELBOW - 20, WRIST + 5))

    @cached_property
    def finger_ways(self) -> np.ndarray:
        """The way from each tip, first to little finger, then thumb, (5, n); infinite where another tip is nearer."""
        ways = np.stack([self.way(tip) for tip in (*FINGERS, THUMB)])
        return np.where(ways == ways.min(axis=0), ways, np.inf)

    def _fingers_together(self, v: np.ndarray, thumb: str) -> np.ndarray:
        down = np.array([0.0, 0.0, -1.0])
        *fingers, last = self.finger_ways
        for tip, way in zip(FINGERS, fingers):
            root = v[np.abs(way - 72.0) < 9.0].mean(axis=0)
            v = aligned(v, root, v[tip] - root, down, step(way, 84.0, 54.0))
        root = v[np.abs(last - 84.0) < 10.0].mean(axis=0)
        middle = v[np.abs(last - 45.0) < 8.0].mean(axis=0)
        to = {"flat": np.array([-0.2, -0.85, -1.0]), "tucked": np.array([-0.35, 0.35, -1.0])}[thumb]
        v = aligned(v, root, middle - root, to, step(last, 105.0, 55.0))
        joint = v[np.abs(last - 45.0) < 8.0].mean(axis=0)
        bend = {"flat": np.array([-0.05, -0.15, -1.0]), "tucked": np.array([-0.05, 0.6, -1.0])}[thumb]
        return aligned(v, joint, v[THUMB] - joint, bend, step(last, 52.0, 34.0))

    def straight_leg(self, body: np.ndarray) -> np.ndarray:
        """Return a body's vertices with the left leg upright by a shear, the toes to -Y, and the sole on z = 0.

        A shear keeps every level where it is: the foot stays flat, girths are level as a tape is laid.
        """
        v = body.copy()
        knob, thigh = (self._leg_centre(v, share) for share in (0.055, 0.42))
        lean = (thigh - knob)[0] / (thigh - knob)[2]
        v[:, 0] -= knob[0] + lean * (v[:, 2] - knob[2])
        foot = (body[:, 0] > 0) & (v[:, 2] < 60.0)
        heel = v[foot & (v[:, 1] > np.quantile(v[foot, 1], 0.9))].mean(axis=0)
        toes = v[foot & (v[:, 1] < np.quantile(v[foot, 1], 0.1))].mean(axis=0)
        splay = np.arctan2((toes - heel)[0], -(toes - heel)[1])
        v = turned(v, np.array([0.0, knob[1], 0.0]), np.array([0, 0, 1.0]), np.full(len(v), -splay))
        return v - [0.0, self._leg_centre(v, 0.09)[1], v[:, 2].min()]

    def _leg_centre(self, v: np.ndarray, share: float) -> np.ndarray:
        at = share * np.ptp(v[:, 2])
        near = (self.mean[:, 0] > 0) & (np.abs(self.mean[:, 2] - share * np.ptp(self.mean[:, 2])) < 16.0)
        near &= ~np.isfinite(self.along_arm) | (self.along_arm > 900.0)
        low, high = v[near].min(axis=0), v[near].max(axis=0)
        return np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, at])

    def trunk(self, body: np.ndarray, hanging: bool) -> np.ndarray:
        """Return a body's vertices with both arms hanging `HANGING_DEG` off the upright, or as they are."""
        v = body.copy()
        if not hanging:
            return v
        d = np.where(np.isfinite(self.along_arm), self.along_arm, 2000.0)
        elbow, shoulder = self.ring(v, ELBOW), self.ring(v, SHOULDER) + [8.0, 0.0, 25.0]
        out = np.radians(HANGING_DEG)
        to = np.array([np.sin(out), 0.0, -np.cos(out)])
        left = aligned(v, shoulder, elbow - shoulder, to, step(d, SHOULDER + 45, ARMPIT - 10))
        mirror = self.mirror
        moved = np.where((v[:, :1] > 0), left, left[mirror] * [-1.0, 1.0, 1.0])
        return np.where(np.abs(v[:, :1]) < 1e-6, v, moved)

    @cached_property
    def mirror(self) -> np.ndarray:
        """For each vertex the row of its mirror image."""
        from scipy.spatial import cKDTree

        return cKDTree(self.mean).query(self.mean * [-1.0, 1.0, 1.0])[1]


def _angle(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b))
