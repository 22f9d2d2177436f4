# SPDX-License-Identifier: GPL-3.0-or-later
"""A .blend scene as a job, through the bpy module or the background Blender this runs in."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from .core.checks.job import Job
from .core.errors import InputError
from .core.files import read_input, sha256


def job_of_blend(path: Path, scale: float = 1.0) -> Job:
    """Open a .blend file and return its scene's job.

    Raises
    ------
    InputError
        If there is no Blender here, or the file or its scene cannot be checked.
    """
    content = read_input(path)
    try:
        import bpy
    except ImportError:
        raise InputError(
            "a .blend needs Blender, and this Python has no bpy module",
            source=str(path),
            remedy="run it through: blender --background --python scripts/batch_check.py -- check FILE.blend",
        ) from None
    from . import blender
    from .blender.scene import job_of_scene

    if not hasattr(bpy.types.Scene, "arming_cap"):
        blender.register()
    if Path(bpy.data.filepath or ".").resolve() != path.resolve():
        try:
            bpy.ops.wm.open_mainfile(filepath=str(path.resolve()), load_ui=False, use_scripts=False)
        except RuntimeError as error:
            reason = str(error).strip().splitlines()[-1] if str(error).strip() else "Blender refused it"
            raise InputError(f"cannot be opened ({reason})", source=str(path), remedy="save it again") from None
    job = job_of_scene(bpy.context.scene)
    known = [one.known.read.sources for one in job.fittings if one.known is not None]
    cards = [{"file": one.path.name, "sha256": one.sha256} for one in dict.fromkeys(s for some in known for s in some)]
    return dataclasses.replace(
        job,
        title=path.stem if job.title == "Scene" else job.title,
        fittings=tuple(dataclasses.replace(f, scale=f.scale * scale) for f in job.fittings),
        inputs=({"file": path.name, "sha256": sha256(content)}, *cards),
    )
