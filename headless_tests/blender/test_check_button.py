# SPDX-License-Identifier: GPL-3.0-or-later
"""The button: what it finds, what it keeps, when that is out of date, and that it leaves the scene alone."""

from __future__ import annotations

import json
import os
from dataclasses import replace

import bpy
import pytest
import shapes
from stage_props import ball_in_band, put, select

from arming_cap.core.checks.job import Limits


def results():
    from arming_cap.blender import results as module

    return module


def fit(scene, number=0):
    return results().of(scene).fits[number]


def verdict(scene, check):
    return next(v for v in fit(scene)["verdicts"] if v["check"] == check)


@pytest.fixture
def quick(monkeypatch):
    """Ask for everything but the donning, which takes the most time and changes nothing about the button."""
    from arming_cap.core.checks import fit as checks

    whole = checks.check_job
    fewer = Limits(checks=("mesh", "placement", "clearance"))
    monkeypatch.setattr(
        checks, "check_job", lambda job, *rest, **more: whole(replace(job, limits=fewer), *rest, **more)
    )


@pytest.fixture
def checked(scene, quick):
    """A ball of 90 mm in a band of 100 mm inside, checked: 10 mm of standoff against 5 mm of allowance."""
    ball_in_band()
    assert bpy.ops.arming_cap.check_fit() == {"FINISHED"}
    return scene


@pytest.fixture
def kept(scene):
    """The same scene with verdicts on it that rest on it as it is, without the time to make them."""
    ball_in_band()
    document = {"result": {"fits": [{"piece": "Band", "wearer": "Ball", "verdict": "pass", "verdicts": []}]}}
    results().keep(scene, document, results().footing(scene), {})
    return scene


def test_the_verdict_of_a_ball_in_a_band(checked):
    """Closed form: 100 − 90 = 10 mm, less what 128 flat sides cut off, 100 (1 − cos(π/128)) = 0.03 mm."""
    clearance = verdict(checked, "clearance")
    assert clearance["verdict"] == "pass"
    assert fit(checked)["regions"]["whole"]["min_mm"] == pytest.approx(10.0, abs=0.06)
    assert (fit(checked)["piece"], fit(checked)["wearer"]) == ("Band", "Ball")


def test_more_allowance_than_room_fails_and_says_where(scene, quick):
    form, _ = ball_in_band()
    form.arming_cap.allowance_mm = 15.0
    bpy.ops.arming_cap.check_fit()
    clearance = verdict(scene, "clearance")
    assert clearance["verdict"] == "fail" and clearance["limited_by"]["part"] == "Band"
    assert fit(scene)["verdict"] == "fail"


def test_a_saved_file_still_shows_its_verdicts(checked, tmp_path):
    before = results().of(checked).document
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "kept.blend"))
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    assert not results().of(bpy.context.scene).fits
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "kept.blend"))
    scene = bpy.context.scene
    assert results().of(scene).document == before
    assert results().compare(scene) == []
    bpy.ops.arming_cap.export_report(directory=str(tmp_path / "out"))
    assert json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8")) == before
    assert "<svg" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    scene.arming_cap.report_files = "of another version"
    with pytest.raises(RuntimeError, match="not of these verdicts"):
        bpy.ops.arming_cap.export_report(directory=str(tmp_path / "out"))


def moved(scene):
    scene.objects["Band"].location.x += 0.5


def reshaped(scene):
    scene.objects["Ball"].data.vertices[3].co.z += 0.5


def modified(scene):
    scene.objects["Band"].modifiers.new("Thicker", "SOLIDIFY")


def given_another_role(scene):
    scene.objects["Band"].arming_cap.role = "REMOVABLE"


def given_room(scene):
    scene.objects["Ball"].arming_cap.allowance_mm = 7.0


def deleted(scene):
    bpy.data.objects.remove(scene.objects["Band"])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (moved, "'Band' has changed"),
        (reshaped, "'Ball' has changed"),
        (modified, "'Band' has changed"),
        (given_another_role, "'Band' has changed"),
        (given_room, "'Ball' has changed"),
        (deleted, "'Band' no longer takes part"),
        (lambda scene: put(shapes.box(name="Crest"), "PART"), "'Crest' is new"),
        (lambda scene: setattr(scene.arming_cap, "unit", "M"), "the settings have changed"),
        (lambda scene: setattr(scene.arming_cap, "seat", "best"), "the settings have changed"),
    ],
)
def test_verdicts_are_out_of_date_when_what_they_rest_on_has_changed(kept, change, says):
    assert results().compare(kept) == [] == results().of(kept).changes
    change(kept)
    for ob in kept.objects:
        if ob.data:
            ob.data.update()
    bpy.context.view_layer.update()
    assert results().of(kept).changes is None  # noticed without being asked
    assert says in results().compare(kept)


def test_a_change_that_is_taken_back_takes_the_mark_with_it(kept):
    kept.objects["Band"].location.x = 3.0
    bpy.context.view_layer.update()
    assert results().compare(kept) == ["'Band' has changed"]
    kept.objects["Band"].location.x = 0.0
    bpy.context.view_layer.update()
    assert results().compare(kept) == []


