# SPDX-License-Identifier: GPL-3.0-or-later
"""Triangle meshes in millimetres, and what is sound or unsound about them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .arrays import BoolArray, FloatArray, IntArray
from .pose import Pose

MIXERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)  # odd, any will do


@dataclass(frozen=True, eq=False)
class TriangleMesh:
    """Triangles that share vertices; any soup will do.

    Attributes
    ----------
    vertices
        (n, 3) float64, millimetres.
    triangles
        (m, 3) int64, rows of `vertices`, counter-clockwise seen from outside.
    name
        What to call it in a message: the file's name without its ending, or the object's name.
    """

    vertices: FloatArray
    triangles: IntArray
    name: str = ""

    def __post_init__(self) -> None:
        vertices = np.ascontiguousarray(self.vertices, dtype=np.float64).reshape(-1, 3)
        triangles = np.ascontiguousarray(self.triangles, dtype=np.int64).reshape(-1, 3)
        if len(triangles) and (triangles.min() < 0 or triangles.max() >= len(vertices)):
            raise ValueError(f"triangles (m, 3) must index the {len(vertices)} vertices")
        # One mesh is shared by many checks and threads: nobody may write into it.
        vertices.setflags(write=False)
        triangles.setflags(write=False)
        object.__setattr__(self, "vertices", vertices)
        object.__setattr__(self, "triangles", triangles)

    def __len__(self) -> int:
        return len(self.triangles)

    @cached_property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner of what the triangles use, (2, 3)."""
        used = self.vertices[self.triangles.ravel()]
        return np.array([used.min(axis=0), used.max(axis=0)])

    @cached_property
    def corners(self) -> FloatArray:
        """The triangles' corners, (m, 3, 3)."""
        return self.vertices[self.triangles]

    @cached_property
    def area_vectors(self) -> FloatArray:
        """Half the cross product of two sides: normal times area in mm², (m, 3)."""
        a, b, c = (self.corners[:, i] for i in range(3))
        return 0.5 * np.cross(b - a, c - a)

    @cached_property
    def areas(self) -> FloatArray:
        """Triangle areas in mm², (m,)."""
        return np.linalg.norm(self.area_vectors, axis=1)

    @cached_property
    def volume_mm3(self) -> float:
        """Enclosed volume by the divergence theorem; meaningful for a closed mesh only."""
        centred = self.corners - self.vertices.mean(axis=0)
        return float(np.einsum("ij,ij->", centred.mean(axis=1), self.area_vectors) / 3.0)

    @cached_property
    def content_hash(self) -> str:
        """SHA-256 of the geometry: the same shape in the same place gives the same text."""
        digest = hashlib.sha256()
        digest.update(np.array([len(self.vertices), len(self.triangles)], np.int64).tobytes())
        digest.update(self.vertices.tobytes())
        digest.update(self.triangles.tobytes())
        return digest.hexdigest()

    @cached_property
    def soundness(self) -> Soundness:
        """The facts of `inspect`, found once."""
        return inspect(self)

    def moved(self, pose: Pose) -> TriangleMesh:
        """Return the mesh in another pose."""
        return replace(self, vertices=pose.apply(self.vertices))

    def scaled(self, scale: float | Sequence[float]) -> TriangleMesh:
        """Return the mesh scaled about the origin, uniformly or per axis."""
        return replace(self, vertices=self.vertices * np.asarray(scale, float))

    def welded(self) -> TriangleMesh:
        """Return the mesh with coincident vertices merged and unused ones dropped.

        Only vertices with equal coordinates merge: closing a gap is a repair, and a repair is said.
        """
        if not len(self.triangles):
            return replace(self, vertices=np.empty((0, 3)))
        rows = self.triangles.ravel()
        first, place = distinct_rows(self.vertices + 0.0)  # -0.0 and 0.0 are one place
        place = place[rows]
        # Keep first-seen order, so that welding a welded mesh changes nothing.
        seen = np.full(len(first), len(rows))
        seen[place[::-1]] = np.arange(len(rows))[::-1]  # of several writes to one place the last stays: the first seen
        order = np.argsort(seen, kind="stable")[: int((seen < len(rows)).sum())]
        rank = np.empty(len(first), np.int64)
        rank[order] = np.arange(len(order))
        return replace(self, vertices=self.vertices[first[order]] + 0.0, triangles=rank[place].reshape(-1, 3))

    def submesh(self, rows: BoolArray | IntArray, name: str | None = None) -> TriangleMesh:
        """Return the chosen triangles with the vertices they use."""
        triangles = self.triangles[rows]
        used, inverse = np.unique(triangles, return_inverse=True)
        return TriangleMesh(self.vertices[used], inverse.reshape(-1, 3), self.name if name is None else name)


def distinct_rows(rows: NDArray[np.generic]) -> tuple[IntArray, IntArray]:
    """Return which rows (n, k) of 64-bit numbers, k at most 3, differ in their bits.

    Returns
    -------
    For each distinct row the first that is it, (d,), and for each row which of those it equals, (n,).
    """
    bits = np.ascontiguousarray(rows).view(np.uint64)
    # One number per row is sorted many times faster than the row. Two rows may share one: that is looked at.
    key = bits[:, 0] * MIXERS[0]
    for column, mixer, shift in zip(bits.T[1:], MIXERS[1:], (17, 31)):
        mixed = column * mixer
        key ^= mixed ^ (mixed >> np.uint64(shift))
    _, first, same = np.unique(key, return_index=True, return_inverse=True)
    if any((column[first][same] != column).any() for column in bits.T):
        _, first, same = np.unique(bits, axis=0, return_index=True, return_inverse=True)
    return first, same.ravel()


