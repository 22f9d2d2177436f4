# SPDX-License-Identifier: GPL-3.0-or-later
"""What a piece that was tried on says of the room its wearer needs: a plain Bayesian update of the allowances.

The room that a region truly needs is its allowance plus what all regions share plus what is its own, both normal with
mean 0 and the spreads of `PRIOR`. Someone who tried a piece on feels the room that is left: each outcome stands for a
normal law of it (`FELT`). The margin that the piece has by measurement, less what was felt, is then a reading of the
two, and the posterior of a normal law given normal readings is the known one. Priors and outcomes are our own settings
(common practice, no source); the effect of every update is said.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ...arrays import FloatArray
from ...distance.clearance import NEAR_MM, field_for, measure
from ...distance.surface import PieceSurface
from ...errors import InputError
from ...files import read_input, sha256
from ...formats import read_mesh
from ...piece import Part, Piece
from ...pose import Pose
from ...progress import Progress, silent
from ...wearer.card import Card, KnownFit
from ...wearer.form import Wearer
from ...wearer.regions import in_words
from ..seat.seating import seat as find_seat
from .causes import Causes


@dataclass(frozen=True)
class Normal:
    """A normal law: mean and standard deviation, mm."""

    mean: float
    sd: float


# Room left beyond the allowance, as an outcome has it.
FELT: Mapping[str, Normal] = {
    "would not pass": Normal(-6.0, 4.0),
    "tight": Normal(-1.5, 1.5),
    "good": Normal(1.5, 2.0),
    "loose": Normal(7.0, 4.0),
}
# Spread of the room needed about the allowance: shared by all regions, and each region's own.
PRIOR = (2.0, 2.0)
GAP_SD_MM = 1.0  # of a gap that was felt and written down
SEPARATOR = "; "
BAND_MM = 10.0  # of a try-on ring, about its level
RING_SAMPLES = 12_000


@dataclass(frozen=True)
class TriedOn:
    """A known fit with the piece it speaks of."""

    fit: KnownFit
    piece: Piece


def identity(digests: Sequence[str]) -> str:
    """Return the SHA-256 that stands for a piece's files: its own for one, that of theirs in order for several."""
    return digests[0] if len(digests) == 1 else hashlib.sha256("".join(digests).encode()).hexdigest()


def tried_on(fit: KnownFit, folder: Path) -> TriedOn:
    """Return a known fit with its piece, read from the files it names beside the card.

    Raises
    ------
    InputError
        If a file is gone or no longer the one that was tried on.
    """
    parts: list[Part] = []
    digests: list[str] = []
    for name in fit.piece.split(SEPARATOR):
        path = folder / name
        if not path.is_file():
            raise InputError(
                f"the known fit '{fit.piece}' cannot be used: {name} is gone",
                source=str(folder),
                remedy="put the file back, or take its [[known_fit]] out of the card",
            )
        digests.append(sha256(read_input(path)))
        parts += [Part(mesh.name, mesh) for mesh in read_mesh(path).meshes]
    if fit.sha256 and identity(digests) != fit.sha256:
        raise InputError(
            f"the known fit '{fit.piece}' cannot be used: the file is not the one that was tried on",
            source=str(folder),
            remedy="put that version back, or record the new one",
        )
    return TriedOn(fit, Piece(fit.piece, tuple(parts)))


def fits_of(card: Card) -> tuple[tuple[TriedOn, ...], tuple[str, ...]]:
    """Return a card's known fits whose files are there, and a sentence for each other one."""
    found, missing = [], []
    for fit in card.known_fits:
        try:
            found.append(tried_on(fit, card.path.parent if card.path else Path()))
        except InputError as error:
            missing.append(f"{card.name}: {error.what}; {error.remedy}")
    return tuple(found), tuple(missing)


