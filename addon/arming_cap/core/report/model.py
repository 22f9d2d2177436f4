# SPDX-License-Identifier: GPL-3.0-or-later
"""What a report holds, before it takes a shape on paper or screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ..arrays import FloatArray
from ..verdict import Place, Status, Verdict, worst

if TYPE_CHECKING:  # what draws loads the geometry libraries, and the panel shows reports without them
    from .portrait import Portrait


@dataclass(frozen=True)
class Outline:
    """One line of a drawing.

    Attributes
    ----------
    kind
        ``inner`` or ``outer`` of the piece, ``open`` for a loop that does not close, ``form`` for the wearer;
        ``ghost`` for the piece on its way on or off, ``pinched`` where the way is tightest.
    points
        (n, 2) mm, in the drawing's own frame; a closed outline does not repeat its first point.
    closed
        Whether the last point joins the first.
    label
        What it belongs to: the part's or the wearer's name.
    """

    kind: str
    points: FloatArray
    closed: bool = True
    label: str = ""


@dataclass(frozen=True)
class Drawing:
    """A figure drawn to scale: a section of piece and wearer, or a side view.

    Attributes
    ----------
    title
        What is shown, e.g. ``Section at the brow, 1624 mm``.
    outlines
        The lines, first drawn first.
    axes
        What right and up mean, e.g. ``("wearer's left", "back")``.
    marks
        Named points (n, 2) mm to point out, by their label.
    dimensions
        Measured lengths to draw: label, from (2,), to (2,).
    """

    title: str
    outlines: tuple[Outline, ...]
    axes: tuple[str, str] = ("left", "back")
    marks: tuple[tuple[str, tuple[float, float]], ...] = ()
    dimensions: tuple[tuple[str, tuple[float, float], tuple[float, float]], ...] = ()


@dataclass(frozen=True)
class Chart:
    """Lines over a common axis: the standoff along a passage, the margin over the scale.

    Attributes
    ----------
    title
        What is shown.
    series
        Name and (n, 2) points of each line; what is not finite is left out.
    x_label, y_label
        What the axes mean, each with its unit.
    zero
        Whether y = 0 is marked and kept in sight.
    marks
        Points to ring, by their label.
    """

    title: str
    series: tuple[tuple[str, FloatArray], ...]
    x_label: str
    y_label: str
    zero: bool = True
    marks: tuple[tuple[str, tuple[float, float]], ...] = ()


@dataclass(frozen=True)
class FirstLine:
    """What to do, in bench words, and the scale of the file to print at; None where there is none."""

    says: str
    scale: float | None


@dataclass(frozen=True)
class FitReport:
    """One piece on one wearer: every check's verdict, and what to draw.

    Attributes
    ----------
    piece, wearer
        Their names.
    scale
        The uniform scale the piece was checked at.
    seat
        The worn pose: ``translation_mm`` and ``rotation_deg`` as in `Pose.as_dict`.
    verdicts
        In the order of the checks.
    regions
        For each region of the form: ``min_mm``, ``mean_mm``, ``p5_mm``, ``allowance_mm``, ``margin_mm``.
    warnings
        Sentences that are no verdict.
    drawings, charts
        Figures for the HTML report.
    portraits
        The piece on its wearer, from three sides.
    size
        The sizing as JSON shows it; None where it was not asked for or no scale fits.
    advice
        What to do, in one line, and the scale to print at.
    results
        What was measured, by check: what the words and the JSON are made from.
    assembled
        How each part was moved where the parts were put together, as JSON shows it.
    """

    piece: str
    wearer: str
    scale: float
    seat: dict[str, list[float]]
    verdicts: tuple[Verdict, ...]
    regions: dict[str, dict[str, float]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    charts: tuple[Chart, ...] = ()
    size: dict[str, Any] | None = None
    advice: FirstLine | None = None
    portraits: tuple[Portrait, ...] = ()
    results: Mapping[str, Any] = field(default_factory=dict, compare=False, repr=False)
    assembled: tuple[dict[str, Any], ...] = ()

    @property
    def status(self) -> Status:
        """The worst of its verdicts."""
        return worst(list(self.verdicts))

    @property
    def limited_by(self) -> Place:
        """Where the worst verdict is limited."""
        return max(self.verdicts, key=lambda v: v.status.severity).limited_by if self.verdicts else Place()

    def as_dict(self) -> dict[str, Any]:
        """Return the report as JSON shows it."""
        return {
            "piece": self.piece,
            "wearer": self.wearer,
            "scale": round(self.scale, 6),
            "seat": self.seat,
            "verdict": self.status.value,
            "print_at": None if self.advice is None else self.advice.scale,
            "says": "" if self.advice is None else self.advice.says,
            "verdicts": [v.as_dict() for v in self.verdicts],
            "regions": {
                name: {key: round(float(v), 3) + 0.0 for key, v in figures.items()}
                for name, figures in self.regions.items()
            },
            "size": self.size,
            "warnings": list(self.warnings),
            **({"assembly": list(self.assembled)} if self.assembled else {}),
        }


@dataclass(frozen=True)
class RunReport:
    """Everything one call of `check` found.

    Attributes
    ----------
    title
        The production's or the job's name.
    fits
        One for each piece on each wearer.
    inputs
        Files read: ``file`` and ``sha256``.
    warnings
        Sentences that belong to no single fit.
    settings
        Limits, tolerances and library versions that the numbers rest on.
    faults
        Tracebacks of faults of the program, for a log; the fits they ended are not checked.
    stopped
        Whether the user ended the run early; the fits that were not reached are not checked.
    """

    title: str
    fits: tuple[FitReport, ...]
    inputs: tuple[dict[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)
    faults: tuple[str, ...] = ()
    stopped: bool = False

    @property
    def status(self) -> Status:
        """The worst of its fits."""
        return max((f.status for f in self.fits), key=lambda s: s.severity, default=Status.NOT_CHECKED)

    def as_dict(self) -> dict[str, Any]:
        """Return the result as JSON shows it."""
        return {
            "title": self.title,
            "verdict": self.status.value,
            "fits": [f.as_dict() for f in self.fits],
            "cast": [row.as_dict() for row in cast_of(self.fits)],
            "settings": self.settings,
        }


@dataclass(frozen=True)
class CastRow:
    """Who can wear one piece, and the one scale that serves most of them.

    Attributes
    ----------
    piece
        Its name.
    scales
        By wearer: the smallest scale that fits and the largest, the same where already the smallest is looser than
        wanted; None for a largest that nothing ends, and for a wearer whom no scale fits.
    serves
        The scale that fits most wearers, the smallest of such; None where none fits any.
    served
        Those whom it fits.
    """

    piece: str
    scales: dict[str, tuple[float, float | None] | None]
    serves: float | None
    served: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the row as JSON shows it."""
        return {
            "piece": self.piece,
            "scales": {
                name: None if held is None else {"smallest": held[0], "largest": held[1]}
                for name, held in self.scales.items()
            },
            "serves": self.serves,
            "served": list(self.served),
        }


