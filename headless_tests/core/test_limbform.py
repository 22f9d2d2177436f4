# SPDX-License-Identifier: GPL-3.0-or-later
"""Arm, leg and torso: what is asked is what is measured, by us and by others; a body's card makes it again.

People are drawn about the moments of ANSUR II (NATICK/TR-15/007). `scripts/validate_bodies.py` asks the same of 200.
"""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import revolved, sphere

from arming_cap.core.errors import InputError
from arming_cap.core.wearer.bend import monotone, step, stretched
from arming_cap.core.wearer.bodytemplate import body_template
from arming_cap.core.wearer.form import CUT
from arming_cap.core.wearer.limbform import KINDS, SHAPE_MM, Station, limb_form, limb_form_of, measure
from arming_cap.core.wearer.limbform import tape_girth as taped
from arming_cap.core.wearer.measure import girth
from arming_cap.core.wearer.population import estimate, survey
from arming_cap.core.wearer.reading import Reading
from arming_cap.core.wearer.regions import ALL

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "scripts"))
MAN, WOMAN = (0.5, 0.0, 0.5), (0.0, 1.0, 0.0)


def person(sex: str, z: np.ndarray | None = None) -> dict[str, float]:
    """One invented adult: the survey's mean moved along the square root of its covariance, cut off at p1 and p99."""
    group = survey().by_sex[sex]
    root, reach = np.linalg.cholesky(group.covariance), 2.3263 * np.sqrt(group.covariance.diagonal())
    off = root @ (np.zeros(len(reach)) if z is None else z)
    return dict(zip(survey().names, group.mean + np.clip(off, -reach, reach)))


def within(made, dimensions) -> None:
    """Lengths within 1 mm, girths within 2 mm: the contract."""
    for name, found in made.measured.items():
        if name in dimensions:
            most = 2.0 if name.endswith(("circumference", "flexed")) else 1.0
            assert found == pytest.approx(dimensions[name], abs=most), name
    assert measure(made).items() <= {n: pytest.approx(v, abs=1e-3) for n, v in made.measured.items()}.items()


@settings(max_examples=6, deadline=None)
@given(st.sampled_from(KINDS), st.sampled_from("mf"), st.integers(0, 2**32 - 1))
def test_dimensions_return_for_any_realistic_adult(kind, sex, seed):
    """A random draw from the survey's own normal: a realistic combination, p1 to p99."""
    dimensions = person(sex, np.random.default_rng(seed).standard_normal(len(survey().names)))
    made = limb_form(kind, dimensions, shares=MAN if sex == "m" else WOMAN)
    within(made, dimensions)
    facts = made.form.mesh.soundness
    assert facts.solid and facts.shells == 1 and made.form.mesh.volume_mm3 > 0
    assert set(made.form.region_names) <= {CUT, *ALL}


@pytest.mark.parametrize("sex", "mf")
@pytest.mark.parametrize("at", [-2.326, 2.326])
@pytest.mark.parametrize("kind", KINDS)
def test_every_dimension_at_its_first_or_last_percentile(kind, sex, at):
    group = survey().by_sex[sex]
    dimensions = dict(zip(survey().names, group.mean + at * np.sqrt(group.covariance.diagonal())))
    within(limb_form(kind, dimensions, "right", shares=MAN if sex == "m" else WOMAN), dimensions)


@pytest.mark.parametrize("kind", KINDS)
def test_girths_by_trimesh_sections(kind):
    """trimesh cuts the same planes, shapely's convex hull is the tape."""
    import shapely
    import trimesh

    dimensions = person("f")
    made = limb_form(kind, dimensions, shares=WOMAN)
    for name, station in made.stations.items():
        rows = slice(None) if station.triangles is None else station.triangles
        mesh = trimesh.Trimesh(made.form.mesh.vertices, made.form.mesh.triangles[rows], process=False)
        section = mesh.section(plane_origin=station.centre, plane_normal=station.normal)
        near = [
            e for e in section.discrete if np.linalg.norm(e - station.centre, axis=1).max() < 1.5 * station.reach_mm
        ]
        flat = np.linalg.svd(np.eye(3) - np.outer(station.normal, station.normal))[0][:, :2]
        hull = shapely.MultiPoint(np.vstack(near) @ flat).convex_hull
        assert hull.length == pytest.approx(dimensions[name], abs=0.3), name


