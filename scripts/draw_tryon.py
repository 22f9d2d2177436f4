# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw the README's pictures of try-on rings and of a paper template, for each of the demo's pieces.

    python scripts/draw_tryon.py [--out FOLDER]

Needs the bpy module, and pymupdf to turn a page of the PDF into a picture.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "addon")]

from arming_cap.core.checks.job import read_job  # noqa: E402
from arming_cap.core.make.rings.ring import RingOptions  # noqa: E402
from arming_cap.core.make.rings.tryon import TryOn, try_on  # noqa: E402

# What each scene's pictures are called by.
SCENES = {"1_heron": "", "2_sluice": "_sluice", "3_limpet": "_limpet", "4_reed": "_reed", "5_pike": "_pike"}
SHELL, BAND = (0.30, 0.36, 0.38), (0.72, 0.47, 0.16)
PAGE_DPI = 80


def template_page(pdf: Path, page: int, picture: Path) -> None:
    """Write one page of a PDF as a picture, with a line round it: paper is white, and so are pages that show it."""
    import pymupdf

    with pymupdf.open(pdf) as document:
        shown = document[page]
        shown.draw_rect(shown.rect, color=(0.6, 0.6, 0.6), width=2)
        shown.get_pixmap(dpi=PAGE_DPI, colorspace=pymupdf.csGRAY).save(picture)


def rings(made: TryOn, form: tuple, helm: tuple, picture: Path) -> None:
    """Render the piece, its rings where they are worn, and the rings as they lie on the printer."""
    import bpy

    from demo import stage

    stage.fresh()
    bpy.context.scene.render.dither_intensity = 0  # noise does not compress
    turn = np.radians(32)
    about = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    both = np.concatenate([form[0], helm[0]])
    low, high = both.min(axis=0), both.max(axis=0)
    middle, size = 0.5 * (low + high), 1.2 * max(280.0 / 1.2, *(high - low)[:2])
    for column, things in enumerate(([(*form, stage.SKIN), (*helm, SHELL)], [(*form, stage.SKIN)])):
        for vertices, triangles, colour in things:
            stage.put("thing", (vertices - middle) @ about.T + [column * size, 0, 0], triangles, colour)
    rows = len(made.rings)
    apart = min(1.15 * max(float(np.ptp(ring.mesh.bounds[:, 1])) for ring in made.rings), 400.0 / rows)
    for number, ring in enumerate(made.rings):
        worn = ring.worn.apply(ring.mesh.vertices)
        stage.put("worn", (worn - middle) @ about.T + [size, 0, 0], ring.mesh.triangles, BAND)
        lying = ring.mesh.vertices - ring.mesh.bounds.mean(axis=0)
        back = np.diag([-1.0, -1.0, 1.0])  # the marks at the back are what there is to read
        up = apart * (0.5 * (rows - 1) - number)
        stage.put("lying", 1.25 * lying @ back + [2.1 * size, 0, up], ring.mesh.triangles, BAND)
    stage.look((1.03 * size, -1500, 560), (1.03 * size, 0, 0), 3.05 * size)
    stage.render(picture, (1200, 470))


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=ROOT / "demo_scenes" / "pictures", help="where to write")
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    for scene, ending in SCENES.items():
        fitting = read_job(ROOT / "demo_scenes" / f"{scene}.toml").fittings[0]
        piece = fitting.piece.scaled(fitting.scale)
        label = f"{100 * fitting.scale:.0f} %"
        with tempfile.TemporaryDirectory() as folder:
            made = try_on(piece, fitting.wearer, None, Path(folder), options=RingOptions(label=label))
            last = made.templates["templates"][-1]["pages"][0]
            template_page(Path(folder) / made.templates["file"], last - 1, given.out / f"template{ending}.png")
        form, worn = fitting.wearer.form.mesh, piece.mesh
        rings(made, (form.vertices, form.triangles), (worn.vertices, worn.triangles), given.out / f"rings{ending}.png")
        print(fitting.piece.name)
        for ring in made.rings:
            print(f"    {ring.plane.name}: {ring.estimate} before {ring.whole}; {ring.plane.proves}")


if __name__ == "__main__":
    main()
