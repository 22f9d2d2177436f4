# SPDX-License-Identifier: GPL-3.0-or-later
"""Synthetic phone scans whose truth is known: the same seed gives the same scan.

The subjects are the three CC0 bodies, and headforms of people drawn at random. On a body the truth does not pass
through our registration: the three share their topology, so a landmark of their mean is the same corner of the same
triangle on each of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import igl
import numpy as np
from shapes import body, joined, sphere

from arming_cap.core.errors import InputError
from arming_cap.core.formats import UNITS_MM
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.wearer.headform import form_from_dimensions
from arming_cap.core.wearer.measure import measure
from arming_cap.core.wearer.population import estimate
from arming_cap.core.wearer.reading import Reading
from arming_cap.core.wearer.scan import foremost
from arming_cap.core.wearer.scanclean import clustered
from arming_cap.core.wearer.template import template_head

BODIES = "abc"
# Height of the cut below the point between the tragions, mm; a body may also be whole.
CUTS = {"neck": (105.0, 140.0), "shoulders": (165.0, 260.0), "chest": (300.0, 480.0), "whole": (5000.0, 5000.0)}
# Landmarks that sit on something: an edge, a tip, a hollow. The others are where smooth skin lies foremost, topmost or
# outermost, so that a turn of the head by 3 degrees alone moves them by 5 mm; the dimensions they serve are judged.
PLACED = (
    "tragion_left",
    "tragion_right",
    "sellion",
    "pronasale",
    "subnasale",
    "pogonion",
    "menton",
    "pupil_left",
    "pupil_right",
    "exocanthion_left",
    "exocanthion_right",
)
REDUCED_MM: dict[object, float] = {-1: 8.0, 0: 4.5}
EAR_TOP = "ear top"
CAPPED = ("crown", "forehead", "temple", "parietal", "occiput")


@dataclass(frozen=True)
class Subject:
    """A clean person, mm, Z up, facing -Y.

    Attributes
    ----------
    landmarks
        The truth, (3,) each.
    turn
        The rotation from the template's frame to this one: the best rigid fit of corresponding points of the head.
    breadth_mm, length_mm
        Head breadth and length.
    """

    mesh: TriangleMesh
    landmarks: dict[str, np.ndarray]
    turn: np.ndarray
    breadth_mm: float
    length_mm: float


@dataclass(frozen=True)
class Scan:
    """A synthetic scan in its file's own coordinates, and the truth there."""

    mesh: TriangleMesh
    unit: str
    landmarks: dict[str, np.ndarray]
    to_file: np.ndarray
    mirrored: bool
    subject: Subject
    offsets_mm: dict[str, float]
    about: dict[str, object] = field(default_factory=dict)


@lru_cache(maxsize=1)
def _landmark_corners() -> tuple[dict[str, tuple[np.ndarray, np.ndarray]], np.ndarray, np.ndarray]:
    """Return each landmark as (three vertex rows, barycentric weights) of a body; the mean body; its head's rows."""
    bodies = [body(c) for c in BODIES]
    first = bodies[0].vertices
    head = first[:, 2] > first[:, 2].max() - 260.0
    laid = []
    for one in bodies:
        scale, turn, shift = igl.procrustes(one.vertices[head], first[head], include_scaling=True)
        laid.append(scale * one.vertices @ turn + shift)
    mean = np.mean(laid, axis=0)
    template = template_head()
    v = template.mesh.vertices
    points = v[v[:, 2] > -80.0]
    place = np.array([0.0, mean[head, 1].mean(), mean[:, 2].max() - template.mesh.bounds[1, 2]])
    size = 1.0
    for _ in range(60):
        _, _, target = igl.point_mesh_squared_distance(points * size + place, mean, bodies[0].triangles)
        size, turn, shift = igl.procrustes(points, target, include_scaling=True)
        place = shift
        assert np.trace(turn) > 2.99, "the template stands upright on the mean body"
    corners: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    for name, row in template.landmark_rows.items():
        at = (v[row] * size + place)[None]
        _, triangle, near = igl.point_mesh_squared_distance(at, mean, bodies[0].triangles)
        rows = bodies[0].triangles[triangle[0]]
        a, b, c = (mean[r][None] for r in rows)
        corners[name] = (rows, igl.barycentric_coordinates(near, a, b, c)[0])
    ears = np.unique(template.mesh.triangles[template.in_regions("ear")])
    tip = v[ears[v[ears, 2].argmax()]] * size + place
    _, triangle, near = igl.point_mesh_squared_distance(tip[None], mean, bodies[0].triangles)
    rows = bodies[0].triangles[triangle[0]]
    a, b, c = (mean[r][None] for r in rows)
    corners[EAR_TOP] = (rows, igl.barycentric_coordinates(near, a, b, c)[0])
    return corners, (mean - place) / size, np.flatnonzero(mean[:, 2] > place[2] - 80.0)


