# SPDX-License-Identifier: GPL-3.0-or-later
"""Known fits: the update against the textbook's other form of it, the hollow of a print against closed forms."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.known import read_known
from arming_cap.core.errors import InputError
from arming_cap.core.files import sha256
from arming_cap.core.fit.size import knownfit
from arming_cap.core.fit.size.knownfit import FELT, PRIOR, Normal, TriedOn, corrected, fits_of, tried_on
from arming_cap.core.fit.size.sizing import size
from arming_cap.core.formats import write_mesh
from arming_cap.core.make.walls.hollow import hollow_of
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.card import KnownFit, read_card
from arming_cap.core.wearer.form import Form, Wearer


def piece_of(mesh: TriangleMesh) -> Piece:
    return Piece("piece", (Part("piece", mesh),))


def halves() -> Form:
    mesh = shapes.sphere(60, 64)
    up = (mesh.corners.mean(axis=1)[:, 2] > 0).astype(np.int64)
    return Form(mesh, ("nape", "crown"), up)


def test_one_reading_is_shared_between_all_regions_and_its_own():
    # Centre 4 mm low: the crown has 80 - 4 - 60 = 16, allowance 5, so 11 by measurement; felt tight (-1.5 ± 1.5):
    # a reading of 12.5 with variance 2.25 of a sum with variance 4 + 4
    wearer = Wearer("ball", halves(), {"default": 5.0})
    fit = KnownFit("shell", "tight", region="crown")
    after, said, rooms = corrected(wearer, [TriedOn(fit, piece_of(shapes.sphere(80, 64, centre=(0, 0, -4))))], "fixed")
    gain = 8 / (8 + 1.5**2)
    assert after.allowance("crown") == pytest.approx(5 + gain * 12.5, abs=0.15)
    assert after.allowance("nape") == pytest.approx(5 + gain / 2 * 12.5, abs=0.1)
    # The prior and the effect are said
    assert "5.0 ± 2.8 mm before" in said[0] and f"± {np.sqrt(8 * (1 - gain)):.1f} mm after" in said[0]
    assert rooms.covariance[1, 1] == pytest.approx(8 * (1 - gain)) and rooms.covariance[0, 1] < rooms.covariance[1, 1]
    assert corrected(wearer, [])[0].allowance("crown") == 5.0
    assert corrected(wearer, [])[2] is None


def test_what_a_known_fit_leaves_unsure_of_the_room_widens_the_size():
    # A ball in a ball, about their middle: s·72 = 60 + need; the need has the posterior's spread, here of one region
    wearer = Wearer("ball", Form(shapes.sphere(60, 96)), {"default": 5.0})
    tried = TriedOn(KnownFit("shell", "good"), piece_of(shapes.sphere(66.5, 96)))
    after, _, rooms = corrected(wearer, [tried], "fixed")
    sd = np.sqrt(8 * 4 / (8 + 4))
    found = size(piece_of(shapes.sphere(80, 96)), after, causes=rooms)
    assert after.allowance("whole") == pytest.approx(5.0, abs=0.1)
    assert found.scale == pytest.approx(65 / 80, rel=0.003)
    assert found.range[1] - found.range[0] == pytest.approx(2 * 1.645 * sd / 80, rel=0.05)
    assert size(piece_of(shapes.sphere(80, 96)), after).range[0] == pytest.approx(found.scale)


def test_a_ring_tells_of_the_regions_that_it_crosses():
    # The shell stands 4 mm low: the crown's least is 16 mm over the top; a ring at z = -20 crosses the nape alone,
    # where the shell of 80 about (0, 0, -4) is r = √(80² - 16²) = 78.38 out at z = -20, 80.88 from the middle
    wearer = Wearer("ball", halves(), {"default": 5.0})
    low = piece_of(shapes.sphere(80, 128, centre=(0, 0, -4)))
    left = knownfit._left(low, wearer, Pose(), -20.0)
    assert list(left) == ["nape"]
    # Least at the band's upper edge, z = -15: √(80² - 11²) = 79.24, 80.65 from the middle
    assert left["nape"] == pytest.approx(np.hypot(79.24, 15) - 60 - 5, abs=0.1)
    ring, _, _ = corrected(wearer, [TriedOn(KnownFit("shell", "tight", level_mm=-20.0), low)], "fixed")
    whole, _, _ = corrected(wearer, [TriedOn(KnownFit("shell", "tight"), low)], "fixed")
    assert ring.allowance("nape") > ring.allowance("crown")
    assert whole.allowance("crown") > whole.allowance("nape")
    nothing, said, _ = corrected(wearer, [TriedOn(KnownFit("shell", "tight", level_mm=300.0), low)], "fixed")
    assert nothing.allowance("nape") == 5.0 and "has nothing near 300 mm" in said[0]


def test_a_piece_that_fitted_as_measured_changes_next_to_nothing():
    # 60 + 5 + 1.5: good is what a margin of 1.5 mm feels like
    wearer = Wearer("ball", halves(), {"default": 5.0})
    shell = piece_of(shapes.sphere(66.5, 64, centre=(0, 0, 0.3)).scaled(1 / 0.95))
    after, _, _ = corrected(wearer, [TriedOn(KnownFit("shell", "good", scale=0.95), shell)], "best")
    assert after.allowance("crown") == pytest.approx(5.0, abs=0.3)


def test_the_update_in_information_form():
    # Covariance form (Kalman) here, information form there: (S⁻¹ + Hᵀ R⁻¹ H)⁻¹, any textbook on linear estimation
    rng = np.random.default_rng(3)
    rows = [0, 2, 2, 1]
    readings = [Normal(float(v), float(s)) for v, s in zip(rng.normal(0, 3, 4), rng.uniform(0.5, 3, 4))]
    mean, covariance = knownfit._posterior(4, rows, readings)
    H = np.zeros((4, 5))
    H[:, 0] = 1
    H[np.arange(4), 1 + np.array(rows)] = 1
    weight = np.diag([1 / r.sd**2 for r in readings])
    left = np.linalg.inv(np.diag([PRIOR[0] ** -2.0] + [PRIOR[1] ** -2.0] * 4) + H.T @ weight @ H)
    state = left @ H.T @ weight @ [r.mean for r in readings]
    np.testing.assert_allclose(mean, state[0] + state[1:], atol=1e-9)
    np.testing.assert_allclose(covariance[3, 3], left[0, 0] + left[4, 4] + 2 * left[0, 4], atol=1e-9)
    np.testing.assert_allclose(covariance[1, 3], left[0, 0] + left[0, 4] + left[2, 0] + left[2, 4], atol=1e-9)


def test_outcomes_stand_in_order():
    means = [FELT[name].mean for name in ("would not pass", "tight", "good", "loose")]
    assert means == sorted(means) and means[1] < 0 < means[2]


def shell(inner: float, outer: float) -> TriangleMesh:
    """A helmet's sort of shell: a bowl, open below the middle."""
    return shapes.dome(inner, outer, neck_z=-0.6 * inner, segments=64, rings=32)


