# SPDX-License-Identifier: GPL-3.0-or-later
"""Joints in the faces along which a piece was cut: blind holes for pins, dowels or magnets in line, or tongues.

A pin is a length of filament, a dowel is printed, a magnet a disc; to the geometry each is a hole of a diameter and a
depth on each side. Joints stand square to the cut, on the middle line of the wall. Around each, and behind its end, at
least one line width of wall stays: that is proved on the solid, by a cylinder or block wider and longer than the hole
that must lie inside the part altogether. Where the wall has no room the face stays without joints, and it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...geometry.section import plane_axes
from ...progress import Progress, silent
from .boxfit import turn_to_fit
from .split_cell import Plane, box_of, hull_points
from .split_model import CutPart
from .tongues import HEIGHT_MM, ROOT_MM, block, direction, ridge, width_for

SIDES = 32  # of the polygon that stands for a hole
LEVEL_MM = 1e-3  # faces are looked at this far behind the cut
SMALL_FACE_MM2 = 4.0
# A fault of the booleans up to this volume is rounding and no wall broken.
PROVED_MM3 = 1e-6
# Two holes are told apart, and two outlines too, from here on: else a part could go on turned.
APART_MM = 3.0
# A face wider than twice this, between the holes' room, is no wall: its holes stand this far inside their room.
WALL_HALF_MM, INSET_MM = 6.0, 3.0
DIGITS = 6  # tools are rounded, so that the last bits of one numpy or another do not reach the file


@dataclass(frozen=True)
class JointOptions:
    """What joints are made.

    Attributes
    ----------
    kind
        ``pin``, ``dowel``, ``magnet`` or ``tongue``. The first three are holes and differ only in the lists; tongues
        stand where the wall is thick enough for them, and pins elsewhere.
    diameter_mm, play_mm
        Of the pin, and by how much wider its hole is. 1.75 mm is filament; 0.2 mm is common practice, no source.
    depth_mm
        On each side of the cut.
    shorter
        Shares of the depth to fall back to where a wall curves away.
    line_mm
        Wall to leave all round a hole and behind its end: one line of a 0.4 mm nozzle.
    pitch_mm
        One joint for about this length of wall, but at least two a face.
    gap_mm
        Room for glue between two faces; half is taken off each.
    end_mm
        By how much a pin is shorter than its two holes together.
    """

    kind: str = "pin"
    diameter_mm: float = 1.75
    play_mm: float = 0.2
    depth_mm: float = 6.0
    shorter: tuple[float, ...] = (1.0, 0.75, 0.5, 0.35)
    line_mm: float = 0.4
    pitch_mm: float = 70.0
    gap_mm: float = 0.0
    end_mm: float = 0.5

    @classmethod
    def of(cls, kind: str, diameter_mm: float, play_mm: float, depth_mm: float, gap_mm: float = 0.0) -> JointOptions:
        """Return the options for a kind of joint: a magnet cannot be cut shorter, and fills its hole."""
        if kind == "magnet":
            return cls(kind, diameter_mm, play_mm, depth_mm, shorter=(1.0,), gap_mm=gap_mm, end_mm=0.0)
        return cls(kind, diameter_mm, play_mm, depth_mm, gap_mm=gap_mm)

    @property
    def radius_mm(self) -> float:
        """Of the hole."""
        return (self.diameter_mm + self.play_mm) / 2

    @property
    def wall_mm(self) -> float:
        """The thinnest wall that has room for one."""
        return 2 * (self.radius_mm + self.line_mm)


@dataclass(frozen=True, eq=False)
class Joint:
    """One pin, dowel or magnet and the two holes it sits in, or one tongue and its groove.

    Attributes
    ----------
    at, axis
        Middle on the cut, (3,), in the worn frame; the direction into the first of its parts, (3,).
    parts
        Which two parts it joins, from 0: the one that the axis points into, then the other. A tongue stands on the
        first and goes into the second.
    diameter_mm
        Of the holes; of a tongue the width at its foot.
    depth_mm
        Of each hole, from the cut; of a tongue the height.
    pin_mm
        Length of the pin; 0 for a tongue.
    along
        Which way a tongue runs, (3,); None for holes.
    """

    kind: str
    at: FloatArray
    axis: FloatArray
    parts: tuple[int, int]
    diameter_mm: float
    depth_mm: float
    pin_mm: float
    along: FloatArray | None = None


@dataclass(frozen=True, eq=False)
class Face:
    """A contiguous stretch of cut that two parts share.

    Attributes
    ----------
    plane
        The cut.
    parts
        The parts above and below, from 0.
    outline
        A ``manifold3d.CrossSection`` along the plane's width and depth.
    area_mm2, length_mm
        Of the face; and half its outline: the length of its wall.
    """

    plane: Plane
    parts: tuple[int, int]
    outline: Any
    area_mm2: float
    length_mm: float

    @property
    def wall_mm(self) -> float:
        """Mean thickness."""
        return self.area_mm2 / max(self.length_mm, 1e-9)


@dataclass(frozen=True, eq=False)
class Joined:
    """Parts with their joints cut into them, and what has none."""

    parts: list[CutPart]
    joints: list[Joint]
    faces: list[Face]
    remarks: list[str]


class _Slices:
    """Sections of parts parallel to cuts, each made once; and the holes drilled so far, in the worn frame."""

    def __init__(self, parts: Sequence[CutPart]) -> None:
        self.parts = parts
        self.laid: dict[tuple[int, Plane], Any] = {}
        self.made: dict[tuple[int, Plane, float], Any] = {}
        self.drilled: dict[int, list[Any]] = {}

    def at(self, part: int, plane: Plane, height: float) -> Any:
        """The section of a part at a height above a plane, along the plane's width and depth."""
        key = (part, plane, height)
        if key not in self.made:
            if (part, plane) not in self.laid:
                self.laid[part, plane] = self.parts[part].solid.transform(_into(plane))
            self.made[key] = self.laid[part, plane].slice(height)
        return self.made[key]


