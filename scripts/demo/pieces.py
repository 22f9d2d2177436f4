# SPDX-License-Identifier: GPL-3.0-or-later
"""The five pieces of the demo production, each from its formulas.

Coordinates are those of the scans (`wearers`): mm, Z up, facing -Y, the eyes at z = 0. Worn sizes are written here;
the heron helm alone is then enlarged, because a piece drawn too large is what a maker meets.
"""

from __future__ import annotations

from functools import cache

import manifold3d as m3
import numpy as np

from . import wearers
from .shell import (
    Array,
    Loft,
    band,
    closed,
    crease,
    curve,
    distance_to,
    from_front,
    from_side,
    grid_normals,
    mirrored,
    outline,
    slot,
    step,
    walls,
)

HERON_DRAWN = 1 / 0.9  # the heron helm was drawn for a larger head
KERF = 0.5  # gap between two parts that are printed apart, mm


def both_sides(points: Array) -> Array:
    """(y, z) of points."""
    return points[:, 1:]


def front_of(points: Array, y: float) -> Array:
    """1 in front of y, 0 behind it, soft over 10 mm."""
    return 1 - step(points[:, 1], y - 10, y)


def heron() -> dict[str, m3.Manifold]:
    """(a) Open-bottomed helm of the ferrywoman: open face, long cheeks, a swept crest; drawn too large."""
    loft = Loft(
        ((-150, 97, 112, 116), (-95, 93.5, 110, 111), (-40, 92, 109, 109), (20, 92, 110, 109)), height=97, front=2.0
    )
    face = outline(
        [
            (0, 34),
            (26, 40),
            (54, 30),
            (62, 6),
            (50, -24),
            (40, -60),
            (34, -170),
            (-34, -170),
            (-40, -60),
            (-50, -24),
            (-62, 6),
            (-54, 30),
            (-26, 40),
        ],
        9,
    )
    rim = outline(
        [
            (-200, -200),
            (-200, -128),
            (-92, -126),
            (-62, -112),
            (-34, -86),
            (0, -64),
            (32, -62),
            (62, -78),
            (120, -92),
            (200, -94),
            (200, -200),
        ],
        14,
    )

    def relief(p: Array) -> Array:
        at_face = band(distance_to(face, p[:, [0, 2]]), 5.5) * front_of(p, -20)
        at_rim = band(distance_to(rim, both_sides(p)), 5.0)
        # Feathers: shafts that sweep back and up from the brow, dying out towards the crest and the rim.
        sweep = p[:, 2] - 0.42 * (p[:, 1] + 60) - 0.0016 * (p[:, 1] + 60) ** 2
        feather = crease((sweep / 15.0 + 0.5) % 1.0 - 0.5, 0.5)
        inside = step(p[:, 1], -86, -40) * step(distance_to(rim, both_sides(p)), 9, 20) * step(np.abs(p[:, 0]), 10, 30)
        brow = band(np.abs(p[:, 2] - 58 - 0.0022 * p[:, 0] ** 2), 2.0, 4.0) * front_of(p, -30)
        return 1.2 * np.maximum.reduce([at_face, at_rim, 0.95 * feather * inside, 0.8 * brow])

    outer, inner = walls(loft, 3.3, relief)
    crest = curve(
        [
            (-106, 60),
            (-116, 92),
            (-92, 128),
            (-38, 152),
            (30, 156),
            (96, 134),
            (146, 96),
            (172, 62),
            (142, 64),
            (112, 52),
            (92, 50),
            (50, 80),
            (0, 95),
            (-60, 84),
        ]
    )
    notches = [slot((-46 + 33 * k, 141 - 1.3 * (k - 1.6) ** 2 * 4), 26, 7, 118 - 14 * k) for k in range(5)]
    for notch in notches:
        crest = crest - notch
    body = outer + from_side(crest, -2.1, 2.1)
    body = body - inner - from_front(face, -20) - from_side(rim)
    return {"heron_helm": body.scale((HERON_DRAWN,) * 3)}