@lru_cache(maxsize=3)
def body_subject(letter: str) -> Subject:
    """One of the three bodies with its truth."""
    corners, mean, head = _landmark_corners()
    # The bodies are cages of large facets, whose corners no skin has: one subdivision rounds them (Loop 1987). Its
    # first vertices are those of the cage, moved.
    coarse = body(letter)
    mesh = TriangleMesh(*igl.loop(coarse.vertices, coarse.triangles), coarse.name)
    at = {name: weights @ mesh.vertices[rows] for name, (rows, weights) in corners.items()}
    _, _, on = igl.point_mesh_squared_distance(np.array(list(at.values())), mesh.vertices, mesh.triangles)
    at = dict(zip(at, on))
    _, turn, _ = igl.procrustes(mean[head], mesh.vertices[head], include_scaling=True)
    turn = turn.T  # igl's maps rows
    upright = (mesh.vertices - (at["tragion_left"] + at["tragion_right"]) / 2) @ turn
    # Measured on the body itself: what lies above the ears and behind the face.
    ear_top = float(((at.pop(EAR_TOP) - (at["tragion_left"] + at["tragion_right"]) / 2) @ turn)[2])
    skull = upright[(upright[:, 2] > ear_top) & (upright[:, 1] > -90.0)]
    skull = skull[np.abs(skull[:, 0]) < 110.0]
    middle = (at["tragion_left"] + at["tragion_right"]) / 2
    at["glabella"] = foremost(mesh.vertices, mesh.triangles, at["glabella"], *turn.T[[0, 2, 1]])
    glabella = (at["glabella"] - middle) @ turn
    rear = skull[(np.abs(skull[:, 0]) < 4.0) & (skull[:, 1] > 0)]
    low = upright[(np.abs(upright[:, 0]) < 4.0) & (upright[:, 1] > 40.0) & (np.abs(upright[:, 2] - 15.0) < 30.0)]
    reach = np.linalg.norm(np.concatenate([rear, low]) - glabella, axis=1)
    return Subject(mesh, at, turn, float(np.ptp(skull[:, 0])), float(reach.max()))


@lru_cache(maxsize=512)
def drawn_subject(seed: int) -> Subject:
    """A headform of somebody drawn at random; the template's vertices are the correspondence."""
    rng = np.random.default_rng(10_000 + seed)
    for _ in range(20):
        sex = "f" if rng.random() < 0.5 else "m"
        girth = float(np.clip(rng.normal(561 if sex == "f" else 574, 17), 515, 625))
        known = {"head_circumference": Reading(girth)}
        shape = {n: e.mean + 0.8 * e.sd * rng.normal() for n, e in estimate(known, sex).dimensions.items()}
        shape = {n: (shape[n], 0.0) for n in DRAWN} | {"head_circumference": (girth, 0.0)}
        try:
            form = form_from_dimensions(shape)
        except InputError:
            continue
        template = template_head().mesh.vertices
        head = np.flatnonzero(template[:, 2] > -80.0)
        _, turn, _ = igl.procrustes(template[head], form.mesh.vertices[head], include_scaling=True)
        found = measure(form)
        at = {n: np.asarray(p, float) for n, p in form.landmarks.items()}
        return Subject(form.mesh, at, turn.T, found["head_breadth"], found["head_length"])
    raise AssertionError("no such headform")


DRAWN = ("head_breadth", "head_length", "tragion_top_of_head", "menton_sellion_length", "bizygomatic_breadth")