def _into(plane: Plane) -> FloatArray:
    """Return the (3, 4) motion after which the plane is z = 0 and its width and depth run along x and y."""
    normal = np.asarray(plane.normal, float)
    width, depth = plane_axes(normal)
    return np.column_stack([np.stack([width, depth, normal]), [0.0, 0.0, -plane.offset]])


def faces_between(parts: Sequence[CutPart]) -> list[Face]:
    """Return every face that two parts share, in order of plane and parts."""
    return _faces(parts, _Slices(parts))


def _faces(parts: Sequence[CutPart], slices: _Slices) -> list[Face]:
    boxes = [box_of(p.solid) for p in parts]
    planes = list(dict.fromkeys(plane for part in parts for plane, _ in part.planes))
    found: list[Face] = []
    for plane in planes:
        above = [i for i, p in enumerate(parts) if (plane, 1) in p.planes]
        below = [i for i, p in enumerate(parts) if (plane, -1) in p.planes]
        for i in above:
            for j in below:
                if (boxes[i][0] > boxes[j][1] + 0.01).any() or (boxes[j][0] > boxes[i][1] + 0.01).any():
                    continue
                shared = slices.at(i, plane, LEVEL_MM) ^ slices.at(j, plane, -LEVEL_MM)
                for outline in shared.decompose():
                    area = float(outline.area())
                    if area > SMALL_FACE_MM2:
                        length = sum(_perimeter(p) for p in outline.to_polygons()) / 2
                        found.append(Face(plane, (i, j), outline, area, length))
    return found


def _perimeter(polygon: FloatArray) -> float:
    return float(np.linalg.norm(np.roll(polygon, -1, axis=0) - polygon, axis=1).sum())


