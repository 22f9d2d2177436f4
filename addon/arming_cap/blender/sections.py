# SPDX-License-Identifier: GPL-3.0-or-later
"""The live section: a plane that is dragged and tilted in the view, and what it shows of piece and wearer."""

from __future__ import annotations

import math
from dataclasses import dataclass

import bpy
import numpy as np
from bpy.types import Context, GizmoGroup, Operator, Scene
from mathutils import Euler, Matrix, Vector

from ..core.arrays import FloatArray
from ..core.errors import InputError
from ..core.mesh import TriangleMesh, joined
from ..core.report.words import figure
from . import overlay
from . import scene as scenes
from .language import tr, tr_error


@dataclass(frozen=True)
class Cutting:
    """What is drawn: segments' ends (2 s, 3) in scene units, sentences, and the gap's ends in mm."""

    frame: FloatArray
    piece: FloatArray
    wearer: FloatArray
    says: tuple[str, ...]
    gap: FloatArray | None
    gap_says: str


_meshes: dict[int, tuple[TriangleMesh, TriangleMesh | None, str]] = {}
"""What is cut, copied out of Blender once; by the scene's uid."""


def forget() -> None:
    """Read the objects anew at the next cut: something has changed."""
    _meshes.clear()


def matrix_of(scene: Scene) -> Matrix:
    """Return the plane as a matrix: its Z axis is the normal."""
    own = scene.arming_cap
    return Matrix.Translation(own.section_at) @ Euler(own.section_turn).to_matrix().to_4x4()


def _bodies(scene: Scene) -> tuple[TriangleMesh, TriangleMesh | None, str]:
    kept = _meshes.get(scene.session_uid)
    if kept is None:
        from .operators.split import cast_to_split

        cast = cast_to_split(bpy.context) or next(iter(scenes.cast_of(scene)), None)
        if cast is None:
            raise InputError("there is no piece", remedy="give what is worn the role Part")
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        piece = joined([scenes.mesh_of(scene.objects[name], depsgraph, mm) for name in cast.parts], cast.piece)
        body = scenes.mesh_of(scene.objects[cast.form], depsgraph, mm) if cast.form else None
        kept = _meshes[scene.session_uid] = (piece, body, cast.form)
    return kept


def cut_now(scene: Scene) -> None:
    """Cut where the plane is, for the view to draw."""
    if not scene.arming_cap.section_on:
        return
    from ..core.distance.across import across

    try:
        piece, body, form = _bodies(scene)
    except InputError:
        overlay.section = None
        return
    mm, plane = scenes.mm_per_unit(scene), matrix_of(scene)
    normal = np.array(plane.col[2][:3])
    found = across(piece, body, normal, float(normal @ np.array(plane.translation)) * mm)
    says = []
    if found.room_mm is not None:
        says.append(tr("{piece}, inside: {sizes}", piece=piece.name, sizes=_sizes(found.room_mm)))
    if found.body_mm is not None:
        says.append(f"{form}: {_sizes(found.body_mm)}")
    if not says:
        says.append(tr("The plane meets neither room nor wearer: drag the arrow"))
    gap_says = "" if found.gap_mm is None else f"{figure(found.gap_mm)} mm"
    if found.gap_mm is not None:
        says.append(tr("Least gap in this plane: {gap}", gap=gap_says))
    frame = _frame(plane, _pairs(found.piece) / mm)
    overlay.section = Cutting(
        frame, _pairs(found.piece) / mm, _pairs(found.wearer) / mm, tuple(says), found.gap, gap_says
    )
    overlay.redraw_views()


def _frame(plane: Matrix, points: FloatArray) -> FloatArray:
    """Return a rectangle in the plane about what is cut, a tenth larger, as segments' ends (8, 3)."""
    if not len(points):
        return points
    turn, at = np.array(plane.to_3x3()), np.array(plane.translation)
    flat = (points - at) @ turn
    low, high = flat.min(axis=0), flat.max(axis=0)
    low, high = low - 0.1 * (high - low), high + 0.1 * (high - low)
    corners = np.array([[low[0], low[1], 0], [high[0], low[1], 0], [high[0], high[1], 0], [low[0], high[1], 0]])
    return np.repeat(corners, 2, axis=0)[[0, 2, 3, 4, 5, 6, 7, 1]] @ turn.T + at


def cut_soon() -> None:
    """Cut a moment later: not while Blender is still evaluating."""
    if not bpy.app.background and not bpy.app.timers.is_registered(_cut_here):
        bpy.app.timers.register(_cut_here, first_interval=0.05)


def _cut_here() -> None:
    scene = bpy.context.scene
    if scene is not None and hasattr(scene, "arming_cap"):
        cut_now(scene)


