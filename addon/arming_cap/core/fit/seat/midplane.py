# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearer's own mirror plane: a piece that is square sits with its own in this one."""

from __future__ import annotations

import numpy as np

from ...arrays import FloatArray
from ...distance.field import Field
from ...wearer.form import Form

# The head is taken down to so far below its top; below that, a turned neck or a shrug would count.
HEAD_MM = 160.0
SAMPLES = 900
# A form that is lopsided by less than this is taken as square: that much is what a scan's noise makes.
SQUARE_DEG = 0.3


def wearer_axes(field: Field) -> tuple[FloatArray, FloatArray]:
    """Return the wearer's left, back and up as columns (3, 3), and a point (3,) of the mirror plane, mm.

    The plane is fitted to the head by least squares on mirrored points, the worst fifth left out; a form without a head
    keeps the axes of the file and the middle of its bounds.
    """
    form = field.form
    if not is_head(form):
        return np.eye(3), form.mesh.bounds.mean(axis=0)
    vertices = form.mesh.vertices
    top = vertices[:, 2].max()
    head = vertices[vertices[:, 2] > top - HEAD_MM]
    middle = np.array([0.5 * (head[:, 0].min() + head[:, 0].max()), head[:, 1].mean(), top - 0.5 * HEAD_MM])
    points = head[:: max(1, len(head) // SAMPLES)]
    normal, offset = np.array([1.0, 0.0, 0.0]), float(middle[0])
    for _ in range(8):
        mirrored = points - 2 * np.outer(points @ normal - offset, normal)
        distance, _, foot = field.surface.nearest(mirrored)
        near = np.flatnonzero((distance <= np.quantile(distance, 0.8)) & (distance > 1e-6))
        if len(near) < 50:
            break
        way = (mirrored[near] - foot[near]) / distance[near, None]
        p = points[near] - middle
        signed = (p @ normal + middle @ normal - offset)[:, None]
        columns = [(way * (-2 * (p[:, [k]] * normal + signed * np.eye(3)[k]))).sum(axis=1) for k in (1, 2)]
        columns.append(2 * way @ normal)
        step = np.linalg.lstsq(np.column_stack(columns), -distance[near], rcond=None)[0]
        held = middle @ normal - offset
        normal = normal + np.array([0.0, step[0], step[1]])
        normal /= np.linalg.norm(normal)
        offset = float(middle @ normal - held + step[2])
        if np.abs(step).max() < 1e-5:
            break
    point = middle + (offset - middle @ normal) * normal
    if np.degrees(np.arccos(min(1.0, normal[0]))) < SQUARE_DEG:
        return np.eye(3), point
    back = np.cross([0.0, 0.0, 1.0], normal)
    back /= np.linalg.norm(back)
    return np.column_stack([normal, back, np.cross(normal, back)]), point


def is_head(form: Form) -> bool:
    """Return whether a form has a head's regions."""
    return "crown" in form.region_names