def add_joints(
    parts: Sequence[CutPart],
    options: JointOptions = JointOptions(),
    progress: Progress = silent,
    room: FloatArray | None = None,
) -> Joined:
    """Cut joints into every face that two parts share.

    Parameters
    ----------
    room
        (3,) of the printer: a part may grow by its tongues only as far as it still fits there; None for no bound.
    """
    slices = _Slices(parts)
    grown: dict[int, list[Any]] = {}
    faces = _faces(parts, slices)
    joints: list[Joint] = []
    remarks: list[str] = []
    groups: dict[tuple[Plane, tuple[int, int]], list[Face]] = {}
    for face in faces:
        groups.setdefault((face.plane, face.parts), []).append(face)
    for n, ((plane, pair), group) in enumerate(groups.items()):
        progress(n / len(groups), f"joints between parts {pair[0] + 1} and {pair[1] + 1}")
        places, chosen = _places_in(group, slices, options)
        into = _into(plane)
        drawn = [_joint(place, row, pair, into) for place, rows in zip(places, chosen) for row in rows]
        if any(one.along is not None for one in drawn):
            kept = _on_the_side_that_fits(parts, drawn, grown, room)
            if kept is None:
                remarks.append(f"parts {pair[0] + 1} and {pair[1] + 1} have pins: with tongues they would not fit")
                places, chosen = _places_in(group, slices, replace(options, kind="pin"))
                kept = [_joint(place, row, pair, into) for place, rows in zip(places, chosen) for row in rows]
            drawn = kept
        for face, place, rows in zip(group, places, chosen):
            if len(rows) < 2:
                remarks.append(_lack(face, len(rows), place.options, slices))
        for one in drawn:
            joints.append(one)
            for part, side in zip(one.parts, (1, -1)):
                slices.drilled.setdefault(part, []).append(hole(one, side, options))
        if sum(len(rows) for rows in chosen) >= 2 and _turnable(_spots(places, chosen), group):
            remarks.append(f"parts {pair[0] + 1} and {pair[1] + 1} could be joined turned: mind the arrows")
    cut = [_cut(i, part, joints, options) for i, part in enumerate(parts)]
    if room is not None:
        for i in grown:
            cut[i] = replace(cut[i], turn=turn_to_fit(hull_points(cut[i].solid), room, 1.0))
    progress(1.0, "joints")
    return Joined(cut, joints, faces, remarks)


def _places_in(group: Sequence[Face], slices: _Slices, options: JointOptions) -> tuple[list[_Places], list[list[int]]]:
    """Return where joints may stand in the faces of one pair of parts, and which of the places are taken."""
    places: list[_Places] = []
    for face in group:
        place: _Places = _Places(face, slices, replace(options, kind="pin") if options.kind == "tongue" else options)
        width = width_for(face.wall_mm) if options.kind == "tongue" else None
        if width is not None:
            tongues = _Tongues(face, slices, options, width)
            if len(tongues.picked()) >= 2:
                place = tongues
        places.append(place)
    return places, _not_turnable(places, [place.picked() for place in places])


def _joint(place: _Places, row: int, pair: tuple[int, int], into: FloatArray) -> Joint:
    """Return the joint at one of the places."""
    frame = into[:, :3]
    x, y = place.points[row]
    at = np.round(frame.T @ np.array([x, y, place.face.plane.offset]), DIGITS) + 0.0
    axis = np.asarray(place.face.plane.normal, float)
    options = place.options
    if isinstance(place, _Tongues):
        along = frame.T @ np.array([*place.direction(row), 0.0])
        return Joint("tongue", at, axis, pair, place.width, HEIGHT_MM, 0.0, along)
    return Joint(options.kind, at, axis, pair, 2 * options.radius_mm, place.depth, 2 * place.depth - options.end_mm)


def _on_the_side_that_fits(
    parts: Sequence[CutPart], drawn: Sequence[Joint], grown: dict[int, list[Any]], room: FloatArray | None
) -> list[Joint] | None:
    """Return the joints with their tongues on the part that still fits the room with them; None where neither does."""
    for other in (False, True):
        turned = [
            replace(one, axis=-one.axis, parts=one.parts[::-1]) if other and one.along is not None else one
            for one in drawn
        ]
        tongues = [one for one in turned if one.along is not None]
        part = tongues[0].parts[0]
        added = [*grown.get(part, []), *(tongue(one) for one in tongues)]
        if room is not None:
            hull = np.concatenate([hull_points(parts[part].solid), *(hull_points(t) for t in added)])
            if not turn_to_fit(hull, room, 1.0).fits:
                continue
        grown[part] = added
        return turned
    return None


