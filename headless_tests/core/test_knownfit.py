# SPDX-License-Identifier: GPL-3.0-or-later
"""Known fits: what each outcome says of the wearer, and the hollow of a print, against closed forms."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapes

from arming_cap.core.checks.known import read_known
from arming_cap.core.errors import InputError
from arming_cap.core.files import sha256
from arming_cap.core.fit.size import knownfit
from arming_cap.core.fit.size.knownfit import TriedOn, corrected, fits_of, tried_on
from arming_cap.core.fit.size.sizing import size
from arming_cap.core.fit.size.uncertainty import NORMAL_90
from arming_cap.core.formats import write_mesh
from arming_cap.core.make.walls.hollow import hollow_of
from arming_cap.core.mesh import TriangleMesh, joined
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.wearer.card import KnownFit, read_card
from arming_cap.core.wearer.form import Form, Wearer
from arming_cap.core.wearer.found import ReadWearer


def piece_of(mesh: TriangleMesh) -> Piece:
    return Piece("piece", (Part("piece", mesh),))


def halves() -> Form:
    mesh = shapes.sphere(60, 64)
    up = (mesh.corners.mean(axis=1)[:, 2] > 0).astype(np.int64)
    return Form(mesh, ("nape", "crown"), up)


def learn(wearer: Wearer, *fits: TriedOn, seat: str = "fixed"):
    return corrected(ReadWearer(wearer, ()), fits, seat)


def test_an_outcome_is_shared_between_all_regions_and_its_own():
    # Centre 4 mm low: the crown has 80 - 4 - 60 = 16, allowance 5, so 11 by measurement; a gap of -1.5 ± 1 was felt: a
    # reading of 12.5 of a sum with variance 4 + 4, the textbook's gain
    wearer = Wearer("ball", halves(), {"default": 5.0})
    fit = KnownFit("shell", "tight", region="crown", gap_mm=-1.5)
    after = learn(wearer, TriedOn(fit, piece_of(shapes.sphere(80, 64, centre=(0, 0, -4)))))
    gain = 8 / (8 + 1.0**2)
    room, said = after.read.wearer, after.read.warnings
    assert room.allowance("crown") == pytest.approx(5 + gain * 12.5, abs=0.5)
    assert room.allowance("nape") == pytest.approx(5 + gain / 2 * 12.5, abs=0.5)
    # The prior and the effect are said
    assert f"5.0 ± {NORMAL_90 * 8**0.5:.1f} mm before" in said[0] and "mm after" in said[0]
    rooms = after.causes.covariance[-2:, -2:]
    assert rooms[1, 1] == pytest.approx(8 * (1 - gain), rel=0.15) and rooms[0, 1] < rooms[0, 0]
    assert learn(wearer).read.wearer.allowance("crown") == 5.0 and learn(wearer).causes is None


def test_the_next_size_lies_between_what_was_tight_and_what_was_good():
    # A ball in the middle of a shell that is tight from side to side: s·66.5 = 60 + 5 + what is truly needed
    wearer = Wearer("ball", Form(shapes.sphere(60, 96), spread_mm={"whole": 3.0}), {"default": 5.0})
    tried = piece_of(shapes.ellipsoid((66.5, 74.0, 74.0), 96))

    def sized(*fits: KnownFit):
        after = learn(wearer, *(TriedOn(fit, tried) for fit in fits))
        return size(tried, after.read.wearer, causes=after.causes)

    before = sized()
    assert before.scale == pytest.approx(65 / 66.5, abs=0.002)
    no = sized(KnownFit("shell", "would not pass"))
    assert no.scale > no.range[0] > 1.0
    between = sized(KnownFit("shell", "tight"), KnownFit("shell", "good", scale=1.05))
    assert 1.0 < between.scale < 1.05 and between.range[0] > 0.993 and between.range[1] < 1.055
    # Another piece of the same wearer is sized by what was learnt: 80 to 66.5
    after = learn(wearer, TriedOn(KnownFit("shell", "would not pass"), tried))
    other = size(piece_of(shapes.ellipsoid((80.0, 89.0, 89.0), 96)), after.read.wearer, causes=after.causes)
    assert other.scale == pytest.approx(no.scale * 66.5 / 80, rel=0.004)


def test_a_ring_tells_of_the_regions_that_it_crosses():
    # The shell stands 4 mm low; a ring at z = -20 crosses the nape alone, where the shell of 80 about (0, 0, -4) is
    # r = √(80² - 16²) = 78.38 out at z = -20, 80.88 from the middle; least at the band's upper edge, z = -15
    wearer = Wearer("ball", halves(), {"default": 5.0})
    low = piece_of(shapes.sphere(80, 128, centre=(0, 0, -4)))
    margins, _, normals, regions = knownfit._band(low, wearer, Pose(), -20.0)
    assert set(regions) == {0}
    assert margins.min() == pytest.approx(np.hypot(79.24, 15) - 60 - 5, abs=0.1)
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1)
    ring = learn(wearer, TriedOn(KnownFit("shell", "tight", level_mm=-20.0), low)).read.wearer
    whole = learn(wearer, TriedOn(KnownFit("shell", "tight"), low)).read.wearer
    assert ring.allowance("nape") > ring.allowance("crown")
    assert whole.allowance("crown") > whole.allowance("nape")
    nothing = learn(wearer, TriedOn(KnownFit("shell", "tight", level_mm=300.0), low)).read
    assert nothing.wearer.allowance("nape") == 5.0 and "has nothing near 300 mm" in nothing.warnings[0]


def test_a_card_learns_of_its_dimensions_too(tmp_path):
    # A girth of the head alone: a helm that would not pass says that something of the head is larger than was guessed
    helm = shapes.dome(100, 104, neck_z=-60, segments=64, rings=32).scaled([0.9, 1.14, 1.3])
    write_mesh(tmp_path / "bowl.ply", helm)
    fit = '[[known_fit]]\npiece = "bowl.ply"\nverdict = "would not pass"\n'
    text = 'card = 1\nname = "Odo"\nsex = "m"\nunit = "mm"\n[readings]\nhead_circumference = 575\n'
    (tmp_path / "odo.toml").write_text(text + fit, "utf-8")
    before = read_known(tmp_path / "odo.toml")
    after = before.with_allowances({"default": 4.0}, "best")
    was, now = before.read.estimate.dimensions, after.read.estimate.dimensions
    moved = {n: (now[n].mean - was[n].mean) / was[n].sd for n in after.causes().names if n in now}
    assert max(moved.values()) > 0.3 and moved["head_circumference"] > -0.1
    assert all(now[n].sd <= 1.05 * was[n].sd for n in moved)
    assert not np.array_equal(after.read.wearer.form.mesh.vertices, before.read.wearer.form.mesh.vertices)
    assert after.causes().draws is not None


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
    # It was tight: good is 3.5 mm more all round
    card_with(tmp_path, shell(80, 84), verdict="tight", scale=0.95)
    tight = read_known(tmp_path / "kerr.toml")
    assert tight.read.wearer.allowance("whole") == pytest.approx(3.5)
    assert tight.with_allowances({"default": 2.0}, "fixed").read.wearer.allowance("whole") == pytest.approx(5.5)


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
