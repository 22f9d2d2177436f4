# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the template head, `core/wearer/template_head.npz`, from the three CC0 bodies of the tests.

The bodies share their topology. They are laid over each other by a similarity of their heads and averaged; the average
is smoothed by one Loop subdivision, its mouth and nostrils are closed (a closing by `CLOSING_MM`: outwards and back
again), it is cut below the shoulders, reduced, and mirrored, so that left and right are equal to the last bit.

Needs open3d besides what the extension needs. Run from the repository: ``python scripts/make_template.py``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import igl
import manifold3d
import numpy as np
import open3d

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "addon"))

from arming_cap.core.formats import read_mesh  # noqa: E402
from arming_cap.core.mesh import TriangleMesh, shell_labels  # noqa: E402
from arming_cap.core.wearer import regions as region_words  # noqa: E402

HUMAN = ROOT / "headless_tests" / "data" / "human"
OUT = ROOT / "addon" / "arming_cap" / "core" / "wearer" / "template_head.npz"
CELL_MM = 2.0
CLOSING_MM = 2.5
HALF_TRIANGLES = 6000
# The bust, in mm from the point between the eyes.
LOW_Z, HALF_WIDTH = -205.0, 175.0


def mean_body() -> tuple[TriangleMesh, np.ndarray]:
    """Return the mean body with the point between its eyeballs at the origin, and its left eyeball's centre."""
    marks = json.loads((HUMAN / "landmarks.json").read_text())
    bodies = [read_mesh(HUMAN / f"adult_{c}.obj").mesh for c in "abc"]
    eyes = [np.array(marks[f"adult_{c}"]["eye_centre_left"]) for c in "abc"]
    head = bodies[0].vertices[:, 2] > eyes[0][2] - 105.0
    points, centres, scales = [], [], []
    for body, eye in zip(bodies, eyes):
        scale, rotation, shift = igl.procrustes(body.vertices[head], bodies[0].vertices[head], include_scaling=True)
        points.append(scale * body.vertices @ rotation + shift)
        centres.append(scale * eye @ rotation + shift)
        scales.append(scale)
    size = np.exp(-np.mean(np.log(scales)))
    vertices, eye = np.mean(points, axis=0) * size, np.mean(centres, axis=0) * size
    origin = eye * [0, 1, 1]
    vertices[:, 0] = (vertices[:, 0] - vertices[mirror_rows(vertices), 0]) / 2
    return TriangleMesh(vertices - origin, bodies[0].triangles), eye - origin


def mirror_rows(vertices: np.ndarray) -> np.ndarray:
    """Return for each vertex the row of its mirror image in x."""
    _, rows, _ = igl.point_mesh_squared_distance(
        vertices * [-1.0, 1.0, 1.0], vertices, np.arange(len(vertices), dtype=np.int64)[:, None]
    )
    return rows


def offset(mesh: TriangleMesh, distance: float) -> TriangleMesh:
    """Return the outermost shell at a distance of the surface, for x > -6 mm."""
    low = np.array([-3 * CELL_MM, -70.0, LOW_Z - 10.0])
    shape = np.ceil((np.array([HALF_WIDTH + 10.0, 190.0, 130.0]) - low) / CELL_MM).astype(int)
    nx, ny, nz = shape
    z, y, x = np.meshgrid(*(low[i] + CELL_MM * np.arange(shape[i]) for i in (2, 1, 0)), indexing="ij")
    grid = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
    square, _, _ = igl.point_mesh_squared_distance(grid, mesh.vertices, mesh.triangles)
    inside = igl.fast_winding_number(mesh.vertices, mesh.triangles, grid) > 0.5
    field = np.sqrt(square) * np.where(inside, -1.0, 1.0) - distance
    # The box's own faces close the surface where the body leaves it.
    edge = np.zeros(shape[::-1], bool)
    edge[[0, -1]] = edge[:, [0, -1]] = True
    edge[:, :, [0, -1]] = True
    field[edge.ravel()] = np.maximum(field[edge.ravel()], 0.5)
    vertices, triangles, _ = igl.marching_cubes(field, grid, nx, ny, nz, 0.0)
    surface = TriangleMesh(vertices, triangles).welded()
    if surface.volume_mm3 < 0:
        surface = TriangleMesh(surface.vertices, surface.triangles[:, ::-1])
    labels = shell_labels(surface)
    return surface.submesh(labels == np.bincount(labels).argmax())


