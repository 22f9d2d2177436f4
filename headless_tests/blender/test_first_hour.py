# SPDX-License-Identifier: GPL-3.0-or-later
"""What a person does in the first hour: imports at the wrong unit, swaps roles, stops a run, goes on elsewhere."""

from __future__ import annotations

import time
from functools import partial

import beside_tasks
import bpy
import pytest
import shapes
from stage_props import ball_in_band, put


def scenes():
    from arming_cap.blender import scene as module

    return module


@pytest.fixture
def metres(scene):
    """A new file: metres, and a millimetre file imported at scale 1 is 200 m long."""
    scene.unit_settings.scale_length = 1.0
    ball_in_band()
    return scene


def test_a_check_never_starts_on_a_doubtful_size_and_one_click_settles_it(metres):
    with pytest.raises(RuntimeError, match="larger than a door"):
        bpy.ops.arming_cap.check_fit()
    assert scenes().unit_that_helps(metres) == "MM"
    bpy.ops.arming_cap.set_unit(unit=scenes().unit_that_helps(metres))
    assert not scenes().size_doubts(metres) and bpy.ops.arming_cap.check_fit.poll()


def test_a_scene_that_has_its_unit_is_offered_none(scene):
    ball_in_band()
    assert not scenes().size_doubts(scene) and scenes().unit_that_helps(scene) == ""


@pytest.mark.parametrize("factor", [1000.0, 0.001, 1 / 25.4])
def test_one_of_two_in_another_unit_is_scaled_about_its_file(scene, factor):
    _, band = ball_in_band()
    band.scale = (factor,) * 3
    band.location = (3.0 * factor, 0.0, 0.0)
    bpy.context.view_layer.update()
    assert scenes().unit_that_helps(scene) == ""
    name, objects, by = scenes().rescale_that_helps(scene)
    assert (name, objects) == ("Band", ("Band",)) and by == pytest.approx(1 / factor)
    bpy.ops.arming_cap.rescale(thing=name, factor=by)
    assert not scenes().size_doubts(scene)
    assert band.location.x == pytest.approx(3.0, abs=1e-4) and band.scale.x == pytest.approx(1.0, abs=1e-5)


def test_the_size_is_told_against_the_file(scene):
    """An object at 90 % is 90 % of its file; one that was made a thousandth for a scene in metres is all of it."""
    _, band = ball_in_band()
    of = scenes().file_scale
    band.scale = (0.9,) * 3
    bpy.context.view_layer.update()
    assert of([band], 1.0) == pytest.approx(0.9)
    band.scale = (0.0009,) * 3
    bpy.context.view_layer.update()
    assert of([band], 1000.0) == pytest.approx(0.9)
    band.scale = (0.9, 0.9, 1.0)
    bpy.context.view_layer.update()
    assert of([band], 1.0) is None


def test_swapped_roles_are_told_at_once(scene):
    form, band = ball_in_band()
    form.arming_cap.role, band.arming_cap.role = "PART", "FORM"
    before = time.process_time()
    with pytest.raises(RuntimeError, match=r"roles look swapped.*role Wearer"):
        bpy.ops.arming_cap.check_fit()
    assert time.process_time() - before < 10


def test_a_solid_trinket_and_a_thick_helm_are_no_swap():
    from arming_cap.core.piece import Part, Piece, swapped

    head, helm = shapes.sphere(90, 32), shapes.tube(100, 108, 200)
    assert not swapped(Piece("helm", (Part("a", helm),)), head)
    assert not swapped(Piece("crest", (Part("a", shapes.box((60, 60, 60))),)), head)
    assert swapped(Piece("head", (Part("a", head),)), helm)


def test_the_scenes_units_outlive_a_passage(scene):
    from arming_cap.blender import results
    from arming_cap.core.pose import Pose

    ball_in_band()
    scene.unit_settings.length_unit = "MILLIMETERS"
    path = [Pose.of((0, 0, up), (0, 0, 0)).as_dict() for up in (0.0, 60.0, 200.0)]
    passage = {"path": path, "at": [90.0, 0, 2.0], "pinch_step": 2.0, "pinch_pose": path[2]}
    verdict = {"check": "donning", "verdict": "pass", "details": {"passage": passage, "take_off": []}}
    fit = {"piece": "Band", "wearer": "Ball", "verdict": "pass", "verdicts": [verdict]}
    results.keep(scene, {"result": {"fits": [fit]}}, results.footing(scene), {})
    before = {key: getattr(scene.unit_settings, key) for key in scene.unit_settings.bl_rna.properties.keys()}
    bpy.ops.arming_cap.play_passage(fit=0)
    assert bpy.data.scenes["Passage of Band"].unit_settings.length_unit == "MILLIMETERS"
    assert {key: getattr(scene.unit_settings, key) for key in before} == before
    with bpy.context.temp_override(scene=bpy.data.scenes["Passage of Band"]):
        bpy.ops.arming_cap.end_passage()
    assert {key: getattr(scene.unit_settings, key) for key in before} == before
    assert not bpy.data.actions


