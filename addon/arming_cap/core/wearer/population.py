# SPDX-License-Identifier: GPL-3.0-or-later
"""What was not measured, estimated from what was: conditional normals on the ANSUR II moments.

The survey is of adult US Army personnel, 2010-12. It does not speak for children, and Army entry limits cut its
extremes. Only moments are shipped, no person's data. Tails that are not normal widen the interval on their side.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from .dimension import DIMENSIONS
from .reading import Reading, check_together

SEXES = ("f", "m", "any")
_SEX_WORDS = {
    "female": "f", "woman": "f", "women": "f", "girl": "f", "male": "m", "man": "m", "men": "m", "boy": "m",
    "unknown": "any", "either": "any", "other": "any",
}  # fmt: skip
SPEAKS_FOR = "ANSUR II: adult US Army personnel, 2010-12; it does not speak for children"
# Two-sided 90 % of a normal.
Z90 = 1.6448536269514722
# A combination rarer than one in a thousand adults is worth a second look at the tape.
RARE = 1e-3


@dataclass(frozen=True)
class Moments:
    """First and second moments of one sex.

    Attributes
    ----------
    n
        People in the group.
    mean
        (p,) mm, kg for the weight.
    covariance
        (p, p).
    tail_low, tail_high
        (p,) how much farther than a normal's the 5th and 95th percentiles lie; 1 or more.
    """

    n: int
    mean: FloatArray
    covariance: FloatArray
    tail_low: FloatArray
    tail_high: FloatArray


@dataclass(frozen=True)
class Population:
    """Moments by sex of the dimensions in `names`."""

    names: tuple[str, ...]
    by_sex: Mapping[str, Moments]

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Population:
        """Read what ``scripts/make_moments.py`` makes."""

        def group(g: Mapping[str, Any]) -> Moments:
            lower = np.zeros((len(g["mean"]), len(g["mean"])))
            for i, row in enumerate(g["covariance"]):
                lower[i, : i + 1] = row
            full = lower + np.tril(lower, -1).T
            return Moments(g["n"], np.array(g["mean"]), full, np.array(g["tail_low"]), np.array(g["tail_high"]))

        return cls(tuple(document["names"]), {key: group(document[key]) for key in ("m", "f", "pooled")})


@lru_cache(maxsize=1)
def survey() -> Population:
    """Return the shipped population."""
    text = resources.files(__package__).joinpath("ansur2_moments.json").read_text(encoding="utf-8")
    return Population.from_document(json.loads(text))


@dataclass(frozen=True)
class Value:
    """A dimension with its spread.

    Attributes
    ----------
    mean, sd
        In the dimension's unit: mm, kg for the weight. A measured dimension keeps its reading as it was given.
    low, high
        90 % interval.
    source
        ``measured`` or ``estimated``.
    note
        Anything to know about it, in words; mostly empty.
    """

    mean: float
    sd: float
    low: float
    high: float
    source: str
    note: str = ""


@dataclass(frozen=True)
class Estimate:
    """All that is known or guessed of a wearer's dimensions.

    Attributes
    ----------
    dimensions
        By name: every dimension of the survey, and the measured ones it lacks.
    chance_male
        Posterior share of men, 0 to 1; fixed where the sex was given.
    not_estimated
        Dimensions that are neither measured nor in the survey.
    warnings
        Remarks on the readings, each one line.
    joint
        The survey's dimensions and their covariance (p, p) given the readings; see `covariance`.
    """

    dimensions: Mapping[str, Value]
    chance_male: float
    not_estimated: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    joint: tuple[tuple[str, ...], FloatArray] | None = field(default=None, repr=False, compare=False)

    def covariance(self, names: Sequence[str]) -> FloatArray:
        """Return the covariance of some dimensions given the readings, (k, k), mm²: its diagonal is their sd squared.

        One that the survey lacks errs by itself.
        """
        found = np.diag([self.dimensions[n].sd ** 2 for n in names])
        if self.joint is not None:
            index = {name: i for i, name in enumerate(self.joint[0])}
            surveyed = [k for k, n in enumerate(names) if n in index]
            rows = [index[names[k]] for k in surveyed]
            found[np.ix_(surveyed, surveyed)] = self.joint[1][np.ix_(rows, rows)]
        return found

    def as_dict(self) -> dict[str, Any]:
        """Return the estimate as JSON shows it; lengths only."""
        return {
            "dimensions": {
                name: {
                    "mean_mm": round(v.mean, 2),
                    "sd_mm": round(v.sd, 2),
                    "interval90_mm": [round(v.low, 2), round(v.high, 2)],
                    "source": v.source,
                    **({"note": v.note} if v.note else {}),
                }
                for name, v in self.dimensions.items()
                if DIMENSIONS[name].unit == "mm"
            },
            "not_estimated": list(self.not_estimated),
            "chance_male": round(self.chance_male, 4),
            "speaks_for": SPEAKS_FOR,
        }


@dataclass(frozen=True)
class _Conditional:
    """One sex's normal given the readings: mean, sd, tails (p,), covariance (p, p), their density and distance."""

    mean: FloatArray
    sd: FloatArray
    covariance: FloatArray
    low: FloatArray
    high: FloatArray
    log_density: float
    distance2: float