def half_bust(mesh: TriangleMesh) -> TriangleMesh:
    """Return the half at x > 0 of the bust, open along x = 0, reduced."""
    solid = manifold3d.Manifold(manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.uint32)))
    for normal, at in (((1, 0, 0), 0.0), ((-1, 0, 0), -HALF_WIDTH), ((0, 0, 1), LOW_Z)):
        solid = solid.trim_by_plane(normal, at)
    cut = solid.to_mesh()
    vertices, triangles = np.asarray(cut.vert_properties)[:, :3].astype(float), np.asarray(cut.tri_verts).astype(int)
    on_seam = np.abs(vertices[:, 0]) < 1e-4
    vertices[on_seam, 0] = 0.0
    half = TriangleMesh(vertices, triangles[~on_seam[triangles].all(axis=1)]).welded()
    rough = open3d.geometry.TriangleMesh(
        open3d.utility.Vector3dVector(half.vertices.copy()),
        open3d.utility.Vector3iVector(half.triangles.astype(np.int32)),
    )
    rough = rough.simplify_quadric_decimation(HALF_TRIANGLES, boundary_weight=1000.0)
    rough.remove_duplicated_vertices().remove_degenerate_triangles().remove_unreferenced_vertices()
    return TriangleMesh(np.asarray(rough.vertices), np.asarray(rough.triangles))


