# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that lie are refused before memory is taken for what they claim; strips and OFF are read."""

from __future__ import annotations

import io
import json
import struct
import tracemalloc
import zipfile

import numpy as np
import pytest
import shapes
import trimesh

from arming_cap.core.errors import InputError
from arming_cap.core.formats import read_mesh, write_mesh

PLY = b"ply\nformat ascii 1.0\nelement vertex %d\nproperty float x\nproperty float y\nproperty float z\n"
FACE = b"element face %d\nproperty list uchar int vertex_indices\nend_header\n"
FOUR = b"0 0 0\n90 0 0\n0 90 0\n0 0 90\n"


def refused(path, words):
    tracemalloc.start()
    with pytest.raises(InputError, match=words) as caught:
        read_mesh(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 60e6, f"{peak / 1e6:.0f} MB for a lie"
    line = str(caught.value)
    assert path.name in line and "\n" not in line


LIES = {
    "fewer.ply": (PLY % 4 + FACE % 9 + FOUR + b"3 0 1 2\n3 0 1 3\n", "9 faces, the file holds 2|at least"),
    "absurd.ply": (PLY % 4 + FACE % 4_000_000_000 + FOUR + b"3 0 1 2\n", "4000000000 of 'face'"),
    "binary.ply": (
        (PLY % 3_000_000_000).replace(b"ascii", b"binary_little_endian") + FACE % 1 + b"\0" * 99,
        "3000000000 of 'vertex'",
    ),
    "negative.ply": (PLY.replace(b"%d", b"-4") + FACE % 1 + FOUR, "header"),
    "zero.obj": (b"v 0 0 0\nv 9 0 0\nv 0 9 0\n# f 0\nf 1 2 3\nf 0 1 2\n", "line 6: a face names corner 0"),
    "zero2.obj": (b"v 0 0 0\nv 9 0 0\nv 0 9 0\nf 1/1 2/2 0/3\n", "line 4: a face names corner 0"),
    "absurd.off": (b"OFF\n3 2000000000 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n", "more than the file can hold"),
    "none.off": (b"OFF\nnothing\n", "no counts"),
    "few.off": (b"OFF\n4 2 0\n0 0 0\n9 0 0\n0 9 0\n3 0 1 2\n", "cannot be read as OFF|can hold"),
}  # fmt: skip


@pytest.mark.parametrize("name", LIES)
def test_a_file_that_lies_is_refused(tmp_path, name):
    content, words = LIES[name]
    (tmp_path / name).write_bytes(content)
    refused(tmp_path / name, words)


def test_faces_of_two_corners_are_left_out_and_told(tmp_path):
    text = b"v 0 0 0\nv 90 0 0\nv 0 90 0\nf 1 2\nf 1 2 3\nf 3//1 1//1\r\n"
    (tmp_path / "edges.obj").write_bytes(text)
    read = read_mesh(tmp_path / "edges.obj")
    assert len(read.mesh) == 1 and read.warnings == ("edges.obj: 2 faces of fewer than three corners were left out",)
    (tmp_path / "long.obj").write_bytes(b"v 0 0 0\nv 90 0 0\nv 0 90 0\nf 1 2 \\\n 3\n")
    assert len(read_mesh(tmp_path / "long.obj").mesh) == 1


@pytest.mark.parametrize("order", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_triangle_strips_are_read(tmp_path, order):
    tube = shapes.tube(40, 44, 50, 24)
    # Each quad of a revolved tube as a strip of four, all in one list, -1 between; one stitched by a repeated corner.
    quads = tube.triangles.reshape(-1, 2, 3)
    rings = len(quads) // 24
    first, second = (tube.triangles.reshape(rings, 2, 24, 3)[:, k].reshape(-1, 3) for k in (0, 1))
    strips = []
    for (a, b, c), (a2, c2, d) in zip(first, second):
        assert (a, c) == (a2, c2)
        strips += [b, c, a, d, d, -1]
    header = (PLY % len(tube.vertices)).replace(b"ascii", order.encode())
    header += b"element tristrips 1\nproperty list int int vertex_indices\nend_header\n"
    if order == "ascii":
        rows = "\n".join(" ".join(map(repr, v)) for v in tube.vertices.tolist())
        body = f"{rows}\n{len(strips)} {' '.join(map(str, strips))}\n".encode()
    else:
        mark = "<" if "little" in order else ">"
        body = tube.vertices.astype(f"{mark}f4").tobytes() + np.array([len(strips), *strips], f"{mark}i4").tobytes()
    (tmp_path / "strips.ply").write_bytes(header + body)
    read = read_mesh(tmp_path / "strips.ply").mesh
    assert read.soundness == tube.soundness
    assert read.volume_mm3 == pytest.approx(tube.volume_mm3, rel=1e-5)
    (tmp_path / "cut.ply").write_bytes(header + body[: len(body) // 2])
    refused(tmp_path / "cut.ply", "at least|cannot be read as PLY")


def test_off_is_read(tmp_path):
    ball = shapes.sphere(50, 24)
    (tmp_path / "ball.off").write_text(
        trimesh.Trimesh(ball.vertices, ball.triangles, process=False).export(file_type="off")
    )
    read = read_mesh(tmp_path / "ball.off").mesh
    assert read.soundness == ball.soundness and read.volume_mm3 == pytest.approx(ball.volume_mm3, rel=1e-5)
    quads = "OFF\n# a comment\n8 6 12\n" + "\n".join(f"{x} {y} {z}" for x in (0, 90) for y in (0, 90) for z in (0, 90))
    quads += "\n4 0 1 3 2\n4 4 6 7 5\n4 0 4 5 1\n4 2 3 7 6\n4 0 2 6 4\n4 1 5 7 3\n"
    (tmp_path / "box.off").write_text(quads)
    assert read_mesh(tmp_path / "box.off").mesh.volume_mm3 == pytest.approx(90**3)


def package(tmp_path, name, change):
    """A sound 3MF file, its entries (name, bytes) run through `change`."""
    write_mesh(tmp_path / "sound.3mf", shapes.box((90, 90, 90)))
    buffer = io.BytesIO()
    with zipfile.ZipFile(tmp_path / "sound.3mf") as old, zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            for where, content in change(entry.filename, old.read(entry)):
                new.writestr(where, content)
    (tmp_path / name).write_bytes(buffer.getvalue())
    return tmp_path / name


def test_a_3mf_that_is_a_bomb_or_reaches_out_is_refused(tmp_path):
    def padded(name, content):
        yield name, content.replace(b"</model>", b" " * 60_000_000 + b"</model>")

    def reaching(name, content):
        yield name, content
        if name.endswith(".model"):
            yield "../../outside.txt", b"x"

    def entities(name, content):
        if name.endswith(".model"):
            content = content.replace(b"<model", b'<!DOCTYPE m [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><model', 1)
        yield name, content

    refused(package(tmp_path, "bomb.3mf", padded), "would unpack")
    refused(package(tmp_path, "reach.3mf", reaching), "outside of it")
    refused(package(tmp_path, "entity.3mf", entities), "entities")
    assert sorted(p.name for p in tmp_path.parent.iterdir() if p.name == "outside.txt") == []
    assert len(read_mesh(package(tmp_path, "same.3mf", lambda n, c: [(n, c)])).mesh) == 12


def test_components_that_multiply_are_bounded(tmp_path):
    def multiplied(name, content):
        if not name.endswith(".model"):
            yield name, content
            return
        objects, last = b"", 1
        for level in range(8):  # ten of ten of ten ...
            number = 100 + level
            parts = b"".join(b'<component objectid="%d"/>' % last for _ in range(10))
            objects += b'<object id="%d" type="model"><components>%s</components></object>' % (number, parts)
            last = number
        start = content.index(b"<object")
        assert b'id="1"' in content[start : start + 40]
        content = content.replace(b"</resources>", objects + b"</resources>").replace(
            b'objectid="1" ', b'objectid="107" '
        )
        content = content.replace(b'<item objectid="1"', b'<item objectid="107"')
        yield name, content

    with pytest.raises(InputError, match="places more than"):
        read_mesh(package(tmp_path, "laugh.3mf", multiplied))


def test_a_glb_that_lies_or_needs_another_file_is_refused(tmp_path):
    def glb(said):
        text = json.dumps(said).encode()
        text += b" " * (-len(text) % 4)
        return b"glTF" + struct.pack("<II", 2, 20 + len(text)) + struct.pack("<I", len(text)) + b"JSON" + text

    lie = {"asset": {"version": "2.0"}, "accessors": [{"componentType": 5126, "count": 2_000_000_000, "type": "VEC3"}]}
    (tmp_path / "lie.glb").write_bytes(glb(lie))
    refused(tmp_path / "lie.glb", "2000000000 values")
    (tmp_path / "out.glb").write_bytes(glb({"asset": {"version": "2.0"}, "buffers": [{"uri": "../../secret.bin"}]}))
    refused(tmp_path / "out.glb", "second file")
