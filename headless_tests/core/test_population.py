# SPDX-License-Identifier: GPL-3.0-or-later
"""Estimates against published figures, scipy's normals, and the laws of probability."""

from __future__ import annotations

import math
import os
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arming_cap.core.errors import InputError
from arming_cap.core.wearer.dimension import DIMENSIONS, dimension
from arming_cap.core.wearer.population import Z90, _chance_beyond, estimate, survey
from arming_cap.core.wearer.reading import Reading, check_together, ellipse_perimeter, parse_known

# NATICK/TR-15/007 whole public files, mean and SD in mm: men, women.
PUBLISHED = {
    "head_breadth": ((154.3, 5.53), (147.8, 5.19)),
    "head_length": ((199.5, 7.03), (189.8, 7.45)),
    "head_circumference": ((574.4, 16.05), (561.1, 19.36)),
    "tragion_top_of_head": ((131.1, 6.16), (126.5, 6.55)),
    "menton_sellion_length": ((122.6, 6.67), (113.1, 6.09)),
    "neck_circumference": ((397.6, 25.78), (329.8, 19.22)),
    "wrist_circumference": ((175.9, 8.96), (154.8, 7.83)),
    "hand_circumference": ((212.3, 10.24), (186.6, 8.82)),
    "calf_circumference": ((392.3, 29.71), (373.3, 28.52)),
    "heel_ankle_circumference": ((343.5, 16.62), (310.3, 15.31)),
    "stature": ((1756.2, 68.55), (1628.5, 64.20)),
}
# Least squares on the whole public files: intercept, slope on head circumference, residual SD; men, women.
REGRESSIONS = {
    "head_length": ((-7.44, 0.3603, 3.99), (26.32, 0.2914, 4.87)),
    "head_breadth": ((44.68, 0.1909, 4.61), (73.40, 0.1325, 4.51)),
    "neck_circumference": ((-21.99, 0.7306, 22.96), (127.18, 0.3611, 17.91)),
}
SURVEYED = [name for name, d in DIMENSIONS.items() if d.surveyed]


@pytest.mark.parametrize("name", PUBLISHED)
def test_unconditional_moments_are_the_published_ones(name):
    # The shipped moments rest on a random 80 % of the files: three standard errors of that difference, 0.5/sqrt(n).
    for sex, n, (mean, sd) in zip("mf", (3266, 1589), PUBLISHED[name]):
        value = estimate({}, sex).dimensions[name]
        assert abs(value.mean - mean) < 3 * 0.5 * sd / np.sqrt(n) + 0.05
        assert value.sd == pytest.approx(sd, rel=0.03)


@pytest.mark.parametrize("name", REGRESSIONS)
def test_one_tape_reading_gives_the_regressions(name):
    for sex, circumference, (a, b, see) in zip("mf", (590, 545), REGRESSIONS[name]):
        value = estimate({"head_circumference": Reading(circumference)}, sex).dimensions[name]
        assert value.mean == pytest.approx(a + b * circumference, abs=0.1 * see)
        assert value.sd == pytest.approx(see, rel=0.03)


@given(st.lists(st.sampled_from(SURVEYED), unique=True, min_size=1, max_size=6), st.sampled_from("mf"), st.data())
def test_conditional_normal_by_differences_of_scipy_densities(names, sex, data):
    """The conditional log density is the joint's less the knowns'; scipy gives both, at two points and the mean."""
    from scipy.stats import multivariate_normal, norm

    group, index = survey().by_sex[sex], list(survey().names)
    target = data.draw(st.sampled_from([n for n in SURVEYED if n not in names]))
    rows = [index.index(n) for n in names]
    at = [group.mean[r] + data.draw(st.floats(-1, 1)) * np.sqrt(group.covariance[r, r]) for r in rows]
    noise = [data.draw(st.floats(0.5, 4)) for _ in rows]
    try:
        got = estimate({n: Reading(v, s) for n, v, s in zip(names, at, noise)}, sex).dimensions[target]
    except InputError:
        return  # drawn readings may contradict each other
    every = [*rows, index.index(target)]
    covariance = group.covariance[np.ix_(every, every)] + np.diag([*np.square(noise), 0.0])
    joint = multivariate_normal(group.mean[every], covariance)
    knowns = multivariate_normal(group.mean[rows], covariance[:-1, :-1])
    for y in (got.mean - 2 * got.sd, got.mean, got.mean + got.sd):
        want = joint.logpdf([*at, y]) - knowns.logpdf(at)
        assert norm(got.mean, got.sd).logpdf(y) == pytest.approx(want, abs=1e-6)


