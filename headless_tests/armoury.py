# SPDX-License-Identifier: GPL-3.0-or-later
"""Generated helmets that were drawn for nobody: their inside is known in closed form.

A helmet is a shell about an inside that is an ellipsoid above the band and drops straight, or narrows, below it. The
band, where the inside is widest, lies at z = 0; the wearer's front is -Y.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.piece import Part, Piece


@dataclass(frozen=True)
class Helmet:
    """Parameters of one helmet, in mm.

    Attributes
    ----------
    breadth, length
        Of the inside at the band.
    crown
        Height of the inside above the band.
    flat
        1 for an ellipsoid above the band, larger for a flatter top (exponent of a superellipse over 2).
    skirt
        How far the wall reaches below the band; `cheeks` adds to it at the sides, `nape` behind.
    narrow
        How much narrower the inside is at the lower edge than at the band, as a share.
    face
        Half the angle of the opening at the front, degrees; 0 for none. It begins `brow` below the band.
    slit
        Height of an eye slit of 130 mm, its middle 25 mm below the band; 0 for none.
    brim
        Breadth of a brim at the lower edge.
    nasal
        Whether a bar of 24 mm runs down the middle of the face opening, 8 mm in front of the wall's line.
    crest
        Height of a comb along the middle.
    wall
        Thickness.
    lean
        How far behind the band's middle the top lies.
    slant
        By how many degrees the lower edge rises towards the front.
    """

    breadth: float = 180.0
    length: float = 220.0
    crown: float = 110.0
    flat: float = 1.0
    skirt: float = 30.0
    cheeks: float = 0.0
    nape: float = 0.0
    narrow: float = 0.0
    face: float = 0.0
    brow: float = 5.0
    slit: float = 0.0
    brim: float = 0.0
    nasal: bool = False
    crest: float = 0.0
    wall: float = 3.0
    lean: float = 0.0
    slant: float = 0.0

    @property
    def alike(self) -> bool:
        """Whether it is the same before and behind, so that nothing tells its front."""
        return not (self.nape or self.face or self.slit or self.nasal or self.lean or self.slant)


def inside(helmet: Helmet, turn: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Return points of the inside: `turn` about Z from +X (radians), `share` 0 at the top to 1 at the lower edge."""
    down = helmet.skirt + helmet.cheeks * np.cos(turn) ** 4 + helmet.nape * np.clip(np.sin(turn), 0, 1) ** 2
    down = np.maximum(down + 0.5 * helmet.length * np.sin(turn) * np.tan(np.radians(helmet.slant)), 4.0)
    part = helmet.crown / (helmet.crown + helmet.skirt)
    rise = np.clip(share / part, 0, 1) * np.pi / 2  # 0 at the top
    below = np.clip((share - part) / (1 - part), 0, 1) if part < 1 else np.zeros_like(share)
    radius = np.sin(rise) ** (1 / helmet.flat)
    height = helmet.crown * np.cos(rise) ** (1 / helmet.flat) - below * down
    radius = np.where(below > 0, 1 - helmet.narrow * below**2, radius)
    x = 0.5 * helmet.breadth * radius * np.cos(turn)
    y = 0.5 * helmet.length * radius * np.sin(turn) + helmet.lean * np.clip(height / helmet.crown, 0, 1)
    return np.stack([x, y, height + 0 * x], axis=-1)


