# SPDX-License-Identifier: GPL-3.0-or-later
"""From a raw scan to a form: unit, pose, hand, holes, noise, cap.

A scan says neither its unit nor which way is up. The steps: loose shells go (`scanclean`); the template is laid over
the head from every direction (`scansearch`); the unit is the one that makes it a head of human size; the template is
bent onto the scan (`scanfit`), so that holes, the crown under a cap and the cut neck take a head's shape and the result
is closed. What cannot be decided is asked, never guessed: three landmarks then replace the search.

Mirrored or not. A head is so nearly symmetric that its shape does not tell, and nothing here claims it does. Two
things do tell. A surface whose triangles face inwards has been mirrored by its exporter, or has only lost its
direction: it is taken as mirrored, and the doubt is said. Three landmarks leave no doubt: left, right and front fix
which way is up, and the crown is there or it is not. A scan that was mirrored *and* turned outside out again, given
without landmarks, passes as its mirror image: left and right of the form are then exchanged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..errors import InputError
from ..formats import UNITS_MM
from ..mesh import TriangleMesh
from ..pose import matrix_euler
from ..progress import Progress, part_of, silent
from .dimension import DIMENSIONS
from .form import Form
from .headform import Z90
from .measure import Ruler, measure, section_points
from .population import unlike_adults
from .recognise import LEAST_RELIEF
from .regions import in_words
from .register import Similarity, best_similarity, vertex_normals
from .scanfit import HEAD_REGIONS, Cloud, Gaps, cloud_of, fitted, head_rows
from .scanplace import ASK, LARGEST_RMS_MM, LEAST_COVERED, LEAST_LEAD, Place, cleaned, from_landmarks, searched
from .scansearch import CERTAIN_COVERED, CERTAIN_RELIEF, CERTAIN_RMS_MM
from .template import template_head

# Where the doubt about the next best pose ends.
CERTAIN_LEAD = 0.6
# Turned by less than this, a scan stands in our frame already and stays where it is.
UPRIGHT_DEG = 5.0
# A tape and a scan of one head that differ by more than this share are not of one size.
LARGEST_DIFFERENCE = 0.02
# Half the 90 % interval of the surface where there is scan, and what each millimetre from it adds.
SEEN_MM, PER_MM = 1.0, 0.12
# Wider than this, head breadth or length is a guess: then it is asked for.
LARGEST_UNCERTAINTY_MM = 7.0
# A landmark farther than this from the scan is the template's.
GUESSED_MM = 8.0
# Noise averages out over the points that lie this near.
PATCH_MM = 15.0
# A landmark slides along the surface by this (standard deviation, each way).
LANDMARK_SD_MM = 1.2
# Head breadth and length known to this are known well.
CERTAIN_MM = 1.5
# How far above and below its usual place the brow may stand out most.
BROW_MM = 9.0


# Below this a form may be looked at, but its dimensions are no answer.
LEAST_CONFIDENCE = 0.2


@dataclass(frozen=True, eq=False)
class ScanResult:
    """A scan brought home.

    Attributes
    ----------
    form
        Closed, mm, Z up, facing -Y; with regions, landmarks and spread. The origin is midway between the tragions,
        unless the scan stood upright already: then it stays where it was.
    unit, unit_found
        The file's unit, and whether it was found (or stated).
    to_form
        From the file's numbers to the form's frame: unit, rotation, and the mirror where there was one.
    mirrored
        Whether left and right were exchanged; see the module's own text on what can be known.
    deviation_mm
        (n,) for each vertex of the form how far outside it the scan lies, NaN where there is no scan; before any
        cap's thickness was taken off.
    covered
        Share of the head's vertices that the scan has.
    noise_mm
        Standard deviation of the scan's points about the form.
    confidence, reasons
        0 to 1, the smallest of several; and what it rests on, in words.
    uncertainty_mm
        Half of the 90 % interval of each dimension.
    guessed_landmarks
        Landmarks where there is no scan: the template's.
    warnings
        Sentences for the user.
    """

    form: Form
    unit: str
    unit_found: bool
    to_form: Similarity
    mirrored: bool
    deviation_mm: FloatArray
    covered: float
    noise_mm: float
    confidence: float
    reasons: tuple[str, ...]
    uncertainty_mm: Mapping[str, float]
    guessed_landmarks: tuple[str, ...]
    warnings: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return what JSON shows: numbers and words, no arrays."""
        rotation = self.to_form.linear @ np.diag([-1.0 if self.mirrored else 1.0, 1.0, 1.0]) / self.to_form.scale
        told = self.deviation_mm[np.isfinite(self.deviation_mm)]
        return {
            "unit": self.unit,
            "unit_found": self.unit_found,
            "mirrored": self.mirrored,
            "rotation_deg": [round(float(a), 3) + 0.0 for a in matrix_euler(rotation)],
            "translation_mm": [round(float(t), 3) + 0.0 for t in self.to_form.shift],
            "covered": round(self.covered, 3),
            "noise_mm": round(self.noise_mm, 2),
            "deviation_mm": {
                "mean": round(float(told.mean()), 3) + 0.0,
                "rms": round(float(np.sqrt((told**2).mean())), 3),
                "p95": round(float(np.quantile(np.abs(told), 0.95)), 3),
            },
            "confidence": round(self.confidence, 3),
            "reasons": list(self.reasons),
            "guessed_landmarks": list(self.guessed_landmarks),
        }

    def in_words(self) -> list[tuple[str, str]]:
        """Return the rows of a table on where the scan came from and how sure that is."""
        d = self.as_dict()
        turn = ", ".join(f"{a:.1f}°" for a in d["rotation_deg"])
        return [
            ("unit", f"{self.unit}, {'found' if self.unit_found else 'as stated'}"),
            ("turned about x, y, z by", turn + ("; mirrored back first" if self.mirrored else "")),
            ("of the head it has", f"{100 * self.covered:.0f} %"),
            ("noise", f"{self.noise_mm:.1f} mm"),
            ("form to scan, RMS", f"{d['deviation_mm']['rms']:.2f} mm"),
            ("confidence", f"{self.confidence:.2f}: {self.reasons[0]}"),
        ]


