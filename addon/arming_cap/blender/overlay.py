# SPDX-License-Identifier: GPL-3.0-or-later
"""What is drawn over the 3D view: the legend of the margins, the place of a verdict, and the live section.

Nothing here is kept in the file. Colours of text and lines come from the theme; each colour has its number beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from bpy.types import Context, Region, RegionView3D, SpaceView3D
from mathutils import Quaternion, Vector

from ..core.report import ramp
from . import results
from . import scene as scenes
from .language import tr

TICKS = (-6, -2, 0, 2, 6, 12)
SECONDS, FRAMES = 0.3, 12
"""How long the view takes to go to a place, and in how many steps."""


@dataclass
class Shown:
    """A place that the view has gone to.

    Attributes
    ----------
    fit, verdict
        Rows of the verdict it belongs to.
    at_mm
        Where; (3,).
    text
        What stands beside it.
    back
        The view as it was: location, distance, rotation.
    """

    fit: int
    verdict: int
    at_mm: tuple[float, float, float]
    text: str
    back: tuple[Vector, float, Quaternion] | None


place: Shown | None = None
section: Any = None
"""What the live section shows, see `sections`: outlines and figures, ready to be drawn."""
_handles: list[Any] = []


def place_shown() -> tuple[int, int] | None:
    """Return the rows of the verdict whose place is shown."""
    return None if place is None else (place.fit, place.verdict)


# --- the view ---------------------------------------------------------------------------------------------------------


def view_of(context: Context) -> tuple[SpaceView3D, RegionView3D] | None:
    """Return the 3D view that the user is in, or the first."""
    area = context.area if context.area is not None and context.area.type == "VIEW_3D" else None
    if area is None and context.screen is not None:
        area = next((one for one in context.screen.areas if one.type == "VIEW_3D"), None)
    return None if area is None else (area.spaces.active, area.spaces.active.region_3d)


def go_to(view: RegionView3D, location: Vector, distance: float, rotation: Quaternion | None = None) -> None:
    """Move a view smoothly; at once where there is no window."""
    start = view.view_location.copy(), view.view_distance, view.view_rotation.copy()
    turn = rotation or start[2]

    def at(share: float) -> None:
        view.view_location = start[0].lerp(location, share)
        view.view_distance = start[1] + (distance - start[1]) * share
        view.view_rotation = start[2].slerp(turn, share)

    if bpy.app.background:
        at(1.0)
        return
    step = 0

    def moved() -> float | None:
        nonlocal step
        step += 1
        share = step / FRAMES
        try:
            at(share * share * (3 - 2 * share))
        except ReferenceError:  # the view was closed meanwhile
            return None
        return SECONDS / FRAMES if step < FRAMES else None

    bpy.app.timers.register(moved)


def redraw_views() -> None:
    """Have the 3D views themselves drawn again."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


# --- drawing ----------------------------------------------------------------------------------------------------------


def _theme() -> tuple[Any, Any]:
    theme = bpy.context.preferences.themes[0].view_3d
    return (*theme.space.text_hi, 1.0), (*theme.object_active, 1.0) if len(theme.object_active) == 3 else tuple(
        theme.object_active
    )


def _text(x: float, y: float, text: str, colour: Sequence[float], size: float = 12.0) -> None:
    import blf

    scale = bpy.context.preferences.system.ui_scale
    blf.size(0, size * scale)
    blf.enable(0, blf.SHADOW)
    blf.shadow(0, 5, 0.0, 0.0, 0.0, 0.9)
    blf.color(0, *colour)
    blf.position(0, x, y, 0)
    blf.draw(0, text)
    blf.disable(0, blf.SHADOW)


def _lines(points: Any, colour: Sequence[float], width: float, kind: str = "LINES") -> None:
    import gpu
    from gpu_extras.batch import batch_for_shader

    shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
    shader.bind()
    shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
    shader.uniform_float("lineWidth", width * bpy.context.preferences.system.ui_scale)
    shader.uniform_float("color", colour)
    batch_for_shader(shader, kind, {"pos": np.asarray(points, np.float32)}).draw(shader)


def _rectangles(boxes: Sequence[tuple[float, float, float, float]], colours: Any) -> None:
    import gpu
    from gpu_extras.batch import batch_for_shader

    corners, shades = [], []
    for (x0, y0, x1, y1), colour in zip(boxes, colours):
        corners += [(x0, y0), (x1, y0), (x1, y1), (x0, y0), (x1, y1), (x0, y1)]
        shades += [(*colour, 1.0)] * 6
    shader = gpu.shader.from_builtin("SMOOTH_COLOR")
    batch_for_shader(shader, "TRIS", {"pos": corners, "color": shades}).draw(shader)


def _pixel() -> None:
    context = bpy.context
    scene = context.scene
    if scene is None or not context.space_data.overlay.show_overlays:
        return
    hi, _ = _theme()
    scale = context.preferences.system.ui_scale
    if scene.arming_cap.margins_shown:
        _legend(context.region, hi, scale)
    if place is not None:
        _leader(context, hi, scale)
    if section is not None and scene.arming_cap.section_on:
        _figures(context, hi, scale)


