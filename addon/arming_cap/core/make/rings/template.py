# SPDX-License-Identifier: GPL-3.0-or-later
"""Paper templates: sections drawn 1:1 as a PDF, to be cut from card and tried on.

The first page proves the printer's scale: a bar of 100 mm and the outline of a bank card. Each section then follows on
as many pages as it needs, with an overlap and marks to lay them on each other.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...errors import InputError
from ...files import write_bytes
from ...geometry.section import Section, plane_axes
from ...progress import Progress, silent

# ISO 216 A4, and the Letter of ANSI/ASME Y14.1 (8.5 x 11 in).
PAGES_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
# ISO/IEC 7810 ID-1, the size of a bank card.
CARD_MM = (85.60, 53.98)
BAR_MM = 100.0
MARGIN_MM = 12.0
OVERLAP_MM = 10.0
# A PDF made twice from the same input must be the same file: it carries no clock.
NO_DATE = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
CUT, LIGHT = 0.35, 0.15  # line widths, mm


@dataclass(frozen=True, eq=False)
class Template:
    """One section to draw.

    Attributes
    ----------
    title
        What it is: piece, scale and level.
    section
        The piece's; its room is the line to cut along.
    form
        The wearer's section with the same plane, drawn dashed; None leaves it out.
    """

    title: str
    section: Section
    form: Section | None = None


def draw_templates(
    templates: Sequence[Template], path: Path | str, page: str = "A4", progress: Progress = silent
) -> dict[str, Any]:
    """Draw sections 1:1 into a PDF.

    Parameters
    ----------
    templates
        What to draw, in this order.
    path
        The PDF to write, whole or not at all.
    page
        ``A4`` or ``Letter``.

    Returns
    -------
    What JSON shows of it: ``file``, ``page``, and for each template its ``title`` and ``pages`` (numbers from 1).

    Raises
    ------
    InputError
        If the page size is not known, there is nothing to draw, or a section has no inside.
    """
    from fpdf import FPDF  # at first use: a tenth of a second

    if page not in PAGES_MM:
        raise InputError(f"'{page}' is not a page size", remedy=f"use one of {', '.join(PAGES_MM)}")
    if not templates:
        raise InputError("there is no section to draw", remedy="give at least one plane")
    pdf = FPDF(unit="mm", format=PAGES_MM[page])
    pdf.set_creation_date(NO_DATE)
    pdf.set_title("Paper templates")
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.set_font("Helvetica", size=10)
    _check_page(pdf, templates)
    shown = []
    for i, template in enumerate(templates):
        progress(i / len(templates), f"template {template.title}")
        before = pdf.pages_count
        _section_pages(pdf, template, PAGES_MM[page])
        shown.append({"title": template.title, "pages": list(range(before + 1, pdf.pages_count + 1))})
    write_bytes(Path(path), bytes(pdf.output()))
    progress(1.0, "templates")
    return {"file": Path(path).name, "page": page, "templates": shown}


def _latin(text: str) -> str:
    """Return the text as the PDF's built-in fonts can show it."""
    return text.encode("latin-1", "replace").decode("latin-1")


def _text(pdf: Any, x: float, y: float, text: str, size: float = 9.0) -> None:
    pdf.set_font_size(size)
    pdf.text(x, y, _latin(text))


def _check_page(pdf: Any, templates: Sequence[Template]) -> None:
    pdf.add_page()
    x, y = MARGIN_MM + 5, MARGIN_MM + 10
    _text(pdf, x, y, "Paper templates, 1:1", 16)
    _text(pdf, x, y + 9, "Print at 100 %, without fitting to the page. Then measure before cutting:", 10)
    pdf.set_line_width(CUT)
    bar = y + 22
    pdf.line(x, bar, x + BAR_MM, bar)
    for tick in range(11):
        pdf.line(x + 10 * tick, bar - (4 if tick % 5 == 0 else 2), x + 10 * tick, bar)
    _text(pdf, x, bar + 5, "This bar is 100 mm long.")
    card = bar + 14
    pdf.rect(x, card, *CARD_MM)
    _text(pdf, x + 4, card + 8, "A bank card covers this box exactly")
    _text(pdf, x + 4, card + 13, "(85.60 x 53.98 mm, ISO/IEC 7810 ID-1).")
    at = card + CARD_MM[1] + 14
    lines = [
        ("Full line: the inside of the piece. Cut the card along it.", None),
        ("Dashed line: the wearer at the same height.", 2.0),
        ("Thin line: where no wall is; the wall is open here.", None),
    ]
    for i, (line, dash) in enumerate(lines):
        pdf.set_line_width(LIGHT if i == 2 else CUT)
        pdf.set_dash_pattern(dash or 0, dash or 0)
        pdf.line(x, at - 1, x + 14, at - 1)
        pdf.set_dash_pattern()
        _text(pdf, x + 18, at, line)
        at += 7
    at += 6
    for template in templates:
        room = template.section.room
        if room is not None:
            inside = f"inside {room.width_mm:.1f} x {room.depth_mm:.1f} mm, girth {room.girth_mm:.1f} mm"
            _text(pdf, x, at, f"{template.title}: {inside}")
            at += 6


