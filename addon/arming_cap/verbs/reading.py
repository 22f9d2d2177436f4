# SPDX-License-Identifier: GPL-3.0-or-later
"""What every verb reads and answers with: pieces, wearers, an outcome, rows of a table."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from ..core.capacity import refuse_large
from ..core.errors import InputError
from ..core.formats import read_mesh
from ..core.geometry.doubts import doubts
from ..core.piece import Hinge, Part, Piece, as_worn
from ..core.pose import Pose
from ..core.progress import Progress, part_of, silent
from ..core.verdict import Status, Verdict
from ..core.wearer.form import Form
from ..core.wearer.oddsize import odd_piece

if TYPE_CHECKING:
    from ..core.checks.job import Fitting
    from ..core.checks.worn import Worn
    from ..core.report.model import FitReport

Checked = TypeVar("Checked")


@dataclass(frozen=True)
class Outcome:
    """A verb's answer: the document's parts, whether a verdict failed, and how to show it.

    `faults` are tracebacks of faults of ours that took a part of the answer; `stopped` is whether the user ended the
    work early and this is what was done by then. How the parts of
    `piece` were put together stands in the document.
    """

    result: Any
    inputs: Sequence[dict[str, str]]
    warnings: Sequence[str]
    failed: bool
    show: Callable[[Any], None]
    faults: Sequence[str] = ()
    stopped: bool = False
    piece: Piece | None = None

    @property
    def document(self) -> Any:
        """The result as JSON shows it."""
        if self.piece is None or not self.piece.assembled:
            return self.result
        return {**self.result, "assembly": [part.as_dict() for part in self.piece.assembled]}


def read_piece(
    files: Sequence[str], options: argparse.Namespace, form: Form | None = None, progress: Progress = silent
) -> tuple[Piece, list[dict[str, str]], list[str]]:
    """Return the piece that mesh files make, a document's `inputs` for them, and warnings; `form` is who wears it."""
    parts: list[Part] = []
    inputs: list[dict[str, str]] = []
    warnings: list[str] = []
    stated = options.known_length is not None
    hinges = dict(map(_hinge, options.hinge))
    turned = as_worn(options.face, options.up)
    verb, triangles = getattr(options, "action", options.verb), 0
    for number, file in enumerate(files):
        progress(0.8 * number / len(files), f"reading {Path(file).name}")
        read = read_mesh(file, options.piece_units or options.units)
        triangles += sum(len(mesh) for mesh in read.meshes)
        refuse_large("the piece" if len(files) > 1 else str(file), triangles, verb)
        stated = stated or read.stated
        inputs.append({"file": str(file), "sha256": read.sha256})
        warnings += read.warnings
        for mesh in read.meshes:
            if options.known_length is not None:
                model, real = options.known_length
                mesh = mesh.scaled(real / (model * read.mm_per_unit))
            hinge = hinges.get(mesh.name)
            parts.append(Part(mesh.name, mesh.moved(turned), mesh.name in options.removable or bool(hinge), hinge))
    piece = Piece(parts[0].name if len(parts) == 1 else "piece", tuple(parts))
    if options.assemble:
        from ..core.make.assembly import put_together

        piece, said = put_together(piece, progress)
        warnings += said
    piece = piece.scaled(options.scale)
    for name in (*options.removable, *hinges):
        if name not in {p.name for p in parts}:
            raise InputError(
                f"there is no part '{name}' to take off",
                remedy=f"the parts are {', '.join(p.name for p in parts)}",
            )
    progress(0.8, "looking at the mesh")
    warnings += odd_piece(piece.mesh, piece.name, form, stated)
    warnings += doubts([p.mesh for p in parts], verb)
    return piece, inputs, warnings


def _hinge(text: str) -> tuple[str, Hinge]:
    """Return the part and the hinge that ``NAME=X,Y,Z,AX,AY,AZ[,DEG]`` names."""
    name, _, numbers = text.rpartition("=")
    words = numbers.split(",")
    try:
        values = [float(word) for word in words]
    except ValueError:
        values = []
    if not name or len(values) not in (6, 7) or not np.isfinite(values).all() or not any(values[3:6]):
        raise InputError(
            f"'{text}' is not NAME=X,Y,Z,AX,AY,AZ[,DEG]",
            source="--hinge",
            remedy="give a point on the axis, its direction, and how far the part swings",
        )
    signed = len(values) == 7 and words[6].strip()[:1] in "+-"
    opens = values[6] if len(values) == 7 else 90.0
    return name, Hinge(np.array(values[:3]), np.array(values[3:6]), opens, signed)


@dataclass(frozen=True)
class Case:
    """A piece on a wearer as a verb's arguments name them."""

    fitting: Fitting
    inputs: list[dict[str, str]]
    warnings: list[str]


