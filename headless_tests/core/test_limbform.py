# SPDX-License-Identifier: GPL-3.0-or-later
"""Limb and torso forms: the girths asked for are the girths measured, by us and by others."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapes import revolved, sphere

from arming_cap.core.errors import InputError
from arming_cap.core.wearer.limbform import KINDS, Station, half_axes, limb_form, limb_form_of, measure
from arming_cap.core.wearer.limbform import tape_girth as taped
from arming_cap.core.wearer.measure import girth
from arming_cap.core.wearer.population import estimate, survey
from arming_cap.core.wearer.reading import Reading
from arming_cap.core.wearer.regions import ALL


def person(sex: str, z: np.ndarray) -> dict[str, float]:
    """One invented adult: the survey's mean moved along the square root of its covariance."""
    group = survey().by_sex[sex]
    root = np.linalg.cholesky(group.covariance)
    return dict(zip(survey().names, group.mean + root @ z))


@settings(max_examples=20)
@given(st.sampled_from(KINDS), st.sampled_from("mf"), st.integers(0, 2**32 - 1))
def test_girths_return_for_any_realistic_adult(kind, sex, seed):
    """A random draw from the survey's own normal: a realistic combination, p1 to p99 and beyond."""
    dimensions = person(sex, np.random.default_rng(seed).standard_normal(len(survey().names)))
    made = limb_form(kind, dimensions)
    for name, found in measure(made).items():
        assert found == pytest.approx(dimensions[name], abs=0.01), name
    facts = made.form.mesh.soundness
    assert facts.solid and facts.shells == 1 and made.form.mesh.volume_mm3 > 0
    assert set(made.form.region_names) <= set(ALL)


@pytest.mark.parametrize("sex", "mf")
@pytest.mark.parametrize("at", [-2.326, 2.326])
@pytest.mark.parametrize("kind", KINDS)
def test_every_dimension_at_its_first_or_last_percentile(kind, sex, at):
    group = survey().by_sex[sex]
    dimensions = dict(zip(survey().names, group.mean + at * np.sqrt(group.covariance.diagonal())))
    made = limb_form(kind, dimensions, "right")
    for name, found in measure(made).items():
        assert found == pytest.approx(dimensions[name], abs=0.01), name


@pytest.mark.parametrize("kind", KINDS)
def test_girths_by_trimesh_sections(kind):
    """trimesh cuts the same planes; a ring is convex, so its section's length is the tape's."""
    import trimesh

    dimensions = person("f", np.zeros(len(survey().names)))
    made = limb_form(kind, dimensions)
    mesh = trimesh.Trimesh(made.form.mesh.vertices, made.form.mesh.triangles, process=False)
    for name, station in made.stations.items():
        # A hair off the plane of vertices, where a section has no double points.
        section = mesh.section(plane_origin=station.centre + 1e-4 * station.normal, plane_normal=station.normal)
        loops = [
            e for e in section.discrete if np.linalg.norm(e - station.centre, axis=1).max() < 1.5 * station.reach_mm
        ]
        assert len(loops) == 1
        length = np.linalg.norm(np.diff(loops[0], axis=0), axis=1).sum()
        assert length == pytest.approx(dimensions[name], abs=0.05), name


@pytest.mark.parametrize("sex", "mf")
@pytest.mark.parametrize("kind", KINDS)
def test_no_form_cuts_itself_by_open3d(kind, sex):
    o3d = pytest.importorskip("open3d")
    for seed in range(2):
        dimensions = person(sex, np.random.default_rng(seed).standard_normal(len(survey().names)))
        mesh = limb_form(kind, dimensions).form.mesh
        seen = o3d.geometry.TriangleMesh(
            o3d.utility.Vector3dVector(mesh.vertices.copy()), o3d.utility.Vector3iVector(mesh.triangles.copy())
        )
        assert seen.is_watertight()  # which includes not cutting itself


def test_lengths_and_frame():
    dimensions = person("m", np.zeros(len(survey().names)))
    leg = limb_form("leg", dimensions).form
    low, high = leg.mesh.bounds
    assert low[2] == pytest.approx(0, abs=1e-9)
    foot = leg.mesh.vertices[leg.mesh.vertices[:, 2] < dimensions["lateral_malleolus_height"]]
    assert np.ptp(foot[:, 1]) == pytest.approx(dimensions["foot_length"], abs=0.5)
    assert foot[:, 1].min() < -100  # toes to the front
    arm = limb_form("arm", dimensions)
    want = sum(dimensions[n] for n in ("hand_length", "radiale_stylion_length", "shoulder_elbow_length"))
    assert np.ptp(arm.form.mesh.vertices[:, 2]) == pytest.approx(want)
    assert arm.form.landmarks["wrist_left"][2] == pytest.approx(dimensions["hand_length"])
    assert low[0] == pytest.approx(-high[0])


def test_a_girth_between_stations_stays_below_the_largest():
    made = limb_form("leg", person("m", np.zeros(len(survey().names))))
    calf = made.stations["calf_circumference"]
    for z in np.linspace(made.stations["ankle_circumference"].centre[2], calf.centre[2], 15):
        level = replace(calf, centre=np.array([0, 0, z + 1e-6]))
        assert taped(made.form.mesh, level) <= measure(made)["calf_circumference"] + 1e-6


