# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearable thing: parts in their worn position."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .arrays import FloatArray, IntArray
from .errors import InputError
from .mesh import TriangleMesh, joined
from .pose import Pose


@dataclass(frozen=True)
class Hinge:
    """An axis that a removable part swings about.

    Attributes
    ----------
    point_mm, axis
        A point on the axis and its direction, (3,) each, in the piece's frame.
    opens_deg
        How far it swings from the worn position, by the right-hand rule about `axis`; may be negative.
    """

    point_mm: FloatArray
    axis: FloatArray
    opens_deg: float


@dataclass(frozen=True)
class Part:
    """One mesh of a piece, in worn position.

    Attributes
    ----------
    name
        Unique within the piece.
    mesh
        In the piece's frame, millimetres.
    removable
        Whether it may come off to put the piece on.
    hinge
        Where it swings instead of coming off.
    """

    name: str
    mesh: TriangleMesh
    removable: bool = False
    hinge: Hinge | None = None


@dataclass(frozen=True)
class Piece:
    """A helmet, bracer, greave or cuirass: one or more parts in worn position.

    Raises
    ------
    InputError
        If there is no part, or two parts share a name.
    """

    name: str
    parts: tuple[Part, ...]

    def __post_init__(self) -> None:
        if not self.parts:
            raise InputError("the piece has no part", source=self.name, remedy="add at least one mesh as a part")
        names = [p.name for p in self.parts]
        for name in names:
            if names.count(name) > 1:
                raise InputError(f"two parts are named '{name}'", source=self.name, remedy="give each its own name")

    @cached_property
    def mesh(self) -> TriangleMesh:
        """All parts as one soup."""
        return joined([p.mesh for p in self.parts], self.name)

    @cached_property
    def part_of_triangle(self) -> IntArray:
        """For each triangle of `mesh`, the number of its part, (m,)."""
        return np.repeat(np.arange(len(self.parts)), [len(p.mesh) for p in self.parts])

    @property
    def removable(self) -> tuple[str, ...]:
        """Names of the parts that may come off."""
        return tuple(p.name for p in self.parts if p.removable)

    def without(self, names: Iterable[str]) -> Piece:
        """Return the piece with some parts taken off.

        Raises
        ------
        InputError
            If a name is not a part, or nothing would be left.
        """
        gone = set(names)
        known = {p.name for p in self.parts}
        if missing := sorted(gone - known):
            raise InputError(
                f"there is no part '{missing[0]}'", source=self.name, remedy=f"the parts are {', '.join(sorted(known))}"
            )
        return replace(self, parts=tuple(p for p in self.parts if p.name not in gone))

    def scaled(self, scale: float) -> Piece:
        """Return the piece scaled about its frame's origin."""
        return (
            self
            if scale == 1.0
            else replace(
                self,
                parts=tuple(
                    replace(
                        p,
                        mesh=p.mesh.scaled(scale),
                        hinge=p.hinge and replace(p.hinge, point_mm=p.hinge.point_mm * scale),
                    )
                    for p in self.parts
                ),
            )
        )

    def moved(self, pose: Pose) -> Piece:
        """Return the piece in another pose."""
        return replace(
            self,
            parts=tuple(
                replace(
                    p,
                    mesh=p.mesh.moved(pose),
                    hinge=p.hinge
                    and replace(
                        p.hinge, point_mm=pose.apply(p.hinge.point_mm[None])[0], axis=pose.rotation @ p.hinge.axis
                    ),
                )
                for p in self.parts
            ),
        )


def misplacements(piece: Piece) -> list[str]:
    """Return sentences on parts that do not look as if they were in worn position.

    The trade's commonest trap is a helmet exported part by part, each centred on the origin. Told by three
    signs, of which stacked parts must show one: bounding boxes centred on one another though the parts would
    each fill the same room; a part whose box lies deep inside another's box; two parts that are one copy.
    """
    found: list[str] = []
    boxes = [p.mesh.bounds for p in piece.parts]
    for i, a in enumerate(piece.parts):
        for j in range(i + 1, len(piece.parts)):
            b = piece.parts[j]
            reason = _stacked(boxes[i], boxes[j])
            if reason:
                found.append(f"parts '{a.name}' and '{b.name}' {reason}")
    return found


def _stacked(a: FloatArray, b: FloatArray) -> str:
    """Return why two boxes look as if their parts were exported at one place, or an empty string."""
    size_a, size_b = np.ptp(a, axis=0), np.ptp(b, axis=0)
    smaller = np.minimum(size_a, size_b)
    apart = np.abs(a.mean(axis=0) - b.mean(axis=0))
    # Worn parts sit beside each other or on each other's outside: in all three axes at once their centres
    # do not coincide to a few per cent of the smaller part.
    if (apart <= 0.05 * smaller + 0.5).all():
        return "share one centre"
    return ""
