# SPDX-License-Identifier: GPL-3.0-or-later
"""What may make a wearer's surface, or the room it asks for, other than we take it to be.

A form from a card is moved by its dimensions, together: a head that is broader than guessed is likely longer too. Their
covariance is the survey's, given what was measured (the multivariate normal's conditional law); how each moves the
surface is found by making the form again with that dimension changed. A form of which only the spread by region is
known is taken to err independently from region to region.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ...arrays import FloatArray, IntArray
from ...errors import InputError
from ...mesh import TriangleMesh
from ...progress import Progress, silent
from ...wearer.dimension import DIMENSIONS
from ...wearer.form import Form
from ...wearer.found import ReadWearer
from ...wearer.headform import form_from_dimensions, head_form_of
from ...wearer.limbform import limb_form_of
from ...wearer.population import Estimate
from ...wearer.regions import in_words
from .uncertainty import NORMAL_90, draws_of

# Spread of the room that is needed about the allowance: shared by all regions, and each region's own. Our own settings
# (common practice, no source).
ROOM_SD_MM = (2.0, 2.0)


@dataclass(frozen=True, eq=False)
class Causes:
    """What a margin hangs on that is not known for sure, jointly normal about what was taken.

    Attributes
    ----------
    names
        Of the k causes: dimensions, or regions of the form.
    covariance
        (k, k).
    moves
        (k, n, 3): how far the form's n vertices go per unit of each cause; None where only `lifts` count.
    lifts
        (k, r): by how much each region asks for more room per unit of each cause.
    reading_sd
        By name, for the dimensions that could be measured and were not: the standard deviation of one reading, mm.
    draws
        (n, k) equally likely values where outcomes have made the law another than normal; None where it is.
    """

    names: tuple[str, ...]
    covariance: FloatArray
    moves: FloatArray | None
    lifts: FloatArray
    reading_sd: Mapping[str, float]
    draws: FloatArray | None = None

    def drawn(self) -> FloatArray:
        """Return draws (n, k) of the causes."""
        return draws_of(self.covariance) if self.draws is None else self.draws

    def loads(self, form: Form, triangles: IntArray, normals: FloatArray, regions: IntArray) -> FloatArray:
        """Return by how many mm margins shrink per unit of each cause, (m, k).

        Parameters
        ----------
        triangles, normals, regions
            Of each place, (m,) (m, 3) (m,): the form's nearest triangle, the way straight off it, its region.
        """
        found: FloatArray = self.lifts[:, regions].T
        if self.moves is not None:
            centre = self.moves[:, form.mesh.triangles[triangles]].mean(axis=2)
            found = found + np.einsum("kmi,mi->mk", centre, normals)
        return found

    def and_also(self, other: Causes) -> Causes:
        """Return these and other, independent causes together, both normal."""
        a, b = len(self.names), len(other.names)
        covariance = np.zeros((a + b, a + b))
        covariance[:a, :a], covariance[a:, a:] = self.covariance, other.covariance
        moves = self.moves
        if moves is not None:
            moves = np.concatenate([moves, np.zeros((b, *moves.shape[1:]))])
        return Causes(
            self.names + other.names,
            covariance,
            moves,
            np.concatenate([self.lifts, other.lifts]),
            {**self.reading_sd, **other.reading_sd},
        )


def causes_of_spread(form: Form) -> Causes:
    """Return one independent cause for each region of a form whose spread is known."""
    spread = np.array([form.spread_mm.get(name, 0.0) for name in form.region_names])
    lifts = np.eye(len(spread))
    return Causes(form.region_names, np.diag((spread / NORMAL_90) ** 2), None, lifts, {})


_recent: OrderedDict[str, Causes] = OrderedDict()


def causes_of(read: ReadWearer, progress: Progress = silent) -> Causes:
    """Return what moves a wearer's form: its dimensions where it was made from them, else its spread by region."""
    form = read.wearer.form
    if read.estimate is None:
        return causes_of_spread(form)
    key = f"{form.mesh.content_hash} {sorted((n, v.mean, v.sd) for n, v in read.estimate.dimensions.items())}"
    if key not in _recent:
        _recent[key] = _causes_of_dimensions(read.estimate, form, bool(read.stations), progress)
        while len(_recent) > 16:
            _recent.popitem(last=False)
    return _recent[key]


