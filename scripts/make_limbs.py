# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the templates of arm, leg and torso, `core/wearer/template_body.npz`, from the three CC0 bodies of the tests.

The bodies are laid into one attitude (`body_poses.py`), brought to one length and averaged. The average is smoothed by
a Loop subdivision and closed (outwards and back again: fingers and toes join, creases fill), cut off, and reduced. Each
of its vertices is then bound to the nearest place of the average's skin, so that every body, and every other attitude,
has the same triangles. Landmarks are vertices of the bodies, or places between them.

Needs open3d and scipy besides what the extension needs. Run from the repository: ``python scripts/make_limbs.py``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path

import igl
import manifold3d
import numpy as np
import open3d
from scipy import sparse
from scipy.sparse.linalg import spsolve

from arming_cap.core.mesh import TriangleMesh, shell_labels
from arming_cap.core.wearer import regions as region_words
from arming_cap.core.wearer.population import survey
from body_poses import ARMPIT, ELBOW, FINGERS, ROOT, WRIST, Bodies

sys.path.insert(0, str(Path(__file__).resolve().parent))

OUT = ROOT / "addon" / "arming_cap" / "core" / "wearer" / "template_body.npz"
# Vertices are kept to this, as whole numbers.
UNIT_MM = 0.03
COARSE = 4


@dataclass
class Part:
    """A part while it is made: posed skins of the bodies and their landmarks, one frame and one length for all."""

    kind: str
    skins: np.ndarray  # (3, n, 3)
    poses: dict[str, np.ndarray]  # other attitudes of the mean body, (n, 3)
    marks: dict[str, np.ndarray]  # (3, 3) each: a place per body
    planes: list[tuple[np.ndarray, float]]  # what lies above normal . x = offset is kept
    triangles: int
    cell: float
    closing: float
    owner: dict[str, np.ndarray] = field(default_factory=dict)  # masks of the skin's vertices by name


def survey_share(name: str, of: str) -> float:
    """Return the mean ratio of two dimensions over both sexes of the survey."""
    index = survey().names.index
    return float(
        np.mean([g.mean[index(name)] / g.mean[index(of)] for k, g in survey().by_sex.items() if k != "pooled"])
    )


def arm(bodies: Bodies) -> Part:
    """Return the left arm, straight down from the armpit, the fingertip at z = 0."""
    top = acromion_row(bodies)
    skins, marks = [], []
    for body in bodies.vertices:
        v = bodies.straight_arm(body)
        wrist, elbow, tip = bodies.ring(v, WRIST), bodies.ring(v, ELBOW), v[FINGERS[1]]
        scale = np.array([1, 1, 1]) * 720.0 / (v[top, 2] - tip[2])
        skins.append((v - [0, 0, tip[2]]) * scale)
        knuckle = np.mean([v[np.abs(w - 66.0) < 9.0].mean(axis=0) for w in bodies.finger_ways[:4]], axis=0)
        points = {"acromion": v[top], "elbow": elbow, "wrist": wrist, "fingertip": tip}
        points["hand"] = knuckle + [0, 0, 12.0]
        marks.append({n: (p - [0, 0, tip[2]]) * scale for n, p in points.items()})
    tucked = bodies.straight_arm(bodies.mean, "tucked")
    tucked = (tucked - [0, 0, tucked[FINGERS[1], 2]]) * 720.0 / (tucked[top, 2] - tucked[FINGERS[1], 2])
    flat = bodies.straight_arm(bodies.mean)
    flat = (flat - [0, 0, flat[FINGERS[1], 2]]) * 720.0 / (flat[top, 2] - flat[FINGERS[1], 2])
    skins = np.stack(skins)
    d = bodies.along_arm
    level = skins.mean(axis=0)[np.abs(d - ARMPIT - 14.0) < 10.0][:, 2].mean()
    thumb = bodies.finger_ways[4] < 88.0
    return Part(
        "arm",
        skins,
        {"tucked": skins.mean(axis=0) + tucked - flat},
        together(marks),
        [(np.array([0, 0, -1.0]), -level)],
        7000,
        1.8,
        3.6,
        {"arm": d < 760.0, "thumb": thumb},
    )


