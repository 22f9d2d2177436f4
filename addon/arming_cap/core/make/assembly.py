# SPDX-License-Identifier: GPL-3.0-or-later
"""Put parts together that lie as for printing: by the flat faces in which a piece was cut.

Where a solid was cut by a plane, both halves carry the same flat outline, mirrored. So every flat face of every part is
described by what no motion changes (its area and the extents of its border), like faces are laid on each other, and
their outlines must meet and their skins go on in one another (`seams`). That alone would also lay mirror twins on any
flat face of theirs. So the two groups with the largest area of faces on each other are joined first, where neither lies
inside the other, and so on. What lies in one plane of a group counts as one face too: a cut across what is cut again.

It is a guess: the seams and their gaps say how good. The largest part stays where it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import igl
import numpy as np

from ..errors import InputError
from ..mesh import TriangleMesh
from ..piece import Piece, PutTogether
from ..pose import Pose
from ..progress import Progress, silent
from .seams import GAP_MM, Face, alike, faces_of, gap_mm_of, goes_on, united, ways

# Faces that lie on each other face each other so; of a part no more than so much lies inside another.
FACING_COS = float(np.cos(np.radians(1.0)))
INSIDE_SHARE = 0.02
# Areas of mirror twins, and of their faces, differ by no more than this.
TWIN_SHARE = 5e-3
# Any face of a mirror twin lies on the same face of the other: as a seam it counts for so much of its area.
TWINS_COUNT = 0.5
# Two ways to lay a face are two when one is turned by more than this from the other.
TURNED_COS = float(np.cos(np.radians(5.0)))
# Of two groups no more pairs of faces are tried, the largest first: parts full of like studs would take minutes.
MOST_PAIRS = 60
_LOOKS = 240


@dataclass(frozen=True)
class Seam:
    """Two parts that were put together: their names, the gap between their outlines (RMS, mm), and the area (mm²).

    `otherwise` is whether they fit another way round as well.
    """

    one: str
    other: str
    gap_mm: float
    area_mm2: float
    otherwise: bool = False


@dataclass(frozen=True)
class Assembly:
    """A guess of how parts belong together.

    Attributes
    ----------
    piece
        The piece, its parts moved.
    poses
        By part: how it was moved.
    seams
        What holds them together.
    loose
        Parts whose faces match no other's; they stay where they were.
    """

    piece: Piece
    poses: dict[str, Pose]
    seams: tuple[Seam, ...]
    loose: tuple[str, ...]


def put_together(piece: Piece, progress: Progress = silent) -> tuple[Piece, list[str]]:
    """Return a piece with its parts put together, and what to say of it; raises as `told_of` does."""
    together = assemble(piece, progress)
    return together.piece, told_of(together)


def told_of(assembly: Assembly) -> list[str]:
    """Return what to say of parts that were put together.

    Raises
    ------
    InputError
        If a part matches no other.
    """
    name, seams = assembly.piece.name, assembly.seams
    if assembly.loose:
        raise InputError(
            f"no flat face of {assembly.loose[0]} lies on a face of the other parts",
            source=name,
            remedy="only what was cut by planes is put together; put it where it is worn",
        )
    joined = ", ".join(f"{s.other} on {s.one} (gap {s.gap_mm:.2f} mm)" for s in seams)
    said = [f"{name}: parts put together by their flat faces, {joined}"] if seams else []
    turned = (s for s in seams if s.otherwise)
    return said + [f"{s.other} fits {s.one} another way round as well: look whether it is right" for s in turned]


@dataclass(frozen=True)
class _Group:
    """Parts that were put together: by number how each is moved into the group's frame, and the faces still free."""

    poses: dict[int, Pose]
    faces: tuple[Face, ...]
    size: float


@dataclass(frozen=True)
class _Match:
    """A face of one group laid on a face of another: the pose takes the other group to the one."""

    gap_mm: float
    pose: Pose
    touching: float  # mm², see `_says`
    otherwise: bool = False