@pytest.mark.parametrize("sex", "mf")
@pytest.mark.parametrize("kind", KINDS)
def test_no_form_cuts_itself_by_open3d(kind, sex):
    o3d = pytest.importorskip("open3d", exc_type=ImportError)
    for seed in range(2):
        dimensions = person(sex, np.random.default_rng(seed).standard_normal(len(survey().names)))
        mesh = limb_form(kind, dimensions, shares=MAN if sex == "m" else WOMAN).form.mesh
        seen = o3d.geometry.TriangleMesh(
            o3d.utility.Vector3dVector(mesh.vertices.copy()), o3d.utility.Vector3iVector(mesh.triangles.copy())
        )
        assert seen.is_watertight()  # which includes not cutting itself


@pytest.mark.parametrize("kind", KINDS)
def test_a_bodys_own_card_makes_the_body_again(kind):
    """Issue's bound: 8 mm RMS; what is reached is 1, 2.4 and 3.8 mm, and half as much again where it is left out."""
    pytest.importorskip("open3d", exc_type=ImportError)
    import validate_bodies as bodies

    for body in range(3):
        _, _, off = bodies.beside(kind, body, False)
        assert bodies.rms(off) < {"arm": 1.5, "leg": 3.0, "torso": 4.5}[kind]
    _, _, off = bodies.beside(kind, 0, True)  # a man made from another man
    assert bodies.rms(off) < 8.0


@settings(max_examples=50)
@given(st.lists(st.floats(-0.5, 0.5), min_size=4, max_size=4), st.floats(0.3, 2.0))
def test_maps_keep_the_order_of_points_along_lines(values, stretch):
    z = np.linspace(-80, 900, 2000)
    x = np.array([0.0, 190.0, 440.0, 720.0])
    rising = stretched(x, np.cumsum(stretch * np.exp(values)) * 200, z)
    assert np.all(np.diff(rising) > 0)
    between = monotone(x, values, z)
    assert between.min() >= min(values) - 1e-12 and between.max() <= max(values) + 1e-12
    assert np.all(np.diff(step(z, 100, 300)) >= 0) and step(np.array([100.0, 200.0, 300.0]), 100, 300).tolist() == [
        0,
        0.5,
        1,
    ]


def test_lengths_and_frame():
    dimensions = person("m")
    leg = limb_form("leg", dimensions, shares=MAN).form
    assert abs(leg.mesh.bounds[0, 2]) < 4.0  # the sole stands on the floor
    assert leg.landmarks["toe_tip_left"][1] < leg.landmarks["heel_left"][1] - 200  # toes to the front
    arm = limb_form("arm", dimensions, shares=MAN)
    want = sum(dimensions[n] for n in ("hand_length", "radiale_stylion_length", "shoulder_elbow_length"))
    assert arm.form.landmarks["acromion_left"][2] == pytest.approx(want, abs=0.5)
    assert arm.form.landmarks["wrist_left"][2] == pytest.approx(dimensions["hand_length"], abs=0.5)
    left, right = (limb_form("leg", dimensions, side, shares=MAN).form for side in ("left", "right"))
    assert np.array_equal(left.mesh.vertices * [-1, 1, 1], right.mesh.vertices)
    assert right.mesh.volume_mm3 == pytest.approx(left.mesh.volume_mm3)
    # The inner ankle is nearer to the other leg: the big toe lies on the left foot's right.
    assert left.landmarks["toe_tip_left"][0] < 0


def test_the_waist_has_its_breadth_and_depth_by_trimesh():
    """Two people with one girth and unlike breadths are two shapes."""
    import trimesh

    plain = person("f")
    flat = {**plain, "waist_breadth": plain["waist_breadth"] + 12, "waist_depth": plain["waist_depth"] - 12}
    for dimensions in (plain, flat):
        made = limb_form("torso", dimensions, shares=WOMAN)
        mesh = trimesh.Trimesh(made.form.mesh.vertices, made.form.mesh.triangles, process=False)
        ring = mesh.section(plane_origin=made.stations["waist_circumference"].centre, plane_normal=(0, 0, 1))
        assert np.ptp(ring.vertices[:, 0]) == pytest.approx(dimensions["waist_breadth"], abs=1.0)
        assert np.ptp(ring.vertices[:, 1]) == pytest.approx(dimensions["waist_depth"], abs=1.0)
        assert measure(made)["waist_circumference"] == pytest.approx(dimensions["waist_circumference"], abs=2.0)


