# SPDX-License-Identifier: GPL-3.0-or-later
"""What every verb reads and answers with: pieces, wearers, an outcome, rows of a table."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..core.errors import InputError
from ..core.formats import read_mesh
from ..core.geometry.doubts import doubts
from ..core.piece import Part, Piece, misplacements
from ..core.pose import Pose
from ..core.progress import Progress, part_of
from ..core.wearer.form import Wearer

if TYPE_CHECKING:
    from ..core.checks.known import Known


@dataclass(frozen=True)
class Outcome:
    """A verb's answer: the document's parts, whether a verdict failed, and how to show it.

    `faults` are tracebacks of faults of ours that took a part of the answer; `stopped` is whether the user ended the
    work early and this is what was done by then.
    """

    result: Any
    inputs: Sequence[dict[str, str]]
    warnings: Sequence[str]
    failed: bool
    show: Callable[[Any], None]
    faults: Sequence[str] = ()
    stopped: bool = False


def read_piece(
    files: Sequence[str], options: argparse.Namespace, removable: Sequence[str] = ()
) -> tuple[Piece, list[dict[str, str]], list[str]]:
    """Return the piece that mesh files make, a document's `inputs` for them, and warnings."""
    parts: list[Part] = []
    inputs: list[dict[str, str]] = []
    warnings: list[str] = []
    for file in files:
        read = read_mesh(file, options.units)
        inputs.append({"file": str(file), "sha256": read.sha256})
        warnings += read.warnings
        parts += [Part(mesh.name, mesh, mesh.name in removable) for mesh in read.meshes]
    piece = Piece(parts[0].name if len(parts) == 1 else "piece", tuple(parts)).scaled(options.scale)
    for name in removable:
        if name not in {p.name for p in parts}:
            raise InputError(
                f"there is no part '{name}' to take off",
                remedy=f"the parts are {', '.join(p.name for p in parts)}",
            )
    warnings += [f"{doubt}: were the parts exported each at the origin?" for doubt in misplacements(piece)]
    warnings += doubts([p.mesh for p in parts], getattr(options, "action", options.verb))
    return piece, inputs, warnings


@dataclass(frozen=True)
class Case:
    """A piece and a wearer as a verb's arguments name them, and all that is known of the wearer."""

    piece: Piece
    wearer: Wearer
    inputs: list[dict[str, str]]
    warnings: list[str]
    known: Known


def read_case(options: argparse.Namespace, progress: Progress, removable: Sequence[str] = ()) -> Case:
    """Read the piece and the wearer; with the files' own positions nothing is asked but what is given."""
    from ..core.checks.known import read_known

    piece, inputs, warnings = read_piece(options.piece, options, removable)
    known = read_known(options.wearer, options.units, part_of(progress, 0.0, 0.7))
    asked, said = _room(options)
    known = known.with_allowances(asked, options.seat, part_of(progress, 0.7, 1.0))
    read = known.read
    sources = [{"file": str(options.wearer), "sha256": s.sha256} for s in read.sources[:1]]
    sources += [{"file": str(s.path), "sha256": s.sha256} for s in read.sources[1:]]
    return Case(piece, read.wearer, sources + inputs, [*read.warnings, *said, *warnings], known)


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


def seat_of_case(case: Case, options: argparse.Namespace, progress: Progress) -> Pose:
    """Return the pose that `--seat` asks for."""
    if options.seat == "fixed":
        return Pose()
    from ..core.fit.seat.seating import seat

    return seat(case.piece, case.wearer, progress=progress).pose


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
