# SPDX-License-Identifier: GPL-3.0-or-later
"""The verbs that ask how a piece fits: section, and one check each of clearance, size, don, sight."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any

from ..core.errors import InputError
from ..core.mesh import joined
from ..core.progress import Progress, part_of
from ..core.verdict import Status
from ..core.wearer.plain import plain
from .reading import Outcome, answer, mm, point, pose_told, print_rows, read_case, read_piece

# What the room of the table is, of a piece that rests and of one that is too small to.
ROOM_AT_REST = (
    "room: what is left over the allowance; where the piece is carried, of what does not touch there",
    "room: what would be left over the allowance if the piece went on to its rest",
)


def section(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Cut meshes with planes."""
    from ..core.geometry.section import cut

    planes = [tuple(p) for p in options.plane] + [(0.0, 0.0, 1.0, z) for z in options.heights or ()]
    if not planes:
        raise InputError("no plane was given", remedy="add --plane NX,NY,NZ,D or --heights A:B:STEP")
    piece, inputs, warnings = read_piece(options.mesh, options, progress=part_of(progress, 0.0, 0.5))
    mesh = piece.parts[0].mesh if len(piece.parts) == 1 else joined([p.mesh for p in piece.parts], piece.name)
    sections = cut(mesh, [p[:3] for p in planes], [p[3] for p in planes], part_of(progress, 0.5, 1.0))
    for found in sections:
        if not found.loops:
            warnings.append(f"the plane at {found.offset:.6g} mm misses the mesh")
        warnings += [f"at {found.offset:.6g} mm {remark}" for remark in found.remarks]

    def show(stdout: Any) -> None:
        heads = ("plane", "loop", "girth", "area", "width", "depth", "room width", "depth", "mouths")
        rows: list[Sequence[object]] = [heads]
        for one in sections:
            normal = ",".join(f"{v:.4g}" for v in one.normal)
            mouths = one.room.mouths_mm if one.room else ()
            room = (mm(one.inner_width_mm), mm(one.inner_depth_mm), " and ".join(mm(m) for m in mouths))
            if not one.loops:
                rows.append((f"{normal} at {one.offset:.4g}", "none"))
            for index, loop in enumerate(one.loops):
                kind = loop.role if loop.closed else "open"
                figures = (mm(loop.girth_mm), f"{loop.area_mm2:.1f} mm²", mm(loop.width_mm), mm(loop.depth_mm))
                head = f"{normal} at {one.offset:.4g}" if index == 0 else ""
                rows.append((head, kind, *figures, *(room if index == 0 else ())))
        width = max(len(row) for row in rows)
        print_rows(stdout, [tuple(row) + ("",) * (width - len(row)) for row in rows])

    return Outcome({"planes": [s.as_dict() for s in sections]}, inputs, warnings, False, show, piece=piece)