def sluice_closed() -> tuple[m3.Manifold, m3.CrossSection]:
    """The sluice helm in one piece, and the side outline of what comes off with its face."""
    loft = Loft(
        ((-150, 68, 112, 83), (-112, 69, 119, 85), (-92, 75, 126, 92), (-52, 90, 128, 109), (5, 93, 122, 114)),
        height=121,
        front=1.8,
        back=2.2,
        dome=2.35,
    )
    eyes = mirrored(slot((33, 0), 52, 21, 4))
    gate = m3.CrossSection.batch_boolean(
        [mirrored(slot((11 + 15 * k, -62 + 1.5 * k), 44 - 5 * k, 5.5, 90)) for k in range(4)], m3.OpType.Add
    )
    rim = outline(
        [(-200, -200), (-200, -122), (-112, -122), (-60, -113), (0, -107), (60, -109), (200, -111), (200, -200)], 12
    )
    face = outline(
        [
            (-260, -260),
            (14, -260),
            (12, -108),
            (4, -70),
            (-16, -30),
            (-28, 10),
            (-26, 60),
            (-34, 100),
            (-44, 180),
            (-260, 180),
        ],
        16,
    )

    def relief(p: Array) -> Array:
        at_eyes = band(distance_to(eyes, p[:, [0, 2]]), 5.0) * front_of(p, -30)
        at_rim = band(distance_to(rim, both_sides(p)), 5.5)
        seam = band(distance_to(face, both_sides(p)), 4.5)
        # Planks of the sluice gate across the face; straps over the skull from brow to nape.
        planks = crease(((p[:, 2] + 28) / 17.0) % 1.0 - 0.5, 0.42) * front_of(p, -46)
        planks = planks * step(p[:, 2], 24, 32) * (1 - step(p[:, 2], 88, 96))
        keel = band(np.abs(p[:, 0]), 3.0, 5.0) * step(p[:, 2], 14, 26)
        straps = band(np.abs(np.abs(p[:, 0]) - 46), 2.4, 4.0) * step(p[:, 2], 30, 50)
        straps = straps * step(p[:, 1], -20, 0)
        return 1.4 * np.maximum.reduce([at_eyes, at_rim, seam, 0.8 * planks, keel, 0.8 * straps])

    outer, inner = walls(loft, 3.3, relief)
    # A gate wheel's hub on each cheek: it carries the bolt that holds the face.
    hub = m3.Manifold.cylinder(4.5, 15, 13.5, 64).translate((0, 0, 92)).rotate((0, 90, 0)).translate((0, -44, -18))
    hubs = hub + hub.mirror((1, 0, 0))
    body = outer + hubs - inner - from_front(eyes, -30) - from_front(gate, -30) - from_side(rim)
    return body, face


def sluice() -> dict[str, m3.Manifold]:
    """(b) Closed helm of the lock keeper: the neck is narrower than the head, the face comes off."""
    body, face = sluice_closed()
    return {
        "sluice_shell": body - from_side(face.offset(KERF / 2, m3.JoinType.Round, 2.0, 48)),
        "sluice_face": body ^ from_side(face.offset(-KERF / 2, m3.JoinType.Round, 2.0, 48)),
    }


def limpet_worn() -> dict[str, m3.Manifold]:
    """The limpet helm with its three parts where they are worn."""

    def flute(p: Array) -> Array:
        angle = np.arctan2(p[:, 0], -(p[:, 1] + 6))
        lobes = 0.5 - 0.5 * np.cos(18 * angle)
        reach = np.hypot(p[:, 0], p[:, 1] + 6)
        return 2.6 * lobes * step(reach, 24, 70) * step(p[:, 2], 4, 30)

    loft = Loft(
        ((-150, 90, 106, 110), (-90, 89, 104, 108), (-30, 89, 104, 103), (16, 89, 103, 102)),
        height=97,
        dome=2.15,
        front=2.1,
        flute=flute,
    )
    face = outline(
        [
            (0, 26),
            (30, 30),
            (58, 18),
            (60, -6),
            (44, -34),
            (33, -58),
            (27, -150),
            (-27, -150),
            (-33, -58),
            (-44, -34),
            (-60, -6),
            (-58, 18),
            (-30, 30),
        ],
        8,
    )
    rim = outline(
        [(-200, -200), (-200, -104), (-80, -104), (-40, -96), (0, -72), (30, -66), (60, -74), (200, -80), (200, -200)],
        16,
    )
    cheeks = outline([(-260, 8), (-60, 4), (-20, -6), (8, -24), (26, -48), (34, -90), (34, -260), (-260, -260)], 10)

    def relief(p: Array) -> Array:
        at_face = band(distance_to(face, p[:, [0, 2]]), 5.0) * front_of(p, -20)
        at_rim = band(distance_to(rim, both_sides(p)), 5.0)
        seam = band(distance_to(cheeks, both_sides(p)), 5.0)
        # Growth rings of a shell, ever closer towards its edge.
        depth = np.hypot(p[:, 0], p[:, 1] + 6)
        ring = crease((depth / 15.0) % 1.0 - 0.5, 0.4) * step(p[:, 2], 22, 34) * step(depth, 18, 30)
        cheek = crease(((p[:, 2] + 0.7 * p[:, 1]) / 15.0) % 1.0 - 0.5, 0.45) * (1 - step(p[:, 2], -30, -14))
        cheek = cheek * step(distance_to(face, p[:, [0, 2]]), 7, 12) * step(distance_to(rim, both_sides(p)), 7, 12)
        cheek = cheek * (1 - step(p[:, 1], -6, 10))
        return 1.3 * np.maximum.reduce([at_face, at_rim, seam, 0.7 * ring, 0.9 * cheek])

    outer, inner = walls(loft, 3.3, relief)
    apex = m3.Manifold.sphere(13, 64).scale((1, 1, 0.75)).translate((0, -2, 116))
    body = outer + apex - inner - from_front(face, -20) - from_side(rim)
    lower = body ^ from_side(cheeks.offset(-KERF / 2, m3.JoinType.Round, 2.0, 48))
    return {
        "limpet_bowl": body - from_side(cheeks.offset(KERF / 2, m3.JoinType.Round, 2.0, 48)),
        "limpet_cheek_left": lower.trim_by_plane((1, 0, 0), 0),
        "limpet_cheek_right": lower.trim_by_plane((-1, 0, 0), 0),
    }


