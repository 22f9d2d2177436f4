# SPDX-License-Identifier: GPL-3.0-or-later
"""A headform from dimensions: the template bent until measuring it returns them.

Each dimension has one smooth displacement field over the template, made of smooth steps in its frame (`_fields`): the
skull widens, the chin drops, the neck swells. The surface is the template, scaled to the circumference, plus a weighted
sum of these fields; the weights are found by Newton steps on the measured dimensions with Broyden's update of the
template's own Jacobian. Where fewer dimensions are given than there are fields, the smallest change wins. The fields
are even in x, so the form is as symmetric as the template.

The submandibular arc is measured on a form but does not shape it: it is soft flesh, and the neck and the chin's height
already place the corner that it runs through.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from ..arrays import FloatArray
from ..errors import InputError
from .form import Form
from .measure import Ruler
from .template import template_head

# Measuring the form returns each dimension to this; the contract with the user is 1 mm.
TOLERANCE_MM = 0.2
CONTRACT_MM = 1.0
MOST_STEPS = 24
FRESH = 6
DAMPING = 0.01
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
    return Form(form.mesh, form.region_names, form.region_of_triangle, form.landmarks, spread, "card")


def wider_form(dimensions: Mapping[str, tuple[float, float]], name: str = "headform, wider") -> Form:
    """Return the headform with every dimension at the upper end of its 90 % interval."""
    upper = {n: (m + Z90 * s, 0.0) for n, (m, s) in _checked(dimensions, name).items()}
    return form_from_dimensions(upper, name)


def _checked(dimensions: Mapping[str, tuple[float, float]], source: str) -> dict[str, tuple[float, float]]:
    targets = {n: (float(m), float(s)) for n, (m, s) in dimensions.items() if n in _fields()}
    if not targets:
        raise InputError("no head dimension is given", source=source, remedy="give at least head_circumference")
    for n, (m, s) in targets.items():
        if not (np.isfinite(m) and m > 0 and np.isfinite(s) and s >= 0):
            raise InputError(f"{n} = {m} ± {s} is no length in mm", source=source, remedy="correct it")
    return targets


def _bent(weights: FloatArray, scale: float) -> FloatArray:
    v = template_head().mesh.vertices
    return scale * (v + np.tensordot(weights, np.stack(list(_fields().values())), axes=1))


@lru_cache(maxsize=1)
def _ruler() -> Ruler:
    head = template_head()
    return Ruler(head.mesh.triangles, head.region_names, head.region_of_triangle)


def _measured(vertices: FloatArray, names: list[str]) -> FloatArray:
    found = _ruler().measure(vertices, template_head().landmarks_on(vertices))
    return np.array([found[n] for n in names])


@lru_cache(maxsize=1)
def _jacobian() -> FloatArray:
    """Return how each dimension of the template answers to each field, (d, d)."""
    return _slopes(np.zeros(len(_fields())), 1.0, list(_fields()))


def _slopes(weights: FloatArray, scale: float, names: list[str]) -> FloatArray:
    """Return the change of each named dimension per unit of each field and of scale, by central differences."""
    step = 1.0
    columns = [
        _measured(_bent(weights + step * w, scale), names) - _measured(_bent(weights - step * w, scale), names)
        for w in np.eye(len(weights))
    ]
    return np.stack(columns, axis=1) / (2 * step * scale)


def _solved(targets: Mapping[str, float], source: str) -> tuple[FloatArray, float]:
    """Return the fields' weights and the scale at which the form measures as wanted."""
    every, names = list(_fields()), list(targets)
    wanted = np.array([targets[n] for n in names])
    own = _measured(template_head().mesh.vertices, names)
    first = [n for n in ("head_circumference", "head_length", "head_breadth") if n in targets] or names
    scale = float(np.mean([targets[n] / own[names.index(n)] for n in first[:1]]))
    rows = [every.index(n) for n in names]
    jacobian = _jacobian()[rows]
    weights = np.zeros(len(every))
    gap = wanted - own * scale
    best, closest = weights, gap
    for count in range(MOST_STEPS):
        if np.abs(closest).max() < TOLERANCE_MM:
            break
        if count and count % FRESH == 0:  # far from the template its Jacobian is worn out
            weights, gap = best, closest
            jacobian = _slopes(weights, scale, names)
        # A little damping: of two ways to the same dimensions the smaller change of shape wins.
        square = jacobian @ jacobian.T * scale**2
        step = scale * jacobian.T @ np.linalg.solve(square + DAMPING * np.eye(len(names)), gap)
        step *= min(1.0, MOST_STEP_MM / max(float(np.abs(step).max()), 1e-9))
        new = wanted - _measured(_bent(weights + step, scale), names)
        # Broyden: the Jacobian must explain what the step did.
        jacobian = jacobian + np.outer((gap - new) / scale - jacobian @ step, step) / max(float(step @ step), 1e-12)
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


