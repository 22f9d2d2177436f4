# SPDX-License-Identifier: GPL-3.0-or-later
"""Where in a scan the head is, its unit and its hand: found by its shape, or told by landmarks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..formats import UNITS_MM
from ..mesh import TriangleMesh
from ..progress import Progress, part_of
from .recognise import LEAST_RELIEF
from .register import Similarity, best_similarity
from .scanclean import clustered, matter, shells
from .scansearch import Candidate, candidates, facing_out, registered, starts
from .template import template_head

# The three that are asked for: both ears and the root of the nose.
ASKED = ("tragion_left", "tragion_right", "sellion")
ASK = "give --landmark tragion_left=X,Y,Z, tragion_right=X,Y,Z and sellion=X,Y,Z, in the file's coordinates"
SEARCH_CELL_MM = 5.0
# What a scan of a head measures along its longest side, from the chin up to a whole body with its arms out.
SMALLEST_MM, LARGEST_MM = 150.0, 2600.0
# Below these nothing is answered. Measured on the synthetic scans: see scripts/validate_scans.py.
LEAST_COVERED = 0.66
LARGEST_RMS_MM = 4.5
LEAST_LEAD = 0.3
# A click may miss by this much.
CLICK_MM = 18.0


@dataclass(frozen=True)
class Place:
    """Where the head is.

    Attributes
    ----------
    match
        The template laid over the scan in mm, which is not mirrored back yet.
    unit
        The file's.
    mirrored, inward
        Whether it is a mirror image, and whether its triangles face inwards.
    lead
        How much the next best pose is worse.
    asked
        Whether landmarks told it.
    warnings
        Sentences for the user.
    """

    match: Candidate
    unit: str
    mirrored: bool
    inward: bool
    lead: float
    asked: bool
    warnings: list[str]


def cleaned(mesh: TriangleMesh) -> tuple[TriangleMesh, list[str]]:
    """Return the welded mesh without small loose shells, and what was left out."""
    if not len(mesh) or not mesh.areas.sum() > 0:
        raise InputError("the scan has no surface", source=mesh.name, remedy="export the mesh again")
    # A connected surface has half as many vertices as triangles; what has more than one each was never welded.
    welded = mesh.welded() if len(mesh.vertices) > len(mesh) else mesh
    cell = float(np.linalg.norm(np.ptp(welded.bounds, axis=0))) / 150.0
    label, area = shells(welded, cell)
    keep = matter(label, area)
    loose = len(area) - 1 - int(label[keep].max())
    if not loose:
        return welded, []
    pieces = "piece" if loose == 1 else "pieces"
    return welded.submesh(keep), [f"{loose} loose {pieces} of the scan ({int((~keep).sum())} triangles) left out"]


def searched(mesh: TriangleMesh, units: str | None, progress: Progress) -> Place:
    """Return where the head is, found by its shape alone."""
    size = float(np.ptp(mesh.bounds, axis=0).max())
    likely = [u for u, mm in UNITS_MM.items() if SMALLEST_MM <= size * mm <= LARGEST_MM and units in (None, u)]
    if not likely:
        raise InputError(
            f"no scan of a head is {size:.4g} {units or 'mm, cm, m or in'} long",
            source=mesh.name,
            remedy=f"state its unit (--units), or {ASK}",
        )
    found: list[tuple[Candidate, str]] = []
    begun = []
    for k, unit in enumerate(likely):
        progress(0.5 * k / len(likely), "Looking for the head")
        begun.append((starts(clustered(mesh.scaled(UNITS_MM[unit]), SEARCH_CELL_MM)), unit))
    begun.sort(key=lambda pair: -pair[0].best)
    for k, (one, unit) in enumerate(begun):
        part = part_of(progress, 0.5 + 0.5 * k / len(begun), 0.5 + 0.5 * (k + 1) / len(begun))
        found += [(c, unit) for c in candidates(one, progress=part)]
        if any(c.is_head for c, _ in found):
            break  # a head of human size: in another unit it would be less than half of it, or more than double
    found.sort(key=lambda pair: -pair[0].quality)
    if not found or not found[0][0].relief > LEAST_RELIEF or not found[0][0].rms_mm < LARGEST_RMS_MM:
        raise InputError("no head was recognised in the scan", source=mesh.name, remedy=ASK)
    best, unit = found[0]
    if best.covered < LEAST_COVERED:
        raise InputError(
            f"only {100 * best.covered:.0f} % of a head is there, too little to be sure of the rest",
            source=mesh.name,
            remedy=ASK,
        )
    others = [c.quality for c, u in found[1:] if u != unit or _turned(c.affine, best.affine) > 20.0]
    lead = best.quality - max(others, default=-1.0)
    if lead < LEAST_LEAD:
        raise InputError("it is not certain which way the head looks", source=mesh.name, remedy=ASK)
    small = next(one.mesh for one, u in begun if u == unit)
    inward = facing_out(small, best.affine) < 0
    warnings = []
    if inward:
        warnings.append(
            "the scan is inside out: taken as mirrored and turned back; if it is not, "
            "give the three landmarks (tragion_left, tragion_right, sellion)"
        )
    return Place(best, unit, inward, inward, lead, False, warnings)


def _turned(a: Similarity, b: Similarity) -> float:
    """Return the angle between two maps' rotations in degrees."""
    return float(np.degrees(np.arccos(np.clip((np.trace(a.rotation @ b.rotation.T) - 1) / 2, -1, 1))))


