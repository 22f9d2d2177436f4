# SPDX-License-Identifier: GPL-3.0-or-later
"""What is registered, and how it speaks."""

from __future__ import annotations

import importlib
import pkgutil
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import bpy
import pytest

ROOT = Path(__file__).resolve().parents[2]
SMALL = {"a", "an", "and", "as", "at", "by", "for", "from", "in", "is", "of", "on", "or", "the", "to", "with"}


def classes():
    from arming_cap import blender

    return blender.classes


def registered(cls):
    if issubclass(cls, bpy.types.GizmoGroup):
        return bpy.types.GizmoGroup.bl_rna_get_subclass_py(cls.__name__) is not None
    return cls.is_registered


def own_properties(cls):
    return [p for p in cls.bl_rna.properties if p.identifier in getattr(cls, "__annotations__", {})]


def is_title_case(label):
    words = re.findall(r"[A-Za-z][\w'-]*", label)
    return (
        bool(words) and all(w[0].isupper() or w in SMALL or w in {"mm", "m"} for w in words) and words[0][0].isupper()
    )


def test_title_case_can_tell():
    assert is_title_case("Find the Seat") and is_title_case("1 Unit Is 1 mm")
    assert not is_title_case("Find the seat") and not is_title_case("find")


def test_twice_is_once_and_nothing_is_left(extension):
    extension.register()
    assert hasattr(bpy.types.Scene, "arming_cap")
    extension.unregister()
    assert not hasattr(bpy.types.Scene, "arming_cap") and not hasattr(bpy.types.Object, "arming_cap")
    assert not any(hasattr(bpy.types, cls.__name__) for cls in classes())
    assert not [h for h in bpy.app.handlers.depsgraph_update_post if "arming_cap" in h.__module__]
    extension.unregister()
    extension.register()
    assert all(registered(cls) for cls in classes())


def test_a_failure_undoes_what_was_done(extension, monkeypatch):
    from arming_cap import blender

    extension.unregister()

    def broken():
        raise RuntimeError("no listeners today")

    monkeypatch.setattr(blender.handlers, "register", broken)
    try:
        with pytest.raises(RuntimeError, match="no listeners"):
            extension.register()
        assert not hasattr(bpy.types.Scene, "arming_cap")
        assert not any(registered(cls) for cls in classes())
    finally:
        monkeypatch.undo()
        extension.register()


def test_every_class_has_our_prefix(extension):
    for cls in classes():
        assert re.fullmatch(r"ARMINGCAP_(OT|PT|PG|AP|MT|GGT|FH)_[a-z_]+", cls.__name__)
        if issubclass(cls, bpy.types.Operator):
            assert cls.bl_idname == f"arming_cap.{cls.__name__.split('_', 2)[2]}"


def test_every_module_lists_its_classes(extension):
    """No class is defined and forgotten."""
    from arming_cap import blender

    kinds = (bpy.types.Operator, bpy.types.Panel, bpy.types.PropertyGroup)
    kinds += (bpy.types.AddonPreferences, bpy.types.Menu, bpy.types.GizmoGroup, bpy.types.FileHandler)
    names = [found.name for found in pkgutil.walk_packages(blender.__path__, "arming_cap.blender.")]
    modules = [importlib.import_module(name) for name in names]
    defined = {
        thing
        for module in modules
        for thing in vars(module).values()
        if isinstance(thing, type) and issubclass(thing, kinds) and thing.__module__ == module.__name__
    }
    assert {cls for cls in defined if cls.__name__.startswith("ARMINGCAP_")} == set(classes())


def test_labels_are_titles_and_tooltips_sentences_without_a_stop(extension):
    for cls in classes():
        texts = []
        if issubclass(cls, bpy.types.Operator):
            tip = getattr(bpy.ops.arming_cap, cls.bl_idname[11:]).get_rna_type().description
            texts.append((cls.bl_label, tip))
        if issubclass(cls, bpy.types.Panel):
            assert is_title_case(cls.bl_label) and cls.bl_category == "Arming Cap"
        for prop in own_properties(cls):
            texts.append((prop.name, prop.description))
            if prop.type == "ENUM":
                texts += [(item.name, item.description) for item in prop.enum_items]
        for label, tip in texts:
            assert is_title_case(label), (cls, label)
            assert tip and tip[0].isupper() and not tip.endswith("."), (cls, label, tip)


def test_lengths_are_shown_in_millimetres(extension):
    lengths = [p for cls in classes() for p in own_properties(cls) if p.identifier.endswith("_mm")]
    assert len(lengths) >= 5
    assert all(p.unit == "CAMERA" for p in lengths)  # the one unit Blender always shows as mm
    floats = [p for cls in classes() for p in own_properties(cls) if p.type == "FLOAT"]
    assert sorted(p.identifier for p in floats if p not in lengths) == [
        *("opens", "section_at", "section_turn", "shrinkage", "weight_kg", "weights")
    ]
    assert next(p for p in floats if p.identifier == "opens").unit == "ROTATION"


