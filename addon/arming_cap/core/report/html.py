# SPDX-License-Identifier: GPL-3.0-or-later
"""A run as one HTML page: a maker's worksheet that reads without scripts, network or colour, and prints."""

from __future__ import annotations

import math
from collections.abc import Mapping
from html import escape as _escape
from typing import Any

from ..verdict import Status, Verdict
from . import svg
from .model import CARE, FitReport, RunReport
from .words import figure, number, printable

# Verdicts differ by word and by shape; the colour only repeats it.
SHAPES = {Status.PASS: "●", Status.MARGINAL: "◐", Status.FAIL: "✕", Status.NOT_CHECKED: "○"}
SENTENCES = {
    Status.PASS: "Every check passes.",
    Status.MARGINAL: "Nothing fails, but at least one number lies within its own uncertainty.",
    Status.FAIL: "At least one check fails. Do not print yet.",
    Status.NOT_CHECKED: "At least one check could not be made. That is not a pass.",
}
# Five stops of a blue to ochre ramp that falls in lightness with the margin; from below zero to ample.
RAMP = ("#7a3b00", "#c98a3c", "#9db4c8", "#4f81ad", "#1f4e79")
STYLE = """
:root{--ink:#22262b;--soft:#5b626b;--rule:#c9ccd1;--paper:#fdfcf9}
*{box-sizing:border-box}
body{margin:0 auto;max-width:62rem;padding:2.5rem 1.5rem 4rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 Georgia,"Times New Roman",serif}
h1{font-size:2.074rem;line-height:1.15;margin:0 0 .5rem;font-weight:400}
h2{font-size:1.44rem;margin:3rem 0 .5rem;font-weight:400;border-top:2px solid var(--ink);padding-top:.5rem}
h3{font-size:1.2rem;margin:1.8rem 0 .4rem;font-weight:400;font-style:italic}
table{border-collapse:collapse;width:100%;font-size:.9rem}
caption{text-align:left;color:var(--soft);padding-bottom:.3rem}
th,td{text-align:left;vertical-align:top;padding:.35rem .9rem .35rem 0;border-bottom:1px solid var(--rule)}
thead th{font-weight:400;color:var(--soft);border-bottom:1px solid var(--ink)}
td,th,li{overflow-wrap:break-word}
.n{font-variant-numeric:tabular-nums lining-nums;white-space:nowrap}
th.n,td.n.r{text-align:right}
.v{white-space:nowrap;font-weight:700}.pass{color:#1f4e79}.marginal{color:#7a5200}.fail{color:#8a1c1c}
.not-checked{color:#4a4f57}
.overall{font-size:1.44rem;margin:.2rem 0}
.care{border:1.5px solid var(--ink);padding:.8rem 1.2rem;margin:1.5rem 0}.care ul{margin:.3rem 0;padding-left:1.2rem}
.wide{overflow-x:auto}.hash{font:.75rem/1.4 ui-monospace,monospace;word-break:break-all}
figure{margin:1rem 0;break-inside:avoid}figcaption{color:var(--soft);font-size:.9rem}
figure svg{max-width:100%;height:auto}.bar{min-width:10rem;width:40%}.bar svg{width:100%;height:1rem;display:block}
a{color:inherit}
@media(max-width:40rem){body{padding:1.2rem .9rem}h1{font-size:1.728rem}table{font-size:.83rem}}
@media print{body{padding:0;max-width:none;background:#fff;font-size:10pt}tr,.care{break-inside:avoid}
h2,h3{break-after:avoid}
.wide{overflow:visible}thead{display:table-header-group}}
@page{margin:16mm}
"""


def escape(text: object) -> str:
    """Return any text safe to stand in an element or a quoted attribute."""
    return _escape(printable(str(text)))


def _mark(status: Status) -> str:
    name = status.value.replace(" ", "-")
    return f'<span class="v {name}"><span aria-hidden="true">{SHAPES[status]}</span> {status.value}</span>'


