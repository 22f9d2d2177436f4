# SPDX-License-Identifier: GPL-3.0-or-later
"""Files in and out, and every way a file can be wrong: one line that names it, and nothing left behind."""

from __future__ import annotations

import os
import struct

import lib3mf
import numpy as np
import pytest
import shapes
import trimesh

from arming_cap.core.errors import InputError
from arming_cap.core.files import write_text, written_whole
from arming_cap.core.formats import WRITABLE, read_mesh, write_mesh
from arming_cap.core.mesh import TriangleMesh


def binary_stl(count: int, triangles: int) -> bytes:
    one = struct.pack("<12fH", 0, 0, 1, 0, 0, 0, 9, 0, 0, 0, 9, 0, 0)
    return b"\0" * 80 + struct.pack("<I", count) + one * triangles


@pytest.mark.parametrize("ending", WRITABLE)
def test_what_is_written_is_read_back(tmp_path, ending):
    ball = shapes.sphere(50, 48)
    write_mesh(tmp_path / f"ball{ending}", ball)
    again = read_mesh(tmp_path / f"ball{ending}")
    assert again.mesh.name == "ball" and not again.warnings
    assert again.mesh.soundness == ball.soundness
    assert again.mesh.bounds == pytest.approx(ball.bounds, abs=1e-4)
    assert again.mesh.volume_mm3 == pytest.approx(ball.volume_mm3, rel=1e-5)
    assert [p.name for p in tmp_path.iterdir()] == [f"ball{ending}"]


@pytest.mark.parametrize("ending", [".stl", ".ply", ".obj"])
def test_trimesh_reads_what_we_write(tmp_path, ending):
    write_mesh(tmp_path / f"box{ending}", shapes.box((20, 30, 40)))
    assert trimesh.load(tmp_path / f"box{ending}", force="mesh").volume == pytest.approx(24000, rel=1e-5)


@pytest.mark.parametrize(("units", "factor"), [("mm", 1), ("cm", 10), ("m", 1000), ("in", 25.4)])
def test_the_unit_is_applied_once(tmp_path, units, factor):
    write_mesh(tmp_path / "a.stl", shapes.box((2, 2, 2)))
    assert np.ptp(read_mesh(tmp_path / "a.stl", units).mesh.bounds) == pytest.approx(2 * factor)


def test_what_we_write_as_ply_says_its_unit(tmp_path):
    write_mesh(tmp_path / "form.ply", shapes.box((150, 200, 250)))
    read = read_mesh(tmp_path / "form.ply", "in")
    assert np.ptp(read.mesh.bounds, axis=0).max() == pytest.approx(250)
    assert read.stated and "says mm; --units in was not applied" in read.warnings[0]
    assert trimesh.load(tmp_path / "form.ply", force="mesh").volume == pytest.approx(7.5e6, rel=1e-5)


@pytest.mark.parametrize(("unit", "factor"), [("Inch", 25.4), ("Meter", 1000), ("MicroMeter", 0.001), ("Foot", 304.8)])
def test_3mf_says_its_unit(tmp_path, unit, factor):
    """3MF Core 1.4.0: the unit stands on <model>."""
    path = tmp_path / "said.3mf"
    model = lib3mf.Wrapper().CreateModel()
    model.SetUnit(getattr(lib3mf.ModelUnit, unit))
    thing = model.AddMeshObject()
    box = shapes.box((100, 100, 100))
    thing.SetGeometry(
        [lib3mf.Position((v[0], v[1], v[2])) for v in box.vertices.tolist()],
        [lib3mf.Triangle(tuple(t)) for t in box.triangles.tolist()],
    )
    model.AddBuildItem(thing, lib3mf.Wrapper().GetTranslationTransform(5, 0, 0))
    model.QueryWriter("3mf").WriteToFile(str(path))
    read = read_mesh(path, "in")
    assert np.ptp(read.mesh.bounds, axis=0)[0] == pytest.approx(100 * factor)
    assert read.mesh.bounds.mean(axis=0)[0] == pytest.approx(5 * factor)
    assert bool(read.warnings) == (unit != "Inch")


def test_3mf_keeps_parts_apart_with_their_names(tmp_path):
    write_mesh(tmp_path / "two.3mf", [shapes.box(name="left"), shapes.box(centre=(9, 0, 0), name="right")])
    assert [m.name for m in read_mesh(tmp_path / "two.3mf").meshes] == ["left", "right"]


def test_3mf_leaves_out_triangles_of_two_corners(tmp_path):
    box = shapes.box((90, 80, 70))
    write_mesh(tmp_path / "box.3mf", TriangleMesh(box.vertices, [*box.triangles.tolist(), [0, 0, 1], [2, 3, 2]]))
    read = read_mesh(tmp_path / "box.3mf").mesh
    assert read.soundness == box.soundness and read.volume_mm3 == pytest.approx(90 * 80 * 70)


def test_glb_is_metres_and_y_up(tmp_path):
    """glTF 2.0: metres, +Y up, models face +Z."""
    mesh = trimesh.Trimesh(
        [[0, 0, 0], [0.1, 0, 0], [0, 0.2, 0], [0, 0, 0.3]], [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]
    )
    (tmp_path / "scan.glb").write_bytes(mesh.export(file_type="glb"))
    bounds = read_mesh(tmp_path / "scan.glb").mesh.bounds
    assert bounds == pytest.approx(np.array([[0, -300, 0], [100, 0, 200]]), abs=1e-3)


