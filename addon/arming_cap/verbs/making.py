# SPDX-License-Identifier: GPL-3.0-or-later
"""The verbs that make what is printed: ring, relief, split."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ..core.errors import InputError
from ..core.pose import Pose
from ..core.progress import Progress, part_of
from ..core.verdict import Status
from .reading import Outcome, mm, point, pose_told, print_rows, read_case, read_piece, worn_case

if TYPE_CHECKING:
    from ..core.make.rings.tryon import Outcomes


def ring(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Cut try-on rings and draw their sections 1:1 on paper."""
    from ..core.make.rings.ring import RingOptions, RingPlane
    from ..core.make.rings.tryon import try_on

    if options.out is None:
        raise InputError("no folder to write to", remedy="add --out DIR")
    piece, inputs, warnings = read_piece(options.piece, options, progress=part_of(progress, 0.0, 0.1))
    wearer, outcomes, pose = None, None, Pose()
    if options.wearer:
        outcomes = _outcomes(options, piece.name, [one["sha256"] for one in inputs])
        case = read_case(options, part_of(progress, 0.0, 0.1))
        here = worn_case(case, part_of(progress, 0.1, 0.2))
        inputs, warnings, pose = case.inputs, case.warnings, here.pose
        # Rings are cut in the files' own frame: the wearer comes to the piece.
        wearer = replace(here.wearer, form=here.wearer.form.moved(pose.inverse()))
    planes = [RingPlane(f"level {n}", (a, b, c), d) for n, (a, b, c, d) in enumerate(options.plane, 1)]
    planes += [RingPlane(f"rim {n}", (0, 0, 1), z, follows_rim=True) for n, z in enumerate(options.rim, 1)]
    wishes = RingOptions(
        keep_loose=options.keep_loose,
        most=options.most,
        volume_mm=options.volume,
        label=options.label,
        pinch=options.pinch,
    )
    made = try_on(
        piece, wearer, planes or None, options.out, options.page, wishes, outcomes, part_of(progress, 0.2, 1.0)
    )
    shown, paper = made.shown, made.templates
    if made.settled:
        warnings.append(f"tried on before, and not in doubt: {', '.join(made.settled)}")

    def show(stdout: Any) -> None:
        if wearer is not None:
            print(pose_told(options.seat, pose), file=stdout)
        for one in shown:
            print(f"{one['name']}: {one['says']}; inner girth {mm(one['inner_girth_mm'])}", file=stdout)
            if one["proves"]:
                print(f"    {one['proves']}", file=stdout)
            for remark in one["remarks"]:
                print(f"    {remark}", file=stdout)
            print(f"    {', '.join(one['files'])}", file=stdout)
        print(f"paper templates: {paper['file']}, in {options.out}", file=stdout)

    return Outcome(
        {"rings": shown, "templates": paper, "seat": pose.as_dict()}, inputs, warnings, False, show, piece=piece
    )


def _outcomes(options: argparse.Namespace, name: str, digests: Sequence[str]) -> Outcomes | None:
    """Return what the wearer's card says of this piece; None where there is no card, or nothing on it."""
    from ..core.fit.size.knownfit import identity
    from ..core.make.rings.tryon import Outcomes
    from ..core.wearer.card import read_card

    if not options.wearer.lower().endswith(".toml"):
        return None
    known = read_card(options.wearer).known_fits
    digest = identity(digests)
    if not any(fit.sha256 == digest for fit in known):
        return None
    return Outcomes(known, name, digest, options.scale)


