# SPDX-License-Identifier: GPL-3.0-or-later
"""What each verb says of a dirty variant, held against what it says of the clean mesh."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from arming_cap.core.errors import InputError
from arming_cap.core.formats import read_mesh
from arming_cap.core.geometry.doubts import doubts
from arming_cap.core.geometry.section import cut
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.form import Wearer
from corpus.dirt import KINDS

ROOT = Path(__file__).resolve().parents[2]
FAR = np.array([1e5, -1e5, 1e5])
# Triangles of a clean mesh: what the demo has, decimated, so that hundreds of variants can be measured.
TRIANGLES = 12_000
EQUAL, WITHHELD, FLAGGED, WRONG = "equal", "withheld", "flagged", "wrong"
UP = (0.0, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class Subject:
    """A clean mesh, who wears it, where it is cut, and whether there are eyes behind it."""

    name: str
    mesh: TriangleMesh
    wearer: Wearer | None
    levels: tuple[float, ...]
    eyes: bool = False


@dataclass(frozen=True)
class Case:
    """One variant under one verb, and how its answer compares."""

    subject: str
    kind: str
    seed: int
    verb: str
    verdict: str
    clean: tuple[float, ...]
    dirty: tuple[float | None, ...]
    said: tuple[str, ...]


def _decimated(mesh: TriangleMesh) -> TriangleMesh:
    import igl

    if len(mesh) <= TRIANGLES:
        return mesh
    vertices, triangles = igl.decimate(mesh.vertices, mesh.triangles, TRIANGLES, False)[:2]
    return TriangleMesh(vertices, triangles, mesh.name)


def subjects(names: Collection[str] = ()) -> Iterator[Subject]:
    """Yield the demo's pieces where they are worn, and the real bodies: all, or those of some names."""
    from arming_cap.core.wearer.sources import read_wearer

    demo = ROOT / "demo_scenes"
    worn = {
        "heron_helm": ("tovi_head", 0.9, (0, 0, 0), True), "pike_helm": ("tovi_head", 1.0, (0, 0, 0), True),
        "sluice_shell": ("oren_head", 1.0, (0, 0, 0), True), "sluice_face": ("oren_head", 1.0, (0, 0, 0), True),
        "limpet_bowl": ("ilse_head", 1.0, (0.0, 1.61, 24.77), True),
        "limpet_cheek_left": ("ilse_head", 1.0, (61.8, -37.29, -49.87), True),
        "limpet_cheek_right": ("ilse_head", 1.0, (-61.8, -37.29, -49.87), True),
        "reed_bracer": ("oren_forearm", 1.0, (0, 0, 0), False),
    }  # fmt: skip
    for name, (person, scale, shift, eyes) in worn.items():
        if names and name not in names:
            continue
        mesh = _decimated(read_mesh(demo / "pieces" / f"{name}.ply").mesh).scaled(scale).moved(Pose.of(shift))
        low, high = mesh.bounds[:, 2]
        levels = tuple(float(low + share * (high - low)) for share in (0.27, 0.51, 0.73))
        yield Subject(name, mesh, read_wearer(demo / "wearers" / f"{person}.ply").wearer, levels, eyes)
    for letter in "abc":
        if names and f"adult_{letter}" not in names:
            continue
        mesh = read_mesh(ROOT / "headless_tests" / "data" / "human" / f"adult_{letter}.obj").mesh
        yield Subject(f"adult_{letter}", mesh, None, tuple(mesh.bounds[1, 2] * s for s in (0.31, 0.72, 0.95)))


def _apart(a: TriangleMesh, b: TriangleMesh) -> float:
    """Return how far either mesh is from the other at most, mm; looked at in the corners of a finer mesh."""
    import igl

    def farthest(p: TriangleMesh, q: TriangleMesh) -> float:
        points = igl.upsample(p.vertices, p.triangles, 2)[0]
        return float(np.sqrt(igl.point_mesh_squared_distance(points, q.vertices, q.triangles)[0].max()))

    return max(farthest(a, b), farthest(b, a))


def _at_levels_near(subject: Subject, verb: str, off_mm: float) -> list[list[float]]:
    """Return what a clean mesh's sections say at levels up to `off_mm` higher or lower: ranges, number by number.

    What lies within `off_mm` of a mesh is cut within `off_mm` of what such levels cut. Where a mouth opens between two
    of them, or an edge runs nearly along the plane, that is far more than `off_mm`.
    """
    shifts = np.linspace(-off_mm, off_mm, 9)
    every = [
        answer(replace(subject, levels=tuple(z + t for z in subject.levels)), subject.mesh, verb)[0] for t in shifts
    ]
    return [[v for v in column if v is not None] for column in zip(*every)]


def _piece(mesh: TriangleMesh) -> Piece:
    return Piece("piece", (Part("piece", mesh),))


