# SPDX-License-Identifier: GPL-3.0-or-later
"""The template: one head with neck and shoulders, its landmarks and its regions.

It is the mean of three CC0 bodies (`TEMPLATE_LICENCE.md`, made by `scripts/make_template.py`): closed, mirror-symmetric
to the last bit, Z up, facing -Y, the origin midway between the hollows of the ears.

Landmarks, as ISO 7250-1 and anthropometry name them: ``vertex`` top of the head; ``glabella`` foremost midline point
between the brows; ``sellion`` deepest point of the nasal root; ``pronasale`` nose tip; ``subnasale`` where nose meets
lip; ``pogonion`` front of the chin; ``menton`` underside of the chin; ``cervical_point`` corner between jaw and
throat; ``opisthocranion`` midline point farthest from the glabella; ``larynx`` front of the neck at the Adam's apple;
``suprasternale`` hollow above the breastbone; ``cervicale`` tip of the lowest neck bone; and, left and right,
``tragion`` notch above the tragus, ``pupil`` front of the eyeball, ``exocanthion`` outer corner of the eye, ``gonion``
corner of the jaw, ``zygion`` widest point of the cheekbone arch, ``euryon`` widest point of the skull,
``ear_lateral`` outermost, ``superaurale`` highest, ``subaurale`` lowest, ``postaurale`` rearmost point of the ear,
``preaurale`` front of its root, ``side_neck_point`` where the neck's side meets the shoulder.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path

import igl
import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray
from ..mesh import TriangleMesh
from .form import Form

# A corner this near a plane of the cut lies in it: reduction moved the rim by a little.
FLAT_MM = 0.6
DATA = Path(__file__).parent / "template_head.npz"


@dataclass(frozen=True, eq=False)
class Template:
    """The template head.

    Attributes
    ----------
    mesh
        The surface.
    mirror
        (n,) row of each vertex's mirror image.
    landmark_rows
        The vertex of each landmark.
    region_names, region_of_triangle
        As in `Form`.
    """

    mesh: TriangleMesh
    mirror: IntArray
    landmark_rows: dict[str, int]
    region_names: tuple[str, ...]
    region_of_triangle: IntArray

    @cached_property
    def tree(self) -> igl.AABB:
        """The surface's bounding-box tree, for nearest-point queries."""
        tree = igl.AABB()
        tree.init(self.mesh.vertices, self.mesh.triangles)
        return tree

    @cached_property
    def on_cut(self) -> BoolArray:
        """Which triangles lie in the planes that the bust was cut off at, both sides and below; see `Form`."""
        low, high = self.mesh.bounds
        at_side = np.abs(np.abs(self.mesh.corners[:, :, 0]) - high[0]) < FLAT_MM
        below = np.abs(self.mesh.corners[:, :, 2] - low[2]) < FLAT_MM
        return at_side.all(axis=1) | below.all(axis=1)

    def landmarks_on(self, vertices: FloatArray) -> dict[str, FloatArray]:
        """Return the landmarks of the template bent to `vertices`, which has the shape of its own."""
        return {name: vertices[row].copy() for name, row in self.landmark_rows.items()}

    def form_on(self, vertices: FloatArray, source: str, name: str = "head") -> Form:
        """Return the template bent to `vertices` as a form."""
        return Form(
            TriangleMesh(vertices, self.mesh.triangles, name),
            self.region_names,
            self.region_of_triangle,
            self.landmarks_on(vertices),
            source=source,
            on_cut=self.on_cut,
        )

    def in_regions(self, *names: str) -> BoolArray:
        """Return which triangles lie in regions of these names, with or without side."""
        wanted = [i for i, n in enumerate(self.region_names) if n.removesuffix("_left").removesuffix("_right") in names]
        return np.isin(self.region_of_triangle, wanted)


@lru_cache(maxsize=1)
def template_head() -> Template:
    """Return the template head, loaded once."""
    with np.load(DATA, allow_pickle=False) as data:
        return Template(
            TriangleMesh(data["vertices"].astype(np.float64), data["triangles"].astype(np.int64), "template"),
            data["mirror"].astype(np.int64),
            {str(n): int(r) for n, r in zip(data["landmark_names"], data["landmark_rows"])},
            tuple(str(n) for n in data["region_names"]),
            data["regions"].astype(np.int64),
        )