def test_unknown_sex_is_the_mixture_that_scipy_weighs():
    from scipy.optimize import brentq
    from scipy.stats import norm

    known = {"neck_circumference": Reading(365, 4.0)}
    each = {s: estimate(known, s).dimensions["head_length"] for s in "mf"}
    weight = {}
    for s in "mf":
        g, i = survey().by_sex[s], survey().names.index("neck_circumference")
        weight[s] = g.n * norm(g.mean[i], np.hypot(np.sqrt(g.covariance[i, i]), 4.0)).pdf(365)
    share = weight["m"] / sum(weight.values())
    got = estimate(known, "any")
    assert got.chance_male == pytest.approx(share, abs=1e-9)
    value = got.dimensions["head_length"]
    mean = share * each["m"].mean + (1 - share) * each["f"].mean
    second = share * (each["m"].sd ** 2 + each["m"].mean ** 2) + (1 - share) * (each["f"].sd ** 2 + each["f"].mean ** 2)
    assert value.mean == pytest.approx(mean)
    assert value.sd == pytest.approx(np.sqrt(second - mean**2), abs=1e-6)

    def cdf(x):  # tails of head length are widened by under 2 %, so the plain mixture is near
        return sum(w * norm(each[s].mean, each[s].sd).cdf(x) for s, w in (("m", share), ("f", 1 - share)))

    assert value.low == pytest.approx(brentq(lambda x: cdf(x) - 0.05, 100, 300), abs=0.3)
    assert value.high == pytest.approx(brentq(lambda x: cdf(x) - 0.95, 100, 300), abs=0.3)


@given(st.permutations(["head_length", "stature", "wrist_circumference", "calf_circumference"]), st.sampled_from("mf"))
def test_more_knowledge_never_widens_and_order_does_not_matter(names, sex):
    typical = estimate({}, sex).dimensions
    known: dict[str, Reading] = {}
    spread = {n: typical[n].sd for n in SURVEYED}
    for name in names:
        known[name] = Reading(typical[name].mean + 3, 1.0)
        got = estimate(known, sex).dimensions
        for other in SURVEYED:
            if other not in known:
                assert got[other].sd <= spread[other] + 1e-9
                spread[other] = got[other].sd
    again = estimate({n: known[n] for n in sorted(known)}, sex)
    assert again.as_dict() == estimate(known, sex).as_dict()


def test_a_measured_dimension_comes_back_as_given():
    got = estimate(dict([parse_known("head_circumference=620±5")]), "f").dimensions["head_circumference"]
    assert (got.mean, got.sd, got.source) == (620, 5, "measured")
    assert got.high == pytest.approx(620 + Z90 * 5)
    default = estimate({"wrist_circumference": Reading(160)}, "f").dimensions["wrist_circumference"]
    assert default.sd == DIMENSIONS["wrist_circumference"].default_sd == round(3 / (1.96 * 2**0.5), 1)


def test_skewed_tails_are_widened_and_say_so():
    value = estimate({}, "m").dimensions["waist_depth"]
    assert value.high - value.mean > 1.05 * Z90 * value.sd
    assert "widened" in value.note


def test_a_rare_combination_is_named_and_not_refused():
    got = estimate({n: Reading(v) for n, v in {"head_circumference": 574, "head_breadth": 190}.items()}, "m")
    assert len(got.warnings) == 1 and "head breadth 190" in got.warnings[0]
    assert not estimate({"head_circumference": Reading(574), "head_breadth": Reading(154)}, "m").warnings


