# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panel has done for it beside the window: drafts copied out of Blender in, what is to be shown out.

Knows nothing of Blender, so that `worker` can run it in a process of its own. Each function takes what was copied out
and a progress callback; where that has a `tell`, what is finished is handed over at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .core.arrays import FloatArray, IntArray
from .core.capacity import refuse_large
from .core.errors import InputError
from .core.mesh import TriangleMesh
from .core.piece import Piece, swapped
from .core.pose import Pose
from .core.progress import Progress, part_of, silent

if TYPE_CHECKING:
    from .core.checks.job import Job
    from .core.checks.known import Known
    from .core.report.model import FitReport, RunReport
    from .core.wearer.form import Form, Wearer


def form_of_facts(mesh: TriangleMesh, region_of_triangle: IntArray, facts: dict[str, Any]) -> Form:
    """Return a mesh as the form that its object says it is; `facts` in the scene's millimetres."""
    from .core.wearer.form import Form

    names = tuple(facts["regions"])
    return Form(
        mesh,
        names,
        np.clip(region_of_triangle, 0, len(names) - 1),
        {name: np.array(point) for name, point in facts["landmarks"].items()},
        facts["spread_mm"],
        facts["source"],
    )


@dataclass(frozen=True)
class Body:
    """A form as it was copied out of Blender.

    Attributes
    ----------
    mesh, regions
        Its surface, and for each triangle the row of its region's name.
    facts
        What its object says of it as a form, see `blender.forms`; None where it says nothing, and a head is looked
        for.
    allowance_mm
        Room by region.
    card
        The wearer's card; None where there is none.
    matrix
        (4, 4) where the object stands, in mm.
    """

    mesh: TriangleMesh
    regions: IntArray
    facts: dict[str, Any] | None
    allowance_mm: dict[str, float]
    card: Path | None = None
    matrix: FloatArray = field(default_factory=lambda: np.eye(4))

    def known(self, name: str, progress: Progress = silent) -> Known:
        """Return the wearer it stands for with what their card knows; raises `InputError` where it is not closed."""
        from .core.checks.known import of_body
        from .core.wearer.form import Wearer
        from .core.wearer.recognise import form_of

        form = form_of_facts(self.mesh, self.regions, self.facts) if self.facts else form_of(self.mesh, "mesh")
        return of_body(Wearer(name, form, self.allowance_mm), self.card, Pose.of_matrix(self.matrix), progress)

    def wearer(self, name: str) -> Wearer:
        """Return that wearer alone."""
        return self.known(name).read.wearer


@dataclass(frozen=True)
class Draft:
    """What is to be checked, copied out of Blender.

    Attributes
    ----------
    title
        The scene's name.
    worn
        Each piece with the name of the form it is worn on.
    bodies
        By the forms' names.
    seat
        ``fixed`` or ``best``.
    padding_gives_mm, loosest_mm, wall_mm, springs_mm
        See `Limits`; no walls are looked for where the last is None.
    warnings
        Sentences for the report.
    """

    title: str
    worn: tuple[tuple[Piece, str], ...]
    bodies: dict[str, Body]
    seat: str
    padding_gives_mm: float
    loosest_mm: float
    wall_mm: float | None
    warnings: tuple[str, ...]
    springs_mm: float = 0.0

    def job(self, progress: Progress = silent) -> Job:
        """Return the job that the command line would read from a file.

        Raises
        ------
        InputError
            If a form is not closed, or a wearer is a shell and its piece a body.
        """
        from .core.checks.job import CHECKS, Fitting, Job, Limits

        limits = Limits(padding_gives_mm=self.padding_gives_mm, loosest_mm=self.loosest_mm, springs_mm=self.springs_mm)
        if self.wall_mm is not None:
            limits = replace(limits, checks=(*CHECKS, "walls"), wall_mm=self.wall_mm)
        for piece, form in self.worn:
            refuse_large(piece.name, piece.triangles, "check")
            if swapped(piece, self.bodies[form].mesh):
                raise InputError(
                    f"the wearer is a thin shell, and the piece '{piece.name}' a body: their roles look swapped",
                    source=form,
                    remedy="give the role Wearer to the body, and Part to what is worn",
                )
        wearers: dict[str, Known] = {}
        for name, body in self.bodies.items():
            progress(0.0, f"Reading {name}")
            wearers[name] = body.known(name, part_of(progress, 0.0, 0.05))
        meshes = [body.mesh for body in self.bodies.values()] + [
            part.mesh for piece, _ in self.worn for part in piece.parts
        ]
        return Job(
            title=self.title,
            fittings=tuple(
                Fitting(piece, wearers[form].read.wearer, 1.0, self.seat, wearers[form]) for piece, form in self.worn
            ),
            limits=limits,
            inputs=(*({"file": mesh.name, "sha256": mesh.content_hash} for mesh in meshes), *_files(wearers.values())),
            warnings=(*self.warnings, *dict.fromkeys(text for one in wearers.values() for text in one.read.warnings)),
        )


