# SPDX-License-Identifier: GPL-3.0-or-later
"""What Blender tells us: something moved, a file was opened."""

from __future__ import annotations

import bpy
from bpy.app.handlers import persistent
from bpy.types import Depsgraph, Object, Scene

from . import results, splits


@persistent
def _on_change(scene: Scene, depsgraph: Depsgraph) -> None:
    """Doubt the verdicts when an object they rest on, or may come to rest on, has changed."""
    kept = results.of(scene)
    if not kept.document or (kept.changes is None and bpy.app.background):
        return
    for update in depsgraph.updates:
        if isinstance(update.id, Object) and (update.is_updated_geometry or update.is_updated_transform):
            if update.id.name in kept.rests_on.get("objects", {}):
                results.look_again()
                return


@persistent
def _on_load(*_: object) -> None:
    results.forget()
    splits.forget_all()


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
