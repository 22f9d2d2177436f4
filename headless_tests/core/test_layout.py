# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts lie flat, inside the volume, apart from each other; files say what they hold and open elsewhere.

Referees: closed forms, trimesh, lib3mf's own reader and checks.
"""

from __future__ import annotations

import lib3mf
import numpy as np
import pytest
import shapes
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from arming_cap.core.errors import InputError
from arming_cap.core.formats import read_mesh
from arming_cap.core.make.estimate import Filament, estimate
from arming_cap.core.make.solid.solid import solid_of
from arming_cap.core.make.split.boxfit import turn_to_fit
from arming_cap.core.make.split.handover import as_files_hold, rounded, safe_stem
from arming_cap.core.make.split.layout import SPACING_MM, lay, plates
from arming_cap.core.make.split.split import plan_split, workpiece
from arming_cap.core.make.split.split_cell import hull_points
from arming_cap.core.make.split.split_model import UNSHRUNK, Shrinkage, SplitOptions
from arming_cap.core.make.split.splitting import carry_out, write_split
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.pose import Pose
from arming_cap.core.report.build_sheet import gluing_steps, hand_over

ROOM = np.array([220.0, 220.0, 250.0])


def split(mesh, volume=tuple(ROOM), shrinkage=UNSHRUNK, **how):
    piece = workpiece([mesh], mesh.name)
    options = SplitOptions(volume, shrinkage=shrinkage)
    return carry_out(piece, plan_split(piece, options), options, **how)


@pytest.mark.parametrize("turn", [(0, 0, 0), (30, 40, 50), (90, 10, 0)])
def test_a_half_ball_lies_on_its_flat(turn):
    half = shapes.dome(1e-3, 80, 0, segments=48, rings=24)
    mesh = half.moved(Pose.of((5, 6, 7), turn))
    solid, _ = solid_of(mesh)
    laid = lay(solid, (), turn_to_fit(hull_points(solid), ROOM, 1.0), ROOM)
    assert laid.size_mm[2] == pytest.approx(80, abs=0.2)
    n = 48
    assert laid.flat_mm2 == pytest.approx(n / 2 * np.sin(2 * np.pi / n) * 80**2, rel=1e-2)
    assert laid.overhang_mm2 < 1
    moved = laid.pose.apply(mesh.vertices)
    assert moved[:, 2].min() == pytest.approx(0, abs=1e-6)
    assert np.allclose(moved[:, :2].min(axis=0), -moved[:, :2].max(axis=0), atol=1e-6)


def test_a_flat_box_lies_down_and_a_tall_one_stands_if_it_must():
    for size, height in (((200, 100, 20), 20), ((20, 200, 100), 20)):
        solid, _ = solid_of(shapes.box(size))
        assert lay(solid, (), turn_to_fit(hull_points(solid), ROOM, 1.0), ROOM).size_mm[2] == pytest.approx(height)
    solid, _ = solid_of(shapes.box((240, 60, 60)))
    low = np.array([100.0, 100.0, 250.0])
    assert lay(solid, (), turn_to_fit(hull_points(solid), low, 1.0), low).size_mm[2] == pytest.approx(240)


def test_a_part_that_must_tilt_stands_on_a_side_of_its_hull():
    """A long pebble fits askew only: it stands on three or more of its points, not on one."""
    pebble = shapes.ellipsoid((145, 50, 45), segments=40)
    solid, _ = solid_of(pebble)
    room = np.array([225.0, 225.0, 225.0])
    laid = lay(solid, (), turn_to_fit(hull_points(solid), room, 1.0), room)
    assert (laid.size_mm <= room + 1e-5).all()
    height = laid.pose.apply(pebble.vertices)[:, 2]
    assert (height < 1e-6).sum() >= 3


def test_a_thin_plate_askew_keeps_its_volume_in_the_file():
    mesh = shapes.box((400, 300, 6))
    made = split(mesh, (220.0, 220.0, 250.0), joints=None, numbers=False)
    assert sum(p.mesh.volume_mm3 for p in made.parts) == pytest.approx(400 * 300 * 6, rel=5e-7)


@given(st.lists(st.tuples(st.floats(5, 220), st.floats(5, 220)), min_size=1, max_size=14))
def test_plates_hold_boxes_apart_and_inside(sizes):
    boxes = [np.array([w, d, 10.0]) for w, d in sizes]
    places = plates(boxes, ROOM)
    low = np.array([[x - b[0] / 2, y - b[1] / 2] for (_, x, y), b in zip(places, boxes)])
    high = np.array([[x + b[0] / 2, y + b[1] / 2] for (_, x, y), b in zip(places, boxes)])
    assert (low > -1e-5).all() and (high < ROOM[:2] + 1e-5).all()
    number = np.array([p[0] for p in places])
    assert set(number) == set(range(number.max() + 1))
    for i in range(len(boxes)):
        for j in range(i):
            if number[i] == number[j]:
                gap = np.maximum(low[i] - high[j], low[j] - high[i]).max()
                assert gap > SPACING_MM - 1e-5


def test_rounding_to_single_precision_keeps_a_mesh_tight():
    """Two rings of vertices nearer than a float can tell apart, far from the origin."""
    near = shapes.revolved([(0, 0), (50, 0), (50, 20), (50, 20 + 1e-7), (0, 40)], 64)
    solid, _ = solid_of(near)
    mesh = as_files_hold(solid, Pose.of((100, 100, 0)), np.ones(3), "near")
    assert trimesh.Trimesh(mesh.vertices, mesh.triangles).is_watertight
    assert (mesh.vertices == mesh.vertices.astype(np.float32)).all()
    assert rounded(TriangleMesh(near.vertices, near.triangles)).soundness.closed


def test_shrinkage_is_applied_once_along_the_printers_axes():
    made = split(shapes.box((300, 100, 50)), shrinkage=Shrinkage((1.0, 1.0, 2.0), "ABS"), joints=None, numbers=False)
    for part in made.parts:
        size = np.ptp(part.mesh.bounds, axis=0) * (1 - np.array([0.01, 0.01, 0.02]))
        assert sorted(size.round(3)) == pytest.approx([50, 100, 150], abs=1e-3)
        assert (np.ptp(part.mesh.bounds, axis=0) <= ROOM).all()
    assert "shrinkage of 1 x 1 x 2 %" in made.notes and "ABS" in made.notes
    with pytest.raises(InputError, match="10 %"):
        _ = Shrinkage((12.0, 0.0, 0.0)).scale


def test_estimates_are_of_the_volume_and_the_wall():
    # By hand: a 100 mm cube of PLA, 1.2 mm of it solid all round, the rest filled to 15 %.
    f = Filament()
    wall = 6 * 100**2 * 1.2
    grams = (wall + 0.15 * (1e6 - wall)) * 1.24e-3
    assert estimate(1e6, f, 6 * 100**2).grams == pytest.approx(grams)
    assert estimate(1000.0, f, 1e9).grams == pytest.approx(1.24)


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("Heron Helm", "heron-helm"),
        ("Ålvar/x:y*", "alvar-x-y"),
        ("CON", "con-piece"),
        ("日本", "piece"),
        ("a" * 99, "a" * 60),
    ],
)
def test_file_names_are_safe_everywhere(name, stem):
    assert safe_stem(name) == stem


def objects_of(path):
    model = lib3mf.Wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0 and model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    meshes = model.GetMeshObjects()
    found = []
    while meshes.MoveNext():
        found.append(meshes.GetCurrentMeshObject())
    return model, found


def test_files_open_elsewhere_and_the_assembly_is_the_piece(tmp_path):
    mesh = shapes.dome(125, 130, -60, segments=32, rings=16)
    made = split(mesh, (180.0, 180.0, 180.0))
    shown = hand_over(made, tmp_path)
    named = {shown["assembly"], shown["build_sheet"], *(p["file"] for p in shown["plates"])}
    named |= {f for p in shown["parts"] for f in p["files"]}
    assert named == {p.name for p in tmp_path.iterdir()}
    for part in shown["parts"]:
        stl = trimesh.load(tmp_path / part["file"])
        assert stl.is_watertight and stl.volume == pytest.approx(part["volume_mm3"], rel=1e-6)
        assert stl.extents == pytest.approx(part["size_mm"], abs=1e-3)
        _, (thing,) = objects_of(tmp_path / part["files"][1])
        assert thing.IsManifoldAndOriented() and thing.GetPartNumber() == str(part["number"])
    model, things = objects_of(tmp_path / shown["assembly"])
    assert [t.GetName() for t in things] == [p["name"] for p in shown["parts"]]
    groups = model.GetComponentsObjects()
    assert groups.MoveNext() and groups.GetCurrentComponentsObject().GetComponentCount() == len(things)
    together = read_mesh(tmp_path / shown["assembly"]).mesh
    assert together.bounds == pytest.approx(mesh.bounds, abs=0.01)
    for plate in shown["plates"]:
        laid = read_mesh(tmp_path / plate["file"]).mesh.bounds
        assert (laid[0] > -1e-4).all() and (laid[1] < 180 + 1e-4).all()


def test_the_same_split_writes_the_same_bytes(tmp_path):
    mesh = shapes.tube(95, 100, 300, 48)
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        hand_over(split(mesh), tmp_path / folder)
    for file in sorted((tmp_path / "a").iterdir()):
        assert file.read_bytes() == (tmp_path / "b" / file.name).read_bytes(), file.name


def test_the_sheet_names_every_part_joint_and_step(tmp_path):
    made = split(shapes.box((300, 300, 300)))
    steps = gluing_steps(made)
    # Eight parts go together in seven steps, each of groups that were one before.
    assert len(steps) == 7
    whole = {frozenset([p.number]) for p in made.parts}
    for left, right, faces in steps:
        assert faces >= 1
        assert frozenset(left) in whole and frozenset(right) in whole
        whole -= {frozenset(left), frozenset(right)}
        whole.add(frozenset(left) | frozenset(right))
    hand_over(made, tmp_path)
    page = next(tmp_path.glob("*.html")).read_text("utf-8")
    for part in made.parts:
        assert f"Part {part.number} of 8" in page
    assert "protective equipment" in page and "estimates" in page and "pins of 11.5 mm" in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")


def test_a_whole_piece_needs_no_order(tmp_path):
    made = split(shapes.box((100, 50, 20), name="lid"))
    shown = write_split(made, tmp_path)
    assert shown["parts"][0]["file"] == "lid-part-1.stl" and not shown["cuts"] and not shown["joints"]
    assert gluing_steps(made) == []
