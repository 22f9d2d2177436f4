# SPDX-License-Identifier: GPL-3.0-or-later
"""The templates of arm, leg and torso: three bodies in one attitude, with the same triangles, regions and landmarks.

They come from the three CC0 bodies (`TEMPLATE_LICENCE.md`, made by `scripts/make_limbs.py`), brought to one length, so
that a weighted mean of them is a body again. Frames: Z up, -Y front, +X the wearer's left; the left limb is kept, the
right one is its mirror image.

* ``arm``: hangs straight down, cut off at the armpit, the fingertip at z = 0, palm to the thigh, elbow's crease in
  front. Landmarks: ``acromion`` bony edge of the shoulder (above the cut), ``elbow``, ``wrist`` (stylion), ``hand``
  (knuckles), ``fingertip``.
* ``leg``: stands on z = 0, toes to -Y, cut off below the crotch. Landmarks: ``crotch``, ``knee`` (middle of the
  kneecap), ``tibiale``, ``lateral_malleolus``, ``heel``, ``toe_tip``.
* ``torso``: crotch at z = 0, cut off at the neck, through both hanging upper arms and the thighs. Landmarks:
  ``acromion``, ``side_neck_point``, ``nipple`` (each left and right), ``larynx``, ``suprasternale``, ``cervicale``,
  ``waist`` (navel), ``crotch``; ``vertex`` is the top of the head, which is not part of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from ..arrays import BoolArray, FloatArray, IntArray

DATA = Path(__file__).parent / "template_body.npz"
KINDS = ("arm", "leg", "torso")
# Vertices are kept as whole numbers of this, mm.
UNIT_MM = 0.03


@dataclass(frozen=True, eq=False)
class BodyTemplate:
    """A part of the body in several shapes.

    Attributes
    ----------
    vertices
        (3, n, 3) mm: the bodies a (a man), b (a woman) and c (an older man with a belly).
    triangles, on_cut, region_names, region_of_triangle
        As in `Form`; limbs are named as left ones.
    landmarks
        (3, 3) mm by name: the place on each body.
    poses
        (n, 3) mm by name: what another attitude adds to any of them.
    """

    kind: str
    vertices: FloatArray
    triangles: IntArray
    on_cut: BoolArray
    region_names: tuple[str, ...]
    region_of_triangle: IntArray
    landmarks: Mapping[str, FloatArray]
    poses: Mapping[str, FloatArray]

    def blend(self, shares: Sequence[float]) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Return the vertices (n, 3) and landmarks (3,) of the weighted mean of the bodies; shares sum to 1."""
        weight = np.asarray(shares, float)
        return np.tensordot(weight, self.vertices, axes=1), {n: weight @ p for n, p in self.landmarks.items()}

    def in_regions(self, *names: str) -> BoolArray:
        """Return which triangles lie in regions of these names, with or without side."""
        wanted = [i for i, n in enumerate(self.region_names) if n.removesuffix("_left").removesuffix("_right") in names]
        return np.isin(self.region_of_triangle, wanted)


@lru_cache(maxsize=3)
def body_template(kind: str) -> BodyTemplate:
    """Return the template of one kind, loaded once."""
    with np.load(DATA, allow_pickle=False) as data:
        own = {name.removeprefix(f"{kind}_"): data[name] for name in data.files if name.startswith(f"{kind}_")}
    return BodyTemplate(
        kind,
        own["vertices"] * UNIT_MM,
        own["triangles"].astype(np.int64),
        own["on_cut"],
        tuple(str(n) for n in own["region_names"]),
        own["regions"].astype(np.int64),
        {str(n): own["landmarks"][:, i].astype(float) for i, n in enumerate(own["landmark_names"])},
        {n.removeprefix("pose_"): v * UNIT_MM for n, v in own.items() if n.startswith("pose_")},
    )
