# SPDX-License-Identifier: GPL-3.0-or-later
"""What a piece that was tried on says of its wearer: of their dimensions, and of the room that they need.

Where a piece left too little room, the wearer is larger than was taken, or needs more room than was asked for: both are
causes of one law (`causes`), and each outcome changes it as its word says (`learning`). The form is then made again
from the dimensions in the middle of what is left, the allowances are moved likewise, and what is still unsure of both
makes the range of the next size. The effect of every outcome is said.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ...arrays import FloatArray, IntArray
from ...distance.clearance import NEAR_MM, field_for
from ...distance.surface import PieceSurface
from ...errors import InputError
from ...files import read_input, sha256
from ...formats import read_mesh
from ...piece import Part, Piece
from ...pose import Pose
from ...progress import Progress, part_of, silent
from ...wearer.card import Card, KnownFit
from ...wearer.form import Wearer
from ...wearer.found import ReadWearer
from ...wearer.regions import in_words
from ..seat.seating import seat as find_seat
from ..seat.seats import Seats, growth, places_of, touch
from .causes import Causes, causes_of, moved_by, rooms_of
from .learning import UNLIKELY, Learnt, Outcome, learnt
from .sizing import smallest
from .uncertainty import NORMAL_90, draws_of

SEPARATOR = "; "
BAND_MM = 10.0  # of a try-on ring, about its level
RING_SAMPLES = 12_000
PLACES = 160  # the nearest, of which one may have held the piece up


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


@dataclass(frozen=True, eq=False)
class Corrected:
    """A wearer as outcomes leave them.

    Attributes
    ----------
    read
        With the form and the allowances in the middle of what is left; its warnings tell what each outcome changed.
    causes
        What is still unsure about them; None where nothing was learnt.
    """

    read: ReadWearer
    causes: Causes | None = None


def corrected(read: ReadWearer, known: Sequence[TriedOn], seat: str = "best", progress: Progress = silent) -> Corrected:
    """Return a wearer as the known fits leave them.

    Parameters
    ----------
    seat
        How each piece was worn: ``fixed`` where its file stands, ``best`` where it comes to rest.
    """
    wearer = read.wearer
    said: list[str] = []
    outcomes: list[Outcome] = []
    regions: list[IntArray] = []
    prior = causes_of(read, part_of(progress, 0.0, 0.3)).and_also(rooms_of(wearer.form)) if known else None
    for number, one in enumerate(known):
        progress(0.3 + 0.6 * number / len(known), f"what {one.fit.piece} says of {wearer.name}")
        assert prior is not None
        outcome, places = _outcome(one, wearer, seat, prior)
        if outcome is None:
            where = f"at the {in_words(one.fit.region)}" if one.fit.region else f"near {one.fit.level_mm:g} mm"
            said.append(f"{one.fit.piece} has nothing {where}: that outcome changes nothing")
        else:
            outcomes.append(outcome)
            regions.append(places)
    if prior is None or not outcomes:
        return Corrected(replace(read, warnings=(*read.warnings, *said)))
    found = learnt(prior.covariance, outcomes)
    after = moved_by(read, prior, found.centre, found.draws)
    said += _in_words(wearer, outcomes, regions, prior, found)
    causes = replace(
        prior,
        covariance=np.cov(found.draws.T, ddof=0).reshape(prior.covariance.shape),
        draws=found.draws - found.centre,
    )
    return Corrected(replace(after, warnings=(*read.warnings, *said)), causes)


def _outcome(one: TriedOn, wearer: Wearer, seat: str, prior: Causes) -> tuple[Outcome | None, IntArray]:
    """Return what an outcome speaks of and the regions of its places; None where the piece has nothing there."""
    fit, form = one.fit, wearer.form
    if fit.level_mm is None:
        margins, loads, regions = _sized(one, wearer, seat, prior)
    else:
        piece = one.piece.scaled(fit.scale)
        pose = Pose() if seat == "fixed" else find_seat(piece, wearer).pose
        margins, triangles, normals, regions = _band(piece, wearer, pose, fit.level_mm)
        loads = prior.loads(form, triangles, normals, regions)
    if fit.region and fit.region != "whole":
        bare = [n.removesuffix("_left").removesuffix("_right") for n in form.region_names]
        rows = [i for i, n in enumerate(form.region_names) if fit.region in (n, bare[i])]
        there = np.isin(regions, rows)
        margins, loads, regions = margins[there], loads[there], regions[there]
    if not len(margins):
        return None, regions
    near = np.argsort(margins, kind="stable")[:PLACES]
    return Outcome(margins[near], loads[near], fit.verdict, fit.gap_mm), regions[near]


def _sized(one: TriedOn, wearer: Wearer, seat: str, prior: Causes) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return margins (m,), loads (m, k) and regions (m,) of the places where a piece may touch, at the scale tried.

    As the size has them: from its answer along its slopes, so that what is learnt there turns the next answer. Where
    nothing is an answer, as measured at the scale.
    """
    seats = Seats(one.piece, wearer, wearer.allowances(), seat)
    try:
        scale, found = smallest(seats, silent, [])
    except InputError:
        scale, found = one.fit.scale, seats.measured(one.fit.scale)
    at = touch(seats, found)
    middle = None if seats.seater is None else seats.seater.centre
    places = places_of(at, growth(at, found.pose, scale, middle).sum(axis=1), prior, seats)
    asked = places.slopes > places.slowest  # what no scale mends was not what made the piece tight
    margins = places.margins + places.slopes * (one.fit.scale - scale)
    return margins[asked], places.loads[asked], at.regions[asked]


