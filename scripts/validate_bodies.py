# SPDX-License-Identifier: GPL-3.0-or-later
"""How well arm, leg and torso return what was asked, and how near they come to real bodies.

    python scripts/validate_bodies.py [--people 200]

Three tables: people drawn from the survey's moments (p1 to p99), with the worst dimension and forms that cut themselves
(Open3D); each of the three bodies against the form made from its own card, as a user gets it and with the body left out
of the template; 60 pieces at a known 5 mm from a body, judged on the form that the body was left out of.
"""

from __future__ import annotations

import argparse
import sys
from functools import cache
from pathlib import Path

import igl
import numpy as np
import open3d

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "addon"))

from arming_cap.core.errors import InputError  # noqa: E402
from arming_cap.core.mesh import TriangleMesh  # noqa: E402
from arming_cap.core.wearer.bodytemplate import KINDS, body_template  # noqa: E402
from arming_cap.core.wearer.limbform import SHAPE_MM, SHAPES, LimbForm, limb_form  # noqa: E402
from arming_cap.core.wearer.measure import girth  # noqa: E402
from arming_cap.core.wearer.population import survey  # noqa: E402
from arming_cap.core.wearer.register import vertex_normals  # noqa: E402

BODIES = "abc"
# As a user's card blends them, and with the body left out; body b is the woman.
AS_USED = {"a": (0.5, 0, 0.5), "b": (0, 1, 0), "c": (0.5, 0, 0.5)}
LEFT_OUT = {"a": (0, 0, 1), "b": (0.5, 0, 0.5), "c": (1, 0, 0)}
PIECES = {"breastplate": ("torso", ("chest", "waist")), "bracer": ("arm", ("forearm",)), "greave": ("leg", ("calf",))}


def person(sex: str, seed: int) -> dict[str, float]:
    """Draw one adult from the survey's moments, each dimension cut off at its first and last percentile."""
    group = survey().by_sex[sex]
    reach = 2.3263 * np.sqrt(group.covariance.diagonal())
    drawn = np.random.default_rng(seed).multivariate_normal(group.mean, group.covariance)
    return dict(zip(survey().names, np.clip(drawn, group.mean - reach, group.mean + reach)))


def crossings(vertices: np.ndarray, triangles: np.ndarray) -> int:
    """Return how many pairs of triangles cut each other."""
    mesh = open3d.geometry.TriangleMesh(
        open3d.utility.Vector3dVector(vertices.copy()), open3d.utility.Vector3iVector(triangles.astype(np.int32))
    )
    return len(np.asarray(mesh.get_self_intersecting_triangles()))


def own_card(kind: str, body: int) -> dict[str, float]:
    """Return what our ruler reads on one of the bodies."""
    template = body_template(kind)
    vertices, marks = template.blend(np.eye(3)[body])
    z = {name: float(place[2]) for name, place in marks.items()}
    if kind == "arm":
        known = {
            "hand_length": z["wrist"],
            "radiale_stylion_length": z["elbow"] - z["wrist"],
            "shoulder_elbow_length": z["acromion"] - z["elbow"],
            "elbow_circumference": 0.0,
            "upper_arm_circumference": 0.0,
            "forearm_circumference": 0.0,
        }
    elif kind == "leg":
        known = {
            "lateral_malleolus_height": z["lateral_malleolus"],
            "tibial_height": z["tibiale"],
            "knee_height_midpatella": z["knee"],
            "crotch_height": z["crotch"],
            "knee_circumference": 0.0,
        }
    else:
        known = {"crotch_height": 800.0, "stature": 800.0 + z["vertex"], "waist_circumference": 1.0}
    shape = SHAPES[kind](template, vertices, marks, known)
    if kind == "torso":
        leg = shape.level(-30.0)
        known["thigh_circumference"] = girth(leg[leg[:, 0] > 0], np.array([0, 0, 1.0]))
        known["waist_circumference"] = girth(shape.level(shape.waist), np.array([0, 0, 1.0]))
        shape = SHAPES[kind](template, vertices, marks, known)
    return known | shape.measure(np.zeros(len(shape.parameters)))


@cache
def beside(kind: str, body: int, left_out: bool) -> tuple[LimbForm, np.ndarray, np.ndarray]:
    """Return the form of a body's own card, the body's vertices laid over it, and their signed distances in mm.

    Only a shift is taken off: a piece is seated on the form.
    """
    template = body_template(kind)
    shares = (LEFT_OUT if left_out else AS_USED)[BODIES[body]]
    made = limb_form(kind, own_card(kind, body), shares=shares)
    truth = template.vertices[body]
    skin = np.unique(template.triangles[~template.on_cut])
    shift = np.zeros(3)
    for _ in range(5):
        distance, _, near, _ = signed(truth[skin] + shift, made)
        shift += (near - truth[skin] - shift).mean(axis=0) * [1, 1, 0]
    return made, truth + shift, distance