def _condition(group: Moments, rows: list[int], values: FloatArray, noise: FloatArray) -> _Conditional:
    """Condition a normal on some of its entries, each read with an independent error of SD `noise`."""
    if rows:
        cross = group.covariance[rows]
        seen = cross[:, rows] + np.diag(noise**2)
        off = values - group.mean[rows]
        gain = np.linalg.solve(seen, np.column_stack([cross, off]))
        mean = group.mean + gain[:, :-1].T @ off
        left = group.covariance - cross.T @ gain[:, :-1]
        distance2 = float(off @ gain[:, -1])
        log_density = -0.5 * (distance2 + float(np.linalg.slogdet(seen)[1]))
    else:
        mean, left, distance2, log_density = group.mean, group.covariance, 0.0, 0.0
    # The part of a skewed dimension that the readings explain brings their own skew; the rest keeps the survey's.
    variance = np.maximum(left.diagonal(), 0.0)
    share = variance / group.covariance.diagonal()
    return _Conditional(
        mean,
        np.sqrt(variance),
        left,
        1 + (group.tail_low - 1) * share,
        1 + (group.tail_high - 1) * share,
        log_density,
        distance2,
    )


def sex_of(word: Any, source: str = "") -> str:
    """Return ``f``, ``m`` or ``any`` for a word such as ``female``.

    Raises
    ------
    InputError
        If the word is not known.
    """
    plain = word.strip().lower() if isinstance(word, str) else ""
    if plain in SEXES:
        return plain
    if plain not in _SEX_WORDS:
        raise InputError(f"sex {word!r} is not known", source=source, remedy="use f, m or any")
    return _SEX_WORDS[plain]


def unlike_adults(sizes_mm: Mapping[str, float]) -> list[str]:
    """Return a sentence for each dimension that lies beyond four standard deviations of men and of women alike."""
    people = survey()
    said = []
    for name, mm in sizes_mm.items():
        if name not in people.names:
            continue
        i = people.names.index(name)
        ends = [
            (g.mean[i] - 4 * g.covariance[i, i] ** 0.5, g.mean[i] + 4 * g.covariance[i, i] ** 0.5)
            for g in (people.by_sex["m"], people.by_sex["f"])
        ]
        low, high = min(e[0] for e in ends), max(e[1] for e in ends)
        if not low <= mm <= high:
            said.append(f"{DIMENSIONS[name].in_words} of {mm:.1f} mm is no adult's ({low:.0f} to {high:.0f} mm)")
    return said


def _cdf(z: FloatArray) -> FloatArray:
    return np.array([0.5 * math.erfc(-v / math.sqrt(2)) for v in z])


def _mixture_quantile(q: float, parts: list[tuple[float, _Conditional]]) -> FloatArray:
    """Return a quantile of a mixture of two-piece normals, per dimension, by bisection to under 1e-6 of its range."""
    ends = np.array([[c.mean - 6 * c.sd * c.low, c.mean + 6 * c.sd * c.high] for _, c in parts])
    low, high = ends[:, 0].min(axis=0), ends[:, 1].max(axis=0)
    for _ in range(24):
        middle = (low + high) / 2
        below = np.zeros(len(middle))
        for weight, c in parts:
            z = (middle - c.mean) / np.maximum(c.sd, 1e-9)
            below += weight * _cdf(z / np.where(z < 0, c.low, c.high))
        low, high = np.where(below < q, middle, low), np.where(below < q, high, middle)
    return (low + high) / 2


def _chance_beyond(distance2: float, k: int) -> float:
    """Return the chance that a squared Mahalanobis distance of k dimensions is larger: chi-squared, in closed form."""
    if k == 0:
        return 1.0
    y = distance2 / 2
    # Q(a + 1, y) = Q(a, y) + y^a e^-y / Gamma(a + 1), from Q(1, y) = e^-y or Q(1/2, y) = erfc(sqrt y).
    a, q = (1.0, math.exp(-y)) if k % 2 == 0 else (0.5, math.erfc(math.sqrt(y)))
    while a < k / 2:
        q += math.exp(a * math.log(y) - y - math.lgamma(a + 1)) if y > 0 else 0.0
        a += 1
    return q


