# SPDX-License-Identifier: GPL-3.0-or-later
"""Rings and templates of the demo's pieces, from the panel and by the core's own road, opened again elsewhere."""

from __future__ import annotations

import warnings
from pathlib import Path

import bpy
import lib3mf
import pypdf
import pytest
import trimesh
from stage_props import put, select

from arming_cap.core.checks.job import read_job
from arming_cap.core.make.rings.ring import RingOptions
from arming_cap.core.make.rings.tryon import try_on

DEMO = Path(__file__).resolve().parents[2] / "demo_scenes"
SCENES = ("1_heron", "2_sluice", "3_limpet", "4_reed", "5_pike")


def opens_elsewhere(folder):
    models, solids = sorted(folder.glob("*.3mf")), sorted(folder.glob("*.stl"))
    assert len(models) == len(solids) >= 2
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for path in models:
            model = lib3mf.Wrapper().CreateModel()
            reader = model.QueryReader("3mf")
            reader.ReadFromFile(str(path))
            assert reader.GetWarningCount() == 0 and model.GetUnit() == lib3mf.ModelUnit.MilliMeter
            things = model.GetMeshObjects()
            assert things.MoveNext() and things.GetCurrentMeshObject().IsManifoldAndOriented()
        for path in solids:
            mesh = trimesh.load(path)
            assert mesh.is_watertight and mesh.is_winding_consistent and mesh.body_count == 1 and mesh.volume > 0
            before = set(bpy.data.objects)
            assert bpy.ops.wm.stl_import(filepath=str(path)) == {"FINISHED"}
            (ob,) = set(bpy.data.objects) - before
            assert len(ob.data.polygons) == len(mesh.faces) and not ob.data.validate()
        assert len(pypdf.PdfReader(folder / "templates.pdf").pages) > len(models)


@pytest.mark.parametrize("scene_name", SCENES)
def test_rings_of_every_demo_piece_open_elsewhere(scene_name, scene, tmp_path):
    fitting = read_job(DEMO / f"{scene_name}.toml").fittings[0]
    made = try_on(fitting.piece.scaled(fitting.scale), None, None, tmp_path, options=RingOptions(label="A7"))
    assert not any("dropped" in remark for ring in made.rings for remark in ring.remarks)
    opens_elsewhere(tmp_path)


def test_and_from_the_panel(scene, tmp_path):
    fitting = read_job(DEMO / "4_reed.toml").fittings[0]
    parts = [put(part.mesh, "PART", part.name) for part in fitting.piece.parts]
    for part in parts:
        part.arming_cap.piece = fitting.piece.name
    select(parts[0])
    assert bpy.ops.arming_cap.make_rings(directory=str(tmp_path)) == {"FINISHED"}
    opens_elsewhere(tmp_path)
