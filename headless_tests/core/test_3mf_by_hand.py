# SPDX-License-Identifier: GPL-3.0-or-later
"""The 3MF files of a split, read by hand from the package's XML: a second reader beside lib3mf, which writes them.

Checked against the 3MF Core Specification, version 1.3: the package (chapter 2), unit and metadata (3.4), resources
before they are referred to (3.4.2), the mesh rules for manifold edges and outward orientation (4.1), components (4.2).
"""

from __future__ import annotations

import zipfile
from xml.etree import ElementTree

import numpy as np
import pytest
import shapes

from arming_cap.core.make.split.split import plan_split, workpiece
from arming_cap.core.make.split.split_model import Shrinkage, SplitOptions
from arming_cap.core.make.split.splitting import carry_out, write_split

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
RELATION = "{http://schemas.openxmlformats.org/package/2006/relationships}"
TYPES = "{http://schemas.openxmlformats.org/package/2006/content-types}"
MODEL = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"


def model_of(path):
    """The root of the model that the package's start part names."""
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        kinds = {t.get("Extension"): t.get("ContentType") for t in
                 ElementTree.fromstring(package.read("[Content_Types].xml")).iter(f"{TYPES}Default")}  # fmt: skip
        assert kinds["model"] == "application/vnd.ms-package.3dmanufacturing-3dmodel+xml" and "rels" in kinds
        relations = ElementTree.fromstring(package.read("_rels/.rels"))
        (target,) = (r.get("Target") for r in relations.iter(f"{RELATION}Relationship") if r.get("Type") == MODEL)
        return ElementTree.fromstring(package.read(target.lstrip("/")))


def matrix(text):
    """Four rows of three, for points as rows."""
    if text is None:
        return np.eye(4, 3)
    numbers = [float(v) for v in text.split()]
    assert len(numbers) == 12
    return np.reshape(numbers, (4, 3))


def read(path):
    """Names and numbers of what is built, with its points in place; and the model's metadata."""
    root = model_of(path)
    assert root.tag == f"{CORE}model" and root.get("unit") == "millimeter"
    assert not root.get("requiredextensions")
    meshes, groups = {}, {}
    for thing in root.find(f"{CORE}resources"):
        assert thing.tag == f"{CORE}object" and thing.get("type", "model") == "model"
        number = thing.get("id")
        assert int(number) > 0 and number not in meshes and number not in groups
        mesh = thing.find(f"{CORE}mesh")
        if mesh is None:
            parts = thing.find(f"{CORE}components")
            assert len(parts)
            groups[number] = [(c.get("objectid"), matrix(c.get("transform"))) for c in parts]
            assert all(own in meshes or own in groups for own, _ in groups[number])
            continue
        points = np.array([[float(v.get(k)) for k in "xyz"] for v in mesh.find(f"{CORE}vertices")])
        triangles = np.array([[int(t.get(k)) for k in ("v1", "v2", "v3")] for t in mesh.find(f"{CORE}triangles")])
        keep_the_mesh_rules(points, triangles)
        meshes[number] = (thing.get("name"), thing.get("partnumber"), points)

    def placed(number, at):
        if number in meshes:
            name, part, points = meshes[number]
            return [(name, part, points @ at[:3] + at[3])]
        found = []
        for own, inner in groups[number]:
            chained = np.vstack([inner[:3] @ at[:3], inner[3] @ at[:3] + at[3]])
            assert np.linalg.det(chained[:3]) > 0  # a mirrored part would be turned inside out
            found += placed(own, chained)
        return found

    items = root.find(f"{CORE}build")
    built = [one for item in items for one in placed(item.get("objectid"), matrix(item.get("transform")))]
    return built, {m.get("name"): m.text for m in root.findall(f"{CORE}metadata")}


def keep_the_mesh_rules(points, triangles):
    assert len(triangles) >= 4 and triangles.min() >= 0 and triangles.max() < len(points)
    assert len(np.unique(points.astype(np.float32), axis=0)) == len(points)
    edges = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    assert (edges[:, 0] != edges[:, 1]).all()
    # Each edge is run through once each way: two triangles share it, and they agree on what is outside.
    forward = np.unique(edges, axis=0)
    assert len(forward) == len(edges)
    assert np.array_equal(forward, np.unique(edges[:, ::-1], axis=0))
    corners = points[triangles]
    assert np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) > 0


@pytest.mark.parametrize("percent", [(0.0, 0.0, 0.0), (0.4, 0.5, 0.2)])
def test_the_files_keep_the_specification_and_the_assembly_is_the_piece(tmp_path, percent):
    mesh = shapes.dome(100, 106, -50, segments=48, rings=24)
    options = SplitOptions((160.0, 150.0, 170.0), 2.0, shrinkage=Shrinkage(percent, "PLA"), scale=0.9)
    piece = workpiece([mesh], "dome & visor")
    made = write_split(carry_out(piece, plan_split(piece, options), options), tmp_path)
    scale = 1 / (1 - np.array(percent) / 100)
    for part in made["parts"]:
        built, about = read(tmp_path / part["files"][1])
        ((name, number, points),) = built
        assert name == part["name"] and number == str(part["number"]) and about["Title"] == "dome & visor"
        assert np.ptp(points, axis=0) == pytest.approx(part["size_mm"], abs=1e-3)
        assert "At 0.9 times the size" in about["Description"]
        assert ("shrinkage of 0.4 x 0.5 x 0.2 %" in about["Description"]) == bool(any(percent))
    on_plates = []
    for plate in made["plates"]:
        built, _ = read(tmp_path / plate["file"])
        on_plates += [int(number) for _, number, _ in built]
        boxes = np.array([(p.min(axis=0), p.max(axis=0)) for *_, p in built])
        assert (boxes[:, 0] > [2 - 1e-4, 2 - 1e-4, -1e-4]).all()
        assert (boxes[:, 1] < [158 + 1e-4, 148 + 1e-4, 170 + 1e-4]).all()
        for i in range(len(boxes)):
            for j in range(i):
                apart = (boxes[i][0][:2] > boxes[j][1][:2]) | (boxes[j][0][:2] > boxes[i][1][:2])
                assert apart.any()
    assert sorted(on_plates) == [p["number"] for p in made["parts"]]
    # Worn, and as it measures after shrinking: the piece itself.
    built, _ = read(tmp_path / made["assembly"])
    assert [number for _, number, _ in built] == [str(p["number"]) for p in made["parts"]]
    together = np.concatenate([points for *_, points in built])
    assert [together.min(axis=0), together.max(axis=0)] == pytest.approx(np.array(mesh.bounds), abs=0.01)
    assert (scale > 1).any() == any(percent)