_Known = dict[tuple[frozenset[int], frozenset[int]], list[_Match]]  # by the parts of two groups


def assemble(piece: Piece, progress: Progress = silent) -> Assembly:
    """Put the parts of a piece together by their matching flat faces.

    The largest part by area stays where it is. `progress` may cancel.
    """
    found_groups = []
    for k, part in enumerate(piece.parts):
        progress(0.2 * k / len(piece.parts), f"Looking for the cuts of {part.name}")
        found_groups.append(_Group({k: Pose()}, tuple(faces_of(part.mesh)), _size(piece, k)))
    groups = _kin(found_groups)
    known: _Known = {}
    seams: list[Seam] = []

    def told(share: float, text: str) -> None:
        joined = (len(seams) + share) / max(len(piece.parts) - 1, 1)
        progress(0.2 + 0.8 * min(joined, 1.0), text)

    while (found := _best(piece, groups, known, told)) is not None:
        one, other, match = found
        names = [piece.parts[max(g.poses, key=lambda k: _size(piece, k))].name for g in (one, other)]
        seams.append(Seam(names[0], names[1], match.gap_mm, match.touching, match.otherwise))
        groups = [g for g in groups if g is not one and g is not other] + [_joined(one, other, match.pose)]
    largest = max(groups, key=lambda g: g.size)
    first = max(largest.poses, key=lambda k: _size(piece, k))
    home = largest.poses[first].inverse()
    poses = {k: Pose() if k == first else pose.then(home) for k, pose in largest.poses.items()}
    parts = tuple(Piece(p.name, (p,)).moved(poses.get(k, Pose())).parts[0] for k, p in enumerate(piece.parts))
    moved = {p.name: poses.get(k, Pose()) for k, p in enumerate(piece.parts)}
    loose = tuple(p.name for k, p in enumerate(piece.parts) if k not in poses)
    progress(1.0, "Parts are put together")
    assembled = tuple(PutTogether(name, pose, _matched(name, seams)) for name, pose in moved.items())
    return Assembly(replace(piece, parts=parts, assembled=assembled), moved, tuple(seams), loose)


def _matched(part: str, seams: Sequence[Seam]) -> tuple[tuple[str, float, float], ...]:
    """Return the other part, gap and area of each seam of a part."""
    return tuple((s.other if part == s.one else s.one, s.gap_mm, s.area_mm2) for s in seams if part in (s.one, s.other))


def _size(piece: Piece, part: int) -> float:
    return float(piece.parts[part].mesh.areas.sum())


def _best(
    piece: Piece, groups: Sequence[_Group], known: _Known, progress: Progress
) -> tuple[_Group, _Group, _Match] | None:
    """Return the two groups with the largest area of faces on each other and no collision; None without any."""
    ready = []
    pairs = list(combinations(groups, 2))
    for number, (a, b) in enumerate(pairs):
        progress(number / len(pairs), f"Laying the cuts of {len(groups)} parts on each other")
        one, other = sorted((a, b), key=lambda g: -g.size)
        key = frozenset(one.poses), frozenset(other.poses)
        if key not in known:
            known[key] = list(_matches(one, other))
        ready += [(match, one, other) for match in known[key]]
    for match, one, other in sorted(ready, key=lambda r: (-r[0].touching, r[0].gap_mm)):
        if not _collide(piece, one, other, match.pose):
            rivals = [m for m in known[frozenset(one.poses), frozenset(other.poses)] if _as_good(m, match)]
            return one, other, replace(match, otherwise=any(not _collide(piece, one, other, m.pose) for m in rivals))
    return None


def _as_good(one: _Match, best: _Match) -> bool:
    """Return whether a match is another way round, and as good as the best."""
    turned = np.trace(one.pose.rotation.T @ best.pose.rotation) < 1 + 2 * TURNED_COS
    return bool(turned) and one.touching > 0.98 * best.touching and one.gap_mm < max(3 * best.gap_mm, 0.05)


