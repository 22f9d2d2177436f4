# SPDX-License-Identifier: GPL-3.0-or-later
"""Verdicts as the panel shows them: kept on the scene as text, read once, and known to be old when they are.

The scene holds the run's document and, for each object it rests on, a fingerprint of that object at that time. When
something changes, `look_again` asks for a comparison, which happens a moment later and never while drawing.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import bpy
from bpy.props import IntProperty
from bpy.types import Scene

from .language import tr

SETTLED_S = 0.4
"""Fingerprints are compared when nothing has changed for so long: not at each step of a drag."""


def hidden_row(name: str, description: str) -> Any:
    """Return an operator's number of a row: set by a button, and of no use to anybody in the redo panel."""
    return IntProperty(name=name, description=description, min=0, options={"HIDDEN", "SKIP_SAVE"})


@dataclass
class Kept:
    """A scene's verdicts, read from its text.

    Attributes
    ----------
    text
        What `document` was read from: another text on the scene (after an undo, say) is read anew.
    document
        The run's JSON document; empty where there is none.
    rests_on
        Fingerprint by object name, and the settings, when the run began.
    changes
        Sentences on what has changed since; None where that has not been looked at yet.
    """

    text: str
    document: dict[str, Any] = field(default_factory=dict)
    rests_on: dict[str, Any] = field(default_factory=dict)
    changes: list[str] | None = None

    @property
    def fits(self) -> list[dict[str, Any]]:
        """One entry for each piece on its wearer."""
        return list(self.document.get("result", {}).get("fits", []))


_kept: dict[int, Kept] = {}


def of(scene: Scene) -> Kept:
    """Return a scene's verdicts. Cheap: the text is read when it is a new one."""
    text = scene.arming_cap.results
    kept = _kept.get(scene.session_uid)
    if kept is None or kept.text != text:
        kept = _read(text)
        _kept[scene.session_uid] = kept
        if kept.document:
            look_again()
    return kept


def _read(text: str) -> Kept:
    try:
        held = json.loads(text) if text else {}
        kept = Kept(text, held["document"], held["rests_on"]) if held else Kept(text)
        if not all(isinstance(fit["verdicts"], list) for fit in kept.fits):
            raise ValueError
    except (ValueError, KeyError, TypeError, AttributeError):  # written by another version, or by hand
        return Kept(text)
    return kept


def keep(scene: Scene, document: dict[str, Any], rests_on: dict[str, Any], files: Mapping[str, str]) -> None:
    """Write a run's document onto the scene, with what it rests on and the files that can be exported later."""
    text = json.dumps({"document": document, "rests_on": rests_on}, ensure_ascii=False, separators=(",", ":"))
    scene.arming_cap.results = text
    packed = zlib.compress(json.dumps({"of": _mark(text), "files": dict(files)}).encode(), 9)
    scene.arming_cap.report_files = base64.b85encode(packed).decode() if files else ""
    _kept[scene.session_uid] = Kept(text, document, rests_on, changes=[])
    look_again()


def _mark(text: str) -> int:
    return zlib.crc32(text.encode())


def files_of(scene: Scene) -> dict[str, str]:
    """Return the report's files of a scene's verdicts by name; empty where there are none, or of another run."""
    own = scene.arming_cap
    try:
        held = json.loads(zlib.decompress(base64.b85decode(own.report_files))) if own.report_files else {}
        return dict(held["files"]) if held and held["of"] == _mark(own.results) else {}
    except (ValueError, KeyError, TypeError, zlib.error):  # written by another version, or by hand
        return {}


def footing(scene: Scene) -> dict[str, Any]:
    """Return what verdicts made now would rest on: the settings, and each object's fingerprint."""
    from . import scene as scenes

    mm = scenes.mm_per_unit(scene)
    depsgraph = scenes.depsgraph_of(scene)
    involved = scenes.forms(scene) + scenes.parts(scene)
    return {
        "settings": {
            "unit_mm": mm,
            "seat": scene.arming_cap.seat,
            "padding_gives_mm": round(scene.arming_cap.padding_gives_mm, 3),
            "loosest_mm": round(scene.arming_cap.loosest_mm, 3),
            "springs_mm": round(scene.arming_cap.springs_mm, 3),
            "wall_mm": round(scene.arming_cap.wall_mm, 3) if scene.arming_cap.with_walls else None,
        },
        "objects": {ob.name: scenes.fingerprint(scene, ob, depsgraph, mm) for ob in involved},
    }


def changes_since(then: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """Return what differs between two footings, in words."""
    before, after = then.get("objects", {}), now["objects"]
    found = [
        tr("'{name}' has changed", name=name) if name in after else tr("'{name}' no longer takes part", name=name)
        for name in sorted(before)
        if before[name] != after.get(name)
    ]
    found += [tr("'{name}' is new", name=name) for name in sorted(after) if name not in before]
    if then.get("settings") != now["settings"]:
        found.append(tr("the settings have changed"))
    return found


def compare(scene: Scene) -> list[str]:
    """Find out now whether a scene's verdicts are still of the scene as it is, and remember the answer."""
    kept = of(scene)
    kept.changes = changes_since(kept.rests_on, footing(scene)) if kept.document else []
    return kept.changes


def look_again() -> None:
    """Ask for a comparison as soon as things have settled; in background it is made when it is asked for."""
    for kept in _kept.values():
        kept.changes = None
    if not bpy.app.background:
        if bpy.app.timers.is_registered(_settled):
            bpy.app.timers.unregister(_settled)
        bpy.app.timers.register(_settled, first_interval=SETTLED_S)


def _settled() -> None:
    scene = bpy.context.scene
    if scene is not None and hasattr(scene, "arming_cap"):
        compare(scene)
        redraw()


def redraw() -> None:
    """Have the sidebars drawn again, and nothing else: a 3D view may be dear."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                for region in area.regions:
                    if region.type == "UI":
                        region.tag_redraw()


def forget() -> None:
    """Drop what is remembered of other files."""
    _kept.clear()
    if bpy.app.timers.is_registered(_settled):
        bpy.app.timers.unregister(_settled)
