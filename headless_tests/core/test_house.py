# SPDX-License-Identifier: GPL-3.0-or-later
"""The two laws of the house: core knows no Blender, and inside core the arrows run one way."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

CORE = Path(__file__).resolve().parents[2] / "addon" / "arming_cap" / "core"
FILES = sorted(CORE.rglob("*.py"))
FLOORS = ["", "geometry", "wearer", "distance", "fit", "make", "report", "checks"]


def imports(path: Path) -> list[tuple[int, str]]:
    """Level and module of every import in a file, those inside functions too."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(0, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            found.append((node.level, node.module or ""))
            found += [(node.level, f"{node.module or ''}.{a.name}".strip(".")) for a in node.names if node.level]
    return found


@pytest.mark.parametrize("path", FILES, ids=[str(p.relative_to(CORE)) for p in FILES])
def test_core_imports_neither_blender_nor_scipy(path):
    if path.name == "engines.py":  # it stands an empty scipy in while libigl loads, and says why
        return
    for _, module in imports(path):
        assert module.split(".")[0] not in {"bpy", "bmesh", "mathutils", "gpu", "blf", "scipy", "rich"}, module


@pytest.mark.parametrize("path", FILES, ids=[str(p.relative_to(CORE)) for p in FILES])
def test_the_arrows_run_one_way(path):
    inside = path.relative_to(CORE).parts[:-1]
    room = inside[0] if inside else ""
    for level, module in imports(path):
        if level == 0:
            assert not module.startswith("arming_cap"), f"{module}: the extension's real name is not arming_cap"
            continue
        # Where the import lands: level 1 is this folder, each further level its parent.
        place = inside[: len(inside) - (level - 1)]
        assert level - 1 <= len(inside), f"{path.name} reaches out of core ({module})"
        first = place[0] if place else module.split(".")[0]
        target = first if first in FLOORS else ""
        assert FLOORS.index(target) <= FLOORS.index(room), f"{room or 'the ground floor'} imports {target}"


def test_importing_the_package_loads_nothing_heavy():
    code = "import sys, arming_cap; print([m for m in ('numpy', 'igl', 'trimesh', 'bpy', 'rich') if m in sys.modules])"
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=CORE.parent.parent
    )
    assert run.stdout.strip() == "[]"
