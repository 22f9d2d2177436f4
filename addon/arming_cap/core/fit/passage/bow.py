# SPDX-License-Identifier: GPL-3.0-or-later
"""A head bowed on its neck, seen from the head: the trunk swings, the neck follows, the head stays.

How far each point of the neck follows is a harmonic function: 0 on the head, 1 on the trunk, no bump between (libigl's
`harmonic`). That is a picture of a bend, not an anatomy: the neck keeps no volume and its joints no limits.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...arrays import IntArray
from ...errors import InputError
from ...mesh import TriangleMesh
from ...pose import rotation_about
from ...wearer.form import Form
from ...wearer.regions import BODY, HEAD, LIMB

NECK = ("throat", "nape", "neck_left", "neck_right")
TRUNK = (*BODY, *LIMB, "shoulder_left", "shoulder_right")


def bowed(form: Form, degrees: float) -> Form:
    """Return a form whose head bows forwards by so much (backwards where negative), in the head's own frame.

    Raises
    ------
    InputError
        If the form has no head, neck and trunk that were recognised.
    """
    import igl

    assert form.region_of_triangle is not None
    parts = [_vertices(form, names) for names in (_skull(), NECK, TRUNK)]
    if any(not len(p) for p in parts):
        raise InputError(
            "a neck that bends needs a form with head, neck and shoulders",
            source=form.mesh.name,
            remedy="leave the bend out, or give a scan down to the shoulders",
        )
    head, neck, trunk = parts
    trunk = np.setdiff1d(trunk, head)
    vertices = np.array(form.mesh.vertices)
    fixed = np.concatenate([head, trunk]).astype(np.int64)
    value = np.concatenate([np.zeros(len(head)), np.ones(len(trunk))])[:, None]
    follows = np.clip(igl.harmonic(vertices, np.array(form.mesh.triangles), fixed, value, 1).ravel(), 0.0, 1.0)
    pivot = vertices[neck].mean(axis=0)
    moved = np.array(vertices)
    # As many turns as there are shares would be exact; a turn of a share is one about the same axis.
    for share in np.unique(np.round(follows, 3)):
        rows = np.flatnonzero(np.round(follows, 3) == share)
        turn = rotation_about(np.array([1.0, 0.0, 0.0]), -degrees * float(share))
        moved[rows] = (vertices[rows] - pivot) @ turn.T + pivot
    return replace(form, mesh=TriangleMesh(moved, form.mesh.triangles, form.mesh.name))


def _skull() -> tuple[str, ...]:
    return tuple(name for name in HEAD if name not in NECK and name not in TRUNK)


def _vertices(form: Form, names: tuple[str, ...]) -> IntArray:
    assert form.region_of_triangle is not None
    wanted = np.array([name in names for name in form.region_names])
    rows: IntArray = np.unique(form.mesh.triangles[wanted[form.region_of_triangle]].ravel())
    return rows
