# SPDX-License-Identifier: GPL-3.0-or-later
"""The extension in Blender: converts and shows, never computes."""

from __future__ import annotations

from collections.abc import Callable

import bpy

from . import (
    handlers,
    joint_picture,
    language,
    menus,
    operators,
    overlay,
    panels,
    preferences,
    properties,
    sections,
    work,
)

classes = (
    *properties.classes,
    *preferences.classes,
    *operators.classes,
    *sections.classes,
    *menus.classes,
    *panels.classes,
)

_undo: list[Callable[[], None]] = []


def register() -> None:
    """Register everything, or nothing: what was done before a failure is undone. Twice is once."""
    if _undo:
        return
    try:
        language.register()
        _undo.append(language.unregister)
        for cls in classes:
            bpy.utils.register_class(cls)
            _undo.append(lambda cls=cls: bpy.utils.unregister_class(cls))
        properties.register()
        _undo.append(properties.unregister)
        _undo.append(joint_picture.forget)
        menus.register()
        _undo.append(menus.unregister)
        overlay.register()
        _undo.append(overlay.unregister)
        handlers.register()
        _undo.append(handlers.unregister)
        _undo.append(work.shut_down)  # undone first: what runs rests on all the rest
    except Exception:
        unregister()
        raise


def unregister() -> None:
    """Undo `register`, last first."""
    while _undo:
        _undo.pop()()