def estimate(
    known: Mapping[str, Reading],
    sex: str = "any",
    *,
    prior_male: float | None = None,
    population: Population | None = None,
    source: str = "",
) -> Estimate:
    """Return every dimension with its spread, given what was read.

    A reading that states no SD counts as taken the way the survey took it: its error is in the survey's spread
    already. A stated SD is added in full. Measured dimensions come back as given: the population is never allowed
    to argue with a tape, it only warns.

    Parameters
    ----------
    known
        Readings by dimension name.
    sex
        ``f``, ``m`` or ``any``: then a mixture of both, weighted by how well each explains the readings.
    prior_male
        Share of men before anything is read, for ``any``. By default the survey's own, about two thirds: only then
        do the intervals cover what they claim over the survey.
    population
        Other moments than the shipped ones.
    source
        The file the readings stand in, for messages.

    Raises
    ------
    InputError
        If a name is unknown, or readings are implausible or contradict each other.
    """
    if sex not in SEXES:
        raise InputError(f"sex {sex!r} is not known", source=source, remedy="use f, m or any")
    check_together(known, source)
    people = population or survey()
    index = {name: i for i, name in enumerate(people.names)}
    given = [name for name in known if name in index]
    # In the survey's order, so that the order of typing cannot change a digit.
    given.sort(key=index.__getitem__)
    rows = [index[name] for name in given]
    values = np.array([known[name].value for name in given])
    noise = np.array([known[name].sd or 0.0 for name in given])

    m, f = people.by_sex["m"], people.by_sex["f"]
    prior = m.n / (m.n + f.n) if prior_male is None else prior_male
    prior = {"m": 1.0, "f": 0.0, "any": prior}[sex]
    both = {"m": _condition(m, rows, values, noise), "f": _condition(f, rows, values, noise)}
    weighed = {"m": prior, "f": 1 - prior}
    if sex == "any" and 0 < prior < 1:
        odds = both["m"].log_density - both["f"].log_density + math.log(prior / (1 - prior))
        chance = 1 / (1 + math.exp(-odds)) if odds > -700 else 0.0
        weighed = {"m": chance, "f": 1 - chance}
    parts = [(w, both[key]) for key, w in weighed.items() if w > 1e-12]

    mean = sum((w * c.mean for w, c in parts), np.zeros(len(index)))
    covariance = sum((w * (c.covariance + np.outer(c.mean - mean, c.mean - mean)) for w, c in parts), np.zeros((1, 1)))
    sd = np.sqrt(np.maximum(covariance.diagonal(), 0.0))
    # A tape is believed: what was measured keeps its reading, and errs by its own spread alone.
    covariance[np.ix_(rows, rows)] = np.diag([known[name].spread(DIMENSIONS[name]) ** 2 for name in given])
    if len(parts) == 1:
        c = parts[0][1]
        low, high = mean - Z90 * sd * c.low, mean + Z90 * sd * c.high
    else:
        low, high = _mixture_quantile(0.05, parts), _mixture_quantile(0.95, parts)

    dimensions: dict[str, Value] = {}
    for name, of in DIMENSIONS.items():
        if name in known:
            spread = known[name].spread(of)
            value = known[name].value
            dimensions[name] = Value(value, spread, value - Z90 * spread, value + Z90 * spread, "measured")
        elif name in index:
            i = index[name]
            wide = max(max(c.low[i], c.high[i]) for _, c in parts)
            note = f"tail not normal: interval widened {100 * (wide - 1):.0f} % on that side" if wide >= 1.05 else ""
            dimensions[name] = Value(float(mean[i]), float(sd[i]), float(low[i]), float(high[i]), "estimated", note)
    chance_beyond = max(_chance_beyond(c.distance2, len(rows)) for _, c in parts)
    return Estimate(
        dimensions,
        float(weighed["m"]),
        tuple(name for name in DIMENSIONS if name not in dimensions),
        tuple(_remarks(known, given, sex, parts, people, chance_beyond)),
        (people.names, covariance),
    )


def _remarks(
    known: Mapping[str, Reading],
    given: list[str],
    sex: str,
    parts: list[tuple[float, _Conditional]],
    people: Population,
    chance_beyond: float,
) -> list[str]:
    """Name the reading that fits the others worst where the whole is rare among adults."""
    if chance_beyond >= RARE:
        return []
    key = sex if sex != "any" else ("m" if parts[0][1].distance2 <= parts[-1][1].distance2 else "f")
    if sex == "any" and len(parts) == 1:
        key = "pooled"
    group = people.by_sex[key]
    rows = [people.names.index(name) for name in given]
    off = np.array([known[n].value for n in given]) - group.mean[rows]
    seen = group.covariance[np.ix_(rows, rows)] + np.diag([(known[n].sd or 0.0) ** 2 for n in given])
    inverse = np.linalg.inv(seen)
    # Each reading against what the others say of it.
    z = (inverse @ off) / np.sqrt(inverse.diagonal())
    worst = int(np.argmax(np.abs(z)))
    name = given[worst]
    expected = known[name].value - z[worst] / math.sqrt(inverse[worst, worst])
    of = DIMENSIONS[name]
    others = " with the other readings" if len(given) > 1 else ""
    return [
        f"{of.in_words} {known[name].value:g} {of.unit} is rare among adults{others} "
        f"(about {expected:.0f} is expected): a slip ({of.mistakes.rstrip('.').lower()})? a child? take it again"
    ]
