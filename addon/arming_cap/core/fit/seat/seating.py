# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a piece comes to rest: the pose that makes its smallest margin as large as it can be.

Two steps, both deterministic. First the piece is *laid on*: the inner surface's standoffs are made as even as they
can be (Levenberg-Marquardt on their robust spread), from the start and from a few poses about it, which finds the
right valley from far away. Then it is *centred*: the smallest margin m is raised through the soft minimum
-τ log Σ exp(-m_i/τ) with τ falling, whose Hessian is nearly -Cov(J)/τ under its weights, so that a damped Newton step
in six freedoms costs two gathers. Last it *climbs* without slopes (`climb`), for a margin jumps where regions with
unlike allowances meet, and slopes do not see that. The samples keep their regions on a climb, and how far it goes is
held to what those left out could have come to, were there no jumps.

Where the piece was laid on with openings before the eyes, the pupils are kept inside them (`eyes`).

An open piece could always be lifted off its wearer, and its margins would only grow. So a head's crown keeps a gap no
larger than asked, and no piece moves farther than `LEASH_MM` from where it was laid on. Where a piece is too small to
fit, it would trade depth in the shoulders for room at the head; no piece sinks into shoulders, so it is kept above them
before anything else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...arrays import FloatArray, IntArray
from ...distance.clearance import WALL_MM, Clearance, exact_rows, field_for, label_rows, measure
from ...distance.field import Field, Probe
from ...distance.surface import surface_of
from ...errors import InputError
from ...piece import Piece
from ...pose import Pose, rotation_about
from ...progress import Progress, silent
from ...wearer.form import Wearer
from .climb import climbed
from .eyes import Eyes

# A bound that is overstepped: by how far (mm), what a mm weighs, and its slope (6,).
Bound = tuple[float, float, FloatArray]

FREEDOMS = ("side", "fore_aft", "height", "pitch", "roll", "yaw")
SAMPLES = 6000
# A narrow rim or the tip of a nose falls between samples some 4 mm apart: the last steps look at this
# many times more of them, those within `CLOSE_MM` of the least margin.
DENSER = 16
CLOSE_MM = 4.0
CROWN_GAP_MM = 25.0
SHOULDERS = ("shoulder_left", "shoulder_right")
# What a millimetre weighs against one of margin: of the crown's gap, of an eye covered; in the shoulders, which weighs
# more than these and the margin together. Below `_ROUNDED_MM` the weight sets in gradually: a search by slopes would
# stick at the edge.
_HELD, _ABOVE = 2.0, 4.0
_ROUNDED_MM = 0.1
# The crown's gap is taken over a disc about the vertex; beyond it what lies lower counts less and less.
_DISC_MM, _DISC_EDGE_MM, _DISC_RISE = 40.0, 60.0, 3.0
LEASH_MM = 20.0
# Where a piece was laid on is taken to hold for scales within this share.
STILL_LAID = 0.03
# Size of the first steps (mm) and number of the last ones, which need no slopes.
CLIMB = (1.0, 200)
ARM_MM = 100.0  # a turn counts as the movement at this distance
REACH_MM = 80.0
REACH_DEG = 25.0


@dataclass(frozen=True)
class Seat:
    """Where a piece rests.

    Attributes
    ----------
    pose
        From the piece's frame to the wearer's.
    clearance
        Measured exactly there.
    """

    pose: Pose
    clearance: Clearance

    @property
    def margin_mm(self) -> float:
        """The smallest margin there."""
        return self.clearance.margin_mm