def _flat(points: FloatArray, section: Section) -> FloatArray:
    """Return points in the paper's frame, x to the right and y down the page, seen from the normal's tip.

    Depth runs down the page, so that a level section has its front at the top and the wearer's left on the left.
    """
    width, depth = plane_axes(section.normal)
    return points @ np.column_stack([-width, depth])


def _section_pages(pdf: Any, template: Template, page: tuple[float, float]) -> None:
    section = template.section
    if section.room is None:
        raise InputError(
            f"the section '{template.title}' has no inside to draw", source="template", remedy="move its plane"
        )
    outline = _flat(section.room.outline, section)
    forms = [] if template.form is None else [_flat(o.points, section) for o in template.form.loops if o.closed]
    # Only the form's outlines that belong inside: arms and shoulders beside it would fill pages.
    low, high = outline.min(axis=0), outline.max(axis=0)
    forms = [f for f in forms if (f.min(axis=0) < high).all() and (f.max(axis=0) > low).all()]
    forms = [f for f in forms if (np.ptp(f, axis=0) < 1.5 * (high - low)).all()]
    everything = np.concatenate([outline, *forms])
    low, high = everything.min(axis=0) - (2.0, 12.0), everything.max(axis=0) + 2.0

    field = np.array(page) - 2 * MARGIN_MM - (0.0, 8.0)
    step = field - OVERLAP_MM
    tiles = np.maximum(1, np.ceil((high - low - OVERLAP_MM) / step - 1e-9)).astype(int)
    start = 0.5 * (low + high) - 0.5 * (step * tiles + OVERLAP_MM)
    for row in range(tiles[1]):
        for column in range(tiles[0]):
            pdf.add_page()
            corner = start + step * (column, row)
            with pdf.rect_clip(MARGIN_MM, MARGIN_MM, *field):
                _drawing(pdf, template, outline, forms, MARGIN_MM - corner, (float(low[1]), float(high[1])))
            _page_marks(pdf, field, (row, column), (int(tiles[1]), int(tiles[0])))
            place = f"   row {row + 1} of {tiles[1]}, column {column + 1} of {tiles[0]}" if tiles.prod() > 1 else ""
            _text(pdf, MARGIN_MM, page[1] - MARGIN_MM, template.title + place)
            _text(pdf, page[0] - MARGIN_MM - 43, page[1] - MARGIN_MM, "100 % scale, 1:1, page " + str(pdf.page_no()))


def _drawing(
    pdf: Any,
    template: Template,
    outline: FloatArray,
    forms: Sequence[FloatArray],
    shift: FloatArray,
    span: tuple[float, float],
) -> None:
    section = template.section
    assert section.room is not None
    pdf.set_line_width(CUT)
    pdf.polygon([tuple(p) for p in outline + shift])
    pdf.set_line_width(LIGHT)
    for lips in section.room.lips:
        (x0, y0), (x1, y1) = _flat(lips, section) + shift
        pdf.set_draw_color(255)  # no cut across a mouth: white over black, then the thin line
        pdf.set_line_width(CUT + 0.1)
        pdf.line(x0, y0, x1, y1)
        pdf.set_draw_color(0)
        pdf.set_line_width(LIGHT)
        pdf.line(x0, y0, x1, y1)
    pdf.set_line_width(CUT)
    pdf.set_dash_pattern(2, 2)
    for form in forms:
        pdf.polygon([tuple(p) for p in form + shift])
    pdf.set_line_width(LIGHT)
    pdf.set_dash_pattern(6, 2)
    middle = 0.5 * (outline[:, 0].min() + outline[:, 0].max())
    pdf.line(middle + shift[0], span[0] + shift[1], middle + shift[0], span[1] + shift[1])
    pdf.set_dash_pattern()
    if abs(section.normal[2]) > 0.5:  # FRONT is -Y, and the depth axis runs along +Y for a plane that looks up
        front = section.normal[2] > 0
        y = float(outline[:, 1].min() - 3 if front else outline[:, 1].max() + 8)
        _text(pdf, middle + shift[0] + 2, y + shift[1], "FRONT", 14)
        _text(pdf, outline[:, 0].min() + shift[0] + 6, outline[:, 1].mean() + shift[1], "L", 14)
        _text(pdf, outline[:, 0].max() + shift[0] - 12, outline[:, 1].mean() + shift[1], "R", 14)


def _page_marks(pdf: Any, field: FloatArray, at: tuple[int, int], of: tuple[int, int]) -> None:
    """Draw the crosses that two neighbouring pages share, in the middle of their overlap."""
    pdf.set_line_width(LIGHT)
    half = OVERLAP_MM / 2
    xs = ([half] if at[1] > 0 else []) + ([field[0] - half] if at[1] < of[1] - 1 else [])
    ys = ([half] if at[0] > 0 else []) + ([field[1] - half] if at[0] < of[0] - 1 else [])
    spots = [(x, f * field[1]) for x in xs for f in (0.1, 0.9)] + [(f * field[0], y) for y in ys for f in (0.1, 0.9)]
    for x, y in spots:
        x, y = x + MARGIN_MM, y + MARGIN_MM
        pdf.line(x - 4, y, x + 4, y)
        pdf.line(x, y - 4, x, y + 4)
        pdf.circle(x, y, 2)
