# SPDX-License-Identifier: GPL-3.0-or-later
"""Paper templates measured in the PDF by another library, and on the rasterised page."""

from __future__ import annotations

import numpy as np
import pymupdf
import pypdf
import pytest
import shapes

from arming_cap.core.errors import InputError
from arming_cap.core.geometry.section import cut
from arming_cap.core.make.rings.template import Template, draw_templates

MM = 25.4 / 72
UP = (0.0, 0.0, 1.0)


def small():
    return cut(shapes.tube(60, 64, 50, 128), UP, [20])[0]


@pytest.mark.parametrize(("page", "size"), [("A4", (210, 297)), ("Letter", (215.9, 279.4))])  # ISO 216; 8.5 x 11 in
def test_pages_bar_and_card_have_their_size(tmp_path, page, size):
    path = tmp_path / "t.pdf"
    shown = draw_templates([Template("small", small())], path, page)
    reader = pypdf.PdfReader(path)
    assert len(reader.pages) == 2 and shown["templates"] == [{"title": "small", "pages": [2]}]
    box = reader.pages[0].mediabox
    assert (float(box.width) * MM, float(box.height) * MM) == pytest.approx(size, abs=0.1)
    rects = [d["rect"] for d in pymupdf.open(path)[0].get_drawings()]
    sizes = [(r.width * MM, r.height * MM) for r in rects]
    assert any(s == pytest.approx((85.60, 53.98), abs=0.1) for s in sizes)  # ISO/IEC 7810 ID-1
    assert any(s == pytest.approx((100, 0), abs=0.1) for s in sizes)


def test_outline_is_exact_on_paper_and_says_where_front_is(tmp_path):
    path = tmp_path / "t.pdf"
    form = cut(shapes.ellipsoid((40, 55, 60), 128), UP, [0])[0]
    draw_templates([Template("small", small(), form)], path)
    page = pymupdf.open(path)[1]
    sizes = [(d["rect"].width * MM, d["rect"].height * MM, d["dashes"]) for d in page.get_drawings()]
    assert any(s[:2] == pytest.approx((120, 120), abs=0.1) and s[2] == "[] 0" for s in sizes)
    assert any(s[:2] == pytest.approx((80, 110), abs=0.1) and s[2] != "[] 0" for s in sizes)
    words = {w[4]: w for w in page.get_text("words")}
    assert words["FRONT"][1] < words["L"][1] and words["L"][0] < words["R"][0]


def test_rasterised_page_holds_the_circle(tmp_path):
    path = tmp_path / "t.pdf"
    draw_templates([Template("small", small())], path)
    pixels = pymupdf.open(path)[1].get_pixmap(dpi=254, colorspace=pymupdf.csGRAY)  # 10 pixels a millimetre
    image = np.frombuffer(pixels.samples, np.uint8).reshape(pixels.height, pixels.width)
    across = np.flatnonzero(image[pixels.height // 2 - 100] < 128)
    chord = (across[-1] - across[0]) / 10
    assert chord == pytest.approx(120, abs=3) and chord <= 120.6


def test_large_sections_tile_without_losing_a_point(tmp_path):
    path = tmp_path / "t.pdf"
    section = cut(shapes.ellipsoid((140, 190, 100), 200), UP, [0])[0]
    shell = cut(shapes.two(shapes.tube(150, 154, 50, 200)), UP, [20])[0]
    shown = draw_templates([Template("large", shell, section)], path)
    assert len(shown["templates"][0]["pages"]) == 4
    with pymupdf.open(path) as pdf:
        texts = [pdf[i].get_text() for i in range(1, len(pdf))]
    assert any("row 2 of 2, column 2 of 2" in t for t in texts)


def test_the_same_input_gives_the_same_bytes(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        draw_templates([Template("small", small())], tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_bad_input_is_one_line_and_writes_nothing(tmp_path):
    solid = cut(shapes.box((30, 30, 30)), UP, [0])[0]
    for templates, page, word in (
        ([Template("t", solid)], "A4", "no inside"),
        ([], "A4", "no section"),
        ([Template("t", small())], "A5", "not a page size"),
    ):
        with pytest.raises(InputError, match=word):
            draw_templates(templates, tmp_path / "t.pdf", page)
    assert not list(tmp_path.iterdir())
