# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawings as SVG text; the user unit is one millimetre."""

from __future__ import annotations

from html import escape

import numpy as np

from ..arrays import FloatArray
from .labels import Labels, Spot, dense
from .model import Drawing, Outline
from .words import printable

INK, MARK = "#22262b", "#7a2048"
# Colours apart in lightness as well as in hue, and a dash each, so that grey print and any eye tell them apart.
STYLES = {
    "inner": ("#1f4e79", "", 0.9, "piece, inside"),
    "outer": ("#6b7079", "", 0.5, "piece, outside"),
    "form": ("#b35a1f", "3 1.5", 0.8, "wearer"),
    "open": (MARK, "1 1.4", 0.9, "piece, edge not closed"),
    "ghost": ("#8a8f98", "", 0.4, "piece, on the way"),
    "pinched": (MARK, "", 0.7, "piece, at the pinch"),
}


def text(spot: Spot, words: str, size: float) -> str:
    """Return a text element with a thin white edge, so that a line under it does not spoil it."""
    turn = f'transform="rotate(-90 {spot.x:.2f} {spot.y:.2f})" ' if spot.upwards else ""
    return (
        f'<text x="{spot.x:.2f}" y="{spot.y:.2f}" {turn}font-size="{size:.2f}" text-anchor="{spot.anchor}" '
        f'fill="{INK}" font-family="Georgia, serif" paint-order="stroke" stroke="#fff" stroke-opacity=".85" '
        f'stroke-width="{size / 5:.2f}" stroke-linejoin="round">{escape(printable(words))}</text>'
    )


def drawing(figure: Drawing) -> str:
    """Return a drawing as an SVG element, 1 user unit = 1 mm, the second axis upwards, with scale bar and key."""
    # SVG's y runs downwards. A break in the numbers would spoil a whole line: what is not finite is left out.
    lines = [(line, _down(line.points)) for line in figure.outlines]
    spans = [(label, _down([start, end])) for label, start, end in figure.dimensions]
    marks = [(label, _down([place])) for label, place in figure.marks]
    spans, marks = [s for s in spans if len(s[1]) == 2], [m for m in marks if len(m[1])]
    points = np.vstack([*(p for _, p in [*lines, *spans, *marks]), np.empty((0, 2))])
    if not len(points):
        points = np.array([[0.0, 0.0], [100.0, 100.0]])
    low, high = points.min(axis=0), points.max(axis=0)
    size = max(float(np.max(high - low)), 1.0)
    letter, pad = size / 28, size * 0.09
    # Wide enough for the lines of the foot, whatever is drawn.
    width = max(float(high[0] - low[0]) + 2 * pad, 28 * letter)
    left, top, foot = float(low[0] + high[0] - width) / 2, float(low[1]) - pad, float(high[1]) + pad
    labels = Labels(
        letter,
        np.vstack(
            [
                *(dense(p, line.closed, letter / 3) for line, p in lines),
                *(dense(p, False, letter / 3) for _, p in spans),
                *(p for _, p in marks),
                np.empty((0, 2)),
            ]
        ),
        (left, top, left + width, foot),
    )
    kinds = [kind for kind in STYLES if any(line.kind == kind for line, _ in lines)]
    height = foot - top + letter * (3.6 + 1.5 * ((len(kinds) + 1) // 2))
    rows = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:.2f} {top:.2f} {width:.2f} {height:.2f}" '
        f'width="{width:.2f}mm" height="{height:.2f}mm" role="img" aria-label="{escape(printable(figure.title))}">'
    ]
    rows += _walls(lines)
    for line, path in lines:
        tag = "polygon" if line.closed else "polyline"
        shown = " ".join(f"{x:.2f},{y:.2f}" for x, y in path)
        rows.append(
            f'<{tag} class="{escape(line.kind)}" points="{shown}" {_stroke(line.kind, size)}>'
            f"<title>{escape(printable(line.label or line.kind))}</title></{tag}>"
        )
    # A mark's label has to stay near its mark, a dimension's may slide along its line: marks choose first.
    pointed = [row for label, place in marks for row in _mark(label, place[0], labels, size)]
    for label, ends in spans:
        rows += _dimension(label, ends, labels, size)
    rows += pointed
    return "\n".join([*rows, *_foot(figure, kinds, Spot(left + letter / 2, foot), width, letter, size), "</svg>"])


def _down(points: FloatArray | list[tuple[float, float]]) -> FloatArray:
    found = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    # Adding zero turns a minus zero into a zero.
    return found[np.isfinite(found).all(axis=1)] * [1.0, -1.0] + 0.0


def _walls(lines: list[tuple[Outline, FloatArray]]) -> list[str]:
    """Return the cut material of each part, tinted: what lies within an odd number of its closed outlines."""
    parts: dict[str, str] = {}
    for line, path in lines:
        if line.closed and line.kind in ("inner", "outer") and len(path):
            ring = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in path) + "Z"
            parts[line.label] = parts.get(line.label, "") + ring
    return [f'<path class="wall" d="{d}" fill="#dfe4ea" fill-rule="evenodd"/>' for d in parts.values()]