def _lack(face: Face, count: int, options: JointOptions, slices: _Slices) -> str:
    """Return in words why a face has fewer than two joints."""
    names = f"parts {face.parts[0] + 1} and {face.parts[1] + 1}"
    has = "one joint only" if count else "no joint"
    middle = 0.5 * np.reshape(face.outline.bounds(), (2, 2)).sum(axis=0)
    x, y, z = _into(face.plane)[:, :3].T @ np.array([*middle, face.plane.offset])
    head = f"a face of {face.area_mm2:.0f} mm² between {names}, about {x:.0f}, {y:.0f}, {z:.0f} mm, has {has}: "
    wall = f"its wall of about {face.wall_mm:.1f} mm"
    if face.wall_mm < options.wall_mm:
        return head + f"{wall} is thinner than the {options.wall_mm:.2f} mm that a hole needs"
    depth = options.depth_mm * min(options.shorter)
    straight = face.outline
    for part, sign in zip(face.parts, (1.0, -1.0)):
        straight = straight ^ slices.at(part, face.plane, sign * depth)
    if straight.area() < 0.9 * face.area_mm2:
        return head + f"{wall} leans or bends away from the cut, and a hole {depth:g} mm deep would break out of it"
    return head + f"{wall} has no room for more"


NOWHERE = np.empty((0, 2))


class _Places:
    """Where holes may stand in a face: places on its middle line, each proved before it is used.

    Attributes
    ----------
    points
        (k, 2) along the plane's width and depth.
    depth
        Of the holes: the greatest that leaves room along most of the face.
    """

    def __init__(self, face: Face, slices: _Slices, options: JointOptions) -> None:
        self.face, self.slices, self.options = face, slices, options
        self.points, self.depth = NOWHERE, options.depth_mm
        for share in options.shorter:
            points = self._candidates(options.depth_mm * share)
            if len(points) > 1.5 * len(self.points) or (len(points) and not len(self.points)):
                self.points, self.depth = points, options.depth_mm * share
            # Two holes at one end hold a face no better than one: shorter ones may reach further.
            if len(self.points) >= 2 and np.ptp(self.points, axis=0).max() > 0.6 * _span(face):
                break
        self.known: dict[int, bool] = {}
        self.near: dict[int, Any] = {}

    def _candidates(self, depth: float) -> FloatArray:
        """Return the middle line of where a hole's shaft lies inside both parts, at five depths of each."""
        zone = self.face.outline
        reach = self._reach(depth)
        for part, sign in zip(self.face.parts, (1.0, -1.0)):
            for height in np.linspace(LEVEL_MM, reach, 5):
                zone = zone ^ self.slices.at(part, self.face.plane, float(sign * height))
        zone = _shrunk(zone, self.options.radius_mm + self.options.line_mm + 0.01)
        points = np.concatenate([NOWHERE, *(_middle_line(z) for z in zone.decompose())])
        return _thinned(np.round(points, 3), 1.5)

    def _reach(self, depth: float) -> float:
        return depth + self.options.gap_mm / 2 + self.options.line_mm

    def proved(self, row: int) -> bool:
        """Return whether a hole at one of the places keeps its wall, on the solids of both sides."""
        if row not in self.known:
            self.known[row] = all(
                (self._shaft(row, sign) - self._near(part, sign)).volume() <= PROVED_MM3
                for part, sign in zip(self.face.parts, (1.0, -1.0))
            )
        return self.known[row]

    def _shaft(self, row: int, sign: float) -> Any:
        """Return the hole with the wall that must stay around it and behind its end, on one side of the cut."""
        from manifold3d import Manifold

        reach = self._reach(self.depth)
        wide = (self.options.radius_mm + self.options.line_mm) / np.cos(np.pi / SIDES)
        x, y = self.points[row]
        return Manifold.cylinder(reach, wide, wide, SIDES).translate((float(x), float(y), min(0.0, sign * reach)))

    def _near(self, part: int, sign: float) -> Any:
        """Return what of a part lies near the cut, less the holes of other cuts: their walls count as well."""
        from manifold3d import Manifold, OpType

        if part not in self.near:
            plane = self.face.plane
            near = self.slices.laid[part, plane].trim_by_plane((0.0, 0.0, -sign), -(self._reach(self.depth) + 1.0))
            if holes := self.slices.drilled.get(part):
                near = near - Manifold.batch_boolean(holes, OpType.Add).transform(_into(plane))
            self.near[part] = near
        return self.near[part]

    def direction(self, row: int) -> FloatArray:
        """Return which way the middle line runs at one of the places, (2,)."""
        return direction(self.points, row, 8.0)

    def picked(self) -> list[int]:
        """Return which places to use: the two furthest apart, then always the one furthest from all; all proved."""
        open_rows = np.arange(len(self.points))
        while True:
            rows = [int(open_rows[k]) for k in _spread(self.points[open_rows], self.face, self.options)]
            failed = [row for row in rows if not self.proved(row)]
            if not failed:
                return rows
            open_rows = open_rows[~np.isin(open_rows, failed)]


