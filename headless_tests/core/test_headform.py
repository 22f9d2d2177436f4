"""A headform measures as it was asked to; the tape is checked against closed forms.

People are drawn about the means and covariances of ANSUR II (NATICK/TR-15/007); open3d says whether a form cuts itself;
Ramanujan's perimeter of the ellipse is the referee of the tape.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from shapes import ellipsoid

from arming_cap.core.errors import InputError
from arming_cap.core.wearer.dimension import DIMENSIONS
from arming_cap.core.wearer.form import CUT, Form
from arming_cap.core.wearer.headform import SHAPED, form_from_dimensions, head_form_of
from arming_cap.core.wearer.measure import girth, measure, section_points
from arming_cap.core.wearer.population import estimate, survey
from arming_cap.core.wearer.reading import Reading
from arming_cap.core.wearer.template import template_head

NAMES = survey().names
HEAD = [i for i, name in enumerate(NAMES) if name in SHAPED]


def crowd(sex: str, count: int, seed: int) -> list[dict[str, tuple[float, float]]]:
    """Draw people from the survey's moments, each dimension cut off at its first and last percentile."""
    group = survey().by_sex[sex]
    reach = 2.3263 * np.sqrt(group.covariance.diagonal())
    drawn = np.random.default_rng(seed).multivariate_normal(group.mean, group.covariance, count)
    drawn = np.clip(drawn, group.mean - reach, group.mean + reach)
    return [{NAMES[i]: (float(row[i]), 2.0) for i in HEAD} for row in drawn]


def extreme(sex: str, ends: dict[str, float]) -> dict[str, tuple[float, float]]:
    """One person with some dimensions so many standard deviations off, the others as the survey expects then."""
    group = survey().by_sex[sex]
    known = {
        n: Reading(group.mean[NAMES.index(n)] + z * group.covariance[(NAMES.index(n),) * 2] ** 0.5)
        for n, z in ends.items()
    }
    return {n: (v.mean, 2.0) for n, v in estimate(known, sex).dimensions.items() if n in SHAPED}


def cuts_itself(mesh) -> bool:
    o3d = pytest.importorskip("open3d", exc_type=ImportError)
    vertices = o3d.utility.Vector3dVector(mesh.vertices.copy())
    return o3d.geometry.TriangleMesh(
        vertices, o3d.utility.Vector3iVector(mesh.triangles.astype(np.int32))
    ).is_self_intersecting()


def test_every_dimension_of_the_head_shapes_the_form():
    form = form_from_dimensions(crowd("f", 1, 0)[0])
    assert set(measure(form)) == set(SHAPED) == {n for n, of in DIMENSIONS.items() if of.group == "head"}


@pytest.mark.parametrize("sex", "mf")
def test_the_form_measures_as_asked_and_stays_sound(sex):
    """A few of what scripts/validate_headforms.py tries hundreds of."""
    for wanted in crowd(sex, 15, 1):
        form = form_from_dimensions(wanted)
        found = measure(form)
        for name, (mean, _) in wanted.items():
            assert found[name] == pytest.approx(mean, abs=0.25), name  # asked for: 1 mm
        assert form.mesh.soundness.solid
        v = form.mesh.vertices
        np.testing.assert_allclose(v[template_head().mirror], v * [-1.0, 1.0, 1.0], atol=1e-9)


@pytest.mark.parametrize("sex", "mf")
def test_the_form_does_not_cut_itself(sex):
    for wanted in crowd(sex, 2, 2):
        assert not cuts_itself(form_from_dimensions(wanted).mesh)


@pytest.mark.parametrize("sex", "mf")
@pytest.mark.parametrize(
    "ends",
    [
        {"neck_circumference": 2.33, "bitragion_chin_arc": -1.5},
        {"neck_circumference": -2.33, "bitragion_chin_arc": 2.33},
        {"head_breadth": 2.33, "head_length": -2.33, "neck_circumference": 2.33},
        {"head_breadth": -2.33, "head_length": 2.33},
        {"bitragion_submandibular_arc": -2.33, "menton_sellion_length": 2.33},
        {"ear_length": 2.33, "ear_breadth": 2.33, "ear_protrusion": 2.33, "tragion_top_of_head": -2.33},
    ],
)
def test_the_ends_of_the_range_meet(sex, ends):
    wanted = extreme(sex, ends)
    form = form_from_dimensions(wanted)
    found = measure(form)
    assert {n: pytest.approx(m, abs=0.25) for n, (m, _) in wanted.items()} == {n: found[n] for n in wanted}
    assert not cuts_itself(form.mesh)