def test_chance_beyond_is_scipys_chi_squared():
    from scipy.stats import chi2

    for k in (1, 2, 5, 20, 51):
        for p in (0.2, 0.01, 1e-3):
            assert _chance_beyond(float(chi2.isf(p, k)), k) == pytest.approx(p, rel=1e-9)


def test_what_the_survey_lacks_is_said():
    got = estimate({"elbow_circumference": Reading(270)}, "any")
    assert "knee_circumference" in got.not_estimated
    assert got.dimensions["elbow_circumference"].source == "measured"
    assert {n for n in DIMENSIONS if not DIMENSIONS[n].surveyed} == set(got.not_estimated) | {"elbow_circumference"}


def test_quick():
    known = {"head_circumference": Reading(574.0)}
    estimate(known)
    times = []
    for _ in range(9):
        start = time.perf_counter()
        estimate(known)
        times.append(time.perf_counter() - start)
    # Asked for: 10 ms. The best of nine, since the machine may be busy with other tests.
    assert min(times) < 0.010


@pytest.mark.parametrize(
    ("text", "value", "sd"),
    [
        ("head_circumference=574", 574, None),
        ("head_circumference = 574±3", 574, 3),
        ("head_circumference=574+-3", 574, 3),
        ("head_circumference=574+/-3mm", 574, 3),
        ("head_circumference=22.6in", 22.6 * 25.4, None),
        ("head_circumference=57.4±0.2cm", 574, 2),
        ("weight=80kg", 80, None),
        ("head_circumference=22 7/8 in", 22.875 * 25.4, None),
        ('head_circumference=22 7/8"', 22.875 * 25.4, None),
        ("ear_protrusion=7/8in", 0.875 * 25.4, None),
        # Evenly between the two: the width over the root of 12
        ("head_circumference=56-58cm", 570, 20 / 12**0.5),
        ("head_circumference=570 to 590", 580, 20 / 12**0.5),
        ("head_circumference=570-571", 570.5, DIMENSIONS["head_circumference"].default_sd),
        # Hat sizes: inches of the diameter, centimetres of the girth, letters
        ("hat_size=7 1/4", 7.25 * math.pi * 25.4, math.pi * 25.4 / 8 / 12**0.5),
        ("hat_size=UK 7 1/8", 7.25 * math.pi * 25.4, math.pi * 25.4 / 8 / 12**0.5),
        ("hat_size=58", 580, 10 / 12**0.5),
        ("hat_size=M", 570, 20 / 12**0.5),
    ],
)
def test_readings_as_typed(text, value, sd):
    _, reading = parse_known(text)
    assert reading.value == pytest.approx(value)
    assert reading.sd == (None if sd is None else pytest.approx(sd))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("head_breadth=15", "centimetres"),
        ("head_circumference=22.6", "inches"),
        ("head_circumference=5740", "decimal point"),
        ("head_breadth=-150", "greater than 0"),
        ("head_breadth=wide", "no reading"),
        ("head_bredth=150", "did you mean head_breadth?"),
        ("head_breadth=150kg", "given in kg"),
        ("head_breadth=1e999", "finite"),
        ("head_breadth", "not a reading"),
        ("head_breadth=1-5", "lie close together"),
        ("head_circumference=22 7/0in", "not a number"),
        ("hat_size=huge", "no hat size"),
        ("hat_size=7 1/0", "no hat size"),
        ("eyes=64", "did you mean interpupillary_breadth?"),
    ],
)
def test_a_slip_is_named_with_its_likely_cause(text, words):
    with pytest.raises(InputError, match=words.replace("?", r"\?")) as caught:
        parse_known(text)
    assert "\n" not in str(caught.value)