def from_landmarks(mesh: TriangleMesh, given: Mapping[str, FloatArray], units: str | None) -> Place:
    """Return where the head is, told by three landmarks; the shape only decides which way is up, and refines."""
    missing = [n for n in ASKED if n not in given]
    unknown = sorted(given.keys() - template_head().landmark_rows.keys())
    if missing or unknown:
        what = f"no landmark is called {unknown[0]}" if unknown else f"the landmark {missing[0]} is missing"
        raise InputError(what, source=mesh.name, remedy=f"give {', '.join(ASKED)}")
    rows = template_head().landmark_rows
    theirs = np.array([given[n] for n in ASKED])
    ours = np.array([template_head().mesh.vertices[rows[n]] for n in ASKED])
    across = float(np.linalg.norm(theirs[0] - theirs[1]))
    if not np.isfinite(theirs).all() or not across > 0:
        raise InputError("the landmarks are no three points", source=mesh.name, remedy="give them again")
    factor = float(np.linalg.norm(ours[0] - ours[1])) / across
    unit = units or min(UNITS_MM, key=lambda u: abs(np.log(UNITS_MM[u] / factor)))
    mm = UNITS_MM[unit]
    if not 0.7 < factor / mm < 1.45:
        raise InputError(
            f"the ears would be {across * mm:.0f} mm apart", source=mesh.name, remedy="check the landmarks and --units"
        )
    ratio = np.linalg.norm(theirs[2] - theirs[:2].mean(axis=0)) / across
    if not 0.4 < ratio < 1.0:
        raise InputError(
            "the three landmarks form no triangle of a head", source=mesh.name, remedy="check which is which"
        )
    best: tuple[Candidate, bool] | None = None
    lead = 0.0
    small = clustered(mesh.scaled(mm), SEARCH_CELL_MM)
    for mirrored in (False, True):
        # With the template's sides exchanged the same three points turn it upside down.
        hand = np.diag([-1.0 if mirrored else 1.0, 1.0, 1.0])
        start = best_similarity(theirs * mm, ours @ hand, np.ones(3))
        match = registered(small, start)
        if match is None:
            continue
        off = np.linalg.norm(match.affine.apply(theirs * mm) - ours @ hand, axis=1)
        if off.max() > CLICK_MM:
            continue
        if best is None or match.quality > best[0].quality:
            lead = match.quality - (best[0].quality if best else 0.0)
            best = match, mirrored
        else:
            lead = best[0].quality - match.quality
    if best is None or best[0].covered < 0.35:
        raise InputError(
            "no head lies at the three landmarks", source=mesh.name, remedy="check which is which, and their units"
        )
    match, mirrored = best
    inward = facing_out(small, match.affine) < 0
    warnings = []
    if mirrored and not inward:
        warnings.append(
            "by the three landmarks the scan is a mirror image, and was turned back; "
            "if it is not, left and right are exchanged in them"
        )
    return Place(match, unit, mirrored, inward, lead, True, warnings)