def form_of_scan(
    mesh: TriangleMesh,
    *,
    units: str | None = None,
    landmarks: Mapping[str, FloatArray] | None = None,
    offsets_mm: Mapping[str, float] | None = None,
    known_mm: Mapping[str, float] | None = None,
    progress: Progress = silent,
) -> ScanResult:
    """Return the form in a scan of a head, a bust or a whole body.

    Parameters
    ----------
    mesh
        As the file has it: any unit, any pose, open, noisy, with loose shells.
    units
        ``mm``, ``cm``, ``m`` or ``in`` where it is known; found otherwise.
    landmarks
        ``tragion_left``, ``tragion_right`` and ``sellion`` in the file's numbers, (3,) each: replaces the search.
    offsets_mm
        Thickness of cap or hair to take off, by region or ``default``; a name without side means both.
    known_mm
        Tape or caliper readings by dimension, to check the scale against.

    Raises
    ------
    InputError
        Where no head is found, or where it is not certain which it is, how large, or which way it looks.
    """
    name = mesh.name
    progress(0.0, f"Cleaning {name}")
    kept, notes = cleaned(mesh)
    given = {} if landmarks is None else {n: np.asarray(p, float).reshape(3) for n, p in landmarks.items()}
    search = part_of(progress, 0.1, 0.55)
    if given:
        place = from_landmarks(kept, given, units)
    else:
        place = searched(kept, units, search)
    notes += place.warnings
    progress(0.6, "Bending the template onto the scan")
    # A rigid frame in true millimetres, close to the template's.
    found = place.match.affine
    u, _, vt = np.linalg.svd(found.linear)
    turn = u @ vt
    start = found.inverse().apply(template_head().mesh.vertices) @ turn.T
    middle = _between_ears(start)
    hand = np.diag([-1.0 if place.mirrored else 1.0, 1.0, 1.0])
    to_frame = Similarity(UNITS_MM[place.unit] * hand @ turn, -hand @ middle)
    frame = (start - middle) @ hand
    if place.mirrored:  # mirroring exchanges the sides of the template's vertices as well
        frame = frame[template_head().mirror]
    around = _around(kept, to_frame, frame, inward=place.inward != place.mirrored)
    vertices, gaps = fitted(around, frame)
    progress(0.85, "Measuring")
    seen = gaps.count > 0.2
    deviation = np.where(seen, gaps.mean, np.nan)
    vertices = (
        vertices - vertex_normals(TriangleMesh(vertices, template_head().mesh.triangles)) * _offset(offsets_mm)[:, None]
    )
    # Home: the template's own attitude, or the scan's where it has it already.
    head = head_rows()
    home = best_similarity(vertices[head], template_head().mesh.vertices[head], np.ones(len(head)), fixed_scale=True)
    to_form = Similarity(home.linear, -home.linear @ _between_ears(vertices)).after(to_frame)
    angle = np.degrees(np.arccos(np.clip((np.trace(to_form.linear) / UNITS_MM[place.unit] - 1) / 2, -1, 1)))
    if not place.mirrored and angle < UPRIGHT_DEG:
        to_form = Similarity(UNITS_MM[place.unit] * np.eye(3), np.zeros(3))
    vertices = to_form.after(to_frame.inverse()).apply(vertices)
    form = template_head().form_on(np.round(vertices, 6) + 0.0, "scan", name)
    spread, reach, away = _spread(vertices, gaps)
    form = replace(form, spread_mm=spread, landmarks={**form.landmarks, "glabella": _glabella(form)})
    _refuse_folded(form, vertices, name)
    sizes = measure(form)
    covered = float(seen[head].mean())
    uncertainty = _uncertainty(form, reach)
    bare = _missing(seen)
    if not place.asked:
        _refuse_guesses(covered, uncertainty, bare, name)
    confidence, reasons = _confidence(place, covered, gaps.noise, bare, uncertainty)
    notes += scale_doubts(sizes, known_mm or {})
    notes += unlike_adults(sizes)
    if confidence < LEAST_CONFIDENCE:
        notes.append(
            f"the form is a guess: its confidence of {confidence:.2f} is below {LEAST_CONFIDENCE}, so no dimension is "
            f"told; {reasons[0]}"
        )
    if bare:
        notes.append(f"not in the scan, shaped by the template: {', '.join(bare)}")
    rows = template_head().landmark_rows
    return ScanResult(
        form,
        place.unit,
        units is None,
        to_form,
        place.mirrored,
        deviation,
        covered,
        gaps.noise,
        confidence,
        reasons,
        uncertainty,
        tuple(n for n in sorted(rows) if away[rows[n]] > GUESSED_MM),
        tuple(notes),
    )