def _files(wearers: Iterable[Known]) -> list[dict[str, str]]:
    """Return a document's `inputs` for the cards that wearers were read from."""
    return [{"file": one.path.name, "sha256": one.sha256} for known in wearers for one in known.read.sources]


# --- the checks -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Checked:
    """A run of the checks as the scene keeps it.

    Attributes
    ----------
    document
        The same that ``check --json`` prints.
    files
        The report's files by name.
    verdict
        Of the whole run.
    faults
        Traces of faults of ours that kept a fitting from being checked.
    """

    document: dict[str, Any]
    files: dict[str, str]
    verdict: str
    faults: tuple[str, ...]


def check(draft: Draft, progress: Progress) -> Checked:
    """Make every check of a draft; what is finished is told as it comes, the rest of it as not checked."""
    from .core.checks.fit import check_job, settings

    job = draft.job(progress)
    tell = getattr(progress, "tell", None)
    fits: dict[tuple[str, str], FitReport] = {}

    if tell is None:
        return _checked(check_job(job, progress))

    def told(fit: FitReport) -> None:
        from .core.report.model import RunReport

        fits[fit.piece, fit.wearer] = fit
        so_far = tuple(_with_the_rest(one, job.limits) for one in fits.values())
        tell(_checked(RunReport(job.title, so_far, job.inputs, job.warnings, settings(job.limits))))

    return _checked(check_job(job, progress, told=told))


def _checked(run: RunReport) -> Checked:
    from .core.report import as_json
    from .core.report.write import report_files

    document = as_json.document("check", run.inputs, run.warnings, run.as_dict())
    return Checked(document, report_files(run), run.status.value, run.faults)


def _with_the_rest(fit: FitReport, limits: Any) -> FitReport:
    """Return an unfinished report in which what is still to come counts as not checked: never a silent pass."""
    from .core.verdict import Status, Verdict

    done = {verdict.check for verdict in fit.verdicts}
    why, mend = "the run was stopped before this was done", "run the checks again"
    rest = [
        Verdict(name, Status.NOT_CHECKED, why=why, mend=mend, details={"stopped": True})
        for name in limits.checks
        if name not in done
    ]
    # Whether it fits is not said before it is known whether it goes on.
    open_still = {"clearance", "donning"} & {verdict.check for verdict in rest}
    return replace(fit, verdicts=(*fit.verdicts, *rest), advice=None if open_still else fit.advice)


def read_meshes(paths: Sequence[Path], progress: Progress) -> list[tuple[str, TriangleMesh, tuple[str, ...]]]:
    """Return each file's name, its mesh in mm, and what is to be said of it."""
    from .core.formats import read_mesh

    found = []
    for number, path in enumerate(paths):
        progress(number / len(paths), f"Reading {path.name}")
        read = read_mesh(path)
        found.append((path.stem, read.mesh, tuple(read.warnings)))
    return found


# --- what is shown, and what is made ----------------------------------------------------------------------------------