class _Tongues(_Places):
    """Where tongues may stand in a face: as for holes, but proved with a block along the wall."""

    def __init__(self, face: Face, slices: _Slices, options: JointOptions, width: float) -> None:
        self.width = width
        room = replace(options, diameter_mm=width, depth_mm=HEIGHT_MM, shorter=(1.0,))
        super().__init__(face, slices, room)

    def _shaft(self, row: int, sign: float) -> Any:
        reach = self._reach(self.depth) + self.options.end_mm
        made = block(self.width, reach, self.options.play_mm / 2 + self.options.line_mm)
        made = made.translate((0.0, 0.0, reach)) if sign > 0 else made
        along = self.direction(row)
        x, y = self.points[row]
        return made.rotate((0.0, 0.0, float(np.degrees(np.arctan2(along[1], along[0]))))).translate(
            (float(x), float(y), 0.0)
        )


def _span(face: Face) -> float:
    x0, y0, x1, y1 = face.outline.bounds()
    return float(max(x1 - x0, y1 - y0))


def _shrunk(zone: Any, by: float) -> Any:
    from manifold3d import JoinType

    return zone.offset(-by, JoinType.Round, 2.0, SIDES)


def _middle_line(zone: Any) -> FloatArray:
    """Return points on the middle of a shape, (k, 2): halfway from its outline to the outline opposite.

    Where that is far, on faces too wide to be a wall, points `INSET_MM` inside the outline.
    """
    polygons = [np.asarray(p, float) for p in zone.to_polygons()]
    if not polygons:
        return NOWHERE
    start = np.concatenate(polygons)
    end = np.concatenate([np.roll(p, -1, axis=0) for p in polygons])
    step = end - start
    length = np.linalg.norm(step, axis=1)
    keep = length > 1e-9
    start, step, length = start[keep], step[keep], length[keep]
    if not len(start):
        return NOWHERE
    # About one ray for each 2 mm of outline; short stretches share one.
    run = np.concatenate([[0.0], np.cumsum(length)])
    marks = (np.arange(max(8, int(run[-1] / 2.0))) + 0.5) * run[-1] / max(8, int(run[-1] / 2.0))
    which = np.searchsorted(run, marks, side="right") - 1
    origin = start[which] + step[which] * ((marks - run[which]) / length[which])[:, None]
    into = np.stack([-step[which, 1], step[which, 0]], axis=1) / length[which][:, None]
    found = []
    for rows in np.array_split(np.arange(len(origin)), 1 + len(origin) * len(start) // 2_000_000):
        to = start[None] - origin[rows, None]
        cross = into[rows, None, 0] * step[None, :, 1] - into[rows, None, 1] * step[None, :, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            far = (to[..., 0] * step[None, :, 1] - to[..., 1] * step[None, :, 0]) / cross
            on = (to[..., 0] * into[rows, None, 1] - to[..., 1] * into[rows, None, 0]) / cross
        hit = (cross != 0) & (on >= 0) & (on <= 1) & (far > 1e-9)
        far = np.where(hit, far, np.inf).min(axis=1)
        good = np.isfinite(far)
        deep = np.where(0.5 * far[good] > WALL_HALF_MM, INSET_MM, 0.5 * far[good])
        found.append(origin[rows][good] + deep[:, None] * into[rows][good])
    return np.concatenate(found)


def _thinned(points: FloatArray, spacing: float) -> FloatArray:
    """Return points of which no two lie in one square of the spacing; the first of each stays."""
    if not len(points):
        return points
    _, first = np.unique(np.floor(points / spacing).astype(np.int64), axis=0, return_index=True)
    return points[np.sort(first)]


def _spread(points: FloatArray, face: Face, options: JointOptions) -> list[int]:
    """Return the rows of points far from each other: at least two, about one for each pitch of the wall."""
    if len(points) < 2:
        return list(range(len(points)))
    i = int(np.argmax(np.linalg.norm(points - points.mean(axis=0), axis=1)))
    from_first = np.linalg.norm(points - points[i], axis=1)
    j = int(np.argmax(from_first))
    least = 2 * options.wall_mm
    if from_first[j] < least:
        return [i]
    rows = [i, j]
    wanted = int(np.clip(round(face.length_mm / options.pitch_mm) + 1, 2, 12))
    gap = np.minimum(from_first, np.linalg.norm(points - points[j], axis=1))
    while len(rows) < wanted:
        k = int(np.argmax(gap))
        if gap[k] < max(least, 0.4 * options.pitch_mm):
            break
        rows.append(k)
        gap = np.minimum(gap, np.linalg.norm(points - points[k], axis=1))
    return rows


def _spots(places: Sequence[_Places], chosen: Sequence[Sequence[int]]) -> FloatArray:
    return np.concatenate([NOWHERE, *(p.points[list(rows)] for p, rows in zip(places, chosen))])


def _turnable(spots: FloatArray, group: Sequence[Face]) -> bool:
    """Return whether some turn in the plane brings all holes onto holes, and the outline nearly onto itself."""
    outline = _along(group)
    a, b = spots[0], spots[int(np.argmax(np.linalg.norm(spots - spots[0], axis=1)))]
    span = b - a
    for i in range(len(spots)):
        for j in range(len(spots)):
            other = spots[j] - spots[i]
            if i == j or abs(np.linalg.norm(other) - np.linalg.norm(span)) > APART_MM:
                continue
            angle = np.arctan2(other[1], other[0]) - np.arctan2(span[1], span[0])
            turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
            moved = (spots - (a + b) / 2) @ turn.T + (spots[i] + spots[j]) / 2
            if np.abs(moved - spots).max() < 1e-6:
                continue
            if np.linalg.norm(moved[:, None] - spots[None], axis=2).min(axis=1).max() > APART_MM:
                continue
            image = (outline - (a + b) / 2) @ turn.T + (spots[i] + spots[j]) / 2
            if np.linalg.norm(image[:, None] - outline[None], axis=2).min(axis=1).max() <= APART_MM:
                return True
    return False


def _along(group: Sequence[Face]) -> FloatArray:
    """Return points evenly along the outlines of some faces, (n, 2), at most a millimetre or a 400th apart."""
    starts = [np.asarray(p, float) for f in group for p in f.outline.to_polygons()]
    steps = np.concatenate([np.roll(p, -1, axis=0) - p for p in starts])
    origin = np.concatenate(starts)
    run = np.cumsum(np.linalg.norm(steps, axis=1))
    marks = np.linspace(0.0, run[-1], max(2, min(400, int(run[-1]))), endpoint=False)
    which = np.searchsorted(run, marks, side="right")
    share = 1.0 - (run[which] - marks) / np.maximum(np.linalg.norm(steps[which], axis=1), 1e-12)
    return origin[which] + share[:, None] * steps[which]


def _not_turnable(places: Sequence[_Places], chosen: list[list[int]]) -> list[list[int]]:
    """Return the choice with one hole moved, as little as does it, so that the part cannot go on turned."""
    group = [place.face for place in places]
    if sum(map(len, chosen)) < 2 or not _turnable(_spots(places, chosen), group):
        return chosen
    moves = []
    for f, (place, rows) in enumerate(zip(places, chosen)):
        for k, row in enumerate(rows):
            others = place.points[[r for n, r in enumerate(rows) if n != k]]
            shift = np.linalg.norm(place.points - place.points[row], axis=1)
            clear = np.linalg.norm(place.points[:, None] - others[None], axis=2).min(axis=1, initial=np.inf)
            good = np.flatnonzero((clear > 2 * place.options.wall_mm) & (shift > APART_MM))
            moves += [(float(shift[o]), f, k, int(o)) for o in good[np.argsort(shift[good], kind="stable")][:20]]
    for _, f, k, other in sorted(moves)[:80]:
        tried = [list(rows) for rows in chosen]
        tried[f][k] = other
        if places[f].proved(other) and not _turnable(_spots(places, tried), group):
            return tried
    return chosen


def _cut(index: int, part: CutPart, joints: Sequence[Joint], options: JointOptions) -> CutPart:
    """Return a part with its holes, tongues and grooves, and its cut faces set back by half the gap for glue."""
    from manifold3d import Manifold, OpType

    solid = part.solid
    if options.gap_mm > 0:
        for plane, side in part.planes:
            normal = side * np.asarray(plane.normal)
            solid = solid.trim_by_plane(tuple(map(float, normal)), side * plane.offset + options.gap_mm / 2)
    own = [j for j in joints if index in j.parts]
    added = [tongue(j, options.gap_mm) for j in own if j.along is not None and j.parts[0] == index]
    taken = [hole(j, 1 if j.parts[0] == index else -1, options) for j in own if j.along is None or j.parts[1] == index]
    if added:
        solid = Manifold.batch_boolean([solid, *added], OpType.Add)
    if taken:
        solid = Manifold.batch_boolean([solid, *taken], OpType.Subtract)
    return replace(part, solid=solid)


def hole(joint: Joint, side: int, options: JointOptions) -> Any:
    """Return the tool that drills a joint's hole into the first of its parts (+1) or into the other (-1).

    Of a tongue the other side is its groove; the first is its root, which nothing else may take away.
    """
    from manifold3d import Manifold

    if joint.along is not None:
        if side > 0:
            return _stood(ridge(joint.diameter_mm, 0.01, root_mm=ROOT_MM + options.gap_mm / 2), joint)
        return _stood(ridge(joint.diameter_mm, joint.depth_mm, options.play_mm, options.end_mm, root_mm=0.5), joint)
    reach = joint.depth_mm + options.gap_mm / 2
    tool = Manifold.cylinder(reach + 0.5, joint.diameter_mm / 2, joint.diameter_mm / 2, SIDES)
    tool = tool.translate((0.0, 0.0, -0.5 if side > 0 else -reach))
    plane = Plane((float(joint.axis[0]), float(joint.axis[1]), float(joint.axis[2])), 0.0)
    return tool.transform(np.column_stack([_into(plane)[:, :3].T, joint.at]))


def tongue(joint: Joint, gap_mm: float = 0.0) -> Any:
    """Return what a tongue adds to its part, in the worn frame."""
    return _stood(ridge(joint.diameter_mm, joint.depth_mm, root_mm=ROOT_MM + gap_mm / 2), joint)


def _stood(made: Any, joint: Joint) -> Any:
    """Return a ridge along x and down z where a joint is: along its way, against its axis."""
    assert joint.along is not None
    frame = np.stack([joint.along, np.cross(joint.axis, joint.along), joint.axis])
    return made.transform(np.column_stack([frame.T, joint.at]))