def read_case(options: argparse.Namespace, progress: Progress) -> Case:
    """Read the piece and the wearer; with the files' own positions nothing is asked but what is given."""
    from ..core.checks.job import Fitting
    from ..core.checks.known import read_known
    from ..core.fit.passage.facing import check_exchanged, faces_backwards
    from ..core.fit.passage.hinges import settled_hinges

    units = options.wearer_units or options.units
    known = read_known(options.wearer, units, part_of(progress, 0.0, 0.7))
    piece, inputs, warnings = read_piece(options.piece, options, known.read.wearer.form, part_of(progress, 0.7, 0.8))
    check_exchanged(piece, known.read.wearer)
    asked, said = _room(options)
    piece, swings = settled_hinges(piece, known.read.wearer, options.seat == "fixed")
    said += swings
    said += [line for line in (faces_backwards(piece, known.read.wearer, Pose()),) if line]
    if not 0 <= options.allow_padding <= 100:
        raise InputError("--allow-padding counts from 0 to 100 mm", remedy="give millimetres")
    known = known.allowing(options.allow_padding).with_allowances(asked, options.seat, part_of(progress, 0.8, 1.0))
    read = known.read
    sources = [{"file": str(options.wearer), "sha256": s.sha256} for s in read.sources[:1]]
    sources += [{"file": str(s.path), "sha256": s.sha256} for s in read.sources[1:]]
    fitting = Fitting(piece, read.wearer, 1.0, options.seat, known)
    return Case(fitting, sources + inputs, [*read.warnings, *said, *warnings])


def _room(options: argparse.Namespace) -> tuple[dict[str, float] | None, list[str]]:
    """Return the allowances that are asked for, None for the wearer's own, and what stands behind a name."""
    from ..core.wearer.worn import in_figures, room_of

    text = options.allowance
    if text is None:  # the files' own positions: nothing is asked but what is given
        return ({} if options.seat == "fixed" else None), []
    try:
        every = float(text)
    except ValueError:
        return room_of(text, "--allowance"), [in_figures(text, "--allowance")]
    if not abs(every) <= 1000:
        raise InputError(f"--allowance of {text} mm is out of range", remedy="give millimetres")
    return {"default": every}, []


def worn_case(case: Case, progress: Progress) -> Worn:
    """Return the piece in the pose that `--seat` asks for.

    Raises
    ------
    InputError
        If the piece is not worn there.
    """
    from ..core.checks.placement import carried, placement
    from ..core.checks.worn import worn
    from ..core.report.said import verdict_of

    one = case.fitting
    placed = placement(one.piece, one.wearer, one.seat)
    here = None
    if placed.status is Status.PASS:
        here = worn(one, progress)
        placed = carried(placed, here.clearance)
    if here is None or placed.status is not Status.PASS:
        said = verdict_of(placed)
        raise InputError(said.why, source=one.piece.name, remedy=said.mend)
    return here


def answer(
    case: Case, kind: type[Checked], check: str, asked: Mapping[str, Any], progress: Progress
) -> tuple[FitReport, Checked, Verdict]:
    """Return the report of one check, what it found, and its verdict in words.

    Parameters
    ----------
    kind, check
        The result's class and the check's name.
    asked
        Limits other than the usual ones; ``checks`` names what is made besides.

    Raises
    ------
    InputError
        If the check could not be made.
    """
    from ..core.checks.fit import check_fit
    from ..core.checks.job import Limits

    limits = Limits(**{**asked, "checks": ("placement", check, *asked.get("checks", ()))})
    report = check_fit(case.fitting, limits, progress, drawn=False)
    result, verdict = report.results[check], next(v for v in report.verdicts if v.check == check)
    if not isinstance(result, kind):
        raise InputError(verdict.why, source=report.piece, remedy=verdict.mend)
    return report, result, verdict


def pose_told(seat: str, pose: Pose | Mapping[str, Sequence[float]]) -> str:
    """Return how a piece is worn, in words, with what it was moved and turned by."""
    from ..core.report.words import pose_in_words

    return pose_in_words(seat, pose.as_dict() if isinstance(pose, Pose) else pose)


def print_rows(stdout: Any, rows: Sequence[Sequence[object]]) -> None:
    """Print rows as aligned columns."""
    texts = [[("" if cell is None else str(cell)) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in texts) for i in range(len(texts[0]))] if texts else []
    for row in texts:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip(), file=stdout)


def mm(value: float | None) -> str:
    """Return millimetres as a table shows them."""
    return "-" if value is None else f"{value:.2f} mm"


def point(at: Sequence[float] | None) -> str:
    """Return a place as a table shows it."""
    return "-" if at is None else "(" + ", ".join(f"{v:.1f}" for v in at) + ")"