def centre(part: m3.Manifold) -> Array:
    """Middle of a part's bounding box to a hundredth of a millimetre: what an export to the origin takes off."""
    box = np.array(part.bounding_box()).reshape(2, 3)
    return np.round(box.mean(axis=0), 2)


def limpet() -> dict[str, m3.Manifold]:
    """(c) Helm of the salt raker in three parts, each exported with its own middle at the origin."""
    return {name: part.translate(tuple(-centre(part))) for name, part in limpet_worn().items()}


def limpet_places() -> dict[str, Array]:
    """The translation (3,) that puts each limpet part back, mm."""
    return {name: centre(part) for name, part in limpet_worn().items()}


def reed() -> dict[str, m3.Manifold]:
    """(d) Bracer for the left forearm: an open gutter along the outside, ribbed like reeds, flared at both ends."""
    grid, _ = reed_grid()
    rows, columns = grid.shape[:2]
    normal = grid_normals(grid)
    along = np.linspace(0, 1, rows)[:, None]
    angle = np.linspace(0, 2 * np.pi, columns, endpoint=False)[None]
    lobes = crease((angle * 22 / (2 * np.pi)) % 1.0 - 0.5, 0.5)
    middle = step(along, 0.10, 0.18) * (1 - step(along, 0.80, 0.88))
    cuffs = np.maximum(1 - step(along, 0.05, 0.075), step(along, 0.93, 0.955))
    belts = np.maximum(band(np.abs(along - 0.30), 0.018, 0.012), band(np.abs(along - 0.68), 0.018, 0.012))
    relief = 1.5 * np.maximum.reduce([lobes * middle, cuffs + 0 * angle, belts + 0 * angle])
    outer = closed(grid + normal * (3.3 + relief)[..., None])
    # The inside runs on past both ends, so that the tube is open.
    axis = wearers.forearm_frame()[1]
    inside = grid[::2, ::2].copy()
    inside = np.concatenate([inside[:1] - 6 * axis, inside, inside[-1:] + 6 * axis])
    tube = outer - closed(inside)
    _, opening = reed_grid()
    return {"reed_bracer": tube - opening}


