# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work beside the window: a process of its own, a thread that listens to it, and the operator that waits for both.

A process, and not a thread alone, because native calls hold Python's lock for seconds, and the window with it; and
because it can be ended at once. It stays for the next task, so that what it has loaded and computed is at hand. Where
no Python can be started the thread does the work.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bpy
from bpy.types import Context, Event, Timer

from .. import worker
from ..core import engines
from ..core.errors import Cancelled, InputError
from ..core.progress import Progress
from . import results
from .language import tr, tr_error
from .words import sentence

STEP_S = 0.25
"""How often the window looks how far the work is."""
BOUNDS = "pinch between"
"""Whatever says this tells how far a search is sure of its answer."""
PACKAGE = __package__.rpartition(".")[0]
MESSAGES = 12
"""So many of the last messages are kept."""

said: list[tuple[str, str]] = []
"""The messages of the last runs, oldest first: level and text."""


class Beside:
    """The process beside the window, started when it is first needed."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def possible(self) -> bool:
        """Whether there is a Python to start: inside Blender it is Blender's own."""
        return Path(sys.executable or "").name.lower().startswith("python")

    def run(self, task: Callable[[Any], Any], line: worker.Line) -> Any:
        """Have a task done and return its result; raises what it raised. Called from a thread."""
        process = self._ready()
        try:
            pickle.dump(task, process.stdin, pickle.HIGHEST_PROTOCOL)
            process.stdin.flush()
            while True:
                kind, *content = pickle.load(process.stdout)
                if kind == "done":
                    return content[0]
                if kind == "failed":
                    error, trace = content
                    if not isinstance(error, (InputError, Cancelled)):
                        error.add_note(trace)
                    raise error
                line.tell(*content) if kind == "told" else line(*content)
        except (EOFError, BrokenPipeError, pickle.UnpicklingError) as error:
            self.stop()
            raise InputError(
                "the process beside Blender has ended before its work: most likely memory ran out",
                remedy="save, close what else is open, or make the meshes smaller",
            ) from error

    def _ready(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            no_window = getattr(subprocess, "CREATE_NO_WINDOW", 0)
            here = {key: value for key, value in os.environ.items() if key not in ("PYTHONHOME", "PYTHONPATH")}
            self._process = subprocess.Popen(
                [sys.executable, "-s", worker.__file__],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env=here,
                creationflags=no_window,
            )
            pickle.dump((PACKAGE, list(sys.path)), self._process.stdin)
            self._process.stdin.flush()
        return self._process

    def stop(self) -> None:
        """End the process at once."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                try:
                    stream.close()
                except OSError:  # what was still to be sent to it
                    pass


_beside = Beside()


class Work:
    """One task beside the window.

    Parameters
    ----------
    task
        Takes a progress callback and returns the result. It works on arrays and numbers that were copied out of the
        scene before.
    text
        What is said until the task says something itself.
    apart
        Whether a process does it. The task is then a function of `errands` with arguments that can be pickled; else a
        thread does it, and its native calls may hold the window up.
    """

    def __init__(self, task: Callable[[Progress], Any], text: str = "Reading the scene", apart: bool = True) -> None:
        self.task = task
        self.fraction = 0.0
        self.text = text
        self.bounds = ""
        self.finished_so_far: Any = None
        self.result: Any = None
        self.error: BaseException | None = None
        self._apart = apart and _beside.possible
        self._stop = threading.Event()
        self._thread = threading.Thread(
            target=self._beside if self._apart else self.run, name="arming-cap", daemon=True
        )

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
        """End it; its result is dropped. A process ends at once, a thread at its next step."""
        self._stop.set()
        if self._apart and self._thread.is_alive():
            _beside.stop()

    def run(self) -> None:
        """Do the work here and now."""
        self._carried_out(self.task)

    def _beside(self) -> None:
        self._carried_out(lambda progress: _beside.run(self.task, progress))

    def _carried_out(self, task: Callable[[Any], Any]) -> None:
        try:
            engines.insist()  # loads them, which takes a second: not while the window waits
            self.result = task(self)
        except BaseException as error:  # carried over to the main thread, which says it to the user
            self.error = Cancelled() if self._stop.is_set() else error

    def __call__(self, fraction: float, text: str) -> None:
        """Take note of the progress."""
        if self._stop.is_set():
            raise Cancelled
        self.fraction, self.text = fraction, text
        if BOUNDS in text:
            self.bounds = text

    def tell(self, finished: Any) -> None:
        """Take note of what is finished so far."""
        self.finished_so_far = finished

    @property
    def stopped(self) -> str:
        """What is to be said of it when it was stopped: the bounds that a search had come to are kept."""
        kept = self.finished_so_far is not None
        said = tr("stopped, what was finished is kept") if kept else tr("stopped, nothing has changed")
        return tr("{said}; so far, {bounds}", said=said, bounds=self.bounds) if self.bounds else said


running: Work | None = None
"""The work in progress, which the panel shows; at most one."""


_last: Work | None = None
_status_in: set[str] = set()


def stop() -> None:
    """Stop what is running; the operator that waits for it sees it at its next step and leaves."""
    global running
    if running is not None:
        running.stop()
        running = None


def shut_down() -> None:
    """Leave nothing behind: no process, no thread that goes on, no text in a status bar."""
    stop()
    _beside.stop()
    _clear_status()
    said.clear()


def _say_status(context: Context, text: str) -> None:
    context.workspace.status_text_set(text)
    _status_in.add(context.workspace.name)


def _clear_status() -> None:
    """Clear every status bar that was written to: the user may be in another workspace by now."""
    for name in _status_in:
        if (workspace := bpy.data.workspaces.get(name)) is not None:
            workspace.status_text_set(None)
    _status_in.clear()


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
        self.say("ERROR", tr_error(error))
        return {"CANCELLED"}

    @classmethod
    def idle(cls) -> bool:
        """For `poll`: whether nothing else is running."""
        if running is not None:
            cls.poll_message_set(tr("Something is running already; Esc stops it"))
            return False
        if _last is not None and not _last.finished:
            cls.poll_message_set(tr("What was stopped is still on its way out; a moment"))
            return False
        return True

    def say(self, level: str, text: str) -> None:
        """Report to the user, and keep it for the tab: of several reports Blender shows the last alone."""
        text = sentence(tr(text))
        self.report({level}, text)
        said.append((level, text))
        del said[:-MESSAGES]

    def stopped(self, context: Context, finished: Any) -> set[str]:
        """Write what was finished onto the scene when the run was stopped; by default nothing."""
        return {"CANCELLED"}

    def execute(self, context: Context) -> set[str]:
        """Run to the end before returning: for scripts, tests and Blender without a window."""
        if not self._read(context):
            return {"CANCELLED"}
        self._work.run()
        return self._finish(context)

    def invoke(self, context: Context, event: Event) -> set[str]:
        """Run beside the window."""
        global running, _last
        if bpy.app.background:
            return self.execute(context)
        if not self._read(context):
            return {"CANCELLED"}
        running = _last = self._work
        self._timer = context.window_manager.event_timer_add(STEP_S, window=context.window)
        context.window_manager.modal_handler_add(self)
        running.start()
        return {"RUNNING_MODAL"}

    def modal(self, context: Context, event: Event) -> set[str]:
        """Wait for the end, or for Esc."""
        if (event.type == "ESC" and event.value == "PRESS") or running is not self._work:
            finished = None if self._work.result is not None else self._work.finished_so_far
            self._leave(context)
            self.say("INFO", tr("{doing}: {stopped}", doing=tr(self.doing), stopped=self._work.stopped))
            return {"CANCELLED"} if finished is None else self.stopped(context, finished)
        if event.type != "TIMER":
            return {"PASS_THROUGH"}
        if self._work.finished:
            self._leave(context)
            return self._finish(context)
        done = f"{tr(self.doing)}: {self._work.fraction:.0%}, {tr(self._work.text)}"
        _say_status(context, f"{done}   {tr('Esc: stop')}")
        results.redraw()
        return {"PASS_THROUGH"}

    def cancel(self, context: Context) -> None:
        """Leave when Blender ends the run, by opening another file for instance."""
        self._leave(context)

    def _read(self, context: Context) -> bool:
        try:
            self._work = self.begin(context)
        except InputError as error:
            self.say("ERROR", tr_error(error))
            return False
        return True

    def _leave(self, context: Context) -> None:
        global running
        if running is self._work:
            running = None
        self._work.stop()
        if self._timer is not None:
            context.window_manager.event_timer_remove(self._timer)
            self._timer = None
        _clear_status()
        results.redraw()

    def _finish(self, context: Context) -> set[str]:
        error = self._work.error
        if isinstance(error, InputError):
            return self.refused(context, error)
        if error is not None:
            traceback.print_exception(error)
            self.say("ERROR", tr("a fault of ours, the console holds its trace: {error!r}", error=error))
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
