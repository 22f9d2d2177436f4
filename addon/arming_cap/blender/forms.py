# SPDX-License-Identifier: GPL-3.0-or-later
"""What a form's object keeps beyond its shape: regions as a face attribute, landmarks and spread as text.

All of it is the object's own, so that it goes where the object goes: through undo, into the saved file, and into
another one by appending. The landmarks are in the object's own coordinates and move with it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import bpy
import numpy as np
from bpy.types import Mesh, Object, Scene

from ..core.arrays import FloatArray
from ..core.mesh import TriangleMesh

if TYPE_CHECKING:
    from ..core.wearer.form import Form

REGION = "form_region"
"""Face attribute: the row of the form's region names."""

GLANCE = "_colour"
"""Ending of the colour attribute that shows a figure's attribute in the viewport."""


def add_form(scene: Scene, form: Form, name: str, allowance_mm: Mapping[str, float], mm: float) -> Object:
    """Put a form into a scene whose unit is `mm` long as the object of a wearer: selected and active."""
    mesh = bpy.data.meshes.new(name)
    _fill(mesh, form.mesh, mm)
    regions = mesh.attributes.new(REGION, "INT", "FACE")
    regions.data.foreach_set("value", np.asarray(form.region_of_triangle, np.int32))
    mesh.update()
    ob = bpy.data.objects.new(name, mesh)
    scene.collection.objects.link(ob)
    own = ob.arming_cap
    own.role = "FORM"
    own.form_facts = json.dumps(
        {
            "regions": list(form.region_names),
            "landmarks": {n: [float(v) for v in p / mm] for n, p in sorted(form.landmarks.items())},
            "spread_mm": dict(form.spread_mm),
            "source": form.source,
        }
    )
    if "default" in allowance_mm:  # else what any wearer keeps, see the property
        own.allowance_mm = allowance_mm["default"]
    for region, room in allowance_mm.items():
        if region != "default":
            row = own.allowances.add()
            row.region, row.room_mm = region, room
    choose(ob)
    return ob


def choose(ob: Object) -> None:
    """Make this the one selected object, and the active one."""
    view_layer = bpy.context.view_layer
    view_layer.update()  # an object linked just now is not in it before
    for other in view_layer.objects.selected:
        other.select_set(False)
    if ob.name in view_layer.objects:
        ob.select_set(True)
        view_layer.objects.active = ob


def add_mesh(scene: Scene, mesh: TriangleMesh, name: str, mm: float) -> Object:
    """Put a mesh in millimetres into a scene as an object without a role, and return it."""
    ob = mesh_object(name, mesh, mm)
    scene.collection.objects.link(ob)
    return ob


def add_in_place_of(scene: Scene, name: str, mesh: TriangleMesh, new: str, mm: float) -> None:
    """Put a mesh in millimetres into a scene as the part that an object was, which is hidden and loses its role."""
    ob, old = add_mesh(scene, mesh, new, mm), scene.objects.get(name)
    if old is None:
        return
    for key in ("role", "worn_by", "hinge", "opens"):
        setattr(ob.arming_cap, key, getattr(old.arming_cap, key))
    ob.arming_cap.piece = old.arming_cap.piece or old.name  # a piece without a name has that of its object
    old.arming_cap.role = "NONE"
    old.hide_set(True)


def mesh_object(name: str, mesh: TriangleMesh, mm: float, smooth: bool = True) -> Object:
    """Return a mesh in millimetres as an object that is in no scene yet."""
    data = bpy.data.meshes.new(name)
    _fill(data, mesh, mm, smooth)
    data.update()
    return bpy.data.objects.new(name, data)


def _fill(mesh: Mesh, source: TriangleMesh, mm: float, smooth: bool = True) -> None:
    count = len(source.triangles)
    mesh.vertices.add(len(source.vertices))
    mesh.vertices.foreach_set("co", (source.vertices / mm).astype(np.float32).ravel())
    mesh.loops.add(3 * count)
    mesh.loops.foreach_set("vertex_index", source.triangles.astype(np.int32).ravel())
    mesh.polygons.add(count)
    mesh.polygons.foreach_set("loop_start", np.arange(0, 3 * count, 3, dtype=np.int32))
    mesh.polygons.foreach_set("use_smooth", np.full(count, smooth))
    mesh.update(calc_edges=True)


def facts_of(ob: Object, mm: float) -> dict[str, Any] | None:
    """Return what an object says of itself as a form, landmarks in world millimetres; None where it says nothing."""
    try:
        facts = json.loads(ob.arming_cap.form_facts) if ob.arming_cap.form_facts else None
        if facts is None:
            return None
        matrix = np.array(ob.matrix_world)
        facts["landmarks"] = {
            name: ((matrix[:3, :3] @ np.array(p) + matrix[:3, 3]) * mm).tolist()
            for name, p in facts["landmarks"].items()
        }
        return {key: facts[key] for key in ("regions", "landmarks", "spread_mm", "source")}
    except (ValueError, KeyError, TypeError, AttributeError):  # written by another version, or by hand
        return None


def paint(ob: Object, name: str, values: FloatArray, colours: FloatArray) -> None:
    """Keep a signed figure of each vertex as a named attribute, and show it as colours.

    Parameters
    ----------
    name
        Of the attribute, such as ``margin_mm``; the colours are called the same with an ending.
    values
        (n,) one for each vertex of the object's mesh; NaN where there is none.
    colours
        (n, 3) linear sRGB.
    """
    mesh = ob.data
    unpaint(ob, name)
    mesh.attributes.new(name, "FLOAT", "POINT").data.foreach_set("value", np.asarray(values, np.float32))
    shades = np.ones((len(values), 4), np.float32)
    shades[:, :3] = colours
    mesh.color_attributes.new(name + GLANCE, "FLOAT_COLOR", "POINT").data.foreach_set("color", shades.ravel())
    mesh.color_attributes.active_color = mesh.color_attributes[name + GLANCE]
    mesh.update()


def unpaint(ob: Object, name: str) -> None:
    """Take a figure and its colours off again; whatever colours the maker had are active again."""
    mesh = ob.data
    for old in (name, name + GLANCE):
        if old in mesh.attributes:
            mesh.attributes.remove(mesh.attributes[old])


_shading: dict[int, dict[str, object]] = {}


def show_colours() -> None:
    """Have the 3D views of the window draw active colour attributes; how they were shaded is remembered."""
    if bpy.context.screen is None:
        return
    for area in bpy.context.screen.areas:
        if area.type == "VIEW_3D":
            shading = area.spaces.active.shading
            _shading.setdefault(area.as_pointer(), {key: getattr(shading, key) for key in ("type", "color_type")})
            shading.type, shading.color_type = "SOLID", "VERTEX"


def forget_shading() -> None:
    """Forget how views were shaded: another file brings its own."""
    _shading.clear()


def hide_colours() -> None:
    """Shade the 3D views as they were before colours were shown."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            kept = _shading.pop(area.as_pointer(), None)
            if kept is not None and area.type == "VIEW_3D":
                shading = area.spaces.active.shading
                shading.color_type, shading.type = kept["color_type"], kept["type"]