def signed(points: np.ndarray, made: LimbForm) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return signed distances of points from a form (outside positive), nearest triangles and places."""
    v, f = made.form.mesh.vertices, made.form.mesh.triangles
    square, row, near = igl.point_mesh_squared_distance(points, v, f)
    inside = igl.fast_winding_number(v, f, np.ascontiguousarray(points)) > 0.5
    return np.sqrt(square) * np.where(inside, -1, 1), row, near, square


def rms(distance: np.ndarray) -> float:
    return float(np.sqrt((distance**2).mean()))


def p95(distance: np.ndarray) -> float:
    return float(np.quantile(np.abs(distance), 0.95))


def people_table(count: int) -> None:
    print(f"{count} people a kind: worst |off| of lengths and of girths (mm), refused, cutting themselves")
    for kind in KINDS:
        length = tape = 0.0
        refused, cut = [], 0
        for seed in range(count):
            sex = "mf"[seed % 2]
            wanted = person(sex, seed)
            try:
                made = limb_form(kind, wanted, shares=AS_USED["a" if sex == "m" else "b"])
            except InputError as error:
                refused.append(f"{seed}: {error.what}")
                continue
            assert made.measured is not None
            off = {n: abs(v - wanted[n]) for n, v in made.measured.items() if n in wanted}
            tapes = [v for n, v in off.items() if n.endswith(("circumference", "flexed"))]
            length, tape = (
                max(length, *(v for n, v in off.items() if not n.endswith(("circumference", "flexed")))),
                max(tape, *tapes),
            )
            cut += crossings(made.form.mesh.vertices, made.form.mesh.triangles) > 0
        print(f"  {kind:6s} {length:5.2f} {tape:5.2f}  refused {len(refused)} {refused[:6]}  cut {cut}")


def body_table() -> dict[str, float]:
    print("RMS and p95 of a body's distance from the form of its own card (mm), as used and left out")
    worst: dict[str, float] = {}
    for kind in KINDS:
        template = body_template(kind)
        skin = np.unique(template.triangles[~template.on_cut])
        for body in range(3):
            for label in ("as used", "left out"):
                _, _, d = beside(kind, body, label == "left out")
                print(
                    f"  {kind:6s} {BODIES[body]} {label:9s} {rms(d):5.2f} {p95(d):5.2f}",
                    end="",
                )
                parts = []
                for name in dict.fromkeys(
                    n.removesuffix("_left").removesuffix("_right") for n in template.region_names
                ):
                    rows = np.isin(skin, template.triangles[template.in_regions(name)])
                    parts.append(f"{name} {rms(d[rows]):.1f}")
                    if label == "left out":
                        worst[name] = max(worst.get(name, 0.0), p95(d[rows]))
                print("   " + ", ".join(parts))
    print("largest p95, left out:", {n: round(v, 1) for n, v in worst.items()})
    return worst


def piece_table(cases: int = 60) -> None:
    rng = np.random.default_rng(18)
    held = {name: [0, 0] for name in PIECES}
    for case in range(cases):
        name = list(PIECES)[case % 3]
        kind, regions = PIECES[name]
        body = int(rng.integers(3))
        made, truth, _ = beside(kind, body, True)
        template = body_template(kind)
        rows = np.unique(template.triangles[template.in_regions(*regions) & ~template.on_cut])
        low, high = np.sort(rng.uniform(0.0, 1.0, 2) * 0.6 + [0.0, 0.4])
        z = truth[rows, 2]
        rows = rows[(z > z.min() + low * np.ptp(z)) & (z < z.min() + high * np.ptp(z))]
        if name == "breastplate":
            rows = rows[vertex_normals(TriangleMesh(truth, template.triangles))[rows, 1] < -0.2]
        piece = truth[rows] + 5.0 * vertex_normals(TriangleMesh(truth, template.triangles))[rows]
        distance, triangle, _, _ = signed(piece, made)
        region = made.form.regions_at(triangle)
        # The verdict's margin is the least of (standoff - spread); it holds the truth where no region's least
        # standoff, its spread taken off and added, leaves the true 5 mm outside.
        spread = np.array([SHAPE_MM.get(r.removesuffix("_left").removesuffix("_right"), 0.0) for r in region])
        at = int(np.argmin(distance - spread))
        held[name][0] += abs(distance[at] - 5.0) <= spread[at]
        held[name][1] += 1
    print("pieces at 5 mm, truth within the spread:", {n: f"{a}/{b}" for n, (a, b) in held.items()})


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--people", type=int, default=200)
    count = parser.parse_args().people
    body_table()
    piece_table()
    people_table(count)


if __name__ == "__main__":
    main()