def corrected(
    wearer: Wearer, known: Sequence[TriedOn], seat: str = "best", progress: Progress = silent
) -> tuple[Wearer, tuple[str, ...], Causes | None]:
    """Return a wearer with allowances as the known fits leave them, and what that changed, in sentences.

    Last comes what is left unsure of the room needed, a cause for each region, jointly normal; None where nothing was
    learnt. It belongs to the range of a size, as the allowances do to its middle.

    Parameters
    ----------
    seat
        How each piece was worn: ``fixed`` where its file stands, ``best`` where it comes to rest.
    """
    names = wearer.form.region_names
    rows, readings = [], []
    said = []
    for number, one in enumerate(known):
        progress(number / len(known), f"what {one.fit.piece} says of {wearer.name}")
        piece = one.piece.scaled(one.fit.scale)
        pose = Pose() if seat == "fixed" else find_seat(piece, wearer).pose
        left = _left(piece, wearer, pose, one.fit.level_mm)
        if one.fit.region and one.fit.region != "whole":
            places = [n for n in left if one.fit.region in (n, n.removesuffix("_left"), n.removesuffix("_right"))]
        else:
            places = [min(left, key=lambda n: left[n])] if left else []
        felt = FELT[one.fit.verdict] if one.fit.gap_mm is None else Normal(one.fit.gap_mm, GAP_SD_MM)
        for name in places:
            rows.append(names.index(name))
            readings.append(Normal(left[name] - felt.mean, felt.sd))
        if not places:
            where = f"at the {in_words(one.fit.region)}" if one.fit.region else f"near {one.fit.level_mm:g} mm"
            said.append(f"{one.fit.piece} has nothing {where}: that outcome changes nothing")
    if not rows:
        return wearer, tuple(said), None
    shift, left_unsure = _posterior(len(names), rows, readings)
    spread = np.sqrt(left_unsure.diagonal())
    allowance = {"default": wearer.allowance("default")}
    allowance.update({n: round(wearer.allowance(n) + float(by), 2) + 0.0 for n, by in zip(names, shift)})
    before = float(np.hypot(*PRIOR))
    for row in dict.fromkeys(rows):
        name = names[row]
        said.append(
            f"{_count(known)}: the room {wearer.name} needs at the {in_words(name)} is "
            f"{wearer.allowance(name):.1f} ± {before:.1f} mm before, {allowance[name]:.1f} ± {spread[row]:.1f} mm after"
        )
    rest = [i for i in range(len(names)) if i not in rows]
    if rest:
        said.append(
            f"{_count(known)}: everywhere else the allowance of {wearer.name} moves by {shift[rest[0]]:+.1f} mm"
        )
    rooms = Causes(tuple(f"room at the {in_words(n)}" for n in names), left_unsure, None, np.eye(len(names)), {})
    return replace(wearer, allowance_mm={**wearer.allowance_mm, **allowance}), tuple(said), rooms


def _left(piece: Piece, wearer: Wearer, pose: Pose, level_mm: float | None) -> dict[str, float]:
    """Return by region the least that a piece leaves over the allowance, mm; of a ring, in its band alone.

    `level_mm` is the height of the ring's middle in the piece's frame at its scale.
    """
    if level_mm is None:
        found = measure(piece, wearer, pose)
        return {n: r.min_mm - r.allowance_mm for n, r in found.regions.items()}
    height = piece.mesh.corners[:, :, 2]
    near = (height.min(axis=1) <= level_mm + BAND_MM / 2) & (height.max(axis=1) >= level_mm - BAND_MM / 2)
    points = PieceSurface(piece.mesh.submesh(np.flatnonzero(near))).samples(RING_SAMPLES)[0]
    points = points[np.abs(points[:, 2] - level_mm) <= BAND_MM / 2]
    if not len(points):
        return {}
    field = field_for(piece, wearer, pose)
    standoff, triangle, _ = field.exact(pose.apply(points))
    label = field.regions_at(triangle)
    left = standoff - wearer.allowances()[label]
    names = wearer.form.region_names
    return {names[i]: float(left[label == i].min()) for i in np.unique(label) if standoff[label == i].min() < NEAR_MM}


def _count(known: Sequence[TriedOn]) -> str:
    return "1 known fit" if len(known) == 1 else f"{len(known)} known fits"


def _posterior(regions: int, rows: Sequence[int], readings: Sequence[Normal]) -> tuple[FloatArray, FloatArray]:
    """Return mean (r,) and covariance (r, r) of what the regions need beyond their allowances, mm and mm².

    The state is (shared, each region's own); a reading is of shared plus own.
    """
    shared, own = PRIOR
    state = np.diag([shared**2] + [own**2] * regions)
    read = np.zeros((len(rows), regions + 1))
    read[:, 0] = 1.0
    read[np.arange(len(rows)), 1 + np.asarray(rows)] = 1.0
    seen = read @ state @ read.T + np.diag([r.sd**2 for r in readings])
    gain = np.linalg.solve(seen, read @ state).T
    mean = gain @ np.array([r.mean for r in readings])
    left = state - gain @ read @ state
    sums = np.column_stack([np.ones(regions), np.eye(regions)])
    return sums @ mean, sums @ left @ sums.T