def clearance(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Measure the standoff of a piece in one pose."""
    from ..core.report.results import ClearanceResult
    from ..core.report.words import figure

    case = read_case(options, part_of(progress, 0.0, 0.2))
    _, result, verdict = answer(case, ClearanceResult, "clearance", {}, part_of(progress, 0.2, 1.0))
    found = result.found
    document = {**found.as_dict(), "verdict": result.status.value, "why": verdict.why}
    if result.rest is not None:
        document["rest"] = result.rest.as_dict()

    def show(stdout: Any) -> None:
        print(pose_told(options.seat, found.pose), file=stdout)
        print(f"nearest to the skin: {mm(found.min_standoff_mm)} at {point(found.at)}, part {found.part}", file=stdout)
        rows: list[Sequence[object]] = [("region", "least", "allowance", "room", "spread", "mean", "verdict")]
        for name, r in found.regions.items():
            spread, over = f"± {figure(r.spread_mm, 2)} mm", mm(r.room_mm)
            said = result.status_of(name).value if result.carried else Status.NOT_CHECKED.value
            rows.append((plain(name), mm(r.min_mm), mm(r.allowance_mm), over, spread, mm(r.mean_mm), said))
        print_rows(stdout, rows)
        if result.rest is not None:
            print(ROOM_AT_REST[result.rest.kind == "stops"], file=stdout)
        print(f"{result.status.value}: {verdict.why}", file=stdout)
        if verdict.mend:
            print(f"to mend: {verdict.mend}", file=stdout)

    return Outcome(document, case.inputs, case.warnings, _failed(result.status), show, piece=case.fitting.piece)


def size(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Find the scales that keep a clearance, and how sure they are."""
    from ..core.fit.size.padding import by_region
    from ..core.report.results import SizeResult
    from ..core.report.sizes import sentences, sized_as_dict

    case = read_case(options, part_of(progress, 0.0, 0.2))
    asked = {
        "clearance_mm": options.clearance,
        "loosest_mm": options.loosest,
        "distortion_percent": options.distortion,
        "foam_mm": tuple(options.foam),
        "scales": options.scales,
        "pinned": tuple(options.pin),
        "checks": ("donning",) if options.passage else (),
    }
    report, result, verdict = answer(case, SizeResult, "size", asked, part_of(progress, 0.2, 0.7))
    warnings = [*case.warnings, *report.warnings]
    found = result.sizing
    if found is None:
        return _no_size(result, verdict.why, verdict.mend, case.inputs, warnings)
    document = {**(sized_as_dict(result) or {}), "says": report.advice.says if report.advice else ""}
    if options.walls is not None:
        from ..core.make.walls.thickness import thickness

        walls = thickness(case.fitting.piece, found.scale, options.walls, part_of(progress, 0.7, 1.0))
        document["walls"] = walls.as_dict()
        warnings += [f"at {100 * found.scale:.1f} %, {said}" for said in (walls.warning, walls.remark) if said]

    def show(stdout: Any) -> None:
        print(document["says"], file=stdout)
        print(pose_told(options.seat, found.pose), file=stdout)
        for line in sentences(document, options.clearance):
            print(line, file=stdout)
        print(file=stdout)
        rows: list[Sequence[object]] = [("region", "margin there")]
        rows += [(plain(name), mm(value)) for name, value in found.margins.items()]
        print_rows(stdout, rows)
        if result.pads:
            print("\npadding at that scale, where a gap takes it", file=stdout)
            foam = by_region(result.pads)
            print_rows(stdout, [(plain(region) if region else "in all", sheet) for region, sheet in foam])

    return Outcome(document, case.inputs, warnings, False, show, piece=case.fitting.piece)


def _no_size(result: Any, why: str, mend: str, inputs: list[dict[str, str]], warnings: list[str]) -> Outcome:
    """Return the answer that no scale fits, with the one that comes nearest; raise where the input is at fault."""
    nearest = result.out_of_range
    if nearest is None:
        raise InputError(why, remedy=mend)
    low, high = nearest.span
    document = {
        "scale": None,
        "range": [None, None],
        "bounds": [high, None] if nearest.larger else [None, low],
        "limited_by": nearest.place.as_dict(),
        "margins": {},
        "nearest": {"scale": round(nearest.scale, 5), "margin_mm": round(nearest.margin_mm, 3)},
        "why": why,
    }

    def show(stdout: Any) -> None:
        print(f"{why}\nto mend: {mend}", file=stdout)

    return Outcome(document, inputs, warnings, _failed(result.status), show)


def don(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Find out whether the piece can be put on, as a whole or with parts off."""
    from ..core.report.results import DonningResult

    if options.springs < 0 or not 0 <= options.neck_bend <= 60:
        raise InputError("--springs counts from 0 mm, --neck-bend from 0 to 60 degrees", remedy="give no sign")
    case = read_case(options, part_of(progress, 0.0, 0.1))
    asked = {
        "springs_mm": options.springs,
        "neck_bend_deg": options.neck_bend,
        "mends": not options.no_mends,
        "way_scale": not options.no_scale,
        "scales": options.scales,
    }
    report, result, verdict = answer(case, DonningResult, "donning", asked, part_of(progress, 0.1, 1.0))
    whole = result.whole
    document = {
        **whole.as_dict(),
        "verdict": result.status.value,
        "bounds_mm": [round(result.passage.pinch_mm, 3) + 0.0, round(result.passage.bound_mm, 3) + 0.0],
        "along": result.along.as_list(),
        "smallest_scale": result.smallest.scale if result.smallest else None,
        "take_off": list(result.off or ()),
        "alternatives": [
            {"take_off": list(names), "passes": p.passes, "pinch_mm": round(p.pinch_mm, 3) + 0.0}
            for names, p in result.tried.items()
        ],
        "mends": [mend.as_dict() for mend in result.mends],
        "reasons": list(result.reasons),
        "seat": report.seat,
    }

    def show(stdout: Any) -> None:
        _show_donning(result, verdict, pose_told(options.seat, report.seat), stdout)
        if whole.springs_mm:
            print("how far the slit springs open is your number: nothing was simulated", file=stdout)

    return Outcome(document, case.inputs, case.warnings, _failed(result.status), show, piece=case.fitting.piece)


def _show_donning(result: Any, verdict: Any, seated: str, stdout: Any) -> None:
    from ..core.fit.passage.donning import out_in_words
    from ..core.report.said import price_in_words

    whole = result.whole
    print(seated, file=stdout)
    print(f"{result.status.value}: {verdict.why}", file=stdout)
    print(f"as a whole: tightest {mm(whole.pinch_mm)} at {point(whole.at)}, part {whole.part}", file=stdout)
    for names, p in result.tried.items():
        if names:
            said = f"{p.verdict.value}, tightest {mm(p.pinch_mm)}"
            print(f"    with {out_in_words(result.piece, names)}: {said}", file=stdout)
    if result.smallest is not None and result.smallest.scale is not None:
        print(f"smallest scale that passes as a whole: {100 * result.smallest.scale:.2f} %", file=stdout)
    elif result.smallest is not None:
        print(f"up to {100 * result.smallest.most:.0f} % no scale passes as a whole", file=stdout)
    for mend in result.mends:
        does = "passes" if mend.passes else "does not pass"
        more = f"; {mend.note}" if mend.note else ""
        print(f"    {mend.what}{price_in_words(mend)}: {does}, tightest {mm(mend.pinch_mm)}{more}", file=stdout)
    print("taking it off is the same way backwards", file=stdout)


def sight(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Measure what can be seen from inside."""
    import numpy as np

    from ..core.fit.sight import judge_sight, look_out
    from ..core.pose import Pose
    from ..core.report.results import SightResult

    if options.wearer:
        case = read_case(options, part_of(progress, 0.0, 0.3))
        report, result, verdict = answer(case, SightResult, "sight", {}, part_of(progress, 0.3, 1.0))
        found, seat, inputs, warnings = result.sight, report.seat, case.inputs, case.warnings
        piece = case.fitting.piece
    else:
        piece, inputs, warnings = read_piece(options.piece, options, progress=part_of(progress, 0.0, 0.5))
        left, right = np.array(options.eyes[:3]), np.array(options.eyes[3:])
        found = look_out(piece, left, right, None, progress)
        verdict, seat = judge_sight(found), Pose().as_dict()
    document = {**found.as_dict(), "verdict": verdict.status.value, "seat": seat}

    def show(stdout: Any) -> None:
        if options.wearer:
            print(pose_told(options.seat, seat), file=stdout)
        rows: list[Sequence[object]] = [("eye", "nasal", "temporal", "up", "down", "open")]
        for side in ("left", "right"):
            eye = document[side]
            angles = [f"{eye[k]:.1f}°" for k in ("nasal_deg", "temporal_deg", "up_deg", "down_deg")]
            rows.append((side, *angles, f"{eye['open_sr']:.3f} sr"))
        print_rows(stdout, rows)
        print(f"seen by both eyes at once: {document['both_eyes_deg']:.1f}°", file=stdout)
        print(f"open share of the wearer's own field: {100 * document['open_fraction']:.0f} %", file=stdout)
        print(f"{verdict.status.value}: {verdict.why}", file=stdout)

    return Outcome(document, inputs, warnings, _failed(verdict.status), show, piece=piece)


def _failed(status: Status) -> bool:
    """Return whether an answer ends with status 1: what was not decided is no pass."""
    return status in (Status.FAIL, Status.NOT_CHECKED)