def rooms_of(form: Form) -> Causes:
    """Return a cause for each region: how far the room it needs may differ from its allowance, once that is tried.

    What all regions share and each region's own are independent, with the spreads of `ROOM_SD_MM`.
    """
    names = form.region_names
    shared, own = ROOM_SD_MM
    covariance = np.full((len(names), len(names)), shared**2) + own**2 * np.eye(len(names))
    return Causes(tuple(f"room at the {in_words(n)}" for n in names), covariance, None, np.eye(len(names)), {})


def moved_by(read: ReadWearer, causes: Causes, centre: FloatArray, draws: FloatArray) -> ReadWearer:
    """Return a wearer with the causes (k,) at `centre`: its form made again, its regions' allowances moved.

    What `draws` (n, k) leave unsure of the dimensions is the new form's spread. Where no such form can be made, the
    surface of before is moved.
    """
    wearer = read.wearer
    lifts = causes.lifts.T @ centre
    room = {n: round(wearer.allowance(n) + float(by), 2) + 0.0 for n, by in zip(wearer.form.region_names, lifts)}
    wearer = replace(wearer, allowance_mm={**wearer.allowance_mm, "default": wearer.allowance("default"), **room})
    if read.estimate is None:
        return replace(read, wearer=wearer)
    k = sum(name in read.estimate.dimensions for name in causes.names)
    sd = draws[:, :k].std(axis=0)
    values = dict(read.estimate.dimensions)
    for name, by, spread in zip(causes.names, centre, sd):
        if name in values:
            mean, was = values[name].mean + float(by), values[name]
            half = NORMAL_90 * float(spread)
            values[name] = replace(was, mean=mean, sd=float(spread), low=mean - half, high=mean + half)
    estimate = replace(read.estimate, dimensions=values, joint=(causes.names[:k], np.cov(draws[:, :k].T, ddof=0)))
    kind, side = read.body_part
    try:
        if kind == "head":
            form, stations = head_form_of(estimate, wearer.form.mesh.name), read.stations
        else:
            limb = limb_form_of(estimate, kind, side or "left")
            form, stations = limb.form, limb.stations
    except InputError:
        assert causes.moves is not None
        old, stations = wearer.form, read.stations
        vertices = old.mesh.vertices + np.tensordot(centre, causes.moves, axes=1)
        form = replace(old, mesh=TriangleMesh(vertices, old.mesh.triangles, old.mesh.name))
    return replace(read, wearer=replace(wearer, form=form), estimate=estimate, stations=stations)


def _causes_of_dimensions(estimate: Estimate, form: Form, limb: bool, progress: Progress) -> Causes:
    kind, make = _maker(estimate, form, limb)
    names = [n for n, of in DIMENSIONS.items() if of.group == kind and n in estimate.dimensions]
    moves = np.zeros((len(names), *form.mesh.vertices.shape))
    for i, name in enumerate(names):
        progress(i / len(names), f"what {DIMENSIONS[name].in_words} moves")
        step = max(estimate.dimensions[name].sd, 0.5)
        try:
            changed = make(name, step)
        except InputError:  # the form cannot take it: then it cannot be that far off either
            continue
        if changed.shape == form.mesh.vertices.shape:
            moves[i] = (changed - form.mesh.vertices) / step
    unread = {n: DIMENSIONS[n].default_sd for n in names if estimate.dimensions[n].source == "estimated"}
    lifts = np.zeros((len(names), len(form.region_names)))
    return Causes(tuple(names), estimate.covariance(names), moves, lifts, unread)


def _maker(estimate: Estimate, form: Form, limb: bool) -> tuple[str, Callable[[str, float], FloatArray]]:
    """Return the form's kind, and what makes its vertices with one dimension changed by so many mm."""
    if not limb:
        means = {n: v.mean for n, v in estimate.dimensions.items()}
        return (
            "head",
            lambda name, by: (
                form_from_dimensions({n: (m + by * (n == name), 0.0) for n, m in means.items()}).mesh.vertices
            ),
        )
    bare = {name.removesuffix("_left").removesuffix("_right") for name in form.region_names}
    kind = "arm" if "forearm" in bare else "leg" if "calf" in bare else "torso"
    side = "right" if any(name.endswith("_right") for name in form.region_names) and kind != "torso" else "left"

    def made(name: str, by: float) -> FloatArray:
        value = estimate.dimensions[name]
        changed = replace(estimate, dimensions={**estimate.dimensions, name: replace(value, mean=value.mean + by)})
        return limb_form_of(changed, kind, side).form.mesh.vertices

    return kind, made
