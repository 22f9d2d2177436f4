# SPDX-License-Identifier: GPL-3.0-or-later
"""The verbs that ask how a piece fits: section, clearance, size, don, sight."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from typing import Any

from ..core.errors import InputError
from ..core.mesh import joined
from ..core.piece import Piece
from ..core.pose import Pose
from ..core.progress import Progress, part_of
from ..core.verdict import Status, judge
from ..core.wearer.regions import in_words
from .reading import Case, Outcome, mm, point, print_rows, read_case, read_piece, seat_of_case


def section(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Cut meshes with planes."""
    from ..core.geometry.section import cut

    planes = [tuple(p) for p in options.plane] + [(0.0, 0.0, 1.0, z) for z in options.heights or ()]
    if not planes:
        raise InputError("no plane was given", remedy="add --plane NX,NY,NZ,D or --heights A:B:STEP")
    piece, inputs, warnings = read_piece(options.mesh, options)
    mesh = piece.parts[0].mesh if len(piece.parts) == 1 else joined([p.mesh for p in piece.parts], piece.name)
    sections = cut(mesh, [p[:3] for p in planes], [p[3] for p in planes], progress)
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

    return Outcome({"planes": [s.as_dict() for s in sections]}, inputs, warnings, False, show)


def clearance(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Measure the standoff of a piece in one pose."""
    from ..core.distance.clearance import measure

    case = read_case(options, part_of(progress, 0.0, 0.2))
    pose = seat_of_case(case, options, part_of(progress, 0.2, 0.6))
    found = measure(case.piece, case.wearer, pose, progress=part_of(progress, 0.6, 1.0))
    status = judge(found.margin_mm, 0.0)
    result = {**found.as_dict(), "seat": pose.as_dict(), "verdict": status.value}

    def show(stdout: Any) -> None:
        print(f"least standoff {mm(found.min_standoff_mm)} at {point(found.at)}, part {found.part}", file=stdout)
        rows: list[Sequence[object]] = [("region", "least", "mean", "5th percentile")]
        rows += [(n, mm(r["min_mm"]), mm(r["mean_mm"]), mm(r["p5_mm"])) for n, r in result["regions"].items()]
        print_rows(stdout, rows)

    return Outcome(result, case.inputs, case.warnings, status is Status.FAIL, show)


def size(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Find the scales that keep a clearance, and how sure they are."""
    from ..core.fit.size.padding import by_region, padding
    from ..core.fit.size.sizing import size as sized

    case = read_case(options, part_of(progress, 0.0, 0.2))
    found = sized(
        case.piece,
        case.wearer,
        options.clearance,
        options.seat,
        progress=part_of(progress, 0.3, 0.8),
        loosest_mm=options.loosest,
        distortion=options.distortion / 100,
        causes=case.known.causes(part_of(progress, 0.2, 0.3)),
        pinned=options.pin,
        span=options.scales,
    )
    pads = padding(case.piece, case.wearer, found.pose, found.scale, options.foam)
    result = {**found.as_dict(), "padding": [pad.as_dict() for pad in pads]}
    if options.walls is not None:
        from ..core.make.walls.thickness import thickness

        walls = thickness(case.piece, found.scale, options.walls)
        result["walls"] = walls.as_dict()
    if options.passage:
        from ..core.fit.passage.donning import smallest_scale

        seat_of = _seat_of(case, options)
        result["passage_scale"] = smallest_scale(case.piece, case.wearer, seat_of, progress=part_of(progress, 0.8, 1.0))

    warnings = [*case.warnings, *found.warnings]
    if options.walls is not None and walls.warning:
        warnings.append(f"at {100 * found.scale:.1f} %, {walls.warning}")

    def show(stdout: Any) -> None:
        from ..core.report.sizes import sentences

        for line in sentences(result, options.clearance):
            print(line, file=stdout)
        print(file=stdout)
        rows: list[Sequence[object]] = [("region", "margin there")]
        rows += [(in_words(name), mm(value)) for name, value in found.margins.items()]
        print_rows(stdout, rows)
        if pads:
            print("\npadding at that scale, where a gap takes it", file=stdout)
            print_rows(stdout, [(in_words(region) if region else "in all", foam) for region, foam in by_region(pads)])

    return Outcome(result, case.inputs, warnings, False, show)


def don(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Find out whether the piece can be put on, as a whole or with parts off."""
    from ..core.fit.passage.along import margins_along
    from ..core.fit.passage.donning import out_in_words, smallest_scale, take_off
    from ..core.fit.passage.facing import check_worn, reasons
    from ..core.fit.passage.mending import mends
    from ..core.fit.passage.ways import Search

    if options.springs < 0 or not 0 <= options.neck_bend <= 60:
        raise InputError("--springs counts from 0 mm, --neck-bend from 0 to 60 degrees", remedy="give no sign")
    case = read_case(options, part_of(progress, 0.0, 0.1), options.removable)
    if options.seat == "fixed":
        check_worn(case.piece, case.wearer)
    pose = seat_of_case(case, options, part_of(progress, 0.1, 0.2))
    search = Search(springs_mm=options.springs, neck_bend_deg=options.neck_bend)
    off, tried = take_off(case.piece, case.wearer, pose, search, part_of(progress, 0.2, 0.5))
    found = tried[()]
    scale = None
    if not options.no_scale:
        seat_of = _seat_of(case, options)
        scale = smallest_scale(case.piece, case.wearer, seat_of, search, part_of(progress, 0.5, 0.8))
    mended = ()
    if not found.passes and not options.no_mends:
        mended = mends(
            case.piece,
            case.wearer,
            pose,
            found,
            scale,
            search,
            part_of(progress, 0.8, 1.0),
            _seat_of(case, options),
            tried,
        )
    along = margins_along(case.piece, case.wearer, pose, found, (), search)
    said = reasons(case.piece, case.wearer, pose, found, float(along.margin_mm[0]))
    result = {
        **found.as_dict(),
        "along": along.as_list(),
        "smallest_scale": scale,
        "take_off": list(off or ()),
        "alternatives": [
            {"take_off": list(names), "passes": p.passes, "pinch_mm": round(p.pinch_mm, 3) + 0.0}
            for names, p in tried.items()
        ],
        "mends": [mend.as_dict() for mend in mended],
        "reasons": list(said),
    }
    gets_on = found.passes or bool(off)

    def show(stdout: Any) -> None:
        words = {"pass": "it goes on", "fail": "it does not go on", "marginal": "undecided"}[found.verdict.value]
        way = "lifted straight off" if found.straight else "tilted on the way"
        print(f"{words}, {way}: pinch {mm(found.pinch_mm)} at {point(found.at)}, part {found.part}", file=stdout)
        print(
            f"in fore-aft, up and pitch none is wider than {mm(found.bound_mm)}; searched: {', '.join(found.freedoms)}",
            file=stdout,
        )
        for line in said:
            print(line, file=stdout)
        for names, p in list(tried.items())[1:]:
            taken = f"with {out_in_words(case.piece, names)}"
            print(f"    {taken}: {p.verdict.value}, pinch {mm(p.pinch_mm)}", file=stdout)
        if scale is not None:
            print(f"smallest scale that passes as a whole: {100 * scale:.2f} %", file=stdout)
        for mend in mended:
            price = ", ".join(f"{name.replace('_', ' ')} {value:.4g}" for name, value in mend.price.items())
            does = "passes" if mend.passes else "does not pass"
            more = f"; {mend.note}" if mend.note else ""
            print(f"    {mend.what} ({price}): {does}, pinch {mm(mend.pinch_mm)}{more}", file=stdout)
        if options.springs:
            print("how far the slit springs open is your number: nothing was simulated", file=stdout)
        print("doffing is the same passage reversed", file=stdout)

    failed = not gets_on and found.verdict is Status.FAIL
    return Outcome(result, case.inputs, case.warnings, failed, show)


def _seat_of(case: Case, options: argparse.Namespace) -> Callable[[Piece], Pose]:
    if options.seat == "fixed":
        return lambda piece: Pose()
    from ..core.fit.seat.seating import seat

    return lambda piece: seat(piece, case.wearer).pose


def sight(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Measure what can be seen from inside."""
    import numpy as np

    from ..core.fit.sight import eyes_of, judge_sight, look_out
    from ..core.wearer.sources import read_wearer

    piece, inputs, warnings = read_piece(options.piece, options)
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
        print_rows(stdout, rows)
        print(f"seen by both eyes at once: {result['both_eyes_deg']:.1f}°", file=stdout)
        print(f"open share of the wearer's own field: {100 * result['open_fraction']:.0f} %", file=stdout)
        print(f"{verdict.status.value}: {verdict.why}", file=stdout)

    return Outcome(result, inputs, warnings, verdict.status is Status.FAIL, show)
