# SPDX-License-Identifier: GPL-3.0-or-later
"""Make every picture of README.md, of demo_scenes/README.md and of the guide from the program as it is.

    python scripts/draw_pictures.py [--out FOLDER] [NAME ...]

NAME is of `ROADS`; without one, all are made. Needs the bpy module and pymupdf. Pages of HTML need Chromium
(``chromium`` on the path, or ARMING_CAP_BROWSER names it); the panel needs a windowed Blender (``blender-gui`` on the
path, or ARMING_CAP_GUI names it). Where one is missing, its pictures stay as they are and the exit status is 1.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from PIL import Image, ImageChops, ImageOps

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "scripts"), str(ROOT / "addon")]

from arming_cap import batch  # noqa: E402
from arming_cap.core.checks.job import read_job  # noqa: E402
from arming_cap.core.make.rings.ring import RingOptions  # noqa: E402
from arming_cap.core.make.rings.tryon import TryOn, try_on  # noqa: E402

DEMO = ROOT / "demo_scenes"
# What each scene's pictures are called by, and how far its wearer is turned to the left, in degrees.
SCENES = {
    "1_heron": ("", 32.0),
    "2_sluice": ("_sluice", 32.0),
    "3_limpet": ("_limpet", 32.0),
    "4_reed": ("_reed", -60.0),
    "5_pike": ("_pike", 32.0),
}
SHELL, BAND = (0.30, 0.36, 0.38), (0.72, 0.47, 0.16)
COLOURS = (SHELL, (0.45, 0.34, 0.22), (0.33, 0.37, 0.29))
PAGE_DPI = 80
EDGE = 24
"""Pixels of ground left round what is drawn."""


class NotHere(Exception):
    """A program that a picture needs is not on this machine."""


def program(variable: str, name: str) -> str:
    """Return a program that an environment variable names, or that is on the path."""
    command = os.environ.get(variable) or shutil.which(name)
    if command is None:
        raise NotHere(f"put {name} on the path, or name it in {variable}")
    return command


def keep(picture: Path, box: tuple[int, int, int, int] | None = None) -> None:
    """Cut a picture to a box, or else to what is drawn in it, and keep it small."""
    with Image.open(picture) as image:
        shown = image.convert("RGB")
    if box is None:
        ground = shown.getpixel((0, 0))
        other = ImageChops.difference(shown, Image.new("RGB", shown.size, ground)).convert("L")
        drawn = other.point(lambda level: 255 if level > 8 else 0).getbbox()
        shown = ImageOps.expand(shown.crop(drawn), EDGE, ground)
    else:
        shown = shown.crop(box)
    shown.save(picture, optimize=True)


def turned(degrees: float) -> np.ndarray:
    """Return the matrix (3, 3) that turns rows of points about Z, to the left where it is positive."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def cast(out: Path) -> None:
    """Render every performer in their piece, side by side."""
    from demo import stage

    stage.fresh()
    at = 0.0
    for scene, (_, degrees) in SCENES.items():
        fitting = read_job(DEMO / f"{scene}.toml").fittings[0]
        form, parts = fitting.wearer.form.mesh, fitting.piece.scaled(fitting.scale).parts
        wide = np.ptp((form.vertices @ turned(degrees))[:, 0])
        along = [at + 0.5 * wide - (form.vertices @ turned(degrees))[:, 0].mean(), 0, 0]
        stage.put("form", form.vertices @ turned(degrees) + along, form.triangles, stage.SKIN)
        for index, part in enumerate(parts):
            stage.put("part", part.mesh.vertices @ turned(degrees) + along, part.mesh.triangles, COLOURS[index % 3])
        at += wide + 20
    stage.look((0.5 * at, -2000, 260), (0.5 * at, 0, -20), at + 100)
    stage.render(out / "cast.png", (1800, 600))
    keep(out / "cast.png")


def template_page(pdf: Path, page: int, picture: Path) -> None:
    """Write one page of a PDF as a picture, with a line round it: paper is white, and so are pages that show it."""
    import pymupdf

    with pymupdf.open(pdf) as document:
        shown = document[page]
        shown.draw_rect(shown.rect, color=(0.6, 0.6, 0.6), width=2)
        shown.get_pixmap(dpi=PAGE_DPI, colorspace=pymupdf.csGRAY).save(picture)