class Seater:
    """A piece and a wearer made ready to be seated at many scales.

    Parameters
    ----------
    piece, wearer
        Who wears what.
    start
        Where the search begins.
    free
        Which of `FREEDOMS` may change; they are moves along, and turns about, the wearer's own axes.
    pinned
        Which of those may not, whatever `free` says.
    crown_gap_mm
        How far the piece's inside may stand off the crown beyond the crown's allowance.
    """

    def __init__(
        self,
        piece: Piece,
        wearer: Wearer,
        start: Pose | None = None,
        free: Sequence[str] = FREEDOMS,
        crown_gap_mm: float = CROWN_GAP_MM,
        progress: Progress = silent,
        pinned: Sequence[str] = (),
    ) -> None:
        if unknown := [name for name in (*free, *pinned) if name not in FREEDOMS]:
            raise InputError(f"there is no freedom '{unknown[0]}'", remedy=f"the freedoms are {', '.join(FREEDOMS)}")
        self.start = start or Pose()
        self.field: Field = field_for(piece, wearer, self.start, progress=progress)
        self._surface = surface = surface_of(piece)
        self.eyes: Eyes | None = None
        self._laid: tuple[float, FloatArray] | None = None  # at which scale it was laid on, and its middle there
        self._lid: Probe | None = None
        self._watched: list[tuple[FloatArray, int]] = []  # points of the piece, and the regions they meet
        self.points = surface.inner(2 * SAMPLES, WALL_MM)
        if not len(self.points):
            raise InputError("the piece has no surface to seat", source=piece.name, remedy="check the mesh")
        self.dense_points = surface.inner(DENSER * 2 * SAMPLES, WALL_MM)
        self.dense = Probe(self.field, self.dense_points)
        self.centre = piece.mesh.bounds.mean(axis=0)
        self.reach = float(np.linalg.norm(self.dense_points - self.centre, axis=1).max())
        self.probe = Probe(self.field, self.points)
        self.few = Probe(self.field, self.points[:: max(1, len(self.points) // 800)])
        self.few_points = self.points[:: max(1, len(self.points) // 800)]
        self.need = wearer.allowances() + np.array(
            [wearer.form.spread_mm.get(n, 0.0) for n in wearer.form.region_names]
        )
        self.pinned = tuple(name for name in FREEDOMS if name not in free or name in pinned)
        self.free = np.array([name not in self.pinned for name in FREEDOMS])
        names = list(wearer.form.region_names)
        self.crown = names.index("crown") if "crown" in names else None
        self.top = wearer.form.mesh.vertices[np.argmax(wearer.form.mesh.vertices[:, 2])]
        self.shoulders = np.array([name in SHOULDERS for name in names])
        self.crown_gap = crown_gap_mm + (wearer.allowance("crown") if self.crown is not None else 0.0)

    def seat(self, scale: float = 1.0, start: Pose | None = None, near: bool = False) -> tuple[Pose, float]:
        """Return the best pose at a scale and its smallest margin in mm, by the field.

        Parameters
        ----------
        scale
            Of the piece about its frame's origin.
        start
            Where to begin; by default the seater's start.
        near
            Whether `start` is a seat at a scale close by, so that the piece need not be laid on again.
        """
        pose = start or self.start
        if near and self._laid is not None and abs(scale / self._laid[0] - 1) < STILL_LAID:
            return self._centre(pose, scale, self._laid[1], near)
        laid = self._even_out(pose, scale)[0] if near else self._lay_on(pose, scale)
        middle = laid.apply(scale * self.centre[None])[0]
        self._laid = scale, middle
        self._look_about(laid, scale)
        return self._centre(pose if near else laid, scale, middle, near)

    def climbed(
        self, pose: Pose, scale: float, step: float = CLIMB[0], looks: int = CLIMB[1]
    ) -> tuple[Pose, float, float]:
        """Return the pose after last steps that need no slopes, its margin by samples, and its cost, both in mm.

        The samples keep the regions that they are nearest to at first, as the triangles tell: a margin then has no
        jumps where regions with unlike needs meet. The cost is that of the bounds it oversteps.

        Parameters
        ----------
        pose
            Nearly the best at `scale`.
        step, looks
            Size of the first steps, mm (of a turn at `ARM_MM`), and how many are tried; see `climb.climbed`.
        """
        home = self._home(pose, scale)
        close, beyond = self._close(pose, scale)
        points = np.concatenate([close, np.array([p for p, _ in self._watched]).reshape(-1, 3)])
        label = exact_rows(self.field, pose.apply(scale * points))
        label[len(points) - len(self._watched) :] = [row for _, row in self._watched]
        probe = Probe(self.field, points)
        free = np.flatnonzero(self.free)

        def moved(place: FloatArray) -> Pose:
            by = np.zeros(6)
            by[free] = place
            return self.moved(pose, by, scale)

        def told(place: FloatArray) -> tuple[float, float]:
            at = moved(place)
            margin = np.asarray(probe.standoff(at, scale), float) - self.need[label]
            # No sample left out has less, within its region: none goes farther than the piece's farthest point.
            turned = float(np.linalg.norm(place[free >= 3]))
            left = beyond - float(np.linalg.norm(place[free < 3])) - turned / ARM_MM * scale * self.reach
            cost = self._cost(at, scale, home, self._bounds(at, scale, margin, label))
            return min(float(np.min(margin)), left), cost

        def worth(place: FloatArray) -> float:
            margin, cost = told(place)
            return margin - cost

        best = climbed(worth, len(free), step, looks)
        return moved(best), *told(best)

    def cost(self, pose: Pose, scale: float) -> float:
        """Return what a pose costs for the bounds it oversteps, mm of margin."""
        margin, label = self._look(self.dense, pose, scale)
        return self._cost(pose, scale, self._home(pose, scale), self._bounds(pose, scale, margin, label))

    def _home(self, pose: Pose, scale: float) -> FloatArray:
        """Return where the leash holds the piece's middle, (3,): where it was laid on, or where it is."""
        return pose.apply(scale * self.centre[None])[0] if self._laid is None else self._laid[1]

    def watch(self, pose: Pose, scale: float, point: FloatArray, region: int) -> None:
        """Look at a point (3,) of the piece, given where it is in a pose, in all climbs to come."""
        self._watched.append((pose.inverse().apply(point[None])[0] / scale, region))

    def rest(self, pose: Pose, scale: float) -> float:
        """Take a pose found before as where the piece rests at a scale; return its smallest margin in mm."""
        self._look_about(pose, scale)
        return float(np.min(self.margins(pose, scale, self.dense)))

    def _look_about(self, pose: Pose, scale: float) -> None:
        """Find the eye openings, once, and what may come to lie over the crown while the piece moves on its leash."""
        if self.eyes is None:
            self.eyes = Eyes(self._surface, self.field.form.landmarks, pose, scale)
        placed = np.asarray(self.probe.moved(pose, scale), float)
        off = np.hypot(placed[0] - self.top[0], placed[1] - self.top[1])
        over = (off < _DISC_EDGE_MM + 2 * LEASH_MM) & (placed[2] > self.top[2] - 40.0 - 2 * LEASH_MM)
        self._lid = Probe(self.field, self.points[over]) if over.any() else None

    def _lay_on(self, start: Pose, scale: float) -> Pose:
        starts = [start]
        pivot = start.apply(scale * self.centre[None])[0]
        for axis in range(3):
            if self.free[3 + axis]:
                for angle in (-18.0, 18.0):
                    turn = rotation_about(np.eye(3)[axis], angle)
                    starts.append(start.then(Pose(turn, pivot - turn @ pivot)))
        for axis in range(3):
            if self.free[axis]:
                starts += [start.then(Pose(np.eye(3), 50.0 * sign * np.eye(3)[axis])) for sign in (-1, 1)]
        tried = [self._even_out(pose, scale) for pose in starts]
        best, cost = tried[0]
        for pose, other in tried[1:]:
            if other < 0.98 * cost - 1e-6:  # of equals, such as the turns of a ball, the one nearest to the start
                best, cost = pose, other
        return best

    def _even_out(self, pose: Pose, scale: float) -> tuple[Pose, float]:
        """Return the pose near `pose` with the most even standoffs, and their robust spread."""
        damping = 1e-2

        def spread(at: Pose) -> tuple[float, FloatArray, float]:
            value = np.asarray(self.few.standoff(at, scale), float)
            level = float(np.median(value))
            off = value - level
            return float(np.mean(np.sqrt(1 + (off / 10.0) ** 2) - 1)), off, level

        cost, off, _ = spread(pose)
        for _ in range(40):
            jacobian = self._jacobian(self.few, self.few_points, pose, scale, None)
            weight = 1 / np.sqrt(1 + (off / 10.0) ** 2)
            mean = (weight[:, None] * jacobian).sum(axis=0) / weight.sum()
            centred = jacobian - mean
            normal = centred.T @ (weight[:, None] * centred) / len(off)
            rhs = -centred.T @ (weight * off) / len(off)
            step = self._solve(normal, rhs, damping)
            moved = self.moved(pose, step, scale)
            new, new_off, _ = spread(moved)
            if new < cost:
                done = cost - new < 1e-6 * cost
                pose, cost, off, damping = moved, new, new_off, max(damping / 4, 1e-6)
                if done:
                    break
            else:
                damping *= 8
                if damping > 1e4:
                    break
        return pose, cost

    def _centre(
        self, start: Pose, scale: float, home: FloatArray | None = None, near: bool = False
    ) -> tuple[Pose, float]:
        """Return the pose near `start` with the largest smallest margin, and that margin.

        `home` (3,) is where the leash holds the piece's middle, by default where it starts. From next to a seat that is
        known it takes fewer steps, for the valley is the right one.
        """
        if home is None:
            home = start.apply(scale * self.centre[None])[0]
        pose = best = start
        best_value = self._worth(self.dense, start, scale, home)[1]
        for tau in (0.7, 0.2, 0.05) if near else (2.0, 0.7, 0.25, 0.1, 0.05):
            damping = 1e-3
            probe, points = self.probe, self.points
            if tau < 0.5:
                points = self._close(pose, scale)[0]
                probe = Probe(self.field, points)
            value, margin, bounds = self._soft(probe, pose, scale, tau, home)
            for _ in range(12 if near else 25):
                low = np.min(margin)
                active = np.flatnonzero(margin < low + 12 * tau)
                weight = np.exp(-(margin[active] - low) / tau)
                weight /= weight.sum()
                jacobian = self._jacobian(probe, points, pose, scale, active)
                slope = weight @ jacobian
                centred = jacobian - slope
                bend = centred.T @ (weight[:, None] * centred) / tau
                pull, stiff = self._pull(pose, scale, home, bounds)
                step = self._solve(bend + stiff, slope + pull, damping + 1e-3)
                length = np.linalg.norm(step)
                if length > 10:
                    step *= 10 / length
                moved = self.moved(pose, step, scale)
                new, new_margin, new_bounds = self._soft(probe, moved, scale, tau, home)
                if new > value:
                    done = new - value < (1e-3 if near else 1e-5)
                    pose, value, margin, bounds, damping = moved, new, new_margin, new_bounds, damping / 4
                    if done:
                        break
                else:
                    damping *= 6
                    if damping > 1e3:
                        break
            if tau < 0.5:
                if (worth := self._worth(self.dense, pose, scale, home)[1]) > best_value:
                    best, best_value = pose, worth
                else:  # it went farther than the close samples can tell
                    pose = best
        if not near:
            best = self.climbed(best, scale)[0]
        return best, self._worth(self.dense, best, scale, home)[0]

    def _close(self, pose: Pose, scale: float) -> tuple[FloatArray, float]:
        """Return those (n, 3) of the denser samples that are nearly tightest in a pose, and what all others have."""
        every = self.margins(pose, scale, self.dense)
        upto = float(np.min(every))
        if self.shoulders.any():  # what may sink into them belongs to it too
            upto = max(upto, -float(np.min(self.need[self.shoulders])))
        return self.dense_points[every < upto + CLOSE_MM], upto + CLOSE_MM

    def _worth(self, probe: Probe, pose: Pose, scale: float, home: FloatArray) -> tuple[float, float]:
        """Return a pose's smallest margin over a probe's points, and that less what the bounds cost, mm."""
        margin, label = self._look(probe, pose, scale)
        low = float(np.min(margin))
        return low, low - self._cost(pose, scale, home, self._bounds(pose, scale, margin, label))

    def _soft(
        self, probe: Probe, pose: Pose, scale: float, tau: float, home: FloatArray
    ) -> tuple[float, FloatArray, list[Bound]]:
        """Return the soft minimum of the margins less what the bounds cost (mm), the margins (n,), and the bounds."""
        margin, label = self._look(probe, pose, scale)
        low = np.min(margin)
        soft = low - tau * np.log(np.exp(-(margin - low) / tau).sum())
        bounds = self._bounds(pose, scale, margin, label)
        return float(soft) - self._cost(pose, scale, home, bounds), margin, bounds

    def _look(self, probe: Probe, pose: Pose, scale: float) -> tuple[FloatArray, IntArray]:
        """Return the margins (n,) of a probe's points by the field, and the regions (n,) they are nearest to."""
        value = np.asarray(probe.standoff(pose, scale), float)
        if (self.need == self.need[0]).all() and not self.shoulders.any():
            return value - self.need[0], np.zeros(len(value), np.intp)
        label = label_rows(self.field, probe.moved(pose, scale))
        return value - self.need[label], label

    def _cost(self, pose: Pose, scale: float, home: FloatArray, bounds: list[Bound]) -> float:
        """Return what the leash and the bounds overstepped cost, mm of margin."""
        away = float(np.linalg.norm(pose.apply(scale * self.centre[None])[0] - home))
        cost = 0.5 * max(0.0, away - LEASH_MM) ** 2
        for over, weight, _ in bounds:
            cost += weight * (over * over / (2 * _ROUNDED_MM) if over < _ROUNDED_MM else over - 0.5 * _ROUNDED_MM)
        return cost

    def _pull(self, pose: Pose, scale: float, home: FloatArray, bounds: list[Bound]) -> tuple[FloatArray, FloatArray]:
        """Return the slope (6,) in the freedoms of what `_cost` takes off, and how it bends (6, 6)."""
        pull, stiff = np.zeros(6), np.zeros((6, 6))
        away = pose.apply(scale * self.centre[None])[0] - home
        length = float(np.linalg.norm(away))
        if length > LEASH_MM:
            pull[:3] -= (length - LEASH_MM) * away / length
            stiff[:3, :3] += np.outer(away, away) / length**2
        for over, weight, slope in bounds:
            pull -= weight * min(over / _ROUNDED_MM, 1.0) * slope
            stiff += weight / max(over, _ROUNDED_MM) * np.outer(slope, slope)
        return pull, stiff

    def _bounds(self, pose: Pose, scale: float, margin: FloatArray, label: IntArray) -> list[Bound]:
        """Return the bounds that are overstepped; `margin` (n,) and `label` (n,) are of points of the piece there."""
        found = []
        middle = pose.apply(scale * self.centre[None])[0]

        def take(over: float, weight: float, point: FloatArray, way: FloatArray) -> None:
            if over > 0:
                found.append((over, weight, np.concatenate([way, np.cross(point - middle, way) / ARM_MM]) * self.free))

        # A crown or a rim comes down all about at once: a turn that lifts its lowest point lowers another.
        up = np.array([0.0, 0.0, 1.0])
        take(self._crown(pose, scale) - self.crown_gap, _HELD, middle, up)
        for over, edge, way in self.eyes.covered(pose, scale) if self.eyes else ():
            take(over, _HELD, edge, way)
        take(self._sunk(margin, label), _ABOVE, middle, -up)
        return found

    def _crown(self, pose: Pose, scale: float) -> float:
        """Return how far the piece's inside stands above the vertex; -inf where the form has no crown."""
        if self.crown is None or self._lid is None:
            return -np.inf
        placed = np.asarray(self._lid.moved(pose, scale), float)
        off = np.hypot(placed[0] - self.top[0], placed[1] - self.top[1])
        over = np.flatnonzero((off < _DISC_EDGE_MM) & (placed[2] > self.top[2] - 40.0))
        above = placed[2, over] - self.top[2] + _DISC_RISE * np.maximum(off[over] - _DISC_MM, 0.0)
        return float(np.min(above)) if len(over) else -np.inf

    def _sunk(self, margin: FloatArray, label: IntArray) -> float:
        """Return how deep points of the piece with margins (n,) and regions (n,) are in the shoulders, mm."""
        if not self.shoulders.any():
            return 0.0
        rows = np.flatnonzero(self.shoulders[label])
        return float(np.max(-(margin[rows] + self.need[label[rows]]), initial=0.0))

    def margins(self, pose: Pose, scale: float, probe: Probe | None = None) -> FloatArray:
        """Return the margins (n,) of the samples, or of a probe's points, by the field."""
        return self._look(probe or self.probe, pose, scale)[0]

    def _jacobian(self, probe: Probe, points: FloatArray, pose: Pose, scale: float, rows: Any) -> FloatArray:
        """Return the standoffs' slopes (n, 6) in the freedoms: moves in mm, turns in mm at `ARM_MM`."""
        if rows is not None:
            points = points[rows]
            probe = Probe(self.field, points)
        slope = np.asarray(probe.gradient(pose, scale), float)
        arm = scale * (points - self.centre) @ pose.rotation.T
        return np.column_stack([slope, np.cross(arm, slope) / ARM_MM]) * self.free

    def _solve(self, normal: FloatArray, rhs: FloatArray, damping: float) -> FloatArray:
        free = self.free
        step = np.zeros(6)
        square = normal[np.ix_(free, free)]
        if len(square):
            step[free] = np.linalg.solve(square + damping * np.eye(len(square)), rhs[free])
        return step

    def moved(self, pose: Pose, step: FloatArray, scale: float) -> Pose:
        """Return a pose after a step (6,) in the freedoms: mm, and turns in mm at `ARM_MM`."""
        pivot = pose.apply(scale * self.centre[None])[0]
        angle = float(np.degrees(np.linalg.norm(step[3:]) / ARM_MM))
        turn = rotation_about(step[3:], min(angle, 30.0)) if angle > 1e-12 else np.eye(3)
        return pose.then(Pose(turn, pivot - turn @ pivot + step[:3]))


def seat(
    piece: Piece,
    wearer: Wearer,
    start: Pose | None = None,
    free: Sequence[str] = FREEDOMS,
    crown_gap_mm: float = CROWN_GAP_MM,
    progress: Progress = silent,
    pinned: Sequence[str] = (),
) -> Seat:
    """Return where a piece rests on its wearer; see `Seater`.

    Raises
    ------
    InputError
        If a freedom is unknown, or the piece has no surface or comes nowhere near the wearer.
    """
    seater = Seater(piece, wearer, start, free, crown_gap_mm, progress, pinned)
    progress(0.5, f"seating {piece.name}")
    pose, _ = seater.seat()
    found = measure(piece, wearer, pose)
    progress(1.0, f"seating {piece.name}")
    return Seat(pose, found)