def test_what_takes_no_part_may_move(kept):
    lamp = put(shapes.box(name="Lamp"))
    results().compare(kept)
    lamp.location.x = 100.0
    bpy.context.view_layer.update()
    assert results().compare(kept) == []


@pytest.mark.parametrize(
    "text", ["{", "[]", '{"document": 3}', '{"document": {"result": {"fits": [{}]}}, "rests_on": {}}']
)
def test_verdicts_from_another_version_are_no_verdicts(scene, text):
    scene.arming_cap.results = text
    assert results().of(scene).fits == []


def test_a_fault_of_ours_is_told_and_changes_nothing(scene, monkeypatch, capfd):
    from arming_cap.core.checks import fit as checks

    def broken(*_, **__):
        raise ZeroDivisionError("on purpose")

    ball_in_band()
    monkeypatch.setattr(checks, "check_job", broken)
    with pytest.raises(RuntimeError, match="A fault of ours"):
        bpy.ops.arming_cap.check_fit()
    assert scene.arming_cap.results == ""
    assert "on purpose" in capfd.readouterr().err


def test_a_stopped_run_ends_at_its_next_step_and_has_no_result(scene):
    from arming_cap.blender.scene import draft_of
    from arming_cap.blender.work import Work
    from arming_cap.core.checks.fit import check_job
    from arming_cap.core.errors import Cancelled

    ball_in_band()
    draft = draft_of(scene)
    work = Work(lambda progress: check_job(draft.job(progress), progress))
    work.stop()
    work.start()
    work.wait(20)
    assert work.finished and work.result is None and isinstance(work.error, Cancelled)
    assert scene.arming_cap.results == ""


def test_a_package_that_is_missing_is_named(scene, monkeypatch):
    from arming_cap.core import engines

    ball_in_band()
    broken = (engines.Found(engines.Engine("manifold3d", "manifold3d", "3.5.4"), "", "ModuleNotFoundError"),)
    monkeypatch.setattr(engines, "found", lambda: broken)
    with pytest.raises(RuntimeError, match=r"manifold3d 3\.5\.4 cannot be used.*wheels for 3\.11, 3\.13 and 3\.14"):
        bpy.ops.arming_cap.check_fit()


def test_show_place_selects_the_part_and_goes_there_and_back(scene, quick):
    from arming_cap.blender import overlay

    scene.unit_settings.scale_length = 1.0
    form, part = ball_in_band(unit_mm=1000.0)
    form.arming_cap.allowance_mm = 15.0
    bpy.ops.arming_cap.check_fit()
    number = [v["check"] for v in fit(scene)["verdicts"]].index("clearance")
    at = verdict(scene, "clearance")["limited_by"]["at"]
    select(form)
    cursor = scene.cursor.location.copy()
    assert bpy.ops.arming_cap.show_place(fit=0, verdict=number) == {"FINISHED"}
    assert part.select_get() and not form.select_get() and bpy.context.view_layer.objects.active == part
    assert list(overlay.place.at_mm) == at and "mm" in overlay.place.text
    assert scene.cursor.location == cursor  # it is the user's
    bpy.ops.arming_cap.show_place(fit=0, verdict=number)
    assert overlay.place is None
    bpy.data.objects.remove(part)
    bpy.data.objects.remove(form)
    with pytest.raises(RuntimeError, match="no such verdict"):
        bpy.ops.arming_cap.show_place(fit=7, verdict=0)


def test_undo_takes_back_roles_and_verdicts(scene, quick):
    """Undo needs its stack filled: the first push stands for the scene as it was opened."""
    ball_in_band()
    bpy.ops.ed.undo_push(message="before")
    select(scene.objects["Band"])
    bpy.ops.arming_cap.set_role(role="REMOVABLE")
    bpy.ops.ed.undo_push(message="role")  # called from Python, an operator pushes no step of its own
    bpy.ops.arming_cap.check_fit()
    bpy.ops.ed.undo_push(message="check")
    bpy.ops.ed.undo()
    assert bpy.context.scene.arming_cap.results == "" and not results().of(bpy.context.scene).fits
    bpy.ops.ed.undo()
    assert bpy.context.scene.objects["Band"].arming_cap.role == "PART"
    bpy.ops.ed.redo()
    bpy.ops.ed.redo()
    assert results().of(bpy.context.scene).fits
    assert results().compare(bpy.context.scene) == []


def test_export_writes_the_three_files(checked, tmp_path):
    assert bpy.ops.arming_cap.export_report(directory=str(tmp_path / "out")) == {"FINISHED"}
    assert sorted(os.listdir(tmp_path / "out")) == ["junit.xml", "report.html", "report.json"]
    written = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert written == results().of(checked).document


def test_export_where_nothing_can_be_written_says_so(checked, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(RuntimeError, match="cannot be written"):
        bpy.ops.arming_cap.export_report(directory=str(tmp_path / "file" / "out"))


def test_details_name_versions_and_nothing_of_the_user(scene):
    from arming_cap.core import engines

    text = engines.details()
    assert "libigl 2.6.3" in text and "Python 3." in text
    assert os.path.expanduser("~") not in text and "/" not in text