def rings(made: TryOn, form: tuple, helm: tuple, degrees: float, picture: Path) -> None:
    """Render the piece, its rings where they are worn, and the rings as they lie on the printer."""
    from demo import stage

    stage.fresh()
    about = turned(degrees)
    both = np.concatenate([form[0], helm[0]])
    middle = 0.5 * (both.min(axis=0) + both.max(axis=0))
    size = 1.2 * max(280.0 / 1.2, np.ptp(both @ about, axis=0)[0])
    for column, things in enumerate(([(*form, stage.SKIN), (*helm, SHELL)], [(*form, stage.SKIN)])):
        for vertices, triangles, colour in things:
            stage.put("thing", (vertices - middle) @ about + [column * size, 0, 0], triangles, colour)
    rows = len(made.rings)
    apart = min(1.15 * max(float(np.ptp(ring.mesh.bounds[:, 1])) for ring in made.rings), 400.0 / rows)
    for number, ring in enumerate(made.rings):
        worn = ring.worn.apply(ring.mesh.vertices)
        stage.put("worn", (worn - middle) @ about + [size, 0, 0], ring.mesh.triangles, BAND)
        lying = ring.mesh.vertices - ring.mesh.bounds.mean(axis=0)
        back = np.diag([-1.0, -1.0, 1.0])  # the marks at the back are what there is to read
        up = apart * (0.5 * (rows - 1) - number)
        stage.put("lying", 1.25 * lying @ back + [2.0 * size, 0, up], ring.mesh.triangles, BAND)
    stage.look((1.03 * size, -1500, 560), (1.03 * size, 0, 0), 3.05 * size)
    stage.render(picture, (1400, 700))
    keep(picture)


def tryon(out: Path) -> None:
    """Render the rings of each scene's first fitting, and show a page of their template."""
    for scene, (ending, degrees) in SCENES.items():
        fitting = read_job(DEMO / f"{scene}.toml").fittings[0]
        piece = fitting.piece.scaled(fitting.scale)
        label = f"{100 * fitting.scale:.0f} %"
        with tempfile.TemporaryDirectory() as folder:
            made = try_on(piece, fitting.wearer, None, Path(folder), options=RingOptions(label=label))
            last = made.templates["templates"][-1]["pages"][0]
            template_page(Path(folder) / made.templates["file"], last - 1, out / f"template{ending}.png")
        form, worn = fitting.wearer.form.mesh, piece.mesh
        picture = out / f"rings{ending}.png"
        rings(made, (form.vertices, form.triangles), (worn.vertices, worn.triangles), degrees, picture)


def web_page(page: Path, picture: Path, box: tuple[int, int, int, int]) -> None:
    """Show a box of an HTML page: left, top, right, bottom in pixels."""
    command = [program("ARMING_CAP_BROWSER", "chromium"), "--headless", "--no-sandbox", "--hide-scrollbars"]
    command += [f"--window-size={box[2]},{box[3]}", f"--screenshot={picture}", page.as_uri()]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    keep(picture, box)


def report(out: Path) -> None:
    """Show the head of the heron helm's report."""
    program("ARMING_CAP_BROWSER", "chromium")  # tell that it is missing before a minute of checks
    with tempfile.TemporaryDirectory() as folder:
        batch.main(["check", str(DEMO / "1_heron.toml"), "--out", folder])
        web_page(Path(folder) / "report.html", out / "report.png", (0, 0, 880, 1010))


def sheet(out: Path) -> None:
    """Show the exploded views of the heron helm's build sheet, for a printer of 180 mm."""
    program("ARMING_CAP_BROWSER", "chromium")
    helm = str(DEMO / "pieces" / "heron_helm.ply")
    with tempfile.TemporaryDirectory() as folder:
        batch.main(["split", helm, "--volume", "180x180x180", "--scale", "0.9", "--out", folder])
        web_page(Path(folder) / "heron-helm-build-sheet.html", out / "build_sheet.png", (0, 490, 1020, 1000))


def window(out: Path) -> None:
    """Show the tab with the sluice helm's verdicts and with the pike helm's split, in a real window."""
    program("ARMING_CAP_GUI", "blender-gui")
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pytest", "-q", "-m", "gui", "headless_tests/gui", "-k", "for_the_readme"]
        subprocess.run(command, cwd=ROOT, check=True, env=os.environ | {"ARMING_CAP_PICTURES": folder})
        for picture in ("panel", "split"):
            (shot,) = Path(folder).glob(f"for_the_readme/*_{picture}.png")
            shutil.copy(shot, out / f"{picture}.png")
            keep(out / f"{picture}.png", (312, 60, 1312, 1190))


def guide(_: Path) -> None:
    """Draw the measuring guide where the extension carries it."""
    subprocess.run([sys.executable, str(ROOT / "scripts" / "draw_measures.py")], check=True)


ROADS = {road.__name__: road for road in (cast, tryon, report, sheet, window, guide)}


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(ROADS)} (default: all)")
    parser.add_argument("--out", type=Path, default=DEMO / "pictures", help="where to write")
    given = parser.parse_args()
    if unknown := set(given.names) - set(ROADS):
        parser.error(f"no pictures are called {', '.join(sorted(unknown))}")
    given.out.mkdir(parents=True, exist_ok=True)
    missing = 0
    for name in given.names or ROADS:
        try:
            ROADS[name](given.out)
        except NotHere as why:
            missing = 1
            print(f"{name} stays as it was: {why}", file=sys.stderr)
    return missing


if __name__ == "__main__":
    sys.exit(main())
