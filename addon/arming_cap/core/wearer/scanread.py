# SPDX-License-Identifier: GPL-3.0-or-later
"""A wearer from a scan's file, and what the user may say of it beforehand.

A closed head that stands upright in millimetres needs no bringing home: it is taken as it is, where it is, unless it is
too dense for the checks. Anything else goes through `scan.form_of_scan`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from ..files import write_bytes
from ..formats import UNITS_MM, MeshFile, read_mesh
from ..memory import remembered
from ..mesh import TriangleMesh
from ..progress import Progress, part_of, silent
from ..tolerances import TOLERANCES
from .form import Wearer
from .found import ReadWearer, Source
from .measure import measure
from .reading import MM_PER
from .recognise import form_of
from .scan import form_of_scan, scale_doubts
from .scanplace import ASKED

STATED = {".glb": "m", ".3mf": "its own unit"}
MOST_TRIANGLES = 100_000
SCANS_KEPT = 4


@dataclass(frozen=True)
class ScanHints:
    """What the user knows of a scan.

    Attributes
    ----------
    units, landmarks, offsets_mm
        As `scan.form_of_scan` takes them; the landmarks in the file's numbers, or mm where the file states its unit.
    """

    units: str | None = None
    landmarks: Mapping[str, FloatArray] = field(default_factory=dict)
    offsets_mm: Mapping[str, float] = field(default_factory=dict)


def wearer_of_scan(
    path: Path,
    hints: ScanHints | None = None,
    known_mm: Mapping[str, float] | None = None,
    *,
    name: str | None = None,
    source: str = "scan",
    progress: Progress = silent,
) -> ReadWearer:
    """Return the wearer in a scan of a head, a bust or a body.

    Parameters
    ----------
    path
        Any mesh file that is read here.
    hints, known_mm
        What the user says of the scan, and readings to check its scale against.
    name, source
        What the wearer is called (the file's name), and `Form.source` of a head that is taken as it is.

    Raises
    ------
    InputError
        If the file cannot be read, or no head is found in it with certainty.
    """
    hints = hints or ScanHints()
    name = path.stem if name is None else name
    progress(0.0, f"Reading {path.name}")
    stated = path.suffix.lower() in STATED
    read = read_mesh(path, hints.units if stated else None)
    if hints.units is not None and hints.units not in UNITS_MM:
        raise InputError(f"'{hints.units}' is not a unit", source=str(path), remedy=f"use one of {', '.join(UNITS_MM)}")
    sources = (Source(read.path, read.sha256),)
    said = [hints.units, {n: list(map(float, p)) for n, p in hints.landmarks.items()}, hints.offsets_mm, known_mm]
    try:
        if not hints.landmarks and not hints.offsets_mm:
            as_it_is = _as_it_is(read, hints, source, known_mm or {}, name)
            if as_it_is is not None:
                return replace(as_it_is, sources=sources)
        found = remembered(
            f"scan:{read.mesh.content_hash}:{read.mesh.name}:{stated}:{said}",
            SCANS_KEPT,
            lambda: form_of_scan(
                read.mesh,
                units="mm" if stated else hints.units,
                landmarks=hints.landmarks or None,
                offsets_mm=hints.offsets_mm,
                known_mm=known_mm,
                progress=part_of(progress, 0.1, 1.0),
            ),
        )
    except InputError as error:
        raise InputError(error.what, source=str(path), remedy=error.remedy) from None
    warnings = (*(read.warnings if stated else ()), *(f"{name}: {text}" for text in found.warnings))
    return ReadWearer(Wearer(name, found.form), sources, warnings, scan=found)


def _as_it_is(
    read: MeshFile, hints: ScanHints, source: str, known_mm: Mapping[str, float], name: str
) -> ReadWearer | None:
    """Return the wearer whose form is the file's own surface; None where it is not closed, upright and in mm."""
    mesh = read.mesh if hints.units is None or read.path.suffix.lower() in STATED else _scaled(read.mesh, hints.units)
    if len(mesh) > MOST_TRIANGLES or not mesh.soundness.closed or mesh.volume_mm3 <= 0:
        return None
    form = form_of(mesh, source)
    if not form.landmarks:
        return None
    form = replace(form, spread_mm=dict.fromkeys(form.region_names, TOLERANCES.scan_error_mm))
    doubts = [f"{name}: {text}" for text in scale_doubts(measure(form), known_mm)]
    warnings = read.warnings if hints.units is None else ()
    return ReadWearer(Wearer(name, form), (), (*warnings, *doubts))


def _scaled(mesh: TriangleMesh, units: str) -> TriangleMesh:
    return mesh if units == "mm" else mesh.scaled(UNITS_MM[units])


def hints_of(settings: Mapping[str, Any], unit: str, source: str) -> ScanHints:
    """Return what a card's ``[scan]`` table says besides its file.

    ``units = "cm"`` is the scan's own; ``[scan.landmarks]`` holds ``sellion = [x, y, z]`` and the two tragions in the
    scan's numbers; ``[scan.offset]`` the thickness of a cap or of hair by region, in the card's unit.
    """
    known = {"units", "landmarks", "offset"}
    for key in settings:
        if key not in known:
            raise InputError(
                f"scan.{key} is not known", source=source, remedy=f"use file, {', '.join(sorted(known))} under [scan]"
            )
    units = settings.get("units")
    landmarks, offset = settings.get("landmarks", {}), settings.get("offset", {})
    if not isinstance(landmarks, Mapping) or not isinstance(offset, Mapping):
        raise InputError(
            "scan.landmarks and scan.offset are tables", source=source, remedy="see the card's description"
        )
    return ScanHints(
        None if units is None else str(units),
        {str(n): _point(n, p, source) for n, p in landmarks.items()},
        {str(n): _length(n, mm, source) * MM_PER[unit] for n, mm in offset.items()},
    )


def _point(name: str, value: Any, source: str) -> FloatArray:
    try:
        point = np.array([float(v) for v in value])
    except (TypeError, ValueError):
        point = np.empty(0)
    if point.shape != (3,) or not np.isfinite(point).all():
        raise InputError(f"{name} is no point", source=source, remedy=f"write {name} = [x, y, z]")
    return point


def _length(name: str, value: Any, source: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e6:
        raise InputError(f"scan.offset.{name} is no length", source=source, remedy="write a number")
    return float(value)


def parse_landmark(text: str) -> tuple[str, FloatArray]:
    """Return name and point of ``NAME=X,Y,Z``.

    Raises
    ------
    InputError
        If it is anything else.
    """
    name, _, rest = text.partition("=")
    words = rest.split(",")
    if name not in ASKED or len(words) != 3:
        raise InputError(
            f"'{text}' is not NAME=X,Y,Z", source="--landmark", remedy=f"NAME is one of {', '.join(ASKED)}"
        )
    return name, _point(name, words, "--landmark")


def parse_offset(text: str) -> tuple[str, float]:
    """Return region and thickness of ``REGION=MM``, or ``default`` and thickness of ``MM`` alone.

    Raises
    ------
    InputError
        If it is anything else.
    """
    name, _, number = text.rpartition("=")
    try:
        return name or "default", float(number)
    except ValueError:
        raise InputError(f"'{text}' is not REGION=MM", source="--offset", remedy="such as crown=2.5") from None


def write_deviation(path: Path, mesh: TriangleMesh, deviation_mm: FloatArray) -> None:
    """Write a form with its deviation as the vertices' ``quality``, a PLY file; NaN where the scan has nothing.

    Raises
    ------
    InputError
        If the name does not end in .ply or cannot be written.
    """
    if path.suffix.lower() != ".ply":
        raise InputError("a deviation map is a PLY file", source=str(path), remedy="end its name in .ply")
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(mesh.vertices)}\n"
        "property float x\nproperty float y\nproperty float z\nproperty float quality\n"
        f"element face {len(mesh)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    vertices = np.column_stack([mesh.vertices, deviation_mm]).astype("<f4")
    faces = np.zeros(len(mesh), np.dtype([("count", "u1"), ("rows", "<i4", 3)]))
    faces["count"], faces["rows"] = 3, mesh.triangles
    write_bytes(path, header.encode("ascii") + vertices.tobytes() + faces.tobytes())
