# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the demo production: scans, pieces and a .blend for each scene.

    python scripts/make_demo_scenes.py [--out FOLDER] [--meshes-only]

Meshes need numpy, scipy, manifold3d and libigl; scenes need the bpy module too.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "addon")]

from demo import pieces, wearers  # noqa: E402
from demo.referee import arrays  # noqa: E402

HOME = ROOT / "demo_scenes"
COLOURS = ((0.30, 0.36, 0.38), (0.45, 0.34, 0.22), (0.33, 0.37, 0.29))


def ply_bytes(vertices: np.ndarray, triangles: np.ndarray) -> bytes:
    """A mesh as binary PLY: shared vertices, about a third of the size of STL."""
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\nproperty float x\nproperty float y\n"
        f"property float z\nelement face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.zeros(len(triangles), np.dtype([("n", "u1"), ("corners", "<i4", 3)]))
    faces["n"], faces["corners"] = 3, triangles
    return head.encode("ascii") + (vertices.astype("<f4") + np.float32(0)).tobytes() + faces.tobytes()


def make_meshes(home: Path) -> None:
    """Write every scan and every part."""
    for folder, solids in (("wearers", wearers.wearers()), ("pieces", pieces.all_parts())):
        (home / folder).mkdir(parents=True, exist_ok=True)
        for name, solid in solids.items():
            (home / folder / f"{name}.ply").write_bytes(ply_bytes(*arrays(solid)))
    (home / "wearers" / "nessa_phone.ply").write_bytes(ply_bytes(*wearers.phone_scan()))


def make_scenes(home: Path) -> None:
    """Write a .blend beside every job whose wearers are scans."""
    import bpy

    from arming_cap.blender import properties
    from demo import stage

    scans, parts = wearers.wearers(), pieces.all_parts()
    for job_file in sorted(HOME.glob("[0-9]*.toml")):
        job = tomllib.loads(job_file.read_text(encoding="utf-8"))
        if "card" in job["wearer"][0]:
            continue  # a form from a card is made when it is asked for, and so is the seat on it
        stage.fresh()
        for group in properties.classes:
            if not group.is_registered:
                bpy.utils.register_class(group)
        properties.register()  # a fresh scene forgets what was hung on it
        scan = Path(job["wearer"][0]["form"]).stem
        form = arrays(scans[scan])
        person = stage.put(scan, *form, stage.SKIN)
        stage.give_role(person, "FORM")
        stage.give_allowances(person, job["wearer"][0]["allowance_mm"])
        bpy.context.scene.arming_cap.padding_gives_mm = job.get("limits", {}).get("padding_gives_mm", 0.0)
        for piece in job["piece"]:
            for number, part in enumerate(piece["part"]):
                name = Path(part["file"]).stem
                mesh, place = arrays(parts[name]), part.get("translation_mm", (0.0, 0.0, 0.0))
                thing = stage.put(name, *mesh, COLOURS[number % 3], place, piece.get("scale", 1.0))
                role = "REMOVABLE" if part.get("removable") else "PART"
                stage.give_role(thing, role, piece["name"], person)
        stage.frame([thing for thing in bpy.context.scene.objects if thing.arming_cap.role != "FORM"])
        bpy.context.scene.arming_cap.begins_with_tab = True
        bpy.ops.wm.save_as_mainfile(filepath=str(home / f"{job_file.stem}.blend"), compress=True)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HOME, help="where to write (default: demo_scenes)")
    parser.add_argument("--meshes-only", action="store_true", help="no .blend files")
    given = parser.parse_args()
    make_meshes(given.out)
    if not given.meshes_only:
        make_scenes(given.out)


if __name__ == "__main__":
    main()
