# SPDX-License-Identifier: GPL-3.0-or-later
"""From parts to files that print: laid on plates, named, numbered, in STL and 3MF, and how they go together again."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from ...arrays import FloatArray
from ...errors import InputError
from ...files import written_whole
from ...formats import mesh_object, write_mesh, write_model
from ...mesh import TriangleMesh, shell_labels
from ...pose import Pose
from ...progress import Progress, silent
from ..estimate import Estimate, Filament, estimate
from ..solid.mend import without_repeats
from ..solid.solid import mesh_of
from .boxfit import ROUND_MM
from .layout import SPACING_MM, Laid, lay, plates
from .split_model import UNSHRUNK, CutPart, Shrinkage

# Where rounding to the files' single precision spoils a part, vertices nearer than one of these are joined.
MENDS_MM = (1e-5, 1e-4, 1e-3, 1e-2)
GRID_DIGITS = 6
SEVENTH_DIGIT = 2.5e-7
PRIMES = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
# Rounding to the files' precision may change a part's volume by this share; that many places are tried to keep it.
VOLUME_SHARE, SHIFTS = 3e-7, 12
UNSCALED = np.ones(3)
FILAMENT = Filament()
RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in range(1, 10))}


@dataclass(frozen=True, eq=False)
class Finished:
    """A part ready to be printed.

    Attributes
    ----------
    number
        From 1.
    mesh
        In its own print frame, scaled for shrinkage, on the coordinates that the files hold; named.
    where
        Where it sits on the piece, in words.
    worn
        The pose that brings the print, as it measures after shrinking, back into the worn frame.
    laid
        What lies on the plate and what overhangs.
    plate, at_mm
        The plate it is printed on, from 0, and where on it the mesh's origin lies: all but the middle of its box.
    shells
        Volumes of its separate shells in mm³, largest first; one for a plain part, negative for a void.
    scale
        What the mesh is scaled by for shrinkage, (3,).
    """

    number: int
    mesh: TriangleMesh
    where: str
    worn: Pose
    laid: Laid
    plate: int
    at_mm: tuple[float, float]
    estimate: Estimate
    shells: tuple[float, ...]
    scale: FloatArray

    @property
    def watertight(self) -> bool:
        """Whether every edge of the file's mesh joins exactly two triangles that run through it both ways."""
        facts = self.mesh.soundness
        return facts.closed and not (facts.non_manifold_edges or facts.flipped_edges or facts.duplicate_triangles)


def finish(
    parts: Sequence[CutPart],
    name: str,
    volume_mm: FloatArray,
    margin_mm: float = 0.0,
    shrinkage: Shrinkage = UNSHRUNK,
    filament: Filament = FILAMENT,
    progress: Progress = silent,
) -> list[Finished]:
    """Lay parts for printing and put them on plates.

    Parameters
    ----------
    parts
        In the worn frame.
    volume_mm, margin_mm
        The printer's, and what is kept free round the edge of the plate.

    Raises
    ------
    InputError
        If a part does not fit, or cannot be written as a sound mesh.
    """
    scale = shrinkage.scale
    room = (np.asarray(volume_mm, float) - [2 * margin_mm, 2 * margin_mm, 0.0]) / scale
    box = np.array([p.solid.bounding_box() for p in parts]).reshape(-1, 2, 3)
    whole = np.array([box[:, 0].min(axis=0), box[:, 1].max(axis=0)])
    laid: list[Laid] = []
    meshes: list[TriangleMesh] = []
    for i, part in enumerate(parts):
        progress(i / len(parts), f"laying part {i + 1}")
        one = lay(part.solid, part.planes, part.turn, room)
        title = name if len(parts) == 1 else f"{name} part {i + 1}"
        one, mesh = _true_to_volume(part.solid, one, scale, title)
        laid.append(one)
        meshes.append(mesh)
    sizes = [np.ptp(m.bounds, axis=0) for m in meshes]
    places = plates(sizes, room * scale, SPACING_MM)
    found = []
    for i, (part, one, mesh, (plate, x, y)) in enumerate(zip(parts, laid, meshes, places)):
        if (sizes[i] > room * scale + 2e-5).any():
            raise InputError(f"part {i + 1} does not fit the printer", source=name, remedy="give a larger volume")
        off = mesh.bounds.mean(axis=0)
        found.append(
            Finished(
                i + 1,
                mesh,
                _where(box[i], whole) if len(parts) > 1 else "whole",
                one.pose.inverse(),
                one,
                plate,
                (x + margin_mm - float(off[0]), y + margin_mm - float(off[1])),
                estimate(part.solid.volume(), filament, float(mesh.areas.sum())),
                _shells(mesh),
                scale,
            )
        )
    return found


