# SPDX-License-Identifier: GPL-3.0-or-later
"""What a person does in the window, step by step; run by `hands` inside Blender."""

from __future__ import annotations

import importlib
import subprocess
import time
from math import radians
from pathlib import Path

import bpy
from hands import Hands, package, step
from mathutils import Euler


def module(name: str):
    return importlib.import_module(f"{package().__name__}.{name}")


def fresh(hands: Hands, files: list[Path]):
    """A new file counts in metres; the cube and its like go, and millimetre files come in as Blender reads them."""
    yield 1.0
    for ob in list(bpy.data.objects):
        bpy.data.objects.remove(ob)
    for file in files:
        bpy.ops.wm.ply_import(filepath=str(file))
    yield from hands.open_tab()
    yield 0.5
    with bpy.context.temp_override(window=hands.window, area=hands.area, region=hands.region("WINDOW")):
        bpy.ops.view3d.view_axis(type="FRONT")
        bpy.ops.view3d.view_all()
    yield 1.0


def choose(hands: Hands, name: str):
    """Select an object, as a click in the outliner does."""
    for ob in bpy.context.view_layer.objects:
        ob.select_set(ob.name == name)
    bpy.context.view_layer.objects.active = bpy.data.objects[name]
    hands.clicks += 1
    yield 0.5


def cast(hands: Hands, wearer: str, piece: str):
    """Who wears what, and the unit in one click."""
    step(hands, "roles")
    yield from choose(hands, wearer)
    yield from hands.click("set_role(role='FORM'", 0.15)
    yield from choose(hands, piece)
    yield from hands.click("set_role(role='PART'", 0.5)
    assert [bpy.data.objects[name].arming_cap.role for name in (wearer, piece)] == ["FORM", "PART"]
    hands.shot("roles_and_doubt")
    step(hands, "unit")
    assert not bpy.ops.arming_cap.check_fit.poll()
    yield from hands.click("set_unit(unit='MM')")
    assert bpy.context.scene.arming_cap.unit == "MM"


def finished() -> dict[str, str]:
    """Return the verdicts that the run in progress has come to so far."""
    busy = module("work").running
    so_far = busy.finished_so_far if busy is not None else None
    if so_far is None:
        return {}
    fit = so_far.document["result"]["fits"][0]
    return {v["check"]: v["verdict"] for v in fit["verdicts"] if not v["details"].get("stopped")}


def results():
    return module("results").of(bpy.context.scene).fits


def idle() -> bool:
    return module("work").running is None


def first_look(hands: Hands):
    """Roles, unit, the live section with its handle dragged, the first verdicts, Esc, margins, a place."""
    yield from fresh(hands, hands.files)
    yield from cast(hands, "tovi_head", "heron_helm")
    step(hands, "section")
    yield from hands.click("live_section")
    yield 1.0
    own, start = bpy.context.scene.arming_cap, tuple(bpy.context.scene.arming_cap.section_at)
    hands.shot("section")
    yield from drag_arrow(hands)
    assert abs(own.section_at[2] - start[2]) > 1.0, "the arrow did not move the plane"
    hands.shot("section_dragged")
    before = time.thread_time()
    for number in range(20):
        own.section_at[2] = start[2] + number
    hands.found["section_ms"] = round(1000 * (time.thread_time() - before) / 20, 2)
    yield from hands.click("live_section")

    step(hands, "check")
    hands.found["clicks_to_check"] = hands.clicks + 1
    yield from hands.click("check_fit")
    for name in ("placement", "clearance", "sight"):
        yield from hands.until(lambda name=name: name in finished() or idle(), 300, f"{name} told")
    assert not idle(), "the run ended before it could be looked at"
    hands.shot("first_verdicts")
    hands.keys("Escape")
    yield from hands.until(idle, 20, "stopped by Esc")
    yield 0.5
    kept = {v["check"]: v["verdict"] for v in results()[0]["verdicts"]}
    assert kept["clearance"] == "pass" and kept["size"] == "not checked", kept
    hands.shot("kept_after_esc")

    step(hands, "margins")
    yield from hands.click("show_margins")
    yield from hands.until(lambda: own.margins_shown and idle(), 120, "margins shown")
    yield 1.0
    hands.shot("margins")
    with bpy.context.temp_override(window=hands.window, area=hands.area, region=hands.region("WINDOW")):
        bpy.ops.view3d.view_axis(type="BOTTOM")
    yield 1.0
    hands.shot("margins_from_below")
    yield from hands.click("show_margins")
    yield from hands.until(lambda: not own.margins_shown, 20, "margins hidden")
    assert hands.area.spaces.active.shading.color_type == "MATERIAL"
    step(hands, "place")
    bpy.ops.arming_cap.show_place(fit=0, verdict=2)
    yield 1.5
    hands.shot("place")


def drag_arrow(hands: Hands):
    """Take the plane's arrow where it is drawn and pull it upwards."""
    from bpy_extras.view3d_utils import location_3d_to_region_2d
    from mathutils import Vector

    region = hands.region("WINDOW")
    at = location_3d_to_region_2d(
        region, hands.area.spaces.active.region_3d, Vector(bpy.context.scene.arming_cap.section_at)
    )
    x, y = region.x + at.x, region.y + at.y + 128
    hands.mouse(x, y)
    yield 0.8
    hands.mouse(x, y, "mousedown 1")
    yield 0.4
    for number in range(1, 9):
        hands.mouse(x, y + 8 * number)
        yield 0.1
    hands.mouse(x, y + 64, "mouseup 1")
    yield 0.6


