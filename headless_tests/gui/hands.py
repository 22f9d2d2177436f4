# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs inside a real windowed Blender: a hand on the mouse, eyes on the screen, a finger on the window's pulse.

A step is a generator: each ``yield`` gives Blender so many seconds to draw and take input. Buttons are found as people
find them, by going over the tab: the one under the mouse says which operator it is.
"""

from __future__ import annotations

import json
import os
import subprocess
import time
import traceback
from pathlib import Path

import bpy

BEAT_S = 0.05
ROW = 15
"""Pixels between two looks; a button is 20 high or more."""


class Hands:
    """The window as a person has it."""

    def __init__(self, out: Path) -> None:
        self.out, self.step, self.clicks, self.shots = out, "start", 0, 0
        self.found: dict[str, object] = {"seconds": {}, "blocks": {}, "cpu": {}}
        self._last = self._cpu = None

    # --- the pulse ---------------------------------------------------------------------------------------------------

    def beat(self) -> float:
        """Note how long the window was away since the last beat, and how much of that it worked itself."""
        now, cpu = time.monotonic(), time.thread_time()
        if self._last is not None:
            for kind, gap in (("blocks", now - self._last - BEAT_S), ("cpu", cpu - self._cpu)):
                longest = self.found[kind]
                longest[self.step] = round(max(longest.get(self.step, 0.0), gap), 3)
        self._last, self._cpu = now, cpu
        return BEAT_S

    # --- eyes --------------------------------------------------------------------------------------------------------

    @property
    def window(self):
        return bpy.context.window_manager.windows[0]

    @property
    def area(self):
        return max((a for a in self.window.screen.areas if a.type == "VIEW_3D"), key=lambda a: a.width)

    def region(self, kind="UI"):
        return next(r for r in self.area.regions if r.type == kind)

    def shot(self, name: str) -> None:
        """Keep a picture of the whole window."""
        self.shots += 1
        subprocess.run(["import", "-window", "root", str(self.out / f"{self.shots:02}_{name}.png")], check=True)

    def under_the_mouse(self) -> str:
        """Return the operator of the button under the mouse as Python writes it; empty where there is none."""
        manager = bpy.context.window_manager
        with bpy.context.temp_override(window=self.window, area=self.area, region=self.region()):
            if not bpy.ops.ui.copy_python_command_button.poll():
                return ""
            manager.clipboard = ""
            bpy.ops.ui.copy_python_command_button()
        return manager.clipboard

    # --- hands -------------------------------------------------------------------------------------------------------

    def open_tab(self):
        """Open the sidebar at our tab."""
        self.area.spaces.active.show_region_ui = True
        yield 1.0
        for _ in range(20):
            try:
                self.region().active_panel_category = "Arming Cap"
                return
            except (AttributeError, TypeError):  # there are no tabs before the sidebar is first drawn
                yield 0.5

    def mouse(self, x: float, y: float, *then: str) -> None:
        """Go to a place counted from the window's lower left, and do more there, such as ``click 1``."""
        words = ["mousemove", str(int(x)), str(int(self.window.height - y))]
        subprocess.run(["xdotool", *words, *(w for one in then for w in one.split())], check=True)

    def keys(self, *names: str) -> None:
        """Press keys, with the mouse in the 3D view."""
        region = self.region("WINDOW")
        self.mouse(region.x + region.width * 0.3, region.y + region.height * 0.5)
        subprocess.run(["xdotool", *(w for name in names for w in ("key", name))], check=True)

    def find(self, operator: str, across: float = 0.5):
        """Go down the tab until the button of an operator is under the mouse; fails where there is none."""
        region = self.region()
        x = region.x + 12 + across * (region.width - 50)
        y = region.y + region.height - 8
        while y > region.y:
            self.mouse(x, y)
            yield 0.08
            if operator in self.under_the_mouse():
                yield 0.5  # a busy machine may not have seen the mouse move yet: is it still there?
                if operator in self.under_the_mouse():
                    return
            y -= ROW
        self.shot(f"not_found_{operator}")
        raise AssertionError(f"no button of {operator} in the tab")

    def click(self, operator: str, across: float = 0.5):
        """Find a button and press it."""
        yield from self.find(operator, across)
        subprocess.run(["xdotool", "click", "1"], check=True)
        self.clicks += 1
        yield 0.6

    def until(self, done, seconds: float, what: str):
        """Wait for something; return after how many seconds it was there."""
        start = time.monotonic()
        while not done():
            if time.monotonic() - start > seconds:
                self.shot("waited_in_vain")
                raise AssertionError(f"after {seconds:.0f} s: {what}")
            yield 0.1
        self.found["seconds"][what] = round(time.monotonic() - start, 2)

    # --- a run -------------------------------------------------------------------------------------------------------

    def go(self, road) -> None:
        """Go a road, write what was found, and leave."""
        run = road(self)

        def tick():
            try:
                return next(run)
            except StopIteration:
                self.found["clicks"] = self.clicks
                (self.out / "found.json").write_text(json.dumps(self.found, indent=1), encoding="utf-8")
                os._exit(0)
            except BaseException:
                (self.out / "failed.txt").write_text(f"at {self.step}\n{traceback.format_exc()}", encoding="utf-8")
                os._exit(1)

        bpy.app.timers.register(self.beat, persistent=True)
        bpy.app.timers.register(tick, first_interval=3.0, persistent=True)


def step(hands: Hands, name: str) -> None:
    """Begin a step: its blocks are counted under its name."""
    hands.step = name
    hands._last = None


def package():
    """Return our package under whatever name Blender gave it."""
    import sys

    return next(m for name, m in sys.modules.items() if name.endswith(".arming_cap.blender"))
