# SPDX-License-Identifier: GPL-3.0-or-later
"""Scenes and pictures of the production, in the bpy module."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Euler

Colour = tuple[float, float, float]
SKIN: Colour = (0.60, 0.53, 0.48)


def fresh(scale_length: float = 0.001) -> Any:
    """An empty scene that counts one unit as one millimetre."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.unit_settings.system = "METRIC"
    scene.unit_settings.length_unit = "MILLIMETERS"
    scene.unit_settings.scale_length = scale_length
    return scene


def put(
    name: str, vertices: Any, triangles: Any, colour: Colour, place: Any = (0.0, 0.0, 0.0), scale: float = 1.0
) -> Any:
    """Add a mesh to the scene."""
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(vertices.tolist(), [], triangles.tolist())
    mesh.polygons.foreach_set("use_smooth", np.ones(len(triangles), bool))
    mesh.set_sharp_from_angle(angle=np.radians(35))
    material = bpy.data.materials.new(name)
    material.diffuse_color = (*colour, 1.0)
    mesh.materials.append(material)
    thing = bpy.data.objects.new(name, mesh)
    thing.color = (*colour, 1.0)
    thing.location = place
    thing.scale = (scale,) * 3
    bpy.context.scene.collection.objects.link(thing)
    return thing


def give_role(thing: Any, role: str, piece: str = "", worn_by: Any = None) -> None:
    """Say what an object is in the checks, in the extension's own properties."""
    thing.arming_cap.role = role
    thing.arming_cap.piece = piece
    thing.arming_cap.worn_by = worn_by


def give_allowances(form: Any, allowance_mm: dict[str, float]) -> None:
    """Say what room a form keeps, everywhere (``default``) and by region."""
    form.arming_cap.allowance_mm = allowance_mm.get("default", 0.0)
    for region, room in allowance_mm.items():
        if region != "default":
            row = form.arming_cap.allowances.add()
            row.region, row.room_mm = region, room


def frame(things: Any) -> None:
    """Let every 3D view look at things from the front left and a little above, and show its sidebar."""
    bpy.context.view_layer.update()
    corners = np.array(
        [np.array(thing.matrix_world) @ (*corner, 1.0) for thing in things for corner in thing.bound_box]
    )
    low, high = corners[:, :3].min(axis=0), corners[:, :3].max(axis=0)
    for screen in bpy.data.screens:
        for area in screen.areas:
            if area.type == "VIEW_3D":
                space = area.spaces.active
                space.show_region_ui = True
                space.clip_start, space.clip_end = 1.0, 10000.0  # millimetres: a scene has 1 km of its own else
                view = space.region_3d
                view.view_perspective = "PERSP"
                view.view_location = ((low + high) / 2).tolist()
                view.view_rotation = Euler(np.radians((78.0, 0.0, 30.0)).tolist()).to_quaternion()
                view.view_distance = 2.2 * float(np.linalg.norm(high - low))


def look(eye: Any, at: Any, width_mm: float) -> None:
    """Put an orthographic camera at `eye`, looking at `at`."""
    scene = bpy.context.scene
    data = bpy.data.cameras.new("camera")
    data.type, data.ortho_scale, data.clip_end = "ORTHO", width_mm, 1e5
    camera = bpy.data.objects.new("camera", data)
    way = np.asarray(at, float) - np.asarray(eye, float)
    way /= np.linalg.norm(way)
    side = np.cross(way, (0, 0, 1))
    side /= np.linalg.norm(side)
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([side, np.cross(side, way), -way])
    matrix[:3, 3] = eye
    camera.matrix_world = matrix.T.tolist()
    scene.collection.objects.link(camera)
    scene.camera = camera


def render(path: Path, size: tuple[int, int]) -> None:
    """Render with Workbench."""
    scene = bpy.context.scene
    scene.render.engine = "BLENDER_WORKBENCH"
    shading = scene.display.shading
    shading.light, shading.color_type = "STUDIO", "OBJECT"
    shading.show_cavity, shading.cavity_type = True, "BOTH"
    shading.cavity_ridge_factor, shading.cavity_valley_factor = 1.0, 1.0
    shading.show_shadows, shading.shadow_intensity = False, 0.35
    scene.display.render_aa = "8"
    scene.view_settings.view_transform = "Standard"
    scene.render.resolution_x, scene.render.resolution_y = size
    scene.render.film_transparent = False
    scene.render.dither_intensity = 0  # noise does not compress
    if scene.world is None:
        scene.world = bpy.data.worlds.new("world")
    scene.world.color = (0.83, 0.83, 0.81)
    scene.render.image_settings.file_format = "PNG"
    scene.render.image_settings.compression = 90
    scene.render.filepath = str(path)
    bpy.ops.render.render(write_still=True)
