# SPDX-License-Identifier: GPL-3.0-or-later
"""Try-on rings: thin bands of the piece at full size, to be worn before the whole is printed.

A ring is the united piece between two parallel planes. Its inner surface is the piece's own, untouched: that is the
measurement. What lies further out than the chosen wall is cut away. Where the wall does not close, a tie bar is laid
across the mouth, outside of it, so that the band keeps its true shape.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...distance.clearance import measure
from ...errors import InputError
from ...formats import write_mesh
from ...geometry.section import Section, cut, plane_axes, wall_thickness
from ...mesh import TriangleMesh
from ...piece import Piece
from ...pose import Pose
from ...progress import Progress, part_of, silent
from ...wearer.form import Wearer
from ..estimate import Estimate, Filament, estimate
from ..solid.solid import mesh_of, united
from .lap import fits, lapped
from .levels import MOST, LevelPlan, plan_levels
from .levels import RingPlane as RingPlane
from .marks import ADVANCE, engraved, width_of
from .pinch import LIFT, pinch_of
from .rim import below_rim, laid_down, rim_heights, rising

# Young's modulus of printed PLA in N/mm2, from memory; other plastics are softer.
STIFFNESS_N_MM2 = 3000.0
# Slivers of the booleans up to this height are taken out of a ring: a hundredth of what a printer resolves.
SLIVER_MM = 0.002
# A tie bar keeps this much from the wearer, and stands off no farther than a face may reach out of its opening.
BAR_CLEAR_MM = 4.0
FARTHEST_BAR_MM = 60.0
# Parts that bound this share of the room's girth are walls, not ornaments; gaps up to so many mm are tied, not barred.
LEAST_WALL = 0.05
MOST_GAP_MM = 4.0
# An edge this near to the bed everywhere prints as if it lay on it: a layer.
FLAT_MM = 0.2
# Tools are rounded to this many digits, so that the last bits of one numpy or another do not reach the file.
DIGITS = 5


@dataclass(frozen=True)
class RingOptions:
    """How rings are made.

    Attributes
    ----------
    height_mm
        Height of the band.
    wall_mm
        What is left of a thicker wall, from the inner surface outwards.
    keep_loose
        Keep pieces of the band that touch its main shell nowhere, each as a part of the ring.
    most
        No more rings than this where the levels are chosen; see `plan_levels`.
    pinch
        How the tightest place of the way is looked for where the levels are chosen; see `pinch_of`.
    bar_mm
        Thickness of a tie bar; at its two notches half of it is left to break.
    volume_mm
        The printer's width, depth and height; None asks for no check.
    filament
        What it is printed with.
    label
        Cut into the back after the piece's name and the level: scale, date or code.
    text_mm, text_depth_mm
        Height of the marks, and how deep they are cut; no height cuts none.
    """

    height_mm: float = 8.0
    wall_mm: float = 2.4
    keep_loose: bool = False
    most: int = MOST
    pinch: str = LIFT
    bar_mm: float = 3.0
    volume_mm: tuple[float, float, float] | None = None
    filament: Filament = field(default_factory=Filament)
    label: str = ""
    text_mm: float = 5.0
    text_depth_mm: float = 0.6


@dataclass(frozen=True, eq=False)
class Ring:
    """One try-on ring.

    Attributes
    ----------
    plane
        Where it was taken.
    mesh
        Lying flat for the printer: its lower plane at z = 0, width along X, depth along Y. A band along a rim lies as
        flat as it can.
    section
        The untouched piece's section through the middle.
    estimate, whole
        What the ring takes to print, and what the whole piece takes.
    opens_mm_per_n
        How far an open ring would spring per newton at its ends without its bars; 0 for a closed one.
    worn
        From there to where it was cut.
    remarks
        Repairs made, pieces dropped, bars added.
    segments
        What to print instead where the ring is larger than the printer; empty where it is not.
    """

    plane: RingPlane
    mesh: TriangleMesh
    section: Section
    estimate: Estimate
    whole: Estimate
    opens_mm_per_n: float = 0.0
    worn: Pose = field(default_factory=Pose)
    remarks: tuple[str, ...] = ()
    segments: tuple[TriangleMesh, ...] = ()


def make_rings(
    piece: Piece,
    wearer: Wearer | None = None,
    planes: Sequence[RingPlane] | None = None,
    options: RingOptions = RingOptions(),
    progress: Progress = silent,
) -> list[Ring]:
    """Cut try-on rings from a piece in worn position, at its final scale.

    Parameters
    ----------
    piece
        Its parts are united first.
    wearer
        Chooses levels where `planes` is None.
    planes
        Where to cut; None takes those of `plan_levels` for the margins on this wearer.

    Raises
    ------
    InputError
        If a part is no solid, a plane misses the piece or has no inside, or a ring is larger than the printer.
    """
    solid, remarks = united([replace(p.mesh, name=p.name) for p in piece.parts], part_of(progress, 0.0, 0.2))
    whole = mesh_of(solid, piece.name)
    untested: tuple[str, ...] = ()
    if planes is None:
        plan = _planned(piece, wearer, options, whole, part_of(progress, 0.2, 0.6))
        progress = part_of(progress, 0.6, 1.0)
        planes, untested = plan.planes, plan.untested
    total = estimate(solid.volume(), options.filament)
    rings = []
    for i, plane in enumerate(planes):
        progress(i / len(planes), f"ring {plane.name}")
        # What concerns the piece or all rings is said once.
        said = () if i else (*remarks, *untested)
        form = None if wearer is None else wearer.form.mesh
        rings.append(_ring(solid, whole, form, plane, options, total, said))
    progress(1.0, "rings")
    return rings


def _planned(
    piece: Piece, wearer: Wearer | None, options: RingOptions, whole: TriangleMesh, progress: Progress
) -> LevelPlan:
    """Return the levels for a piece where it is worn; without its margins where it is not on the wearer."""
    clearance = pinch = None
    if wearer is not None:
        with contextlib.suppress(InputError):
            clearance = measure(piece, wearer, progress=part_of(progress, 0.0, 0.5))
    if wearer is not None and clearance is not None:
        pinch = pinch_of(piece, wearer, clearance, options.pinch, part_of(progress, 0.5, 1.0))
    return plan_levels(piece, wearer, clearance, pinch, options.height_mm, options.most, whole)


def _ring(
    solid: Any,
    whole: TriangleMesh,
    form: TriangleMesh | None,
    plane: RingPlane,
    options: RingOptions,
    total: Estimate,
    said: Sequence[str],
) -> Ring:
    from manifold3d import Manifold, OpType

    normal = np.asarray(plane.normal, float)
    offset = plane.offset / float(np.linalg.norm(normal))
    normal = normal / np.linalg.norm(normal)
    width, depth = plane_axes(normal)
    half = options.height_mm / 2
    levels = offset + half * np.array([-1 + 1e-6, 0.0, 1 - 1e-6])
    sections = cut(whole, normal, levels, wearer=form)
    section = sections[1]
    if not section.loops:
        raise InputError(f"the plane of ring '{plane.name}' misses the piece", source=whole.name, remedy="move it")
    if section.room is None:
        why = "".join(f" ({remark})" for remark in section.remarks)
        raise InputError(f"ring '{plane.name}' would have no inside{why}", source=whole.name, remedy="move its plane")

    # Into the printer's frame: width, depth and normal become X, Y and Z, the lower plane z = 0.
    lay = Pose(np.stack([width, depth, normal]), np.array([0.0, 0.0, half - offset]))
    laid = solid.transform(np.column_stack([lay.rotation, lay.translation_mm]))
    remarks = list(said)
    bars: list[Any] = []
    rise: Callable[[FloatArray], FloatArray] | None = None
    if plane.follows_rim:
        outline = lay.apply(section.room.outline)[:, :2]
        band, rise, lowest = _rim_band(
            laid, whole.moved(lay), 0.5 * (outline.min(axis=0) + outline.max(axis=0)), options
        )
        lay = lay.then(Pose(np.eye(3), np.array([0.0, 0.0, -lowest])))
    else:
        band = laid.trim_by_plane((0.0, 0.0, 1.0), 0.0).trim_by_plane((0.0, 0.0, -1.0), -options.height_mm)
        rooms = [lay.apply(s.room.outline)[:, :2] for s in sections if s.room is not None]
        band = band ^ _within(rooms, options.wall_mm).extrude(options.height_mm)
        body = [] if form is None else [lay.apply(o.points)[:, :2] for s in cut(form, normal, levels) for o in s.loops]
        slits = []
        for lips in section.room.lips:
            flat = np.round(lay.apply(lips)[:, :2], DIGITS)
            if np.linalg.norm(flat[1] - flat[0]) <= MOST_GAP_MM:
                slits.append(flat.mean(axis=0))
                continue
            out = _out_of_the_way(flat, body)
            if out > FARTHEST_BAR_MM:
                remarks.append("the wearer is where a tie bar belongs: break it away once the ring is known to hold")
                out = 0.0
            bars.append(_bar(flat, out, options).extrude(options.height_mm))
    if bars:
        band = Manifold.batch_boolean([band, *bars], OpType.Add)
        barred = [mouth for mouth in section.room.mouths_mm if mouth > MOST_GAP_MM]
        remarks.append(f"{len(barred)} tie bar(s) across {_lengths(barred)}")
    if not plane.follows_rim:
        band = _walls_tied(band, rooms[len(rooms) // 2], slits, options, remarks)
    pieces = sorted(band.decompose(), key=lambda p: -p.volume())
    if not pieces:
        raise InputError(f"ring '{plane.name}' is empty", source=whole.name, remedy="move its plane")
    if len(pieces) > 1 and not options.keep_loose:
        lost = sum(p.volume() for p in pieces[1:])
        remarks.append(f"dropped {len(pieces) - 1} loose piece(s) of {lost:.0f} mm³ in all")
        band = pieces[0]
    if options.text_mm > 0:
        band = _marked(band, whole.name, plane, section, options, remarks, rise)
    if plane.follows_rim:
        tilt, gap = laid_down(mesh_of(band))
        band, lay = band.transform(np.column_stack([tilt.rotation, tilt.translation_mm])), lay.then(tilt)
        remarks.append(
            "the band follows the rim, and lies flat on the bed"
            if gap < FLAT_MM
            else f"the band follows the rim: laid down, its edge is up to {gap:.1f} mm off the bed, print support there"
        )
    band = _as_files_hold(band)
    mesh = mesh_of(band, f"{whole.name} ring {plane.name}".strip())
    segments: tuple[TriangleMesh, ...] = ()
    if options.volume_mm is not None:
        if plane.follows_rim and not fits(band, options.volume_mm):
            raise InputError(
                f"ring '{plane.name}' is larger than the printer", source=whole.name, remedy="take a level ring there"
            )
        segments = tuple(
            replace(mesh_of(_as_files_hold(part)), name=f"{mesh.name} {n}")
            for n, part in enumerate(lapped(band, options.volume_mm, options.height_mm, plane.name, whole.name), 1)
        )
        if segments:
            remarks.append(f"larger than the printer: cut into {len(segments)} with half-lap joints, to be glued")
    opens = 0.0
    if bars:
        # Slit circular ring pulled apart at its ends, Castigliano: 3 pi F R^3 / (E I).
        radius = section.room.girth_mm / (2 * np.pi)
        opens = 3 * np.pi * radius**3 / (STIFFNESS_N_MM2 * options.height_mm * options.wall_mm**3 / 12)
        remarks.append(f"without its bar it would open about {opens * 0.1:.0f} mm under 0.1 N, the weight of 10 g")
    takes = estimate(band.volume(), options.filament)
    return Ring(plane, mesh, section, takes, total, opens, lay.inverse(), tuple(remarks), segments)


def _within(rooms: Sequence[FloatArray], wall: float) -> Any:
    """Return the outline of some rooms (n, 2) together, and a wall round them."""
    from manifold3d import CrossSection, FillRule, JoinType

    room = CrossSection([np.round(r, DIGITS) for r in rooms], FillRule.Positive)
    return room.offset(wall, JoinType.Round, 2.0, 256)


def _walls_tied(
    band: Any, room: FloatArray, slits: Sequence[FloatArray], options: RingOptions, remarks: list[str]
) -> Any:
    """Return the band with all that bounds the wearer's room in one piece.

    Where parts of a piece meet with a gap between them the band falls apart there, and each part is as much of the
    measurement as the other. A tie across the gap lies outside of the room, in the ring's own wall.

    Parameters
    ----------
    room
        (n, 2) mm, the room at the middle of the band, as the band lies.
    slits
        (2,) mm each, the middles of mouths too narrow for a bar.
    """
    from manifold3d import CrossSection, FillRule, JoinType, Manifold, OpType

    pieces = sorted(band.decompose(), key=lambda p: -p.volume())
    if len(pieces) < 2 and not slits:
        return band

    def grown(flat: Any, by: float) -> Any:
        return flat.offset(by, JoinType.Round, 2.0, 64)

    inside = CrossSection([np.round(room, DIGITS)], FillRule.Positive)
    least = LEAST_WALL * float(np.linalg.norm(np.roll(room, -1, axis=0) - room, axis=1).sum())
    skin = grown(inside, 0.5) - inside  # its area over half a millimetre is the length of wall in it
    flats = [p.project() for p in pieces]
    walls = [i for i, flat in enumerate(flats) if i == 0 or (flat ^ skin).area() / 0.5 >= least]
    smooth = grown(grown(inside, -MOST_GAP_MM / 2), MOST_GAP_MM / 2)  # without the gaps themselves
    around = grown(smooth, options.wall_mm) - smooth
    reach = 0.5 * MOST_GAP_MM + options.wall_mm
    zones = [around ^ CrossSection.circle(reach, 32).translate(tuple(at)) for at in slits]
    for a, i in enumerate(walls):
        for j in walls[a + 1 :]:
            zones.append(around ^ grown(flats[i], reach) ^ grown(flats[j], reach))
    gaps = (
        [gap for gap in CrossSection.batch_boolean(zones, OpType.Add).decompose() if gap.area() > 1.0] if zones else []
    )
    if not gaps:
        return band
    remarks.append(f"the wall has {len(gaps)} gap(s) too narrow for a bar here: tied outside, in the ring's own wall")
    return Manifold.batch_boolean([band, *(gap.extrude(options.height_mm) for gap in gaps)], OpType.Add)


def _rim_band(
    laid: Any, mesh: TriangleMesh, centre: FloatArray, options: RingOptions
) -> tuple[Any, Callable[[FloatArray], FloatArray], float]:
    """Return the band along a piece's lower edge, on z = 0, how its edge rises, and how high it was before.

    The piece lies so that its plane is half a band up.
    """
    low = rim_heights(mesh, centre, options.height_mm / 2)
    levels = np.linspace(low.min(), low.max() + options.height_mm, 9)[1:-1]
    found = [s.room for s in cut(mesh, (0, 0, 1), levels) if s.room is not None]
    # A level that the rim dips through has mouths, and round their lips the outline leaves the inner surface.
    rooms = [r.outline[:, :2] for r in found if not r.mouths_mm] or [r.outline[:, :2] for r in found]
    span = float(levels[-1] - levels[0]) + 2 * options.height_mm
    reach = _within(rooms, options.wall_mm).extrude(span).translate((0, 0, float(low.min()) - options.height_mm / 2))
    band = laid ^ below_rim(low, centre, options.height_mm, 2 * float(np.ptp(mesh.bounds, axis=0).max())) ^ reach
    return band.translate((0, 0, -float(low.min()))), rising(low - low.min(), centre), float(low.min())


def _as_files_hold(band: Any) -> Any:
    """Return the ring on single-precision coordinates, as STL and 3MF keep them, without slivers.

    Rounded only on writing, neighbours nearer than that would fall together and leave a ring that is not tight.
    """
    from manifold3d import Manifold, Mesh

    mesh = mesh_of(band)
    rounded = Manifold(Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32)))
    return rounded.simplify(SLIVER_MM)


def _marked(
    band: Any,
    name: str,
    plane: RingPlane,
    section: Section,
    options: RingOptions,
    remarks: list[str],
    rise: Callable[[FloatArray], FloatArray] | None,
) -> Any:
    """Return the ring with those of its marks that it has the height and the wall for; `remarks` says which not."""
    base = 0.5 * (options.height_mm - options.text_mm)
    if base < 0.5:
        remarks.append("no marks: the band is too low for them")
        return band
    width, depth = plane_axes(section.normal)
    backwards = np.array([width[1], depth[1]])  # +Y of the world as the ring lies
    leftwards = np.array([width[0], depth[0]])  # +X, the wearer's left
    marks = [(" ".join(filter(None, (name, plane.name, options.label))), backwards)]
    if np.linalg.norm(backwards) > 0.5:
        marks.append(("FRONT", -backwards))
    else:
        marks[0] = (marks[0][0], np.array([0.0, 1.0]))
    if np.linalg.norm(leftwards) > 0.5:
        marks += [("L", leftwards), ("R", -leftwards)]
    room = 0.4 * max(loop.girth_mm for loop in section.loops)
    if width_of(marks[0][0], options.text_mm) > room:
        fits = int((room / options.text_mm * 6 + 2) / ADVANCE)
        remarks.append(f"the mark was cut short after {fits} letters")
        marks[0] = (marks[0][0][:fits], marks[0][1])
    surface = mesh_of(band)
    if rise is not None:  # as if the edge ran level: text and wall are then looked for as on any ring
        level = surface.vertices - np.outer(rise(surface.vertices[:, :2]), (0, 0, 1))
        surface = TriangleMesh(level, surface.triangles, surface.name)
    sections = cut(surface, (0, 0, 1), [base, options.height_mm - base])
    walls = [_outer_wall(section) for section in sections]
    shorter = [f"{plane.name} {options.label}".strip(), plane.name]
    held = []
    for number, (text, way) in enumerate(marks):
        tries = [text, *(t for t in shorter if len(t) < len(text))] if number == 0 else [text]
        fitting = [t for t in tries if _wall_behind((t, way), walls, options.text_mm) >= 2 * options.text_depth_mm]
        held += [(t, way) for t in fitting[:1]]
        if fitting[:1] != [text]:
            instead = f", so it says {fitting[0]}" if fitting else ""
            remarks.append(f"the wall is too thin or too short for the mark {text}{instead}")
    return engraved(band, surface, held, base, options.text_mm, options.text_depth_mm, rise) if held else band


def _outer_wall(section: Section) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a lying band's outer stretches: middles (n, 2), lengths (n,), and the wall behind each (n,), mm."""
    outer = [
        (loop.points[:, :2], np.roll(loop.points, -1, axis=0)[:, :2], thick)
        for loop, thick in zip(section.loops, wall_thickness(section))
        if loop.closed and loop.role == "outer"
    ]
    start, end, wall = (np.concatenate(columns) for columns in zip(*outer))
    return 0.5 * (start + end), np.linalg.norm(end - start, axis=1), wall