def test_contradictions_are_named():
    # Facts: the ellipse through 200 and 155 measures 559.875 mm.
    assert ellipse_perimeter(200, 155) == pytest.approx(559.875, abs=5e-4)
    head = {"head_length": Reading(200), "head_breadth": Reading(155)}
    check_together({**head, "head_circumference": Reading(575)})
    with pytest.raises(InputError, match="tape slipped"):
        check_together({**head, "head_circumference": Reading(530)})
    with pytest.raises(InputError, match="swapped"):
        check_together({"wrist_circumference": Reading(212), "hand_circumference": Reading(176)})


def test_every_dimension_says_how():
    for d in DIMENSIONS.values():
        assert d.low < d.high and d.definition.endswith(".") and d.how and d.mistakes and d.default_sd > 0
        assert d.surveyed == (d.name in survey().names)
        if d.surveyed:
            for sex in "mf":
                group, i = survey().by_sex[sex], survey().names.index(d.name)
                reach = 4 * np.sqrt(group.covariance[i, i])
                # Four standard deviations: nobody among 15 000 may be told that they are implausible.
                assert d.low < group.mean[i] - reach and group.mean[i] + reach < d.high, d.name
    with pytest.raises(InputError, match="head_circumference"):
        dimension("head_circumferance")


def _people_file() -> Path | None:
    places = [os.environ.get("ARMING_CAP_ANSUR2"), Path(__file__).parents[3] / "shared" / "data" / "ansur2.csv"]
    return next((Path(p) for p in places if p and Path(p).is_file()), None)


@pytest.mark.skipif(_people_file() is None, reason="the survey's file is not here; set ARMING_CAP_ANSUR2")
@pytest.mark.parametrize("given_sex", [True, False])
def test_people_not_used_to_fit_are_covered(given_sex):
    """Everyone in the file, or every third (for time) where the sex is unknown; the script tries more subsets."""
    from make_moments import read_people
    from validate_population import cross_validate

    people, men = read_people(_people_file())
    known = ["head_circumference", "head_breadth", "stature"]
    for name, found in cross_validate(people, men, known, given_sex, step=1 if given_sex else 3).items():
        assert 0.88 <= found["coverage"] <= 0.92, name
        assert found["over_least_squares"] <= 1.01, name


@pytest.mark.skipif(_people_file() is None, reason="the survey's file is not here; set ARMING_CAP_ANSUR2")
def test_nobody_measured_by_the_survey_is_refused():
    from make_moments import read_people

    people, _ = read_people(_people_file())
    names = survey().names
    for person in people:
        check_together({name: Reading(value) for name, value in zip(names, person)})


@pytest.mark.parametrize("sex", ["m", "any"])
def test_the_covariance_is_the_estimates_own(sex):
    # A rough tape: its error is in what the other dimensions are known by, once, wherever that is asked
    known = {"head_circumference": Reading(561, 15.0), "neck_circumference": Reading(365)}
    got = estimate(known, sex)
    names = [n for n in SURVEYED if DIMENSIONS[n].group == "head"]
    covariance = got.covariance(names)
    for i, name in enumerate(names):
        assert covariance[i, i] == pytest.approx(got.dimensions[name].sd ** 2, rel=1e-9), name
    assert np.linalg.eigvalsh(covariance).min() > -1e-6
    # Of one sex: the textbook's conditional covariance, and what the tape's error carries over to the head's length
    if sex == "m":
        group, index = survey().by_sex["m"], list(survey().names)
        rows = [index.index(n) for n in known]
        target = index.index("head_length")
        seen = group.covariance[np.ix_(rows, rows)] + np.diag([15.0**2, 0.0])
        cross = group.covariance[rows, target]
        want = group.covariance[target, target] - cross @ np.linalg.solve(seen, cross)
        length, girth = names.index("head_length"), names.index("head_circumference")
        assert covariance[length, length] == pytest.approx(want)
        assert covariance[girth, length] == pytest.approx(
            cross[0] - group.covariance[rows[0], rows] @ np.linalg.solve(seen, cross)
        )
