# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer with all that is known of them: the form, what may make it another, and the pieces tried on before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from ..errors import InputError
from ..files import read_input, sha256
from ..fit.size.causes import Causes, causes_of
from ..fit.size.knownfit import corrected, fits_of, tried_on
from ..fit.size.learning import MIDDLES
from ..make.walls.hollow import hollow_of
from ..progress import Progress, silent
from ..wearer.card import Card, KnownFit, read_card
from ..wearer.dimension import DIMENSIONS
from ..wearer.form import Wearer
from ..wearer.found import ReadWearer, Source
from ..wearer.sources import read_wearer


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
        What the known fits leave unsure of form and allowances, which are then as these fits have it; None without any.
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
    card = read_card(path)
    kind, _ = card.body_part
    bare = card.scan_path is None and not any(DIMENSIONS[name].group == kind for name in card.readings)
    usable = [fit for fit in card.known_fits if fit.verdict != "would not pass"]
    if not (bare and usable):
        return Known(read_wearer(path, units, progress), card)
    best = min(usable, key=lambda fit: ("good", "tight", "loose").index(fit.verdict))
    more = MIDDLES["good"] - MIDDLES[best.verdict]
    return Known(_stand_in(card, path, best, more, progress), card, True, more)


def _stand_in(card: Card, path: Path, best: KnownFit, more: float, progress: Progress) -> ReadWearer:
    """Return the hollow of a print that fits, asking for as much more room as was felt to lack."""
    progress(0.0, f"The hollow of {best.piece}")
    try:
        one = tried_on(best, path.parent)
        form, remarks = hollow_of(one.piece.scaled(best.scale))
    except InputError as error:
        raise InputError(error.what, source=str(path), remedy=error.remedy) from None
    said = (
        f"{card.name}: nothing but prints is known; the hollow of {best.piece} at {100 * best.scale:.1f} %, "
        f"which was {best.verdict}, stands in for the form",
        *((f"{card.name}: {more:+.1f} mm are asked for all round, as it was {best.verdict}",) if more else ()),
        *remarks,
    )
    wearer = Wearer(card.name, form, {"default": more} if more else {})
    sources = (Source(path, sha256(read_input(path))),)
    return ReadWearer(wearer, sources, said)
