# SPDX-License-Identifier: GPL-3.0-or-later
"""Generated helmets on the CC0 bodies' heads, and planners of robotics as a second opinion on whether they go on.

The planners share no code with the extension: OMPL's RRT-Connect (Kuffner and LaValle 2000) asks FCL whether the piece
touches the form. A form grown by d is a level set of libigl's signed distance by marching cubes, good to about
`GRID_MM`²/8R, R the form's radius of curvature.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import shapes

from arming_cap.core.mesh import TriangleMesh

GRID_MM = 4.0


@dataclass(frozen=True)
class Helmet:
    """Parameters of one helmet: a shell about the head, open below.

    Attributes
    ----------
    body
        Whose head.
    room_mm
        Between head and shell, where the head is widest.
    neck
        The shell's width at the rim as a share of its widest.
    tilt_deg
        How far the rim rises towards the face.
    chin_mm
        How far the rim reaches down in front; negative leaves the face open.
    cheek_mm
        How far it reaches down at the sides.
    scale
        Of the whole, about the middle of the head.
    """

    body: str
    room_mm: float = 16.0
    neck: float = 1.0
    tilt_deg: float = 0.0
    chin_mm: float = 0.0
    cheek_mm: float = 0.0
    scale: float = 1.0


def helmets() -> list[Helmet]:
    """Return thirty-three helmets: each freedom of the design alone, and some together."""
    found = []
    for body in "abc":
        found += [
            Helmet(body),
            Helmet(body, neck=0.9),
            Helmet(body, neck=0.8),
            Helmet(body, neck=0.7),
            Helmet(body, tilt_deg=20, neck=0.85),
            Helmet(body, chin_mm=35),
            Helmet(body, chin_mm=35, neck=0.85),
            Helmet(body, cheek_mm=30, neck=0.88),
            Helmet(body, chin_mm=-60, cheek_mm=20, neck=0.85),
            Helmet(body, scale=1.08, neck=0.78),
            Helmet(body, room_mm=24.0, neck=0.75),
        ]
    return found


@cache
def head(body: str) -> tuple[TriangleMesh, np.ndarray, np.ndarray]:
    """Return a body from its upper chest up, closed; the middle of its head; and its half-axes, mm."""
    import json

    import manifold3d

    whole = shapes.body(body)
    marks = json.loads((shapes.DATA / "human" / "landmarks.json").read_text(encoding="utf-8"))[f"adult_{body}"]
    joint, eye = np.array(marks["head_joint"]), np.array(marks["eye_centre_left"])
    welded = whole.welded()
    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(welded.vertices), np.array(welded.triangles, np.uint64)))
    mesh = solid.trim_by_plane((0.0, 0.0, 1.0), float(joint[2] - 170.0)).to_mesh64()
    bust = TriangleMesh(np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts, np.int64), f"bust_{body}")
    upper = bust.vertices[bust.vertices[:, 2] > eye[2] - 60.0]  # with nose and ears
    low, high = upper.min(axis=0), upper.max(axis=0)
    middle = np.array([0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1]), eye[2]])
    return bust, middle, np.array([*(0.5 * (high - low))[:2], high[2] - eye[2]])


def shell(helmet: Helmet, around: int = 72, rings: int = 48) -> TriangleMesh:
    """Return a helmet's inner surface, in worn position on `head(helmet.body)`."""
    _, middle, half = head(helmet.body)
    half = half + helmet.room_mm
    angle = np.arange(around) * 2 * np.pi / around  # from the wearer's left, by way of the back
    front = np.clip(-np.sin(angle), 0, 1) ** 2
    side = np.cos(angle) ** 4
    # How far below the eyes the rim lies: the jaw is covered to about 75 mm.
    rim = 75.0 + helmet.chin_mm * front + helmet.cheek_mm * side
    rim = rim - np.tan(np.radians(helmet.tilt_deg)) * half[1] * -np.sin(angle)
    share = np.linspace(0.0, 1.0, rings)
    height = half[2] - share[:, None] * (half[2] + rim[None])
    above = np.sqrt(np.clip(1 - np.clip(height / half[2], 0, 1) ** 2, 0, 1))
    below = np.clip(-height / 75.0, 0.0, 1.0)
    width = np.where(height > 0, above, 1 - (1 - helmet.neck) * below**2)
    points = np.stack(
        [width * half[0] * np.cos(angle)[None], width * half[1] * np.sin(angle)[None], height * np.ones(around)],
        axis=-1,
    )
    points = middle + helmet.scale * points.reshape(-1, 3)
    i, j = np.meshgrid(np.arange(rings - 1), np.arange(around), indexing="ij")
    a, b = (i * around + j).ravel(), (i * around + (j + 1) % around).ravel()
    triangles = np.concatenate([np.stack([a, a + around, b + around], 1), np.stack([a, b + around, b], 1)])
    mesh = TriangleMesh(points, triangles, "shell")
    return mesh.submesh(mesh.areas > 1e-6)