def cast_of(fits: Sequence[FitReport]) -> list[CastRow]:
    """Return a row for each piece that was sized.

    A scale serves a wearer from the smallest that keeps the allowances and has a way on, up to the largest. The fewest
    scales where the most fit begin at somebody's smallest, so only those are tried. Whose size was not asked for, or
    could not be found out, stands in no row: that is not a wearer whom no scale fits.
    """
    rows = []
    sized = [f for f in fits if any(v.check == "size" and v.status is not Status.NOT_CHECKED for v in f.verdicts)]
    for piece in dict.fromkeys(fit.piece for fit in sized):
        scales = {fit.wearer: _scales(fit.size) for fit in sized if fit.piece == piece}
        fitting = {name: held for name, held in scales.items() if held is not None}

        def served(scale: float, among: dict[str, tuple[float, float | None]] = fitting) -> tuple[str, ...]:
            return tuple(n for n, (low, high) in among.items() if low <= scale and (high is None or scale <= high))

        best = min((low for low, _ in fitting.values()), key=lambda s: (-len(served(s)), s), default=None)
        rows.append(CastRow(piece, scales, best, served(best) if best is not None else ()))
    return rows


def _scales(size: dict[str, Any] | None) -> tuple[float, float | None] | None:
    if size is None or ("passage_scale" in size and size["passage_scale"] is None):
        return None
    smallest = max(size["scale"], size.get("passage_scale") or 0.0)
    if size["largest"] is None and size.get("largest_limited_by") is not None:
        return smallest, smallest  # already there it is looser than wanted, and larger it is looser still
    return smallest, size["largest"]


CARE = (
    "A printed costume piece is not protective equipment: it does not replace a certified helmet or guard.",
    "Keep breathing, sight and a fast way out of the piece free, and try them before anything else.",
    "Work with a helper the first time it is put on, and have a way to cut it off within reach.",
    "Children wear it only under an adult's supervision.",
    "Follow the local rules of the venue, the event and the law, and the judgement of qualified people there.",
    "The figures here come from measurements and an estimate of their error; they are no medical or safety advice.",
)
CARE_LINE = "Costume, not protective equipment: keep breath, sight and a fast way out"