def _sizes(mm: tuple[float, float, float]) -> str:
    return tr("{wide} wide, {deep} deep, {round} mm round", wide=figure(mm[0]), deep=figure(mm[1]), round=figure(mm[2]))


def _pairs(outlines: tuple[FloatArray, ...]) -> FloatArray:
    found = [np.stack([line[:-1], line[1:]], axis=1).reshape(-1, 3) for line in outlines if len(line) > 1]
    return np.concatenate(found) if found else np.empty((0, 3))


class ARMINGCAP_OT_live_section(Operator):
    """Cut piece and wearer with a plane to drag and tilt, and read width, depth, girth and room beside it"""

    bl_idname = "arming_cap.live_section"
    bl_label = "Live Section"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if context.scene.arming_cap.section_on or scenes.parts(context.scene):
            return True
        cls.poll_message_set("Give what is worn the role Part first")
        return False

    def execute(self, context: Context) -> set[str]:
        scene, own = context.scene, context.scene.arming_cap
        own.section_on = not own.section_on
        if not own.section_on:
            overlay.section = None
            overlay.redraw_views()
            return {"FINISHED"}
        forget()
        try:
            piece, _, _ = _bodies(scene)
        except InputError as error:
            own.section_on = False
            self.report({"ERROR"}, tr_error(error))
            return {"CANCELLED"}
        low, high = piece.bounds / scenes.mm_per_unit(scene)
        at = Vector(((low + high) / 2).tolist())
        if not all(low <= v <= high for low, v, high in zip(low, own.section_at, high)):
            own.section_turn = (0.0, 0.0, 0.0)
            own.section_at = at
        cut_now(scene)
        return {"FINISHED"}


class ARMINGCAP_GGT_section(GizmoGroup):
    """An arrow that moves the plane along its normal, and two rings that tilt it"""

    bl_label = "Live Section"
    bl_space_type = "VIEW_3D"
    bl_region_type = "WINDOW"
    bl_options = {"3D", "PERSISTENT", "SHOW_MODAL_ALL"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        return bool(context.scene.arming_cap.section_on)

    def setup(self, context: Context) -> None:
        """Make the handles, each with where it reads and writes the plane."""
        theme = context.preferences.themes[0].user_interface
        self._start: tuple[Vector, Matrix] | None = None
        self._arrow = self.gizmos.new("GIZMO_GT_arrow_3d")
        self._arrow.target_set_handler(
            "offset", get=lambda: 0.0 if self._start is None else self._moved, set=self._move
        )
        self._arrow.length = 1.6  # beyond the rings, so that each can be taken
        self._arrow.color, self._arrow.alpha = theme.axis_z, 0.9
        self._dials = []
        for axis, colour in ((0, theme.axis_x), (1, theme.axis_y)):
            dial = self.gizmos.new("GIZMO_GT_dial_3d")
            dial.target_set_handler(
                "offset",
                get=lambda axis=axis: self._turned.get(axis, 0.0),
                set=lambda value, axis=axis: self._turn(axis, value),
            )
            dial.color, dial.alpha, dial.scale_basis = colour, 0.6, 0.8
            self._dials.append(dial)
        for gizmo in self.gizmos:
            gizmo.color_highlight, gizmo.alpha_highlight = theme.gizmo_hi, 1.0
        self._moved, self._turned = 0.0, {}

    def _begin(self) -> tuple[Vector, Matrix]:
        if self._start is None:
            scene = bpy.context.scene
            self._start = Vector(scene.arming_cap.section_at), matrix_of(scene).to_3x3()
        return self._start

    def _move(self, value: float) -> None:
        at, turn = self._begin()
        self._moved = value
        bpy.context.scene.arming_cap.section_at = at + turn.col[2] * value

    def _turn(self, axis: int, value: float) -> None:
        _, turn = self._begin()
        self._turned[axis] = value
        about = Matrix.Rotation(value, 3, turn.col[axis])
        bpy.context.scene.arming_cap.section_turn = (about @ turn).to_euler()

    def draw_prepare(self, context: Context) -> None:
        """Lay the handles on the plane; between two drags they start at nothing again."""
        plane = matrix_of(context.scene)
        if not any(gizmo.is_modal for gizmo in self.gizmos):
            self._start, self._moved, self._turned = None, 0.0, {}
        if self._start is None:
            self._arrow.matrix_basis = plane
            for axis, dial in enumerate(self._dials):
                aside = Matrix.Rotation(math.pi / 2, 4, "Y" if axis == 0 else "X")
                dial.matrix_basis = plane @ aside


classes = (ARMINGCAP_OT_live_section, ARMINGCAP_GGT_section)
