# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer with all that is known of them: the form, what may make it another, and the pieces tried on before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..errors import InputError
from ..files import read_input, sha256
from ..fit.size.causes import Causes, causes_of
from ..fit.size.knownfit import SEPARATOR, corrected, fits_of, tried_on
from ..fit.size.learning import MIDDLES
from ..make.walls.hollow import hollow_of
from ..memory import remembered
from ..pose import Pose
from ..progress import Progress, silent
from ..wearer.card import Card, KnownFit, read_card
from ..wearer.cardform import wearer_as_known
from ..wearer.dimension import DIMENSIONS
from ..wearer.form import Wearer
from ..wearer.found import ReadWearer, Source
from ..wearer.sources import read_wearer

# Within this a form in a scene, in single precision, is the one that its card describes.
SAME_MM = 0.01
BODIES_KEPT = 4


@dataclass(frozen=True)
class Known:
    """A wearer as read, and what sizing needs beside.

    Attributes
    ----------
    read
        The wearer, their files, sentences for the user.
    card
        The card they were read from; None for a mesh.
    stand_in
        Whether the form is the hollow of a print.
    more_mm
        Room that such a print was felt to lack all round; negative where it was loose.
    learnt
        What is unsure of form and allowances where that is not what `read` says: what known fits leave of it, say.
    """

    read: ReadWearer
    card: Card | None = None
    stand_in: bool = False
    more_mm: float = 0.0
    learnt: Causes | None = None

    def causes(self, progress: Progress = silent) -> Causes:
        """Return what may make the wearer, or the room they need, another than is taken."""
        return causes_of(self.read, progress) if self.learnt is None else self.learnt

    def allowing(self, padding_mm: float) -> Known:
        """Return the wearer who puts at most so much padding where a piece rests."""
        wearer = replace(self.read.wearer, padding_mm=padding_mm)
        return replace(self, read=replace(self.read, wearer=wearer))

    def moved(self, pose: Pose, progress: Progress = silent) -> Known:
        """Return the same wearer standing elsewhere. What of `read` has a place of its own, such as stations, goes."""
        causes, wearer = self.causes(progress), self.read.wearer
        moves = None if causes.moves is None else causes.moves @ pose.rotation.T
        wearer = replace(wearer, form=wearer.form.moved(pose))
        read = ReadWearer(wearer, self.read.sources, self.read.warnings)
        return replace(self, read=read, learnt=replace(causes, moves=moves))

    def with_allowances(
        self, allowance_mm: Mapping[str, float] | None, seat: str, progress: Progress = silent
    ) -> Known:
        """Return the wearer with other allowances (the card's own where None), as the known fits then leave them."""
        wearer = self.read.wearer
        if self.stand_in:  # what was felt to lack comes on top of what is asked for
            asked = (allowance_mm or {}).get("default", 0.0)
            wearer = replace(wearer, allowance_mm={"default": self.more_mm + asked})
            return replace(self, read=replace(self.read, wearer=wearer))
        if allowance_mm is not None:
            wearer = replace(wearer, allowance_mm=allowance_mm)
        read = replace(self.read, wearer=wearer)
        if self.card is None or not self.card.known_fits:
            return replace(self, read=read)
        known, notes = fits_of(self.card)
        after = corrected(replace(read, warnings=(*read.warnings, *notes)), known, seat, progress)
        return replace(self, read=after.read, learnt=after.causes)


def read_known(path: Path | str, units: str | None = None, progress: Progress = silent) -> Known:
    """Read a wearer as `read_wearer` does; a card that holds nothing but known fits is read as the hollow of the best.

    Raises
    ------
    InputError
        As `read_wearer`, or if the print that must stand in for the form is gone.
    """
    path = Path(path)
    if path.suffix.lower() != ".toml":
        return Known(read_wearer(path, units, progress))
    return of_card(read_card(path), progress)


