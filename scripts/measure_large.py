# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure what a piece of millions of triangles in many parts takes under every verb: time, memory, silence.

python scripts/measure_large.py [--triangles N] [--verbs section clearance ...] [--out FOLDER]

The piece is the demo's Heron helm, cut into 60 closed parts whose faces are then halved until there are so many. The
shape stays as it was, so the answers must be those of the helm itself. split is given the helm whole. Each verb is a
process of its own: its processor time, its peak of resident memory, and the longest time without a line of progress.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "addon")]

from arming_cap.core.formats import read_mesh, write_mesh  # noqa: E402
from arming_cap.core.mesh import TriangleMesh  # noqa: E402

HELM = ROOT / "demo_scenes" / "pieces" / "heron_helm.ply"
WEARER = ROOT / "demo_scenes" / "wearers" / "tovi_head.ply"
SCALE = 0.9  # the demo wearer's
LEVELS, WEDGES = 6, 10
VERBS = {
    "section": (["section"], ["--heights=-40:80:40"]),
    "clearance": (["clearance", "--wearer", str(WEARER), "--piece"], []),
    "size": (["size", "--wearer", str(WEARER), "--clearance", "0", "--walls", "--piece"], []),
    "don": (["don", "--wearer", str(WEARER), "--no-scale", "--no-mends", "--piece"], []),
    "sight": (["sight", "--wearer", str(WEARER), "--piece"], []),
    "ring": (["ring", "--plane", "0,0,1,20", "--out", "{out}", "--piece"], []),
    "split": (["split", "--volume", "180x180x180", "--out", "{out}"], []),
}
TOLD = {
    "section": lambda r: [p["inner_width_mm"] for p in r["planes"]],
    "clearance": lambda r: r["min_standoff_mm"],
    "size": lambda r: r["scale"],
    "don": lambda r: (r["passes"], r["pinch_mm"]),
    "sight": lambda r: r["open_fraction"],
    "ring": lambda r: [x.get("inner_width_mm") for x in r.get("rings", [])],
    "split": lambda r: len(r["parts"]),
}


def halved(mesh: TriangleMesh, least: int) -> TriangleMesh:
    """Return a mesh with its triangles halved at their longest sides' middles until there are at least so many.

    A side is halved in both its triangles at once, so that a closed mesh stays closed.
    """
    from manifold3d import Manifold, Mesh64

    solid = Manifold(Mesh64(np.array(mesh.vertices), mesh.triangles.astype(np.uint64)))
    solid = solid.refine(max(1, int(np.ceil(np.sqrt(least / len(mesh))))))
    out = solid.to_mesh64()
    return TriangleMesh(np.asarray(out.vert_properties)[:, :3], np.asarray(out.tri_verts), mesh.name)


def cut_up(mesh: TriangleMesh) -> list[TriangleMesh]:
    """Return a closed mesh in `LEVELS` x `WEDGES` closed parts; a part that is empty is left out."""
    from manifold3d import Manifold, Mesh64

    solid = Manifold(Mesh64(np.array(mesh.vertices), mesh.triangles.astype(np.uint64)))
    low, high = mesh.bounds[:, 2]
    layers = []
    for z in np.linspace(low, high, LEVELS + 1)[1:-1]:
        solid, below = solid.split_by_plane((0, 0, 1), float(z))
        layers.append(below)
    parts = []
    for layer in [*layers, solid]:
        for half, side in zip(layer.split_by_plane((0, 1, 0), 0.0), (1, -1)):
            rest = half
            for k in range(1, WEDGES // 2):
                turn = np.pi * k / (WEDGES // 2)
                one, rest = rest.split_by_plane((np.sin(turn) * side, -np.cos(turn) * side, 0.0), 0.0)
                parts.append(one)
            parts.append(rest)
    meshes = [p.to_mesh64() for p in parts if p.num_tri()]
    return [
        TriangleMesh(np.asarray(m.vert_properties)[:, :3], np.asarray(m.tri_verts), f"part{i}")
        for i, m in enumerate(meshes)
    ]


def written(folder: Path, triangles: int) -> tuple[list[str], str]:
    """Write the helm in parts and whole, with so many triangles each; return the files' paths."""
    helm = read_mesh(HELM).mesh.scaled(SCALE)
    if not triangles:
        write_mesh(folder / "whole.ply", helm)
        return [str(folder / "whole.ply")], str(folder / "whole.ply")
    parts = cut_up(helm)
    share = triangles / sum(len(p) for p in parts)
    paths = []
    for part in parts:
        write_mesh(folder / f"{part.name}.stl", halved(part, int(share * len(part))))
        paths.append(str(folder / f"{part.name}.stl"))
    write_mesh(folder / "whole.stl", halved(helm, triangles))
    return paths, str(folder / "whole.stl")


def run(verb: str, paths: list[str], whole: str, out: Path) -> tuple[str, list[str]]:
    """Run one verb; return a row of the table, and its warnings."""
    before, after = VERBS[verb]
    given = [whole] if verb == "split" else paths
    arguments = [a.format(out=out / verb) for a in before] + given + after + ["--json"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "addon"), "ARMING_CAP_CACHE": ""}
    start = last = time.monotonic()
    silence = 0.0
    with (out / f"{verb}.json").open("w+") as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "arming_cap.batch", *arguments], stdout=said, stderr=subprocess.PIPE, text=True,
            env=environment,
        )  # fmt: skip
        lines: list[str] = []

        def listen() -> None:
            nonlocal last, silence
            assert process.stderr is not None
            for line in process.stderr:
                now = time.monotonic()
                silence, last = max(silence, now - last), now
                lines.append(line)

        listener = threading.Thread(target=listen)
        listener.start()
        _, status, usage = os.wait4(process.pid, 0)
        listener.join()
        silence = max(silence, time.monotonic() - last)
        said.seek(0)
        text = said.read()
    code = os.waitstatus_to_exitcode(status)
    try:
        document = json.loads(text)
        told, warnings = str(TOLD[verb](document["result"])), document["warnings"]
    except (ValueError, KeyError, TypeError):
        told, warnings = (lines[-1].strip() if lines else text[:200]), []
    took = usage.ru_utime + usage.ru_stime
    row = f"| {verb} | {code} | {took:.0f} | {time.monotonic() - start:.0f} | {usage.ru_maxrss / 1e6:.2f} |"
    return f"{row} {silence:.0f} | {told} |", warnings


def main() -> int:
    """Print a row for each verb."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--triangles", type=int, default=2_000_000, help="0 for the helm as it is")
    parser.add_argument("--verbs", nargs="*", default=list(VERBS))
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    out = options.out or Path(tempfile.mkdtemp(prefix="large-"))
    pieces = out / str(options.triangles)
    pieces.mkdir(parents=True, exist_ok=True)
    paths, whole = written(pieces, options.triangles)
    count = sum(len(read_mesh(p).mesh) for p in paths)
    print(f"{count} triangles in {len(paths)} parts\n")
    print("| verb | exit status | processor s | wall s | peak GB | longest silence s | answer |")
    print("|---|---|---|---|---|---|---|")
    for verb in options.verbs:
        row, warnings = run(verb, paths, whole, out)
        print(row, flush=True)
        for warning in warnings:
            print(f"  {verb}: {warning}", file=sys.stderr, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