def to_the_print(hands: Hands):
    """A whole check, the size applied, and undone, the passage played, rings and a report written."""
    yield from fresh(hands, hands.files)
    yield from cast(hands, "body", "shell")
    step(hands, "check")
    yield from hands.click("check_fit")
    yield from hands.until(lambda: bool(results()) and idle(), 400, "every verdict")
    yield 1.0
    hands.shot("verdicts")
    step(hands, "scale")
    shell = bpy.data.objects["shell"]
    yield from hands.click("scale_piece")
    yield from hands.until(lambda: shell.scale.x != 1.0, 20, "scaled")
    scale = shell.scale.x
    hands.found["scaled_to"] = round(scale, 4)
    hands.shot("scaled")
    hands.keys("ctrl+z")
    yield 1.0
    assert bpy.data.objects["shell"].scale.x == 1.0, "the scale was not undone"
    hands.keys("ctrl+shift+z")
    yield 1.0
    assert abs(bpy.data.objects["shell"].scale.x - scale) < 1e-6, "the scale was not redone"
    step(hands, "check again")
    yield from hands.click("check_fit")
    yield from hands.until(
        lambda: idle() and module("results").of(bpy.context.scene).changes == [], 400, "checked again"
    )
    hands.shot("checked_again")
    size = next(v for v in results()[0]["verdicts"] if v["check"] == "size")
    hands.found["size_after"] = size["verdict"]
    step(hands, "rings")
    bpy.ops.arming_cap.make_rings("INVOKE_DEFAULT", directory=str(hands.out / "rings"))
    yield from hands.until(idle, 300, "rings written")
    yield 1.0
    hands.shot("rings")
    assert list((hands.out / "rings").glob("*.3mf")), module("work").said[-1]
    step(hands, "split")
    printer = bpy.context.scene.arming_cap.printer
    printer.volume_width_mm = printer.volume_depth_mm = printer.volume_height_mm = 150.0
    bpy.ops.arming_cap.plan_split("INVOKE_DEFAULT")
    yield from hands.until(idle, 300, "split planned")
    yield 1.0
    hands.shot("split")
    step(hands, "apply")
    bpy.ops.arming_cap.apply_split("INVOKE_DEFAULT")
    yield from hands.until(idle, 300, "split applied")
    yield 1.0
    hands.shot("applied")
    step(hands, "export")
    bpy.ops.arming_cap.export_split(directory=str(hands.out / "parts"))
    assert list((hands.out / "parts").rglob("*.3mf")), module("work").said[-1]
    bpy.ops.arming_cap.export_report(directory=str(hands.out / "report"))
    bpy.ops.wm.save_as_mainfile(filepath=str(hands.out / "kept.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(hands.out / "kept.blend"))
    yield 2.0
    assert results(), "the verdicts are not in the saved file"
    hands.shot("reopened")


def demo(hands: Hands):
    """A demo file as it opens, nothing touched: the tab is open, and the next button is there to be pressed."""
    step(hands, "opened")
    bpy.ops.wm.open_mainfile(filepath=str(hands.files[0]))
    yield 5.0
    hands.shot("opened")
    assert hands.region().active_panel_category == "Arming Cap"
    yield from hands.find("check_fit")


def for_the_readme(hands: Hands):
    """The pike helm's split as planned, and the verdicts on the sluice helm."""
    sluice, pike = hands.files
    yield from opened(hands, pike)
    printer = bpy.context.scene.arming_cap.printer
    printer.volume_width_mm = printer.volume_depth_mm = printer.volume_height_mm = 180.0
    yield from hands.find("check_fit")
    subprocess.run("xdotool mousemove_relative 0 40 click 1".split(), check=True)  # the head of the panel below: Print
    yield 1.0
    bpy.ops.arming_cap.plan_split("INVOKE_DEFAULT")
    yield from hands.until(idle, 300, "split planned")
    yield 2.0
    hands.shot("split")
    yield from opened(hands, sluice)
    bpy.ops.arming_cap.check_fit("INVOKE_DEFAULT")
    yield from hands.until(lambda: bool(results()) and idle(), 900, "every verdict")
    hands.found["fit"] = results()[0]["verdict"]
    yield 2.0
    hands.shot("panel")


def opened(hands: Hands, file: Path):
    """Open a demo scene and its tab; look at the piece from the front left."""
    bpy.ops.wm.open_mainfile(filepath=str(file))
    yield 2.0
    yield from hands.open_tab()
    view = hands.area.spaces.active.region_3d
    view.view_rotation = Euler((radians(78.0), 0.0, radians(30.0))).to_quaternion()
    for ob in bpy.context.view_layer.objects:
        ob.select_set(ob.arming_cap.role != "FORM")
    with bpy.context.temp_override(window=hands.window, area=hands.area, region=hands.region("WINDOW")):
        bpy.ops.view3d.view_selected()
    bpy.ops.object.select_all(action="DESELECT")
    view.view_distance *= 1.3
    yield 2.0
