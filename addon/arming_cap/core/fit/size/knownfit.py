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
from .learning import SPANS, UNLIKELY, Learnt, Outcome, learnt
from .sizing import smallest
from .uncertainty import NORMAL_90, draws_of

SEPARATOR = "; "
BAND_MM = 10.0  # of a try-on ring, about its level
RING_SAMPLES = 12_000
_WITHIN_MM = 0.3
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
    seen: list[tuple[TriedOn, Felt]] = []
    prior = causes_of(read, part_of(progress, 0.0, 0.3)).and_also(rooms_of(wearer.form)) if known else None
    for number, one in enumerate(known):
        progress(0.3 + 0.5 * number / len(known), f"what {one.fit.piece} says of {wearer.name}")
        assert prior is not None
        felt = _felt(one, wearer, seat, prior)
        if len(felt.outcome.margins):
            seen.append((one, felt))
        else:
            where = f"at the {in_words(one.fit.region)}" if one.fit.region else f"near {one.fit.level_mm:g} mm"
            said.append(f"{one.fit.piece} has nothing {where}: that outcome changes nothing")
    if prior is None or not seen:
        return Corrected(replace(read, warnings=(*read.warnings, *said)))
    found = learnt(prior.covariance, [felt.outcome for _, felt in seen])
    progress(0.8, f"the form of {wearer.name} as it was tried")
    after = moved_by(read, prior, found.centre, found.draws)
    after = replace(after, wearer=_held_to(after.wearer, seen, found, seat))
    said += _in_words(wearer, [felt for _, felt in seen], prior, found)
    causes = replace(
        prior,
        covariance=np.cov(found.draws.T, ddof=0).reshape(prior.covariance.shape),
        draws=found.draws - found.centre,
    )
    return Corrected(replace(after, warnings=(*read.warnings, *said)), causes)


@dataclass(frozen=True, eq=False)
class Felt:
    """An outcome, the regions of its places (m,), and how their margins grow, (m,) mm per unit of scale.

    A ring that was tried has no slopes.
    """

    outcome: Outcome
    regions: IntArray
    slopes: FloatArray | None


def _felt(one: TriedOn, wearer: Wearer, seat: str, prior: Causes) -> Felt:
    """Return what an outcome speaks of; without places where the piece has nothing there."""
    fit, form = one.fit, wearer.form
    slopes = None
    if fit.level_mm is None:
        margins, loads, regions, slopes = _sized(one, wearer, seat, prior)
    else:
        piece = one.piece.scaled(fit.scale)
        pose = Pose() if seat == "fixed" else find_seat(piece, wearer).pose
        margins, triangles, normals, regions = _band(piece, wearer, pose, fit.level_mm)
        loads = prior.loads(form, triangles, normals, regions)
    order = np.argsort(margins, kind="stable")
    if fit.region and fit.region != "whole":
        bare = [n.removesuffix("_left").removesuffix("_right") for n in form.region_names]
        rows = [i for i, n in enumerate(form.region_names) if fit.region in (n, bare[i])]
        order = order[np.isin(regions[order], rows)]
    near = order[:PLACES]
    outcome = Outcome(margins[near], loads[near], fit.verdict, fit.gap_mm)
    return Felt(outcome, regions[near], None if slopes is None else slopes[near])


def _sized(
    one: TriedOn, wearer: Wearer, seat: str, prior: Causes
) -> tuple[FloatArray, FloatArray, IntArray, FloatArray]:
    """Return margins (m,), loads (m, k), regions (m,), slopes (m,) of the places where a piece may touch, as tried.

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
    return margins[asked], places.loads[asked], at.regions[asked], places.slopes[asked]


def _held_to(wearer: Wearer, seen: Sequence[tuple[TriedOn, Felt]], found: Learnt, seat: str) -> Wearer:
    """Return the wearer asking for so much more or less all round that the piece tried has the room that was learnt.

    What was learnt is linear in the causes; a form made again and a piece seated on it anew are not quite. Held to is
    what was too tight, at the largest scale; where nothing was, what was tried last.
    """
    whole = [(one, felt, row) for (one, felt), row in zip(seen, found.held) if felt.slopes is not None]
    if not whole:
        return wearer
    tight = [case for case in whole if SPANS[case[0].fit.verdict][1] <= 0]
    one, felt, row = max(tight, key=lambda case: case[0].fit.scale) if tight else whole[-1]
    assert felt.slopes is not None
    learnt_mm = float(felt.outcome.room(found.centre[None] @ felt.outcome.loads.T)[0])
    for _ in range(2):
        try:
            scale, _ = smallest(Seats(one.piece, wearer, wearer.allowances(), seat), silent, [])
        except InputError:
            break
        more = (one.fit.scale - scale) * float(felt.slopes[row]) - learnt_mm
        room = {n: round(wearer.allowance(n) + more, 2) + 0.0 for n in ("default", *wearer.form.region_names)}
        wearer = replace(wearer, allowance_mm={**wearer.allowance_mm, **room})
        if abs(more) < _WITHIN_MM:
            break
    return wearer


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


def _in_words(wearer: Wearer, seen: Sequence[Felt], prior: Causes, found: Learnt) -> list[str]:
    """Return sentences on how each region that most likely held a piece up is known before and after."""
    names = wearer.form.region_names
    count = "1 known fit" if len(seen) == 1 else f"{len(seen)} known fits"
    before = draws_of(prior.covariance)
    said: dict[str, str] = {}
    for felt, row in zip(seen, found.held):
        one = felt.outcome
        name = names[int(felt.regions[row])]
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
