# SPDX-License-Identifier: GPL-3.0-or-later
"""The verbs about the wearer: estimate, form."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..core.errors import InputError
from ..core.progress import Progress, part_of
from ..core.wearer.regions import in_words
from .reading import Outcome, point, print_rows

if TYPE_CHECKING:
    from ..core.wearer.found import ReadWearer


def estimate(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Estimate the dimensions that were not measured."""
    from ..core.wearer.population import estimate as conditional
    from ..core.wearer.population import sex_of
    from ..core.wearer.reading import Reading, parse_known

    known: dict[str, Reading] = {}
    for name, reading in map(parse_known, options.known):
        if name in known:
            raise InputError(f"{name} is given twice", remedy="give one reading, or the mean of several")
        known[name] = reading
    found = conditional(known, sex_of(options.sex, "--sex"))

    def show(stdout: Any) -> None:
        rows: list[Sequence[object]] = [("dimension", "mm", "± SD", "90 % interval", "source")]
        for name, d in found.as_dict()["dimensions"].items():
            low, high = d["interval90_mm"]
            rows.append((name, f"{d['mean_mm']:.1f}", f"{d['sd_mm']:.1f}", f"{low:.0f} to {high:.0f}", d["source"]))
        print_rows(stdout, rows)

    return Outcome(found.as_dict(), (), found.warnings, False, show)


def form(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Write the form of a card or a scan, and measure it."""
    from ..core.formats import WRITABLE, write_mesh
    from ..core.wearer.scanread import write_deviation

    out: Path = options.out
    if out.suffix.lower() not in WRITABLE or out.is_dir():
        raise InputError(
            "this names no mesh file to write", source=str(out), remedy=f"end it in one of {', '.join(WRITABLE)}"
        )
    read = _read(options, part_of(progress, 0.0, 0.9))
    made = read.wearer.form
    dimensions: dict[str, dict[str, Any]] = {name: {"on_form_mm": round(mm, 2)} for name, mm in read.measured().items()}
    if read.estimate is not None:
        asked = read.estimate.as_dict()["dimensions"]
        for name, entry in dimensions.items():
            entry.update(asked.get(name, {}))
    if read.scan is not None:
        for name, entry in dimensions.items():
            if name in read.scan.uncertainty_mm:
                entry["uncertainty_mm"] = round(read.scan.uncertainty_mm[name], 2)
    if options.deviation and read.scan is None:
        raise InputError(
            "there is no deviation to write: the form is not made from a scan", source=str(options.deviation)
        )
    write_mesh(out, made.mesh)
    if options.deviation and read.scan is not None:
        write_deviation(options.deviation, made.mesh, read.scan.deviation_mm)
    result = {
        "file": str(out),
        "source": made.source,
        "landmarks": {n: [round(float(v), 3) + 0.0 for v in p] for n, p in sorted(made.landmarks.items())},
        "dimensions": dimensions,
        "regions": list(made.region_names),
        "spread_mm": {n: round(mm, 2) for n, mm in made.spread_mm.items()},
    }
    if read.scan is not None:
        result["scan"] = read.scan.as_dict()

    def show(stdout: Any) -> None:
        if read.scan is not None:
            print_rows(stdout, read.scan.in_words())
            print(file=stdout)
            rows: list[Sequence[object]] = [("dimension", "on the form", "± (90 %)")]
            rows += [(n, f"{d['on_form_mm']:.1f} mm", f"{d['uncertainty_mm']:.1f}") for n, d in dimensions.items()]
        else:
            rows = [("dimension", "on the form", "asked for", "± SD", "")]
        for name, d in dimensions.items() if read.scan is None else ():
            asked_for = (f"{d['mean_mm']:.1f} mm", f"{d['sd_mm']:.1f}", d["source"]) if "mean_mm" in d else ("", "", "")
            rows.append((name, f"{d['on_form_mm']:.1f} mm", *asked_for))
        print_rows(stdout, rows)
        print(file=stdout)
        print_rows(stdout, [("landmark", "x, y, z"), *((n, point(p)) for n, p in result["landmarks"].items())])
        print(f"written: {out}", file=stdout)

    inputs = [{"file": str(options.wearer), "sha256": read.sources[0].sha256}]
    inputs += [{"file": str(s.path), "sha256": s.sha256} for s in read.sources[1:]]
    return Outcome(result, inputs, read.warnings, False, show)


def record(options: argparse.Namespace, progress: Progress) -> Outcome:
    """Write into a wearer's card how a piece was when it was tried on."""
    from ..core.checks.tried import record as into_card
    from ..core.fit.size.learning import SPANS

    if options.units not in (None, "mm"):
        raise InputError("a tried-on piece is kept by its file, in mm", remedy="save the file in mm and record that")
    card, fit, digests = into_card(
        Path(options.card),
        [Path(file) for file in options.piece],
        options.outcome.replace("-", " "),
        scale=options.scale,
        region=options.region or "",
        level_mm=options.level,
        gap_mm=options.gap,
    )
    low, high = (v if abs(v) < 1e9 else None for v in SPANS[fit.verdict])
    result = {
        "card": str(options.card),
        "known_fit": {
            "piece": fit.piece,
            "sha256": fit.sha256,
            "scale": fit.scale,
            "verdict": fit.verdict,
            "region": fit.region,
            "date": fit.date,
        },
        "known_fits": len(card.known_fits),
        "read_as_mm": {"low": low, "high": high},
    }

    def show(stdout: Any) -> None:
        where = f" at the {in_words(fit.region)}" if fit.region else ""
        print(f"recorded: {fit.piece} at {100 * fit.scale:g} % was {fit.verdict}{where}", file=stdout)
        print(f"{card.name} has {len(card.known_fits)} known fits; the next size uses them", file=stdout)

    inputs = [{"file": str(file), "sha256": digest} for file, digest in zip(options.piece, digests)]
    return Outcome(result, inputs, (), False, show)


def _read(options: argparse.Namespace, progress: Progress) -> ReadWearer:
    """Return the wearer of a card or, brought home, of a scan."""
    from ..core.formats import READABLE
    from ..core.wearer.reading import parse_known
    from ..core.wearer.scanread import ScanHints, parse_landmark, parse_offset, wearer_of_scan
    from ..core.wearer.sources import read_wearer

    path = Path(options.wearer)
    if path.suffix.lower() in READABLE:
        hints = ScanHints(
            options.units, dict(map(parse_landmark, options.landmark)), dict(map(parse_offset, options.offset))
        )
        known = {name: reading.value for name, reading in map(parse_known, options.known)}
        return wearer_of_scan(path, hints, known, source="mesh", progress=progress)
    for given, option in ((options.landmark, "--landmark"), (options.offset, "--offset"), (options.known, "--known")):
        if given:
            raise InputError(f"{option} is for a scan", source=str(path), remedy="write it into the card instead")
    return read_wearer(path, options.units, progress)
