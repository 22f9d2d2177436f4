# SPDX-License-Identifier: GPL-3.0-or-later
"""The build sheet of a split piece: what to print, how it goes together, what it takes. One HTML page that prints."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..files import write_text
from ..make.estimate import Estimate
from ..make.split.handover import Finished, safe_stem
from ..make.split.layout import SOUND_FLAT_MM2
from ..make.split.splitting import Split, write_split
from ..mesh import TriangleMesh
from ..progress import Progress, silent
from .html import STYLE, escape
from .model import CARE
from .shaded import TINTS, Camera, Picture, render
from .words import figure

APART = 0.45  # how far parts are drawn from each other, as a share of their distance from the middle
SHEET_STYLE = """
.parts{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(17rem,100%),1fr));gap:1.2rem 1.6rem}
.parts figure{border-top:1px solid var(--rule);padding-top:.5rem}
.views{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(20rem,100%),1fr));gap:1rem 1.6rem}
.big{font-size:1.44rem;margin:0}ol li{margin:.3rem 0}
"""


def hand_over(split: Split, out_dir: Path, progress: Progress = silent) -> dict[str, Any]:
    """Write every file of a split with its build sheet, and return what JSON shows of it."""
    page = dumps(split)
    shown = write_split(split, out_dir, progress)
    file = f"{safe_stem(split.piece.name)}-build-sheet.html"
    write_text(out_dir / file, page)
    return {**shown, "build_sheet": file}


def dumps(split: Split) -> str:
    """Return the page as text; the same split gives the same page."""
    parts = split.parts
    total = _sum([p.estimate for p in parts])
    plates = max(p.plate for p in parts) + 1
    name = escape(split.piece.name)
    volume = " × ".join(f"{v:g}" for v in split.options.volume_mm)
    counted = f"{len(parts)} part{'s' if len(parts) > 1 else ''} on {plates} plate{'s' if plates > 1 else ''}"
    care = "".join(f"<li>{escape(line)}</li>" for line in CARE)
    remarks = "".join(f"<li>{escape(r)}</li>" for r in [*split.piece.remarks, *split.remarks])
    body = [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Build sheet: {name}</title><style>{STYLE}{SHEET_STYLE}</style></head><body>",
        f'<header><h1>Build sheet: {name}</h1><p class="big">{counted}, about {total.grams:.0f} g, '
        f"{total.metres:.0f} m of filament, {_hours(total.minutes)}</p>",
        f"<p>For a printer of {volume} mm"
        + (f", {split.options.margin_mm:g} mm kept free round the edge" if split.options.margin_mm else "")
        + f". Weights and times are estimates from volume, wall and speed, not from a slicer: {_assumed(split)}.</p>"
        + (f"<p>{escape(split.notes)}</p>" if split.notes else "")
        + "</header>",
        f'<aside class="care" aria-label="Care"><strong>Before anyone wears it</strong><ul>{care}</ul></aside>',
        "<main>",
        _views(split),
        "<section><h2>The parts, as they are printed</h2>",
        '<div class="parts">' + "".join(_part(p, split) for p in parts) + "</div></section>",
        "<section><h2>The plates</h2>" + _plates(split) + "</section>",
    ]
    if len(parts) > 1:
        body += ["<section><h2>Gluing order</h2>", _order(split), "</section>"]
        body += ["<section><h2>Joints</h2>", _joints(split), "</section>"]
    if remarks:
        body.append(f"<section><h2>Remarks</h2><ul>{remarks}</ul></section>")
    return "\n".join([*body, "</main></body></html>\n"])


def _sum(estimates: Sequence[Estimate]) -> Estimate:
    return Estimate(
        sum(e.grams for e in estimates), sum(e.metres for e in estimates), sum(e.minutes for e in estimates)
    )


def _hours(minutes: float) -> str:
    return f"{minutes:.0f} minutes" if minutes < 100 else f"roughly {minutes / 60:.0f} hours"


def _assumed(split: Split) -> str:
    f = split.options.filament
    return (
        f"{f.density_g_cm3:g} g/cm³, {f.flow_mm3_s:g} mm³/s, {f.wall_mm:g} mm of solid wall and "
        f"{100 * f.infill:.0f} % infill behind it, no supports"
    )


def _tint(number: int) -> str:
    return TINTS[(number - 1) % len(TINTS)]


def _worn(part: Finished) -> TriangleMesh:
    return TriangleMesh(part.worn.apply(part.mesh.vertices / part.scale), part.mesh.triangles)


def _views(split: Split) -> str:
    worn = [_worn(p) for p in split.parts]
    box = np.array([m.bounds for m in worn])
    middle = 0.5 * (box[:, 0].min(axis=0) + box[:, 1].max(axis=0))
    tints = [_tint(p.number) for p in split.parts]
    shown = []
    if len(worn) > 1:
        apart = [TriangleMesh(m.vertices + APART * (m.bounds.mean(axis=0) - middle), m.triangles) for m in worn]
        for title, camera in (
            ("Exploded, from the front left", Camera.turned(35, 18)),
            ("Exploded, from the back right", Camera.turned(215, 18)),
        ):
            picture = render(apart, tints, camera, (560, 520))
            shown.append(
                _figure(title, picture, [(str(p.number), m.bounds.mean(axis=0)) for p, m in zip(split.parts, apart)])
            )
    shown.append(_figure("Together, from the front", render(worn, tints, Camera.turned(0, 0), (560, 520)), []))
    return f'<section><h2>The piece</h2><div class="views">{"".join(shown)}</div></section>'


def _figure(title: str, picture: Picture, labels: Sequence[tuple[str, FloatArray]], below: str = "") -> str:
    """Return a picture with numbers laid over it."""
    h, w, _ = picture.pixels.shape
    over = ""
    for words, at in labels:
        x, y = picture.place(at)
        over += (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="15" fill="#fff" stroke="#22262b" stroke-width="1.5"/>'
            f'<text x="{x:.1f}" y="{y + 6:.1f}" font-size="17" text-anchor="middle" fill="#22262b" '
            f'font-family="Georgia, serif">{escape(words)}</text>'
        )
    return (
        f'<figure><figcaption>{escape(title)}</figcaption><svg xmlns="http://www.w3.org/2000/svg" '
        f'viewBox="0 0 {w} {h}" role="img" aria-label="{escape(title)}"><image href="{picture.data_uri()}" '
        f'width="{w}" height="{h}"/>{over}</svg>{below}</figure>'
    )


def _part(part: Finished, split: Split) -> str:
    picture = render([part.mesh], [_tint(part.number)], Camera.turned(30, 25), (320, 300))
    size = " × ".join(figure(float(v)) for v in np.ptp(part.mesh.bounds, axis=0))
    mark = split.marks[part.number - 1]
    cut_in = "number and arrow cut in" if mark is not None else "no number cut in"
    several = f", {len(part.shells)} shells" if len(part.shells) > 1 else ""
    below = (
        f"<p>{escape(part.where)}{several}; {cut_in if len(split.parts) > 1 else 'whole'}<br>"
        f'<span class="n">{size} mm</span>, plate {part.plate + 1}<br>'
        f"about {part.estimate.grams:.0f} g, {part.estimate.metres:.1f} m, {_hours(part.estimate.minutes)}<br>"
        f'<span class="soft">{_footing(part)}, '
        f"{part.laid.overhang_mm2 / 100:.0f} cm² overhang</span></p>"
    )
    return _figure(f"Part {part.number} of {len(split.parts)}", picture, [], below)


def _footing(part: Finished) -> str:
    """Return in words what a part stands on."""
    flat = part.laid.flat_mm2
    if flat >= SOUND_FLAT_MM2:
        return f"{flat:.0f} mm² stand on the plate"
    stands = f"only {flat:.0f} mm² stand" if flat >= 1 else "only points stand"
    return f"{stands} on the plate: print it with a brim and supports"


def _plates(split: Split) -> str:
    width, depth, _ = split.options.volume_mm
    shown = []
    for plate, held in groupby(sorted(split.parts, key=lambda p: p.plate), key=lambda p: p.plate):
        boxes = ""
        for part in held:
            size = np.ptp(part.mesh.bounds, axis=0)
            x, y = part.at_mm[0] - size[0] / 2, depth - part.at_mm[1] - size[1] / 2
            boxes += (
                f'<rect x="{x:.2f}" y="{y:.2f}" width="{size[0]:.2f}" height="{size[1]:.2f}" '
                f'fill="{_tint(part.number)}" stroke="#22262b" stroke-width=".6"/><text x="{x + size[0] / 2:.2f}" '
                f'y="{y + size[1] / 2 + 4:.2f}" font-size="12" text-anchor="middle" '
                f'font-family="Georgia, serif">{part.number}</text>'
            )
        name = f"{safe_stem(split.piece.name)}-plate-{plate + 1}.3mf"
        shown.append(
            f'<figure><figcaption>Plate {plate + 1}: <span class="n">{escape(name)}</span></figcaption>'
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-1 -1 {width + 2:g} {depth + 2:g}" role="img" '
            f'aria-label="Plate {plate + 1} from above"><rect width="{width:g}" height="{depth:g}" fill="#fff" '
            f'stroke="#5b626b" stroke-width=".6"/>{boxes}</svg></figure>'
        )
    return f'<div class="parts">{"".join(shown)}</div>'


def gluing_steps(split: Split) -> list[tuple[list[int], list[int], int]]:
    """Return the order of gluing: each step joins two groups of parts, numbered from 1, along so many faces.

    The last cut is closed first: what a plane parted always goes together again along that plane.
    """
    depth = {
        plane: max(row for part in split.plain for row, (p, _) in enumerate(part.planes) if p == plane)
        for plane in dict.fromkeys(f.plane for f in split.faces)
    }
    group = {i: frozenset([i]) for i in range(len(split.parts))}
    steps: list[tuple[list[int], list[int], int]] = []
    for face in sorted(split.faces, key=lambda f: -depth[f.plane]):
        a, b = (group[i] for i in face.parts)
        if a == b:
            continue
        along = sum(
            1 for f in split.faces if (f.parts[0] in a and f.parts[1] in b) or (f.parts[0] in b and f.parts[1] in a)
        )
        steps.append((sorted(i + 1 for i in a), sorted(i + 1 for i in b), along))
        for i in a | b:
            group[i] = a | b
    return steps


def _order(split: Split) -> str:
    rows = []
    for left, right, faces in gluing_steps(split):
        along = "one face" if faces == 1 else f"{faces} faces"
        rows.append(f"<li>{_named(left)} to {_named(right)}, along {along}</li>")
    return (
        "<p>Try every joint dry first. What was cut last is closed first, so that each step is one plane.</p>"
        f"<ol>{''.join(rows)}</ol>"
    )


def _named(numbers: Sequence[int]) -> str:
    return f"part {numbers[0]}" if len(numbers) == 1 else "parts " + ", ".join(map(str, numbers)) + " together"


def _joints(split: Split) -> str:
    if not split.joints:
        return "<p>None were cut: the faces are plain.</p>"
    rows = []
    for (first, second), held in groupby(sorted(split.joints, key=lambda j: j.parts), key=lambda j: j.parts):
        for (kind, length, depth, wide), few in groupby(
            held, key=lambda j: (j.kind, round(j.pin_mm, 2), j.depth_mm, j.diameter_mm)
        ):
            where = f"{figure(wide, 2)} mm wide, {figure(depth)} mm deep on each side"
            each = f"{figure(length)} mm"
            if kind == "tongue":
                where = f"{figure(wide, 2)} mm wide, {figure(depth)} mm high on part {first + 1}"
                each = "–"
            elif kind == "magnet":
                each = f"{figure(depth)} mm, one on each side"
            rows.append(
                f'<tr><th scope="row">{first + 1} and {second + 1}</th><td>{_several(len(list(few)), kind)}</td>'
                f'<td class="n">{each}</td><td class="n">{where}</td></tr>'
            )
    return (
        f"<p>{_to_get_ready(split)}</p><div class='wide'><table><caption>Joints between parts</caption><thead><tr>"
        "<th>Parts</th><th>Joints</th><th>Length of each</th><th>Its holes, or the tongue</th></tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _several(count: int, kind: str) -> str:
    return f"{count} {escape(kind)}{'' if count == 1 else 's'}"


def _to_get_ready(split: Split) -> str:
    """Return in words what the joints need besides the parts."""
    lengths = Counter((j.kind, round(j.pin_mm, 2), round(j.diameter_mm, 2)) for j in split.joints)
    play = split.made_with.play_mm if split.made_with else 0.0
    words = []
    for (kind, length, wide), count in sorted(lengths.items()):
        own = f"{figure(wide - play, 2)} mm wide"
        if kind == "pin":
            words.append(f"Cut {_several(count, kind)} of {figure(length)} mm.")
        elif kind == "dowel":
            words.append(
                f"Print {_several(count, kind)} of {figure(length)} mm, {own}: their meshes lie beside this page."
            )
        elif kind == "magnet":
            thick = figure(next(j.depth_mm for j in split.joints if j.kind == kind))
            words.append(f"Have {_several(2 * count, kind)} ready, {own} and {thick} mm thick, and mind their poles.")
    return " ".join(words) or "The tongues are part of the parts."
