# SPDX-License-Identifier: GPL-3.0-or-later
"""The scene as the core sees it: pieces and wearers in millimetres, and nothing of Blender left in them.

The one place that knows how long a Blender unit is, and which objects are what.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import bpy
import numpy as np
from bpy.types import Depsgraph, Object, Scene
from mathutils import Matrix

from ..core.arrays import FloatArray, IntArray
from ..core.errors import InputError
from ..core.formats import DOOR_MM, THIMBLE_MM
from ..core.mesh import TriangleMesh
from ..core.piece import Hinge, Part, Piece
from ..core.progress import Progress, silent
from ..errands import Body, Draft
from . import cards
from .forms import REGION, facts_of
from .language import tr

if TYPE_CHECKING:
    from ..core.checks.job import Job

WITH_SURFACE = {"MESH", "CURVE", "SURFACE", "META", "FONT"}


# --- units ------------------------------------------------------------------------------------------------------------


def mm_per_unit(scene: Scene) -> float:
    """Return how many millimetres one Blender unit is.

    The scene's own unit settings say it, unless the user has chosen: with a unit system, the unit scale is metres per
    Blender unit; without one a unit is a millimetre, as in files for a printer.
    """
    choice = scene.arming_cap.unit
    if choice == "MM":
        return 1.0
    if choice == "M":
        return 1000.0
    units = scene.unit_settings
    # Blender keeps the scale in single precision: 0.001 arrives as 0.00100000005.
    return 1.0 if units.system == "NONE" else float(f"{1000.0 * units.scale_length:.6g}")


def unit_in_words(scene: Scene) -> str:
    """Return what one unit is, for the panel: ``1 unit is 1 mm``."""
    length = mm_per_unit(scene)
    names = {1.0: "1 mm", 10.0: "1 cm", 1000.0: "1 m", 25.4: "1 inch", 304.8: "1 foot"}
    return tr("1 unit is {length}", length=names.get(length, f"{length:g} mm"))


def size_doubt(scene: Scene, name: str, objects: Iterable[Object], mm: float | None = None) -> str:
    """Return a sentence where objects together are smaller than a thimble or larger than a door, else nothing.

    There is at least one object. Cheap enough to draw: it looks at bounding boxes only. `mm` is how long a unit would
    be; by default what it is.
    """
    largest = _size(objects) * (mm or mm_per_unit(scene))
    if THIMBLE_MM <= largest <= DOOR_MM:
        return ""
    said = {"name": name, "size": length_in_words(largest), "unit": unit_in_words(scene)}
    if largest < THIMBLE_MM:
        return tr("'{name}' is {size} long, smaller than a thimble: check Unit, {unit}", **said)
    return tr("'{name}' is {size} long, larger than a door: check Unit, {unit}", **said)


def _size(objects: Iterable[Object]) -> float:
    boxes = []
    for ob in objects:
        matrix = np.array(ob.matrix_world)
        boxes.append(np.array(ob.bound_box) @ matrix[:3, :3].T + matrix[:3, 3])
    return float(np.ptp(np.concatenate(boxes), axis=0).max())


def unit_that_helps(scene: Scene) -> str:
    """Return the choice of Unit under which nothing has a doubtful size, where another than the present one does."""
    now = mm_per_unit(scene)
    return next((key for key, mm in (("MM", 1.0), ("M", 1000.0)) if mm != now and not size_doubts(scene, mm)), "")


FACTORS = {0.001: "1/1000", 1000.0: "1000", 25.4: "25.4", 1 / 25.4: "1/25.4", 0.1: "1/10", 10.0: "10"}
"""What a file in another unit must be multiplied by: millimetres, metres, inches, centimetres."""


def rescale_that_helps(scene: Scene) -> tuple[str, tuple[str, ...], float] | None:
    """Return a thing of doubtful size, its objects, and the factor between two usual units that settles it."""
    mm = mm_per_unit(scene)
    for name, objects in _things(scene).items():
        size = _size(objects) * mm
        if not THIMBLE_MM <= size <= DOOR_MM:
            for factor in FACTORS:
                # A head, a limb or a torso, and what is worn on it: where several factors would do, the likeliest.
                if 60.0 <= size * factor <= DOOR_MM:
                    return name, tuple(ob.name for ob in objects), factor
    return None


def file_scale(objects: Iterable[Object], mm: float) -> float | None:
    """Return by how much objects are larger than the files that they stand for; None where they differ, or are bent.

    A file for a printer is in millimetres: where the scene counts in another unit and the object was made smaller by
    just that on the way in, that is no scaling.
    """
    found = []
    for ob in objects:
        sides = np.linalg.norm(np.array(ob.matrix_world)[:3, :3], axis=0)
        if not sides.min() > 0 or np.ptp(sides) > 1e-4 * sides.max():
            return None
        found.append(float(sides.mean()))
    if not found or np.ptp(found) > 1e-4 * max(found):
        return None
    scale = min((found[0], found[0] * mm), key=lambda one: abs(np.log(one)))
    return float(f"{scale:.6g}")


def length_in_words(mm: float) -> str:
    """Return a length in the unit that keeps its digits few."""
    return f"{mm / 1000:.3g} m" if mm >= 1000 else f"{mm:.3g} mm"


# --- roles ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cast:
    """Who wears what, by name: names outlive an undo, references to objects do not.

    Attributes
    ----------
    piece, parts
        The piece and its objects.
    form
        The object of the form it is checked on; empty where there is no or no single one.
    """

    piece: str
    parts: tuple[str, ...]
    form: str


def piece_name(scene: Scene, ob: Object) -> str:
    """Return the piece that a part belongs to: its own answer, or the name of the first part that gives none."""
    own = ob.arming_cap.piece.strip()
    return own or next((part.name for part in parts(scene) if not part.arming_cap.piece.strip()), ob.name)


def forms(scene: Scene) -> list[Object]:
    """Return the objects that stand for a wearer, by name."""
    return _with_role(scene, {"FORM"})


def parts(scene: Scene) -> list[Object]:
    """Return the objects that are part of a piece, by name."""
    return _with_role(scene, {"PART", "REMOVABLE"})


def _with_role(scene: Scene, roles: set[str]) -> list[Object]:
    found = [ob for ob in scene.objects if ob.arming_cap.role in roles]
    return sorted(found, key=lambda ob: ob.name)


def cast_of(scene: Scene) -> list[Cast]:
    """Return every piece of the scene with the form it is worn on, by the pieces' names."""
    wearers = [ob.name for ob in forms(scene)]
    pieces: dict[str, list[Object]] = {}
    for ob in parts(scene):
        pieces.setdefault(piece_name(scene, ob), []).append(ob)
    found = []
    for name, members in sorted(pieces.items()):
        chosen = {ob.arming_cap.worn_by.name for ob in members if ob.arming_cap.worn_by} or set(wearers[:2])
        form = chosen.pop() if len(chosen) == 1 else ""
        found.append(Cast(name, tuple(ob.name for ob in members), form if form in wearers else ""))
    return found


