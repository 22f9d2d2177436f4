# SPDX-License-Identifier: GPL-3.0-or-later
"""A cast and its helmets on the command line: the matrix to the byte, however many processes share the work."""

from __future__ import annotations

import json
import re

import pytest
import shapes

from arming_cap import batch
from arming_cap.core.formats import write_mesh
from bench.cast import write_cast


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_cast_is_the_same_to_the_byte_with_one_process_and_with_two(tmp_path, capsys):
    job = write_cast(tmp_path, wearers=2, pieces=0, checks='["size"]')
    text = job.read_text("utf-8")
    few = (
        text
        + "\n"
        + "".join(
            f'[[piece]]\nname = "{name}"\nseat = "best"\n[[piece.part]]\nfile = "{file}"\n'
            for name, file in (("Wide dome", "wide.ply"),)
        )
    )
    write_mesh(tmp_path / "wide.ply", shapes.dome(126.0, 130.0, -70.0, segments=48, rings=18))
    job.write_text(few.replace("[limits]\n", "[limits]\ndistortion_percent = 0\n"), "utf-8")
    said = {}
    for workers in (1, 2):
        out = tmp_path / str(workers)
        assert batch.main(["check", str(job), "--out", str(out), "--workers", str(workers)]) in (0, 1)
        said[workers] = capsys.readouterr().out.replace(str(out), "OUT")
    for name in ("report.json", "report.html", "junit.xml"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes(), name
    tables = [re.search(r"Who can wear what.*?\n\n", text, re.S) for text in said.values()]
    assert tables[0] and tables[1] and tables[0].group() == tables[1].group()
    result = json.loads((tmp_path / "1" / "report.json").read_text("utf-8"))["result"]
    assert [row["piece"] for row in result["cast"]] == ["Wide dome"]
    for row in result["cast"]:
        assert set(row["scales"]) == {"Wearer 1", "Wearer 2"}
        low, high = zip(*((s["smallest"], s["largest"] or 9.0) for s in (row["scales"][n] for n in row["served"])))
        assert max(low) <= row["serves"] <= min(high)
        # The one scale that serves most is in all three.
        per_cent = f"{100 * row['serves']:.1f}"
        assert per_cent in tables[0].group()
        assert f"{per_cent} %" in (tmp_path / "1" / "report.html").read_text("utf-8")
