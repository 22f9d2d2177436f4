# SPDX-License-Identifier: GPL-3.0-or-later
"""STL, OBJ, PLY, OFF, GLB and 3MF files in, millimetre meshes out; and back.

The reading itself is trimesh's and lib3mf's. What is here is what they leave open: whether the file
is what its name says, whole, finite and in a known unit.
"""

from __future__ import annotations

import io
import itertools
import struct
import uuid
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from .arrays import FloatArray
from .capacity import refuse_large
from .claims import (
    declared_faces,
    declared_triangles,
    refuse_fewer,
    refuse_lying,
    refuse_mislabelled,
    without_short_faces,
)
from .errors import InputError
from .files import read_input, sha256, written_whole
from .mesh import TriangleMesh, joined
from .ply import read_strips

UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
READABLE = (".stl", ".obj", ".ply", ".off", ".glb", ".3mf")
WRITABLE = (".stl", ".obj", ".ply", ".3mf")

# Between these sizes nobody needs to be asked about the unit: a thimble is about 20 mm tall, a door about 2 m.
THIMBLE_MM = 20.0
DOOR_MM = 2100.0
# What a 3MF file may place, its components counted as often as they are placed.
MOST_INSTANCES, MOST_TRIANGLES = 10_000, 10_000_000


@dataclass(frozen=True)
class MeshFile:
    """A mesh file as read.

    Attributes
    ----------
    path, sha256
        Where it was and what it held.
    meshes
        One per object that the file declares (3MF), else one; named after the object or the file.
    warnings
        Sentences for the user, such as a unit that was not applied.
    stated
        Whether the file or the caller named its unit.
    mm_per_unit
        What one of the file's own units is, in mm.
    """

    path: Path
    sha256: str
    meshes: tuple[TriangleMesh, ...]
    warnings: tuple[str, ...]
    stated: bool = False
    mm_per_unit: float = 1.0

    @property
    def mesh(self) -> TriangleMesh:
        """Everything in the file as one mesh, named after the file."""
        return self.meshes[0] if len(self.meshes) == 1 else joined(self.meshes, self.path.stem)


def read_mesh(path: Path | str, units: str | None = None) -> MeshFile:
    """Read a mesh file into millimetres, welded.

    Parameters
    ----------
    path
        A file with one of the endings in `READABLE`.
    units
        ``mm``, ``cm``, ``m`` or ``in`` for formats that say nothing (STL, OBJ, PLY, OFF); without it they are
        taken as millimetres. GLB is in metres, 3MF and what we write as PLY say their own unit: there `units` is
        ignored, with a warning where it disagrees.

    Raises
    ------
    InputError
        If the file is missing, empty, truncated, not what its ending says, or holds no finite surface.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in READABLE:
        raise InputError(
            f"'{path.suffix}' is not a mesh format read here" if ending else "the file name has no ending",
            source=str(path),
            remedy=f"use one of {', '.join(READABLE)}",
        )
    if units is not None and units not in UNITS_MM:
        raise InputError(f"'{units}' is not a unit", remedy=f"use one of {', '.join(UNITS_MM)}")
    content = read_input(path)
    refuse_mislabelled(path, ending, content)
    refuse_lying(path, ending, content)
    refuse_large(str(path), declared_triangles(ending, content), "reading")
    warnings: list[str] = []
    digest = sha256(content)
    if ending == ".obj":
        content, short = without_short_faces(content)
        if short:
            warnings.append(f"{path.name}: {short} faces of fewer than three corners were left out")
    stated: str | None
    if ending == ".3mf":
        meshes, stated = _read_3mf(path)
    else:
        meshes = [_read_with_trimesh(path, ending, content)]
        stated = "m" if ending == ".glb" else _unit_of_ply(content) if ending == ".ply" else None
    if stated is None:
        factor = UNITS_MM[units or "mm"]
    else:
        factor = UNITS_MM.get(stated) or {"micron": 0.001, "ft": 304.8}[stated]
        if units is not None and units != stated:
            warnings.append(f"{path.name}: the file itself says {stated}; --units {units} was not applied")
    scaled = [m if factor == 1.0 else m.scaled(factor) for m in meshes]
    for mesh in scaled:
        _refuse_unusable(path, mesh)
    told = stated is not None or units is not None
    return MeshFile(path, digest, tuple(m.welded() for m in scaled), tuple(warnings), told, factor)


_PLY_UNIT = b"comment unit "


def _unit_of_ply(content: bytes) -> str | None:
    """Return the unit that a PLY file's header states as we write it; None where it states none."""
    for line in content[: max(content.find(b"end_header"), 0)].splitlines():
        if (
            line.startswith(_PLY_UNIT)
            and (unit := line[len(_PLY_UNIT) :].decode("ascii", "replace").strip()) in UNITS_MM
        ):
            return unit
    return None