def leg(bodies: Bodies) -> Part:
    """Return the left leg, standing on z = 0, cut off below the crotch."""
    skins, marks = [], []
    for body in bodies.vertices:
        v = bodies.straight_leg(body)
        crotch = body[crotch_row(bodies), 2]
        scale = 800.0 / crotch
        left = (bodies.mean[:, 0] > 0) & (v[:, 2] < 0.5 * crotch)
        foot = left & (v[:, 2] < 40.0)
        heel, toe = v[foot][np.argmax(v[foot][:, 1])], v[foot][np.argmin(v[foot][:, 1])]
        at = {n: crotch * survey_share(f, "crotch_height") for n, f in HEIGHTS.items()}
        points = {n: np.array([0, 0, z]) for n, z in at.items()} | {"crotch": np.array([0, 0, crotch])}
        points |= {"heel": heel, "toe_tip": toe}
        skins.append(v * scale)
        marks.append({n: p * scale for n, p in points.items()})
    legs = bodies.mean[:, 0] > 0
    return Part(
        "leg",
        np.stack(skins),
        {},
        together(marks),
        [(np.array([0, 0, -1.0]), -790.0)],
        7500,
        2.2,
        3.0,
        {"leg": legs & ~np.isfinite(bodies.along_arm) | (legs & (bodies.along_arm > 900.0))},
    )


HEIGHTS = {
    "knee": "knee_height_midpatella",
    "tibiale": "tibial_height",
    "lateral_malleolus": "lateral_malleolus_height",
}


def torso(bodies: Bodies) -> Part:
    """Return the trunk with hanging arms, from the neck to below the crotch, which is at z = 0."""
    rows = torso_rows(bodies) | {"vertex": int(np.argmax(bodies.mean[:, 2]))}
    skins, marks, spread = [], [], []
    for body in [*bodies.vertices, bodies.mean]:
        for hanging in (True, False):
            v = bodies.trunk(body, hanging)
            origin = np.array([0.0, v[rows["waist"], 1] + 105.0, body[crotch_row(bodies), 2]])
            scale = 600.0 / (body[rows["cervicale"], 2] - origin[2])
            v = (v - origin) * scale
            if len(skins) < 3 and hanging:
                skins.append(v)
                points = {n: v[r] for n, r in rows.items()} | {"crotch": np.zeros(3)}
                marks.append(points | {f"{n}_right": v[r] * [-1, 1, 1] for n, r in paired(rows)})
            spread.append(v)
    marks = [
        {(n + "_left" if n in ("acromion", "side_neck_point", "nipple") else n): p for n, p in m.items()} for m in marks
    ]
    skins = np.stack(skins)
    mean = skins.mean(axis=0)
    apart = mean + spread[-1] - spread[-2]
    at = together(marks)
    lean = np.radians(20.0)
    neck = np.array([0, -np.sin(lean), np.cos(lean)])
    larynx = at["larynx"].mean(axis=0)
    d = bodies.along_arm
    elbow, shoulder = bodies.ring(mean, ELBOW), bodies.ring(mean, 640.0)
    down = (elbow - shoulder) / np.linalg.norm(elbow - shoulder)
    end = bodies.ring(mean, 560.0)
    planes = [(np.array([0, 0, 1.0]), -40.0), (-neck, -(neck @ larynx) - 24.0)]
    planes += [(-down * [s, 1, 1], -(down @ end)) for s in (1.0, -1.0)]
    arms = np.isfinite(d) & (d < 640.0)
    arms |= arms[bodies.mirror]
    return Part("torso", skins, {"apart": apart}, at, planes, 11000, 3.0, 4.0, {"arm": arms})


