# SPDX-License-Identifier: GPL-3.0-or-later
"""Plain reasons why a piece does not go on, told apart from a pinch: no opening, upside down, seated in the body."""

from __future__ import annotations

import numpy as np

from ...arrays import BoolArray, FloatArray
from ...distance.cover import cover
from ...errors import InputError
from ...mesh import TriangleMesh
from ...piece import Piece
from ...pose import Pose
from ...wearer.form import Wearer
from .donning import Passage

ROWS, COLUMNS = 24, 48  # directions in cells of 7.5 degrees in height and about: 13 mm at 100 mm
CLOSED = 0.005  # less open than this share of all directions is closed
UP = 0.7  # cosine to straight up from which an opening faces up
SOLID_SHARE = 0.6  # of its hull, from which a piece is a block
BLOCK_MM = 60.0  # thinner than this it is a plate


def check_exchanged(piece: Piece, wearer: Wearer) -> None:
    """Raise `InputError` where piece and wearer look exchanged: a solid inside the wearer that holds nothing of them.

    What is worn holds some of its wearer within its hull, or lies outside theirs.
    """
    from manifold3d import Manifold

    mesh, form = piece.mesh, wearer.form.mesh
    low, high = mesh.bounds
    inside = (low > form.bounds[0]).all() and (high < form.bounds[1]).all()
    if not inside or not mesh.soundness.closed:
        return
    hull = Manifold.hull_points(mesh.vertices)
    if hull.is_empty() or abs(mesh.volume_mm3) < SOLID_SHARE * hull.volume():
        return
    made = hull.to_mesh()
    sides = TriangleMesh(np.asarray(made.vert_properties, float)[:, :3], np.asarray(made.tri_verts, np.int64), "hull")
    normals = sides.area_vectors
    held = form.vertices[((form.vertices > low) & (form.vertices < high)).all(axis=1)]
    held = held[:: max(1, len(held) // 2000)]
    beyond = held @ normals.T - np.einsum("mi,mi->m", normals, sides.corners[:, 0])
    if (beyond < 0).all(axis=1).any():
        return
    raise InputError(
        f"{piece.name} is a solid inside {wearer.name}: piece and wearer look exchanged",
        source=piece.name,
        remedy="name the body as the wearer and what is worn as the piece",
    )


def solid_share(piece: Piece) -> float:
    """Return how much of its hull a piece fills where it is a solid block without a hollow to be worn on, else 0.

    A helm or a cuff fills little of its hull; a flat plate fills it all, and is thin.
    """
    from manifold3d import Manifold

    mesh = piece.mesh
    if float(np.ptp(mesh.bounds, axis=0).min()) < BLOCK_MM or not all(p.mesh.soundness.closed for p in piece.parts):
        return 0.0
    hull = Manifold.hull_points(mesh.vertices)
    if hull.is_empty() or mesh.volume_mm3 < SOLID_SHARE * hull.volume():
        return 0.0
    return float(mesh.volume_mm3 / hull.volume())


def faces_backwards(piece: Piece, wearer: Wearer, seat: Pose) -> str:
    """Return a question where a helm is closed before the eyes and open behind them, else nothing."""
    marks = wearer.form.landmarks
    if "pupil_left" not in marks or "pupil_right" not in marks:
        return ""
    mesh = piece.moved(seat).mesh
    low, high = mesh.bounds
    eye = (marks["pupil_left"] + marks["pupil_right"]) / 2
    if not ((eye > low) & (eye < high)).all():
        return ""
    middle = np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, eye[2]])
    free, ways = _free_ways(mesh, middle)
    level = np.abs(ways[..., 2]) < 0.35  # 20 degrees above and below
    ahead, behind = (free[level & (side * ways[..., 1] > 0.87)].mean() for side in (-1, 1))
    if ahead > 0.01 or behind < 0.08:
        return ""
    return f"{piece.name} is closed before the eyes and open behind: does it face backwards? turn it by 180 degrees"


def opens_towards(piece: Piece, wearer: Wearer, seat: Pose) -> tuple[float, FloatArray]:
    """Return which share of all directions a worn piece leaves open about the body inside it, and their mean (3,).

    Seen from the middle of the form's points within the piece's box; what is open less than 7.5 degrees wide, 13 mm
    at 100 mm, may be missed. A mean of length 0 has no direction.
    """
    mesh = piece.moved(seat).mesh
    low, high = mesh.bounds
    points = wearer.form.mesh.vertices
    within = points[((points > low) & (points < high)).all(axis=1)]
    eye = within.mean(axis=0) if len(within) else (low + high) / 2
    free, ways = _free_ways(mesh, eye)
    return float(free.mean()), ways[free].mean(axis=0) if free.any() else np.zeros(3)


def _free_ways(mesh: TriangleMesh, eye: FloatArray) -> tuple[BoolArray, FloatArray]:
    """Return which directions nothing of a mesh lies in as seen from a point, and the directions (rows, columns, 3)."""
    corners = cover(mesh).corners
    away = np.concatenate([corners.mean(axis=1), corners.reshape(-1, 3)]) - eye
    away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
    row = np.clip((0.5 * (away[:, 2] + 1) * ROWS).astype(int), 0, ROWS - 1)
    column = ((np.arctan2(away[:, 1], away[:, 0]) / (2 * np.pi) + 0.5) * COLUMNS).astype(int) % COLUMNS
    free = np.ones((ROWS, COLUMNS), bool)
    free[row, column] = False
    z = (np.arange(ROWS) + 0.5) / ROWS * 2 - 1  # rows of equal height on a ball have equal area
    angle = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * 2 * np.pi
    level = np.sqrt(1 - z**2)
    ways = np.stack(
        [level[:, None] * np.cos(angle), level[:, None] * np.sin(angle), np.broadcast_to(z[:, None], free.shape)],
        axis=2,
    )
    return free, ways


def reasons(piece: Piece, wearer: Wearer, seat: Pose, found: Passage, at_seat_mm: float) -> tuple[str, ...]:
    """Return sentences on why a passage was not found that is no matter of a little more room; none where it passes.

    `at_seat_mm` is the least margin where the piece is worn.
    """
    if found.passes:
        return ()
    said = []
    share, mean = opens_towards(piece, wearer, seat)
    length = float(np.linalg.norm(mean))
    if share < CLOSED:
        said.append("it has no opening: the piece is closed all around, so there is nothing to put it on by")
    elif "crown" in wearer.form.region_names and length > 0 and mean[2] / length > UP:
        # Only what is for a head opens below; the wide end of a cuff on a hanging arm is up.
        said.append("its opening faces up: the piece looks upside down, turn it over")
    if at_seat_mm < 0:
        said.append(
            f"where it is worn it already lies {-at_seat_mm:.1f} mm too deep: "
            "that is a matter of its place or its size, not of the way on"
        )
    return tuple(said)