def _wall_behind(
    mark: tuple[str, FloatArray], walls: Sequence[tuple[FloatArray, FloatArray, FloatArray]], text_mm: float
) -> float:
    """Return the least of some walls, seen from outside, over the width of a mark and a letter more, mm."""
    text, way = mark
    reach = 0.5 * width_of(text, text_mm) + text_mm
    least = np.inf
    for middle, length, wall in walls:
        from_centre = middle - 0.5 * (middle.min(axis=0) + middle.max(axis=0))
        spot = middle[np.argmax(from_centre @ way / np.linalg.norm(from_centre, axis=1))]
        near = (np.linalg.norm(middle - spot, axis=1) < reach + 0.5 * length) & ~np.isnan(wall)
        if near.any():
            least = min(least, float(wall[near].min()))
    return least


def _lengths(values: Sequence[float]) -> str:
    return " and ".join(f"{v:.0f} mm" for v in values)


def _out_of_the_way(lips: FloatArray, body: Sequence[FloatArray]) -> float:
    """Return how far outside the line across a mouth a bar must lie to pass the wearer's outlines (n, 2), mm."""
    along, out, length = _across(lips)
    farthest = 0.0
    for outline in body:
        # Corners of an outline may lie far apart: look at its sides in steps.
        ahead = np.roll(outline, -1, axis=0)
        spots = (outline[:, None] + (ahead - outline)[:, None] * np.linspace(0, 1, 9)[None, :, None]).reshape(-1, 2)
        x, y = (spots - lips[0]) @ along, (spots - lips[0]) @ out
        over = y[(x > 0) & (x < length)]
        if len(over):
            farthest = max(farthest, float(over.max()) + BAR_CLEAR_MM)
    return round(farthest, DIGITS)


