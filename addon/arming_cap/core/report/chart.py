# SPDX-License-Identifier: GPL-3.0-or-later
"""Small line charts as SVG text."""

from __future__ import annotations

from html import escape

import numpy as np

from ..arrays import FloatArray
from .labels import Spot
from .model import Chart
from .svg import INK, MARK, text
from .words import figure, printable

# Told apart by dash as well as by colour.
LOOKS = (("#1f4e79", ""), ("#b35a1f", "7 3"), ("#7a2048", "2 3"), ("#5b626b", "9 3 2 3"))
LEFT, RIGHT, TOP, BOTTOM, LETTER = 58.0, 424.0, 34.0, 230.0, 13.0


def ticks(low: float, high: float) -> list[float]:
    """Return round numbers within a span, three to seven of them: steps of 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(np.log10((high - low) / 6))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if (high - low) / (s * power) <= 6.0)
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    return [k * step for k in range(first, last + 1)]


def chart(what: Chart) -> str:
    """Return a line chart as an SVG element; `zero` draws the line y = 0 and keeps it in sight."""
    series = [(label, np.asarray(points, dtype=np.float64).reshape(-1, 2)) for label, points in what.series]
    series = [(label, points[np.isfinite(points).all(axis=1)]) for label, points in series]
    data = np.vstack([*(points for _, points in series), np.empty((0, 2))])
    if not len(data):
        data = np.zeros((1, 2))
    (x0, y0), (x1, y1) = data.min(axis=0), data.max(axis=0)
    if what.zero:
        y0, y1 = min(y0, 0.0), max(y1, 0.0)
    x1, y1 = (x1 if x1 > x0 else x0 + 1.0), (y1 if y1 > y0 else y0 + 1.0)
    origin, span = np.array([x0, y0]), np.array([x1 - x0, y1 - y0])

    def placed(points: FloatArray | list[float]) -> FloatArray:
        share = (np.asarray(points, dtype=np.float64).reshape(-1, 2) - origin) / span
        found: FloatArray = np.array([LEFT, BOTTOM]) + share * [RIGHT - LEFT, TOP - BOTTOM]
        return found

    height = BOTTOM + 52 + 20 * ((sum(bool(label) for label, _ in series) + 1) // 2)
    rows = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 440 {height:g}" width="440" height="{height:g}" '
        f'role="img" aria-label="{escape(printable(what.title))}">',
        f'<path class="axes" d="M{LEFT} {TOP}V{BOTTOM}H{RIGHT}" fill="none" stroke="#8a8f98"/>',
    ]
    for value in ticks(x0, x1):
        x = placed([value, y0])[0, 0]
        rows.append(f'<path d="M{x:.2f} {BOTTOM}v5" stroke="#8a8f98"/>')
        rows.append(text(Spot(x, BOTTOM + 19, "middle"), _short(value), LETTER))
    for value in ticks(y0, y1):
        y = placed([x0, value])[0, 1]
        rows.append(f'<path d="M{LEFT} {y:.2f}h-5" stroke="#8a8f98"/>')
        rows.append(text(Spot(LEFT - 9, y + 4, "end"), _short(value), LETTER))
    if what.zero:
        level = placed([x0, 0.0])[0, 1]
        rows.append(f'<path class="zero" d="M{LEFT} {level:.2f}H{RIGHT}" stroke="{INK}" stroke-width="1.2"/>')
    for index, (label, points) in enumerate(series):
        path, (colour, dash) = placed(points), LOOKS[index % len(LOOKS)]
        line = " ".join(f"{x:.2f},{y:.2f}" for x, y in path)
        look = f'fill="none" stroke="{colour}" stroke-width="2"' + (f' stroke-dasharray="{dash}"' if dash else "")
        rows.append(f'<polyline points="{line}" {look}/>')
        if len(path) == 1:  # a line of one point would not be seen
            rows.append(f'<circle cx="{path[0, 0]:.2f}" cy="{path[0, 1]:.2f}" r="3" fill="{colour}"/>')
        if label:
            x, y = LEFT + index % 2 * (RIGHT - LEFT) / 2, BOTTOM + 66 + 20 * (index // 2)
            rows += [f'<path class="key" d="M{x} {y - 4}h28" {look}/>', text(Spot(x + 34, y), label, LETTER)]
    for label, point in what.marks:
        x, y = placed(list(point))[0]
        # What is pointed out is a least as a rule: below it nothing is drawn.
        level = y + 22 if y + 30 < BOTTOM else y - 12
        spot = Spot(x, level, "start" if x < LEFT + 60 else "end" if x > RIGHT - 60 else "middle")
        rows.append(f'<circle class="mark" cx="{x:.2f}" cy="{y:.2f}" r="4" fill="#fff" stroke="{MARK}"/>')
        rows.append(text(spot, label, LETTER))
    rows.append(text(Spot((LEFT + RIGHT) / 2, BOTTOM + 42, "middle"), what.x_label, LETTER))
    rows.append(text(Spot(8, 18), what.y_label, LETTER))
    return "\n".join([*rows, "</svg>"])


def _short(value: float) -> str:
    """Return a tick's number with no more decimals than it needs."""
    return figure(value, next((n for n in range(9) if abs(value - round(value, n)) < 1e-9 * max(1, abs(value))), 9))