def test_a_form_keeps_the_same_room_however_it_was_made(scene):
    """A mesh that is made the wearer, and a form made from readings of a card without allowances."""
    from arming_cap.blender import forms
    from arming_cap.core.wearer.form import Form

    mesh = put(shapes.sphere(90.0, 24), "FORM", "Mesh")
    made = forms.add_form(scene, Form(shapes.sphere(90.0, 24)), "Made", {}, 1.0)
    assert made.arming_cap.allowance_mm == mesh.arming_cap.allowance_mm == 5.0
    assert (
        forms.add_form(scene, Form(shapes.sphere(90.0, 24)), "Bare", {"default": 0.0}, 1.0).arming_cap.allowance_mm == 0
    )


# --- beside the window ------------------------------------------------------------------------------------------------


def waited(work, seconds=400):
    work.start()
    work.wait(seconds)
    assert work.finished
    return work


def test_the_process_beside_gives_the_same_verdicts_and_tells_them_as_they_come(scene):
    from arming_cap import errands
    from arming_cap.blender.work import Work

    ball_in_band()
    task = partial(errands.check, scenes().draft_of(scene))
    beside, here = waited(Work(task)), Work(task, apart=False)
    assert beside._apart and beside.error is None
    told_here = []
    here.tell = lambda finished: told_here.extend(finished.document["result"]["fits"])
    here.run()
    # What would be kept by Esc, step by step: clearance first; that it fits is not said before the way on is known.
    for one in told_here:
        done = {v["check"] for v in one["verdicts"] if v["verdict"] != "not checked"}
        assert {"clearance", "donning"} <= done or not one["says"]
    assert not told_here[0]["says"] and told_here[-1]["says"]
    assert beside.result.document["result"] == here.result.document["result"]
    told = beside.finished_so_far.document["result"]["fits"][0]["verdicts"]
    assert {v["check"]: v["verdict"] for v in told}["size"] == "not checked"  # the last one told before the end
    assert "clearance" in {v["check"] for v in told if v["verdict"] == "pass"}


def test_the_process_ends_at_once_when_it_is_stopped(scene):
    from arming_cap.blender.work import Work
    from arming_cap.core.errors import Cancelled

    work = Work(beside_tasks.sleeps)
    work.start()
    time.sleep(1.0)
    before = time.monotonic()
    work.stop()
    work.wait(5)
    assert work.finished and isinstance(work.error, Cancelled) and time.monotonic() - before < 2.0


def test_a_process_that_dies_is_told_in_one_line_and_the_next_works(scene):
    from arming_cap.blender.work import Work
    from arming_cap.core.errors import InputError

    work = waited(Work(beside_tasks.dies))
    assert isinstance(work.error, InputError) and "memory" in str(work.error) and work.fraction == 0.5
    assert waited(Work(beside_tasks.prints)).result == 7


def test_unregistering_in_a_run_leaves_nothing_running(extension, scene):
    from arming_cap.blender import work

    work.running = one = work.Work(beside_tasks.sleeps)
    one.start()
    extension.unregister()
    one.wait(5)
    assert one.finished and work.running is None
    extension.register()


def test_every_status_bar_is_cleared_wherever_the_user_has_gone(scene, monkeypatch):
    """B3: what a run wrote in one workspace goes though another is open when it ends."""
    from types import SimpleNamespace

    from arming_cap.blender import work

    class Bar:
        def __init__(self, name):
            self.name, self.text = name, None

        def status_text_set(self, text):
            self.text = text

    bars = {name: Bar(name) for name in ("Layout", "Modeling")}
    monkeypatch.setattr(work, "bpy", SimpleNamespace(data=SimpleNamespace(workspaces=bars)))
    for bar in bars.values():
        work._say_status(SimpleNamespace(workspace=bar), "Checking fit: 47%")
    assert all(bar.text for bar in bars.values())
    work._clear_status()
    assert not any(bar.text for bar in bars.values()) and not work._status_in


def test_nothing_begins_beside_a_run_that_is_still_on_its_way_out(scene, monkeypatch):
    """B9: a stopped thread goes on to its next step; until then the button is off, and says why."""
    import threading

    from arming_cap.blender import work

    ball_in_band()
    go = threading.Event()
    last = work.Work(lambda progress: go.wait(20), apart=False)
    last.start()
    monkeypatch.setattr(work, "_last", last)
    assert work.running is None and not bpy.ops.arming_cap.check_fit.poll()
    with pytest.raises(RuntimeError, match="still on its way out"):
        bpy.ops.arming_cap.check_fit()
    go.set()
    last.wait(20)
    assert bpy.ops.arming_cap.check_fit.poll()
