# SPDX-License-Identifier: GPL-3.0-or-later
"""Make headforms of many people and measure them: how far is each dimension from what was asked?

    python scripts/validate_headforms.py PATH/ansur2.csv [COUNT]

Three crowds of COUNT (200) each, half men, half women: subjects of the survey's file; draws from the shipped moments;
and wider forms, the upper end of what one tape reading leaves open. The first two are cut off at the 1st and 99th
percentile of each dimension. Whether a form cuts itself is open3d's word. Time is process time.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
for place in (ROOT / "addon", ROOT / "scripts"):
    sys.path.insert(0, str(place))

from arming_cap.core.errors import InputError  # noqa: E402
from arming_cap.core.wearer.form import Form  # noqa: E402
from arming_cap.core.wearer.headform import SHAPED, form_from_dimensions  # noqa: E402
from arming_cap.core.wearer.measure import measure  # noqa: E402
from arming_cap.core.wearer.population import estimate, survey  # noqa: E402
from arming_cap.core.wearer.reading import Reading  # noqa: E402
from make_moments import read_people  # noqa: E402

SD_MM = 2.0


def asked(values: np.ndarray) -> dict[str, tuple[float, float]]:
    """Return what a headform takes of one person's row."""
    return {n: (float(v), SD_MM) for n, v in zip(survey().names, values) if n in SHAPED}


def subjects(people: np.ndarray, men: np.ndarray, count: int) -> Iterator[dict[str, tuple[float, float]]]:
    """Yield people of the survey, each dimension cut off at p1 and p99 of their sex."""
    rng = np.random.default_rng(1)
    for group in (people[men], people[~men]):
        low, high = np.percentile(group, [1, 99], axis=0)
        for row in rng.choice(len(group), count // 2, replace=False):
            yield asked(np.clip(group[row], low, high))


def drawn(count: int, seed: int = 2) -> Iterator[dict[str, tuple[float, float]]]:
    """Yield draws from the shipped moments, each dimension cut off at p1 and p99 of a normal."""
    rng = np.random.default_rng(seed)
    for sex in "mf":
        group = survey().by_sex[sex]
        reach = 2.3263 * np.sqrt(group.covariance.diagonal())
        for values in rng.multivariate_normal(group.mean, group.covariance, count // 2):
            yield asked(np.clip(values, group.mean - reach, group.mean + reach))


def read_once(count: int) -> Iterator[dict[str, tuple[float, float]]]:
    """Yield the upper ends of what one tape reading leaves open: what `head_form_of(..., upper=True)` makes."""
    for i, person in enumerate(drawn(count, 3)):
        known = {"head_circumference": Reading(person["head_circumference"][0], 3.0)}
        found = estimate(known, "any" if i % 3 == 0 else "m" if i < count // 2 else "f").dimensions
        yield {n: (v.high, 0.0) for n, v in found.items() if n in SHAPED}


def cuts_itself(form: Form) -> bool:
    """Ask open3d."""
    import open3d

    vertices = open3d.utility.Vector3dVector(form.mesh.vertices.copy())
    triangles = open3d.utility.Vector3iVector(form.mesh.triangles.astype(np.int32))
    return bool(open3d.geometry.TriangleMesh(vertices, triangles).is_self_intersecting())


def tried(crowd: Iterator[dict[str, tuple[float, float]]]) -> tuple[dict[str, float], Counter]:
    """Return the largest error by dimension, in mm, and counts; the slowest form's time is printed."""
    worst: dict[str, float] = {}
    counts: Counter = Counter()
    times = []
    for person in crowd:
        counts["people"] += 1
        start = time.process_time()
        try:
            form = form_from_dimensions(person)
        except InputError as error:
            counts["refused"] += 1
            print(f"  refused: {error}")
            continue
        finally:
            times.append(time.process_time() - start)
        found = measure(form)
        for name, (mean, _) in person.items():
            worst[name] = max(worst.get(name, 0.0), abs(found[name] - mean))
        counts["cut themselves"] += cuts_itself(form)
        counts["not solid"] += not form.mesh.soundness.solid
        mirrored = form.mesh.vertices[_mirror()] * [-1.0, 1.0, 1.0]
        counts["not symmetric"] += not np.allclose(mirrored, form.mesh.vertices, atol=1e-9)
    print(f"  seconds of process time a form: median {np.median(times):.3f}, most {max(times):.3f}")
    return worst, counts


def _mirror() -> np.ndarray:
    from arming_cap.core.wearer.template import template_head

    return template_head().mirror


if __name__ == "__main__":
    people, men = read_people(Path(sys.argv[1]))
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    form_from_dimensions({"head_circumference": (570.0, SD_MM)})  # what is made once is not one form's time
    for title, crowd in (
        ("subjects of the survey", subjects(people, men, count)),
        ("drawn from its moments", drawn(count)),
        ("wider forms after one reading", read_once(count)),
    ):
        print(f"{title}, {count}:")
        worst, counts = tried(crowd)
        print("  " + ", ".join(f"{counts[k]} {k}" for k in ("refused", "cut themselves", "not solid", "not symmetric")))
        for name, off in sorted(worst.items(), key=lambda pair: -pair[1]):
            print(f"  {off:6.2f} mm  {name}")
