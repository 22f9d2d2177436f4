# SPDX-License-Identifier: GPL-3.0-or-later
"""What Blender tells us: something moved, a file was opened."""

from __future__ import annotations

import bpy
from bpy.app.handlers import persistent
from bpy.types import Depsgraph, Object, Scene

from . import forms, overlay, results, sections, splits
from .panels.shared import Tab

TRY_S, TRIES = 0.2, 25
"""How often, and how many times, a sidebar is asked to open at our tab."""


@persistent
def _on_change(scene: Scene, depsgraph: Depsgraph) -> None:
    """Doubt the verdicts when an object they rest on, or may come to rest on, has changed; cut a live section anew."""
    moved = [
        u.id.original
        for u in depsgraph.updates
        if isinstance(u.id, Object) and (u.is_updated_geometry or u.is_updated_transform)
    ]
    if scene.arming_cap.section_on and any(ob.arming_cap.role != "NONE" for ob in moved):
        sections.forget()
        sections.cut_soon()
    kept = results.of(scene)
    if not kept.document or (kept.changes is None and bpy.app.background):
        return
    if any(ob.name in kept.rests_on.get("objects", {}) for ob in moved):
        results.look_again()


@persistent
def _on_load(*_: object) -> None:
    results.forget()
    splits.forget_all()
    sections.forget()
    forms.forget_shading()
    overlay.place = overlay.section = None
    scene = bpy.context.scene
    if scene is not None and scene.arming_cap.begins_with_tab and not bpy.app.background:
        scene.arming_cap.begins_with_tab = False  # once: where the user goes then is the user's
        open_tab()


def open_tab() -> None:
    """Open the sidebar at our tab in every 3D view, as soon as they are drawn: before that a sidebar has no tabs."""
    tries = 0

    def opened() -> float | None:
        nonlocal tries
        tries += 1
        waiting = False
        for window in bpy.context.window_manager.windows:
            for area in window.screen.areas:
                if area.type == "VIEW_3D":
                    area.spaces.active.show_region_ui = True
                    sidebar = next(region for region in area.regions if region.type == "UI")
                    try:
                        sidebar.active_panel_category = Tab.bl_category
                    except (AttributeError, TypeError):
                        waiting = True
        return TRY_S if waiting and tries < TRIES else None

    bpy.app.timers.register(opened, first_interval=TRY_S)


@persistent
def _on_undo(*_: object) -> None:
    results.look_again()


HANDLERS = (
    ("depsgraph_update_post", _on_change),
    ("load_post", _on_load),
    ("undo_post", _on_undo),
    ("redo_post", _on_undo),
)


def register() -> None:
    """Begin to listen."""
    for event, handler in HANDLERS:
        listeners = getattr(bpy.app.handlers, event)
        if handler not in listeners:
            listeners.append(handler)


def unregister() -> None:
    """Stop listening."""
    for event, handler in HANDLERS:
        listeners = getattr(bpy.app.handlers, event)
        if handler in listeners:
            listeners.remove(handler)
    results.forget()