def of_card(card: Card, progress: Progress = silent) -> Known:
    """Return what a card tells, whether or not it stands in a file; raises as `read_known` does."""
    kind, _ = card.body_part
    bare = card.scan_path is None and not any(DIMENSIONS[name].group == kind for name in card.readings)
    usable = [fit for fit in card.known_fits if fit.verdict != "would not pass"]
    if not (bare and usable):
        known = Known(wearer_as_known(card, progress), card)
    else:
        best = min(usable, key=lambda fit: ("good", "tight", "loose").index(fit.verdict))
        more = MIDDLES["good"] - MIDDLES[best.verdict]
        known = Known(_stand_in(card, best, more, progress), card, True, more)
    if card.path is None or not card.path.exists():
        return known
    source = Source(card.path, sha256(read_input(card.path)))
    return replace(known, read=replace(known.read, sources=(source, *known.read.sources)))


def of_body(wearer: Wearer, card_path: Path | None, pose: Pose | None, progress: Progress = silent) -> Known:
    """Return a wearer whose form stands in a scene with what their card knows of them, moved to where they stand.

    Where the form is the one that the card describes, moved and turned at the most, it is read from the card as
    `read_known` does, and what was not measured stays unsure. Any other form is taken as it stands; of the card counts
    what was tried on.

    Parameters
    ----------
    wearer
        With the form as it stands and the room that is asked for.
    card_path
        The card's file; None where the wearer has none.
    pose
        Where the form's object stands; None where it is scaled as well.

    Raises
    ------
    InputError
        If the card cannot be read.
    """
    known = Known(ReadWearer(wearer, ()))
    if card_path is None:
        return known
    if not card_path.exists():
        said = f"{wearer.name}: the card {card_path.name} is not there any more: what was tried on does not count"
        return replace(known, read=replace(known.read, warnings=(said,)))
    card = read_card(card_path)

    def made() -> Known:
        own = _as_described(wearer, card, pose, progress)
        if own is None:
            source = Source(card_path, sha256(read_input(card_path)))
            return replace(known, read=replace(known.read, sources=(source,)), card=card).with_allowances(
                wearer.allowance_mm, "best", progress
            )
        read = replace(own.read, wearer=replace(own.read.wearer, name=wearer.name, padding_mm=wearer.padding_mm))
        own = replace(own, read=read).with_allowances(wearer.allowance_mm, "best", progress)
        assert pose is not None
        still = np.array_equal(pose.rotation, np.eye(3)) and not pose.translation_mm.any()
        return own if still else own.moved(pose, progress)

    files = sorted({name for fit in card.known_fits for name in fit.piece.split(SEPARATOR)})
    there = [(name, (card_path.parent / name).is_file()) for name in files]
    asked = f"{wearer.form.mesh.content_hash} {sorted(wearer.allowance_mm.items())} {wearer.name} {wearer.padding_mm}"
    return remembered(f"known:{card_path} {sha256(read_input(card_path))} {there} {asked}", BODIES_KEPT, made)


def _as_described(wearer: Wearer, card: Card, pose: Pose | None, progress: Progress) -> Known | None:
    """Return what a card tells where a wearer's form is the one it describes, which stands at `pose`; else None."""
    if pose is None:
        return None
    try:
        known = of_card(card, progress)
    except InputError:  # a card of another body part, or of outcomes alone
        return None
    own, theirs = known.read.wearer.form.mesh.moved(pose).corners, wearer.form.mesh.corners
    same = own.shape == theirs.shape and np.allclose(own, theirs, rtol=0.0, atol=SAME_MM)
    return known if same else None


def _stand_in(card: Card, best: KnownFit, more: float, progress: Progress) -> ReadWearer:
    """Return the hollow of a print that fits, asking for as much more room as was felt to lack."""
    progress(0.0, f"The hollow of {best.piece}")
    try:
        one = tried_on(best, card.path.parent if card.path else Path())
        form, remarks = hollow_of(one.piece.scaled(best.scale))
    except InputError as error:
        raise InputError(error.what, source=card.shown, remedy=error.remedy) from None
    said = (
        f"{card.name}: nothing but prints is known; the hollow of {best.piece} at {100 * best.scale:.1f} %, "
        f"which was {best.verdict}, stands in for the form",
        *((f"{card.name}: {more:+.1f} mm are asked for all round, as it was {best.verdict}",) if more else ()),
        *remarks,
    )
    wearer = Wearer(card.name, form, {"default": more} if more else {})
    return ReadWearer(wearer, (), said)