def _legend(region: Region, hi: Any, scale: float) -> None:
    left, low, width, height = 70 * scale, 46 * scale, 260 * scale, 14 * scale
    start, end = TICKS[0], TICKS[-1]
    steps = np.linspace(start, end, 91)
    shades = ramp.display_of(ramp.margin_colours((steps[1:] + steps[:-1]) / 2))
    at = left + (steps - start) / (end - start) * width
    _rectangles([(at[i], low, at[i + 1] + 0.5, low + height) for i in range(90)], shades)
    _text(left, low + height + 8 * scale, tr("Margin, mm: room beyond the allowance"), hi)
    for tick in TICKS:
        x = left + (tick - start) / (end - start) * width
        _lines([(x, low - 4 * scale, 0), (x, low + (height if tick == 0 else 0), 0)], hi, 1.5)
        word = f"{tick:g}" if tick != start else tr("{number} or less", number=tick)
        _text(x - (30 if tick == start else 4) * scale, low - 18 * scale, word.replace("-", "\N{MINUS SIGN}"), hi, 11)
    _text(left, low - 36 * scale, tr("Grey: nothing near, or the outside"), hi, 11)


def _on_screen(context: Context, at_mm: Sequence[float]) -> Any:
    from bpy_extras.view3d_utils import location_3d_to_region_2d

    mm = scenes.mm_per_unit(context.scene)
    return location_3d_to_region_2d(context.region, context.region_data, Vector(at_mm) / mm)


def _leader(context: Context, hi: Any, scale: float) -> None:
    at = _on_screen(context, place.at_mm)
    if at is None:
        return
    ring = [(at.x + 7 * scale * np.cos(t), at.y + 7 * scale * np.sin(t), 0) for t in np.linspace(0, 2 * np.pi, 25)]
    _lines(ring, hi, 2.0, "LINE_STRIP")
    end = (at.x + 70 * scale, at.y + 70 * scale)
    _lines([(at.x + 5 * scale, at.y + 5 * scale, 0), (*end, 0)], hi, 1.5)
    _text(end[0] + 4 * scale, end[1], place.text, hi, 13)


def _figures(context: Context, hi: Any, scale: float) -> None:
    for number, text in enumerate(reversed(section.says)):
        _text(70 * scale, (110 + 18 * number) * scale, text, hi, 12)
    if section.gap is not None:
        ends = [_on_screen(context, end) for end in section.gap]
        if None not in ends:
            _lines([(end.x, end.y, 0) for end in ends], hi, 2.0)
            _text(ends[1].x + 6 * scale, ends[1].y + 6 * scale, section.gap_says, hi, 13)


def _view() -> None:
    import gpu

    scene = bpy.context.scene
    if scene is None or section is None or not scene.arming_cap.section_on:
        return
    hi, active = _theme()
    gpu.state.blend_set("ALPHA")
    gpu.state.depth_test_set("NONE")
    if len(section.frame):
        _lines(section.frame, (*hi[:3], 0.35), 1.0)
    if len(section.wearer):
        _lines(section.wearer, hi, 2.0)
    if len(section.piece):
        _lines(section.piece, active, 2.5)


# --- registration -----------------------------------------------------------------------------------------------------


def _overlays_entry(panel: Any, context: Context) -> None:
    """Stand in the Overlays popover, where a Blender user looks for what is drawn over the view."""
    own = context.scene.arming_cap
    column = panel.layout.column()
    column.label(text="Arming Cap", translate=False)
    row = column.row()
    row.enabled = bool(results.of(context.scene).fits)
    row.operator("arming_cap.show_margins", text="Margins", depress=own.margins_shown).fit = 0
    column.operator("arming_cap.live_section", text="Live Section", depress=own.section_on)


def _way_back(header: Any, context: Context) -> None:
    """Stand in the 3D view's header as long as a passage is played."""
    if context.scene.arming_cap.preview_of:
        header.layout.operator("arming_cap.end_passage", icon="LOOP_BACK")


PLACES: tuple[tuple[str, Callable[..., None]], ...] = (
    ("VIEW3D_PT_overlay", _overlays_entry),
    ("VIEW3D_HT_header", _way_back),
)


def register() -> None:
    """Begin to draw."""
    for name, entry in PLACES:
        if hasattr(bpy.types, name):
            getattr(bpy.types, name).append(entry)
    if not bpy.app.background:
        add = SpaceView3D.draw_handler_add
        _handles.append(add(_pixel, (), "WINDOW", "POST_PIXEL"))
        _handles.append(add(_view, (), "WINDOW", "POST_VIEW"))


def unregister() -> None:
    """Draw nothing any more."""
    global place, section
    place = section = None
    for name, entry in PLACES:
        if hasattr(bpy.types, name):
            getattr(bpy.types, name).remove(entry)
    while _handles:
        SpaceView3D.draw_handler_remove(_handles.pop(), "WINDOW")
