# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawings and small charts as SVG text; a drawing's user unit is one millimetre."""

from __future__ import annotations

from html import escape

import numpy as np

from ..arrays import FloatArray
from .model import Drawing
from .words import figure, printable

# Colours apart in lightness as well as in hue, and a dash each, so that grey print and any eye tell them apart.
STYLES = {
    "inner": ("#1f4e79", "", 0.9),
    "outer": ("#8a8f98", "", 0.5),
    "form": ("#b35a1f", "3 1.5", 0.8),
    "open": ("#7a2048", "1 1.4", 0.9),
}
_FONT = 'font-family="Georgia, serif"'


def _text(x: float, y: float, words: str, size: float, anchor: str = "start") -> str:
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size:.2f}" text-anchor="{anchor}" fill="#22262b" {_FONT}>'
        f"{escape(printable(words))}</text>"
    )


def _bar_length(width: float) -> float:
    """Return the longest of 1, 2, 5 times a power of ten that takes at most a third of the width."""
    power = 10.0 ** np.floor(np.log10(width / 3))
    return float(max((step * power for step in (1, 2, 5) if step * power <= width / 3), default=power))


def drawing(figure_: Drawing) -> str:
    """Return a drawing as an SVG element, 1 user unit = 1 mm, the second axis upwards, with a scale bar."""
    clouds = [np.asarray(line.points, dtype=np.float64).reshape(-1, 2) for line in figure_.outlines]
    clouds += [np.array([place]) for _, place in figure_.marks]
    clouds += [np.array([start, end]) for _, start, end in figure_.dimensions]
    points: FloatArray = np.vstack([*clouds, np.empty((0, 2))])
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        points = np.array([[0.0, 0.0], [100.0, 100.0]])
    low, high = points.min(axis=0), points.max(axis=0)
    size = max(float(np.max(high - low)), 1.0)
    letter, pad = size / 28, size * 0.16
    left, top = low[0] - pad, -high[1] - pad
    width, height = high[0] - low[0] + 2 * pad, high[1] - low[1] + 2 * pad + 3 * letter
    rows = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:.2f} {top:.2f} {width:.2f} {height:.2f}" '
        f'width="{width:.2f}mm" height="{height:.2f}mm" role="img" aria-label="{escape(printable(figure_.title))}">'
    ]
    for line in figure_.outlines:
        tag = "polygon" if line.closed else "polyline"
        colour, dash, weight = STYLES.get(line.kind, STYLES["open"])
        dashes = " ".join(f"{float(d) * size / 250:.2f}" for d in dash.split())
        # A break in the numbers would spoil the whole line: leave out what is not finite.
        finite = [p for p in np.asarray(line.points, dtype=np.float64).reshape(-1, 2) if np.isfinite(p).all()]
        path = " ".join(f"{x:.2f},{-y + 0.0:.2f}" for x, y in finite)
        rows.append(
            f'<{tag} class="{escape(line.kind)}" points="{path}" fill="none" '
            f'stroke="{colour}" stroke-width="{weight * size / 250:.3f}"'
            + (f' stroke-dasharray="{dashes}"' if dash else "")
            + f"><title>{escape(printable(line.label or line.kind))}</title></{tag}>"
        )
    for label, (x0, y0), (x1, y1) in figure_.dimensions:
        rows.append(
            f'<line class="dimension" x1="{x0:.2f}" y1="{-y0:.2f}" x2="{x1:.2f}" y2="{-y1:.2f}" stroke="#22262b" '
            f'stroke-width="{size / 500:.3f}"/>'
        )
        rows.append(_text((x0 + x1) / 2, -(y0 + y1) / 2 - letter * 0.35, label, letter, "middle"))
    for label, (x, y) in figure_.marks:
        rows.append(
            f'<circle class="mark" cx="{x:.2f}" cy="{-y:.2f}" r="{size / 90:.2f}" fill="#fff" stroke="#7a2048" '
            f'stroke-width="{size / 250:.3f}"/>'
        )
        rows.append(_text(x + letter * 0.7, -y - letter * 0.5, label, letter))
    length, base = _bar_length(width), top + height - 1.6 * letter
    start = left + letter
    rows.append(
        f'<path class="scale" d="M{start:.2f} {base - letter / 3:.2f}v{letter / 3:.2f}h{length:.2f}v{-letter / 3:.2f}" '
        f'fill="none" stroke="#22262b" stroke-width="{size / 300:.3f}"/>'
    )
    rows.append(_text(start, base + letter * 1.2, f"{length:g} mm", letter))
    right, up = figure_.axes
    rows.append(_text(left + width - letter, base + letter * 1.2, f"right: {right} · up: {up}", letter, "end"))
    return "\n".join([*rows, "</svg>"])


def chart(series: list[tuple[float, float]], x_label: str, y_label: str, zero: bool = True) -> str:
    """Return a line chart of (x, y) pairs as an SVG element; `zero` draws the line y = 0 and keeps it in sight."""
    data = np.array(series, dtype=np.float64).reshape(-1, 2)
    data = data[np.isfinite(data).all(axis=1)]
    if not len(data):
        data = np.zeros((1, 2))
    (x0, y0), (x1, y1) = data.min(axis=0), data.max(axis=0)
    if zero:
        y0, y1 = min(y0, 0.0), max(y1, 0.0)
    x1, y1 = (x1 if x1 > x0 else x0 + 1.0), (y1 if y1 > y0 else y0 + 1.0)

    def place(x: float, y: float) -> tuple[float, float]:
        return 50 + 330 * (x - x0) / (x1 - x0), 150 - 135 * (y - y0) / (y1 - y0)

    path = " ".join("{:.2f},{:.2f}".format(*place(x, y)) for x, y in data)
    rows = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 400 190" width="400" height="190" role="img" '
        f'aria-label="{escape(printable(y_label))} against {escape(printable(x_label))}">',
        '<path d="M50 15V150H380" fill="none" stroke="#8a8f98"/>',
    ]
    if zero:
        level = place(x0, 0.0)[1]
        rows.append(f'<path class="zero" d="M50 {level:.2f}H380" stroke="#22262b" stroke-dasharray="4 3"/>')
        if y0 < 0 < y1:
            rows.append(_text(384, level + 4, "0", 11))
    rows.append(f'<polyline points="{path}" fill="none" stroke="#1f4e79" stroke-width="2"/>')
    rows += [_text(45, 154, figure(y0), 11, "end"), _text(45, 19, figure(y1), 11, "end")]
    rows += [_text(50, 166, figure(x0), 11), _text(380, 166, figure(x1), 11, "end")]
    rows += [_text(215, 182, x_label, 12, "middle"), _text(56, 12, y_label, 12)]
    return "\n".join([*rows, "</svg>"])