def _section(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    form = None if subject.wearer is None else subject.wearer.form.mesh
    found = cut(mesh, UP, subject.levels, wearer=form)
    said = [remark for section in found for remark in section.remarks]
    if subject.wearer is None:  # a body has no room, and a girth
        return [max((o.girth_mm for o in s.loops), default=0.0) if s.room is None else -1.0 for s in found], said
    return [v for s in found for v in (s.inner_width_mm, s.inner_depth_mm)], said


def _clearance(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    from arming_cap.core.distance.clearance import measure

    found = measure(_piece(mesh), subject.wearer)
    # Not region by region: where two regions meet, a border is drawn no sharper than the samples (`LABEL_MM`).
    return [found.min_standoff_mm, found.margin_mm], []


def _sight(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    from arming_cap.core.fit.sight import eyes_of, look_out

    found = look_out(_piece(mesh), *eyes_of(subject.wearer.form), subject.wearer.form).as_dict()
    return [100 * found["open_fraction"]], []


def _walls(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    from arming_cap.core.make.walls.thickness import thickness

    found = thickness(_piece(mesh))
    return [found.least_mm, found.median_mm], [found.remark] if found.remark else []


def _ring(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    from arming_cap.core.make.rings.ring import RingOptions, RingPlane, make_rings

    (ring,) = make_rings(
        _piece(mesh), subject.wearer, [RingPlane("middle", UP, subject.levels[1])], RingOptions(text_mm=0)
    )
    return [ring.section.inner_width_mm, float(ring.mesh.soundness.closed)], list(ring.remarks)


def _split(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    from arming_cap.core.make.split.split import workpiece

    work = workpiece([mesh], "piece")
    return [work.solid.volume() ** (1 / 3)], list(work.remarks)


def _size(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    from arming_cap.core.fit.size.sizing import size

    found = size(_piece(mesh), replace(subject.wearer, allowance_mm={}), 0.0, "fixed")
    return [100 * found.scale], list(found.warnings)


def _don(subject: Subject, mesh: TriangleMesh) -> tuple[list[float | None], list[str]]:
    from arming_cap.core.fit.passage.donning import find_passage

    found = find_passage(_piece(mesh), replace(subject.wearer, allowance_mm={}), Pose())
    return [float(found.passes)], []


VERBS: dict[str, Callable[[Subject, TriangleMesh], tuple[list[float | None], list[str]]]] = {
    "section": _section, "clearance": _clearance, "sight": _sight, "walls": _walls, "ring": _ring, "split": _split,
    "size": _size, "don": _don,
}  # fmt: skip
# By how much an answer may differ beyond a variant's own tolerance, in the answer's unit: mm, per cent.
MORE = {"sight": 1.0, "walls": 0.05, "size": 0.2, "split": 0.05}


def answer(subject: Subject, mesh: TriangleMesh, verb: str) -> tuple[list[float | None], list[str]]:
    """Return a verb's numbers, and what it says of doubts as the command line does; no numbers where it refuses."""
    said = doubts([mesh.welded()], verb if verb != "walls" else "split")
    try:
        values, more = VERBS[verb](subject, mesh.welded())
    except InputError as refusal:
        return [], [*said, str(refusal)]
    return values, said + more


def judge(
    subject: Subject, variant: tuple[str, int], verb: str, dirty: TriangleMesh, clean: list[float | None]
) -> Case:
    """Compare what a verb says of a variant (its kind and seed) with what it says of the clean mesh."""
    kind, seed = variant
    place = subject
    if kind == "far away":  # the wearer goes along
        wearer = subject.wearer
        if wearer is not None:
            form = wearer.form
            marks = {name: at + FAR for name, at in form.landmarks.items()}
            wearer = replace(wearer, form=replace(form, mesh=form.mesh.moved(Pose.of(FAR)), landmarks=marks))
        place = replace(subject, wearer=wearer, levels=tuple(z + FAR[2] for z in subject.levels))
    values, said = answer(place, dirty, verb)
    within = KINDS[kind].within_mm + MORE.get(verb, 0.0)
    near: list[list[float]] = [[] if c is None else [c] for c in clean]
    if kind == "decimated":  # both walls of a room may have moved so far
        apart = _apart(subject.mesh, dirty)
        within += 2 * apart
        if verb in ("section", "ring"):
            near = [[*a, *b] if a else [] for a, b in zip(near, _at_levels_near(subject, verb, apart), strict=True)]
    if not values:
        verdict = WITHHELD
    else:
        off = [
            bool(n) and (v is None or not min(n) - within <= v <= max(n) + within)
            for v, n in zip(values, near, strict=False)
        ]
        absent = [v is None and c is not None for v, c in zip(values, clean, strict=False)]
        verdict = EQUAL if not any(off) and len(values) == len(clean) else FLAGGED if said else WRONG
        if verdict == FLAGGED and any(off) and all(a for o, a in zip(off, absent, strict=False) if o):
            verdict = WITHHELD
    return Case(subject.name, kind, seed, verb, verdict, tuple(clean), tuple(values), tuple(said))


def cases(chosen: Callable[[str, str, int, str], bool], seeds: int = 2, names: Collection[str] = ()) -> Iterator[Case]:
    """Yield every case that is chosen by subject, kind, seed and verb, of all subjects or of some names."""
    for subject in subjects(names):
        known: dict[str, list[float | None]] = {}
        for kind, how in KINDS.items():
            for seed in range(seeds):
                verbs = [v for v in VERBS if v not in how.changes and _asks(subject, v)]
                verbs = [v for v in verbs if chosen(subject.name, kind, seed, v)]
                if not verbs:
                    continue
                dirty = how.make(subject.mesh, np.random.default_rng([seed, *map(ord, kind + subject.name)]))
                for verb in verbs:
                    if verb not in known:
                        known[verb] = answer(subject, subject.mesh, verb)[0]
                    if known[verb]:
                        yield judge(subject, (kind, seed), verb, dirty, known[verb])


def _asks(subject: Subject, verb: str) -> bool:
    if subject.wearer is None:
        return verb == "section"
    whole = subject.name not in ("limpet_cheek_left", "limpet_cheek_right")
    return whole or verb in ("clearance", "walls", "split", "sight") if subject.eyes else verb != "sight"
