# SPDX-License-Identifier: GPL-3.0-or-later
"""Reports of an invented run: every number arrives, nothing outside is asked for, drawings are to scale."""

from __future__ import annotations

import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arming_cap.core.report import as_json, html, junit, svg, table
from arming_cap.core.report.chart import chart, ticks
from arming_cap.core.report.labels import Labels, Spot, dense
from arming_cap.core.report.model import CARE, Chart, Drawing, FitReport, Outline, RunReport
from arming_cap.core.report.words import number
from arming_cap.core.report.write import write_reports
from arming_cap.core.verdict import Place, Status, Verdict

VOID = {"meta", "br"}
NASTY = "Helm <b>&\"'\x01"


def invented() -> RunReport:
    square = np.array([[-100.0, -80], [100, -80], [100, 80], [-100, 80]])
    section = Drawing(
        "Section at the brow",
        (
            Outline("outer", square * 1.1),
            Outline("inner", square),
            Outline("form", square * 0.8),
            Outline("open", square[:2], False),
        ),
        marks=(("tightest", (80.0, 0.0)),),
        dimensions=(("200.0 mm", (-100.0, 0.0), (100.0, 0.0)),),
    )
    verdicts = (
        Verdict(
            "clearance",
            Status.FAIL,
            -3.25,
            "mm",
            "at least 5.0 mm",
            0.4,
            Place("left_temple", "shell", (70.0, -12.5, 1612.0)),
            "touches",
            "scale to 104 %",
        ),
        Verdict("passage", Status.MARGINAL, 0.5, "mm", "at least 0.0 mm", 0.7, why="bounds straddle zero"),
        Verdict("sight", Status.NOT_CHECKED, None, "°", "at least 100 °", why="no eye opening"),
        Verdict("size", Status.PASS, 91.5, "%", "at most 100 %"),
    )
    regions = {
        "left_temple": dict(min_mm=1.8, mean_mm=9.1, p5_mm=2.2, allowance_mm=5.0, margin_mm=-3.2),
        "crown": dict(min_mm=17.4, mean_mm=21.3, p5_mm=18.6, allowance_mm=5.0, margin_mm=12.4),
    }
    seat = {"translation_mm": [0.0, 2.5, -4.0], "rotation_deg": [6.0, 0.0, 0.0]}
    fits = (
        FitReport(NASTY, "Wearer one", 0.915, seat, verdicts, regions, ("rim is rough",), (section,)),
        FitReport(NASTY, "Wearer two", 1.0, seat, (), {}),
    )
    return RunReport(
        "Invented <play>",
        fits,
        ({"file": "helm.stl", "sha256": "ab" * 32},),
        ("one & all",),
        {"limits": {"brow_mm": 5.0}},
    )


class Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_page_balances_and_shows_every_number():
    page = Page(html.dumps(invented()))
    assert page.open == []
    text = " ".join(" ".join(page.text).split())
    wanted = [
        "−3.2 ± 0.4 mm",
        "0.5 ± 0.7 mm",
        "not measured",
        "91.5 %",
        "at least 5.0 mm",
        "scale to 104 %",
        "left temple",
        "70.0, −12.5, 1612.0",
        "1.8",
        "9.1",
        "2.2",
        "12.4",
        "17.4",
        "21.3",
        "18.6",
        "rim is rough",
        "one & all",
        "5.0",
        "ab" * 32,
        "91.50 %",
        "No check was made",
        "not checked",
        "marginal",
        "200.0 mm",
        "tightest",
        *CARE,
    ]
    assert [w for w in wanted if w not in text] == []


def test_page_asks_for_nothing_outside_and_escapes():
    text = html.dumps(invented())
    page = Page(text)
    for name, value in page.attributes:
        if name in ("src", "href", "action", "data", "xlink:href"):
            assert value is not None and value.startswith("#")
    assert not re.search(r"@import|url\((?!#)|<script|<link|<b>&", text)
    assert set(re.findall(r"https?://[^\"' ]+", text)) == {"http://www.w3.org/2000/svg"}
    assert "\x01" not in text


def test_a_fail_hides_nothing_that_was_not_checked():
    head = html.dumps(invented()).split("<main>")[0]
    told = " ".join("".join(Page(head + "</body></html>").text).split())
    assert "1 ✕ fail 2 ○ not checked 1 ◐ marginal 1 ● pass" in told
    assert html.SENTENCES[Status.FAIL] in told and html.SENTENCES[Status.NOT_CHECKED] in told