def _kin(groups: Sequence[_Group]) -> list[_Group]:
    """Return the groups with the faces of mirror twins marked: what they have in common says little."""
    areas = [np.sort([g.size, *(f.area for f in g.faces)]) for g in groups]
    kin = list(range(len(groups)))
    for a, b in combinations(range(len(groups)), 2):
        if len(areas[a]) == len(areas[b]) and np.allclose(areas[a], areas[b], rtol=TWIN_SHARE):
            kin[b] = kin[a]
    return [replace(g, faces=tuple(replace(f, kin=k) for f in g.faces)) for g, k in zip(groups, kin)]


def _matches(one: _Group, other: _Group) -> Iterator[_Match]:
    """Yield the ways to lay faces of one group on faces of another."""
    pairs = [(ours, theirs) for ours in one.faces for theirs in other.faces if alike(ours, theirs)]
    for ours, theirs in sorted(pairs, key=lambda p: -p[0].area)[:MOST_PAIRS]:
        for pose in ways(ours, theirs):
            if (gap := gap_mm_of(ours, theirs, pose)) <= GAP_MM and goes_on(ours, theirs, pose):
                yield _Match(gap, pose, sum(_says(*pair) for pair in _touching(one.faces, other.faces, pose)))


def _says(one: Face, other: Face) -> float:
    """Return the area (mm²) that two faces on each other count for."""
    return one.area * (TWINS_COUNT if one.kin == other.kin >= 0 else 1.0)


def _touching(ours: Sequence[Face], theirs: Sequence[Face], pose: Pose) -> list[tuple[Face, Face]]:
    """Return the pairs of faces that lie on each other when theirs are moved; each face counts once."""
    pairs = []
    for other in theirs:
        centre, normal = pose.apply(other.centre[None])[0], pose.rotation @ other.frame[2]
        for face in ours:
            on = np.linalg.norm(face.centre - centre) < 2 * GAP_MM and normal @ face.frame[2] < -FACING_COS
            if on and alike(face, other):
                pairs.append((face, other))
                break
    return pairs


def _joined(one: _Group, other: _Group, pose: Pose) -> _Group:
    """Return two groups as one: faces that lie on each other are gone, faces that share a plane are united too."""
    pairs = _touching(one.faces, other.faces, pose)
    ours = [f for f in one.faces if not any(f is a for a, _ in pairs)]
    theirs = [f.moved(pose) for f in other.faces if not any(f is b for _, b in pairs)]
    both = [face for a in ours for b in theirs if (face := united(a, b)) is not None]
    poses = one.poses | {k: own.then(pose) for k, own in other.poses.items()}
    return _Group(poses, (*both, *ours, *theirs), one.size + other.size)


def _collide(piece: Piece, one: _Group, other: _Group, pose: Pose) -> bool:
    """Return whether much of a part of one group would lie inside a part of the other."""
    return any(
        _inside(piece.parts[j].mesh.moved(theirs.then(pose)), piece.parts[k].mesh.moved(ours))
        for k, ours in one.poses.items()
        for j, theirs in other.poses.items()
    )


def _inside(part: TriangleMesh, other: TriangleMesh) -> bool:
    """Return whether much of a part lies inside another's walls."""
    low, high = other.bounds
    points = part.corners.mean(axis=1)
    points = points[:: max(1, len(points) // _LOOKS)]
    near = points[((points > low) & (points < high)).all(axis=1)]
    if not len(near):
        return False
    winding = igl.fast_winding_number(other.vertices, other.triangles, near)
    squared = igl.point_mesh_squared_distance(near, other.vertices, other.triangles)[0]
    return int(((winding > 0.5) & (squared > 1.0)).sum()) > INSIDE_SHARE * len(points)
