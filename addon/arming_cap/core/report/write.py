# SPDX-License-Identifier: GPL-3.0-or-later
"""The three files of a run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from ..files import write_text
from . import as_json, html, junit
from .model import RunReport


def report_files(run: RunReport) -> dict[str, str]:
    """Return the text of report.json, report.html and junit.xml by name."""
    document = as_json.document("check", run.inputs, run.warnings, run.as_dict())
    return {
        "report.json": as_json.dumps(document),
        "report.html": html.dumps(run),
        "junit.xml": junit.dumps(run),
    }


def write_files(files: Mapping[str, str], out_dir: Path) -> dict[str, Path]:
    """Write texts into a folder, each whole or not at all; return their paths by name."""
    for name, text in files.items():
        write_text(out_dir / name, text)
    return {name: out_dir / name for name in files}


def write_reports(run: RunReport, out_dir: Path) -> dict[str, Path]:
    """Write a run's three files; return their paths by name.

    All three are made before the first is written, so that a fault in one leaves the old three together.
    """
    return write_files(report_files(run), out_dir)
