# SPDX-License-Identifier: GPL-3.0-or-later
"""Memory is estimated before it is spent, and what would take too much is refused in one line."""

from __future__ import annotations

import numpy as np
import pytest
import shapes

from arming_cap import batch, errands
from arming_cap.core import capacity
from arming_cap.core.capacity import ALLOWED_GB, SETTING, allowed_gb, needed_gb, processes_within, refuse_large
from arming_cap.core.checks.job import read_job
from arming_cap.core.errors import InputError
from arming_cap.core.formats import read_mesh, write_mesh
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece

# Peaks of whole processes that were measured, GB: see the guide's page on dirty meshes.
MEASURED = {
    ("section", 2_095_456): 1.45,
    ("section", 6_417_334): 3.55,
    ("clearance", 2_095_456): 1.88,
    ("sight", 2_095_456): 2.13,
    ("ring", 2_095_456): 2.02,
    ("split", 2_095_456): 2.73,
    ("size", 2_095_456): 3.80,
    ("don", 2_095_456): 3.80,
}
LIBRARIES_GB = 0.2
WEARER = TriangleMesh(shapes.sphere(80).vertices, shapes.sphere(80).triangles, "ball")


@pytest.fixture
def dome(tmp_path):
    """The paths of a ball and of a dome over it, and the dome's count of triangles."""
    write_mesh(tmp_path / "ball.stl", WEARER)
    write_mesh(tmp_path / "dome.stl", shapes.dome(90, 94))
    return tmp_path / "ball.stl", tmp_path / "dome.stl", len(read_mesh(tmp_path / "dome.stl").mesh)


def allow(monkeypatch, triangles, work):
    """Allow as much memory as work on so many triangles takes, and a hair more."""
    monkeypatch.setenv(SETTING, f"{needed_gb(triangles, work) * (1 + 1e-9):.17g}")


@pytest.mark.parametrize(("what", "peak"), MEASURED.items(), ids=str)
def test_the_estimate_is_near_what_was_measured(what, peak):
    work, triangles = what
    assert peak - LIBRARIES_GB <= needed_gb(triangles, work) <= 1.15 * peak


def test_without_a_word_the_limit_is_the_smaller_of_ours_and_what_is_free(monkeypatch):
    monkeypatch.delenv(SETTING, raising=False)
    for free, limit in ((None, (ALLOWED_GB, "allowed")), (99.0, (ALLOWED_GB, "allowed")), (1.5, (1.5, "free"))):
        monkeypatch.setattr(capacity, "free_gb", lambda free=free: free)
        assert allowed_gb() == limit


def test_what_is_free_is_told_where_the_system_tells_it():
    free = capacity.free_gb()
    assert free is None or 0 < free < 1e5


def test_the_refusal_is_one_line_with_figures_that_work(monkeypatch):
    monkeypatch.setattr(capacity, "free_gb", lambda: None)
    monkeypatch.delenv(SETTING, raising=False)
    with pytest.raises(InputError) as refused:
        refuse_large("helm.stl", 6_417_334, "check")
    assert str(refused.value) == (
        "helm.stl: it has 6,417,334 triangles: 'check' would take about 12 GB of memory, more than the 4 GB allowed; "
        "reduce it to 2,200,000 triangles, as with a Decimate modifier, or allow more memory: ARMING_CAP_MEMORY_GB=12"
    )
    refuse_large("helm.stl", 2_200_000, "check")
    monkeypatch.setenv(SETTING, "12")
    refuse_large("helm.stl", 6_417_334, "check")


@pytest.mark.parametrize("text", ["much", "-1", "0", "nan", "inf", "4 GB"])
def test_an_amount_that_is_none_is_refused(monkeypatch, text):
    monkeypatch.setenv(SETTING, text)
    with pytest.raises(InputError, match=f"{SETTING}: '{text}' is no amount of memory; give GB"):
        refuse_large("helm.stl", 1, "check")


@pytest.mark.parametrize("ending", [".stl", ".ply", ".off"])
def test_a_file_that_tells_its_count_is_refused_before_it_is_read(monkeypatch, tmp_path, ending):
    mesh, path = shapes.box(), tmp_path / f"box{ending}"
    if ending == ".off":
        rows = [f"OFF\n{len(mesh.vertices)} {len(mesh)} 0"]
        rows += [" ".join(map(str, v)) for v in mesh.vertices]
        rows += ["3 " + " ".join(map(str, t)) for t in mesh.triangles]
        path.write_text("\n".join(rows) + "\n")
    else:
        write_mesh(path, mesh)
    allow(monkeypatch, len(mesh), "reading")
    assert len(read_mesh(path).mesh) == len(mesh)
    allow(monkeypatch, len(mesh) - 1, "reading")
    monkeypatch.setattr("arming_cap.core.formats._read_with_trimesh", lambda *_: pytest.fail("it was read"))
    with pytest.raises(InputError, match=rf"box{ending}: it has 12 triangles: 'reading' would take"):
        read_mesh(path)


@pytest.mark.parametrize("verb", ["clearance", "size"])
def test_a_verb_refuses_a_piece_that_takes_too_much(monkeypatch, capsys, dome, verb):
    ball, piece, count = dome
    arguments = {
        "clearance": ["clearance", "--wearer", ball, "--piece", piece],
        "size": ["size", "--wearer", ball, "--clearance", "0", "--piece", piece],
    }[verb]
    allow(monkeypatch, count - 1, verb)
    assert batch.main([str(a) for a in arguments]) == batch.WRONG_INPUT
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1
    assert f"it has {count:,} triangles: '{verb}' would take" in said.err


def test_parts_count_together(monkeypatch, capsys, dome):
    _, piece, count = dome
    other = piece.with_name("other.stl")
    write_mesh(other, read_mesh(piece).mesh)
    asked = ["section", str(piece), str(other), "--plane", "0,0,1,10"]
    allow(monkeypatch, 2 * count, "section")
    assert batch.main(asked) == batch.PASSED
    allow(monkeypatch, 2 * count - 1, "section")
    assert batch.main(asked) == batch.WRONG_INPUT
    assert f"the piece: it has {2 * count:,} triangles" in capsys.readouterr().err


def test_a_job_refuses_it_too(monkeypatch, dome):
    _, piece, count = dome
    job = piece.with_name("job.toml")
    job.write_text('[[wearer]]\nform = "ball.stl"\n[[piece]]\n[[piece.part]]\nfile = "dome.stl"\n')
    allow(monkeypatch, count, "check")
    assert read_job(job).fittings[0].piece.triangles == count
    allow(monkeypatch, count - 1, "check")
    with pytest.raises(InputError, match=rf"dome.stl: it has {count:,} triangles: 'check' would take"):
        read_job(job)


def test_the_panel_refuses_it_too(monkeypatch):
    piece = Piece("dome", (Part("dome", shapes.dome(90, 94)),))
    body = errands.Body(WEARER, np.zeros(len(WEARER), int), None, {})
    draft = errands.Draft("scene", ((piece, "ball"),), {"ball": body}, "fixed", 0.0, 25.0, None, ())
    allow(monkeypatch, piece.triangles, "check")
    assert draft.job().fittings
    allow(monkeypatch, piece.triangles - 1, "check")
    with pytest.raises(InputError, match=r"dome: it has .* triangles: 'check' would take"):
        draft.job()


def test_no_more_processes_are_started_than_memory_holds(monkeypatch):
    monkeypatch.setenv(SETTING, "4")
    assert processes_within(8, 0) == processes_within(8, 10_000) == 8
    assert processes_within(8, 1_000_000) == 2
    assert processes_within(8, 5_000_000) == 1