def test_the_spread_is_that_of_drawn_heads():
    """Heads drawn with one circumference spread as the form says, region by region, or a little less."""
    guess = estimate({"head_circumference": Reading(574.0, 3.0)}, "m")
    base = head_form_of(guess)
    group = survey().by_sex["m"]
    tape = NAMES.index("head_circumference")
    gain = group.covariance[:, tape] / group.covariance[tape, tape]
    covariance = group.covariance - np.outer(gain, group.covariance[tape])
    covariance[tape, tape] = 3.0**2
    drawn = np.random.default_rng(0).multivariate_normal(np.zeros(len(NAMES)), covariance, 40)
    normal = base.mesh.area_vectors / base.mesh.areas[:, None]
    off = []
    for row in drawn:
        other = form_from_dimensions({NAMES[i]: (guess.dimensions[NAMES[i]].mean + row[i], 2.0) for i in HEAD})
        off.append(np.einsum("ti,ti->t", other.mesh.corners.mean(axis=1) - base.mesh.corners.mean(axis=1), normal))
    assert CUT not in base.spread_mm  # there is no skin, and nothing is judged
    for k, region in enumerate(base.region_names):
        if region == CUT:
            continue
        rows = base.region_of_triangle == k
        variance = np.average(np.mean(np.square(off), axis=0)[rows], weights=base.mesh.areas[rows])
        # 40 heads tell a spread to about a tenth.
        assert 0.85 < base.spread_mm[region] / (1.6449 * np.sqrt(variance)) < 1.6, region


def test_measures_that_the_survey_lacks_shape_the_form_too():
    wanted = crowd("m", 1, 3)[0]
    plain = measure(form_from_dimensions(wanted))
    wanted["bitragion_arc"] = (plain["bitragion_arc"] + 8.0, 2.0)
    wanted["nose_to_back_depth"] = (plain["nose_to_back_depth"] - 6.0, 2.0)
    found = measure(form_from_dimensions(wanted))
    assert {n: pytest.approx(m, abs=0.25) for n, (m, _) in wanted.items()} == {n: found[n] for n in wanted}


def test_quick():
    wanted = crowd("f", 3, 4)
    form_from_dimensions(wanted[0])
    for person in wanted:
        start = time.process_time()
        form_from_dimensions(person)
        assert time.process_time() - start < 1.0


@pytest.mark.parametrize("girth_mm", [510.0, 540.0, 574.4, 600.0, 620.0])
def test_one_tape_reading_is_enough(girth_mm):
    form = form_from_dimensions({"head_circumference": (girth_mm, 3.0)})
    assert measure(form)["head_circumference"] == pytest.approx(girth_mm, abs=1.0)
    assert form.spread_mm["temple_left"] > 0


@pytest.mark.parametrize("sex", ["m", "f", "any"])
def test_the_upper_form_has_the_upper_ends_and_no_spread_left(sex):
    guess = estimate({"head_circumference": Reading(574.4, 3.0)}, sex)
    form = head_form_of(guess, upper=True)
    found = measure(form)
    for name in SHAPED:
        if name in guess.dimensions:
            assert found[name] == pytest.approx(guess.dimensions[name].high, abs=0.25), name
    assert set(form.spread_mm.values()) == {0.0}
    assert form.mesh.volume_mm3 > head_form_of(guess).mesh.volume_mm3
    assert not cuts_itself(form.mesh)


@pytest.mark.parametrize(
    "bad", [{}, {"foot_length": (260.0, 3.0)}, {"head_breadth": (float("nan"), 1.0)}, {"head_length": (-5.0, 1.0)}]
)
def test_what_is_no_head_dimension_is_refused(bad):
    with pytest.raises(InputError):
        form_from_dimensions(bad)


def test_readings_that_cannot_hold_together_are_refused():
    with pytest.raises(InputError, match="together"):
        form_from_dimensions(
            {"head_breadth": (155.0, 2.0), "head_length": (200.0, 2.0), "head_circumference": (400.0, 2.0)}
        )


def test_the_tape_round_an_ellipse_reads_its_perimeter():
    mesh = ellipsoid((77.5, 100.0, 120.0), segments=400)
    up = np.array([0.0, 0.0, 1.0])
    a, b = 100.0, 77.5
    h = ((a - b) / (a + b)) ** 2
    ramanujan = np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))  # 559.875 mm
    assert girth(section_points(mesh.vertices, mesh.triangles, up, 0.3), up) == pytest.approx(ramanujan, rel=2e-4)


def test_a_taut_tape_bridges_a_hollow():
    star = np.array([[r * np.cos(t), r * np.sin(t), 0.0] for t, r in zip(np.arange(8) * np.pi / 4, [2.0, 0.3] * 4)])
    assert girth(star, np.array([0.0, 0.0, 1.0])) == pytest.approx(4 * np.sqrt(8.0))


def test_the_cut_faces_are_the_flat_ones_and_travel_with_every_headform():
    """No skin is flat: a triangle on a cut has all its neighbours across no rim in its own plane."""
    head = template_head()
    mesh = head.mesh
    normal = mesh.area_vectors / mesh.areas[:, None]
    assert head.on_cut.sum() > 50
    assert np.all(np.abs(normal[head.on_cut])[:, [0, 2]].max(axis=1) > 0.98)
    # Both sides' stumps of the shoulders, and the section through the chest, some 300 by 150 mm.
    assert 35_000 < mesh.areas[head.on_cut & (normal[:, 2] < -0.98)].sum() < 60_000
    form = form_from_dimensions({"head_circumference": (590.0, 0.0)})
    assert np.array_equal(form.on_cut, head.on_cut)
    assert not Form(mesh).on_cut.any()
