# SPDX-License-Identifier: GPL-3.0-or-later
"""Plans of a split between the panel's buttons: the figures on the scene as text, the plan itself for the session."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from bpy.types import Object, Scene

from ..core.arrays import FloatArray
from ..core.capacity import refuse_large
from ..core.mesh import TriangleMesh
from ..core.progress import Progress, part_of
from . import preferences
from .language import tr
from .properties import WEIGHTS

if TYPE_CHECKING:
    from ..core.make.split.joints import JointOptions

STAYS_WHOLE = "Stays Whole"
"""A vertex group of this name, painted on a part, marks what no cut may part."""


Vector = tuple[float, float, float]
Cut = tuple[Vector, float, Vector | None]


@dataclass(frozen=True)
class Asked:
    """What the maker wants: the printer, cuts that must or must not be, in millimetres of the world, and joints.

    A cut is its normal, its offset, and the point that it stays near to where it divides one part only.
    """

    volume_mm: tuple[float, float, float]
    margin_mm: float
    locked: tuple[Cut, ...]
    forbidden: tuple[Cut, ...]
    whole: tuple[FloatArray, ...]
    joint: str
    joint_mm: tuple[float, float, float, float]
    smallest_mm: float
    close_mm: float
    shrinkage: tuple[float, float, float]
    material: str
    weights: dict[str, float]


@dataclass(frozen=True, eq=False)
class Planned:
    """A plan with what it was made of."""

    work: Any
    plan: Any
    options: Any
    box: FloatArray
    joints: JointOptions | None


_planned: dict[int, Planned] = {}
_done: dict[int, Any] = {}


PRINTER = ("volume_width_mm", "volume_depth_mm", "volume_height_mm")


def adopt_printer(scene: Scene) -> None:
    """Let a scene whose printer was not stated have the one of the preferences."""
    mine, own = preferences.own(), scene.arming_cap.printer
    if mine is not None and not any(own.is_property_set(key) for key in PRINTER):
        for key in PRINTER:
            setattr(own, key, getattr(mine, key))


def asked_of(scene: Scene, piece: str, members: Sequence[Object], mm: float) -> Asked:
    """Return what the panel, the cuts in the scene and the painted places ask for."""
    own = scene.arming_cap.printer
    cuts: dict[str, list[Cut]] = {"LOCKED": [], "FORBIDDEN": []}
    for ob in sorted(scene.objects, key=lambda ob: ob.name):
        if ob.arming_cap.cut in cuts and ob.arming_cap.piece in ("", piece):
            matrix = np.array(ob.matrix_world)
            normal = matrix[:3, 1] / np.linalg.norm(matrix[:3, 1])
            near = tuple((matrix[:3, 3] * mm).tolist()) if ob.arming_cap.one_part else None
            cuts[ob.arming_cap.cut].append((tuple(normal.tolist()), float(normal @ matrix[:3, 3]) * mm, near))
    volume = (own.volume_width_mm, own.volume_depth_mm, own.volume_height_mm)
    whole = tuple(points for ob in members if len(points := _painted(ob, mm)))
    return Asked(
        tuple(round(v, 3) for v in volume),
        round(own.margin_mm, 3),
        tuple(cuts["LOCKED"]),
        tuple(cuts["FORBIDDEN"]),
        whole,
        own.joint,
        tuple(round(v, 4) for v in (own.joint_wide_mm, own.joint_play_mm, own.joint_deep_mm, own.glue_mm)),
        round(own.smallest_mm, 3),
        round(own.close_mm, 3),
        tuple(round(v, 4) for v in own.shrinkage),
        own.material,
        {name: round(v, 4) for name, v in zip(WEIGHTS, own.weights)},
    )


def _painted(ob: Object, mm: float) -> FloatArray:
    """Return where a part was painted to stay whole, (k, 3) mm in the world."""
    group = ob.vertex_groups.get(STAYS_WHOLE) if ob.type == "MESH" else None
    if group is None:
        return np.empty((0, 3))
    rows = [v.co[:] for v in ob.data.vertices if any(g.group == group.index and g.weight > 0.5 for g in v.groups)]
    matrix = np.array(ob.matrix_world)
    return (np.array(rows, float).reshape(-1, 3) @ matrix[:3, :3].T + matrix[:3, 3]) * mm


def planned(meshes: Sequence[TriangleMesh], name: str, asked: Asked, progress: Progress) -> Planned:
    """Unite the meshes and plan; for a thread of its own."""
    from ..core.make.split.split import plan_split, workpiece
    from ..core.make.split.split_cell import Plane
    from ..core.make.split.split_model import Shrinkage, SplitOptions
    from ..core.make.split.split_search import Limits, Weights

    refuse_large(name, sum(len(mesh) for mesh in meshes), "split")
    piece = workpiece(meshes, name, part_of(progress, 0.0, 0.3), asked.close_mm)
    joints = joints_of(asked)
    limits = Limits(
        locked=tuple(Plane.through(*cut) for cut in asked.locked),
        forbidden=tuple(Plane.through(*cut) for cut in asked.forbidden),
        whole=asked.whole,
        smallest_mm=asked.smallest_mm,
    )
    if joints is not None:
        limits = replace(limits, joint_wall_mm=joints.wall_mm)
    options = SplitOptions(
        asked.volume_mm,
        asked.margin_mm,
        Weights(**asked.weights),
        limits,
        shrinkage=Shrinkage(asked.shrinkage, asked.material),
    )
    box = np.concatenate([mesh.bounds for mesh in meshes])
    return Planned(piece, plan_split(piece, options, part_of(progress, 0.3, 1.0)), options, box, joints)


def joints_of(asked: Asked) -> JointOptions | None:
    """Return the joints that the panel asks for; None for plain faces."""
    from ..core.make.split.joints import JointOptions

    return None if asked.joint == "NONE" else JointOptions.of(asked.joint, *asked.joint_mm)


def carried_out(planned: Planned, progress: Progress) -> Any:
    """Cut by a plan; for a thread of its own."""
    from ..core.make.split.splitting import carry_out

    joints = planned.joints
    return carry_out(planned.work, planned.plan, planned.options, joints, joints is not None, progress)


def keep(scene: Scene, piece: str, result: Planned) -> None:
    """Remember a plan for this session, and its figures on the scene."""
    plan = result.plan
    cuts = len(plan.planes)
    head = tr("{parts} parts, {cuts} cuts; no plan has fewer parts than {least}")
    head = head.format(parts=len(plan.parts), cuts=cuts, least=plan.at_least)
    seam = tr("Seam: {shown:.0f} mm on show, {front:.0f} mm of it in front", shown=plan.shown_mm, front=plan.front_mm)
    longest = tr("Longest print: {longest}", longest=plan.longest)
    rows = [
        f"{number}: {' × '.join(f'{v:.0f}' for v in part.size_mm)} mm, {part.estimate}"
        + ("" if part.fits else f": {tr('too large still')}")
        for number, part in enumerate(plan.parts, 1)
    ]
    _planned[scene.session_uid] = result
    _done.pop(scene.session_uid, None)
    scene.arming_cap.printer.plan = json.dumps({"piece": piece, "says": [head, seam, longest], "parts": rows})


def keep_done(scene: Scene, result: Any) -> None:
    """Remember a split for this session."""
    _done[scene.session_uid] = result


def says(scene: Scene) -> dict[str, Any]:
    """Return a plan's piece and figures, in words; empty where there is none."""
    try:
        kept = json.loads(scene.arming_cap.printer.plan) if scene.arming_cap.printer.plan else {}
        return {key: kept[key] for key in ("piece", "says", "parts")} if kept else {}
    except (ValueError, KeyError, TypeError):  # written by another version
        return {}


def planned_of(scene: Scene) -> Planned | None:
    """Return this session's plan of a scene, where the scene still shows one."""
    return _planned.get(scene.session_uid) if scene.arming_cap.printer.plan else None


def done_of(scene: Scene) -> Any:
    """Return this session's split of a scene."""
    return _done.get(scene.session_uid) if scene.arming_cap.printer.plan else None


def forget(scene: Scene) -> None:
    """Drop a scene's plan."""
    scene.arming_cap.printer.plan = ""
    _planned.pop(scene.session_uid, None)
    _done.pop(scene.session_uid, None)


def forget_all() -> None:
    """Drop what is remembered of other files."""
    _planned.clear()
    _done.clear()