def _band(
    piece: Piece, wearer: Wearer, pose: Pose, level_mm: float
) -> tuple[FloatArray, IntArray, FloatArray, IntArray]:
    """Return margins, nearest triangles, the ways straight off the form and regions of places in a ring's band.

    `level_mm` is the height of the ring's middle in the piece's frame at its scale.
    """
    height = piece.mesh.corners[:, :, 2]
    near = (height.min(axis=1) <= level_mm + BAND_MM / 2) & (height.max(axis=1) >= level_mm - BAND_MM / 2)
    points = PieceSurface(piece.mesh.submesh(np.flatnonzero(near))).samples(RING_SAMPLES)[0]
    points = points[np.abs(points[:, 2] - level_mm) <= BAND_MM / 2]
    field = field_for(piece, wearer, pose)
    standoff, triangles, _ = field.exact(pose.apply(points))
    keep = np.flatnonzero(standoff < NEAR_MM)
    keep = keep[np.argsort(standoff[keep], kind="stable")]
    standoff, triangles = standoff[keep], triangles[keep]
    normals = field.surface.outward(triangles)
    regions = field.regions_at(triangles)
    return standoff - wearer.allowances()[regions], triangles, normals, regions


def _in_words(
    wearer: Wearer, outcomes: Sequence[Outcome], regions: Sequence[IntArray], prior: Causes, found: Learnt
) -> list[str]:
    """Return sentences on how each region that most likely held a piece up is known before and after."""
    names = wearer.form.region_names
    count = "1 known fit" if len(outcomes) == 1 else f"{len(outcomes)} known fits"
    before = draws_of(prior.covariance)
    said: dict[str, str] = {}
    for one, places, row in zip(outcomes, regions, found.held):
        name = names[int(places[row])]
        asked = wearer.allowance(name)
        was, now = before @ one.loads[row], found.draws @ one.loads[row]
        said[name] = (
            f"{count}: the room {wearer.name} needs at the {in_words(name)} is "
            f"{asked:.1f} ± {NORMAL_90 * was.std():.1f} mm before, "
            f"{asked + float(found.centre @ one.loads[row]):.1f} ± {NORMAL_90 * now.std():.1f} mm after"
        )
    sentences = list(said.values())
    if found.chance < UNLIKELY:
        sentences.append(
            f"{count}: together they hardly agree with each other or with what was measured of {wearer.name}; "
            "was each piece and each scale written down as it was printed?"
        )
    return sentences
