# SPDX-License-Identifier: GPL-3.0-or-later
"""The printed table says everything in words at any width; the bar keeps to a terminal's standard error."""

from __future__ import annotations

import io
import re

import pytest
from rich.cells import cell_len
from rich.console import Console

from arming_cap.core.report.model import CARE_LINE, FitReport, RunReport
from arming_cap.core.verdict import Place, Status, Verdict
from arming_cap.terminal import print_table, progress_bar


def invented() -> RunReport:
    verdicts = (
        Verdict("clearance", Status.FAIL, -3.25, requirement="at least 0.0 mm", uncertainty=0.4, mend="scale it up"),
        Verdict("passage", Status.MARGINAL, 0.5, limited_by=Place("ear_left", "rim")),
        Verdict("sight", Status.NOT_CHECKED, unit="°", why="no eye opening"),
        Verdict("size", Status.PASS, 91.5, "%", "at most 100 %"),
    )
    fits = (FitReport("[red]Helm\x1b[2J", "Orla\nTam", 0.915, {}, verdicts), FitReport("Bracer", "Tam", 1.0, {}, ()))
    return RunReport("Play", fits, warnings=("one & all",))


def printed(width: int, encoding: str = "utf-8", **options: object) -> str:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding, newline="\n")
    print_table(invented(), Console(file=file, width=width, highlight=False, **options))
    file.flush()
    return raw.getvalue().decode(encoding)


@pytest.mark.parametrize("width", [80, 120])
def test_every_verdict_is_a_word_within_the_width(width):
    text = printed(width)
    assert max(cell_len(line) for line in text.splitlines()) <= width
    for words in (
        "[red]Helm\ufffd[2J on Orla Tam, at 91.5 %: fail",
        "Bracer on Tam, at 100.0 %: not checked",
        "−3.2 ± 0.4 mm",
        "left ear at rim",
        "  no check was made",
        "  sight: no eye opening",
        "  clearance: To mend: scale it up",
        "Warning: one & all",
        "1 fail, 2 not checked, 1 marginal, 1 pass",
        CARE_LINE,
    ):
        assert words in text
    for check, status in (("clearance", "fail"), ("passage", "marginal"), ("sight", "not checked"), ("size", "pass")):
        assert re.search(rf"^{check} +{status} ", text, re.M)


def test_colour_adds_nothing_but_colour():
    coloured = printed(100, force_terminal=True, color_system="standard")
    assert "\x1b[" in coloured and "\x1b[2J" not in coloured
    assert re.sub(r"\x1b\[[\d;]*m", "", coloured) == printed(100)


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_minus_survives_an_encoding_without_it(encoding):
    assert "-3.2 +/- 0.4 mm" in printed(120, encoding)


def test_a_plain_stream_will_do():
    stream = io.StringIO()
    print_table(invented(), stream)
    assert "1 fail, 2 not checked, 1 marginal, 1 pass" in stream.getvalue() and "\x1b" not in stream.getvalue()


def test_bar_is_silent_where_there_is_no_terminal(capfd):
    with progress_bar() as progress:
        progress(0.5, "half")
    assert capfd.readouterr() == ("", "")


def test_bar_draws_on_a_terminal_and_leaves_the_line_clean(capfd, monkeypatch):
    for name, value in (("FORCE_COLOR", "1"), ("COLUMNS", "80"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    with pytest.raises(KeyError), progress_bar() as progress:
        progress(7.0, "[b]pose 3")
        raise KeyError
    out, err = capfd.readouterr()
    assert out == "" and "[b]pose 3" in err and "100%" in err
    assert err.rindex("\x1b[2K") > err.rindex("pose 3")  # the bar's last line is erased
    assert err.rindex("\x1b[?25h") > err.rindex("\x1b[?25l")  # and the cursor is back