@pytest.mark.parametrize("kind", KINDS)
def test_cut_faces_are_marked(kind):
    made = limb_form(kind, person("m"), shares=MAN)
    assert np.array_equal(made.form.on_cut, body_template(kind).on_cut)
    area = made.form.mesh.areas[made.form.on_cut].sum()
    least = {"arm": 6_000, "leg": 20_000, "torso": 45_000}[kind]  # mm²: an armpit's, a thigh's; neck, arms and thighs
    assert least < area < 3 * least


@pytest.mark.parametrize(
    ("kind", "regions", "landmarks"),
    [
        ("arm", "upper_arm elbow forearm wrist hand thumb", "acromion elbow wrist hand fingertip"),
        ("leg", "thigh knee calf ankle heel instep foot", "crotch knee calf ankle heel_ankle heel toe_tip"),
    ],
)
@pytest.mark.parametrize("side", ["left", "right"])
def test_every_place_has_its_name_and_side(kind, regions, landmarks, side):
    form = limb_form(kind, person("f"), side, shares=WOMAN).form
    assert set(form.region_names) == {CUT, *(f"{name}_{side}" for name in regions.split())}
    assert {f"{name}_{side}" for name in landmarks.split()} <= set(form.landmarks)
    centre = form.mesh.corners.mean(axis=1)
    place = {n: centre[np.array(form.regions_at(np.arange(len(form.mesh)))) == f"{n}_{side}"] for n in regions.split()}
    heights = [place[n][:, 2].mean() for n in regions.split()[:5]]
    assert heights == sorted(heights, reverse=True)
    if kind == "leg":  # toes to the front, the heel behind and below the instep
        assert place["foot"][:, 1].mean() < place["instep"][:, 1].mean() < place["heel"][:, 1].mean()
        assert place["heel"][:, 2].mean() < place["instep"][:, 2].mean()
    else:  # the thumb in front, the palm to the thigh
        assert place["thumb"][:, 1].mean() < place["hand"][:, 1].mean()


def test_measured_elbow_and_knee_shape_the_form():
    known = {"elbow_circumference": Reading(280), "knee_circumference": Reading(390)}
    guess = estimate(known, "m")
    assert measure(limb_form_of(guess, "arm"))["elbow_circumference"] == pytest.approx(280, abs=0.5)
    assert measure(limb_form_of(guess, "leg"))["knee_circumference"] == pytest.approx(390, abs=0.5)
    assert any("knee" in note for note in limb_form_of(estimate({}, "m"), "leg").notes)


def test_the_upper_form_is_the_wider_and_the_spread_joins_dimension_and_shape():
    guess = estimate({"stature": Reading(1700)}, "f")
    plain, wide = limb_form_of(guess, "leg"), limb_form_of(guess, "leg", upper=True)
    for name, found in measure(wide).items():
        assert found == pytest.approx(guess.dimensions[name].high, abs=2.0)
        assert found > measure(plain)[name]
    calf = guess.dimensions["calf_circumference"]
    radius = (calf.high - calf.low) / (4 * math.pi)
    assert plain.form.spread_mm["calf_left"] == pytest.approx(math.hypot(radius, SHAPE_MM["calf"]))
    assert not any(wide.form.spread_mm.values())
    torso = limb_form_of(guess, "torso").form
    assert all(torso.spread_mm[name] > 0 for name in torso.region_names if name != CUT)


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
    dimensions = person("m")
    for kind, change, words in (
        ("wing", {}, "use arm, leg, torso"),
        ("leg", {"calf_circumference": None}, "calf circumference is needed"),
        ("leg", {"calf_circumference": math.nan}, "no length"),
        ("leg", {"foot_length": -1.0}, "no length"),
        ("leg", {"tibial_height": 620.0}, "is not below"),
        ("torso", {"waist_circumference": 1300.0}, "no body takes these dimensions together"),
    ):
        with pytest.raises(InputError, match=words):
            limb_form(kind, {k: v for k, v in {**dimensions, **change}.items() if v is not None})


@pytest.mark.parametrize("kind", KINDS)
def test_quick_and_the_same_every_time(kind):
    dimensions = person("f")
    limb_form(kind, dimensions)
    start = time.process_time()
    first = limb_form(kind, dimensions).form.mesh
    assert time.process_time() - start < 4.0
    assert first.content_hash == limb_form(kind, dimensions).form.mesh.content_hash
