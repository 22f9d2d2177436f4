# SPDX-License-Identifier: GPL-3.0-or-later
"""Install the built zip into this Python's Blender, enable it and run one check: does what users get work?

    python scripts/try_extension.py dist/arming_cap-0.1.0-linux_x64.zip [--wheels-only]

Nothing of this repository is on the path, and the user folder is a temporary one. With --wheels-only the packages of
this Python's own environment are hidden too, so that the zip's wheels alone must do; Blender's numpy stays.
"""

from __future__ import annotations

import argparse
import importlib.abc
import importlib.machinery
import json
import os
import sys
import tempfile
import traceback
from pathlib import Path

HIDDEN = ("igl", "manifold3d", "lib3mf", "trimesh", "rich", "scipy")


class OnlyFrom(importlib.abc.MetaPathFinder):
    """Finds the packages the extension brings in its own folder, and nowhere else."""

    def __init__(self, folder: Path) -> None:
        self.folder = str(folder)

    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] not in HIDDEN or path is not None:
            return None
        here = [place for place in sys.path if place.startswith(self.folder)]
        spec = importlib.machinery.PathFinder.find_spec(name, here)
        if spec is None:
            raise ModuleNotFoundError(f"No module named '{name}' among the extension's wheels", name=name)
        return spec


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("zip", type=Path)
    parser.add_argument("--wheels-only", action="store_true", help="hide this environment's own packages")
    given = parser.parse_args()
    zip_file = given.zip.resolve(strict=True)
    with tempfile.TemporaryDirectory(prefix="arming-cap-try-") as home:
        os.environ["BLENDER_USER_RESOURCES"] = home
        os.environ["ARMING_CAP_CACHE"] = str(Path(home) / "cache")
        if given.wheels_only:
            sys.meta_path.insert(0, OnlyFrom(Path(home)))
        print(tried(zip_file))


def tried(zip_file: Path) -> str:
    """Install, enable, check a ball in a shell; return one line on it."""
    import bpy

    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.ops.preferences.addon_enable(module="bl_pkg")
    bpy.ops.extensions.package_install_files(filepath=str(zip_file), repo="user_default", enable_on_install=True)
    scene = bpy.context.scene
    if not hasattr(scene, "arming_cap"):
        raise SystemExit(f"{zip_file.name}: installed, but could not be enabled; the lines above say why")
    scene.arming_cap.unit = "MM"

    bpy.ops.mesh.primitive_uv_sphere_add(radius=90, segments=96, ring_count=48)
    bpy.context.object.name = "Ball"
    bpy.ops.arming_cap.set_role(role="FORM")
    bpy.context.object.arming_cap.allowance_mm = 5.0
    bpy.ops.mesh.primitive_cylinder_add(radius=100, depth=60, vertices=256, end_fill_type="NOTHING")
    bpy.context.object.name = "Band"
    thickness = bpy.context.object.modifiers.new("Wall", "SOLIDIFY")
    thickness.thickness, thickness.offset = 3.0, 1.0
    bpy.ops.arming_cap.set_role(role="PART")
    bpy.ops.arming_cap.check_fit()

    fit = json.loads(scene.arming_cap.results)["document"]["result"]["fits"][0]
    clearance = next(verdict for verdict in fit["verdicts"] if verdict["check"] == "clearance")
    regions = fit["regions"]["whole"]
    # A ball of 90 mm in a band of 100 mm inside: 10 mm at the waist, less what 256 flat sides cut off (0.0075 mm).
    if abs(regions["min_mm"] - 10.0) > 0.06 or clearance["verdict"] != "pass":
        raise SystemExit(f"the band stands off {regions['min_mm']} mm, not 10 mm: {clearance}")
    versions = json.loads(scene.arming_cap.results)["document"]["result"]["settings"]["versions"]
    return (
        f"Blender {bpy.app.version_string}, Python {versions['python']}: {zip_file.name} installed, enabled, "
        f"ball in band stands off {regions['min_mm']:.2f} mm, {len(fit['verdicts'])} verdicts"
    )


if __name__ == "__main__":
    status = 0
    try:
        main()
    except SystemExit as end:
        status = 0 if end.code is None else end.code if isinstance(end.code, int) else 1
        if isinstance(end.code, str):
            print(end.code, file=sys.stderr)
    except BaseException:
        traceback.print_exc()
        status = 1
    # The bpy module of 4.5 hangs on its way out once any operator class is registered.
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)