@cache
def _distances(body: str) -> tuple[np.ndarray, np.ndarray, tuple[int, int, int]]:
    """Return libigl's signed distance to a head at the nodes of a grid, the nodes, and the grid's shape."""
    import igl

    bust, _, _ = head(body)
    low, high = bust.bounds
    axes = [np.arange(low[k] - 20.0, high[k] + 20.0, GRID_MM) for k in range(3)]
    x, y, z = np.meshgrid(*axes, indexing="ij")
    nodes = np.stack([x.ravel(order="F"), y.ravel(order="F"), z.ravel(order="F")], axis=1)
    vertices, triangles = np.array(bust.vertices), np.array(bust.triangles)
    length = np.sqrt(igl.point_mesh_squared_distance(nodes, vertices, triangles)[0])
    inside = igl.fast_winding_number(vertices, triangles, nodes) > 0.5
    return np.where(inside, -length, length), nodes, (len(axes[0]), len(axes[1]), len(axes[2]))


def grown(body: str, distance: float) -> TriangleMesh:
    """Return the level set of the distance to a head."""
    import igl

    values, nodes, shape = _distances(body)
    found = igl.marching_cubes(values, nodes, *shape, distance)
    return TriangleMesh(np.asarray(found[0], float), np.asarray(found[1], np.int64), f"grown {distance:g}")


def planned(piece: TriangleMesh, form: TriangleMesh, seconds: float, far_mm: float = 330.0) -> bool | None:
    """Return whether RRT-Connect finds a way off in (fore-aft, up, pitch); None where the seat itself touches."""
    import fcl
    from ompl import base, geometric, util

    util.setLogLevel(util.LOG_NONE)
    util.RNG.setSeed(7)
    pivot = piece.bounds.mean(axis=0)

    def model(mesh: TriangleMesh, shift: np.ndarray) -> fcl.BVHModel:
        made = fcl.BVHModel()
        made.beginModel(len(mesh.vertices), len(mesh.triangles))
        made.addSubModel(np.array(mesh.vertices) - shift, np.array(mesh.triangles))
        made.endModel()
        return made

    moving, still = fcl.CollisionObject(model(piece, pivot)), fcl.CollisionObject(model(form, np.zeros(3)))
    request = fcl.CollisionRequest()

    def clear(state) -> bool:
        along, up, pitch = state[0], state[1], state[2]
        c, s = np.cos(pitch), np.sin(pitch)
        turn = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
        moving.setTransform(fcl.Transform(turn, pivot + np.array([0.0, along, up])))
        return fcl.collide(moving, still, request, fcl.CollisionResult()) == 0

    space = base.RealVectorStateSpace(3)
    bounds = base.RealVectorBounds(3)
    for k, (low, high) in enumerate(((-200.0, 200.0), (-60.0, far_mm + 30.0), (-1.3, 1.3))):
        bounds.setLow(k, low)
        bounds.setHigh(k, high)
    space.setBounds(bounds)
    setup = geometric.SimpleSetup(space)
    setup.setStateValidityChecker(clear)
    setup.getSpaceInformation().setStateValidityCheckingResolution(0.002)
    start, goal = space.allocState(), space.allocState()
    for k in range(3):
        start[k] = 0.0
        goal[k] = far_mm if k == 1 else 0.0
    if not clear(start):
        return None
    setup.setStartAndGoalStates(start, goal)
    setup.setPlanner(geometric.RRTConnect(setup.getSpaceInformation()))
    return bool(setup.solve(seconds) and setup.haveExactSolutionPath())
