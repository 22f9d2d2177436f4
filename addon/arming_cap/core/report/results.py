# SPDX-License-Identifier: GPL-3.0-or-later
"""What each check found, as it was measured: numbers, places, poses, reasons.

Words, tables and JSON are made from these (see `said`), never the other way round: nothing reads a sentence or a
rendered dict to decide anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from ..arrays import FloatArray
from ..distance.clearance import Clearance, RegionStandoff
from ..errors import InputError
from ..fit.passage.along import Along
from ..fit.passage.donning import Passage
from ..fit.passage.mending import Mend
from ..fit.passage.play import Begin
from ..fit.seat.rest import Rest
from ..fit.sight import Sight
from ..fit.size.padding import Pad
from ..fit.size.scales import NoScale
from ..fit.size.sizing import Sizing
from ..fit.size.tape import Tape
from ..make.walls.thickness import Thickness
from ..mesh import Soundness
from ..piece import Piece
from ..verdict import Place, Status, Verdict
from ..wearer.form import Wearer

# A scale is typed with one decimal of a per cent; no verdict hangs on what is below that.
TYPED = 5e-4

# Bounds on a pinch that lie farther apart than this, with 0 between them, are no answer; closer, it hangs on so little
# that it is marginal.
UNDECIDED_MM = 1.0


class Reason(Enum):
    """Why a check was not made."""

    MISPLACED = "the piece is not where it is worn"
    REFUSED = "the input cannot be used for it"
    OUT_OF_TIME = "its time was used up"
    NO_EYES = "no eyes were recognised"


@dataclass(frozen=True)
class Unmade:
    """A check that was not made.

    Attributes
    ----------
    check
        Its name.
    reason
        Why.
    what, remedy
        A refusal's own words, or those of the placement.
    most_mm
        What is known all the same: no answer can be above this; None where nothing is known.
    budget_s
        The time that was used up.
    """

    check: str
    reason: Reason
    what: str = ""
    remedy: str = ""
    most_mm: float | None = None
    budget_s: float | None = None

    @classmethod
    def refused(cls, check: str, error: InputError) -> Unmade:
        """Return the check that an input was refused for."""
        return cls(check, Reason.REFUSED, error.what, error.remedy)

    @property
    def status(self) -> Status:
        """Never a silent pass."""
        return Status.NOT_CHECKED


@dataclass(frozen=True)
class MeshResult:
    """How sound each part's mesh is: facts for printing, no hindrance to the other checks."""

    facts: Mapping[str, Soundness]

    def faults(self, part: str) -> int:
        """Return how many faults a part has; slivers without area bound nothing and stop no slicer."""
        f = self.facts[part]
        return f.open_edges + f.non_manifold_edges + f.flipped_edges + f.duplicate_triangles

    @property
    def worst(self) -> str:
        """The part with the most faults."""
        return max(self.facts, key=self.faults)

    @property
    def status(self) -> Status:
        """A fault is a doubt, not a fail."""
        return Status.MARGINAL if self.faults(self.worst) else Status.PASS


class Placing(Enum):
    """How the parts of a piece lie to one another and to the wearer."""

    WORN = "worn"
    SOLID = "a solid block that holds nobody"
    STACKED = "each at the origin"
    APART = "apart from one another"
    LAID_OUT = "side by side on one floor, as for printing"
    AWAY = "away from the wearer"
    FREE = "clear of the wearer, carried by nothing"


@dataclass(frozen=True)
class PlacementResult:
    """Whether the parts look as if they were where they are worn.

    Attributes
    ----------
    placing
        What was found, the worst first.
    distance_mm
        How far apart the parts lie, or how far the piece is from the wearer; of a solid the share of its hull instead.
    parts
        The parts that it is about.
    pairs
        For parts that share one centre or lie inside one another: sentences on each pair.
    """

    placing: Placing
    distance_mm: float
    parts: tuple[str, ...]
    pairs: tuple[str, ...] = ()

    @property
    def status(self) -> Status:
        """Parts that are not where they are worn fail, and nothing is measured on them."""
        return Status.PASS if self.placing is Placing.WORN else Status.FAIL