def _table(caption: str, heads: list[str], rows: list[list[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in heads)
    body = "\n".join("<tr>" + "".join(cells) + "</tr>" for cells in rows)
    return (
        f'<div class="wide"><table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>\n'
        f"<tbody>\n{body}\n</tbody></table></div>"
    )


def _td(content: str, kind: str = "") -> str:
    return f'<td class="{kind}">{content}</td>' if kind else f"<td>{content}</td>"


def _th(content: str) -> str:
    return f'<th scope="row">{content}</th>'


def _matrix(run: RunReport) -> str:
    wearers = list(dict.fromkeys(fit.wearer for fit in run.fits))
    pieces = list(dict.fromkeys(fit.piece for fit in run.fits))
    rows = []
    for piece in pieces:
        cells = [_th(escape(piece))]
        for wearer in wearers:
            found = [(i, f) for i, f in enumerate(run.fits) if (f.piece, f.wearer) == (piece, wearer)]
            cells.append(
                _td(
                    "<br>".join(
                        f'<a href="#fit-{i}">{_mark(f.status)}</a> <span class="n">{figure(100 * f.scale)} %</span>'
                        for i, f in found
                    )
                    or "–"
                )
            )
        rows.append(cells)
    return _table("Worst verdict of each piece on each wearer, at the scale checked", ["Piece", *wearers], rows)


def _verdict(verdict: Verdict) -> list[str]:
    place = escape(str(verdict.limited_by))
    if verdict.limited_by.at is not None:
        place += ' <span class="n">(' + ", ".join(figure(v) for v in verdict.limited_by.at) + ")</span>"
    return [
        _th(escape(verdict.check)),
        _td(escape(number(verdict)), "n"),
        _td(escape(verdict.requirement)),
        _td(_mark(verdict.status)),
        _td(" ".join(part for part in (place, escape(verdict.why)) if part) or "–"),
        _td(escape(verdict.mend) or "–"),
    ]


def _bar(margin: float, low: float, high: float) -> str:
    """Return one bar of the margin chart: from zero, zero marked, on a scale shared by the fit's regions."""
    if not math.isfinite(margin):
        return ""
    zero, end = (100 * (v - low) / (high - low) for v in (0.0, margin))
    step = min(4, 1 + int(margin / 4)) if margin >= 0 else 0
    return (
        '<svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect x="{min(zero, end):.2f}" y="1.5" width="{abs(end - zero):.2f}" height="7" fill="{RAMP[step]}"/>'
        f'<path d="M{zero:.2f} 0V10" stroke="#22262b" stroke-width="1" vector-effect="non-scaling-stroke"/></svg>'
    )


def _regions(fit: FitReport) -> str:
    keys = [("min_mm", "Least"), ("p5_mm", "5th pct."), ("mean_mm", "Mean"), ("allowance_mm", "Allowance")]
    margins = [r.get("margin_mm", math.nan) for r in fit.regions.values()]
    finite = [m for m in margins if math.isfinite(m)]
    low, high = min([0.0, *finite]), max([0.0, *finite])
    high = high if high > low else low + 1.0
    rows = []
    for (name, figures), margin in zip(fit.regions.items(), margins):
        cells = [_th(escape(name.replace("_", " ")))]
        cells += [_td(figure(figures.get(key, math.nan)), "n") for key, _ in keys]
        rows.append([*cells, _td(figure(margin), "n"), _td(_bar(margin, low, high), "bar")])
    heads = ["Region", *(label for _, label in keys), "Margin", "Margin from zero (upright line)"]
    return _table("Standoff and margin by region, mm", heads, rows)


def _list(heading: str, lines: tuple[str, ...]) -> str:
    if not lines:
        return ""
    return f"<h3>{heading}</h3><ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"


def _fit(index: int, fit: FitReport) -> str:
    seat = "; ".join(
        f"{label} ({', '.join(figure(v) for v in fit.seat[key])}) {unit}"
        for key, label, unit in (("translation_mm", "moved", "mm"), ("rotation_deg", "turned", "°"))
        if key in fit.seat
    )
    return "\n".join(
        [
            f'<section id="fit-{index}"><h2>{escape(fit.piece)} on {escape(fit.wearer)}</h2>',
            f'<p>{_mark(fit.status)} at <span class="n">{figure(100 * fit.scale, 2)} %</span>'
            + (f", seat {escape(seat)}" if seat else "")
            + "</p>",
            _table(
                "Checks",
                ["Check", "Number", "Requirement", "Verdict", "What limits it", "What would mend it"],
                [_verdict(v) for v in fit.verdicts],
            )
            if fit.verdicts
            else "<p>No check was made.</p>",
            _regions(fit) if fit.regions else "",
            *(f"<figure>{svg.drawing(d)}<figcaption>{escape(d.title)}</figcaption></figure>" for d in fit.drawings),
            _list("Warnings", fit.warnings),
            "</section>",
        ]
    )


def _flat(settings: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in settings.items():
        if isinstance(value, Mapping):
            rows += _flat(value, f"{before}{key} · ")
        else:
            rows.append((f"{before}{key}", str(value)))
    return rows


def dumps(run: RunReport) -> str:
    """Return the whole page as text; the same run gives the same bytes."""
    settings = [[_th(escape(k)), _td(escape(v), "n")] for k, v in _flat(run.settings)]
    inputs = [[_th(escape(i["file"])), _td(escape(i["sha256"]), "hash")] for i in run.inputs]
    care = "".join(f"<li>{escape(line)}</li>" for line in CARE)
    parts = [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(run.title)}</title><style>{STYLE}</style></head><body>",
        f"<header><h1>{escape(run.title)}</h1>",
        f'<p class="overall">{_mark(run.status)}</p><p>{SENTENCES[run.status]}</p></header>',
        f'<aside class="care" aria-label="Care"><strong>Before anyone wears it</strong><ul>{care}</ul></aside>',
        "<main>",
        _matrix(run) if run.fits else "<p>Nothing was checked.</p>",
        _list("Warnings", run.warnings),
        *(_fit(index, fit) for index, fit in enumerate(run.fits)),
        "<section><h2>What the numbers rest on</h2>",
        _table("Limits, tolerances and versions", ["Setting", "Value"], settings) if settings else "",
        _table("Files read", ["File", "SHA-256"], inputs) if inputs else "",
        "</section></main></body></html>\n",
    ]
    return "\n".join(part for part in parts if part)