def _between_ears(vertices: FloatArray) -> FloatArray:
    rows = template_head().landmark_rows
    return np.asarray((vertices[rows["tragion_left"]] + vertices[rows["tragion_right"]]) / 2)


def _around(mesh: TriangleMesh, to_frame: Similarity, frame: FloatArray, inward: bool) -> Cloud:
    """Return the scan about the template, in its frame and outside out."""
    there = to_frame.apply(mesh.vertices)
    low, high = frame.min(axis=0) - 40.0, frame.max(axis=0) + 40.0
    inside = ((there > low) & (there < high)).all(axis=1)
    rows = inside[mesh.triangles].all(axis=1)
    triangles = mesh.triangles[rows]
    return cloud_of(TriangleMesh(there, triangles[:, ::-1] if inward else triangles, mesh.name))


def _offset(offsets_mm: Mapping[str, float] | None) -> FloatArray:
    """Return the thickness to take off at each vertex, without a step between regions."""
    template = template_head()
    if not offsets_mm:
        return np.zeros(len(template.mesh.vertices))
    bare = {n.removesuffix("_left").removesuffix("_right") for n in template.region_names}
    for name, value in offsets_mm.items():
        if name != "default" and name not in template.region_names and name not in bare:
            raise InputError(f"no region of the head is called {name}", remedy=f"use one of {', '.join(sorted(bare))}")
        if not 0 <= value < 60:
            raise InputError(f"an offset of {value} mm is no cap or hair", remedy="give its thickness in mm")
    default = offsets_mm.get("default", 0.0)
    of_region = []
    for region in template.region_names:
        both = region.removesuffix("_left").removesuffix("_right")
        of_region.append(offsets_mm.get(region, offsets_mm.get(both, default)))
    return _evened(np.array(of_region)[template.region_of_triangle])


def _evened(per_triangle: FloatArray) -> FloatArray:
    """Return a value of each triangle (t,) at the vertices (n,), evened out over four rings."""
    corners, n = template_head().mesh.triangles, len(template_head().mesh.vertices)
    count = np.maximum(np.bincount(corners.ravel(), minlength=n), 1)
    total = np.zeros(n)
    for _ in range(4):
        total = np.bincount(corners.ravel(), weights=np.repeat(per_triangle, 3), minlength=n) / count
        per_triangle = total[corners].mean(axis=1)
    return total


