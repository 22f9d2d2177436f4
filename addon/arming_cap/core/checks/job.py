# SPDX-License-Identifier: GPL-3.0-or-later
"""A job: which pieces are checked on which wearers, under which limits. Written by hand as TOML.

::

    title = "Second cast"

    [[wearer]]
    name = "Ilse"
    form = "wearers/ilse.ply"          # a mesh; or card = "wearers/ilse.toml"
    allowance = "short hair + glasses" # what is worn under the piece, by name; left out: the card's own
    allowance_mm = { default = 6.0, ear_left = -2.0, ear_right = -2.0 }

    [[piece]]
    name = "Gate helm"
    wearers = ["Ilse"]                 # left out: every wearer
    known_length = { model = 2.56, mm = 64 }   # what measures 2.56 in its files is 64 mm long; left out: their unit
    face = "-y"                        # where its face looks in its files, and which way is up there
    up = "z"
    scale = 0.92                       # left out: 1
    seat = "fixed"                     # or "best": find where it comes to rest
    assemble = true                    # put parts that lie as for printing together by their flat faces; left out: no

    [[piece.part]]
    file = "pieces/shell.stl"
    removable = false
    translation_mm = [0, 0, 0]         # the repair for parts exported each at the origin
    rotation_deg = [0, 0, 0]

    [limits]
    checks = ["clearance", "donning"]  # left out: all
    padding_gives_mm = 4               # how far padding and hair flatten on the way on; left out: not at all
    allowed_padding_mm = 25            # most padding that eye openings may ask for where a piece rests; left out: 25
    loosest_mm = 25                    # room over the allowance at which a piece is too large; left out: 25
    foam_mm = [3, 5, 10]               # foam in stock, for the padding plan; left out: 3, 5, 10, 15, 20, 25
    mends = true                       # try what would let a piece on that does not go on; takes time; left out: false
    springs_mm = 10                    # how far a slit springs open on the way on; your number; left out: 0
    neck_bend_deg = 20                 # how far the head may bow on the way on; left out: 0
    scales = [0.5, 2.0]                # the scales that the size is looked for in; left out: these
    budget_s = 120                     # time for one piece on one wearer, in seconds; left out: as long as it takes
    distortion_percent = 4             # how far the scales of two axes may differ; 0: uniform only; left out: 4
    wall_mm = 0.8                      # look for walls thinner than this at the job's scale; left out: walls are not
                                       # looked at unless checks names "walls", which then means 0.8
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ..capacity import refuse_large
from ..errors import InputError
from ..files import read_input, sha256
from ..fit.passage.hinges import settled_hinges
from ..fit.size.padding import STOCK_MM
from ..fit.size.scales import HIGHEST, LOWEST
from ..fit.size.unequal import DISTORTION
from ..formats import UNITS_MM, read_mesh
from ..make.assembly import put_together
from ..make.walls.thickness import LINE_MM
from ..piece import AXES, Hinge, Part, Piece, as_worn
from ..pose import Pose
from ..progress import Progress, part_of, silent
from ..tables import Table, decoded, read_toml
from ..wearer.card import by_side, checked_room
from ..wearer.form import PADDING_MM, Wearer
from ..wearer.found import Source
from ..wearer.oddsize import odd_piece
from ..wearer.worn import in_figures, room_of
from .known import Known, read_known

CHECKS = ("mesh", "placement", "clearance", "donning", "sight", "size")
# Made only where asked for by name: the walls of 100,000 triangles take about three seconds.
EXTRA = ("walls",)


@dataclass(frozen=True)
class Limits:
    """What is asked of a fit.

    Attributes
    ----------
    checks
        Which checks to make, of `CHECKS` and `EXTRA`. All of `CHECKS` asks for those that apply: a bracer is not
        looked out of.
    allowed_padding_mm
        Most padding that a piece's eye openings may ask for where it rests.
    padding_gives_mm
        How far hair, liner and padding flatten while the piece goes on or comes off; once on, they keep their
        allowance in full. 0 asks for all of it on the way too.
    clearance_mm
        Wanted beyond the allowances where a size is looked for.
    loosest_mm
        How far what carries a piece may stand off over its allowance before the piece is too large. The default is
        the thickest foam of the stock; None to look for no largest scale.
    way_scale
        Whether to look for the smallest scale that goes on as a whole, besides a size.
    pinned
        Freedoms that seating leaves alone while a size is looked for.
    springs_mm, neck_bend_deg
        How far a slit may spring open on the way on, and how far the head may bow; see `Search`.
    foam_mm
        Thicknesses in stock for the padding plan.
    scales
        The smallest and the largest scale that the size is looked for in.
    distortion_percent
        How far the scales of two axes may differ where a scale per axis would save material; 0 to look for none.
    mends
        Whether to try what would let a piece on that does not go on: each mend by the search on the mended piece.
    budget_s
        How long the checks of one piece on one wearer may take, in seconds; None for as long as they need.
    wall_mm
        Walls thinner than this at the scale checked are *marginal*, where the check ``walls`` is asked for. The
        default is two lines of the common nozzle.
    """

    checks: tuple[str, ...] = CHECKS
    allowed_padding_mm: float = PADDING_MM
    padding_gives_mm: float = 0.0
    clearance_mm: float = 0.0
    loosest_mm: float | None = 25.0
    foam_mm: tuple[float, ...] = STOCK_MM
    scales: tuple[float, float] = (LOWEST, HIGHEST)
    distortion_percent: float = 100 * DISTORTION
    mends: bool = False
    wall_mm: float = 2 * LINE_MM
    budget_s: float | None = None
    way_scale: bool = False
    pinned: tuple[str, ...] = ()
    springs_mm: float = 0.0
    neck_bend_deg: float = 0.0

    @property
    def wants_all(self) -> bool:
        """Whether every check that is not an extra one is asked for."""
        return set(CHECKS) <= set(self.checks)


@dataclass(frozen=True)
class Fitting:
    """One piece on one wearer.

    Attributes
    ----------
    piece
        As the files hold it, unscaled.
    wearer
        Who wears it.
    scale
        Uniform, about the files' origin.
    seat
        ``fixed`` takes the files' positions as the worn pose; ``best`` finds where the piece comes to rest.
    known
        All that is known of the wearer, which tells what may make them another than the form says; None where only the
        form's spread does. What that is takes a second to work out and so is left to whoever makes the check.
    """

    piece: Piece
    wearer: Wearer
    scale: float = 1.0
    seat: str = "fixed"
    known: Known | None = None


@dataclass(frozen=True)
class Job:
    """Everything one call of `check` works through."""

    title: str
    fittings: tuple[Fitting, ...]
    limits: Limits = field(default_factory=Limits)
    inputs: tuple[dict[str, str], ...] = ()
    warnings: tuple[str, ...] = ()


def read_job(path: Path | str, units: str | None = None, scale: float = 1.0, progress: Progress = silent) -> Job:
    """Read a job file with all it names.

    Parameters
    ----------
    path
        The TOML file; paths in it are relative to its folder.
    units
        The unit of mesh files that say nothing, where the job does not state it.
    scale
        Multiplies the scale of every piece.

    Raises
    ------
    InputError
        If a key is unknown, missing or of the wrong kind, or a file it names cannot be used.
    """
    path = Path(path)
    content = read_input(path)
    job = read_toml(decoded(content, str(path)), str(path), "the job")
    title = job.text("title", path.stem)
    units = job.choice("units", tuple(UNITS_MM), units)
    limits = _limits(job.table("limits"))
    wearer_tables, piece_tables = job.tables("wearer"), job.tables("piece")
    job.finish()
    if not wearer_tables:
        raise InputError("no wearer is named", source=str(path), remedy="add a [[wearer]] with form = or card =")
    if not piece_tables:
        raise InputError("no piece is named", source=str(path), remedy="add a [[piece]] with a [[piece.part]]")

    inputs = [{"file": path.name, "sha256": sha256(content)}]
    warnings: list[str] = []
    steps = len(wearer_tables) + len(piece_tables)
    wearers: dict[str, Known] = {}
    for number, one in enumerate(wearer_tables):
        known = _wearer(one, path.parent, units, inputs, warnings, part_of(progress, number / steps, 1.0))
        name = known.read.wearer.name
        if name in wearers:
            raise InputError(f"two wearers are named '{name}'", source=str(path), remedy="rename one")
        wearers[name] = known
    fittings: list[Fitting] = []
    names: set[str] = set()
    for number, one in enumerate(piece_tables, len(wearer_tables)):
        progress(number / steps, "Reading pieces")
        piece, own_scale, seat, worn_by, stated = _piece(
            one, path.parent, units, inputs, warnings, part_of(progress, number / steps, (number + 1) / steps)
        )
        if piece.name in names:
            raise InputError(f"two pieces are named '{piece.name}'", source=str(path), remedy="rename one")
        names.add(piece.name)
        for name in worn_by if worn_by is not None else list(wearers):
            if name not in wearers:
                raise InputError(f"piece '{piece.name}' names the wearer '{name}', whom the job does not have",
                                 source=str(path), remedy=f"the wearers are {', '.join(wearers)}")  # fmt: skip
            known = wearers[name].allowing(limits.allowed_padding_mm)
            if name == (worn_by or list(wearers))[0]:
                scaled = piece.mesh.scaled(own_scale * scale)
                warnings += odd_piece(scaled, piece.name, known.read.wearer.form, stated)
            own, swings = settled_hinges(piece, known.read.wearer, seat == "fixed", own_scale * scale)
            warnings += swings
            fittings.append(Fitting(own, known.read.wearer, own_scale * scale, seat, known))
    # What holds for every wearer, such as whom the survey speaks for, is said once.
    return Job(title, tuple(fittings), limits, tuple(inputs), tuple(dict.fromkeys(warnings)))


def _limits(table: Table | None) -> Limits:
    if table is None:
        return Limits()
    checks = table.texts("checks")
    for name in checks or ():
        if name not in CHECKS + EXTRA:
            raise table.error(f"there is no check '{name}'", f"the checks are {', '.join(CHECKS + EXTRA)}")
    asked = tuple(checks) if checks is not None else CHECKS
    if "wall_mm" in table.content and "walls" not in asked:
        asked += ("walls",)
    scales = table.numbers("scales", Limits.scales, 0.05, 20.0)
    if len(scales) != 2 or not scales[0] < scales[1]:
        raise table.error("'scales' is not a smaller and a larger scale", "write scales = [0.5, 2.0]")
    limits = Limits(
        checks=asked,
        scales=(scales[0], scales[1]),
        allowed_padding_mm=table.number("allowed_padding_mm", PADDING_MM, 0.0, 100.0),
        padding_gives_mm=table.number("padding_gives_mm", 0.0, 0.0, 50.0),
        loosest_mm=table.number("loosest_mm", 25.0, 0.0, 100.0),
        foam_mm=table.numbers("foam_mm", STOCK_MM, 0.5, 100.0),
        distortion_percent=table.number("distortion_percent", Limits.distortion_percent, 0.0, 25.0),
        mends=table.flag("mends", False),
        springs_mm=table.number("springs_mm", 0.0, 0.0, 200.0),
        neck_bend_deg=table.number("neck_bend_deg", 0.0, 0.0, 60.0),
        wall_mm=table.number("wall_mm", Limits.wall_mm, 0.05, 50.0),
        budget_s=table.number("budget_s", 0.0, 0.0, 1e6) or None,
    )
    table.finish()
    return limits


def _wearer(
    table: Table,
    folder: Path,
    units: str | None,
    inputs: list[dict[str, str]],
    warnings: list[str],
    progress: Progress,
) -> Known:
    form, card = table.text("form", ""), table.text("card", "")
    if bool(form) == bool(card):
        raise table.error("a wearer needs form = or card =, one of them", "name a mesh or a wearer card")
    under = table.text("allowance", "")
    room = table.mapping("allowance_mm")
    allowance = by_side(checked_room({place: table.checked(place, mm) for place, mm in room.items()}, table))
    known = read_known(folder / (form or card), table.choice("units", tuple(UNITS_MM), units), progress)
    name = table.text("name", known.read.wearer.name)
    table.finish()
    wearer = dataclasses.replace(known.read.wearer, name=name)
    known = dataclasses.replace(known, read=dataclasses.replace(known.read, wearer=wearer))
    worn = room_of(under, table.source) if under else {}
    known = known.with_allowances({**wearer.allowance_mm, **worn, **allowance}, "best")
    warnings += [f"{name}: {in_figures(under, table.source)}"] if under else []
    _note(known.read.sources, inputs)
    warnings += known.read.warnings
    return known


def _piece(
    table: Table,
    folder: Path,
    units: str | None,
    inputs: list[dict[str, str]],
    warnings: list[str],
    progress: Progress,
) -> tuple[Piece, float, str, list[str] | None, bool]:
    parts: list[Part] = []
    part_tables = table.tables("part")
    units = table.choice("units", tuple(UNITS_MM), units)
    length = table.table("known_length")
    known = None
    if length is not None:
        known = (length.number("model", 0.0, 1e-6, 1e6), length.number("mm", 0.0, 1e-6, 1e6))
        length.finish()
        if 0.0 in known:
            raise length.error("a known length needs model = and mm =", "give what it measures, and what it is")
    turned = as_worn(table.choice("face", AXES, "-y") or "", table.choice("up", AXES, "z") or "")
    stated = known is not None
    if not part_tables:
        raise table.error("a piece needs at least one [[piece.part]]", "add one with file =")
    for one in part_tables:
        file = one.text("file", "")
        if not file:
            raise one.error("a part needs file =", "name its mesh file")
        read = read_mesh(folder / file, units=one.choice("units", tuple(UNITS_MM), units))
        _note((Source(read.path, read.sha256),), inputs)
        warnings += read.warnings
        stated = stated or read.stated
        factor = known[1] / (known[0] * read.mm_per_unit) if known else 1.0
        pose = turned.then(Pose.of(one.vector("translation_mm", (0, 0, 0)), one.vector("rotation_deg", (0, 0, 0))))
        name, removable, hinge = one.text("name", ""), one.flag("removable", False), _hinge(one.table("hinge"))
        one.finish()
        for mesh in read.meshes:
            parts.append(
                Part(
                    name if name and len(read.meshes) == 1 else mesh.name,
                    mesh.scaled(factor).moved(pose),
                    removable,
                    hinge,
                )
            )
        refuse_large(str(folder / file), sum(len(part.mesh) for part in parts), "check")
    piece = Piece(table.text("name", parts[0].name), tuple(parts))
    if table.flag("assemble", False):
        piece, said = put_together(piece, progress)
        warnings += said
    scale = table.number("scale", 1.0, 0.01, 100.0)
    seat = table.choice("seat", ("fixed", "best"), "fixed") or "fixed"
    wearers = table.texts("wearers")
    table.finish()
    return piece, scale, seat, wearers, stated


def _hinge(table: Table | None) -> Hinge | None:
    if table is None:
        return None
    signed = "opens_deg" in table.content
    hinge = Hinge(
        np.array(table.vector("point_mm", (0, 0, 0))),
        np.array(table.vector("axis", (1, 0, 0))),
        table.number("opens_deg", 90.0, -360.0, 360.0) if signed else table.number("swings_deg", 90.0, 0.0, 360.0),
        signed,
    )
    table.finish()
    if not np.linalg.norm(hinge.axis) > 0:
        raise table.error("the hinge's axis has no length", "give a direction")
    return hinge


def _note(sources: tuple[Source, ...], inputs: list[dict[str, str]]) -> None:
    for source in sources:
        entry = {"file": source.path.name, "sha256": source.sha256}
        if entry not in inputs:
            inputs.append(entry)