def test_an_assembly_stored_in_a_glb_or_3mf_is_kept(tmp_path):
    """Each part lies where its node, or the component that places it, puts it; of 3MF it keeps its name, too."""
    turn = trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0], [0, 0, 0])
    turn[:3, 3] = (0.2, 0.0, 0.0)
    made = trimesh.Scene()
    made.add_geometry(trimesh.creation.box((0.1, 0.1, 0.1)), node_name="shell", geom_name="shell")
    made.add_geometry(trimesh.creation.box((0.02, 0.04, 0.06)), node_name="visor", geom_name="visor", transform=turn)
    (tmp_path / "worn.glb").write_bytes(made.export(file_type="glb"))
    # One mesh, each node where it is placed; the second, turned, has sides of 60, 20 and 40 mm in our frame.
    read = read_mesh(tmp_path / "worn.glb").mesh
    for low, high in (((-50, -50, -50), (50, 50, 50)), ((170, -10, -20), (230, 10, 20))):
        own = read.vertices[(read.vertices[:, 0] > low[0] - 1) & (read.vertices[:, 0] < high[0] + 1)]
        assert np.array([own.min(axis=0), own.max(axis=0)]) == pytest.approx(np.array([low, high]), abs=1e-3)

    wrapper = lib3mf.Wrapper()
    model = wrapper.CreateModel()
    whole = model.AddComponentsObject()
    for at in (0.0, 90.0):
        part = model.AddMeshObject()
        box = shapes.box((10, 10, 10))
        part.SetGeometry(
            [lib3mf.Position((v[0], v[1], v[2])) for v in box.vertices.tolist()],
            [lib3mf.Triangle(tuple(t)) for t in box.triangles.tolist()],
        )
        part.SetName(f"part {at:g}")
        whole.AddComponent(part, wrapper.GetTranslationTransform(at, 0, 0))
    model.AddBuildItem(whole, wrapper.GetTranslationTransform(0, 5, 0))
    model.QueryWriter("3mf").WriteToFile(str(tmp_path / "worn.3mf"))
    middles = {mesh.name: mesh.bounds.mean(axis=0) for mesh in read_mesh(tmp_path / "worn.3mf").meshes}
    assert middles["part 0"] == pytest.approx([0, 5, 0]) and middles["part 90"] == pytest.approx([90, 5, 0])


BAD = {
    "empty.stl": (b"", "empty"),
    "short.stl": (b"\0" * 50, "too short"),
    "lying.stl": (binary_stl(4_000_000_000, 2), "declares 4000000000 triangles, the file holds 2"),
    "truncated.stl": (binary_stl(5, 5)[:-30], "declares 5 triangles, the file holds 4"),
    "broken.stl": (b"solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\n", "breaks off"),
    "none.stl": (binary_stl(0, 0), "no triangles"),
    "text.obj": (b"# nothing here\n", ""),
    "out.obj": (b"v 0 0 0\nv 1 0 0\nf 1 2 9\n", ""),
    "nan.obj": (b"v 0 0 0\nv nan 0 0\nv 0 9 0\nf 1 2 3\n", "not finite"),
    "inf.obj": (b"v 0 0 0\nv inf 0 0\nv 0 9 0\nf 1 2 3\n", "not finite"),
    "flat.obj": (b"v 0 0 0\nv 9 0 0\nv 18 0 0\nf 1 2 3\n", "zero area"),
    "binary.obj": (b"\0\1\2\3" * 99, "not OBJ text"),
    "really_ply.obj": (b"ply\nformat ascii 1.0\n", "rename it to end in .ply"),
    "really_zip.stl": (b"PK\3\4" + b"x" * 200, "rename it to end in .3mf"),
    "cut.ply": (b"ply\nformat binary_little_endian 1.0\nelement vertex 9\n", "cannot be read as PLY"),
    "no.ply": (b"hello, this is no mesh", "not PLY"),
    "no.3mf": (b"PK\3\4 and then nothing of use", "cannot be read as 3MF"),
    "model.step": (b"ISO-10303-21;", "not a mesh format"),
    "plain": (b"x", "no ending"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_in_one_line(tmp_path, name):
    content, words = BAD[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_mesh(tmp_path / name)
    line = str(caught.value)
    assert name in line and words in line and "\n" not in line
    assert caught.value.remedy


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    (tmp_path / "folder.stl").mkdir()
    for name, words in {"absent.stl": "no such file", "folder.stl": "a folder"}.items():
        with pytest.raises(InputError, match=words):
            read_mesh(tmp_path / name)


@pytest.mark.skipif(os.name == "nt", reason="file names are text there")
def test_a_name_that_is_not_utf8_is_refused(tmp_path):
    raw = os.fsencode(tmp_path) + b"/h\xe9lm.stl"
    with open(raw, "wb") as file:
        file.write(binary_stl(1, 1))
    with pytest.raises(InputError, match="not valid UTF-8"):
        read_mesh(os.fsdecode(raw))


def test_what_stood_there_survives_a_failure(tmp_path):
    path = tmp_path / "kept.txt"
    write_text(path, "before")
    with pytest.raises(RuntimeError), written_whole(path) as temporary:
        temporary.write_text("half")
        raise RuntimeError
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]


def test_nothing_is_written_for_an_unknown_ending(tmp_path):
    with pytest.raises(InputError, match="not a format written"):
        write_mesh(tmp_path / "a.xyz", shapes.box())
    assert not list(tmp_path.iterdir())


def test_a_soup_in_stl_comes_back_welded(tmp_path):
    ball = shapes.sphere(10, 24)
    loose = TriangleMesh(ball.corners.reshape(-1, 3), np.arange(3 * len(ball)).reshape(-1, 3))
    write_mesh(tmp_path / "loose.stl", loose)
    assert len(read_mesh(tmp_path / "loose.stl").mesh.vertices) == len(ball.vertices)
