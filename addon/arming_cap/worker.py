# SPDX-License-Identifier: GPL-3.0-or-later
"""The far side of the window: a Python process of its own that is handed tasks and hands back results.

Blender starts ``python worker.py`` and speaks to it over its standard streams, one pickle after the other; see
`blender.work`. The first says under which name this package is known there and where modules are looked for, so that
both sides mean the same classes. Each further one is a task: a callable that takes a `Line`. The process ends with its
input, so it never outlives the window; to stop a task the window ends the process.

Nothing of Blender is imported here. A native call that takes a minute, or takes all memory, does so without the window.
"""

from __future__ import annotations

import importlib
import os
import pickle
import sys
import time
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

# Before numpy is imported: our systems of equations are so small that its threads cost more than they save.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

EVERY_S = 0.1
"""Progress is passed on no more often than that."""


class Line:
    """What a task reports to: called like any progress callback; `tell` hands over what is finished already."""

    def __init__(self, send: Callable[[tuple[Any, ...]], None]) -> None:
        self._send = send
        self._last = 0.0

    def __call__(self, fraction: float, text: str) -> None:
        """Pass on how far the task is."""
        now = time.monotonic()
        if now - self._last >= EVERY_S:
            self._last = now
            self._send(("progress", fraction, text))

    def tell(self, finished: Any) -> None:
        """Pass on what is finished so far."""
        self._send(("told", finished))


def stand_in(package: str, folder: Path) -> None:
    """Let this package be imported under the name it has in Blender, where other packages stand above it."""
    above = package.split(".")[:-1]
    for depth in range(1, len(above) + 1):
        name = ".".join(above[:depth])
        module = types.ModuleType(name)
        module.__path__ = [str(folder)]
        sys.modules[name] = module


def main() -> None:
    """Do task after task until the input ends."""
    source, sink = sys.stdin.buffer, _own_output()
    try:
        package, path = pickle.load(source)
        here = Path(__file__).resolve().parent
        sys.path[:] = [str(here.parent), *path] if "." not in package else path
        stand_in(package, here.parent)
        # The native packages are loaded as the window would load them; what is wrong with one was told there.
        importlib.import_module(f"{package}.core.engines").problem()
        while True:
            _serve(source, sink)
    except EOFError:
        return


def _own_output() -> BinaryIO:
    """Return the standard output for our own use; whatever a library prints goes to the error stream."""
    sys.stdout.flush()
    sink = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    return sink


def _serve(source: BinaryIO, sink: BinaryIO) -> None:
    def send(message: tuple[Any, ...]) -> None:
        pickle.dump(message, sink, pickle.HIGHEST_PROTOCOL)
        sink.flush()

    answer: tuple[Any, ...]
    try:
        task = pickle.load(source)
        answer = ("done", task(Line(send)))
    except EOFError:
        raise
    except BaseException as error:  # the window says it to the user
        import traceback

        answer = ("failed", error, traceback.format_exc())
    try:
        send(answer)
    except (pickle.PicklingError, TypeError, AttributeError) as error:
        send(("failed", RuntimeError(f"{answer[1]!r} cannot be handed over: {error}"), ""))


if __name__ == "__main__":
    main()
