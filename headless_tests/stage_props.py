# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes of `shapes` as objects of a scene, and the small production the tests here use."""

from __future__ import annotations

import bpy
import shapes


def put(mesh, role="NONE", name=None, unit_mm=1.0):
    """Add a mesh in millimetres to the scene, in a scene whose unit is `unit_mm` long."""
    data = bpy.data.meshes.new(name or mesh.name)
    data.from_pydata((mesh.vertices / unit_mm).tolist(), [], mesh.triangles.tolist())
    ob = bpy.data.objects.new(name or mesh.name, data)
    bpy.context.scene.collection.objects.link(ob)
    ob.arming_cap.role = role
    bpy.context.view_layer.update()
    return ob


def ball_in_band(unit_mm=1.0, inner=100.0):
    """A ball of radius 90 mm in a band of `inner` inside, 60 mm high, both about the origin."""
    form = put(shapes.sphere(90.0, 48), "FORM", "Ball", unit_mm)
    tube = shapes.tube(inner, inner + 3.0, 60.0, 128)
    part = put(type(tube)(tube.vertices - [0, 0, 30.0], tube.triangles), "PART", "Band", unit_mm)
    return form, part


def ball_in_flare():
    """The same ball in a band that widens downwards: the room grows from the first step off, which is soon proved."""
    form, part = ball_in_band()
    for vertex in part.data.vertices:
        vertex.co.xy *= 1.06 - vertex.co.z / 240.0
    part.data.update()
    bpy.context.view_layer.update()
    return form, part


def select(*objects):
    """Select these and nothing else; the first is active."""
    for ob in bpy.context.scene.objects:
        ob.select_set(ob in objects)
    bpy.context.view_layer.objects.active = objects[0] if objects else None
