# SPDX-License-Identifier: GPL-3.0-or-later
"""From a plan to files: cut, joint, lay out, write; and what JSON shows of it.

The road of the panel and of the command line: `split.workpiece`, `split.plan_split`, then here `carry_out` and
`write_split`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...errors import InputError
from ...formats import write_mesh
from ...progress import Progress, part_of, silent
from ..solid.solid import mesh_of
from .handover import Finished, finish, rounded, safe_stem, write_parts
from .joints import SIDES, Face, Joint, JointOptions, add_joints, faces_between
from .numbering import number_parts
from .split import apply_plan
from .split_model import CutPart, Plan, SplitOptions, Workpiece

# Parts must add up to the whole before joints to this share of it.
VOLUME_SHARE = 1e-6
PINS = JointOptions()
EASED_MM = 0.4  # taken off the edges of a dowel's ends, to find its hole


@dataclass(frozen=True, eq=False)
class Split:
    """A piece split: everything but the files.

    Attributes
    ----------
    plain
        The parts before joints, in the worn frame.
    parts
        The same with their joints, laid for printing.
    faces, joints
        Where parts meet, and what holds them there; by part from 0.
    marks
        Where each part has its number, (3,) in the worn frame; None where it has none.
    notes
        What the files say of themselves: shrinkage and the like.
    made_with
        How the joints were asked for; None where there are none.
    """

    piece: Workpiece
    plan: Plan
    options: SplitOptions
    plain: tuple[CutPart, ...]
    parts: tuple[Finished, ...]
    faces: tuple[Face, ...]
    joints: tuple[Joint, ...]
    marks: tuple[FloatArray | None, ...]
    remarks: tuple[str, ...]
    notes: str
    made_with: JointOptions | None = None


def carry_out(
    piece: Workpiece,
    plan: Plan,
    options: SplitOptions,
    joints: JointOptions | None = PINS,
    numbers: bool = True,
    progress: Progress = silent,
) -> Split:
    """Cut a piece by its plan, joint the parts and lay them for printing.

    Parameters
    ----------
    joints
        None leaves the cut faces plain.
    numbers
        Whether each part's number and an arrow are cut into it.

    Raises
    ------
    InputError
        If a part cannot be made to fit.
    """
    plain, remarks = apply_plan(piece, plan, options, part_of(progress, 0.0, 0.3))
    whole = piece.solid.volume()
    total = sum(p.solid.volume() for p in plain)
    if abs(total / whole - 1) > VOLUME_SHARE:
        raise InputError(
            f"the parts add up to {total:.1f} mm³ and the whole to {whole:.1f} mm³: its surface crosses itself",
            source=piece.name,
            remedy="repair it where it does",
        )
    parts: Sequence[CutPart] = plain
    made: list[Joint] = []
    if joints is None:
        faces = faces_between(plain)
    else:
        found = add_joints(plain, joints, part_of(progress, 0.3, 0.5), options.room)
        parts, faces, made = found.parts, found.faces, found.joints
        remarks += found.remarks
    marks: list[FloatArray | None] = [None] * len(parts)
    if numbers and len(parts) > 1:
        parts, marks, unmarked = number_parts(parts, piece.view, part_of(progress, 0.5, 0.6))
        remarks += unmarked
    done = finish(
        parts,
        piece.name,
        np.asarray(options.volume_mm, float),
        options.margin_mm,
        options.shrinkage,
        options.filament,
        part_of(progress, 0.6, 1.0),
    )
    notes = "" if options.scale == 1.0 else f"At {options.scale:g} times the size of the files it was made from. "
    if any(options.shrinkage.percent):
        percent = " x ".join(f"{v:g}" for v in options.shrinkage.percent)
        material = options.shrinkage.material
        notes += f"Scaled for a shrinkage of {percent} % along x, y, z of the printer. {material}"
    notes = notes.strip()
    return Split(
        piece,
        plan,
        options,
        tuple(plain),
        tuple(done),
        tuple(faces),
        tuple(made),
        tuple(marks),
        tuple(remarks),
        notes,
        joints,
    )


def write_split(split: Split, out_dir: Path, progress: Progress = silent) -> dict[str, Any]:
    """Write every file of a split and return what JSON shows of it."""
    written = write_parts(split.parts, split.piece.name, out_dir, split.notes, progress)
    dowels = _write_dowels(split, out_dir)
    progress(1.0, "written")
    for shown, mark in zip(written["parts"], split.marks):
        shown["mark_at"] = None if mark is None else [round(float(v), 3) + 0.0 for v in mark]
    return {
        "parts": written["parts"],
        "cuts": cuts_of(split),
        "joints": joints_of(split),
        "dowels": dowels,
        "plates": written["plates"],
        "assembly": written["assembly"],
        "whole": {"volume_mm3": split.piece.solid.volume(), "volume_before_joints_mm3": _volumes(split.plain)},
        "plan": plan_of(split.plan, split.options),
        "remarks": [*split.piece.remarks, *split.remarks],
    }


def _write_dowels(split: Split, out_dir: Path) -> list[dict[str, Any]]:
    """Write a mesh of each printed dowel, lying as it prints best, and return what JSON shows of them."""
    from manifold3d import Manifold

    lengths = Counter((j.diameter_mm, j.pin_mm) for j in split.joints if j.kind == "dowel")
    shown = []
    for number, ((wide, length), count) in enumerate(sorted(lengths.items()), 1):
        assert split.made_with is not None
        radius, ease = (wide - split.made_with.play_mm) / 2, EASED_MM
        ring = Manifold.cylinder(length, radius - ease, radius - ease, SIDES)
        barrel = Manifold.cylinder(length - 2 * ease, radius, radius, SIDES).translate((0.0, 0.0, ease))
        name = f"{safe_stem(split.piece.name)}-dowel-{number}"
        write_mesh(out_dir / f"{name}.stl", rounded(mesh_of((ring + barrel).hull(), name)))
        shown.append(
            {"file": f"{name}.stl", "count": count, "diameter_mm": round(2 * radius, 4), "length_mm": round(length, 4)}
        )
    return shown


def _volumes(parts: Sequence[CutPart]) -> list[float]:
    return [p.solid.volume() for p in parts]


def cuts_of(split: Split) -> list[dict[str, Any]]:
    """Return the cuts as JSON shows them: each plane once, with the faces that parts share along it."""
    planes = list(dict.fromkeys(f.plane for f in split.faces))
    return [
        {
            "normal": [round(float(v), 9) + 0.0 for v in plane.normal],
            "offset": round(plane.offset, 6) + 0.0,
            "faces": [
                {
                    "parts": [f.parts[0] + 1, f.parts[1] + 1],
                    "area_mm2": round(f.area_mm2, 2),
                    "wall_mm": round(f.wall_mm, 2),
                }
                for f in split.faces
                if f.plane == plane
            ],
        }
        for plane in planes
    ]


def joints_of(split: Split) -> list[dict[str, Any]]:
    """Return the joints as JSON shows them, in the worn frame."""
    return [
        {
            "kind": j.kind,
            "parts": [j.parts[0] + 1, j.parts[1] + 1],
            "at": [float(v) for v in j.at],
            "axis": [round(float(v), 9) + 0.0 for v in j.axis],
            "diameter_mm": round(j.diameter_mm, 4),
            "depth_mm": round(j.depth_mm, 4),
            "pin_mm": round(j.pin_mm, 4),
            **({} if j.along is None else {"along": [round(float(v), 9) + 0.0 for v in j.along]}),
        }
        for j in split.joints
    ]


def plan_of(plan: Plan, options: SplitOptions) -> dict[str, Any]:
    """Return a plan's figures as JSON shows them."""
    return {
        "volume_mm": [float(v) for v in options.volume_mm],
        "margin_mm": options.margin_mm,
        "parts": [
            {"size_mm": [round(float(v), 2) for v in p.size_mm], "fits": p.fits, "print": p.estimate.as_dict()}
            for p in plan.parts
        ],
        "planes": [
            {"normal": [round(float(v), 9) + 0.0 for v in p.normal], "offset": round(p.offset, 6) + 0.0}
            for p in plan.planes
        ],
        "at_least": plan.at_least,
        "longest_minutes": round(plan.longest.minutes),
        "seam_front_mm": round(plan.front_mm, 1),
        "seam_shown_mm": round(plan.shown_mm, 1),
        "weighed": plan.tally.weighed,
        "tried": plan.tally.tried,
    }
