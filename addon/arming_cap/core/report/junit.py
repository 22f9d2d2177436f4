# SPDX-License-Identifier: GPL-3.0-or-later
"""A run as JUnit XML, so that any build server can refuse a piece that does not fit."""

from __future__ import annotations

from xml.etree import ElementTree as ET

from ..verdict import Status, Verdict
from .model import RunReport
from .words import number, place, printable


def _count(verdicts: list[Verdict]) -> dict[str, str]:
    states = [v.status for v in verdicts]
    return {
        "tests": str(len(states)),
        "failures": str(states.count(Status.FAIL)),
        "errors": str(states.count(Status.NOT_CHECKED)),
        "skipped": "0",
    }


def _told(verdict: Verdict) -> str:
    facts = [
        ("verdict", verdict.status.value),
        ("number", number(verdict)),
        ("requirement", verdict.requirement),
        ("limited by", place(verdict.limited_by)),
        ("why", verdict.why),
        ("mend", verdict.mend),
    ]
    return printable("\n".join(f"{name}: {text}" for name, text in facts if text))


def dumps(run: RunReport, timestamp: str = "") -> str:
    """Return the run as JUnit XML: a suite for each piece on a wearer, a case for each check.

    A fail is a ``failure``, not checked is an ``error``; marginal passes and says so in ``system-out``. A fit
    with no verdict at all is an error too. `timestamp` (ISO 8601) is written only where given.
    """
    cases = {
        id(fit): list(fit.verdicts) or [Verdict("checks", Status.NOT_CHECKED, why="no check was made")]
        for fit in run.fits
    }
    everything = [verdict for verdicts in cases.values() for verdict in verdicts]
    root = ET.Element("testsuites", {"name": printable(run.title), **_count(everything), "time": "0"})
    for fit in run.fits:
        name = printable(f"{fit.piece} on {fit.wearer}")
        suite = ET.SubElement(root, "testsuite", {"name": name, **_count(cases[id(fit)]), "time": "0"})
        if timestamp:
            suite.set("timestamp", timestamp)
        for verdict in cases[id(fit)]:
            case = ET.SubElement(suite, "testcase", {"name": printable(verdict.check), "classname": name, "time": "0"})
            tag = {Status.FAIL: "failure", Status.NOT_CHECKED: "error"}.get(verdict.status)
            if tag:
                message = printable(verdict.why or f"{number(verdict)}, {verdict.requirement}")
                problem = ET.SubElement(case, tag, {"message": message, "type": verdict.status.value})
                problem.text = _told(verdict)
            else:
                ET.SubElement(case, "system-out").text = _told(verdict)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"