@cache
def reed_grid() -> tuple[Array, m3.Manifold]:
    """Inner surface of the bracer, 6 mm off the forearm and smooth, and the wedge that opens it."""
    arm = wearers.forearm()
    _, axis = wearers.forearm_frame()
    across = np.cross(axis, (0.0, 0.0, 1.0))
    across /= np.linalg.norm(across)
    third = np.cross(axis, across)
    rows, columns, order = 150, 320, 4
    at = np.linspace(-54, 92, rows)
    angle = np.arange(columns) * (2 * np.pi / columns)
    table = []
    turn = np.stack([across, third, axis])  # the forearm's axis becomes Z
    upright = arm.transform(np.column_stack([turn, np.zeros(3)]))
    knots = np.linspace(at[0], at[-1], 13)
    for z in knots:
        ring = max(upright.slice(float(z)).to_polygons(), key=len)
        mid = np.array([(ring[:, 0].min() + ring[:, 0].max()) / 2, (ring[:, 1].min() + ring[:, 1].max()) / 2])
        reach = ((ring - mid) @ np.stack([np.cos(angle), np.sin(angle)])).max(axis=0)
        table.append([*mid, *reach])
    smooth = np.array([np.polyval(np.polyfit(knots, column, order), at) for column in np.array(table).T]).T
    spectrum = np.fft.rfft(smooth[:, 2:], axis=1)
    spectrum[:, 6:] = 0
    support = np.fft.irfft(spectrum, columns, axis=1) + 6.5
    slope = np.fft.irfft(spectrum * 1j * np.arange(spectrum.shape[1]), columns, axis=1)
    share = np.linspace(0, 1, rows)
    support = support + (6 * (1 - step(share, 0, 0.16)) ** 1 + 3.5 * step(share, 0.86, 1.0))[:, None]
    # The point whose tangent stands at `support` from the middle: the envelope of those tangents.
    x = smooth[:, :1] + support * np.cos(angle) - slope * np.sin(angle)
    y = smooth[:, 1:2] + support * np.sin(angle) + slope * np.cos(angle)
    local = np.stack([x, y, np.broadcast_to(at[:, None], x.shape)], axis=2)
    # Open towards the body (-X of the world): the wedge keeps 190 degrees of the outside.
    inward = turn @ np.array([-1.0, 0.0, 0.0])
    mid_angle = float(np.arctan2(inward[1], inward[0]))
    half = np.radians(88)
    fan = np.linspace(mid_angle - half, mid_angle + half, 33)
    wedge = np.concatenate([[(0.0, 0.0)], np.column_stack([np.cos(fan), np.sin(fan)]) * 200])
    prism = m3.Manifold.extrude(outline([tuple(p) for p in wedge], 0), 400).translate(
        (float(smooth[:, 0].mean()), float(smooth[:, 1].mean()), -200)
    )
    back = np.column_stack([turn.T, np.zeros(3)])
    return local @ turn, prism.transform(back)


def pike() -> dict[str, m3.Manifold]:
    """(e) Helm of the toll reeve: its chin guard reaches under the jaw, so it goes on tilted."""
    loft = Loft(
        (
            (-146, 60, 84, 118),
            (-137, 72, 88, 118),
            (-129, 83, 101, 118),
            (-118, 90, 116, 118),
            (-98, 93, 126, 117),
            (-40, 93, 129, 114),
            (15, 93, 124, 113),
        ),
        height=107,
        front=1.75,
        dome=2.15,
    )
    eyes = mirrored(outline([(5, -9), (30, -15), (62, -8), (70, 8), (48, 14), (20, 11), (5, 5)], 4))
    gills = m3.CrossSection.batch_boolean(
        [mirrored(slot((30 + 11 * k, -56 - 4 * k), 34 - 3 * k, 5.0, 62)) for k in range(4)], m3.OpType.Add
    )
    rim = outline(
        [
            (-220, -260),
            (-220, -136),
            (-88, -136),
            (-76, -124),
            (-58, -112),
            (-30, -92),
            (10, -68),
            (60, -50),
            (200, -46),
            (200, -260),
        ],
        10,
    )

    def relief(p: Array) -> Array:
        at_eyes = band(distance_to(eyes, p[:, [0, 2]]), 4.5) * front_of(p, -30)
        at_rim = band(distance_to(rim, both_sides(p)), 5.5)
        # Scales on the skull, in rows that step like roof tiles.
        row = (p[:, 2] - 0.25 * p[:, 1]) / 17.0
        angle = np.arctan2(p[:, 0], -p[:, 1]) * 13 + np.pi * (np.floor(row) % 2)
        scale = (1 - (row % 1.0)) * (0.55 + 0.45 * np.cos(angle))
        scale = scale * step(p[:, 2] - 0.5 * p[:, 1], 40, 52) * (1 - step(p[:, 2], 92, 104))
        jaw = crease((p[:, 2] + 92 + 0.35 * (p[:, 1] + 60)) / 14, 1.0) * front_of(p, 40)
        keel = band(np.abs(p[:, 0]), 2.5, 6.0) * (step(p[:, 2], 20, 34) + (1 - step(p[:, 2], -40, -26)))
        return 1.4 * np.maximum.reduce([at_eyes, at_rim, 0.9 * scale, 0.9 * jaw * front_of(p, 30), keel])

    outer, inner = walls(loft, 3.3, relief)
    fin = curve([(-74, 88), (-40, 132), (30, 148), (98, 118), (138, 62), (112, 52), (70, 70), (0, 98)])
    body = outer + from_side(fin, -2.1, 2.1)
    return {"pike_helm": body - inner - from_front(eyes, -30) - from_front(gills, -30) - from_side(rim)}


def all_parts() -> dict[str, m3.Manifold]:
    """Every part of every piece, by file name without its ending, as the files hold them."""
    return {**heron(), **sluice(), **limpet(), **reed(), **pike()}