def _spread(vertices: FloatArray, gaps: Gaps) -> tuple[dict[str, float], FloatArray, FloatArray]:
    """Return the half-width of the 90 % interval by region and at each vertex, and how far each is from the scan."""
    import igl

    template = template_head()
    triangles, seen = template.mesh.triangles, gaps.count > 0.2
    if seen.any():
        points = vertices[seen]
        _, _, near = igl.point_mesh_squared_distance(vertices, points, np.arange(len(points))[:, None])
        away = np.linalg.norm(vertices - near, axis=1)
    else:
        away = np.full(len(vertices), 200.0)
    valence = np.maximum(np.bincount(triangles.ravel(), minlength=len(vertices)), 1)
    points_of = (gaps.count / valence)[triangles].sum(axis=1)
    patch = _evened(points_of / TriangleMesh(vertices, triangles).areas) * np.pi * PATCH_MM**2
    left = Z90 * gaps.noise / np.sqrt(np.maximum(patch, 1.0))
    at = np.sqrt(SEEN_MM**2 + (PER_MM * away) ** 2 + left**2)
    of_triangle = (at[triangles] ** 2).mean(axis=1)
    area = np.bincount(template.region_of_triangle, weights=template.mesh.areas)
    mean = np.bincount(template.region_of_triangle, weights=template.mesh.areas * of_triangle) / area
    return {n: float(np.sqrt(m)) for n, m in zip(template.region_names, mean)}, at, away


def _uncertainty(form: Form, reach: FloatArray) -> dict[str, float]:
    """Return half of the 90 % interval of each dimension: the spread of forms that the scan allows as well."""
    assert form.region_of_triangle is not None
    ruler = Ruler(form.mesh.triangles, form.region_names, form.region_of_triangle)
    normal = vertex_normals(form.mesh)
    rows = template_head().landmark_rows
    rng = np.random.default_rng(0)
    found: dict[str, list[float]] = {}
    for _ in range(24):
        # A smooth error: sixty plane waves of some 40 mm.
        waves, phase = rng.normal(size=(60, 3)) / 40.0, rng.uniform(0, 2 * np.pi, 60)
        error = np.sqrt(2 / 60) * np.cos(form.mesh.vertices @ waves.T + phase).sum(axis=1) * reach / Z90
        at = {}
        for name, p in form.landmarks.items():  # they ride on the surface, and slide along it
            n, slide = normal[rows[name]], rng.normal(size=3) * LANDMARK_SD_MM
            at[name] = p + slide + n * (error[rows[name]] - n @ slide)
        for name, value in ruler.measure(form.mesh.vertices + normal * error[:, None], at).items():
            found.setdefault(name, []).append(value)
    return {n: float(Z90 * np.std(v, ddof=1)) for n, v in found.items()}


def _refuse_folded(form: Form, vertices: FloatArray, name: str) -> None:
    """Raise where the bend has turned the surface over: such a form is no answer."""
    own = template_head().mesh
    turned = TriangleMesh(vertices, own.triangles)
    home = best_similarity(vertices, own.vertices, np.ones(len(vertices)))
    facing = np.einsum("ti,ti->t", turned.area_vectors @ home.rotation.T, own.area_vectors)
    share = float(own.areas[facing < 0].sum() / own.areas.sum())
    if share > 0.02:
        raise InputError("the template cannot take this scan's shape", source=name, remedy=ASK)


def _glabella(form: Form) -> FloatArray:
    """Return the foremost midline point between the brows: smooth skin, where a bend alone would let it slide."""
    template, head = template_head(), head_rows()
    turn = best_similarity(form.mesh.vertices[head], template.mesh.vertices[head], np.ones(len(head))).rotation
    across, back, up = turn  # the template's axes, as the form's frame has them
    return foremost(form.mesh.vertices, form.mesh.triangles, form.landmarks["glabella"], across, up, back)