@pytest.mark.parametrize(
    ("kind", "regions", "landmarks"),
    [
        ("arm", "upper_arm elbow forearm wrist hand", "acromion elbow wrist hand fingertip"),
        ("leg", "thigh knee calf ankle heel instep foot", "crotch knee calf ankle heel_ankle heel toe_tip"),
    ],
)
@pytest.mark.parametrize("side", ["left", "right"])
def test_every_place_has_its_name_and_side(kind, regions, landmarks, side):
    form = limb_form(kind, person("f", np.zeros(len(survey().names))), side).form
    assert set(form.region_names) == {f"{name}_{side}" for name in regions.split()}
    assert {f"{name}_{side}" for name in landmarks.split()} <= set(form.landmarks)
    centre = form.mesh.corners.mean(axis=1)
    place = {n: centre[np.array(form.regions_at(np.arange(len(form.mesh)))) == f"{n}_{side}"] for n in regions.split()}
    heights = [place[n][:, 2].mean() for n in regions.split()[:5]]
    assert heights == sorted(heights, reverse=True)
    if kind == "leg":  # toes to the front, the heel behind and below the instep
        assert place["foot"][:, 1].mean() < place["instep"][:, 1].mean() < place["heel"][:, 1].mean()
        assert place["heel"][:, 2].mean() < place["instep"][:, 2].mean()
    else:
        assert form.landmarks[f"fingertip_{side}"][2] == form.mesh.bounds[0][2] == 0


@pytest.mark.parametrize("sex", "mf")
def test_what_must_pass_over_the_hand_is_the_hands_girth(sex):
    """By trimesh's level sections: between wrist and fingertip nothing is larger than where the tape was laid."""
    import trimesh

    dimensions = person(sex, np.zeros(len(survey().names)))
    form = limb_form("arm", dimensions).form
    mesh = trimesh.Trimesh(form.mesh.vertices, form.mesh.triangles, process=False)
    levels = np.linspace(2.0, dimensions["hand_length"], 60)
    girths = [mesh.section(plane_origin=(0, 0, z), plane_normal=(0, 0, 1)).length for z in levels]
    assert max(girths) == pytest.approx(dimensions["hand_circumference"], abs=1.0)
    assert girths[-1] == pytest.approx(dimensions["wrist_circumference"], abs=1.0)
    assert girths[0] < 0.5 * max(girths)  # a fingertip is no knuckle


def test_measured_elbow_and_knee_get_their_rings():
    known = {"elbow_circumference": Reading(280), "knee_circumference": Reading(390)}
    guess = estimate(known, "m")
    assert measure(limb_form_of(guess, "arm"))["elbow_circumference"] == pytest.approx(280)
    assert measure(limb_form_of(guess, "leg"))["knee_circumference"] == pytest.approx(390)
    assert any("knee" in note for note in limb_form_of(estimate({}, "m"), "leg").notes)


def test_the_upper_form_is_the_wider_and_its_spread_is_the_intervals():
    guess = estimate({"stature": Reading(1700)}, "f")
    plain, wide = limb_form_of(guess, "leg"), limb_form_of(guess, "leg", upper=True)
    for name, found in measure(wide).items():
        assert found == pytest.approx(guess.dimensions[name].high, abs=0.01)
        assert found > measure(plain)[name]
    calf = guess.dimensions["calf_circumference"]
    assert plain.form.spread_mm["calf_left"] == pytest.approx((calf.high - calf.low) / (4 * math.pi))
    assert {"chest", "back"} <= limb_form_of(guess, "torso").form.spread_mm.keys()


@given(st.floats(50, 1500), st.floats(10, 600), st.floats(0.3, 3))
def test_rings_have_the_girth_asked_for(girth, breadth, ratio):
    from scipy.special import ellipe

    for a, b in (half_axes(girth, breadth=breadth, ratio=ratio), half_axes(girth, ratio=ratio)):
        # The ellipse is the limit of the polygon: 72 chords fall short of it by about the square of their angle / 24.
        ellipse = 4 * max(a, b) * ellipe(1 - (min(a, b) / max(a, b)) ** 2)
        assert girth < ellipse < girth * (1 + 0.004)
    a, _ = half_axes(girth, breadth=breadth)
    assume(girth > 2.3 * breadth)
    assert a == pytest.approx(breadth / 2)


def test_a_tape_spans_hollows():
    station = Station(np.array([0, 0, 10.0]), np.array([0, 0, 1.0]), 60.0)
    assert taped(sphere(50, segments=256), station) == pytest.approx(2 * math.pi * math.sqrt(50**2 - 10**2), rel=2e-4)
    waisted = revolved([(0, 0), (30, 0), (30, 20), (0, 20)], 64)
    assert taped(waisted, station) == pytest.approx(64 * 2 * 30 * math.sin(math.pi / 64))


def test_the_tape_is_scipys_hull():
    from scipy.spatial import ConvexHull

    points = np.random.default_rng(3).standard_normal((300, 2))
    flat = np.column_stack([points, np.zeros(len(points))])
    assert girth(flat, np.array([0.0, 0.0, 1.0])) == pytest.approx(ConvexHull(points).area)  # a perimeter in the plane


def test_bad_input_is_one_clear_line():
    dimensions = person("m", np.zeros(len(survey().names)))
    for kind, change, words in (
        ("wing", {}, "use arm, leg, torso"),
        ("leg", {"calf_circumference": None}, "calf circumference is needed"),
        ("leg", {"calf_circumference": math.nan}, "no length"),
        ("leg", {"foot_length": -1.0}, "no length"),
        ("leg", {"foot_length": 120.0}, "too short"),
        ("leg", {"lateral_malleolus_height": 300.0}, "make no foot"),
    ):
        with pytest.raises(InputError, match=words):
            limb_form(kind, {k: v for k, v in {**dimensions, **change}.items() if v is not None})


def test_quick_and_the_same_every_time():
    dimensions = person("f", np.zeros(len(survey().names)))
    start = time.perf_counter()
    first = limb_form("leg", dimensions).form.mesh
    assert time.perf_counter() - start < 1.0
    assert first.content_hash == limb_form("leg", dimensions).form.mesh.content_hash