def smooth_noise(points: np.ndarray, rms_mm: float, width_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Return noise of one value a point, correlated over `width_mm`: a sum of plane waves of that length."""
    waves = rng.normal(size=(60, 3)) / width_mm
    phase = rng.uniform(0, 2 * np.pi, 60)
    return rms_mm * np.sqrt(2 / 60) * np.cos(points @ waves.T + phase).sum(axis=1)


def random_turn(rng: np.random.Generator) -> np.ndarray:
    """Return a rotation drawn evenly from all (a unit quaternion, Shoemake 1992)."""
    w, x, y, z = (q := rng.normal(size=4)) / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def dropped(mesh: TriangleMesh, gone: np.ndarray) -> TriangleMesh:
    """Return the mesh without the triangles that touch these vertices."""
    return mesh.submesh(~gone[mesh.triangles].any(axis=1))


def denser(mesh: TriangleMesh, times: int) -> TriangleMesh:
    """Return each triangle split in four, `times` over."""
    return TriangleMesh(*igl.upsample(mesh.vertices, mesh.triangles, times), mesh.name) if times else mesh


def make_scan(seed: int, subject: str | None = None, **fixed: object) -> Scan:
    """Return the synthetic scan of this seed.

    Parameters
    ----------
    subject
        ``a``, ``b``, ``c``, or ``drawn`` for a headform; drawn by the seed where it is None.
    fixed
        Settles a choice instead of drawing it: ``cut``, ``unit``, ``white_mm``, ``smooth_mm``, ``cap_mm``,
        ``chin_hole_mm``, ``crown_hole_mm``, ``mirrored``, ``loose``, ``density`` (-1, 0, 1, 2), ``turned``.
    """
    rng = np.random.default_rng(seed)
    subject = subject or ("drawn" if seed % 2 else BODIES[seed // 2 % 3])
    person = drawn_subject(seed) if subject == "drawn" else body_subject(subject)
    drawn: dict[str, object] = {
        "cut": str(rng.choice(["neck", "shoulders"] if subject == "drawn" else list(CUTS))),
        "unit": str(rng.choice(list(UNITS_MM))),
        "white_mm": float(rng.uniform(1.0, 3.0)),
        "smooth_mm": float(rng.uniform(0.1, 0.5)),
        "cap_mm": float(rng.uniform(1.0, 4.0)) * (rng.random() < 0.35),
        "chin_hole_mm": float(rng.uniform(15, 40)) * (rng.random() < 0.6),
        "crown_hole_mm": float(rng.uniform(20, 50)) * (rng.random() < 0.5),
        "mirrored": bool(rng.random() < 0.2),
        "loose": int(rng.integers(0, 4)),
        "density": int(rng.choice([-1, 0, 1, 1, 2])),
        "turned": True,
    }
    about = drawn | fixed
    mesh, at, turn = person.mesh, person.landmarks, person.turn
    middle = (at["tragion_left"] + at["tragion_right"]) / 2
    low, high = CUTS[str(about["cut"])]
    tilt = random_turn(rng) @ [0.0, 0.0, 1.0] * 0.25 + [0.0, 0.0, 1.0]
    cut = (mesh.vertices - middle) @ tilt < -rng.uniform(low, high)
    mesh = dropped(mesh, cut) if about["cut"] != "whole" else mesh
    # Noise belongs to what was scanned, some 2 to 4 mm apart; a file of fewer triangles has been reduced from that.
    mesh = denser(mesh, int(about["density"] == 2) + (subject == "drawn"))
    v = mesh.vertices.copy()
    normal = igl.per_vertex_normals(v, mesh.triangles)
    if about["cap_mm"]:
        # From the brow over the ears round to the nape.
        here = (v - middle) @ turn
        edge = np.interp(here[:, 1], [-90.0, 0.0, 80.0], [24.0, 26.0, -15.0])
        share = np.clip((here[:, 2] - edge) / 6.0, 0.0, 1.0) * (np.abs(here[:, 0]) < 120)
        v += normal * (share * float(about["cap_mm"]))[:, None]  # type: ignore[arg-type]
    gone = np.zeros(len(v), bool)
    for name, size in (("cervicale", "chin_hole_mm"), ("vertex", "crown_hole_mm")):
        gone |= np.linalg.norm(mesh.vertices - at[name], axis=1) < float(about[size])  # type: ignore[arg-type]
    v += normal * smooth_noise(v, float(about["smooth_mm"]), 35.0, rng)[:, None]  # type: ignore[arg-type]
    white = np.clip(rng.normal(size=len(v)), -2.5, 2.5) * float(about["white_mm"])  # type: ignore[arg-type]
    v += normal * white[:, None]
    mesh = dropped(TriangleMesh(v, mesh.triangles, f"scan {seed}"), gone)
    if about["density"] in REDUCED_MM:
        mesh = clustered(mesh, REDUCED_MM[about["density"]])
    extra = []
    for _ in range(int(about["loose"])):  # type: ignore[call-overload]
        away = random_turn(rng) @ [1.0, 0.0, 0.0] * rng.uniform(180, 400)
        extra.append(sphere(rng.uniform(5, 30), 16, middle + away))
    mesh = joined([mesh, *extra], mesh.name)
    linear = random_turn(rng) if about["turned"] else np.eye(3)
    if about["mirrored"]:  # an axis negated and the winding left as it was, as a change of handedness does it
        linear = linear @ np.diag([-1.0, 1.0, 1.0])
    linear = linear / UNITS_MM[str(about["unit"])]
    shift = (rng.normal(size=3) * 300.0 if about["turned"] else np.zeros(3)) / UNITS_MM[str(about["unit"])]
    offsets = dict.fromkeys(CAPPED, float(about["cap_mm"])) if about["cap_mm"] else {}  # type: ignore[arg-type]
    return Scan(
        TriangleMesh(mesh.vertices @ linear.T + shift, mesh.triangles, mesh.name),
        str(about["unit"]),
        {n: linear @ p + shift for n, p in at.items()},
        linear,
        bool(about["mirrored"]),
        person,
        offsets,
        {"subject": subject, **about},
    )