def mirrored_whole(half: TriangleMesh) -> TriangleMesh:
    """Return both halves as one closed mesh: the left one, then its mirror image."""
    edges = np.sort(half.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    unique, uses = np.unique(edges, axis=0, return_counts=True)
    seam = np.unique(unique[uses == 1])
    vertices = half.vertices.copy()
    print("seam vertices", len(seam), "farthest from x = 0:", np.abs(vertices[seam, 0]).max())
    vertices[seam, 0] = 0.0
    rest = np.setdiff1d(np.arange(len(vertices)), seam)
    vertices[rest, 0] = np.maximum(vertices[rest, 0], 1e-3)
    twin = np.arange(len(vertices))
    twin[rest] = len(vertices) + np.arange(len(rest))
    whole = TriangleMesh(
        np.concatenate([vertices, vertices[rest] * [-1.0, 1.0, 1.0]]),
        np.concatenate([half.triangles, twin[half.triangles[:, ::-1]]]),
    )
    labels = shell_labels(whole)
    return whole.submesh(labels == np.bincount(labels).argmax())  # what is left of the mouth's inside goes


def local_extreme(rows: np.ndarray, values: np.ndarray, highest: bool) -> int:
    """Return the row with the highest or lowest value."""
    return int(rows[(np.argmax if highest else np.argmin)(values[rows])])


def nearest(vertices: np.ndarray, place: tuple[float, float, float]) -> int:
    """Return the row of the vertex nearest to a place."""
    return int(np.argmin(np.linalg.norm(vertices - place, axis=1)))


def find_landmarks(mesh: TriangleMesh, eye: np.ndarray) -> dict[str, int]:
    """Return the vertex of each landmark; definitions in `template.py`."""
    v = mesh.vertices
    x, y, z = v.T
    on = np.abs(x) < 1e-9

    def among(mask: np.ndarray) -> np.ndarray:
        rows = np.flatnonzero(mask)
        assert len(rows), "no vertex there"
        return rows

    front, back = on & (y < 40), on & (y > 40)
    pronasale = local_extreme(among(front & (np.abs(z + 38) < 20)), y, False)
    sellion = local_extreme(among(front & (z < 10) & (z > -15)), y, True)
    glabella = local_extreme(among(front & (z > z[sellion] + 3) & (z < z[sellion] + 30)), y, False)
    subnasale = local_extreme(among(front & (z < z[pronasale] - 5) & (z > -60)), y - 0.6 * z, True)
    # Menton: where the outline under the chin stops falling; the lowest vertex lies on the neck, so go by slope.
    chin = among(front & (z < -85) & (z > -125) & (y < 5))
    menton = local_extreme(chin, z + 0.18 * y, False)
    vertex = local_extreme(among(on & (z > 0)), z, True)
    rear = among(back & (z > -60) & (z < 110))
    opisthocranion = int(rear[np.argmax(np.linalg.norm(v[rear] - v[glabella], axis=1))])
    larynx = local_extreme(among(on & (y < 70) & (z < z[menton] - 22) & (z > z[menton] - 40)), y, False)
    line, under = (
        v[larynx] - v[menton],
        among(front & (z < z[menton] + 5) & (z > z[larynx]) | (on & (z < -95) & (y < 45))),
    )
    inward = np.array([0.0, -line[2], line[1]])
    within = under[((v[under] - v[menton]) @ line > 0) & ((v[under] - v[larynx]) @ line < 0)]
    cervical_point = int(within[np.argmax((v[within] - v[menton]) @ inward)])
    pupil = int(np.argmin(np.linalg.norm((v - eye)[:, [0, 2]], axis=1) + 1e3 * (y > eye[1] + 5)))
    marks = {
        "vertex": vertex,
        "glabella": glabella,
        "sellion": sellion,
        "pronasale": pronasale,
        "subnasale": subnasale,
        "menton": menton,
        "opisthocranion": opisthocranion,
        "larynx": larynx,
        "cervical_point": cervical_point,
        "suprasternale": local_extreme(among(on & (y < 90) & (z < z[larynx] - 25) & (z > LOW_Z + 12)), y, True),
        "cervicale": nearest(v, CERVICALE),
        "pogonion": local_extreme(among(front & (z > z[menton] + 4) & (z < z[menton] + 24)), y, False),
    }
    euryon = local_extreme(among((z > 25) & (z < 100) & (x > 0)), x, True)
    zygion = local_extreme(among((z > -45) & (z < -5) & (y < 52) & (x > 0)), x, True)
    ear = among((np.abs(z + 15) < 45) & (y > 60) & (y < 120) & (x > 0))
    sides = {
        "ear_lateral": local_extreme(ear, x, True),
        "euryon": euryon,
        "zygion": zygion,
        "pupil": pupil,
        **{name: nearest(v, place) for name, place in READ_OFF.items()},
    }
    tree = mirror_rows(v)
    for name, row in sides.items():
        marks[f"{name}_left"], marks[f"{name}_right"] = row, int(tree[row])
    return marks


def ear_vertices(v: np.ndarray, ear_lateral: np.ndarray) -> np.ndarray:
    """Return which vertices belong to the ears: those that stand off a quadric through the skin around them."""
    side = np.abs(v) * [1, 0, 0] + v * [0, 1, 1]
    away = (side - ear_lateral) @ np.diag([0, 1 / 26.0, 1 / 38.0]) + [0, 0.15, 0.28]
    reach = np.hypot(away[:, 1], away[:, 2])
    facing = side[:, 0] > 45

    def quadric(p: np.ndarray) -> np.ndarray:
        a, b = (p[:, 1] - ear_lateral[1]) / 30, (p[:, 2] - ear_lateral[2]) / 30
        return np.stack([np.ones(len(p)), a, b, a * a, a * b, b * b], axis=1)

    ring = facing & (reach > 1.05) & (reach < 1.5)
    skin = quadric(side) @ np.linalg.lstsq(quadric(side[ring]), side[ring, 0], rcond=None)[0]
    return facing & (((reach < 1.1) & (side[:, 0] > skin + 2.5)) | (reach < 0.65))


def name_regions(mesh: TriangleMesh, marks: dict[str, int]) -> tuple[np.ndarray, list[str]]:
    """Return each triangle's region and the names; the frame's origin lies between the hollows of the ears."""
    at = {name: mesh.vertices[row] for name, row in marks.items()}
    x, y, z = mesh.corners.mean(axis=1).T
    left, wide = x > 0, np.abs(x)
    normal = mesh.area_vectors / mesh.areas[:, None]
    # The direction round the skull's middle: 0 is the face, 90 the side, 180 the back of the head.
    round_skull = np.degrees(np.arctan2(wide, -(y + 5.0)))
    brow = at["sellion"][2] + 8.0
    # The lower edge of the jaw, from chin to gonion and on to below the ear.
    jaw_line = np.interp(
        y, [at["menton"][1], at["gonion_left"][1], 8.0], [at["menton"][2], at["gonion_left"][2], -38.0]
    )
    jaw_line = jaw_line + np.where(normal[:, 2] < -0.75, 14.0, 0.0) * (y < at["gonion_left"][1])
    neck_axis = np.interp(z, [-200, -120, -60], [40.0, 18.0, 5.0])
    round_neck = np.degrees(np.arctan2(wide, neck_axis - y))

    def sided(name: str) -> np.ndarray:
        return np.where(left, f"{name}_left", f"{name}_right")

    name = np.where(round_neck < 42, "throat", np.where(round_neck < 128, sided("neck"), "nape"))
    trunk = (z < -112) & (np.hypot(x, (y - neck_axis) * 0.9) > 78 - 0.25 * np.maximum(z + 150, 0)) | (z < -165)
    name = np.where(trunk, np.where(wide > 85, sided("shoulder"), np.where(normal[:, 1] < 0, "chest", "back")), name)
    above = (z > jaw_line) & (round_skull < 115)
    face = np.where(z > -48, sided("face"), np.where(wide < 24, "chin", sided("jaw")))
    face = np.where((z <= -48) & (wide < 24) & (z > at["menton"][2] + 34), sided("face"), face)
    nose = (wide < 19) & (z < at["sellion"][2] + 2) & (z > at["subnasale"][2] - 1) & (y < at["sellion"][1] + 4)
    name = np.where(above & ~trunk, np.where(nose, "nose", face), name)
    skull = z > np.interp(round_skull, [0, 50, 75, 95, 120, 180], [brow, brow - 6, 6.0, 6.0, -28.0, -22.0])
    dome = np.where(
        z > 0.72 * at["vertex"][2],
        "crown",
        np.where(
            round_skull < 40,
            "forehead",
            np.where(round_skull < 84, sided("temple"), np.where(round_skull < 138, sided("parietal"), "occiput")),
        ),
    )
    dome = np.where((z < 12) & (round_skull > 105), "occiput", dome)
    name = np.where(skull, dome, name)
    ear = ear_vertices(mesh.vertices, at["ear_lateral_left"])[mesh.triangles].sum(axis=1) >= 2
    name = np.where(ear, sided("ear"), name)
    names = [n for n in region_words.HEAD + region_words.BODY if n in set(name)]
    assert set(names) == set(name), set(name) - set(names)
    return np.array([names.index(n) for n in name]), names


# Read off renders of the mean head, mm from the point between the eyes; the left one of each pair.
CONCHA = (70.0, 84.0, -16.0)
CERVICALE = (0.0, 149.0, -129.0)
READ_OFF = {
    "tragion": (69.8, 67.8, -21.0),
    "gonion": (58.0, 66.0, -80.0),
    "exocanthion": (44.0, -1.0, 0.0),
    "superaurale": (78.1, 78.9, 4.6),
    "subaurale": (73.9, 70.9, -46.6),
    "preaurale": (71.0, 63.9, -20.1),
    "postaurale": (80.0, 91.4, -14.0),
    "side_neck_point": (63.0, 118.0, -123.0),
}


def main() -> None:
    body, eye = mean_body()
    vertices, triangles = igl.loop(body.vertices, body.triangles)
    smooth = TriangleMesh(vertices, triangles)
    closed = offset(offset(smooth, CLOSING_MM), -CLOSING_MM)
    bust = mirrored_whole(half_bust(closed))
    print(bust.soundness)
    check = open3d.geometry.TriangleMesh(
        open3d.utility.Vector3dVector(bust.vertices.copy()),
        open3d.utility.Vector3iVector(bust.triangles.astype(np.int32)),
    )
    print("self-intersecting", check.is_self_intersecting())
    marks = find_landmarks(bust, eye)
    origin = bust.vertices[nearest(bust.vertices, CONCHA)] * [0, 1, 1]
    bust = TriangleMesh(bust.vertices - origin, bust.triangles)
    regions, names = name_regions(bust, marks)
    np.savez_compressed(
        OUT,
        vertices=bust.vertices.astype(np.float32),
        triangles=bust.triangles.astype(np.uint16),
        mirror=mirror_rows(bust.vertices).astype(np.uint16),
        landmark_names=np.array(sorted(marks)),
        landmark_rows=np.array([marks[n] for n in sorted(marks)], np.uint16),
        region_names=np.array(names),
        regions=regions.astype(np.uint8),
    )
    print(OUT.stat().st_size, "bytes")
    for name in sorted(marks):
        print(name, bust.vertices[marks[name]].round(1))


if __name__ == "__main__":
    main()
