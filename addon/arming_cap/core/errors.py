# SPDX-License-Identifier: GPL-3.0-or-later
"""The errors the core raises on purpose."""

from __future__ import annotations

from typing import Any


class InputError(Exception):
    """Something given to us cannot be used: what, in which file, and what to do about it.

    The message is one line, ready for a terminal or a Blender report.

    Parameters
    ----------
    what
        What is wrong, in plain words.
    source
        The file, object or argument it was found in; empty where there is none.
    remedy
        What the user can do.
    at
        Where in the source, mm, for a program that can show the place.
    """

    def __init__(
        self, what: str, *, source: str = "", remedy: str = "", at: tuple[float, float, float] | None = None
    ) -> None:
        self.what = what
        self.source = source
        self.remedy = remedy
        self.at = at
        head = f"{source}: {what}" if source else what
        line = f"{head}; {remedy}" if remedy else head
        # One line whatever a library's own message held.
        super().__init__(" ".join(line.split()))

    def __reduce__(self) -> tuple[Any, ...]:
        """Return how another process makes it anew, whatever the arguments of its class are."""
        return _made_anew, (type(self), self.args, self.__dict__)


def _made_anew(kind: type[InputError], args: tuple[str, ...], held: dict[str, Any]) -> InputError:
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(held)
    return error


class Cancelled(Exception):
    """The user stopped a running check; nothing has been changed or written."""


class OutOfTime(Exception):
    """A check used up the time it was given; what it had found out by then stands in its answer."""
