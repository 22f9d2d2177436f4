# SPDX-License-Identifier: GPL-3.0-or-later
"""The three files of a run."""

from __future__ import annotations

from pathlib import Path

from ..files import write_text
from . import as_json, html, junit
from .model import RunReport


def write_reports(run: RunReport, out_dir: Path) -> dict[str, Path]:
    """Write report.json, report.html and junit.xml, each whole or not at all; return their paths by name.

    All three are made before the first is written, so that a fault in one leaves the old three together.
    """
    document = as_json.document("check", run.inputs, run.warnings, run.as_dict())
    content = {
        "report.json": as_json.dumps(document),
        "report.html": html.dumps(run),
        "junit.xml": junit.dumps(run),
    }
    for name, text in content.items():
        write_text(out_dir / name, text)
    return {name: out_dir / name for name in content}
