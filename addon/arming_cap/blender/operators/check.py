# SPDX-License-Identifier: GPL-3.0-or-later
"""Running the checks: the scene is read first, the core works on its own, the scene is written last."""

from __future__ import annotations

import threading
import traceback
from typing import Any

import bpy
from bpy.types import Context, Event, Operator, Scene, Timer

from ... import engines
from .. import results
from ..scene import Draft

STEP_S = 0.1
"""How often the window looks how far the checks are."""


class Work:
    """One run of the checks in a thread of its own, which touches nothing of Blender's.

    Parameters
    ----------
    draft
        What to check: arrays and numbers, copied out of the scene.
    """

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.fraction = 0.0
        self.text = "Reading the scene"
        self.report: Any = None
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

    def stop(self) -> None:
        """Ask it to end at its next step; its result is dropped."""
        self._stop.set()

    def run(self) -> None:
        """Do the work here and now."""
        from ...core.checks import check_job

        try:
            self.report = check_job(self.draft.job(self._progress), self._progress)
        except BaseException as error:  # carried over to the main thread, which says it to the user
            self.error = error

    def _progress(self, fraction: float, text: str) -> None:
        from ...core.errors import Cancelled

        if self._stop.is_set():
            raise Cancelled
        self.fraction, self.text = fraction, text


running: Work | None = None
"""The run in progress, which the panel shows; at most one."""


def begin(scene: Scene) -> tuple[Work, dict[str, Any]]:
    """Read the scene: return the work to do, and what its verdicts will rest on.

    Raises
    ------
    InputError
        If the scene cannot be checked as it is.
    """
    from ...core.errors import InputError
    from .. import scene as scenes

    if trouble := engines.problem():
        raise InputError(trouble, remedy="install the zip made for this Blender, see Copy Details in the panel")
    return Work(scenes.draft_of(scene)), results.footing(scene)


class ARMINGCAP_OT_check_fit(Operator):
    """Check every piece of the scene on its wearer. Esc stops and leaves the scene as it is"""

    bl_idname = "arming_cap.check_fit"
    bl_label = "Check Fit"
    bl_options = {"REGISTER", "UNDO"}

    _work: Work
    _timer: Timer | None = None
    _scene: int = 0
    _footing: dict[str, Any]

    @classmethod
    def poll(cls, context: Context) -> bool:
        if running is not None:
            cls.poll_message_set("The checks are running; Esc stops them")
            return False
        from .. import scene as scenes

        if trouble := scenes.missing(context.scene):
            cls.poll_message_set(str(trouble))
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        """Run to the end before returning: for scripts, tests and Blender without a window."""
        if not self._read(context.scene):
            return {"CANCELLED"}
        self._work.run()
        return self._finish(context)

    def invoke(self, context: Context, event: Event) -> set[str]:
        global running
        if bpy.app.background:
            return self.execute(context)
        if not self._read(context.scene):
            return {"CANCELLED"}
        running = self._work
        self._timer = context.window_manager.event_timer_add(STEP_S, window=context.window)
        context.window_manager.modal_handler_add(self)
        running.start()
        return {"RUNNING_MODAL"}

    def modal(self, context: Context, event: Event) -> set[str]:
        if (event.type == "ESC" and event.value == "PRESS") or running is not self._work:
            self._leave(context)
            self.report({"INFO"}, "Checks stopped, nothing has changed")
            return {"CANCELLED"}
        if event.type != "TIMER":
            return {"PASS_THROUGH"}
        if self._work.finished:
            self._leave(context)
            return self._finish(context)
        context.workspace.status_text_set(f"Checking fit: {self._work.fraction:.0%}, {self._work.text}   Esc: stop")
        results.redraw()
        return {"PASS_THROUGH"}

    def cancel(self, context: Context) -> None:
        """Leave when Blender ends the run, by opening another file for instance."""
        self._leave(context)

    def _read(self, scene: Scene) -> bool:
        from ...core.errors import InputError

        self._scene = scene.session_uid
        try:
            self._work, self._footing = begin(scene)
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
        """Write the verdicts onto the scene, or say why there are none."""
        from ...core.errors import InputError

        if isinstance(self._work.error, InputError):
            self.report({"ERROR"}, str(self._work.error))
            return {"CANCELLED"}
        if self._work.error is not None:
            traceback.print_exception(self._work.error)
            self.report({"ERROR"}, f"a fault of ours, the console holds its trace: {self._work.error!r}")
            return {"CANCELLED"}
        # An undo meanwhile may have replaced every object: the scene is looked up again.
        scene = next((one for one in bpy.data.scenes if one.session_uid == self._scene), None)
        if scene is None:
            self.report({"WARNING"}, "the scene that was checked is gone; its verdicts are dropped")
            return {"CANCELLED"}
        run = self._work.report
        results.keep(scene, results.document_of(run), self._footing, run)
        level = {"fail": "WARNING", "not checked": "WARNING"}.get(run.status.value, "INFO")
        self.report({level}, f"Checks done: {run.status.value}")
        return {"FINISHED"}


class ARMINGCAP_OT_stop(Operator):
    """Stop the checks and leave the scene as it is"""

    bl_idname = "arming_cap.stop"
    bl_label = "Stop"
    bl_options = {"INTERNAL"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if running is None:
            cls.poll_message_set("No checks are running")
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        global running
        if running is not None:
            running.stop()
            running = None  # the modal operator sees it at its next step and leaves
        return {"FINISHED"}


classes = (ARMINGCAP_OT_check_fit, ARMINGCAP_OT_stop)