def test_the_hollow_of_a_bowl_is_what_it_encloses():
    form, remarks = hollow_of(piece_of(shell(80, 84)))
    # A ball cut at z = -48: π h² (3R - h)/3 is cut off, h = 80 - 48
    whole, off = 4 / 3 * np.pi * 80**3, np.pi * 32**2 * (3 * 80 - 32) / 3
    assert form.mesh.volume_mm3 == pytest.approx(whole - off, rel=0.01)
    assert not remarks
    assert form.mesh.bounds[0, 2] == pytest.approx(-48, abs=0.5)
    open_soup = TriangleMesh(shell(80, 84).vertices, shell(80, 84).triangles[:-3], "torn")
    torn, remarks = hollow_of(piece_of(open_soup))
    assert torn.mesh.volume_mm3 == pytest.approx(whole - off, rel=0.01) and remarks


def card_with(folder, mesh: TriangleMesh, **fit) -> None:
    write_mesh(folder / "old.ply", mesh)
    text = "\n".join(f"{k} = {v!r}".replace("'", '"') for k, v in fit.items())
    (folder / "kerr.toml").write_text(
        f'card = 1\nname = "Kerr"\nunit = "mm"\n[[known_fit]]\npiece = "old.ply"\n{text}\n', "utf-8"
    )


def test_with_nothing_else_known_the_new_hollow_must_hold_the_old(tmp_path):
    # Bowls of one shape: 80 · 0.95 held in 100 · s asks for s = 0.76
    card_with(tmp_path, shell(80, 84), verdict="good", scale=0.95)
    known = read_known(tmp_path / "kerr.toml")
    assert known.stand_in and "stands in for the form" in known.read.warnings[0]
    found = size(piece_of(shell(100, 105)), known.read.wearer)
    assert found.scale == pytest.approx(0.76, rel=0.001)
    # The very piece again: what it was worn at
    again = size(piece_of(shell(80, 84)), known.read.wearer)
    assert again.scale == pytest.approx(0.95, rel=0.001)
    # It was tight: good is 3 mm more all round
    card_with(tmp_path, shell(80, 84), verdict="tight", scale=0.95)
    tight = read_known(tmp_path / "kerr.toml")
    assert tight.read.wearer.allowance("whole") == pytest.approx(3.0)
    assert tight.with_allowances({"default": 2.0}, "fixed").read.wearer.allowance("whole") == pytest.approx(5.0)


def test_a_file_that_is_gone_or_changed_is_said_in_one_line(tmp_path):
    card_with(tmp_path, shell(80, 84), verdict="good", sha256="0f" * 32)
    with pytest.raises(InputError, match="not the one that was tried on"):
        read_known(tmp_path / "kerr.toml")
    (tmp_path / "old.ply").unlink()
    with pytest.raises(
        InputError, match=r"kerr.toml: the known fit 'old.ply' cannot be used: old.ply is gone; put the file back"
    ):
        read_known(tmp_path / "kerr.toml")
    card = read_card(tmp_path / "kerr.toml")
    usable, said = fits_of(card)
    assert not usable and len(said) == 1 and "is gone" in said[0]


def test_a_piece_of_several_files_is_known_by_all_of_them(tmp_path):
    mesh = shell(80, 84)
    names = ["a.ply", "b.ply"]
    for name, rows in zip(names, (slice(None, 900), slice(900, None))):
        write_mesh(tmp_path / name, mesh.submesh(np.arange(len(mesh))[rows]))
    digest = knownfit.identity([sha256((tmp_path / n).read_bytes()) for n in names])
    one = tried_on(KnownFit("a.ply; b.ply", "good", digest), tmp_path)
    assert len(one.piece.parts) == 2
    assert len(one.piece.mesh) == len(mesh)
    with pytest.raises(InputError, match="not the one"):
        tried_on(dataclasses.replace(one.fit, piece="b.ply; a.ply"), tmp_path)


def test_solids_within_one_another_are_one_print():
    both = joined([shell(80, 84), shapes.sphere(3, 24, centre=(0, 0, 82))], "bowl with a rivet")
    form, _ = hollow_of(piece_of(both))
    assert form.mesh.bounds[1, 2] == pytest.approx(79, abs=1.2)