@pytest.mark.parametrize("pieces,wearers,head", [("ab", "xyz", "Wearer"), ("abc", "ax", "Piece")])
def test_matrix_holds_each_pair_once_with_the_longer_list_downwards(pieces, wearers, head):
    # A piece and a wearer may share a name.
    fits = tuple(FitReport(p, w, 1.0, {}, ()) for p in pieces for w in wearers if (p, w) != ("b", "x"))
    rows = ET.fromstring(html._matrix(RunReport("t", fits)).replace("<br>", "<br/>")).iter("tr")
    first, *rest = (["".join(cell.itertext()) for cell in row] for row in rows)
    down, across = (wearers, pieces) if head == "Wearer" else (pieces, wearers)
    assert first == [head, *across] and [row[0] for row in rest] == list(down)
    holes = [(row[0], first[i]) for row in rest for i, cell in enumerate(row) if cell == "–"]
    assert holes == [("x", "b") if head == "Wearer" else ("b", "x")]


def test_bars_keep_their_zero_and_hatch_what_falls_short():
    root = ET.fromstring(html._bar(-3.0, -3.0, 9.0))
    rect, line = root.find("{*}rect"), root.find("{*}path")
    assert rect.attrib["class"] == "short" and line.attrib["d"] == "M26.00 0V16"
    assert float(rect.attrib["x"]) + float(rect.attrib["width"]) == pytest.approx(26.0)
    assert ET.fromstring(html._bar(9.0, -3.0, 9.0)).find("{*}rect").attrib["class"] == "margin"
    unknown = ET.fromstring(html._bar(math.nan, -3.0, 9.0))
    assert unknown.find("{*}rect") is None and unknown.find("{*}path") is not None


@given(st.lists(st.tuples(st.floats(-20, 20), st.floats(-20, 20)), min_size=2, max_size=6))
def test_labels_take_free_room_where_a_spot_offers_it(places):
    labels = Labels(1.0, np.empty((0, 2)), (-200.0, -200.0, 200.0, 200.0))
    for row, (x, y) in enumerate(places):
        labels.place("eight mm", [Spot(x, y), Spot(x, y, "end"), Spot(x, y, "start", True), Spot(100.0, 3.0 * row)])
    for i, a in enumerate(labels.boxes):
        for b in labels.boxes[:i]:
            assert min(a[2], b[2]) <= max(a[0], b[0]) or min(a[3], b[3]) <= max(a[1], b[1])


def test_labels_shun_lines():
    wall = dense(np.array([[0.0, -50.0], [0.0, 50.0]]), False, 0.3)
    labels = Labels(1.0, wall, (-50.0, -50.0, 50.0, 50.0))
    assert labels.place("eight mm", [Spot(-1.0, 0.0), Spot(1.0, 0.0)]) == Spot(1.0, 0.0)


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=2, max_size=9), st.booleans())
def test_dense_points_keep_corners_and_length(corners, closed):
    ring = np.array([*corners, corners[0]] if closed else corners)
    found = dense(np.array(corners), closed, 0.7)
    steps = np.linalg.norm(np.diff(found, axis=0), axis=1)
    assert steps.max() <= 0.7 + 1e-9
    assert steps.sum() == pytest.approx(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum(), abs=1e-9)
    assert np.abs(found[:, None] - ring[None]).sum(axis=2).min(axis=0).max() < 1e-9


def test_drawing_shows_a_key_for_each_kind_and_arrows_that_touch_their_ends():
    root = ET.fromstring(svg.drawing(invented().fits[0].drawings[0]))
    assert len(list(root.iterfind("{*}path[@class='key']"))) == 4
    words = [t.text for t in root.iterfind("{*}text")]
    assert {"piece, inside", "piece, outside", "wearer", "piece, edge not closed"} < set(words)
    arrows = root.find("{*}path[@class='arrows']").attrib["d"]
    tips = [[float(v) for v in part.split("L")[0].split()] for part in arrows.split("M")[1:]]
    assert tips == [[-100.0, 0.0], [100.0, 0.0]]


def test_the_cut_material_of_each_part_is_tinted_and_its_void_is_not():
    def ring(half: float) -> np.ndarray:
        return half * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])

    lines = (
        Outline("outer", ring(10), label="a"),
        Outline("inner", ring(8), label="a"),
        Outline("outer", ring(9), label="b"),
        Outline("form", ring(5)),
        Outline("open", ring(3), False, "a"),
    )
    root = ET.fromstring(svg.drawing(Drawing("two parts that overlap", lines)))
    walls = list(root.iterfind("{*}path[@class='wall']"))
    assert [wall.attrib["d"].count("Z") for wall in walls] == [2, 1]
    assert {wall.attrib["fill-rule"] for wall in walls} == {"evenodd"}


