# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo production's pieces are what its page says: solid, fine enough, with printable walls, always the same."""

from __future__ import annotations

import sys
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_scenes"
sys.path.insert(0, str(ROOT / "scripts"))

from demo import pieces, referee, wearers  # noqa: E402
from make_demo_scenes import ply_bytes  # noqa: E402

MAKERS = {
    "heron": pieces.heron,
    "sluice": pieces.sluice,
    "limpet": pieces.limpet,
    "reed": pieces.reed,
    "pike": pieces.pike,
}
SCENES = sorted(DEMO.glob("[0-9]*.toml"))


@cache
def made(name):
    return MAKERS[name]()


@cache
def scans():
    return wearers.wearers()


def thickness(vertices, triangles, count=120):
    """Wall under area-weighted random places by rays into the material (Möller and Trumbore 1997), (count,) mm."""
    corners = vertices[triangles]
    side_1, side_2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    cross = np.cross(side_1, side_2)
    area = np.linalg.norm(cross, axis=1)
    found = []
    for row in np.random.default_rng(7).choice(len(triangles), count, p=area / area.sum()):
        way = -cross[row] / area[row]
        start = corners[row].mean(axis=0) - corners[:, 0]
        p = np.cross(way, side_2)
        q = np.cross(start, side_1)
        with np.errstate(divide="ignore", invalid="ignore"):
            det = np.einsum("ij,ij->i", side_1, p)
            u, v = np.einsum("ij,ij->i", start, p) / det, q @ way / det
            t = np.einsum("ij,ij->i", side_2, q) / det
            hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0.05)
        found.append(t[hit].min() if hit.any() else np.inf)
    return np.array(found)


@pytest.mark.parametrize("name", MAKERS)
def test_every_part_is_one_solid_shell(name):
    trimesh = pytest.importorskip("trimesh")
    for part in made(name).values():
        vertices, triangles = referee.arrays(part)
        mesh = trimesh.Trimesh(vertices, triangles, process=False)
        assert mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0
        assert len(part.decompose()) == 1


@pytest.mark.parametrize("name", MAKERS)
def test_a_piece_has_50000_to_200000_triangles(name):
    assert 50_000 <= sum(part.num_tri() for part in made(name).values()) <= 200_000


@pytest.mark.parametrize("name", MAKERS)
def test_walls_are_3_to_5_mm(name):
    for part in made(name).values():
        wall = thickness(*referee.arrays(part))
        # A ray that starts on a rim's or a slot's edge runs along the wall, not through it.
        wall = wall[wall < 12.0]
        assert len(wall) > 80
        assert 3.0 <= np.median(wall) <= 5.0
        assert np.mean((wall > 2.95) & (wall < 5.3)) >= 0.9


@pytest.mark.parametrize("name", MAKERS)
def test_the_files_are_what_the_script_makes(name):
    pieces.reed_grid.cache_clear()
    for part, solid in MAKERS[name]().items():
        assert ply_bytes(*referee.arrays(solid)) == (DEMO / "pieces" / f"{part}.ply").read_bytes()


def test_the_scans_are_what_the_script_makes():
    for name, solid in wearers.wearers().items():
        assert ply_bytes(*referee.arrays(solid)) == (DEMO / "wearers" / f"{name}.ply").read_bytes()


def test_the_limpet_job_undoes_the_export():
    job = tomllib.loads((DEMO / "3_limpet.toml").read_text(encoding="utf-8"))
    places = pieces.limpet_places()
    for part in job["piece"][0]["part"]:
        np.testing.assert_allclose(part["translation_mm"], places[Path(part["file"]).stem], atol=0.005)


def test_every_scene_piece_and_wearer_has_an_expectation():
    expected = tomllib.loads((DEMO / "expected.toml").read_text(encoding="utf-8"))["expected"]
    said = {(e["scene"], e["piece"], e["wearer"]) for e in expected}
    there = set()
    for path in SCENES:
        job = tomllib.loads(path.read_text(encoding="utf-8"))
        there |= {(path.stem, p["name"], w["name"]) for p in job["piece"] for w in job["wearer"]}
        for entry in [w.get("form") or w["card"] for w in job["wearer"]] + [
            q["file"] for p in job["piece"] for q in p["part"]
        ]:
            assert (DEMO / entry).is_file()
    assert said == there
    assert all(e["verdict"] in {"pass", "marginal", "fail", "not checked"} and e["reason"] for e in expected)


@pytest.mark.parametrize(
    ("scene", "maker", "scan", "scale"),
    [
        ("1_heron", pieces.heron, "tovi_head", 0.9),
        ("2_sluice", pieces.sluice, "oren_head", 1.0),
        ("3_limpet", pieces.limpet_worn, "ilse_head", 1.0),
        ("4_reed", pieces.reed, "oren_forearm", 1.0),
        ("5_pike", pieces.pike, "tovi_head", 1.0),
    ],
)
def test_expected_standoff_is_libigls(scene, maker, scan, scale):
    expected = tomllib.loads((DEMO / "expected.toml").read_text(encoding="utf-8"))["expected"]
    entry = next(e for e in expected if e["scene"] == scene and "standoff_mm" in e)
    form = scans()[scan]
    least = min(referee.least_standoff(p.scale((scale,) * 3), form) for p in maker().values())
    assert abs(least - entry["standoff_mm"]) <= 0.1


def test_the_pike_goes_on_only_when_tilted():
    field = referee.Field(scans()["tovi_head"])
    points = referee.sampled(made("pike")["pike_helm"], 9.0)
    assert referee.passage(points, field, straight=True)[0] < -8
    pinch, path = referee.passage(points, field)
    assert pinch > 4 and max(abs(pose[2]) for pose in path) >= 15


def test_the_sluice_goes_on_only_without_its_face():
    field = referee.Field(scans()["oren_head"])
    shell, face = (referee.sampled(made("sluice")[n], 9.0) for n in ("sluice_shell", "sluice_face"))
    assert referee.passage(np.concatenate([shell, face]), field)[0] < -3
    assert referee.passage(shell, field)[0] > 2