def missing(scene: Scene) -> InputError | None:
    """Return what keeps the checks from being run at all, or None. Cheap: it looks at roles only."""
    if not forms(scene):
        return InputError(
            "no object is a wearer",
            source=scene.name,
            remedy="select the wearer's body and give it the role Wearer",
        )
    if not parts(scene):
        return InputError(
            "no object is part of a piece",
            source=scene.name,
            remedy="select what is worn and give it the role Part",
        )
    for cast in cast_of(scene):
        if not cast.form:
            return InputError(
                "it is not said which wearer it is for",
                source=cast.piece,
                remedy="select its parts and choose one wearer as Worn By",
            )
    return None


# --- meshes -----------------------------------------------------------------------------------------------------------


def mesh_of(ob: Object, depsgraph: Depsgraph, mm: float) -> TriangleMesh:
    """Return an object as the viewport shows it: modifiers applied, in world position, in millimetres, welded.

    Raises
    ------
    InputError
        If the object is switched off, has no faces, or a coordinate is no number.
    """
    return _read(ob, depsgraph, mm)[0]


def _read(ob: Object, depsgraph: Depsgraph, mm: float) -> tuple[TriangleMesh, IntArray]:
    """Return an object's mesh, and for each triangle the row of its form's region names; 0 where nothing is said."""
    vertices, triangles, regions = _arrays(ob, depsgraph, mm)
    used = vertices[triangles.ravel()]
    if bad := int((~np.isfinite(used)).any(axis=1).sum()):
        raise InputError(tr("{bad} corners are not finite numbers", bad=bad), source=ob.name, remedy="repair the mesh")
    # Beyond a kilometre single precision leaves too few digits for a tenth of a millimetre.
    if np.abs(used).max() > 1e6:
        raise InputError("it lies beyond one kilometre", source=ob.name, remedy="check Unit and its distance")
    mesh = TriangleMesh(vertices, triangles, ob.name)
    if not (mesh.areas > 0).any():
        raise InputError("every face has zero area", source=ob.name, remedy="check its scale and its mesh")
    return mesh.welded(), regions  # welding keeps the triangles and their order


