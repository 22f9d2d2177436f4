# SPDX-License-Identifier: GPL-3.0-or-later
"""Ten-fold cross-validation of the population estimates over every subject of the survey file.

    python scripts/validate_population.py PATH/ansur2.csv [OUT.json]

Each tenth is estimated, one person at a time through `population.estimate`, by moments of the other nine tenths;
the reference is ordinary least squares refitted on the same nine tenths, by sex where the sex is given. Prints the
worst figures; OUT.json keeps all of them.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
for place in (ROOT / "addon", ROOT / "scripts"):
    sys.path.insert(0, str(place))

from arming_cap.core.wearer.dimension import DIMENSIONS  # noqa: E402
from arming_cap.core.wearer.population import Population, estimate  # noqa: E402
from arming_cap.core.wearer.reading import Reading  # noqa: E402
from make_moments import all_moments, read_people  # noqa: E402

HEAD_AND_LIMB = ("head", "arm", "leg")
SUBSETS: dict[str, list[str] | None] = {
    "one: head circumference": ["head_circumference"],
    "one: wrist circumference": ["wrist_circumference"],
    "three: head circumference, breadth, stature": ["head_circumference", "head_breadth", "stature"],
    "three: stature, weight, wrist": ["stature", "weight", "wrist_circumference"],
    "all but one": None,
}


def cross_validate(
    people: np.ndarray, men: np.ndarray, known: list[str] | None, given_sex: bool, step: int = 1
) -> dict:
    """Return coverage of the 90 % intervals and RMSE over least squares, by dimension.

    `known` None means: all the others, for each dimension in turn. Every `step`-th person is tried.
    """
    rng = np.random.default_rng(20261125)
    fold = rng.permutation(len(people)) % 10
    names: tuple[str, ...] = ()
    inside, ours, theirs = [], [], []
    for k in range(10):
        train = fold != k
        population = Population.from_document(all_moments(people[train], men[train]))
        names = population.names
        targets = [i for i, n in enumerate(names) if DIMENSIONS[n].group in HEAD_AND_LIMB and n not in (known or ())]
        test = np.flatnonzero(~train)[::step]
        fits = {}
        for sex, group in (("m", train & men), ("f", train & ~men)) if given_sex else (("any", train),):
            a = people[group]
            for t in targets:
                use = [names.index(n) for n in known] if known else [i for i in range(len(names)) if i != t]
                fits[sex, t] = (
                    use,
                    np.linalg.lstsq(np.column_stack([np.ones(len(a)), a[:, use]]), a[:, t], rcond=None)[0],
                )
        for row in test:
            sex = ("m" if men[row] else "f") if given_sex else "any"
            person = people[row]
            got = None
            hit, mine, reference = [], [], []
            for t in targets:
                use, beta = fits[sex, t]
                if known is None or got is None:
                    got = estimate({names[i]: Reading(person[i]) for i in use}, sex, population=population)
                value = got.dimensions[names[t]]
                hit.append(value.low <= person[t] <= value.high)
                mine.append(value.mean - person[t])
                reference.append(beta[0] + person[use] @ beta[1:] - person[t])
            inside.append(hit)
            ours.append(mine)
            theirs.append(reference)
    coverage = np.mean(inside, axis=0)
    rmse, least_squares = (np.sqrt(np.mean(np.square(e), axis=0)) for e in (ours, theirs))
    shown = [names[i] for i in targets]
    return {
        name: {
            "coverage": round(float(c), 4),
            "rmse_mm": round(float(a), 3),
            "over_least_squares": round(float(a / b), 4),
        }
        for name, c, a, b in zip(shown, coverage, rmse, least_squares)
    }


if __name__ == "__main__":
    people, men = read_people(Path(sys.argv[1]))
    results = {}
    for label, known in SUBSETS.items():
        for given_sex in (True, False):
            title = f"{label}; sex {'given' if given_sex else 'unknown'}"
            found = cross_validate(people, men, known, given_sex)
            results[title] = found
            cover = sorted((v["coverage"], n) for n, v in found.items())
            ratio = max((v["over_least_squares"], n) for n, v in found.items())
            print(f"{title}: coverage {cover[0]} to {cover[-1]}, RMSE / least squares at most {ratio}", flush=True)
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
