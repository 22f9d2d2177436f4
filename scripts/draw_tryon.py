# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw the README's pictures of try-on rings and of a paper template, from the demo's heron helm.

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

from arming_cap.core.job import read_job  # noqa: E402
from arming_cap.core.make.ring import RingOptions  # noqa: E402
from arming_cap.core.make.tryon import TryOn, try_on  # noqa: E402

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
    """Render the helm, its rings where they are worn, and the rings as they lie on the printer."""
    import bpy

    from demo import stage

    stage.fresh()
    bpy.context.scene.render.dither_intensity = 0  # noise does not compress
    turn = np.radians(32)
    about = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    for column, things in enumerate(([(*form, stage.SKIN), (*helm, SHELL)], [(*form, stage.SKIN)])):
        for vertices, triangles, colour in things:
            stage.put("thing", vertices @ about.T + [column * 340.0, 0, 0], triangles, colour)
    # Level rings: lying flat they only moved up or down.
    for number, ring in enumerate(made.rings):
        worn = ring.mesh.vertices + [0, 0, ring.plane.offset - 0.5 * np.ptp(ring.mesh.bounds[:, 2])]
        stage.put("worn", worn @ about.T + [340.0, 0, 0], ring.mesh.triangles, BAND)
        lying = ring.mesh.vertices - ring.mesh.bounds.mean(axis=0)
        back = np.diag([-1.0, -1.0, 1.0])  # the marks at the back are what there is to read
        stage.put("lying", 1.25 * lying @ back + [705.0, 0, 75.0 - 200.0 * number], ring.mesh.triangles, BAND)
    stage.look((350, -1500, 560), (350, 0, -20), 1030)
    stage.render(picture, (1200, 470))


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=ROOT / "demo_scenes" / "pictures", help="where to write")
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    fitting = read_job(ROOT / "demo_scenes" / "1_heron.toml").fittings[0]
    piece = fitting.piece.scaled(fitting.scale)
    with tempfile.TemporaryDirectory() as folder:
        made = try_on(piece, fitting.wearer, None, Path(folder), options=RingOptions(label="90 %"))
        last = made.templates["templates"][-1]["pages"][0]
        template_page(Path(folder) / made.templates["file"], last - 1, given.out / "template.png")
    form, helm = fitting.wearer.form.mesh, piece.mesh
    rings(made, (form.vertices, form.triangles), (helm.vertices, helm.triangles), given.out / "rings.png")
    for ring in made.rings:
        print(f"{ring.plane.name}: {ring.estimate} before {ring.whole}; {ring.plane.proves}")


if __name__ == "__main__":
    main()