def _refuse_unusable(path: Path, mesh: TriangleMesh) -> None:
    """Raise where a mesh has no triangle, no area, or a coordinate that is no number."""
    name = str(path)
    if not len(mesh):
        raise InputError("the file holds no triangles", source=name, remedy="export the mesh, not points or curves")
    used = mesh.vertices[mesh.triangles.ravel()]
    bad = int((~np.isfinite(used)).any(axis=1).sum())
    if bad:
        raise InputError(f"{bad} corners are not finite numbers", source=name, remedy="repair or export it again")
    # Coordinates beyond a kilometre leave too few digits for a tenth of a millimetre, and overflow areas.
    if np.abs(used).max() > 1e6:
        raise InputError("coordinates lie beyond one kilometre", source=name, remedy="check the unit and the origin")
    if not (mesh.areas > 0).any():
        raise InputError("every triangle has zero area", source=name, remedy="export it again")


def _read_with_trimesh(path: Path, ending: str, content: bytes) -> TriangleMesh:
    import trimesh  # heavy: half a second

    try:
        strips = read_strips(content) if ending == ".ply" else None
        if strips is not None:
            return TriangleMesh(*strips, path.stem)
        loaded: Any = trimesh.load(
            io.BytesIO(content),
            file_type=ending[1:],
            force="mesh",
            process=False,
            maintain_order=True,
            skip_materials=True,
        )
        vertices, triangles = np.asarray(loaded.vertices, float), np.asarray(loaded.faces, np.int64)
        mesh = TriangleMesh(vertices, triangles, path.stem)
    except Exception as error:  # a reader meets broken files with any exception there is
        reason = (str(error).splitlines() or [""])[0][:120] or type(error).__name__
        raise InputError(
            f"cannot be read as {ending[1:].upper()} ({reason})", source=str(path), remedy="export or copy it again"
        ) from None
    if ending == ".ply":
        refuse_fewer(path, declared_faces(content), len(mesh))
    if ending == ".glb":  # glTF is Y up and its models face +Z; ours are Z up and face -Y
        return TriangleMesh(mesh.vertices[:, [0, 2, 1]] * [1, -1, 1], mesh.triangles, path.stem)
    return mesh


def _read_3mf(path: Path) -> tuple[list[TriangleMesh], str]:
    import lib3mf

    try:
        model = lib3mf.Wrapper().CreateModel()
        model.QueryReader("3mf").ReadFromFile(str(path))
        unit = {
            lib3mf.ModelUnit.MicroMeter: "micron",
            lib3mf.ModelUnit.MilliMeter: "mm",
            lib3mf.ModelUnit.CentiMeter: "cm",
            lib3mf.ModelUnit.Meter: "m",
            lib3mf.ModelUnit.Inch: "in",
            lib3mf.ModelUnit.Foot: "ft",
        }[lib3mf.ModelUnit(model.GetUnit())]
        meshes: list[TriangleMesh] = []
        budget = [MOST_INSTANCES, MOST_TRIANGLES]
        items = model.GetBuildItems()
        while items.MoveNext():
            item = items.GetCurrent()
            thing, place = item.GetObjectResource(), _matrix(item.GetObjectTransform())
            meshes += _placed(lib3mf, thing, place, path.stem, budget)
    except Exception as error:  # lib3mf's own errors are plain Exceptions with a code
        reason = (str(error).splitlines() or [""])[0][:120] or type(error).__name__
        raise InputError(f"cannot be read as 3MF ({reason})", source=str(path), remedy="export it again") from None
    if not meshes:
        raise InputError("the 3MF file builds no mesh", source=str(path), remedy="add the parts to the plate first")
    if len(meshes) == 1:
        return [TriangleMesh(meshes[0].vertices, meshes[0].triangles, path.stem)], unit
    return meshes, unit


def _matrix(transform: Any) -> FloatArray:
    """Return lib3mf's 4 rows of 3 fields as (4, 3): rows of the linear part, then the translation."""
    return np.array([[transform.Fields[row][column] for column in range(3)] for row in range(4)])