def paired(rows: dict[str, int]) -> list[tuple[str, int]]:
    return [(n, r) for n, r in rows.items() if n in ("acromion", "side_neck_point", "nipple")]


def nearest(v: np.ndarray, place: np.ndarray, among: np.ndarray) -> int:
    rows = np.flatnonzero(among)
    return int(rows[np.argmin(np.linalg.norm(v[rows] - place, axis=1))])


def crotch_row(bodies: Bodies) -> int:
    """Return the lowest vertex of the middle plane between the legs."""
    v = bodies.mean
    rows = np.flatnonzero((np.abs(v[:, 0]) < 2.0) & (v[:, 2] > 500.0))
    return int(rows[np.argmin(v[rows, 2])])


def acromion_row(bodies: Bodies) -> int:
    """Return the vertex over the bony edge of the shoulder: on its top, at half the biacromial breadth."""
    v = bodies.mean
    rows = np.flatnonzero((np.abs(v[:, 0] - 172.0) < 14.0) & (v[:, 2] > 1250.0))
    return int(rows[np.argmax(v[rows, 2])])


def torso_rows(bodies: Bodies) -> dict[str, int]:
    """Return the vertex of each landmark of the trunk, the left one of each pair."""
    v = bodies.mean
    eye = bodies.eye.mean(axis=0)
    middle, everywhere = np.abs(v[:, 0]) < 2.0, np.ones(len(v), bool)
    front, height = v[:, 1] < 0.0, np.ptp(v[:, 2])
    origin = eye * [0, 1, 1]
    low = np.flatnonzero(middle & front & (np.abs(v[:, 2] - eye[2] + 195.0) < 25.0))
    breast = np.flatnonzero(
        (v[:, 0] > 60.0) & (v[:, 0] < 160.0) & (np.abs(v[:, 2] / height - 0.73) < 0.04) & ~(bodies.along_arm < 700)
    )
    return {
        "acromion": acromion_row(bodies),
        "cervicale": nearest(v, origin + [0, 149.0, -129.0], middle),
        "side_neck_point": nearest(v, origin + [63.0, 118.0, -123.0], everywhere),
        "larynx": nearest(v, origin + [0, 40.0, -146.0], middle & front),
        "suprasternale": int(low[np.argmax(v[low, 1])]),
        "nipple": int(breast[np.argmin(v[breast, 1])]),
        # From memory: the navel stands at some 0.605 of stature.
        "waist": nearest(v, np.array([0, -150.0, 0.605 * height]), middle & front),
    }