def _stroke(kind: str, size: float) -> str:
    colour, dash, weight, _ = STYLES.get(kind, STYLES["open"])
    dashes = " ".join(f"{float(d) * size / 250:.2f}" for d in dash.split())
    look = f'fill="none" stroke="{colour}" stroke-width="{weight * size / 200:.3f}"'
    return f'{look} stroke-dasharray="{dashes}"' if dash else look


def _dimension(label: str, ends: FloatArray, labels: Labels, size: float) -> list[str]:
    """Return a dimension line with its arrowheads, which stand outside where there is no room between."""
    run = ends[1] - ends[0]
    length = float(np.linalg.norm(run))
    along = run / length if length > 0 else np.array([1.0, 0.0])
    head = size / 40
    inward = 1.0 if length > 3 * head else -1.0
    reach = ends if inward > 0 else ends + np.outer([-2.5 * head, 2.5 * head], along)
    across = np.array([-along[1], along[0]]) * head * 0.3
    arrows = ""
    for end, way in ((ends[0], along * inward), (ends[1], -along * inward)):
        base = end + way * head
        corners = (end, base + across, base - across)
        arrows += "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in corners) + "Z"
    letter = labels.letter
    spots = []
    for share in (0.5, 0.3, 0.7, 0.2, 0.8, 0.4, 0.6):
        x, y = ends[0] + share * run
        if abs(run[0]) >= abs(run[1]):
            spots += [Spot(x, y - 0.45 * letter, "middle"), Spot(x, y + 1.05 * letter, "middle")]
        else:
            spots += [Spot(x - 0.45 * letter, y, "middle", True), Spot(x + 1.05 * letter, y, "middle", True)]
    (x0, y0), (x1, y1) = reach
    return [
        f'<line class="dimension" x1="{x0:.2f}" y1="{y0:.2f}" x2="{x1:.2f}" y2="{y1:.2f}" stroke="{INK}" '
        f'stroke-width="{size / 500:.3f}"/><path class="arrows" d="{arrows}" fill="{INK}"/>',
        text(labels.place(label, spots), label, letter),
    ]


def _mark(label: str, place: FloatArray, labels: Labels, size: float) -> list[str]:
    """Return a ringed point with its label, and a thin line between the two where they are apart."""
    letter, ring = labels.letter, size / 90
    spots = []
    for far in (1.0, 2.2, 3.6, 5.2):
        for angle in np.radians([-35, 35, -145, 145, -80, 80]):
            x, y = place + far * letter * np.array([np.cos(angle), np.sin(angle)])
            anchor = "middle" if abs(np.cos(angle)) < 0.3 else "start" if np.cos(angle) > 0 else "end"
            spots.append(Spot(x, y + 0.3 * letter, anchor))
    spot = labels.place(label, spots)
    way = np.array([spot.x, spot.y - 0.3 * letter]) - place
    start, end = place + way / np.linalg.norm(way) * ring, place + way - way / np.linalg.norm(way) * letter * 0.25
    labels.avoid(dense(np.array([start, end]), False, letter / 3))
    return [
        f'<path class="leader" d="M{start[0]:.2f} {start[1]:.2f}L{end[0]:.2f} {end[1]:.2f}" stroke="{MARK}" '
        f'stroke-width="{size / 500:.3f}"/><circle class="mark" cx="{place[0]:.2f}" cy="{place[1]:.2f}" '
        f'r="{ring:.2f}" fill="#fff" stroke="{MARK}" stroke-width="{size / 250:.3f}"/>',
        text(spot, label, letter),
    ]


def bar_length(width: float) -> float:
    """Return the longest of 1, 2, 5 times a power of ten that takes at most a third of the width."""
    power = 10.0 ** np.floor(np.log10(width / 3))
    return float(max((step * power for step in (1, 2, 5) if step * power <= width / 3), default=power))


def _foot(figure: Drawing, kinds: list[str], corner: Spot, width: float, letter: float, size: float) -> list[str]:
    """Return what stands below a drawing: scale bar, what right and up mean, and the key to its lines."""
    length, x, y = bar_length(width), corner.x, corner.y + letter
    right, up = figure.axes
    rows = [
        f'<path class="scale" d="M{x:.2f} {y - letter / 3:.2f}v{letter / 3:.2f}h{length:.2f}v{-letter / 3:.2f}" '
        f'fill="none" stroke="{INK}" stroke-width="{size / 300:.3f}"/>',
        text(Spot(x + length + letter / 2, y), f"{length:g} mm", letter),
        text(Spot(x, y + 1.7 * letter), f"→ {right}, ↑ {up}", letter),
    ]
    for index, kind in enumerate(kinds):
        start, level = x + index % 2 * width / 2, y + letter * (3.3 + 1.5 * (index // 2))
        rows.append(
            f'<path class="key" d="M{start:.2f} {level - letter * 0.3:.2f}h{2.2 * letter:.2f}" {_stroke(kind, size)}/>'
        )
        rows.append(text(Spot(start + 2.7 * letter, level), STYLES[kind][3], letter))
    return rows