@dataclass(frozen=True, eq=False)
class ClearanceResult:
    """The room that each region has, each judged by its own number and its own spread.

    Attributes
    ----------
    found
        What was measured.
    wearer
        Their name.
    carried
        Whether the piece rests on the wearer at all; otherwise there is nothing to judge.
    rest
        How it rests, where the seat was sought.
    """

    found: Clearance
    wearer: str
    carried: bool = True
    rest: Rest | None = None

    def status_of(self, region: str) -> Status:
        """Return the verdict on one region."""
        return self.found.regions[region].status

    @property
    def status(self) -> Status:
        """The worst of its regions: a certain fail is none the less certain where another region is less so."""
        if not self.carried:
            return Status.NOT_CHECKED
        if self.rest is not None and self.rest.far_too_small:
            return Status.FAIL
        return self.status_of(self.limiting)

    @property
    def limiting(self) -> str:
        """The region with the worst verdict; see `Clearance.limiting`."""
        return self.found.limiting

    @property
    def figures(self) -> RegionStandoff:
        """What was measured at the limiting region."""
        return self.found.regions[self.limiting]

    @property
    def room_mm(self) -> float:
        """What is left over the allowance there, its spread not yet taken off."""
        return self.figures.room_mm


@dataclass(frozen=True)
class PassageScale:
    """The smallest scale at which a way on was found.

    Attributes
    ----------
    scale
        None where none was, up to `most`.
    off
        The parts that are off for it.
    most
        The largest scale that was looked at.
    """

    scale: float | None
    off: tuple[str, ...]
    most: float


@dataclass(frozen=True, eq=False)
class DonningResult:
    """Whether the piece gets on, as a whole or with parts off.

    Attributes
    ----------
    piece
        At the scale checked.
    wearer
        With the allowances that the answer was found with.
    off
        The parts to take off or to open; empty where it goes on as a whole; None where no set helps.
    tried
        The passage for every set of parts that was tried.
    gives
        Regions whose flesh must give for it to go on.
    along
        The margin along the way.
    reasons
        Sentences on why it does not go on that no room would mend.
    mends
        What was tried to let it on.
    smallest
        The smallest scale that goes on as a whole, where that was asked for apart from a size.
    begin
        Where the way begins: at the seat or within its play; None for the seat.
    short_mm
        By how much the piece is too small to come down to where it would rest; 0 where it rests. The way then begins
        where it would rest, and fails there.
    """

    piece: Piece
    wearer: Wearer
    off: tuple[str, ...] | None
    tried: Mapping[tuple[str, ...], Passage]
    along: Along
    gives: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    mends: tuple[Mend, ...] = ()
    smallest: PassageScale | None = None
    begin: Begin | None = None
    short_mm: float = 0.0

    @property
    def whole(self) -> Passage:
        """The passage of the whole piece."""
        return self.tried[()]

    @property
    def passage(self) -> Passage:
        """The passage that the verdict is about: with the parts off that must be, else of the whole piece."""
        return self.tried[self.off] if self.off else self.whole

    @property
    def undecided(self) -> bool:
        """Whether the search ended before it was known on which side of 0 the pinch lies."""
        passage = self.passage
        return passage.pinch_mm < 0 <= passage.bound_mm and passage.bound_mm - passage.pinch_mm > UNDECIDED_MM

    @property
    def status(self) -> Status:
        """As that passage; an answer that was not found is no answer."""
        return Status.NOT_CHECKED if self.undecided else self.passage.verdict

    @property
    def motion(self) -> FloatArray:
        """(k, 6) the way, to begin with at another scale."""
        return self.passage.motion


@dataclass(frozen=True, eq=False)
class SightResult:
    """What the wearer sees, and the verdict that `fit.sight` makes of it."""

    sight: Sight
    verdict: Verdict

    @property
    def status(self) -> Status:
        """As judged."""
        return self.verdict.status


class Advised(Enum):
    """What stands behind the one scale to print at."""

    SURE = "keeps every allowance in 95 of 100 cases, goes on, and is nowhere looser than asked"
    LIKELY = "the same, but the largest scale that fits leaves less certainty"
    NO_WAY = "it was found to go on at no scale"
    PADDED = "the same, but it is looser than asked at every scale that fits"
    TOO_LOOSE = "from where it goes on it is looser than asked, or touches again"
    NO_SCALE = "no scale gives the room"
    ANY_SCALE = "at every scale that was looked at there is room"


@dataclass(frozen=True)
class Advice:
    """The one scale to print at, derived once, of the files as they are.

    Attributes
    ----------
    kind
        What stands behind it.
    scale
        None where there is none.
    chance
        How likely it keeps every allowance, 0 to 1.
    """

    kind: Advised
    scale: float | None
    chance: float