def _shells(mesh: TriangleMesh) -> tuple[float, ...]:
    """Return the volumes of a mesh's shells in mm³, largest first."""
    if mesh.soundness.shells == 1:
        return (mesh.volume_mm3,)
    signed = np.einsum("ij,ij->i", mesh.corners.mean(axis=1), mesh.area_vectors) / 3.0
    return tuple(sorted(np.bincount(shell_labels(mesh), weights=signed).tolist(), reverse=True))


def _true_to_volume(solid: Any, laid: Laid, scale: FloatArray, name: str) -> tuple[Laid, TriangleMesh]:
    """Return a part's mesh as files hold it, shifted on the plate by so little that its volume stays the solid's.

    A thin plate with few corners that stands aslant rounds as a whole, one face towards the other, by a millionth of
    its volume. A shift of some thousandths of a millimetre rounds it otherwise.
    """
    exact = float(solid.volume() * scale.prod())
    best: tuple[float, Laid, TriangleMesh] | None = None
    for k in range(SHIFTS):
        aside = np.array([0.00137 * k, 0.00061 * k, 0.0])
        one = replace(laid, pose=Pose(laid.pose.rotation, laid.pose.translation_mm + aside))
        mesh = as_files_hold(solid, one.pose, scale, name)
        off = abs(mesh.volume_mm3 / exact - 1)
        if best is None or off < best[0]:
            best = off, one, mesh
        if off < VOLUME_SHARE:
            break
    assert best is not None
    return best[1], best[2]


def as_files_hold(solid: Any, pose: Pose, scale: FloatArray, name: str) -> TriangleMesh:
    """Return a solid in another pose, scaled, on single-precision coordinates as STL and 3MF keep them.

    Rounded only on writing, neighbours nearer than that would fall together and leave a mesh that is not tight.
    """
    moved = solid.transform(np.column_stack([pose.rotation * scale[:, None], pose.translation_mm * scale]))
    mesh = rounded(mesh_of(moved, name))
    for mend in MENDS_MM:
        if _tight(mesh):
            break
        # Slivers that rounding has folded shut lie back to back.
        mesh = without_repeats(mesh, []).welded()
        if _tight(mesh):
            break
        mesh = rounded(mesh_of(moved.simplify(mend), name))
    return _drawn_apart(mesh)


def _drawn_apart(mesh: TriangleMesh) -> TriangleMesh:
    """Return a mesh whose corners lie so far apart that the text of a 3MF file keeps them apart.

    lib3mf writes seven digits, the last of them up to two off. Of two corners nearer than that one is moved by three
    times as much, some 0.0001 mm.
    """
    near = SEVENTH_DIGIT * float(np.abs(mesh.vertices).max())
    for axis in (0, 1, 2, 0, 1, 2):
        vertices = mesh.vertices.copy()
        for grid in (vertices / near, vertices / near + 0.5):
            # One number for each place, multiplied out with overflow: two that are alike by chance cost nothing.
            keys = (np.round(grid).astype(np.int64).view(np.uint64) * PRIMES).sum(axis=1, dtype=np.uint64)
            _, first = np.unique(keys, return_index=True)
            later = np.setdiff1d(np.arange(len(vertices)), first)
            vertices[later, axis] += 3 * near
        if np.array_equal(vertices, mesh.vertices):
            break
        mesh = TriangleMesh(vertices.astype(np.float32).astype(np.float64), mesh.triangles, mesh.name)
    return mesh


def rounded(mesh: TriangleMesh) -> TriangleMesh:
    """Return a mesh on single-precision coordinates, without the triangles that this leaves with no extent."""
    # Near zero single precision is far finer than elsewhere: a grid first, so that readers who weld merge nothing more.
    vertices = np.round(mesh.vertices, GRID_DIGITS).astype(np.float32).astype(np.float64)
    welded = TriangleMesh(vertices, mesh.triangles, mesh.name).welded()
    tri = welded.triangles
    distinct = (tri[:, 0] != tri[:, 1]) & (tri[:, 1] != tri[:, 2]) & (tri[:, 2] != tri[:, 0])
    return welded if distinct.all() else TriangleMesh(welded.vertices, tri[distinct], mesh.name).welded()


def _tight(mesh: TriangleMesh) -> bool:
    facts = mesh.soundness
    return facts.closed and not (facts.non_manifold_edges or facts.flipped_edges or facts.duplicate_triangles)


def _where(box: FloatArray, whole: FloatArray) -> str:
    """Return where a part sits, in words: the wearer faces -Y and +X is the wearer's left."""
    share = (box.mean(axis=0) - whole.mean(axis=0)) / np.maximum(np.ptp(whole, axis=0), ROUND_MM)
    words = []
    for axis, low, high in ((2, "lower", "upper"), (1, "front", "back"), (0, "right", "left")):
        if abs(share[axis]) > 0.08:
            words.append(high if share[axis] > 0 else low)
    return " ".join(words) or "middle"


