# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work beside the window: a thread that touches nothing of Blender's, and the operator that waits for it."""

from __future__ import annotations

import threading
import traceback
from collections.abc import Callable
from typing import Any

import bpy
from bpy.types import Context, Event, Timer

from ..core.errors import Cancelled, InputError
from ..core.progress import Progress
from . import results

STEP_S = 0.1
"""How often the window looks how far the work is."""
BOUNDS = "pinch between"
"""Whatever says this tells how far a search is sure of its answer."""


class Work:
    """One task in a thread of its own.

    Parameters
    ----------
    task
        Takes a progress callback and returns the result. It works on arrays and numbers that were copied out of the
        scene before.
    text
        What is said until the task says something itself.
    """

    def __init__(self, task: Callable[[Progress], Any], text: str = "Reading the scene") -> None:
        self.task = task
        self.fraction = 0.0
        self.text = text
        self.bounds = ""
        self.result: Any = None
        self.error: BaseException | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.run, name="arming-cap", daemon=True)

    def start(self) -> None:
        """Begin in the background."""
        self._thread.start()

    @property
    def finished(self) -> bool:
        """Whether it has come to an end, good or bad."""
        return not self._thread.is_alive()

    def wait(self, seconds: float) -> None:
        """Wait for its end, so long at the most."""
        self._thread.join(seconds)

    def stop(self) -> None:
        """Ask it to end at its next step; its result is dropped."""
        self._stop.set()

    def run(self) -> None:
        """Do the work here and now."""
        try:
            self.result = self.task(self._progress)
        except BaseException as error:  # carried over to the main thread, which says it to the user
            self.error = error

    def _progress(self, fraction: float, text: str) -> None:
        if self._stop.is_set():
            raise Cancelled
        self.fraction, self.text = fraction, text
        if BOUNDS in text:
            self.bounds = text

    @property
    def stopped(self) -> str:
        """What is to be said of it when it was stopped: the bounds that a search had come to are kept."""
        return f"stopped, nothing has changed{f'; so far, {self.bounds}' if self.bounds else ''}"


running: Work | None = None
"""The work in progress, which the panel shows; at most one."""


def stop() -> None:
    """Stop what is running; the operator that waits for it sees it at its next step and leaves."""
    global running
    if running is not None:
        running.stop()
        running = None


class InBackground:
    """Mixed into an operator whose work takes more than a moment: Esc stops it and leaves the scene as it was."""

    doing = "Working"

    _work: Work
    _timer: Timer | None = None

    def begin(self, context: Context) -> Work:
        """Read the scene and return the work to do; raise `InputError` where it cannot be done."""
        raise NotImplementedError

    def end(self, context: Context, result: Any) -> set[str]:
        """Write the result onto the scene."""
        raise NotImplementedError

    def refused(self, context: Context, error: InputError) -> set[str]:
        """Say why there is no result."""
        self.report({"ERROR"}, str(error))
        return {"CANCELLED"}

    @classmethod
    def idle(cls) -> bool:
        """For `poll`: whether nothing else is running."""
        if running is not None:
            cls.poll_message_set("Something is running already; Esc stops it")
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        """Run to the end before returning: for scripts, tests and Blender without a window."""
        if not self._read(context):
            return {"CANCELLED"}
        self._work.run()
        return self._finish(context)

    def invoke(self, context: Context, event: Event) -> set[str]:
        """Run beside the window."""
        global running
        if bpy.app.background:
            return self.execute(context)
        if not self._read(context):
            return {"CANCELLED"}
        running = self._work
        self._timer = context.window_manager.event_timer_add(STEP_S, window=context.window)
        context.window_manager.modal_handler_add(self)
        running.start()
        return {"RUNNING_MODAL"}

    def modal(self, context: Context, event: Event) -> set[str]:
        """Wait for the end, or for Esc."""
        if (event.type == "ESC" and event.value == "PRESS") or running is not self._work:
            self._leave(context)
            self.report({"INFO"}, f"{self.doing} was {self._work.stopped}")
            return {"CANCELLED"}
        if event.type != "TIMER":
            return {"PASS_THROUGH"}
        if self._work.finished:
            self._leave(context)
            return self._finish(context)
        context.workspace.status_text_set(f"{self.doing}: {self._work.fraction:.0%}, {self._work.text}   Esc: stop")
        results.redraw()
        return {"PASS_THROUGH"}

    def cancel(self, context: Context) -> None:
        """Leave when Blender ends the run, by opening another file for instance."""
        self._leave(context)

    def _read(self, context: Context) -> bool:
        from ..core import engines

        try:
            if trouble := engines.problem():
                raise InputError(trouble, remedy="install the zip made for this Blender, see Copy Details in the panel")
            self._work = self.begin(context)
        except InputError as error:
            self.report({"ERROR"}, str(error))
            return False
        return True

    def _leave(self, context: Context) -> None:
        global running
        running = None
        self._work.stop()
        if self._timer is not None:
            context.window_manager.event_timer_remove(self._timer)
            self._timer = None
        if context.workspace is not None:
            context.workspace.status_text_set(None)
        results.redraw()

    def _finish(self, context: Context) -> set[str]:
        error = self._work.error
        if isinstance(error, InputError):
            return self.refused(context, error)
        if error is not None:
            traceback.print_exception(error)
            self.report({"ERROR"}, f"a fault of ours, the console holds its trace: {error!r}")
            return {"CANCELLED"}
        return self.end(context, self._work.result)


class AfterChoosing(InBackground):
    """Long work on a file or a folder: the chooser comes first, where nothing is given yet and there is a window."""

    chooses = "filepath"

    _chosen = False

    def invoke(self, context: Context, event: Event) -> set[str]:
        """Let the user choose, or go on with what is given."""
        if not getattr(self, self.chooses) and not bpy.app.background:
            context.window_manager.fileselect_add(self)
            return {"RUNNING_MODAL"}
        return super().invoke(context, event)

    def execute(self, context: Context) -> set[str]:
        """Go on beside the window after the chooser; run to the end where there is none."""
        if not self._chosen and not bpy.app.background and context.window is not None:
            self._chosen = True
            return super().invoke(context, None)
        return super().execute(context)