@dataclass(frozen=True, eq=False)
class SizeResult:
    """Is the scale that was checked large enough, how sure is that, and what would do.

    Attributes
    ----------
    scale
        That was checked.
    wearer
        Their name.
    sizing
        None where no scale fits.
    none
        Why none does.
    passage
        The scale that the way on asks for; None where that was not asked.
    passage_place
        Where the way is tightest at the scale checked.
    pads
        Foam at the smallest scale.
    tape
        What a tape says of a helmet at the smallest scale.
    near
        Whether the piece, as it was checked, rests on the wearer and is nowhere near too large.
    """

    scale: float
    wearer: str
    sizing: Sizing | None
    none: InputError | None = None
    passage: PassageScale | None = None
    passage_place: Place = field(default_factory=Place)
    pads: tuple[Pad, ...] = ()
    tape: Tape | None = None
    near: bool = False

    @property
    def out_of_range(self) -> NoScale | None:
        """The figures of the scale that comes nearest, where every scale of the range was looked at."""
        return self.none if isinstance(self.none, NoScale) else None

    @property
    def every(self) -> bool:
        """Whether it sits well as it is, and just so at the smallest scale of the range: room decides no size."""
        return self.near and self.out_of_range is not None and not self.out_of_range.larger

    @property
    def smallest(self) -> float | None:
        """The smallest scale that keeps the allowances and lets the piece on."""
        if self.sizing is None or (self.passage is not None and self.passage.scale is None):
            return None
        return max(self.sizing.scale, (self.passage and self.passage.scale) or 0.0)

    @property
    def sure(self) -> float | None:
        """The same where what is not known for sure is against it."""
        if self.sizing is None or self.smallest is None:
            return None
        return max(self.sizing.range[1], self.smallest)

    @property
    def always_loose(self) -> bool:
        """Whether already the smallest scale is looser than asked somewhere."""
        return self.sizing is not None and self.sizing.largest is None and self.sizing.largest_by is not None

    @property
    def asks_for_way(self) -> bool:
        """Whether the way on asks for a larger scale than the allowances."""
        if self.sizing is None or self.passage is None:
            return False
        return self.passage.scale is None or self.passage.scale > self.sizing.scale + TYPED

    @property
    def status(self) -> Status:
        """Fail below the smallest scale; a doubt within what is not known for sure, or where it is too loose."""
        if self.every:
            return Status.MARGINAL
        if self.sizing is None or self.smallest is None or self.sure is None:
            return Status.FAIL
        low = max(self.sizing.range[0], self.smallest if self.asks_for_way else 0.0)
        if self.scale < low - TYPED:
            return Status.FAIL
        if self.scale < self.sure - TYPED:
            return Status.MARGINAL
        return Status.MARGINAL if self.is_loose else Status.PASS

    @property
    def is_loose(self) -> bool:
        """Whether the scale checked is looser than asked somewhere, or touches again."""
        if self.sizing is None or self.sizing.largest is None:
            return self.always_loose
        return self.scale > self.sizing.largest + TYPED

    @property
    def advice(self) -> Advice:
        """The one scale to print at."""
        if self.every:
            return Advice(Advised.ANY_SCALE, self.scale, 1.0)
        if self.sizing is None:
            return Advice(Advised.NO_SCALE, None, 0.0)
        if self.smallest is None or self.sure is None:
            return Advice(Advised.NO_WAY, None, 0.0)
        if self.status is Status.PASS:
            return Advice(Advised.SURE, self.scale, self.sizing.law.chance(self.scale))
        scale, most = math.ceil(round(1000 * self.sure, 3)) / 1000, self.sizing.largest
        if self.always_loose:
            return Advice(Advised.PADDED, scale, self.sizing.law.chance(scale))
        if most is None or scale <= most:
            return Advice(Advised.SURE, scale, self.sizing.law.chance(scale))
        if self.smallest <= most + TYPED:
            return Advice(Advised.LIKELY, most, self.sizing.law.chance(most))
        return Advice(Advised.TOO_LOOSE, None, 0.0)


@dataclass(frozen=True)
class WallsResult:
    """The thinnest wall at a scale; a thin one is a doubt, for it can be meant to be an edge."""

    found: Thickness
    scale: float
    limit_mm: float
    at: tuple[float, float, float]

    @property
    def status(self) -> Status:
        """Marginal where it is thinner than the limit."""
        return Status.MARGINAL if self.found.least_mm < self.limit_mm else Status.PASS


Result = (
    Unmade | MeshResult | PlacementResult | ClearanceResult | DonningResult | SightResult | SizeResult | WallsResult
)