def _spread(sd: Mapping[str, float]) -> dict[str, float]:
    """Return half the 90 % interval of the surface along its normal, RMS over each region, in mm."""
    head = template_head()
    every, names = list(_fields()), list(sd)
    answer = np.linalg.pinv(_jacobian()[[every.index(n) for n in names]], rcond=1e-3)  # weights per mm of a dimension
    move = np.tensordot(answer.T, np.stack(list(_fields().values())), axes=1)  # (dimension, vertex, 3)
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


@lru_cache(maxsize=1)
def _fields() -> dict[str, FloatArray]:
    """Return one displacement field (n, 3) per dimension, scaled to about 1 mm of it.

    Numbers are mm in the template's frame: origin between the tragions, front at y = -121, top at z = 124, menton at
    (y, z) = (-88, -92), the cut at z = -188.
    """
    v = template_head().mesh.vertices
    x, y, z = v.T
    wide = np.abs(x)
    o = np.zeros(len(v))

    def field(dx: FloatArray, dy: FloatArray, dz: FloatArray) -> FloatArray:
        return np.stack([dx, dy, dz], axis=1)

    skull = _step(z, -30.0, 32.0)
    # Corners of the skull's outline: where both |x| and |y| are large, seen from above, and from the front.
    X, Y, Z = x / 72.0, (y + 9.0) / 97.0, z / 124.0
    corner = np.minimum(X**2 * Y**2, 0.5) * skull
    over = np.minimum(X**2 * np.maximum(Z, 0) ** 2, 0.5) * skull
    # The chin and what hangs from it; below, the neck gives way gradually.
    front = _step(y, 10.0, -60.0)
    hang = _step(z, -185.0, -95.0)
    jaw = _step(z, -20.0, -75.0) * hang
    neck = _step(z, -35.0, -95.0) * _step(z, -185.0, -140.0)
    axis_y = np.interp(z, [-190.0, -120.0, -60.0], [38.0, 18.0, 5.0])
    ear = np.exp(-(((y - 10.0) / 24.0) ** 4) - ((z + 2.0) / 36.0) ** 4) * _step(wide, 66.0, 82.0)
    eyes = np.exp(-(((y + 96.0) / 40.0) ** 2) - ((z - 19.0) / 30.0) ** 2 - (x / 60.0) ** 2)
    nose = np.exp(-((x / 16.0) ** 2) - ((z + 22.0) / 20.0) ** 2) * _step(y, -88.0, -120.0)
    return {
        "head_breadth": field(0.5 * X * skull, o, o),
        "head_length": field(o, _step(y, -90.0, 85.0) * _step(z, -95.0, 25.0), o),
        "head_circumference": field(0.35 * x / 72.0 * 4 * corner, 0.35 * Y * 4 * corner, o),
        "tragion_top_of_head": field(o, o, _step(z, 0.0, 122.0)),
        "menton_sellion_length": field(o, o, -_step(z, 20.0, -90.0) * front * hang),
        "bizygomatic_breadth": field(0.5 * X * _step(z, -90.0, -5.0) * _step(z, 75.0, 5.0), o, o),
        "bitragion_arc": field(0.5 * X * 4 * over, o, 0.5 * Z * 4 * over),
        "bitragion_chin_arc": field(0.25 * x / 45.0 * jaw, -0.45 * _step(y, -10.0, -85.0) * jaw, o),
        "ear_protrusion": field(np.sign(x) * ear, o, o),
        "interpupillary_breadth": field(0.5 * x / 29.4 * eyes, o, o),
        "nose_to_back_depth": field(o, -nose, o),
        "neck_circumference": field(x / 360.0 * neck, (y - axis_y) / 360.0 * neck, o),
    }
