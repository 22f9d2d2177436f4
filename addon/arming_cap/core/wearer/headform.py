# SPDX-License-Identifier: GPL-3.0-or-later
"""A headform from dimensions: the template bent until measuring it returns them.

The surface is the template, scaled to the circumference, plus a weighted sum of smooth displacement fields, the
*handles*: the skull widens, the chin drops, the neck swells. There are more handles than dimensions, so that any
realistic combination has a form; of all weights that measure as asked the smallest are taken. They are found by
Gauss-Newton steps on the measured dimensions, with Broyden's update of the template's own slopes. The handles are even
in x, so the form is as symmetric as the template.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from .dimension import DIMENSIONS
from .form import Form
from .measure import Ruler
from .population import Estimate
from .template import template_head

# The dimensions that shape a headform.
SHAPED = tuple(name for name, of in DIMENSIONS.items() if of.group == "head")
# Measuring the form returns each dimension to this; the contract with the user is 1 mm.
TOLERANCE_MM = 0.2
CONTRACT_MM = 1.0
MOST_STEPS = 24
FRESH = 6
# Only so that no system is singular: at the solution it costs some micrometres.
DAMPING = 1e-4
MOST_STEP_MM = 60.0
# Two-sided 90 % of a normal spread.
Z90 = 1.6449


def form_from_dimensions(dimensions: Mapping[str, tuple[float, float]], name: str = "headform") -> Form:
    """Return the headform with these dimensions.

    Parameters
    ----------
    dimensions
        Mean and standard deviation in mm by name; names that say nothing of a head are passed over.

    Raises
    ------
    InputError
        If none of them says anything of a head, one is no positive number, or they cannot hold together on one head.
    """
    targets = _checked(dimensions, name)
    weights, scale = _solved({n: m for n, (m, _) in targets.items()}, name)
    head = template_head()
    # A nanometre: what linear algebra libraries round differently must not reach a file.
    form = head.form_on(np.round(_bent(weights, scale), 6) + 0.0, "card", name)
    spread = _spread({n: s for n, (_, s) in targets.items()})
    return replace(form, spread_mm=spread)


def head_form_of(estimate: Estimate, name: str = "headform", *, upper: bool = False) -> Form:
    """Return the headform of an estimate's means; with `upper`, of the upper ends of its 90 % intervals.

    The upper form asks "and if they are larger than we think?": its spread is 0, for it is in the surface already.
    """
    return form_from_dimensions(
        {n: (v.high, 0.0) if upper else (v.mean, v.sd) for n, v in estimate.dimensions.items()}, name
    )


def _checked(dimensions: Mapping[str, tuple[float, float]], source: str) -> dict[str, tuple[float, float]]:
    targets = {n: (float(m), float(s)) for n, (m, s) in dimensions.items() if n in SHAPED}
    if not targets:
        raise InputError("no head dimension is given", source=source, remedy="give at least head_circumference")
    for n, (m, s) in targets.items():
        if not (np.isfinite(m) and m > 0 and np.isfinite(s) and s >= 0):
            raise InputError(f"{n} = {m} ± {s} is no length in mm", source=source, remedy="correct it")
    return targets


def _bent(weights: FloatArray, scale: float) -> FloatArray:
    return scale * (template_head().mesh.vertices + np.tensordot(weights, handles(), axes=1))


@lru_cache(maxsize=1)
def _ruler() -> Ruler:
    head = template_head()
    return Ruler(head.mesh.triangles, head.region_names, head.region_of_triangle)


def _measured(vertices: FloatArray, names: list[str]) -> FloatArray:
    found = _ruler().measure(vertices, template_head().landmarks_on(vertices))
    return np.array([found[n] for n in names])


@lru_cache(maxsize=1)
def _own_slopes() -> FloatArray:
    """Return how each dimension of the template answers to each handle, (dimension, handle)."""
    return _slopes(np.zeros(len(handles())), 1.0, list(SHAPED))


def _slopes(weights: FloatArray, scale: float, names: list[str]) -> FloatArray:
    """Return the change of each named dimension per unit of each handle and of scale, by central differences."""
    step = 1.0
    columns = [
        _measured(_bent(weights + step * w, scale), names) - _measured(_bent(weights - step * w, scale), names)
        for w in np.eye(len(weights))
    ]
    return np.stack(columns, axis=1) / (2 * step * scale)


def _solved(targets: Mapping[str, float], source: str) -> tuple[FloatArray, float]:
    """Return the handles' weights and the scale at which the form measures as wanted.

    Gauss-Newton for the smallest weights that meet the dimensions: each step goes to the point nearest the template
    of those that the slopes call solutions.
    """
    names = list(targets)
    wanted = np.array([targets[n] for n in names])
    own = _measured(template_head().mesh.vertices, names)
    first = _sizing(names)
    scale = float(wanted[first] / own[first])
    slopes = _own_slopes()[[SHAPED.index(n) for n in names]]
    weights = np.zeros(len(handles()))
    gap = wanted - own * scale
    best, closest = weights, gap
    for count in range(MOST_STEPS):
        if np.abs(closest).max() < TOLERANCE_MM:
            break
        if count and count % FRESH == 0:  # far from the template its slopes are worn out
            weights, gap = best, closest
            slopes = _slopes(weights, scale, names)
        square = slopes @ slopes.T * scale**2
        there = (
            scale * slopes.T @ np.linalg.solve(square + DAMPING * np.eye(len(names)), gap + scale * slopes @ weights)
        )
        step = there - weights
        step *= min(1.0, MOST_STEP_MM / max(float(np.abs(step).max()), 1e-9))
        new = wanted - _measured(_bent(weights + step, scale), names)
        # Broyden: the slopes must explain what the step did.
        slopes = slopes + np.outer((gap - new) / scale - slopes @ step, step) / max(float(step @ step), 1e-12)
        weights, gap = weights + step, new
        if np.abs(gap).max() < np.abs(closest).max():
            best, closest = weights, gap
    least = float(np.abs(closest).max())
    if least > CONTRACT_MM:
        worst = names[int(np.argmax(np.abs(closest)))]
        raise InputError(
            f"the template cannot take these dimensions together: {worst} stays {least:.1f} mm off",
            source=source,
            remedy=f"measure {worst} again, and check the units",
        )
    return best, scale


def _sizing(names: list[str]) -> int:
    """Return the row of the dimension that scales the template."""
    return next((names.index(n) for n in ("head_circumference", "head_length", "head_breadth") if n in names), 0)


def _spread(sd: Mapping[str, float]) -> dict[str, float]:
    """Return half the 90 % interval of the surface along its normal, RMS over each region, in mm.

    To first order about the template, and as if the dimensions erred independently; drawn heads, whose dimensions go
    together, spread a little less.
    """
    head = template_head()
    names = list(sd)
    answer = np.linalg.pinv(_own_slopes()[[SHAPED.index(n) for n in names]], rcond=1e-3)  # weights per mm
    move = np.tensordot(answer.T, handles(), axes=1)  # (dimension, vertex, 3)
    # The one that sizes the template scales all of it, and the handles take the others back.
    first, own = _sizing(names), _measured(head.mesh.vertices, names)
    rest = np.where(np.arange(len(names)) == first, 0.0, own)
    move[first] = (head.mesh.vertices - np.tensordot(answer @ rest, handles(), axes=1)) / own[first]
    centre = move[:, head.mesh.triangles].mean(axis=2)
    normal = head.mesh.area_vectors / head.mesh.areas[:, None]
    along = np.einsum("dti,ti->dt", centre, normal) * np.array([sd[n] for n in names])[:, None]
    variance = (along**2).sum(axis=0)
    area = np.bincount(head.region_of_triangle, weights=head.mesh.areas)
    mean = np.bincount(head.region_of_triangle, weights=head.mesh.areas * variance) / area
    return {n: float(Z90 * np.sqrt(m)) for n, m in zip(head.region_names, mean)}


def _step(t: FloatArray, start: float, end: float) -> FloatArray:
    """Return 0 before `start`, 1 after `end`, twice differentiable between; start may lie above end."""
    s: FloatArray = np.clip((t - start) / (end - start), 0.0, 1.0)
    return s**3 * (10 - 15 * s + 6 * s**2)


def _within(t: FloatArray, inner: float, outer: float) -> FloatArray:
    """Return 1 where a distance is below `inner`, 0 above `outer`, smooth between."""
    return 1.0 - _step(t, inner, outer)


@lru_cache(maxsize=1)
def handles() -> FloatArray:
    """Return the displacement fields (k, n, 3), each about 1 mm of what it is for.

    Numbers are mm in the template's frame: front at y = -121, top at z = 124, back of the head at y = 88, tragions at
    (y, z) = (-12, -4), menton at (-88, -92), larynx at (-43, -116), the cut at z = -188.
    """
    v = template_head().mesh.vertices
    x, y, z = v.T
    wide, side = np.abs(x), np.sign(x)
    o = np.zeros(len(v))

    def field(dx: FloatArray, dy: FloatArray, dz: FloatArray) -> FloatArray:
        return np.stack([dx, dy, dz], axis=1)

    skull = _step(z, -30.0, 32.0)
    # Corners of the skull's outline: where both |x| and |y| are large, seen from above, and from the front.
    X, Y, Z = x / 72.0, (y + 9.0) / 97.0, z / 124.0
    corner = 4 * np.minimum(X**2 * Y**2, 0.5) * skull
    over = 4 * np.minimum(X**2 * np.maximum(Z, 0) ** 2, 0.5) * skull
    # The lower face and what hangs from it; below, the neck gives way gradually.
    front = _step(y, 10.0, -60.0)
    hang = _step(z, -185.0, -95.0)
    chin = _step(z, -145.0, -92.0)
    jaw = _step(z, -15.0, -65.0) * _step(z, -125.0, -90.0) * _step(y, 25.0, -15.0)
    # The neck leans: distances are taken from its axis.
    axis_y = np.interp(z, [-190.0, -120.0, -60.0], [38.0, 18.0, 5.0])
    level = z - 0.45 * (y - 20.0)  # as the neck's own sections lie
    neck = _step(level, -35.0, -85.0) * _step(level, -150.0, -92.0)
    base = _step(level, -80.0, -130.0) * _step(z, -187.0, -165.0) * _within(wide, 75.0, 150.0)
    below_jaw = _within(np.hypot(y + 50.0, z + 95.0), 8.0, 48.0)
    # The ear, in the directions along it and square to that.
    at_side = _step(wide, 40.0, 62.0)
    along, across = 0.154 * (y - 1.0) + 0.988 * (z + 4.0), 0.988 * (y + 14.0) - 0.154 * (z + 4.0)
    whole_ear = _within(np.hypot((y - 1.0) / 0.9, z + 4.0), 26.0, 82.0) * at_side
    # Most of a longer or broader ear is what stands off the skin; the skin behind it hardly moves.
    off_skin = 0.25 + 0.75 * _step(wide - 66.0 - 0.25 * np.minimum(z, 20.0), 0.0, 8.0)
    ear = np.exp(-(((y - 10.0) / 24.0) ** 4) - ((z + 2.0) / 36.0) ** 4) * _step(wide, 66.0, 82.0)
    longer = np.clip(along / 52.0, -0.55, 0.55) * whole_ear * off_skin
    broader = np.clip(across / 26.0, -0.2, 1.1) * whole_ear * off_skin
    eyes = np.exp(-(((y + 96.0) / 40.0) ** 2) - ((z - 19.0) / 30.0) ** 2 - (x / 60.0) ** 2)
    nose = np.exp(-((x / 16.0) ** 2) - ((z + 22.0) / 20.0) ** 2) * _step(y, -88.0, -120.0)
    return np.stack(
        [
            field(0.5 * X * skull, o, o),  # breadth of the skull
            field(o, _step(y, -90.0, 85.0) * _step(z, -95.0, 25.0), o),  # its length
            field(0.35 * X * corner, 0.35 * Y * corner, o),  # how square it is from above
            field(0.5 * X * over, o, 0.5 * Z * over),  # and from the front
            field(o, o, _step(z, 0.0, 122.0)),  # its height
            field(o, o, -_step(z, 20.0, -90.0) * front * hang),  # length of the face
            field(0.5 * X * _step(z, -90.0, -5.0) * _step(z, 75.0, 5.0), o, o),  # its breadth
            field(o, -_step(y, 5.0, -95.0) * _step(z, 40.0, -60.0) * chin, o),  # its depth
            field(o, -0.5 * _step(y, -10.0, -85.0) * _step(z, -20.0, -75.0) * chin, o),  # the chin forward
            field(0.5 * x / 45.0 * jaw, o, o),  # breadth of the jaw
            field(o, -0.48 * below_jaw, -0.87 * below_jaw),  # the corner between jaw and throat
            field(side * ear, o, o),  # ears: outwards,
            field(o, whole_ear, o),  # backwards,
            field(o, 0.154 * longer, 0.988 * longer),  # along
            field(o, 0.988 * broader, -0.154 * broader),  # and across
            field(0.5 * x / 29.4 * eyes, o, o),  # the eyes apart
            field(o, -nose, o),  # the nose forward
            field(x / 120.0 * neck, (y - axis_y) / 120.0 * neck, o),  # girth of the neck
            field(x / 120.0 * base, (y - axis_y) / 120.0 * base, o),  # and of its base
        ]
    )
