# SPDX-License-Identifier: GPL-3.0-or-later
"""What each verb of the command line does: arguments to the core, its answer to a table or a document."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .core.errors import InputError
from .core.formats import read_mesh
from .core.mesh import joined
from .core.piece import Part, Piece, misplacements
from .core.pose import Pose
from .core.progress import Progress, part_of
from .core.verdict import Status, judge
from .core.wearer.form import Wearer


@dataclass(frozen=True)
class Outcome:
    """A verb's answer: the document's parts, whether a verdict failed, and how to show it."""

    result: Any
    inputs: Sequence[dict[str, str]]
    warnings: Sequence[str]
    failed: bool
    show: Callable[[Any], None]


# --- shared reading ---------------------------------------------------------------------------------------------------


def _read_piece(
    files: Sequence[str], options: argparse.Namespace, removable: Sequence[str] = ()
) -> tuple[Piece, list[dict[str, str]], list[str]]:
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
    return piece, inputs, warnings


@dataclass(frozen=True)
class _Case:
    piece: Piece
    wearer: Wearer
    inputs: list[dict[str, str]]
    warnings: list[str]


def _read_case(options: argparse.Namespace, progress: Progress, removable: Sequence[str] = ()) -> _Case:
    from .core.wearer.sources import read_wearer

    piece, inputs, warnings = _read_piece(options.piece, options, removable)
    read = read_wearer(options.wearer, options.units, progress)
    wearer = read.wearer
    if options.allowance is not None:
        wearer = Wearer(wearer.name, wearer.form, {"default": options.allowance})
    elif options.seat == "fixed":  # the files' own positions: nothing is asked but what is given
        wearer = Wearer(wearer.name, wearer.form, {})
    sources = [{"file": str(options.wearer), "sha256": s.sha256} for s in read.sources[:1]]
    sources += [{"file": str(s.path), "sha256": s.sha256} for s in read.sources[1:]]
    return _Case(piece, wearer, sources + inputs, [*read.warnings, *warnings])


def _seat(case: _Case, options: argparse.Namespace, progress: Progress) -> Pose:
    if options.seat == "fixed":
        return Pose()
    from .core.fit.seating import seat

    return seat(case.piece, case.wearer, progress=progress).pose


def _print_rows(stdout: Any, rows: Sequence[Sequence[object]]) -> None:
    """Print rows as aligned columns."""
    texts = [[("" if cell is None else str(cell)) for cell in row] for row in rows]
    widths = [max(len(row[i]) for row in texts) for i in range(len(texts[0]))] if texts else []
    for row in texts:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip(), file=stdout)


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f} mm"


def _point(at: Sequence[float] | None) -> str:
    return "-" if at is None else "(" + ", ".join(f"{v:.1f}" for v in at) + ")"


# --- verbs ------------------------------------------------------------------------------------------------------------


def section(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Cut meshes with planes."""
    from .core.fit.section import cut

    planes = [tuple(p) for p in options.plane] + [(0.0, 0.0, 1.0, z) for z in options.heights or ()]
    if not planes:
        raise InputError("no plane was given", remedy="add --plane NX,NY,NZ,D or --heights A:B:STEP")
    piece, inputs, warnings = _read_piece(options.mesh, options)
    mesh = piece.parts[0].mesh if len(piece.parts) == 1 else joined([p.mesh for p in piece.parts], piece.name)
    sections = cut(mesh, [p[:3] for p in planes], [p[3] for p in planes], progress)
    for found in sections:
        if not found.loops:
            warnings.append(f"the plane at {found.offset:.6g} mm misses the mesh")

    def show(stdout: Any) -> None:
        rows: list[Sequence[object]] = [("plane", "loop", "girth", "area", "width", "depth", "clear width", "depth")]
        for one in sections:
            normal = ",".join(f"{v:.4g}" for v in one.normal)
            clear = (_mm(one.inner_width_mm), _mm(one.inner_depth_mm))
            if not one.loops:
                rows.append((f"{normal} at {one.offset:.4g}", "none"))
            for index, loop in enumerate(one.loops):
                kind = loop.role if loop.closed else "open"
                figures = (_mm(loop.girth_mm), f"{loop.area_mm2:.1f} mm²", _mm(loop.width_mm), _mm(loop.depth_mm))
                head = f"{normal} at {one.offset:.4g}" if index == 0 else ""
                rows.append((head, kind, *figures, *(clear if index == 0 else ("", ""))))
        width = max(len(row) for row in rows)
        _print_rows(stdout, [tuple(row) + ("",) * (width - len(row)) for row in rows])

    return Outcome({"planes": [s.as_dict() for s in sections]}, inputs, warnings, False, show)