def together(marks: list[dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
    return {n: np.stack([m[n] for m in marks]) for n in marks[0]}


def signed(skin: TriangleMesh, points: np.ndarray) -> np.ndarray:
    """Return the signed distance of points, negative inside."""
    square, _, _ = igl.point_mesh_squared_distance(points, skin.vertices, skin.triangles)
    inside = igl.fast_winding_number(skin.vertices, skin.triangles, np.ascontiguousarray(points)) > 0.5
    return np.sqrt(square) * np.where(inside, -1.0, 1.0)


def closed(skin: TriangleMesh, part: Part, low: np.ndarray, high: np.ndarray) -> TriangleMesh:
    """Return the skin grown by the closing and shrunk again, within a box."""
    for distance in (part.closing, -part.closing):
        shape = COARSE * np.ceil((high - low) / part.cell / COARSE).astype(int) + 1
        z, y, x = np.meshgrid(*(low[i] + part.cell * np.arange(shape[i]) for i in (2, 1, 0)), indexing="ij")
        grid = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
        # Far from the surface a coarse lattice says enough.
        rough = signed(skin, grid.reshape(*shape[::-1], 3)[::COARSE, ::COARSE, ::COARSE].reshape(-1, 3)) - distance
        rows = np.minimum(
            np.round(np.indices(shape[::-1]) / COARSE).astype(int), ((shape[::-1] - 1) // COARSE)[:, None, None, None]
        )
        value = rough[np.ravel_multi_index(rows, (shape[::-1] - 1) // COARSE + 1)].ravel()
        near = np.flatnonzero(np.abs(value) < part.cell * (COARSE + 2))
        value[near] = signed(skin, grid[near]) - distance
        edge = np.zeros(shape[::-1], bool)
        for axis in range(3):
            for side in (0, -1):
                edge[tuple(side if k == axis else slice(None) for k in range(3))] = True
        value[edge.ravel()] = np.maximum(value[edge.ravel()], 0.5)
        vertices, triangles, _ = igl.marching_cubes(value, grid, *shape, 0.0)
        skin = TriangleMesh(vertices, triangles).welded()
        if skin.volume_mm3 < 0:
            skin = TriangleMesh(skin.vertices, skin.triangles[:, ::-1])
        labels = shell_labels(skin)
        skin = skin.submesh(labels == np.bincount(labels).argmax())
    return skin


def cut_off(mesh: TriangleMesh, part: Part) -> TriangleMesh:
    solid = manifold3d.Manifold(manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32)))
    for normal, offset in part.planes:
        if part.kind == "torso" and abs(normal[0]) > 0.05:  # an arm's plane must not cut the trunk
            side = np.sign(-normal[0])
            box = manifold3d.Manifold.cube((200.0, 400.0, 340.0)).translate((0 if side > 0 else -200.0, -200.0, 200.0))
            box = box.translate((side * 139.0, 0, 0)).trim_by_plane(tuple(-normal), -offset)
            solid = solid - box
        else:
            solid = solid.trim_by_plane(tuple(normal), offset)
    pieces = sorted(solid.decompose(), key=lambda m: m.volume())
    cut = pieces[-1].to_mesh()
    whole = TriangleMesh(
        np.asarray(cut.vert_properties)[:, :3].astype(float), np.asarray(cut.tri_verts).astype(int)
    ).welded()
    rough = open3d.geometry.TriangleMesh(
        open3d.utility.Vector3dVector(whole.vertices.copy()),
        open3d.utility.Vector3iVector(whole.triangles.astype(np.int32)),
    )
    rough = rough.simplify_quadric_decimation(part.triangles)
    rough.remove_duplicated_vertices().remove_degenerate_triangles().remove_unreferenced_vertices()
    return TriangleMesh(np.asarray(rough.vertices), np.asarray(rough.triangles))


def bound(
    mesh: TriangleMesh, from_skin: np.ndarray, skins: list[np.ndarray], triangles: np.ndarray, on_cut: np.ndarray
) -> list[np.ndarray]:
    """Return the mesh's vertices carried to each skin; what lies off it, or in a cut, follows its surroundings."""
    v = mesh.vertices
    square, row, _ = igl.point_mesh_squared_distance(v, from_skin, triangles)
    corner = triangles[row]
    place = igl.barycentric_coordinates(
        *(
            np.ascontiguousarray(p)
            for p in (closest(v, from_skin, triangles), *(from_skin[corner[:, k]] for k in range(3)))
        )
    )
    place = np.clip(place, 0, 1)
    place /= place.sum(axis=1, keepdims=True)
    rim = np.zeros(len(v), bool)
    rim[mesh.triangles[~on_cut]] = True
    fixed = (square < 2.0**2) & rim
    laplace = -igl.cotmatrix(v, mesh.triangles)
    lumped = igl.massmatrix(v, mesh.triangles)
    found = []
    for skin in skins:
        moved = np.einsum("nk,nkd->nd", place, skin[corner] - from_skin[corner])
        # Fitted where they are known and smooth everywhere: bumps of the binding do not print through.
        weight = sparse.diags(np.where(fixed, 1.0, 0.0) * lumped.diagonal())
        moved = spsolve((weight + 0.6 * laplace).tocsc(), weight @ moved)
        found.append(untangled(v, moved, mesh.triangles))
    return found


def untangled(v: np.ndarray, moved: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    """Return v + moved, the displacements evened out where the surface would run through itself."""
    neighbours = sparse.coo_matrix(
        (
            np.ones(6 * len(triangles)),
            (triangles[:, [0, 1, 2, 1, 2, 0]].T.ravel(), triangles[:, [1, 2, 0, 0, 1, 2]].T.ravel()),
        ),
        (len(v), len(v)),
    ).tocsr()
    mean = sparse.diags(1 / np.asarray(neighbours.sum(axis=1)).ravel()) @ neighbours
    for count in range(60):
        surface = open3d.geometry.TriangleMesh(
            open3d.utility.Vector3dVector(v + moved), open3d.utility.Vector3iVector(triangles.astype(np.int32))
        )
        pairs = np.asarray(surface.get_self_intersecting_triangles())
        if not len(pairs):
            break
        near = np.zeros(len(v))
        near[triangles[pairs.ravel()].ravel()] = 1.0
        for _ in range(2 + count // 8):
            near = np.minimum(1.0, neighbours @ near)
        for _ in range(5):
            moved = np.where(near[:, None] > 0, mean @ moved, moved)
    print("evened out", count, "times,", len(pairs), "crossings left")
    return v + moved


def closest(v: np.ndarray, skin: np.ndarray, triangles: np.ndarray) -> np.ndarray:
    return igl.point_mesh_squared_distance(v, skin, triangles)[2]


def make(part: Part, bodies: Bodies) -> dict[str, np.ndarray]:
    """Return a part's arrays by name."""
    mean = part.skins.mean(axis=0)
    smooth = [igl.loop(np.ascontiguousarray(v), bodies.triangles) for v in (mean, *part.skins, *part.poses.values())]
    faces = smooth[0][1]
    mean_skin, *rest = (np.asarray(v) for v, _ in smooth)
    low, high = box_of(part, mean)
    whole = TriangleMesh(mean_skin, faces)
    mesh = cut_off(closed(whole, part, low, high), part)
    print(part.kind, mesh.soundness)
    corners = mesh.corners
    on_cut = np.zeros(len(mesh), bool)
    for normal, offset in part.planes:
        flat = np.abs(corners @ normal - offset).max(axis=1) < 0.7
        on_cut |= flat & (mesh.area_vectors @ normal < -0.9 * mesh.areas)
    print("cut", on_cut.sum(), mesh.areas[on_cut].sum())
    carried = bound(mesh, mean_skin, rest, faces, on_cut)
    _, near, _ = igl.point_mesh_squared_distance(corners.mean(axis=1), mean, bodies.triangles)
    owner = {n: m[bodies.triangles[near]].sum(axis=1) >= 2 for n, m in part.owner.items()}
    names, labels = name_regions(part, mesh, owner)
    out = {
        "vertices": np.round(np.stack(carried[:3]) / UNIT_MM).astype(np.int16),
        "triangles": mesh.triangles.astype(np.uint16),
        "on_cut": on_cut,
        "region_names": np.array(names),
        "regions": labels.astype(np.uint8),
        "landmark_names": np.array(sorted(part.marks)),
        "landmarks": np.stack([part.marks[n] for n in sorted(part.marks)], axis=1).astype(np.float32),
    }
    for name, v in zip(part.poses, carried[3:]):
        out[f"pose_{name}"] = np.round((v - mesh.vertices) / UNIT_MM).astype(np.int16)
    return {f"{part.kind}_{n}": a for n, a in out.items()}


def box_of(part: Part, mean: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if part.kind == "torso":
        return np.array([-330.0, -230, -60]), np.array([330.0, 230, 720])
    if part.kind == "arm":
        return np.array([-75.0, -95.0, -12.0]), np.array([75.0, 95.0, -part.planes[0][1] + 10.0])
    keep = next(iter(part.owner.values())) & np.all([mean @ n > o - 12.0 for n, o in part.planes], axis=0)
    return mean[keep].min(axis=0) - 12.0, mean[keep].max(axis=0) + 12.0


def name_regions(part: Part, mesh: TriangleMesh, owner: dict[str, np.ndarray]) -> tuple[list[str], np.ndarray]:
    """Return the regions' names and each triangle's; limbs are named as left ones."""
    c = mesh.corners.mean(axis=1)
    z = c[:, 2]
    at = {n: p.mean(axis=0) for n, p in part.marks.items()}
    n = mesh.area_vectors / mesh.areas[:, None]
    if part.kind == "arm":
        elbow, wrist = at["elbow"][2], at["wrist"][2]
        name = np.select(
            [owner["thumb"], z > elbow + 35, z > elbow - 35, z > wrist + 20, z > wrist - 15],
            ["thumb", "upper_arm", "elbow", "forearm", "wrist"],
            "hand",
        )
        name = np.char.add(name.astype(str), "_left")
    elif part.kind == "leg":
        knee, knob, heel, toe = at["knee"][2], at["lateral_malleolus"][2], at["heel"][1], at["toe_tip"][1]
        back = (heel - c[:, 1]) / (heel - toe)
        name = np.select(
            [
                z > knee + 60,
                z > knee - 60,
                z > knob + 75,
                z > knob + 14 + 40 * np.clip(back - 0.25, 0, 1),
                back > 0.55,
                back < 0.30,
            ],
            ["thigh", "knee", "calf", "ankle", "foot", "heel"],
            "instep",
        )
        name = np.where((name == "instep") & (n[:, 2] < -0.2), "foot", name)
        name = np.char.add(name.astype(str), "_left")
    else:
        chest, waist, top = at["nipple_left"][2], at["waist"][2], at["acromion_left"]
        side = np.where(c[:, 0] > 0, "_left", "_right")
        neck = 0.36 * (c[:, 1] - at["suprasternale"][1])
        wide = np.abs(c[:, 0])
        is_neck = (z > at["suprasternale"][2] + 6 + neck) & (wide < at["side_neck_point_left"][0] + 14)
        shoulder = (z > chest + 62) & (wide > 0.45 * top[0]) & (z > top[2] - 60 - 1.2 * (top[0] - wide).clip(0))
        name = np.select(
            [
                is_neck,
                owner["arm"] & (z < top[2] - 55),
                shoulder | owner["arm"],
                z > (0.45 * chest + 0.55 * waist),
                z > waist - 70,
            ],
            [
                np.char.add("neck", side),
                np.char.add("upper_arm", side),
                np.char.add("shoulder", side),
                np.where(n[:, 1] < 0.15, "chest", "back"),
                "waist",
            ],
            "hip",
        )
        throat = np.abs(c[:, 0]) < 28
        name = np.where(is_neck & throat, np.where(c[:, 1] < at["larynx"][1] + 60, "throat", "nape"), name)
    names = [x for x in region_words.ALL if x in set(name)]
    assert set(names) == set(name), set(name) - set(names)
    return names, np.array([names.index(x) for x in name])


def main() -> None:
    bodies = Bodies.read()
    arrays: dict[str, np.ndarray] = {}
    for build in (arm, leg, torso):
        if len(sys.argv) > 1 and build.__name__ not in sys.argv[1:]:
            continue
        arrays |= make(build(bodies), bodies)
    if len(sys.argv) > 1 and OUT.exists():
        with np.load(OUT, allow_pickle=False) as old:
            arrays = {**{k: old[k] for k in old.files if k not in arrays}, **arrays}
    np.savez_compressed(OUT, **arrays)
    print(OUT.stat().st_size, "bytes")


if __name__ == "__main__":
    main()