def _arrays(ob: Object, depsgraph: Depsgraph, mm: float) -> tuple[FloatArray, IntArray, IntArray]:
    """Return vertices (n, 3) in mm, triangles (m, 3) and their regions (m,) of an evaluated object."""
    if ob.type not in WITH_SURFACE:
        raise InputError("this kind of object has no surface", source=ob.name, remedy="set its role to None")
    evaluated = ob.evaluated_get(depsgraph)
    if not evaluated.is_evaluated:
        # It would be read without its modifiers, at an old place.
        raise InputError(
            "it has a role, but is switched off in the viewport or the view layer",
            source=ob.name,
            remedy="switch it on, or set its role to None",
        )
    mesh = evaluated.to_mesh()
    try:
        mesh.calc_loop_triangles()
        vertices = np.empty(3 * len(mesh.vertices), np.float32)
        triangles = np.empty(3 * len(mesh.loop_triangles), np.int32)
        mesh.vertices.foreach_get("co", vertices)
        mesh.loop_triangles.foreach_get("vertices", triangles)
        regions = np.zeros(len(mesh.loop_triangles), np.int32)
        said = mesh.attributes.get(REGION)
        if said is not None and said.domain == "FACE" and said.data_type == "INT":
            of_face, faces = np.empty(len(mesh.polygons), np.int32), np.empty(len(regions), np.int32)
            said.data.foreach_get("value", of_face)
            mesh.loop_triangles.foreach_get("polygon_index", faces)
            regions = of_face[faces]
    finally:
        evaluated.to_mesh_clear()
    if not len(triangles):
        raise InputError("it has no faces", source=ob.name, remedy="use a mesh with faces, or set its role to None")
    matrix = np.array(evaluated.matrix_world, float)
    corners = triangles.reshape(-1, 3).astype(np.int64)
    if np.linalg.det(matrix[:3, :3]) < 0:  # a mirrored object is wound the other way round
        corners = corners[:, ::-1]
    placed = (vertices.reshape(-1, 3).astype(float) @ matrix[:3, :3].T + matrix[:3, 3]) * mm
    return placed, corners, regions.astype(np.int64)


def fingerprint(scene: Scene, ob: Object, depsgraph: Depsgraph, mm: float) -> str:
    """Return a text that changes when the object's shape, place, role or allowances do, or its wearer's card.

    A checksum, not a proof: it only decides whether verdicts are shown as resting on an older state.
    """
    own = ob.arming_cap
    said = f"{own.role} {own.piece} {own.worn_by.name if own.worn_by else ''}"
    if own.role == "FORM":
        said += f" {sorted(allowances_of(ob).items())} {zlib.crc32(own.form_facts.encode()):08x}"
        card = card_of(scene, ob)
        said += "" if card is None else f" {card.name} {zlib.crc32(card.read_bytes()) if card.is_file() else 0:08x}"
    try:
        vertices, triangles, _ = _arrays(ob, depsgraph, mm)
    except InputError as error:
        return f"{said}: {error.what}"
    shape = zlib.crc32(triangles.tobytes(), zlib.crc32(np.round(vertices, 4).tobytes()))
    return f"{said} {shape:08x}"


def allowances_of(form: Object) -> dict[str, float]:
    """Return the room each region of a form must keep, in mm; ``default`` for the rest."""
    own = form.arming_cap
    # Single precision on the scene: 0.1 must not become 0.10000000149 in a report.
    given = {row.region: round(row.room_mm, 3) for row in own.allowances}
    return {"default": round(own.allowance_mm, 3), **given}


def card_of(scene: Scene, form: Object) -> Path | None:
    """Return a wearer's card: the form's own, or the open one where it is called like the form."""
    if form.arming_cap.card:
        return Path(bpy.path.abspath(form.arming_cap.card))
    own = scene.arming_cap.card
    return cards.path_of(own) if own.title.strip() == form.name else None


def body_of(scene: Scene, form: Object, depsgraph: Depsgraph, mm: float) -> Body:
    """Copy out a form; raises `InputError` where its object has no usable surface."""
    matrix = np.array(form.evaluated_get(depsgraph).matrix_world, float)
    matrix[:3, 3] *= mm
    return Body(*_read(form, depsgraph, mm), facts_of(form, mm), allowances_of(form), card_of(scene, form), matrix)