def clearance(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Measure the standoff of a piece in one pose."""
    from .core.fit.clearance import measure

    case = _read_case(options, part_of(progress, 0.0, 0.2))
    pose = _seat(case, options, part_of(progress, 0.2, 0.6))
    found = measure(case.piece, case.wearer, pose, progress=part_of(progress, 0.6, 1.0))
    status = judge(found.margin_mm, 0.0)
    result = {**found.as_dict(), "seat": pose.as_dict(), "verdict": status.value}

    def show(stdout: Any) -> None:
        print(f"least standoff {_mm(found.min_standoff_mm)} at {_point(found.at)}, part {found.part}", file=stdout)
        rows: list[Sequence[object]] = [("region", "least", "mean", "5th percentile")]
        rows += [(n, _mm(r["min_mm"]), _mm(r["mean_mm"]), _mm(r["p5_mm"])) for n, r in result["regions"].items()]
        _print_rows(stdout, rows)

    return Outcome(result, case.inputs, case.warnings, status is Status.FAIL, show)


def size(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Find the smallest scale that keeps a clearance."""
    from .core.fit.sizing import size as smallest

    case = _read_case(options, part_of(progress, 0.0, 0.2))
    found = smallest(case.piece, case.wearer, options.clearance, options.seat, progress=part_of(progress, 0.2, 1.0))
    result = found.as_dict()

    def show(stdout: Any) -> None:
        low, high = (100 * v for v in found.range)
        print(f"{100 * found.scale:.2f} % ({low:.1f} to {high:.1f}), limited by {found.limited_by}", file=stdout)
        rows: list[Sequence[object]] = [("region", "margin there")]
        rows += [(name, _mm(value)) for name, value in found.margins.items()]
        _print_rows(stdout, rows)

    return Outcome(result, case.inputs, case.warnings, False, show)


def don(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Find out whether the piece can be put on, as a whole or with parts off."""
    from .core.fit.donning import smallest_scale, take_off

    case = _read_case(options, part_of(progress, 0.0, 0.1), options.removable)
    pose = _seat(case, options, part_of(progress, 0.1, 0.2))
    off, tried = take_off(case.piece, case.wearer, pose, progress=part_of(progress, 0.2, 0.7))
    found = tried[()]
    scale = None
    if not options.no_scale:
        seat_of = _seat_of(case, options)
        scale = smallest_scale(case.piece, case.wearer, seat_of, progress=part_of(progress, 0.7, 1.0))
    result = {
        **found.as_dict(),
        "smallest_scale": scale,
        "take_off": list(off or ()),
        "alternatives": [
            {"take_off": list(names), "passes": p.passes, "pinch_mm": round(p.pinch_mm, 3) + 0.0}
            for names, p in tried.items()
        ],
    }
    gets_on = found.passes or bool(off)

    def show(stdout: Any) -> None:
        words = {"pass": "it goes on", "fail": "it does not go on", "marginal": "undecided"}[found.verdict.value]
        way = "lifted straight off" if found.straight else "tilted on the way"
        print(f"{words}, {way}: pinch {_mm(found.pinch_mm)} at {_point(found.at)}, part {found.part}", file=stdout)
        print(
            f"no path searched is wider than {_mm(found.bound_mm)}; searched: {', '.join(found.freedoms)}", file=stdout
        )
        for names, p in list(tried.items())[1:]:
            taken = f"with {', '.join(names)} off"
            print(f"    {taken}: {p.verdict.value}, pinch {_mm(p.pinch_mm)}", file=stdout)
        if scale is not None:
            print(f"smallest scale that passes as a whole: {100 * scale:.2f} %", file=stdout)
        print("doffing is the same passage reversed", file=stdout)

    failed = not gets_on and found.verdict is Status.FAIL
    return Outcome(result, case.inputs, case.warnings, failed, show)


def _seat_of(case: _Case, options: argparse.Namespace) -> Callable[[Piece], Pose]:
    if options.seat == "fixed":
        return lambda piece: Pose()
    from .core.fit.seating import seat

    return lambda piece: seat(piece, case.wearer).pose


def sight(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Measure what can be seen from inside."""
    import numpy as np

    from .core.fit.sight import eyes_of, judge_sight, look_out
    from .core.wearer.sources import read_wearer

    piece, inputs, warnings = _read_piece(options.piece, options)
    form = None
    if options.wearer:
        read = read_wearer(options.wearer, options.units, part_of(progress, 0.0, 0.3))
        form = read.wearer.form
        inputs.insert(0, {"file": str(options.wearer), "sha256": read.sources[0].sha256})
        warnings += read.warnings
        left, right = eyes_of(form)
    else:
        left, right = np.array(options.eyes[:3]), np.array(options.eyes[3:])
    found = look_out(piece, left, right, form, part_of(progress, 0.3, 1.0))
    verdict = judge_sight(found)
    result = {**found.as_dict(), "verdict": verdict.status.value}

    def show(stdout: Any) -> None:
        rows: list[Sequence[object]] = [("eye", "nasal", "temporal", "up", "down", "open")]
        for side in ("left", "right"):
            eye = result[side]
            angles = [f"{eye[k]:.1f}°" for k in ("nasal_deg", "temporal_deg", "up_deg", "down_deg")]
            rows.append((side, *angles, f"{eye['open_sr']:.3f} sr"))
        _print_rows(stdout, rows)
        print(f"seen by both eyes at once: {result['both_eyes_deg']:.1f}°", file=stdout)
        print(f"open share of the wearer's own field: {100 * result['open_fraction']:.0f} %", file=stdout)
        print(f"{verdict.status.value}: {verdict.why}", file=stdout)

    return Outcome(result, inputs, warnings, verdict.status is Status.FAIL, show)


def ring(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Cut try-on rings and draw their sections 1:1 on paper."""
    from .core.fit.section import cut
    from .core.make.ring import RingPlane, make_rings, write_rings
    from .core.make.template import Template, draw_templates
    from .core.wearer.sources import read_wearer

    if options.out is None:
        raise InputError("no folder to write to", remedy="add --out DIR")
    piece, inputs, warnings = _read_piece(options.piece, options)
    wearer = None
    if options.wearer:
        read = read_wearer(options.wearer, options.units, part_of(progress, 0.0, 0.2))
        wearer = read.wearer
        inputs.insert(0, {"file": str(options.wearer), "sha256": read.sources[0].sha256})
        warnings += read.warnings
    planes = [RingPlane(f"level {n}", (a, b, c), d) for n, (a, b, c, d) in enumerate(options.plane, 1)]
    rings = make_rings(piece, wearer, planes or None, progress=part_of(progress, 0.2, 0.8))
    templates = [
        Template(
            f"{piece.name}, {one.plane.name}, {one.section.offset:.0f} mm",
            one.section,
            wearer and cut(wearer.form.mesh, one.section.normal, one.section.offset)[0],
        )
        for one in rings
    ]
    options.out.mkdir(parents=True, exist_ok=True)
    shown = write_rings(rings, options.out)
    paper = draw_templates(templates, options.out / "templates.pdf", options.page, part_of(progress, 0.8, 1.0))

    def show(stdout: Any) -> None:
        for one in shown:
            print(f"{one['name']}: {one['says']}; inner girth {_mm(one['inner_girth_mm'])}", file=stdout)
            print(f"    {', '.join(one['files'])}", file=stdout)
        print(f"paper templates: {paper['file']}, in {options.out}", file=stdout)

    return Outcome({"rings": shown, "templates": paper}, inputs, warnings, False, show)


def estimate(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Estimate the dimensions that were not measured."""
    from .core.wearer.population import estimate as conditional
    from .core.wearer.reading import Reading, parse_known

    known: dict[str, Reading] = {}
    for name, reading in map(parse_known, options.known):
        if name in known:
            raise InputError(f"{name} is given twice", remedy="give one reading, or the mean of several")
        known[name] = reading
    found = conditional(known, options.sex)

    def show(stdout: Any) -> None:
        rows: list[Sequence[object]] = [("dimension", "mm", "± SD", "90 % interval", "source")]
        for name, d in found.as_dict()["dimensions"].items():
            low, high = d["interval90_mm"]
            rows.append((name, f"{d['mean_mm']:.1f}", f"{d['sd_mm']:.1f}", f"{low:.0f} to {high:.0f}", d["source"]))
        _print_rows(stdout, rows)

    return Outcome(found.as_dict(), (), found.warnings, False, show)


def form(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Write the form of a card or a scan, and measure it."""
    from .core.formats import WRITABLE, write_mesh
    from .core.wearer.sources import read_wearer

    out: Path = options.out
    if out.suffix.lower() not in WRITABLE or out.is_dir():
        raise InputError(
            "this names no mesh file to write", source=str(out), remedy=f"end it in one of {', '.join(WRITABLE)}"
        )
    read = read_wearer(options.wearer, options.units, part_of(progress, 0.0, 0.9))
    made = read.wearer.form
    dimensions: dict[str, dict[str, Any]] = {name: {"on_form_mm": round(mm, 2)} for name, mm in read.measured().items()}
    if read.estimate is not None:
        asked = read.estimate.as_dict()["dimensions"]
        for name, entry in dimensions.items():
            entry.update(asked.get(name, {}))
    write_mesh(out, made.mesh)
    result = {
        "file": str(out),
        "source": made.source,
        "landmarks": {n: [round(float(v), 3) + 0.0 for v in p] for n, p in sorted(made.landmarks.items())},
        "dimensions": dimensions,
        "regions": list(made.region_names),
        "spread_mm": {n: round(mm, 2) for n, mm in made.spread_mm.items()},
    }

    def show(stdout: Any) -> None:
        rows: list[Sequence[object]] = [("dimension", "on the form", "asked for", "± SD", "")]
        for name, d in dimensions.items():
            asked_for = (f"{d['mean_mm']:.1f} mm", f"{d['sd_mm']:.1f}", d["source"]) if "mean_mm" in d else ("", "", "")
            rows.append((name, f"{d['on_form_mm']:.1f} mm", *asked_for))
        _print_rows(stdout, rows)
        print(file=stdout)
        _print_rows(stdout, [("landmark", "x, y, z"), *((n, _point(p)) for n, p in result["landmarks"].items())])
        print(f"written: {out}", file=stdout)

    inputs = [{"file": str(options.wearer), "sha256": read.sources[0].sha256}]
    inputs += [{"file": str(s.path), "sha256": s.sha256} for s in read.sources[1:]]
    return Outcome(result, inputs, read.warnings, False, show)


def check(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Make every check of every job and write the reports."""
    from .core.checks import check_job, merged
    from .core.job import read_job
    from .core.report.write import write_reports

    runs = []
    share = 1.0 / len(options.jobs)
    for number, file in enumerate(options.jobs):
        path = Path(file)
        ours = part_of(progress, number * share, (number + 1) * share)
        if path.suffix.lower() == ".blend":
            from .blendfile import job_of_blend

            job = job_of_blend(path, options.scale)
        else:
            job = read_job(path, options.units, options.scale, part_of(ours, 0.0, 0.3))
        runs.append(check_job(job, part_of(ours, 0.3, 1.0)))
    run = merged(runs)
    written = write_reports(run, options.out or Path("out") / "check")

    def show(stdout: Any) -> None:
        from .terminal import print_table

        print_table(run, stdout)
        print(f"reports: {next(iter(written.values())).parent}", file=stdout)

    failed = run.status in (Status.FAIL, Status.NOT_CHECKED)
    return Outcome(run.as_dict(), run.inputs, run.warnings, failed, show)
