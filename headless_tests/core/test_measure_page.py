# SPDX-License-Identifier: GPL-3.0-or-later
"""The page on measuring says what the program says, and its drawings lay the lines where the program measures."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

import draw_measures  # noqa: E402
from arming_cap.core.wearer.card import parse_card  # noqa: E402
from arming_cap.core.wearer.dimension import DIMENSIONS  # noqa: E402
from arming_cap.core.wearer.limbform import limb_form_of  # noqa: E402
from arming_cap.core.wearer.measure import measure  # noqa: E402
from arming_cap.core.wearer.population import estimate  # noqa: E402


@pytest.fixture(scope="module")
def head():
    return draw_measures.mean_head()


def test_the_page_is_what_the_script_writes():
    assert (ROOT / "addon/arming_cap/guide" / "measure-your-wearer.md").read_text(
        encoding="utf-8"
    ) == draw_measures.page()
    assert "addon/arming_cap/guide/measure-your-wearer.md" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_page_tells_every_dimension():
    page = draw_measures.page()
    for name, of in DIMENSIONS.items():
        assert f"`{name}`" in page and of.definition in page and of.how in page and of.mistakes in page


def test_the_pages_card_can_be_read():
    text = draw_measures.page().split("```toml\n")[1].split("```")[0]
    assert parse_card(text).readings["head_breadth"].sd == 2


def test_every_drawing_names_its_dimensions(head):
    made = draw_measures.drawings(head)
    assert set(made) == set(draw_measures.SHOWN)
    for sheet, names in draw_measures.SHOWN.items():
        for svg in (
            made[sheet],
            (ROOT / "addon/arming_cap/guide" / "measures" / f"{sheet}.svg").read_text(encoding="utf-8"),
        ):
            words = [e.text for e in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]
            assert set(words) >= {DIMENSIONS[name].in_words for name in names}


def test_every_drawing_of_a_limb_names_its_girths():
    for kind, svg in draw_measures.limb_drawings().items():
        assert svg == (ROOT / "addon/arming_cap/guide" / "measures" / f"{kind}.svg").read_text(encoding="utf-8")
        words = [e.text for e in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]
        girths = limb_form_of(estimate({}), kind).stations
        assert sorted(words) == sorted(DIMENSIONS[name].in_words for name in girths) and len(girths) >= 4


def length(points, closed):
    steps = np.diff(points, axis=0, append=points[:1]) if closed else np.diff(points, axis=0)
    return float(np.linalg.norm(steps, axis=1).sum())


def test_the_tapes_are_as_long_as_the_program_measures(head):
    lines, found, at = draw_measures.Lines(head), measure(head), head.landmarks
    assert length(lines.circumference(), True) == pytest.approx(found["head_circumference"], abs=0.1)
    assert length(lines.neck(), True) == pytest.approx(found["neck_circumference"], abs=0.1)
    middle = (at["tragion_left"] + at["tragion_right"]) / 2
    for name, triangles, to in (
        ("bitragion_arc", lines.ruler.head, middle + [0, 0, 100.0]),
        ("bitragion_chin_arc", lines.ruler.head, at["pogonion"]),
        ("bitragion_submandibular_arc", lines.ruler.below_chin, at["cervical_point"]),
    ):
        arc = lines.arc(triangles, to)
        # What is dropped at each ear is less than one step of 2 mm.
        gaps = [min(np.linalg.norm(arc - at[f"tragion_{side}"], axis=1)) for side in ("left", "right")]
        start = int(np.argmax(np.linalg.norm(np.roll(arc, -1, axis=0) - arc, axis=1))) + 1
        assert max(gaps) < 2.1
        assert length(np.roll(arc, -start, axis=0), False) + sum(gaps) == pytest.approx(found[name], abs=0.5)