def hinge_of(ob: Object, depsgraph: Depsgraph, mm: float) -> Hinge | None:
    """Return what a removable part swings about, in millimetres: the Z axis of its empty; None where it comes off.

    Raises
    ------
    InputError
        If the empty is switched off, or its axis has no length.
    """
    own = ob.arming_cap
    if own.role != "REMOVABLE" or own.hinge is None:
        return None
    evaluated = own.hinge.evaluated_get(depsgraph)
    if not evaluated.is_evaluated:
        raise InputError(
            "it is a part's hinge, but is switched off in the viewport or the view layer",
            source=own.hinge.name,
            remedy="switch it on, or give the part no hinge",
        )
    matrix = np.array(evaluated.matrix_world, float)
    if not np.linalg.norm(matrix[:3, 2]) > 1e-9:
        raise InputError("the hinge's empty is scaled to nothing", source=own.hinge.name, remedy="clear its scale")
    return Hinge(mm * matrix[:3, 3], matrix[:3, 2] / np.linalg.norm(matrix[:3, 2]), float(np.degrees(own.opens)))


def draft_of(scene: Scene) -> Draft:
    """Copy out of a scene what is to be checked.

    Raises
    ------
    InputError
        If a role is missing, or an object with a role has no usable surface.
    """
    if trouble := missing(scene):
        raise trouble
    mm = mm_per_unit(scene)
    depsgraph = depsgraph_of(scene)
    casts = cast_of(scene)
    bodies = {}
    for name in sorted({cast.form for cast in casts}):
        form = scene.objects[name]
        bodies[name] = body_of(scene, form, depsgraph, mm)
    worn = []
    for cast in casts:
        members = [scene.objects[name] for name in cast.parts]
        made = (
            Part(ob.name, mesh_of(ob, depsgraph, mm), ob.arming_cap.role == "REMOVABLE", hinge_of(ob, depsgraph, mm))
            for ob in members
        )
        worn.append((Piece(cast.piece, tuple(made)), cast.form))
    own = scene.arming_cap
    # A piece cannot be pressed outwards: what the field's range would allow is clamped here.
    gives = max(round(own.padding_gives_mm, 3), 0.0)
    loosest = max(round(own.loosest_mm, 3), 0.0)
    wall = max(round(own.wall_mm, 3), 0.05) if own.with_walls else None
    springs = max(round(own.springs_mm, 3), 0.0)
    return Draft(scene.name, tuple(worn), bodies, own.seat, gives, loosest, wall, tuple(size_doubts(scene)), springs)


def job_of_scene(scene: Scene, progress: Progress = silent) -> Job:
    """Return a scene as a job: what the button and `check SCENE.blend` both run."""
    return draft_of(scene).job(progress)


def _things(scene: Scene) -> dict[str, list[Object]]:
    """Return what has a size to be looked at: each form and each piece with its objects."""
    things = {ob.name: [ob] for ob in forms(scene)}
    for cast in cast_of(scene):
        name = cast.piece if cast.piece not in things else f"{cast.piece} (piece)"
        things[name] = [scene.objects[part] for part in cast.parts]
    return things


def size_doubts(scene: Scene, mm: float | None = None) -> list[str]:
    """Return a sentence for each form and piece that is smaller than a thimble or larger than a door."""
    return [doubt for name, obs in _things(scene).items() if (doubt := size_doubt(scene, name, obs, mm))]


def transform(scene: Scene, names: Iterable[str], matrix: Matrix) -> None:
    """Move, turn or scale objects together by a matrix of the world, whoever is whose parent among them."""
    transform_each(scene, dict.fromkeys(names, matrix))


def transform_each(scene: Scene, by_name: Mapping[str, Matrix]) -> None:
    """Move, turn or scale objects, each by a matrix of the world, whoever is whose parent among them."""
    targets = {name: matrix @ scene.objects[name].matrix_world for name, matrix in by_name.items()}

    def depth(name: str) -> int:
        above, count = scene.objects[name].parent, 0
        while above is not None:
            above, count = above.parent, count + 1
        return count

    for name in sorted(targets, key=depth):
        scene.objects[name].matrix_world = targets[name]
        bpy.context.view_layer.update()  # a child's place is counted from its parent's


def depsgraph_of(scene: Scene) -> Depsgraph:
    """Return the scene's evaluated state, up to date, with edits in progress in it."""
    for ob in scene.objects:
        if ob.mode == "EDIT" and ob.type == "MESH":
            ob.update_from_editmode()
    view_layer = bpy.context.view_layer if bpy.context.scene == scene else scene.view_layers[0]
    view_layer.update()
    return view_layer.depsgraph