def margins(
    piece: Piece, body: Body, form: str, pose: Pose, progress: Progress
) -> dict[str, tuple[IntArray, FloatArray]]:
    """Return for the form and each part its triangles (m, 3) and the margin at its vertices (n,), mm."""
    from .core.distance.heat import heat

    refuse_large(piece.name, piece.triangles, "clearance")
    progress(0.1, "Looking at the form")
    wearer = body.wearer(form)
    progress(0.4, "Measuring")
    found = heat(piece, wearer, pose, inner_only=True)
    triangles = {form: wearer.form.mesh.triangles, **{p.name: p.mesh.triangles for p in piece.parts}}
    return {name: (triangles[name], values) for name, values in ((form, found.form), *found.parts.items())}


def strip(draft: Draft, piece: str, passage: dict[str, Any], progress: Progress) -> Any:
    """Return what the way meets of a piece that does not pass, as the core finds it; None where that is no trim."""
    from .core.checks.worn import flattened
    from .core.fit.passage.donning import out_of_the_way
    from .core.fit.passage.lift import seated
    from .core.fit.passage.mending import TRIM_MM, strip_along

    progress(0.1, "Reading the way")
    worn, form = next((one, form) for one, form in draft.worn if one.name == piece)
    wearer = flattened(draft.bodies[form].wearer(form), draft.padding_gives_mm)
    path = [Pose.of(p["translation_mm"], p["rotation_deg"]) for p in passage["path"]]
    rest = out_of_the_way(worn, tuple(passage["take_off"]))
    progress(0.4, "Looking for what the way meets")
    found = strip_along(seated(rest, wearer, path[0]), path, path[0])
    return found if found is not None and found.depth_mm <= TRIM_MM else None


def put_together(piece: Piece, progress: Progress) -> tuple[Any, list[str]]:
    """Return how the parts of a piece belong together, and what to say of it; raises `InputError` where some do not."""
    from .core.make.assembly import assemble, told_of

    assembly = assemble(piece, progress)
    return assembly, told_of(assembly)


def make_room(piece: Piece, body: Body, form: str, wall_mm: float, progress: Progress) -> Any:
    """Return a piece relieved inside."""
    from .core.make.walls.relief import relieve

    refuse_large(piece.name, piece.triangles, "relief")
    return relieve(piece, body.wearer(form), wall_mm=wall_mm, progress=progress)


def make_hollow(piece: Piece, wall_mm: float, progress: Progress) -> dict[str, Any]:
    """Return each part of a solid piece made a shell, by its name."""
    from .core.make.walls.hollowing import hollowed

    shells, count = {}, len(piece.parts)
    for number, part in enumerate(piece.parts):
        share = part_of(progress, number / count, (number + 1) / count)
        shells[part.name] = hollowed(replace(part.mesh, name=part.name), wall_mm, share)
    return shells


@dataclass(frozen=True, eq=False)
class RingShown:
    """What the window shows of a ring; the ring itself holds functions, which no process can hand to another.

    Attributes
    ----------
    name
        What its level is called.
    mesh
        The ring where it was cut from the piece, mm.
    normal, offset
        Its plane, mm.
    remarks
        What the maker should know of it.
    """

    name: str
    mesh: TriangleMesh
    normal: FloatArray
    offset: float
    remarks: tuple[str, ...]


def make_rings(
    piece: Piece, body: Body | None, form: str, planes: Any, folder: Path, page: str, options: Any, progress: Progress
) -> Any:
    """Cut try-on rings, draw their templates, and write both to a folder; return what is shown of each ring."""
    from .core.make.rings.tryon import try_on

    refuse_large(piece.name, piece.triangles, "ring")
    wearer = body.wearer(form) if body else None
    made = try_on(piece, wearer, planes, folder, page, options, progress=progress)
    return [
        RingShown(
            ring.plane.name, ring.mesh.moved(ring.worn), ring.section.normal, ring.section.offset, tuple(ring.remarks)
        )
        for ring in made.rings
    ]


def make_form(card: Any, progress: Progress) -> Any:
    """Return the wearer that a card describes, as read."""
    from .core.checks.known import of_card

    return of_card(card, progress).read


def find_head(mesh: TriangleMesh, options: dict[str, Any], progress: Progress) -> Any:
    """Return the form found in a scan."""
    from .core.wearer.scan import form_of_scan

    return form_of_scan(mesh, progress=progress, **options)