def test_drawing_is_to_scale():
    root = ET.fromstring(svg.drawing(invented().fits[0].drawings[0]))
    ns = {"s": "http://www.w3.org/2000/svg"}
    box = [float(v) for v in root.attrib["viewBox"].split()]
    assert root.attrib["width"] == f"{box[2]:.2f}mm" and root.attrib["height"] == f"{box[3]:.2f}mm"
    inner = next(p for p in root.iterfind("s:polygon", ns) if p.attrib["class"] == "inner")
    points = np.array([[float(v) for v in p.split(",")] for p in inner.attrib["points"].split()])
    assert np.ptp(points, axis=0) == pytest.approx([200, 160])
    bar = root.find("s:path[@class='scale']", ns)
    length = float(re.search(r"h([\d.]+)", bar.attrib["d"])[1])
    assert f"{length:g} mm" in [t.text for t in root.iterfind("s:text", ns)]
    looks = {
        (p.attrib["class"], p.attrib["stroke"], p.attrib.get("stroke-dasharray"), p.attrib["stroke-width"])
        for p in root
        if "points" in p.attrib
    }
    assert len({look[1] for look in looks}) == 4 and len({look[2:] for look in looks}) == 4


@pytest.mark.parametrize("points", [[], [(1.0, 1.0)], [(0, -2.0), (1, 3.0), (2, math.nan)]])
def test_chart_is_well_formed(points):
    what = Chart("Pinch <here>", (("way & back", np.array(points)), ("none", np.empty((0, 2)))), "way, mm", "pinch, mm")
    root = ET.fromstring(chart(what))
    assert root.find("{*}path[@class='zero']") is not None
    finite = [p for p in points if math.isfinite(p[1])]
    assert [len(line.attrib["points"].split()) for line in root.iterfind("{*}polyline")] == [len(finite), 0]


@pytest.mark.parametrize("low,high", [(0, 1), (-3.2, 17), (0, 180), (99.97, 100.02), (-1e-6, 4e-6)])
def test_ticks_are_round_and_inside(low, high):
    found = ticks(low, high)
    assert 3 <= len(found) <= 7 and low - 1e-9 <= found[0] and found[-1] <= high + 1e-9
    digits = {f"{step:.3e}"[0] for step in np.diff(found)}
    assert len(digits) == 1 and digits <= {"1", "2", "5"}


def test_junit_counts_agree_with_its_cases():
    text = junit.dumps(invented())
    assert text == junit.dumps(invented()) and "timestamp" not in text
    root = ET.fromstring(text.split("\n", 1)[1])
    for node in (root, *root.iter("testsuite")):
        for count, tag in (("tests", "testcase"), ("failures", "failure"), ("errors", "error")):
            assert int(node.attrib[count]) == len(list(node.iter(tag)))
    assert [root.attrib[k] for k in ("tests", "failures", "errors")] == ["5", "1", "2"]
    failure = next(root.iter("failure"))
    for fact in ("−3.2 ± 0.4 mm", "at least 5.0 mm", "left temple at shell", "scale to 104 %"):
        assert fact in failure.text
    marginal = next(c for c in root.iter("testcase") if c.attrib["name"] == "passage")
    assert [c.tag for c in marginal] == ["system-out"] and "verdict: marginal" in marginal[0].text


def test_json_holds_only_finite_numbers_and_ends_in_a_newline():
    made = as_json.document(
        "clearance",
        [],
        ["w"],
        {"a": math.nan, "b": np.array([1.0, -math.inf]), "c": np.float64(-0.0), "d": np.int64(3)},
    )
    text = as_json.dumps(made)
    assert text.endswith("}\n") and list(made) == ["tool", "version", "verb", "inputs", "warnings", "result"]
    assert json.loads(text)["result"] == {"a": None, "b": [1.0, None], "c": 0.0, "d": 3}
    assert "-0.0" not in text
    with pytest.raises(TypeError):
        as_json.document("clearance", [], [], {"a": object()})


def test_rows_lose_no_fit():
    one, two = (table.rows(fit) for fit in invented().fits)
    assert len(one) == 4 and all(len(row) == len(table.HEADS) for row in [*one, *two])
    assert [row[1] for row in two] == ["not checked"]
    assert table.remarks(invented().fits[0]) == [
        "clearance: touches. To mend: scale to 104 %",
        "passage: bounds straddle zero",
        "sight: no eye opening",
    ]
    assert table.remarks(invented().fits[1]) == ["no check was made"]
    assert number(Verdict("mesh", Status.MARGINAL, 3, "faults")) == "3 faults"
    counts = table.counted(invented().fits)
    assert list(counts) == [Status.FAIL, Status.NOT_CHECKED, Status.MARGINAL, Status.PASS]
    assert list(counts.values()) == [1, 2, 1, 1]


def test_three_files_are_written(tmp_path: Path):
    paths = write_reports(invented(), tmp_path / "out")
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["junit.xml", "report.html", "report.json"]
    assert json.loads(paths["report.json"].read_text("utf-8"))["result"]["verdict"] == "fail"
    before = {n: p.read_bytes() for n, p in paths.items()}
    write_reports(invented(), tmp_path / "out")
    assert before == {n: p.read_bytes() for n, p in paths.items()}
