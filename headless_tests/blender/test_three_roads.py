# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel, `check SCENE.blend` and `check JOB.toml` give the same numbers to the last digit."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path

import bpy
import numpy as np
import pytest
from stage_props import ball_in_flare, put

from arming_cap.blendfile import job_of_blend
from arming_cap.core.checks.fit import check_job
from arming_cap.core.checks.job import Job, Limits, read_job
from arming_cap.core.checks.tried import record
from arming_cap.core.formats import read_mesh, write_mesh
from arming_cap.core.pose import Pose

DEMO = Path(__file__).resolve().parents[2] / "demo_scenes"
CARD = """card = 1
name = "Oren"
sex = "m"
unit = "mm"
form = "left arm"
[readings]
forearm_circumference = 285
wrist_circumference = 175
[allowance.sleeve]
default = 3
"""
PLACE = Pose.of((-1, 19, 294), (49, 36, 38))  # about the forearm of the card's form


def numbers(job: Job) -> dict:
    """Return the fittings of a job's report as they are printed."""
    return json.loads(json.dumps(check_job(job).as_dict()))["fits"]


def of_scene() -> Job:
    """Return the job that the button runs."""
    from arming_cap.blender.scene import job_of_scene

    return job_of_scene(bpy.context.scene)


def of_blend(path: Path) -> Job:
    """Save the scene and return the job that is read from the file."""
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    return job_of_blend(path)


def test_on_a_mesh_with_every_check(scene, tmp_path):
    form, band = ball_in_flare()
    for ob, file in ((form, "ball.ply"), (band, "band.ply")):
        write_mesh(tmp_path / file, _mesh(ob))
    bpy.ops.arming_cap.check_fit()
    from arming_cap.blender import results

    by_button = results.of(scene).document["result"]
    by_blend = json.loads(json.dumps(check_job(of_blend(tmp_path / "band.blend")).as_dict()))
    assert by_blend["fits"] == by_button["fits"] and by_blend["settings"] == by_button["settings"]
    (tmp_path / "band.toml").write_text(
        '[[wearer]]\nname = "Ball"\nform = "ball.ply"\nallowance_mm = { default = 5 }\n'
        '[[piece]]\nname = "Band"\n[[piece.part]]\nname = "Band"\nfile = "band.ply"\n',
        "utf-8",
    )
    assert numbers(read_job(tmp_path / "band.toml")) == by_button["fits"]


def _mesh(ob):
    from arming_cap.blender import scene as scenes

    scene = bpy.context.scene
    return scenes.mesh_of(ob, scenes.depsgraph_of(scene), scenes.mm_per_unit(scene))


@pytest.fixture
def bracer(scene, tmp_path):
    """The demo's bracer on the form of a card that knows of an outcome, in the scene and in a job beside the card."""
    mesh = read_mesh(DEMO / "pieces" / "reed_bracer.ply").meshes[0]
    write_mesh(tmp_path / "tried.ply", mesh)
    write_mesh(tmp_path / "reed.ply", mesh.moved(PLACE))
    card = tmp_path / "oren.toml"
    card.write_text(CARD, "utf-8")
    # As a ring of it: a whole piece would be seated and sized to learn from it, which takes longer and says no more.
    record(card, [tmp_path / "tried.ply"], "tight", level_mm=0.0)
    bpy.ops.arming_cap.open_card(filepath=str(card))
    assert bpy.ops.arming_cap.make_form() == {"FINISHED"}
    put(read_mesh(tmp_path / "reed.ply").meshes[0], "PART", "Reed bracer")
    (tmp_path / "reed.toml").write_text(
        '[[wearer]]\ncard = "oren.toml"\n[[piece]]\nname = "Reed bracer"\n[[piece.part]]\nname = "Reed bracer"\n'
        'file = "reed.ply"\n',
        "utf-8",
    )
    return tmp_path


def same(one: object, other: object) -> bool:
    """Return whether two dataclasses, or what stands in them, are equal to the last bit."""
    if hasattr(one, "__dataclass_fields__"):
        return all(
            same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one) if f.name not in ("name", "source")
        )
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, tuple | list) and not isinstance(one, str):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(np.array_equal(one, other)) if isinstance(one, np.ndarray) else one == other


def test_on_a_card_with_its_spread_and_an_outcome(bracer):
    scene, toml = of_scene(), read_job(bracer / "reed.toml")
    blend = of_blend(bracer / "reed.blend")
    asked = toml.fittings[0]
    causes = asked.known.causes()
    assert causes.draws is not None and any("1 known fit" in text for text in toml.warnings)
    for road in (scene, blend):
        one = road.fittings[0]
        assert same(one.wearer, asked.wearer) and same(one.known.causes(), causes)
        assert same(one.piece.parts[0].mesh, asked.piece.parts[0].mesh)
        assert (one.scale, one.seat, road.limits) == (asked.scale, asked.seat, toml.limits)
        assert set(toml.warnings) <= set(road.warnings)
    # The same question has the same answer, see test_passage; what hangs on the card is asked on every road.
    short = Limits(checks=("mesh", "placement", "clearance", "size"), distortion_percent=0.0)
    told = [numbers(replace(road, limits=short)) for road in (scene, blend, toml)]
    assert told[0] == told[1] == told[2]
    low, high = told[0][0]["size"]["range"]
    assert high - low > 0.01  # what the card leaves unsure


def test_a_form_that_was_moved_takes_its_card_along(bracer):
    """All of it 100 mm aside and turned a quarter: the numbers stay."""
    from mathutils import Matrix

    short = Limits(checks=("clearance",))  # a size is about the origin, which did not move along
    job = of_scene()
    (before,) = numbers(replace(job, limits=short))
    for ob in bpy.context.scene.objects:
        ob.matrix_world = Matrix.Translation((100, 0, 0)) @ Matrix.Rotation(np.pi / 2, 4, "Z") @ ob.matrix_world
    bpy.context.view_layer.update()
    moved = of_scene()
    (after,) = numbers(replace(moved, limits=short))
    assert after["regions"]["forearm_left"]["min_mm"] == pytest.approx(
        before["regions"]["forearm_left"]["min_mm"], abs=0.02
    )
    spread = job.fittings[0].wearer.form.spread_mm
    assert spread and moved.fittings[0].wearer.form.spread_mm == pytest.approx(spread, abs=1e-6)
    assert moved.fittings[0].known.card == job.fittings[0].known.card is not None


def test_a_form_that_is_not_its_cards_any_more_keeps_what_was_tried_on(bracer):
    """A thicker arm is taken as it stands: of the card counts the outcome, and nothing is estimated."""
    form = bpy.data.objects["Oren"]
    form.data.vertices[0].co.x += 1.0
    form.data.update()
    bpy.context.view_layer.update()
    job = of_scene()
    assert any("1 known fit" in text for text in job.warnings) and job.fittings[0].known.read.estimate is None
    assert not any("estimated" in text for text in job.warnings)
    (bracer / "oren.toml").unlink()
    assert any("oren.toml is not there any more" in text for text in of_scene().warnings)
