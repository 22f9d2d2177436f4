# SPDX-License-Identifier: GPL-3.0-or-later
"""The compiled packages the core stands on: are they there, and are they the ones it was tested with?

Inside Blender they arrive as the extension's wheels, in one folder that all extensions share. A wheel for another
Python is skipped without a word there, and another extension may bring another version. So they are imported here
first, once, and what is wrong is said in a sentence instead of a traceback in the middle of a check.
"""

from __future__ import annotations

import contextlib
import importlib
import platform
import sys
import types
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import metadata

from .errors import InputError

PYTHONS = ("3.11", "3.13", "3.14")
"""The Pythons the zip holds wheels for."""


@dataclass(frozen=True)
class Engine:
    """A package: the name it is imported by, the name it is installed by, the version tested."""

    module: str
    package: str
    expected: str


ENGINES = (
    Engine("igl", "libigl", "2.6.3"),
    Engine("manifold3d", "manifold3d", "3.5.4"),
    Engine("lib3mf", "lib3mf", "2.5.0"),
    Engine("trimesh", "trimesh", "5.2.0"),
)


@dataclass(frozen=True)
class Found:
    """What became of one package.

    Attributes
    ----------
    engine
        Which one.
    version
        The version that is installed; empty where none is.
    error
        Why it cannot be imported; empty where it can.
    """

    engine: Engine
    version: str
    error: str

    def __str__(self) -> str:
        wanted = f"{self.engine.package} {self.engine.expected}"
        if self.error:
            return f"{wanted} cannot be used ({self.error})"
        return wanted if self.version == self.engine.expected else f"{wanted} expected, {self.version} found"


@cache
def found() -> tuple[Found, ...]:
    """Import every package, in the order of `ENGINES`, and return what became of each."""
    return tuple(_try(engine) for engine in ENGINES)


def problem() -> str:
    """Return one line on the first package that cannot be imported, or an empty text."""
    broken = next((one for one in found() if one.error), None)
    if broken is None:
        return ""
    return f"{broken}; this is Python {platform.python_version()}, the extension holds wheels for {_either(PYTHONS)}"


def insist() -> None:
    """Import every package; raise `InputError` where one cannot be used."""
    if trouble := problem():
        raise InputError(trouble, remedy="install the zip made for this Blender, see Copy Details in the panel")


def known_problem() -> str:
    """Return what `problem` found if it has been looked for, else an empty text: cheap enough to draw."""
    return problem() if found.cache_info().currsize else ""


def versions() -> dict[str, str]:
    """Return the versions that a report's numbers rest on."""
    import numpy

    return {
        "python": platform.python_version(),
        "numpy": numpy.__version__,
        **{one.engine.package: one.version or "not found" for one in found()},
    }


def details() -> str:
    """Return everything a maintainer would ask for first, several lines, nothing of the user's own."""
    lines = [
        f"Python {platform.python_version()} on {platform.system()} {platform.machine()}"
        f" (wheels for {_either(PYTHONS)})",
        *(str(one) for one in found()),
    ]
    return "\n".join(lines)


def _either(names: tuple[str, ...]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _try(engine: Engine) -> Found:
    try:
        version = metadata.version(engine.package)
    except metadata.PackageNotFoundError:
        version = ""
    try:
        with _without_scipy() if engine.module == "igl" else contextlib.nullcontext():
            importlib.import_module(engine.module)
    except Exception as error:  # a compiled module may fail with anything while it loads
        return Found(engine, version, " ".join(f"{type(error).__name__}: {error}".split())[:200])
    return Found(engine, version, "")


@contextlib.contextmanager
def _without_scipy() -> Iterator[None]:
    """Let libigl load where scipy is not installed.

    libigl asks for `scipy.sparse` while it loads, to build an empty sparse matrix as the default value of a few
    functions that are not used here. scipy is larger than everything else in the zip together, so for the length of
    that import an empty class stands in; afterwards it is gone, and nobody else takes it for scipy.
    """
    try:
        import scipy.sparse  # noqa: F401  # type: ignore[import-untyped]
    except ImportError:
        pass
    else:
        yield
        return

    class Empty:
        def __init__(self, *arguments: object, **options: object) -> None:
            pass

    package, sparse = types.ModuleType("scipy"), types.ModuleType("scipy.sparse")
    vars(package)["sparse"] = sparse
    vars(sparse).update(csc_matrix=Empty, csr_matrix=Empty)
    sys.modules.update({"scipy": package, "scipy.sparse": sparse})
    try:
        yield
    finally:
        for name in ("scipy", "scipy.sparse"):
            sys.modules.pop(name, None)
