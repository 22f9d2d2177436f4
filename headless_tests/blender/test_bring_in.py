# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that are dropped, and the manual behind every button."""

from __future__ import annotations

import fnmatch
from pathlib import Path
from urllib.request import url2pathname

import bpy
import numpy as np
import pytest
import shapes

from arming_cap.core.formats import READABLE, write_mesh


@pytest.mark.parametrize("unit_mm", [1.0, 1000.0])
def test_a_dropped_mesh_has_its_role_and_its_size_at_once(scene, tmp_path, unit_mm):
    """Millimetres in a scene that counts in millimetres or in metres, two files in one go: no unit is in doubt."""
    from arming_cap.blender import scene as scenes

    scene.unit_settings.scale_length = unit_mm / 1000.0
    write_mesh(tmp_path / "body.stl", shapes.sphere(90.0, 32))
    for name in ("front", "back"):
        write_mesh(tmp_path / f"{name}.ply", shapes.tube(100.0, 103.0, 60.0, 64))
    bring = bpy.ops.arming_cap.bring_mesh
    folder = f"{tmp_path}/"
    assert bring(directory=folder, files=[{"name": "body.stl"}], role="FORM") == {"FINISHED"}
    assert bring(directory=folder, files=[{"name": "front.ply"}, {"name": "back.ply"}]) == {"FINISHED"}
    roles = {ob.name: ob.arming_cap.role for ob in scene.objects}
    assert roles == {"body": "FORM", "front": "PART", "back": "PART"}
    bpy.context.view_layer.update()
    assert np.array(scene.objects["body"].dimensions) * unit_mm == pytest.approx([180.0] * 3, abs=1.0)
    assert not scenes.size_doubts(scene) and not scenes.missing(scene)


def test_a_file_that_is_no_mesh_is_one_line_and_adds_nothing(scene, tmp_path):
    (tmp_path / "torn.stl").write_bytes(b"solid")
    with pytest.raises(RuntimeError, match=r"torn\.stl"):
        bpy.ops.arming_cap.bring_mesh(directory=f"{tmp_path}/", files=[{"name": "torn.stl"}])
    assert not scene.objects


def test_what_can_be_read_can_be_dropped(extension):
    from arming_cap.blender.operators import bring

    assert {f".{ending}" for ending in bring.MESHES} == set(READABLE)
    for handler in (bring.ARMINGCAP_FH_mesh, bring.ARMINGCAP_FH_card):
        assert handler.is_registered and handler.bl_label
        group, name = handler.bl_import_operator.split(".")
        fields = getattr(getattr(bpy.ops, group), name).get_rna_type().properties.keys()
        assert "filepath" in fields or {"directory", "files"} <= set(fields)  # what Blender fills in


def test_a_job_that_is_dropped_for_a_card_is_called_a_job(scene):
    job = Path(__file__).resolve().parents[2] / "demo_scenes" / "1_heron.toml"
    with pytest.raises(RuntimeError, match="this is a job, no card"):
        bpy.ops.arming_cap.open_card(filepath=str(job))


def test_every_button_has_its_page_in_the_guide(extension):
    """As Blender looks it up: the first pattern that fits, names in lower case; the page is a file that is there."""
    from arming_cap.blender import classes, menus

    assert menus.manual in bpy.utils._manual_map
    prefix, pages = menus.manual()
    assert prefix.startswith("file:///")
    led = {}
    for cls in classes:
        if issubclass(cls, bpy.types.Operator):
            led[cls.bl_idname] = next(
                p for pattern, p in pages if fnmatch.fnmatchcase(f"bpy.ops.{cls.bl_idname}", pattern)
            )
        if issubclass(cls, bpy.types.PropertyGroup):
            name = f"bpy.types.{cls.__name__}.any".lower()
            led[cls.__name__] = next(p for pattern, p in pages if fnmatch.fnmatchcase(name, pattern))
    assert led["arming_cap.make_form"] == led["ARMINGCAP_PG_card"] == "measure-your-wearer.md"
    assert led["arming_cap.check_fit"] == "in-blender.md"
    folder = Path(url2pathname(prefix.removeprefix("file://")))
    assert all((folder / page).is_file() for page in led.values())
