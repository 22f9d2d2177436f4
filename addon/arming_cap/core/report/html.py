# SPDX-License-Identifier: GPL-3.0-or-later
"""A run as one HTML page: a maker's worksheet that reads without scripts, network or colour, and prints."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from html import escape as _escape
from typing import Any

import numpy as np

from ..verdict import Status, Verdict
from ..wearer.plain import plain
from . import svg
from .chart import chart
from .model import CARE, Chart, Drawing, FitReport, RunReport, cast_of
from .portrait import SPAN_MM, deciding
from .ramp import display_colours
from .sizes import foam, sentences
from .table import counted, span
from .words import figure, number, per_cent, place, pose_in_words, printable

# Verdicts differ by word and by shape; the colour only repeats it.
SHAPES = {Status.PASS: "●", Status.MARGINAL: "◐", Status.FAIL: "✕", Status.NOT_CHECKED: "○"}
SENTENCES = {
    Status.PASS: "Every check passes.",
    Status.MARGINAL: "At least one number lies within its own uncertainty of the limit.",
    Status.FAIL: "At least one check fails. Do not print yet.",
    Status.NOT_CHECKED: "At least one check could not be made. That is not a pass.",
}
# One hue for every margin; what falls short is hatched, so that it is seen without colour too.
HATCH = (
    '<svg class="defs" aria-hidden="true"><defs><pattern id="hatch" width="1.2" height="16" '
    'patternUnits="userSpaceOnUse"><path d="M.3 0V16" stroke="#1f4e79" stroke-width=".5"/></pattern></defs></svg>'
)
WORDS = (
    "<dl><dt>standoff</dt><dd>how far the piece is from the skin; negative inside it</dd><dt>allowance</dt><dd>the "
    "standoff that hair, liner and padding need there; negative where flesh gives</dd><dt>margin</dt><dd>standoff less "
    "allowance: what is to spare</dd><dt>seat</dt><dd>where the piece rests when it is worn</dd><dt>passage, pinch</dt>"
    "<dd>the way on and off, and its tightest place</dd><dt>±</dt><dd>how far the number may be off, in 9 of 10 cases"
    "</dd></dl>"
)
Cell = tuple[str, str]
"""What stands in a table's cell, as HTML, and its class."""
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
.measured .n,.measured th:not(:first-child,:last-child){text-align:right}
.measured .bar,.measured th:last-child{padding-left:1.2rem}
.v{white-space:nowrap;font-weight:700}.pass{color:#1f4e79}.marginal{color:#7a5200}.fail{color:#8a1c1c}
.not-checked{color:#4a4f57}
.overall{font-size:1.44rem;margin:.2rem 0}.tally span+span{margin-left:1.2rem}.tally .v{white-space:nowrap}
.care{border:1.5px solid var(--ink);padding:.8rem 1.2rem;margin:1.5rem 0}.care ul{margin:.3rem 0;padding-left:1.2rem}
.wide{overflow-x:auto;margin-top:1.6rem}.hash{font:.75rem/1.4 ui-monospace,monospace;word-break:break-all}
.figures{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(24rem,100%),1fr));
gap:1rem 2rem;margin-top:1.6rem}
figure{margin:0;max-width:40rem;break-inside:avoid}figcaption{font-size:.9rem;margin-bottom:.4rem}
figure svg{width:100%;height:auto;display:block}.bar{min-width:5rem;width:40%;vertical-align:middle}
.bar svg{width:100%;height:1rem;display:block}
.margin{fill:#1f4e79}.short{fill:url(#hatch);stroke:#1f4e79;stroke-width:1px;vector-effect:non-scaling-stroke}
.zero{stroke:#22262b;stroke-width:1.5px;vector-effect:non-scaling-stroke}.soft{color:var(--soft)}
.checks span span{margin:0}.checks>span{white-space:nowrap;margin-right:1rem}
.says{font-size:1.44rem;line-height:1.3;margin:.4rem 0 .6rem}
.portraits{display:grid;grid-template-columns:repeat(3,1fr);gap:.6rem;margin-top:.8rem;break-inside:avoid}
.portraits figcaption{color:var(--soft);margin:0}
.spot{fill:#fff;stroke:var(--ink);stroke-width:1.5}.letter{font:700 12px Georgia,serif;text-anchor:middle}
.spot.behind{stroke-dasharray:3 2.5;fill-opacity:.55}
.legend{display:flex;flex-wrap:wrap;align-items:center;gap:.2rem .6rem;font-size:.9rem}
.legend svg{width:12rem;height:.8rem}.letters{flex-basis:100%}
details{margin-top:1rem;border-top:1px solid var(--rule);padding-top:.4rem}summary{cursor:pointer;font-size:1.05rem}
dt{font-weight:700;margin-top:.4rem}dd{margin:0}
.defs{position:absolute;width:0;height:0}
a{color:inherit}
@media(max-width:40rem){body{padding:1.2rem .9rem}h1{font-size:1.728rem}table{font-size:.83rem}
th,td{padding-right:.5rem}.told thead{display:none}
.told tr{display:block;border-bottom:1px solid var(--ink);padding:.4rem 0}
.told th,.told td{display:grid;grid-template-columns:7.5rem 1fr;border:0;padding:.1rem 0}
.told [data-head]:before{content:attr(data-head);color:var(--soft);font-weight:400}}
@media(max-width:30rem){.portraits{grid-template-columns:1fr 1fr}}
@media print{details::details-content{content-visibility:visible;block-size:auto;overflow:visible}
body{padding:0;max-width:none;background:#fff;font-size:10pt}tr,.care{break-inside:avoid}
h2,h3,section>p,caption{break-after:avoid}
.figures{grid-template-columns:1fr 1fr}.wide{overflow:visible}thead{display:table-header-group}}
@page{margin:16mm}
"""


def escape(text: object) -> str:
    """Return any text safe to stand in an element or a quoted attribute."""
    return _escape(printable(str(text)))


def _mark(status: Status) -> str:
    name = status.value.replace(" ", "-")
    return f'<span class="v {name}"><span aria-hidden="true">{SHAPES[status]}</span> {status.value}</span>'


def _tally(fits: Iterable[FitReport]) -> str:
    """Return how many verdicts there are of each status: a fail must not hide what was not checked."""
    counts = counted(fits).items()
    return (
        '<span class="tally">' + " ".join(f"<span>{n} {_mark(status)}</span>" for status, n in counts if n) + "</span>"
    )


def _table(caption: str, heads: list[str], rows: list[list[Cell]], kind: str = "") -> str:
    """Return a table; its first column heads the rows. Of kind ``told`` it stacks its cells on a narrow screen."""
    head = "".join(f'<th scope="col">{escape(h)}</th>' for h in heads)
    body = "\n".join("<tr>" + "".join(map(_cell, heads, row, range(len(row)))) + "</tr>" for row in rows)
    return (
        f'<div class="wide {kind}"><table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>\n'
        f"<tbody>\n{body}\n</tbody></table></div>"
    )


def _cell(head: str, cell: Cell, column: int) -> str:
    content, kind = cell
    if column == 0:
        return f'<th scope="row">{content}</th>'
    return f'<td class="{kind}" data-head="{escape(head)}"><span>{content}</span></td>'


def _matrix(run: RunReport) -> str:
    wearers = list(dict.fromkeys(fit.wearer for fit in run.fits))
    pieces = list(dict.fromkeys(fit.piece for fit in run.fits))
    told: dict[tuple[str, str], list[str]] = {}
    for i, fit in enumerate(run.fits):
        counts = ", ".join(f"{n} {s.value}".replace(" ", "\u00a0") for s, n in counted([fit]).items() if n)
        told.setdefault((fit.piece, fit.wearer), []).append(
            f'<a href="#fit-{i}">{_mark(fit.status)}</a> at <span class="n">{figure(100 * fit.scale)} %</span>'
            f'<br><span class="soft">{counts}</span>'
        )
    # The longer list runs down the page, so that a cast of twelve still prints on one sheet.
    wide = len(wearers) <= len(pieces)
    down, across = (pieces, wearers) if wide else (wearers, pieces)
    rows = []
    for row in down:
        found = [told.get((row, one) if wide else (one, row), ["–"]) for one in across]
        rows.append([(escape(row), ""), *(("<br>".join(lines), "") for lines in found)])
    heads = ["Piece" if wide else "Wearer", *across]
    return _table("Worst verdict of each piece on each wearer, at the scale checked", heads, rows, "told")


def _verdict(verdict: Verdict) -> list[Cell]:
    where = escape(place(verdict.limited_by))
    if verdict.limited_by.at is not None:
        where += ' <span class="n">(' + ", ".join(figure(v) for v in verdict.limited_by.at) + ") mm</span>"
    return [
        (escape(verdict.check), ""),
        (escape(number(verdict)), "n"),
        (escape(verdict.requirement) or "–", ""),
        (_mark(verdict.status), ""),
        ("<br>".join(part for part in (where, escape(verdict.why)) if part) or "–", ""),
        (escape(verdict.mend) or "–", ""),
    ]


def _bar(margin: float, low: float, high: float) -> str:
    """Return one bar of the margin chart: from zero, zero marked, on a scale shared by the fit's regions."""
    # Room at both ends, so that the zero line and the thinnest bar stay in sight.
    zero, end = (2 + 96 * (v - low) / (high - low) for v in (0.0, margin))
    bar = ""
    if math.isfinite(margin):
        look = "margin" if margin >= 0 else "short"
        bar = (
            f'<rect class="{look}" x="{min(zero, end):.2f}" y="2" width="{max(abs(end - zero), 0.5):.2f}" height="12"/>'
        )
    return (
        f'<svg viewBox="0 0 100 16" preserveAspectRatio="none" aria-hidden="true">{bar}'
        f'<path class="zero" d="M{zero:.2f} 0V16"/></svg>'
    )


def _regions(fit: FitReport) -> str:
    keys = [("min_mm", "Least"), ("p5_mm", "5th pct."), ("mean_mm", "Mean"), ("allowance_mm", "Allow\u00adance")]
    margins = [r.get("margin_mm", math.nan) for r in fit.regions.values()]
    finite = [m for m in margins if math.isfinite(m)]
    low, high = min([0.0, *finite]), max([0.0, *finite])
    high = high if high > low else low + 1.0
    rows: list[list[Cell]] = []
    for (name, figures), margin in zip(fit.regions.items(), margins):
        cells = [(escape(plain(name)), "")]
        cells += [(figure(figures.get(key, math.nan)), "n") for key, _ in keys]
        rows.append([*cells, (figure(margin), "n"), (_bar(margin, low, high), "bar")])
    heads = ["Region", *(label for _, label in keys), "Margin", "Margin from the zero line, hatched where short"]
    return _table("Standoff and margin by region, mm", heads, rows, "measured")


def _size(fit: FitReport) -> str:
    """Return what a sizing says: sentences, then the padding plan."""
    if fit.size is None:
        return ""
    lines = "".join(f"<li>{escape(line)}</li>" for line in sentences(fit.size))
    rows: list[list[Cell]] = [[(escape(where), ""), (escape(sheets), "")] for where, sheets in foam(fit.size)]
    table = _table("Padding at the smallest scale, where a gap takes it", ["Region", "Foam"], rows) if rows else ""
    return f"<h3>Size</h3><ul>{lines}</ul>{table}"


def _cast(run: RunReport) -> str:
    """Return who can wear what at which scale, and the one scale that serves most wearers."""
    rows = []
    for row in cast_of(run.fits):
        said = []
        for name, held in row.scales.items():
            if held is None:
                said.append(f"{escape(name)}: no scale")
                continue
            said.append(f'{escape(name)}: <span class="n">{span(*held)}</span>')
        serves = "–"
        if row.serves is not None:
            whom = "all" if len(row.served) == len(row.scales) else ", ".join(row.served)
            serves = f'<span class="n">{per_cent(row.serves)}</span>: {escape(whom)}'
        rows.append([(escape(row.piece), ""), ("<br>".join(said), ""), (serves, "")])
    if not rows:
        return ""
    heads = ["Piece", "Scales that fit each wearer, %", "One scale that serves most"]
    return _table("Who can wear what, at which scale", heads, rows, "told")


def _figures(drawings: Sequence[Drawing], charts: Sequence[Chart]) -> str:
    drawn = [(d.title, svg.drawing(d) if d.outlines else "<p>Nothing is cut here.</p>") for d in drawings]
    drawn += [(c.title, chart(c)) for c in charts]
    if not drawn:
        return ""
    shown = "\n".join(f"<figure><figcaption>{escape(title)}</figcaption>{image}</figure>" for title, image in drawn)
    return f'<div class="figures">{shown}</div>'


def _portraits(fit: FitReport) -> str:
    """Return the piece on its wearer from three sides, with a legend of the colours and of the marks."""
    if not fit.portraits:
        return ""
    shown = []
    for one in fit.portraits:
        w, h = one.size
        over = "".join(
            f'<circle class="spot{" behind" if label in one.behind else ""}" cx="{x:.1f}" cy="{y:.1f}" r="9"/>'
            f'<text class="letter" x="{x:.1f}" y="{y + 4:.1f}">{escape(label)}</text>'
            for label, (x, y) in one.marks
        )
        shown.append(
            f'<figure><svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" role="img" '
            f'aria-label="{escape(fit.piece)} on {escape(fit.wearer)}, {one.title}"><image href="{one.image}" '
            f'width="{w}" height="{h}"/>{over}</svg><figcaption>{escape(one.title)}</figcaption></figure>'
        )
    return f'<div class="portraits">{"".join(shown)}</div>{_legend(fit)}'


def _legend(fit: FitReport) -> str:
    """Return what the colours and the letters of the portraits mean."""
    values = np.linspace(-SPAN_MM, SPAN_MM, 81)
    stops = (255 * display_colours(values, SPAN_MM, edge=True)).round().astype(int)
    bar = "".join(
        f'<rect x="{i}" width="1.2" height="6" fill="rgb({r},{g},{b})"/>' for i, (r, g, b) in enumerate(stops)
    )
    words = {"A": "least room where it is worn", "B": "tightest place on the way on"}
    told = [f"<b>{letter}</b> {words[letter]}: {escape(place(where))}" for letter, where in deciding(fit.verdicts)]
    if any(one.behind for one in fit.portraits):
        told.append("a dashed ring: on the far side")
    return (
        f'<p class="legend"><span>{SPAN_MM:g} mm too little</span><svg viewBox="0 0 81 6" preserveAspectRatio="none" '
        f'role="img" aria-label="Colours of the room left over the allowance, its zero in the middle">{bar}'
        f'<path class="zero" d="M40.5 0V6"/></svg><span>{SPAN_MM:g} mm to spare</span>'
        f'<span class="letters">{"; ".join(told)}</span></p>'
    )


def _list(heading: str, lines: tuple[str, ...]) -> str:
    if not lines:
        return ""
    return f"<h3>{heading}</h3><ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"


def _folded(title: str, *parts: str) -> str:
    """Return parts of the page that open on demand; nothing where there is nothing in them."""
    inside = "\n".join(part for part in parts if part)
    return f"<details><summary>{escape(title)}</summary>{inside}</details>" if inside else ""


def _fit(index: int, fit: FitReport) -> str:
    checks = _table(
        "Checks",
        ["Check", "Number", "Requirement", "Verdict", "What limits it", "What would mend it"],
        [_verdict(v) for v in fit.verdicts],
        "told",
    )
    seat = ""
    if {"translation_mm", "rotation_deg"} <= fit.seat.keys():
        seat = pose_in_words("fixed", fit.seat)
    says = f'<p class="says">{escape(fit.advice.says)}</p>' if fit.advice is not None else ""
    marks = " ".join(f"<span>{escape(v.check)} {_mark(v.status)}</span>" for v in fit.verdicts)
    return "\n".join(
        [
            f'<section id="fit-{index}"><h2>{escape(fit.piece)} on {escape(fit.wearer)}</h2>',
            says,
            f'<p class="checks">{_mark(fit.status)} at {per_cent(fit.scale, 2)}: {marks}</p>',
            _portraits(fit),
            _list("Warnings", fit.warnings),
            _folded("Every check, its number and what would mend it", checks if fit.verdicts else "")
            or "<p>No check was made.</p>",
            _folded("Room by region", f"<p>{escape(seat)}</p>" if seat else "", _regions(fit) if fit.regions else ""),
            _folded("Size and padding", _size(fit)),
            _folded("The way on, and cuts at the levels that decide", _figures(fit.drawings, fit.charts)),
            "</section>",
        ]
    )


def _flat(settings: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in settings.items():
        if isinstance(value, Mapping):
            rows += _flat(value, f"{before}{key} · ")
        else:
            rows.append((f"{before}{key}", _listed(value)))
    return rows


def _listed(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)


def _rests_on(run: RunReport) -> list[str]:
    settings = [[(escape(k), ""), (escape(v), "")] for k, v in _flat(run.settings)]
    inputs = [[(escape(i["file"]), ""), (escape(i["sha256"]), "hash")] for i in run.inputs]
    tables = [_table("Limits, tolerances and versions", ["Setting", "Value"], settings)] if settings else []
    return [*tables, _table("Files read", ["File", "SHA-256"], inputs)] if inputs else tables


def _lines(run: RunReport) -> str:
    """Return the first line of every fit, with a link to it."""
    rows = []
    for i, fit in enumerate(run.fits):
        at = "–" if fit.advice is None or fit.advice.scale is None else f"{per_cent(fit.advice.scale)}"
        says = "" if fit.advice is None else fit.advice.says
        name = f'<a href="#fit-{i}">{escape(fit.piece)} on {escape(fit.wearer)}</a>'
        rows.append([(name, ""), (at, "n"), (_mark(fit.status), ""), (escape(says), "")])
    return _table("What to print", ["Piece", "Print at", "As checked", "What to see to"], rows, "told")


def dumps(run: RunReport) -> str:
    """Return the whole page as text; the same run gives the same bytes."""
    counts = counted(run.fits)
    said = " ".join(SENTENCES[s] for s in (Status.FAIL, Status.NOT_CHECKED, Status.MARGINAL) if counts[s])
    care = "".join(f"<li>{escape(line)}</li>" for line in CARE)
    aside = f'<aside class="care" aria-label="Care"><strong>Before anyone wears it</strong><ul>{care}</ul></aside>'
    one = len(run.fits) == 1
    parts = [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{escape(run.title)}</title><style>{STYLE}</style></head><body>",
        f'<header><h1>{escape(run.title)}</h1><p class="overall">{_mark(run.status)}</p>',
        "" if one else f"<p>{_tally(run.fits)}</p><p>{said or SENTENCES[run.status]}</p>",
        "</header>",
        HATCH,
        "<main>",
        "" if one else _lines(run),
        "" if run.fits else "<p>Nothing was checked.</p>",
        *(_fit(index, fit) for index, fit in enumerate(run.fits)),
        aside,
        _list("Warnings", run.warnings),
        _folded("Who can wear what, and the words", _matrix(run) if not one and run.fits else "", _cast(run), WORDS),
        "<section><h2>What the numbers rest on</h2>",
        _folded("Limits, tolerances, versions and files", *_rests_on(run)),
        "</section></main></body></html>\n",
    ]
    return "\n".join(part for part in parts if part)