def _placed(lib3mf: Any, thing: Any, place: FloatArray, fallback: str, budget: list[int]) -> list[TriangleMesh]:
    """Return the meshes of a 3MF object, its components followed, in their places (row-vector convention).

    `budget` holds how many objects and triangles may still be placed: components of components multiply.
    """
    budget[0] -= 1
    if budget[0] < 0:
        raise ValueError(f"it places more than {MOST_INSTANCES} objects")
    if thing.IsComponentsObject():
        found = []
        for index in range(thing.GetComponentCount()):
            component = thing.GetComponent(index)
            inner = _matrix(component.GetTransform()) if component.HasTransform() else np.eye(4, 3)
            chained = inner @ place[:3] + np.vstack([np.zeros((3, 3)), place[3]])
            found += _placed(lib3mf, component.GetObjectResource(), chained, thing.GetName() or fallback, budget)
        return found
    if not thing.IsMeshObject():
        return []
    budget[1] -= thing.GetTriangleCount()
    if budget[1] < 0:
        raise ValueError(f"it places more than {MOST_TRIANGLES} triangles")
    vertices = np.array([list(v.Coordinates) for v in thing.GetVertices()], float).reshape(-1, 3)
    triangles = np.array([list(t.Indices) for t in thing.GetTriangleIndices()], np.int64).reshape(-1, 3)
    if np.linalg.det(place[:3]) < 0:  # a mirroring transform turns the winding round
        triangles = triangles[:, ::-1]
    return [TriangleMesh(vertices @ place[:3] + place[3], triangles, thing.GetName() or fallback)]


def write_mesh(path: Path | str, meshes: TriangleMesh | Sequence[TriangleMesh]) -> None:
    """Write one or more meshes, in millimetres, whole or not at all.

    Parameters
    ----------
    path
        Ends in one of `WRITABLE`. STL (binary), OBJ and PLY hold one mesh: several are joined. 3MF keeps each as an
        object of its own with its name, and states the unit.

    Raises
    ------
    InputError
        If the ending is not known or the folder cannot be written to.
    """
    path = Path(path)
    several = [meshes] if isinstance(meshes, TriangleMesh) else list(meshes)
    ending = path.suffix.lower()
    if ending not in WRITABLE:
        raise InputError(
            f"'{path.suffix}' is not a format written here",
            source=str(path),
            remedy=f"use one of {', '.join(WRITABLE)}",
        )
    with written_whole(path) as temporary:
        if ending == ".3mf":
            _write_3mf(temporary, several)
        else:
            import trimesh

            one = joined(several)
            out = trimesh.Trimesh(one.vertices, one.triangles, process=False)
            data: Any = out.export(file_type=ending[1:])
            data = data.encode("utf-8") if isinstance(data, str) else data
            if ending == ".ply":  # another program's --units must not scale what is in mm
                data = data.replace(b"\nelement", b"\n" + _PLY_UNIT + b"mm\nelement", 1)
            temporary.write_bytes(data)


def _write_3mf(path: Path, meshes: Sequence[TriangleMesh]) -> None:
    import lib3mf

    model = lib3mf.Wrapper().CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    for mesh in meshes:
        thing = mesh_object(model, mesh)
        model.AddBuildItem(thing, lib3mf.Wrapper().GetIdentityTransform())
    write_model(model, path)


def write_model(model: Any, path: Path) -> None:
    """Write a lib3mf model without clock or chance: same model, same bytes.

    The archive's clock is set to the first day it knows, and the identifiers that lib3mf draws by chance are numbered.
    """
    count = itertools.count(1)

    def number() -> str:
        return str(uuid.UUID(int=next(count), version=4))

    objects, items = model.GetObjects(), model.GetBuildItems()
    while objects.MoveNext():
        thing = objects.GetCurrentObject()
        thing.SetUUID(number())
        if thing.IsComponentsObject():
            for index in range(thing.GetComponentCount()):
                thing.GetComponent(index).SetUUID(number())
    while items.MoveNext():
        items.GetCurrent().SetUUID(number())
    model.SetBuildUUID(number())
    model.QueryWriter("3mf").WriteToFile(str(path))
    content = bytearray(path.read_bytes())
    # ZIP application note 6.3: time and date stand 10 bytes into a local header and 12 into a central one.
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        starts = [entry.header_offset + 10 for entry in archive.infolist()]
        at = archive.start_dir
    for _ in range(len(starts)):
        starts.append(at + 12)
        at += 46 + sum(struct.unpack_from("<HHH", content, at + 28))
    for start in starts:
        content[start : start + 4] = b"\x00\x00\x21\x00"
    path.write_bytes(content)


def mesh_object(model: Any, mesh: TriangleMesh) -> Any:
    """Add a mesh to a lib3mf model as an object under its name, and return that.

    Triangles of fewer than three corners, which lib3mf refuses, are left out: no surface is lost.
    """
    import lib3mf

    a, b, c = mesh.triangles.T
    triangles = mesh.triangles[(a != b) & (b != c) & (c != a)]

    thing = model.AddMeshObject()
    thing.SetName(mesh.name)
    positions = (lib3mf.Position * len(mesh.vertices)).from_buffer_copy(mesh.vertices.astype("<f4").tobytes())
    corners = (lib3mf.Triangle * len(triangles)).from_buffer_copy(triangles.astype("<u4").tobytes())
    thing.SetGeometry(list(positions), list(corners))
    return thing