def relief(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Take the inside of a piece back where margins fail; the outside and the scale stay."""
    from ..core.formats import write_mesh
    from ..core.make.split.handover import safe_stem
    from ..core.make.walls.relief import relieve

    if options.out is None:
        raise InputError("no folder to write to", remedy="add --out DIR")
    case = read_case(options, part_of(progress, 0.0, 0.2))
    here = worn_case(case, part_of(progress, 0.2, 0.3))
    pose = here.pose
    found = relieve(
        here.piece, here.wearer, pose, options.clearance, options.wall, progress=part_of(progress, 0.3, 0.95)
    )
    options.out.mkdir(parents=True, exist_ok=True)
    files = []
    for part in found.piece.parts:
        path = options.out / f"{safe_stem(part.name)}-relieved.stl"
        write_mesh(path, part.mesh)
        files.append({"part": part.name, "file": path.name, "watertight": part.mesh.soundness.closed})
    status = Status.FAIL if found.short else Status.PASS
    result = {**found.as_dict(), "parts": files, "seat": pose.as_dict(), "verdict": status.value}

    def show(stdout: Any) -> None:
        before, after = result["margin_before_mm"], result["margin_after_mm"]
        print(
            f"room over the allowances at the tightest place: {mm(before)} before, {mm(after)} after; "
            f"{found.removed_mm3 / 1000:.1f} cm³ taken away",
            file=stdout,
        )
        for place, missing in found.short:
            print(f"    {missing:.1f} mm still missing at {point(place.at)}, part {place.part}", file=stdout)
        for one in files:
            print(f"    {one['file']}, in {options.out}", file=stdout)

    return Outcome(
        result, case.inputs, [*case.warnings, *found.remarks], status is Status.FAIL, show, piece=case.fitting.piece
    )


def hollow(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Hollow solid parts, with a wall of the maker's choice."""
    from ..core.formats import write_mesh
    from ..core.make.split.handover import safe_stem
    from ..core.make.walls.hollowing import hollowed

    if options.out is None:
        raise InputError("no folder to write to", remedy="add --out DIR")
    piece, inputs, warnings = read_piece(options.mesh, options, progress=part_of(progress, 0.0, 0.1))
    count, rows = len(piece.parts), []
    for number, part in enumerate(piece.parts):
        share = part_of(progress, 0.1 + 0.9 * number / count, 0.1 + 0.9 * (number + 1) / count)
        found = hollowed(replace(part.mesh, name=part.name), options.wall, share)
        options.out.mkdir(parents=True, exist_ok=True)
        path = options.out / f"{safe_stem(part.name)}-hollow.stl"
        write_mesh(path, found.mesh)
        warnings += found.remarks
        rows.append(
            {
                "part": part.name,
                "file": path.name,
                "watertight": found.mesh.soundness.closed,
                "wall_mm": options.wall,
                "opening_mm": [round(side, 1) for side in found.opening_mm],
                "material_cm3": round(found.material_mm3 / 1000, 1),
                "removed_cm3": round(found.removed_mm3 / 1000, 1),
            }
        )

    def show(stdout: Any) -> None:
        for row in rows:
            wide, deep = row["opening_mm"]
            print(
                f"{row['part']}: wall {options.wall:g} mm, {row['material_cm3']} cm³ left and {row['removed_cm3']} cm³ "
                f"taken away; open below, {wide:g} by {deep:g} mm",
                file=stdout,
            )
            print(f"    {row['file']}, in {options.out}", file=stdout)

    return Outcome({"parts": rows}, inputs, warnings, False, show, piece=piece)


def split(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Cut a piece into parts that fit the printer, joint them and lay them out.

    A plan alone of which a part does not fit is a failed verdict.
    """
    import numpy as np

    from ..core.make.split.handover import safe_stem
    from ..core.make.split.joints import JointOptions
    from ..core.make.split.split import plan_split, workpiece
    from ..core.make.split.split_cell import Plane
    from ..core.make.split.split_model import Shrinkage, SplitOptions
    from ..core.make.split.split_search import Limits, Weights
    from ..core.make.split.splitting import carry_out, plan_of
    from ..core.report.build_sheet import hand_over

    if options.out is None and not options.plan_only:
        raise InputError("no folder to write to", remedy="add --out DIR, or --plan-only")
    piece, inputs, warnings = read_piece(options.mesh, options, progress=part_of(progress, 0.0, 0.1))
    work = workpiece(
        [replace(p.mesh, name=p.name) for p in piece.parts], piece.name, part_of(progress, 0.1, 0.2), options.close
    )
    limits = Limits(
        locked=(
            *(Plane.through(p[:3], p[3]) for p in options.lock),
            *(Plane.through(p[:3], p[3], (p[4], p[5], p[6])) for p in options.near),
        ),
        forbidden=tuple(Plane.through(p[:3], p[3]) for p in options.forbid),
        whole=tuple(work.points_within(np.array(p[:3]), p[3]) for p in options.whole),
        smallest_mm=options.smallest,
    )
    joints = JointOptions.of(options.joint, options.pin, options.play, options.depth, options.gap)
    wishes = SplitOptions(
        options.volume,
        options.margin,
        Weights(**dict(options.weight)),
        replace(limits, joint_wall_mm=joints.wall_mm),
        thin=options.thin,
        shrinkage=Shrinkage(options.shrinkage, options.material),
        scale=options.scale,
    )
    plan = plan_split(work, wishes, part_of(progress, 0.2, 0.6))
    if options.plan_only:
        figures = plan_of(plan, wishes)
        large = [str(n) for n, one in enumerate(figures["parts"], 1) if not one["fits"]]
        if large:
            of = f"part {large[0]} does" if len(large) == 1 else f"parts {', '.join(large)} do"
            volume = " x ".join(f"{v:g}" for v in options.volume)
            warnings.append(f"{of} not fit a printer of {volume} mm with the cuts allowed")

        def show_plan(stdout: Any) -> None:
            _print_plan(figures, stdout)

        return Outcome(
            {"plan": figures, "parts": [], "cuts": [], "joints": []},
            inputs,
            warnings,
            bool(large),
            show_plan,
            piece=piece,
        )
    done = carry_out(
        work,
        plan,
        wishes,
        None if options.no_joints else joints,
        numbers=not (options.no_joints or options.no_numbers),
        progress=part_of(progress, 0.6, 0.8),
    )
    result = hand_over(done, options.out, part_of(progress, 0.8, 1.0))
    written = {result["assembly"], result["build_sheet"], *(p["file"] for p in result["plates"])}
    written |= {file for p in result["parts"] for file in p["files"]}
    older = sorted(f.name for f in options.out.glob(f"{safe_stem(piece.name)}-*") if f.name not in written)
    if older:
        warnings.append(f"{len(older)} files of an earlier split are still in {options.out}, such as {older[0]}")

    def show(stdout: Any) -> None:
        rows: list[Sequence[object]] = [("part", "where", "width", "depth", "height", "takes", "plate", "file")]
        for one, part in zip(result["parts"], done.parts):
            size = [mm(v) for v in one["size_mm"]]
            rows.append((one["number"], one["where"], *size, part.estimate, one["plate"], one["file"]))
        print_rows(stdout, rows)
        print(
            f"{len(result['parts'])} parts by {len(result['cuts'])} cuts, {len(result['joints'])} joints, "
            f"{len(result['plates'])} plates; see {result['build_sheet']}, in {options.out}",
            file=stdout,
        )
        for remark in result["remarks"]:
            print(f"    {remark}", file=stdout)

    return Outcome(result, inputs, warnings, False, show, piece=piece)


def _print_plan(figures: dict[str, Any], stdout: Any) -> None:
    rows: list[Sequence[object]] = [("part", "width", "depth", "height", "grams", "minutes", "fits")]
    for number, one in enumerate(figures["parts"], 1):
        fits = "yes" if one["fits"] else "NO"
        rows.append((number, *(mm(v) for v in one["size_mm"]), one["print"]["grams"], one["print"]["minutes"], fits))
    print_rows(stdout, rows)
    print(
        f"{len(figures['parts'])} parts by {len(figures['planes'])} cuts (no plan has fewer than "
        f"{figures['at_least']}); seam in front {figures['seam_front_mm']:.0f} mm, seen at all "
        f"{figures['seam_shown_mm']:.0f} mm; {figures['weighed']} cuts weighed, {figures['tried']} tried",
        file=stdout,
    )
