"""Scans come home: unit, pose, hand, holes, cap and noise, against the truth that the synthetic scans carry.

The bounds are those of scripts/validate_scans.py, where the whole campaign is; here are a few of its seeds.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapes
from scans import body_subject, dropped, make_scan

from arming_cap.core.errors import Cancelled, InputError
from arming_cap.core.mesh import TriangleMesh
from arming_cap.core.wearer.scan import form_of_scan
from arming_cap.core.wearer.scanfit import fairing
from arming_cap.core.wearer.scanplace import ASKED
from arming_cap.core.wearer.template import template_head
from validate_scans import errors_of, is_right

SEEDS = (11, 17, 22)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_scan_comes_home(seed):
    scan = make_scan(seed)
    found = form_of_scan(scan.mesh, offsets_mm=scan.offsets_mm)
    assert is_right(errors_of(scan, found)), errors_of(scan, found)
    assert found.form.mesh.soundness.solid and found.form.source == "scan"
    assert 0.5 <= found.confidence <= 1.0 and len(found.deviation_mm) == len(found.form.mesh.vertices)


def test_without_noise_the_length_is_the_bodys_own():
    # The template's crease along the middle of the skull once made this one 0.8 mm too long.
    still = {"white_mm": 0.0, "smooth_mm": 0.0, "cap_mm": 0.0, "chin_hole_mm": 0.0, "crown_hole_mm": 0.0}
    scan = make_scan(2, "b", cut="neck", density=1, loose=0, **still)
    off = errors_of(scan, form_of_scan(scan.mesh))
    assert abs(off["length"]) < 0.5 and abs(off["breadth"]) < 0.5, off


def test_smoothing_the_skull_keeps_its_size_and_its_symmetry():
    moved, template = fairing(), template_head()
    np.testing.assert_allclose(moved, moved[template.mirror], atol=1e-9)
    skull = moved[moved != 0]
    assert np.abs(skull).max() < 0.6 and abs(skull.mean()) < 0.05


def test_three_landmarks_replace_the_search_and_tell_the_hand():
    # Mirrored and turned outside out again: only landmarks can tell.
    scan = make_scan(6, "c", mirrored=True, cut="neck", density=0, cap_mm=0.0)
    outside = TriangleMesh(scan.mesh.vertices, scan.mesh.triangles[:, ::-1], scan.mesh.name)
    clicks = {n: scan.landmarks[n] for n in ASKED}
    found = form_of_scan(outside, landmarks=clicks)
    assert found.mirrored and is_right(errors_of(scan, found)), errors_of(scan, found)


def test_half_a_head_is_asked_for():
    scan = make_scan(2, "a", cut="neck", density=1, cap_mm=0.0, mirrored=False, chin_hole_mm=0.0, crown_hole_mm=0.0)
    at, other = scan.landmarks["tragion_left"], scan.landmarks["tragion_right"]
    side = (scan.mesh.vertices - (at + other) / 2) @ (at - other)
    half = dropped(scan.mesh, side < -0.1 * np.linalg.norm(at - other) ** 2)
    with pytest.raises(InputError, match="tragion_left"):
        form_of_scan(half)


@pytest.mark.parametrize(
    "make",
    [
        lambda: shapes.box((180.0, 180.0, 180.0)),
        lambda: shapes.sphere(110.0),
        lambda: shapes.ellipsoid((77, 99, 115)),
        lambda: shapes.dome(105, 111),
        lambda: shapes.tube(80, 90, 220),
    ],
)
def test_what_is_no_head_is_refused_in_one_line(make):
    with pytest.raises(InputError, match="no head was recognised in the scan") as told:
        form_of_scan(make())
    assert "\n" not in str(told.value)


def test_a_tape_reading_that_disagrees_is_told():
    scan = make_scan(9, cap_mm=0.0)
    person = scan.subject
    known = {"head_breadth": 1.05 * person.breadth_mm, "head_length": person.length_mm}
    told = [w for w in form_of_scan(scan.mesh, known_mm=known).warnings if "check the scan's scale" in w]
    assert len(told) == 1 and told[0].startswith("head breadth is ")


def test_an_upright_scan_stays_where_it_is():
    scan = make_scan(5, "a", turned=False, unit="cm", mirrored=False, cut="neck", density=0)
    found = form_of_scan(scan.mesh)
    np.testing.assert_array_equal(found.to_form.linear, 10.0 * np.eye(3))
    np.testing.assert_array_equal(found.to_form.shift, 0.0)
    assert np.linalg.norm(found.form.landmarks["sellion"] - body_subject("a").landmarks["sellion"]) < 4.0


def test_it_can_be_stopped():
    def stop(fraction, text):
        if fraction > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        form_of_scan(make_scan(3).mesh, progress=stop)