def mesh_of(helmet: Helmet, around: int = 144, rings: int = 72) -> TriangleMesh:
    """Return the helmet as one mesh; edges of openings are left open, as many downloads are."""
    turn = np.arange(around) * 2 * np.pi / around
    share = np.linspace(0.0, 1.0, rings)
    inner = inside(helmet, turn[None, :], share[:, None])
    grow = 1 + helmet.wall / np.array([0.5 * helmet.breadth, 0.5 * helmet.length, helmet.crown])
    outer = inner * grow
    outer[..., 2] = np.where(inner[..., 2] > 0, outer[..., 2], inner[..., 2])
    i, j = np.meshgrid(np.arange(rings - 1), np.arange(around), indexing="ij")
    a, b = (i * around + j).ravel(), (i * around + (j + 1) % around).ravel()
    quads = np.stack([a, a + around, b + around, b], axis=1)
    middle = inner.reshape(-1, 3)[quads].mean(axis=1)
    off = np.degrees(np.abs(np.arctan2(middle[:, 0], -middle[:, 1])))
    open_ = (off < helmet.face) & (middle[:, 2] < -helmet.brow)
    if helmet.nasal:
        open_ &= np.abs(middle[:, 0]) > 12
    if helmet.slit:
        open_ |= (np.abs(middle[:, 0]) < 65) & (middle[:, 1] < 0) & (np.abs(middle[:, 2] + 25) < helmet.slit / 2)
    kept = quads[~open_]
    faces = np.concatenate([kept[:, [0, 1, 2]], kept[:, [0, 2, 3]]])
    count = around * rings
    rim = np.arange(around)
    low, after = (rings - 1) * around + rim, (rings - 1) * around + (rim + 1) % around
    lip = np.concatenate([np.stack([low, low + count, after + count], 1), np.stack([low, after + count, after], 1)])
    points = [inner.reshape(-1, 3), outer.reshape(-1, 3)]
    triangles = [faces[:, ::-1], faces + count, lip]
    if helmet.brim:
        edge = inner[-1]
        out = edge * np.array([1, 1, 0]) / np.linalg.norm(edge[:, :2], axis=1, keepdims=True)
        brim = np.concatenate([edge, edge + helmet.brim * out - [0, 0, 0.1 * helmet.brim]])
        for lift in (0.0, helmet.wall):
            base = sum(len(p) for p in points)
            points.append(brim + [0, 0, lift])
            r, s = base + rim, base + (rim + 1) % around
            triangles.append(
                np.concatenate([np.stack([r, s, s + around], 1), np.stack([r, s + around, r + around], 1)])
            )
    if helmet.crest:
        angle = np.linspace(0.15 * np.pi, 0.85 * np.pi, 40)
        root = np.stack([0 * angle, 0.5 * helmet.length * np.cos(angle), helmet.crown * np.sin(angle)], 1) * grow
        tip = root * (1 + helmet.crest / helmet.crown)
        base = sum(len(p) for p in points)
        points += [root, tip]
        k = base + np.arange(39)
        triangles.append(np.concatenate([np.stack([k, k + 1, k + 41], 1), np.stack([k, k + 41, k + 40], 1)]))
    mesh = TriangleMesh(np.concatenate(points), np.concatenate(triangles), "helmet")
    return mesh.submesh(mesh.areas > 1e-6)


def piece_of(helmet: Helmet, around: int = 144, rings: int = 72) -> Piece:
    """Return the helmet as a piece of one part."""
    return Piece("helmet", (Part("helmet", mesh_of(helmet, around, rings)),))


BRIMMED = Helmet(176, 212, 105, skirt=12, brim=45, crest=25)
GREAT_HELM = Helmet(190, 230, 115, flat=4, skirt=150, slit=12)
FAMILIES = {
    "open": Helmet(184, 224, 110, skirt=25),
    "brimmed": BRIMMED,
    "closed": Helmet(190, 235, 112, skirt=120, narrow=0.12, slit=16),
    "nasal": Helmet(186, 226, 110, skirt=55, face=50, nasal=True),
    "cheeks": Helmet(188, 228, 108, skirt=40, cheeks=70, nape=30, face=42),
    "flat": GREAT_HELM,
    "tall": Helmet(186, 226, 170, skirt=40, cheeks=30, face=40),
}


def drawn(seed: int, family: str) -> Helmet:
    """Return a helmet of a family with every size drawn at random."""
    rng = np.random.default_rng([seed, list(FAMILIES).index(family)])
    base = FAMILIES[family]
    grow = rng.uniform(0.94, 1.12)
    return replace(
        base,
        breadth=base.breadth * grow * rng.uniform(0.97, 1.03),
        length=base.length * grow * rng.uniform(0.97, 1.03),
        crown=base.crown * grow * rng.uniform(0.95, 1.08),
        skirt=base.skirt * rng.uniform(0.8, 1.2),
        cheeks=base.cheeks * rng.uniform(0.7, 1.2),
        crest=base.crest * rng.uniform(0.0, 1.5),
        brim=base.brim * rng.uniform(0.6, 1.4),
    )


def uneven(seed: int, family: str) -> Helmet:
    """Return a helmet of a family as downloads are: its top lies farther back, its edge rises to the front."""
    rng = np.random.default_rng([seed, list(FAMILIES).index(family), 1])
    return replace(drawn(seed, family), lean=rng.uniform(-4, 14), slant=rng.uniform(-3, 8))