def safe_stem(name: str) -> str:
    """Return a file name without ending that every system takes: small ASCII letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").lower()
    stem = "-".join("".join(c if c.isalnum() else " " for c in plain).split())[:60].strip("-") or "piece"
    return f"{stem}-piece" if stem in RESERVED else stem


def write_parts(
    parts: Sequence[Finished], name: str, out_dir: Path, notes: str = "", progress: Progress = silent
) -> dict[str, Any]:
    """Write each part as STL and 3MF, each plate as 3MF, and the assembly as 3MF in worn position.

    Returns
    -------
    What JSON shows of it: ``parts``, ``plates`` and ``assembly``, file names relative to the folder.
    """
    stem = safe_stem(name)
    digits = len(str(len(parts)))
    shown: list[dict[str, Any]] = []
    for part in parts:
        progress(0.8 * part.number / len(parts), f"writing part {part.number}")
        own = f"{stem}-part-{part.number:0{digits}d}"  # even where it is the only one: never the source's own name
        write_mesh(out_dir / f"{own}.stl", part.mesh)
        _write_model(out_dir / f"{own}.3mf", [part], [Pose()], name, notes)
        shown.append({"file": f"{own}.stl", "files": [f"{own}.stl", f"{own}.3mf"], **_facts(part)})
    sheets = []
    for plate in range(max(p.plate for p in parts) + 1):
        held = [p for p in parts if p.plate == plate]
        file = f"{stem}-plate-{plate + 1}.3mf"
        _write_model(out_dir / file, held, [Pose(np.eye(3), np.array([*p.at_mm, 0.0])) for p in held], name, notes)
        sheets.append({"file": file, "parts": [p.number for p in held]})
    progress(0.9, "writing the assembly")
    assembly = f"{stem}-assembly.3mf"
    _write_model(out_dir / assembly, list(parts), [p.worn for p in parts], name, notes, together=True)
    return {"parts": shown, "plates": sheets, "assembly": assembly}


def _facts(part: Finished) -> dict[str, Any]:
    size = np.ptp(part.mesh.bounds, axis=0)
    return {
        "number": part.number,
        "name": part.mesh.name,
        "where": part.where,
        "size_mm": [round(float(v), 4) for v in size],
        "volume_mm3": part.mesh.volume_mm3,
        "watertight": part.watertight,
        "shells": [
            {"name": f"{'body' if v > 0 else 'void'} {i + 1}", "volume_mm3": v} for i, v in enumerate(part.shells)
        ],
        "worn": {
            # Rounded, so that the last bits of one numpy or another do not show.
            "translation_mm": [round(float(v), 9) + 0.0 for v in part.worn.translation_mm],
            "rotation_deg": [round(float(v), 9) + 0.0 for v in part.worn.rotation_deg],
        },
        "plate": part.plate + 1,
        "at_mm": [round(v, 4) for v in part.at_mm],
        "flat_mm2": round(part.laid.flat_mm2, 1),
        "overhang_mm2": round(part.laid.overhang_mm2, 1),
        "print": part.estimate.as_dict(),
    }


def _write_model(
    path: Path, parts: Sequence[Finished], poses: Sequence[Pose], name: str, notes: str, together: bool = False
) -> None:
    """Write a 3MF model: each part an object of its own, built in its pose, or all as components of one object."""
    import lib3mf

    model = lib3mf.Wrapper().CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    about = model.GetMetaDataGroup()
    about.AddMetaData("", "Title", name, "xs:string", True)
    if notes:
        about.AddMetaData("", "Description", notes, "xs:string", True)
    things = [mesh_object(model, part.mesh) for part in parts]
    for part, thing in zip(parts, things):
        thing.SetPartNumber(str(part.number))
    if together:  # the specification wants objects before those that refer to them
        group = model.AddComponentsObject()
        group.SetName(name)
        for part, thing, pose in zip(parts, things, poses):
            group.AddComponent(thing, _transform(pose, part.scale))
        model.AddBuildItem(group, _transform(Pose()))
    else:
        for part, thing, pose in zip(parts, things, poses):
            model.AddBuildItem(thing, _transform(pose)).SetPartNumber(str(part.number))
    with written_whole(path) as temporary:
        write_model(model, temporary)


def _transform(pose: Pose, scale: FloatArray = UNSCALED) -> Any:
    """Return a pose as 3MF writes it, for a mesh that was scaled: four rows of three, for points as rows."""
    import lib3mf

    transform = lib3mf.Transform()
    for row in range(3):
        for column in range(3):
            transform.Fields[row][column] = float(pose.rotation[column, row] / scale[row])
    for column in range(3):
        transform.Fields[3][column] = float(pose.translation_mm[column])
    return transform