def joined(meshes: Sequence[TriangleMesh], name: str = "") -> TriangleMesh:
    """Return one mesh that holds all of them, unwelded."""
    if not meshes:
        return TriangleMesh(np.empty((0, 3)), np.empty((0, 3), np.int64), name)
    starts = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    return TriangleMesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.triangles + start for m, start in zip(meshes, starts)]),
        name,
    )


@dataclass(frozen=True)
class Soundness:
    """Facts about a mesh after welding; none of them stops a check.

    Attributes
    ----------
    triangles, shells
        Counts; a shell is a set of triangles connected through shared vertices.
    open_edges
        Edges with one triangle.
    non_manifold_edges
        Edges with three triangles or more.
    flipped_edges
        Edges whose two triangles run through them in the same direction.
    duplicate_triangles
        Triangles that stand on the same three vertices as an earlier one.
    zero_area_triangles
        Triangles with two equal corners, or with an area below a millionth of their longest side squared.
    inside_out_shells
        Closed shells of negative volume. A void inside a solid is one too, so this is a hint and no fault.
    """

    triangles: int
    shells: int
    open_edges: int
    non_manifold_edges: int
    flipped_edges: int
    duplicate_triangles: int
    zero_area_triangles: int
    inside_out_shells: int

    @property
    def closed(self) -> bool:
        """Whether no edge is open."""
        return self.open_edges == 0 and self.triangles > 0

    @property
    def solid(self) -> bool:
        """Whether it bounds a volume without any of the faults above."""
        return self.closed and not (
            self.non_manifold_edges or self.flipped_edges or self.duplicate_triangles or self.zero_area_triangles
        )

    def remarks(self) -> list[str]:
        """Return the faults in words, e.g. ``12 open edges``; empty where there are none."""
        words = {
            "open_edges": ("open edge", "open edges"),
            "non_manifold_edges": ("non-manifold edge", "non-manifold edges"),
            "flipped_edges": ("edge between flipped faces", "edges between flipped faces"),
            "duplicate_triangles": ("duplicate triangle", "duplicate triangles"),
            "zero_area_triangles": ("zero-area triangle", "zero-area triangles"),
        }
        counts = {key: int(getattr(self, key)) for key in words}
        return [f"{n} {words[key][n > 1]}" for key, n in counts.items() if n]


def inspect(mesh: TriangleMesh) -> Soundness:
    """Return what is sound and unsound about a mesh; see `Soundness`."""
    welded = mesh.welded()
    tri = welded.triangles
    distinct = (tri[:, 0] != tri[:, 1]) & (tri[:, 1] != tri[:, 2]) & (tri[:, 2] != tri[:, 0])
    sides = welded.corners - np.roll(welded.corners, 1, axis=1)
    longest2 = (sides**2).sum(axis=2).max(axis=1) if len(tri) else np.empty(0)
    flat = ~distinct | (welded.areas <= 1e-6 * longest2)
    duplicate = len(tri) - len(distinct_rows(np.sort(tri, axis=1))[0]) if len(tri) else 0

    # Degenerate triangles have no two sides to speak of: their edges would count as open.
    whole = tri[distinct]
    edges = whole[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    low, high = edges.min(axis=1), edges.max(axis=1)
    forward = edges[:, 0] == low
    _, inverse, uses = np.unique(low * (len(welded.vertices) + 1) + high, return_inverse=True, return_counts=True)
    runs_forward = np.bincount(inverse.ravel(), weights=forward, minlength=len(uses))

    labels = shell_labels(welded)
    shells = int(labels.max()) + 1 if len(labels) else 0
    centred = welded.corners - (welded.vertices.mean(axis=0) if len(welded.vertices) else 0)
    signed = np.einsum("ij,ij->i", centred.mean(axis=1), welded.area_vectors) / 3.0
    shell_volume = np.bincount(labels, weights=signed, minlength=shells)
    open_shell = np.zeros(shells, bool)
    open_shell[np.repeat(labels[distinct], 3)[uses[inverse.ravel()] == 1]] = True
    return Soundness(
        triangles=len(tri),
        shells=shells,
        open_edges=int((uses == 1).sum()),
        non_manifold_edges=int((uses > 2).sum()),
        flipped_edges=int(((uses == 2) & (runs_forward != 1)).sum()),
        duplicate_triangles=int(duplicate),
        zero_area_triangles=int(flat.sum()),
        inside_out_shells=int(((shell_volume < 0) & ~open_shell).sum()),
    )


def shell_labels(mesh: TriangleMesh) -> IntArray:
    """Return for each triangle the number of its shell, (m,), counted from 0 in order of first triangle.

    Triangles belong together when they share a vertex row: weld first where the file repeats vertices.
    """
    tri = mesh.triangles
    label = np.arange(len(mesh.vertices))
    apart = tri
    while len(apart):  # a label is a vertex that stands for others: join those that a triangle holds, then follow them
        ends = label[apart]
        lowest = ends.min(axis=1)
        open_still = (ends != lowest[:, None]).any(axis=1)  # the others are together, whatever they will be called
        apart, ends, lowest = apart[open_still], ends[open_still], lowest[open_still]
        np.minimum.at(label, ends.ravel(), np.repeat(lowest, 3))
        while not np.array_equal(after := label[label], label):
            label = after
    _, numbers = np.unique(label[tri[:, 0]], return_inverse=True)
    first = np.full(int(numbers.max(initial=-1)) + 1, len(tri))
    np.minimum.at(first, numbers.ravel(), np.arange(len(tri)))
    order = np.argsort(np.argsort(first))
    return order[numbers.ravel()].astype(np.int64)