def foremost(
    vertices: FloatArray, triangles: IntArray, near: FloatArray, across: FloatArray, up: FloatArray, back: FloatArray
) -> FloatArray:
    """Return the foremost point of the midline profile within `BROW_MM` above and below a point, (3,).

    Parameters
    ----------
    near
        (3,), a point of the brow.
    across, up, back
        Unit vectors of the head: to its left, upwards, backwards.
    """
    profile = section_points(vertices, triangles, across, float(across @ near))
    brow = profile[(np.abs((profile - near) @ up) < BROW_MM) & (np.abs((profile - near) @ back) < 20.0)]
    return np.asarray(brow[np.argmin(brow @ back)]) if len(brow) else near


def _refuse_guesses(covered: float, uncertainty_mm: Mapping[str, float], bare: list[str], name: str) -> None:
    """Raise where too little was scanned for the head's size to be more than the template's."""
    guessed = [n for n in ("head_breadth", "head_length") if uncertainty_mm[n] > LARGEST_UNCERTAINTY_MM]
    if covered < LEAST_COVERED or guessed:
        missing = f" ({', '.join(bare)} missing)" if bare else ""
        what = f"{DIMENSIONS[guessed[0]].in_words} would be a guess" if guessed else "the rest would be a guess"
        raise InputError(
            f"only {100 * covered:.0f} % of the head was scanned{missing}: {what}",
            source=name,
            remedy=f"scan it again or measure it; to use it all the same, {ASK}",
        )


def _confidence(
    place: Place, covered: float, noise: float, bare: list[str], uncertainty_mm: Mapping[str, float]
) -> tuple[float, tuple[str, ...]]:
    """Return the confidence, 0 to 1, and what it rests on."""

    def share(value: float, least: float, certain: float) -> float:
        return float(np.clip((value - least) / (certain - least), -1.0, 1.0)) * 0.5 + 0.5

    match = place.match
    parts = {
        f"the face agrees with the template's to {match.relief:.2f}": share(match.relief, LEAST_RELIEF, CERTAIN_RELIEF),
        f"{100 * covered:.0f} % of the head is there": share(covered, LEAST_COVERED, CERTAIN_COVERED),
        f"the template lay within {match.rms_mm:.1f} mm before it was bent": share(
            -match.rms_mm, -LARGEST_RMS_MM, -CERTAIN_RMS_MM
        ),
        f"{noise:.1f} mm of noise are left": share(-noise, -4.0, -2.0),
    }
    for name in ("head_breadth", "head_length"):
        half = uncertainty_mm[name]
        parts[f"{DIMENSIONS[name].in_words} is known to within {half:.1f} mm"] = share(
            -half, -LARGEST_UNCERTAINTY_MM, -CERTAIN_MM
        )
    if bare:
        parts[f"{', '.join(bare)}: not in the scan"] = max(0.5, 0.85 - 0.1 * len(bare))
    if place.asked and place.mirrored and not place.inward:
        parts["by the landmarks it is a mirror image, by its surface it is not"] = 0.6
    elif place.asked:
        parts["three landmarks say where it is"] = 1.0
    else:
        parts[f"the next best pose is worse by {place.lead:.2f}"] = share(place.lead, LEAST_LEAD, CERTAIN_LEAD)
    return min(parts.values()), tuple(sorted(parts, key=lambda text: parts[text]))


def scale_doubts(sizes: Mapping[str, float], known_mm: Mapping[str, float]) -> list[str]:
    """Return, in words, where a reading and the scan differ by more than `LARGEST_DIFFERENCE`."""
    doubts = []
    for name in sorted(known_mm.keys() & sizes.keys()):
        ratio = sizes[name] / known_mm[name]
        if abs(ratio - 1) > LARGEST_DIFFERENCE:
            doubts.append(
                f"{DIMENSIONS[name].in_words} is {sizes[name]:.0f} mm on the scan, {known_mm[name]:.0f} mm by the "
                f"reading ({100 * (ratio - 1):+.1f} %): check the scan's scale"
            )
    return doubts


def _missing(seen: BoolArray) -> list[str]:
    """Name the regions of the head that are the template's guess for the most part."""
    template = template_head()
    share = seen[template.mesh.triangles].mean(axis=1)
    bare = []
    for k, name in enumerate(template.region_names):
        rows = template.region_of_triangle == k
        weight = template.mesh.areas[rows]
        if name.split("_")[0] in HEAD_REGIONS and (share[rows] * weight).sum() < 0.5 * weight.sum():
            bare.append(in_words(name))
    return bare
