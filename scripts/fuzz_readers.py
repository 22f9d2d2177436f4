# SPDX-License-Identifier: GPL-3.0-or-later
"""Feed broken files to every reader, led by coverage; whatever is no InputError is a fault.

python3.11 scripts/fuzz_readers.py FORMAT SECONDS [FOLDER]

FORMAT is stl, obj, ply, off, glb, 3mf, card or job; SECONDS are of processor time.

Needs atheris, which is no part of any environment here: pip install --target FOLDER atheris==3.0.0, with FOLDER on
PYTHONPATH. It has no wheel for Python 3.13. A crash is kept in FOLDER (a new one under the system's temporary folder
unless given) and ends the run.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path

import atheris

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "addon"), str(ROOT / "headless_tests")]

with atheris.instrument_imports(include=["arming_cap", "trimesh", "tomlkit"]):
    import shapes

    from arming_cap.core.checks.job import read_job
    from arming_cap.core.errors import InputError
    from arming_cap.core.formats import read_mesh, write_mesh
    from arming_cap.core.wearer.card import read_card

LARGEST = 20_000


def sound(ending: str) -> bytes:
    """Return a sound file to start from."""
    demo = ROOT / "demo_scenes"
    if ending == "card":
        return (demo / "wearers" / "bram_five_readings.toml").read_bytes()
    if ending == "job":
        return (demo / "1_heron.toml").read_bytes()
    box = shapes.box((90, 80, 70))
    if ending in ("off", "glb"):
        import trimesh

        data = trimesh.Trimesh(box.vertices, box.triangles, process=False).export(file_type=ending)
        return data.encode() if isinstance(data, str) else bytes(data)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"box.{ending}"
        write_mesh(path, box)
        return path.read_bytes()


def main() -> None:
    """Fuzz one reader for so many seconds."""
    ending, seconds = sys.argv[1], int(sys.argv[2])
    folder = Path(sys.argv[3] if len(sys.argv) > 3 else tempfile.mkdtemp(prefix="fuzz-"))
    corpus = folder / "corpus" / ending
    corpus.mkdir(parents=True, exist_ok=True)
    (corpus / "sound").write_bytes(sound(ending))
    place = folder / f"one.{ {'card': 'toml', 'job': 'toml'}.get(ending, ending) }"
    read = {"card": read_card, "job": read_job}.get(ending, read_mesh)

    start, runs = time.process_time(), 0

    def one(data: bytes) -> None:
        nonlocal runs
        if time.process_time() - start > seconds:  # libFuzzer itself counts by the wall's clock alone
            print(f"{ending}: {runs} files in {seconds} s of processor time, no fault", flush=True)
            os._exit(0)
        runs += 1
        place.write_bytes(data)
        try:
            read(place)
        except InputError as refusal:
            assert "\n" not in str(refusal), "more than one line"

    flags = [f"-max_len={LARGEST}", f"-artifact_prefix={folder}/", "-rss_limit_mb=3000"]
    atheris.Setup([sys.argv[0], *flags, str(corpus)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
