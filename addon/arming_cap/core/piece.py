# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearable thing: parts in their worn position."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

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
    signed
        Whether its sign was meant; else the part swings the way that frees the wearer.
    """

    point_mm: FloatArray
    axis: FloatArray
    opens_deg: float
    signed: bool = True


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
class PutTogether:
    """A part that was moved to where it is worn.

    Attributes
    ----------
    part
        Its name.
    pose
        How it was moved, in the piece's frame.
    matched
        What it was matched by: the other part, the gap between their outlines (mm) and the area that meets (mm²).
    """

    part: str
    pose: Pose
    matched: tuple[tuple[str, float, float], ...]

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON shows it."""
        rows = [{"part": p, "gap_mm": round(gap, 3), "area_mm2": round(area, 1)} for p, gap, area in self.matched]
        return {"part": self.part, **self.pose.as_dict(), "matched_by": rows}


@dataclass(frozen=True)
class Piece:
    """A helmet, bracer, greave or cuirass: one or more parts in worn position.

    `assembled` says of each part how it was moved where the parts were put together.

    Raises
    ------
    InputError
        If there is no part, or two parts share a name.
    """

    name: str
    parts: tuple[Part, ...]
    assembled: tuple[PutTogether, ...] = ()

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
    def triangles(self) -> int:
        """How many triangles its parts have."""
        return sum(len(part.mesh) for part in self.parts)

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


_AXES = {"x": (1, 0, 0), "-x": (-1, 0, 0), "y": (0, 1, 0), "-y": (0, -1, 0), "z": (0, 0, 1), "-z": (0, 0, -1)}
AXES = tuple(_AXES)


def as_worn(face: str = "-y", up: str = "z") -> Pose:
    """Return the turn that brings a model drawn another way round to ours: its face to -Y, its top to +Z.

    Raises
    ------
    InputError
        If the two are no axes, or not square to each other.
    """
    for name in (face, up):
        if name not in _AXES:
            raise InputError(f"'{name}' is no axis", remedy=f"use one of {', '.join(AXES)}")
    ahead, top = np.array(_AXES[face], float), np.array(_AXES[up], float)
    if abs(ahead @ top) > 0.5:
        raise InputError(f"a piece cannot face {face} with {up} up", remedy="name two axes square to each other")
    own = np.stack([np.cross(-ahead, top), -ahead, top])
    return Pose(own)


# How much of a part may lie inside another's wall before they cannot both be where they are worn: rivets and tongues
# reach into a wall, whole parts do not.
BURIED_SHARE = 0.3
_LOOKS = 300


SHELL_MM = 9.0
"""What is thinner is a shell."""


def swapped(piece: Piece, body: TriangleMesh) -> bool:
    """Return whether what is taken for the wearer's body looks like a piece, and the piece like a body.

    The thickness of a body comes out as a third of its size or more: of a ball of radius r it is 2r / 3. Common
    practice, no source: printed walls are 2 to 8 mm, a wrist is 40 mm and more.
    """
    shell, bulk = thickness_mm(body), max(thickness_mm(part.mesh) for part in piece.parts)
    return shell < SHELL_MM and bulk > 2 * SHELL_MM


def thickness_mm(mesh: TriangleMesh) -> float:
    """Return twice the volume over the area, mm: about the wall of a thin shell."""
    return 2 * abs(mesh.volume_mm3) / max(float(mesh.areas.sum()), 1e-9)


def misplacements(piece: Piece) -> list[str]:
    """Return sentences on pairs of parts that do not look as if they were in worn position.

    The trade's commonest trap is a helmet exported part by part, each centred on the origin. It shows in two ways:
    the parts' bounding boxes share one centre, or a good part of one lies inside the other's solid.
    """
    found: list[str] = []
    for i, a in enumerate(piece.parts):
        for b in piece.parts[i + 1 :]:
            if _share_a_centre(a.mesh.bounds, b.mesh.bounds):
                found.append(f"parts '{a.name}' and '{b.name}' share one centre")
            elif max(_buried(a.mesh, b.mesh), _buried(b.mesh, a.mesh)) > BURIED_SHARE:
                found.append(f"parts '{a.name}' and '{b.name}' lie deep inside one another")
    return found


def _share_a_centre(a: FloatArray, b: FloatArray) -> bool:
    """Return whether two boxes (2, 3) are centred on one another, to a few per cent of the smaller.

    Worn parts sit beside each other or on each other's outside: not in all three axes at once do centres coincide.
    """
    smaller = np.minimum(np.ptp(a, axis=0), np.ptp(b, axis=0))
    return bool((np.abs(a.mean(axis=0) - b.mean(axis=0)) <= 0.05 * smaller + 0.5).all())


def _buried(part: TriangleMesh, other: TriangleMesh) -> float:
    """Return the share of a part's area whose triangles' middles lie inside another's solid, by winding number."""
    import igl

    low, high = other.bounds
    rows = np.arange(0, len(part), max(1, len(part) // _LOOKS))
    middles = part.corners[rows].mean(axis=1)
    near = np.flatnonzero(((middles > low) & (middles < high)).all(axis=1))
    if not len(near):
        return 0.0
    inside = np.abs(igl.fast_winding_number(other.vertices, other.triangles, middles[near])) > 0.5
    return float(part.areas[rows][near][inside].sum() / part.areas[rows].sum())