def _across(lips: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return the unit vectors along a mouth and out of it, the room on its left, and its length."""
    along = lips[1] - lips[0]
    length = float(np.linalg.norm(along))
    along = along / length
    return along, np.array([along[1], -along[0]]), length


def _bar(lips: FloatArray, away: float, options: RingOptions) -> Any:
    """Return the tie bar's outline over a mouth from `lips[0]` to `lips[1]`, the room on its left.

    The bar lies `away` mm outside that line; only its two feet reach back over the lips, where the wall is. A notch
    beside each foot lets it be broken away.
    """
    from manifold3d import CrossSection

    along, out, length = _across(lips)
    foot, thick = min(options.wall_mm * 2, length / 4), options.bar_mm

    def block(x0: float, x1: float, y0: float, y1: float) -> Any:
        """A rectangle: x along the mouth from its first lip, y outwards."""
        corners = np.array([(x0, y0), (x0, y1), (x1, y1), (x1, y0)])
        return CrossSection([lips[0] + corners @ np.stack([along, out])])

    bar = block(-foot, length + foot, away, away + thick)
    for at in (0.0, length):
        # A leg out to a bar that stands off leaves the mouth itself free.
        side = foot if away == 0 else 0.0
        left, right = (foot, side) if at == 0 else (side, foot)
        bar = bar + block(at - left, at + right, -options.wall_mm, away + thick)
    for at in (2 * foot, length - 2 * foot):
        bar = bar - block(at - 0.5, at + 0.5, away + thick / 2, away + thick + 1)
    return bar


def write_rings(rings: Sequence[Ring], out_dir: Path) -> list[dict[str, Any]]:
    """Write each ring as 3MF and STL, and return what JSON shows of them.

    Raises
    ------
    InputError
        If the folder cannot be written to.
    """
    shown = []
    for ring in rings:
        files = []
        for mesh in ring.segments or (ring.mesh,):
            stem = "".join(c if c.isalnum() else "-" for c in mesh.name.lower()).strip("-")
            for ending in (".3mf", ".stl"):
                write_mesh(Path(out_dir) / f"{stem}{ending}", mesh)
                files.append(f"{stem}{ending}")
        shown.append(
            {
                "name": ring.plane.name,
                "files": files,
                "proves": ring.plane.proves,
                "tests": list(ring.plane.tests),
                "normal": [float(v) for v in ring.section.normal],
                "offset": round(ring.section.offset, 4),
                "inner_girth_mm": round(ring.section.inner_girth_mm or 0.0, 3),
                "inner_width_mm": round(ring.section.inner_width_mm or 0.0, 3),
                "inner_depth_mm": round(ring.section.inner_depth_mm or 0.0, 3),
                "ring": ring.estimate.as_dict(),
                "whole": ring.whole.as_dict(),
                "says": f"{ring.estimate} before {ring.whole}",
                "opens_mm_per_n": round(ring.opens_mm_per_n, 2),
                "remarks": list(ring.remarks),
            }
        )
    return shown
