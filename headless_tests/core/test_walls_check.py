# SPDX-License-Identifier: GPL-3.0-or-later
"""The check of the walls: in closed form on a shell of known thickness, and asked for by a job's key."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapes
from jsonschema import Draft202012Validator

import arming_cap
from arming_cap.core.checks.fit import check_fit, check_job
from arming_cap.core.checks.job import CHECKS, Fitting, Limits, read_job
from arming_cap.core.errors import InputError
from arming_cap.core.formats import write_mesh
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.report import as_json
from arming_cap.core.verdict import Status
from arming_cap.core.wearer.form import Form, Wearer

WALLS = Limits(checks=("walls",))
BALL = Wearer("Ball", Form(shapes.sphere(40.0, 48)))


def cup(wall: float = 1.0) -> Piece:
    inside = shapes.sphere(50.0, 192)
    hollow = TriangleMesh(inside.vertices, inside.triangles[:, ::-1])
    return Piece("cup", (Part("cup", joined([shapes.sphere(50.0 + wall, 192), hollow], "cup")),))


@pytest.mark.parametrize(("scale", "status"), [(1.0, Status.PASS), (0.7, Status.MARGINAL)])
def test_the_thinnest_wall_goes_with_the_scale(scale, status):
    # Chords of the 192-gon lie up to 0.007 mm under the circle, and facets lean against each other by under 2 degrees.
    (verdict,) = check_fit(Fitting(cup(), BALL, scale), WALLS).verdicts
    assert verdict.check == "walls" and verdict.status is status
    assert verdict.number == pytest.approx(scale * 1.0, abs=0.01)
    assert verdict.details["ray_mm"] == pytest.approx(verdict.details["sphere_mm"], rel=0.02)
    assert verdict.limited_by.part == "cup"
    assert 49.9 * scale < np.linalg.norm(verdict.limited_by.at) < 51.1 * scale
    assert bool(verdict.mend) == (status is Status.MARGINAL)


def test_a_surface_without_material_has_no_walls_to_judge():
    sheet = Piece("sheet", (Part("sheet", TriangleMesh(shapes.box((90, 90, 90)).vertices, [[0, 1, 3]], "sheet")),))
    (verdict,) = check_fit(Fitting(sheet, BALL), WALLS).verdicts
    assert verdict.status is Status.NOT_CHECKED and "thickness" in verdict.mend


def job_of(folder: Path, limits: str) -> Path:
    write_mesh(folder / "cup.stl", cup().mesh)
    write_mesh(folder / "ball.stl", BALL.form.mesh)
    job = folder / "job.toml"
    job.write_text(
        '[[wearer]]\nname = "Ball"\nform = "ball.stl"\n[[piece]]\nscale = 0.7\n[[piece.part]]\nfile = "cup.stl"\n'
        f"[limits]\n{limits}\n",
        encoding="utf-8",
    )
    return job


def test_a_job_asks_for_it_by_limit_or_by_name(tmp_path):
    assert read_job(job_of(tmp_path, "")).limits.checks == CHECKS
    named = read_job(job_of(tmp_path, 'checks = ["walls"]')).limits
    assert named.checks == ("walls",) and named.wall_mm == 0.8
    both = read_job(job_of(tmp_path, "wall_mm = 0.6")).limits
    assert both.checks == (*CHECKS, "walls") and both.wall_mm == 0.6 and both.wants_all
    with pytest.raises(InputError, match="'wall_mm' is not a number"):
        read_job(job_of(tmp_path, "wall_mm = 0"))

    run = check_job(read_job(job_of(tmp_path, 'checks = ["mesh"]\nwall_mm = 0.6')))
    assert [v.check for v in run.fits[0].verdicts] == ["mesh", "walls"]
    assert run.fits[0].verdicts[1].status is Status.PASS
    schema = json.loads((Path(arming_cap.__file__).parent / "core/report/schema.json").read_text("utf-8"))
    Draft202012Validator(schema).validate(json.loads(as_json.dumps(as_json.document("check", [], [], run.as_dict()))))