def test_what_writes_can_be_undone(extension):
    """What only writes files is no step of undo, which could not take them back, and is not done again by a redo."""
    readers = "export_report export_split copy_details stop how_to_measure save_card record_outcome forget_outcome"
    readers = {f"arming_cap.{n}" for n in readers.split()}
    for cls in classes():
        if issubclass(cls, bpy.types.Operator):
            assert ("UNDO" in cls.bl_options) == (cls.bl_idname not in readers), cls


def test_nothing_long_and_nothing_that_writes_files_is_in_the_redo_panel(extension):
    from arming_cap.blender.work import InBackground

    for cls in classes():
        if issubclass(cls, InBackground) or (issubclass(cls, bpy.types.Operator) and "directory" in vars(cls)):
            assert not {"REGISTER", "UNDO"} <= cls.bl_options, cls
        if issubclass(cls, bpy.types.Operator):
            for prop in own_properties(cls):
                raw = prop.type == "INT"
                assert not raw or (prop.is_hidden and prop.is_skip_save), (cls, prop.identifier)


def test_a_button_that_is_off_says_why(scene):
    off = "set_role set_piece check_fit show_place export_report stop add_allowance save_card make_form"
    off += " play_passage end_passage find_head add_landmarks plan_split add_cut drop_plan apply_split export_split"
    for name in f"{off} make_rings show_margins record_outcome make_room".split():
        operator = getattr(bpy.ops.arming_cap, name)
        assert not operator.poll()
        with pytest.raises(RuntimeError, match=r"poll\(\).*\S") as caught:
            operator()
        assert "context is incorrect" not in str(caught.value), name


def test_enabling_is_quick_and_loads_nothing_heavy():
    """Counted in a process of its own; the budget is 0.3 s of processor time, tested loosely."""
    script = (
        "import sys, time; import bpy; t = time.process_time(); import arming_cap; arming_cap.register();"
        "s = time.process_time() - t;"
        "heavy = [m for m in ('igl', 'manifold3d', 'lib3mf', 'trimesh', 'scipy', 'rich') if m in sys.modules];"
        "arming_cap.unregister(); print(s, heavy)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={"PYTHONPATH": str(ROOT / "addon")},
        capture_output=True,
        text=True,
        timeout=60,
    )
    seconds, heavy = done.stdout.strip().splitlines()[-1].split(" ", 1)
    assert heavy == "[]"
    assert float(seconds) < 3.0


def test_the_manifest_says_what_pyproject_says():
    manifest = tomllib.loads((ROOT / "addon/arming_cap/blender_manifest.toml").read_text(encoding="utf-8"))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    import arming_cap
    import build_extension

    # One place says the version: the builder puts it into the manifest, and setuptools reads it there.
    assert "version" in project["dynamic"] and manifest["version"] == "0.0.0"
    filled = tomllib.loads(build_extension.manifest([], "linux-x64"))
    assert filled["version"] == build_extension.version() == arming_cap.__version__
    assert manifest["license"] == [f"SPDX:{project['license']}"]
    # developer.blender.org: at most 64 characters, no closing punctuation.
    for text in (manifest["tagline"], *manifest["permissions"].values()):
        assert 0 < len(text) <= 64 and text[-1].isalnum()
    assert "network" not in manifest["permissions"]


def test_the_zip_holds_a_wheel_of_every_package_for_every_python():
    """Blender accepts by the union of all wheels but unpacks by each: every pair must have its own."""
    import build_extension
    from arming_cap.core import engines

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pins = build_extension.pinned()
    declared = dict(line.split("==") for line in project["dependencies"] if "==" in line)
    assert declared and declared.items() <= pins.items()
    assert {one.package: one.expected for one in engines.ENGINES}.items() <= pins.items()
    assert "numpy" not in pins and "scipy" not in pins
    assert engines.PYTHONS == build_extension.PYTHONS


@pytest.mark.parametrize(
    ("file", "fits"),
    [
        ("libigl-1.0-cp311-cp311-manylinux_2_28_x86_64.whl", {"3.11"}),
        ("libigl-1.0-cp312-abi3-manylinux_2_28_x86_64.whl", {"3.13", "3.14"}),
        ("libigl-1.0-cp313-cp313-manylinux_2_28_x86_64.whl", {"3.13"}),
        ("libigl-1.0-py3-none-any.whl", {"3.11", "3.13", "3.14"}),
        ("libigl-2.0-py3-none-any.whl", set()),
    ],
)
def test_which_wheel_blender_unpacks(tmp_path, file, fits):
    import build_extension

    (tmp_path / file).touch()
    pythons = build_extension.PYTHONS
    assert {p for p in pythons if build_extension._for_python(tmp_path, "libigl", "1.0", p)} == fits


@pytest.mark.parametrize(
    ("value", "shown"), [(1.75, "1.75 mm"), (56.5, "56.5 mm"), (566.5, "566.5 mm"), (220.0, "220 mm"), (0.2, "0.2 mm")]
)
def test_a_length_is_shown_with_its_decimals(extension, value, shown):
    """As Blender writes a field of its camera unit; it drops what lies beyond the digits that a property states."""
    from arming_cap.blender.properties import ARMINGCAP_PG_printer as Printer

    for prop in own_properties(Printer):
        if prop.identifier.endswith("_mm"):
            text = bpy.utils.units.to_string("METRIC", "CAMERA", value, precision=prop.precision)
            assert text == shown, prop.identifier
