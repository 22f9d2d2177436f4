# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts that lie as for printing are put together by their flat faces, or it is said that they cannot be."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapes
from cut_helm import cut_in_four, cut_in_two, half, helm, meshed
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold

from arming_cap import batch
from arming_cap.core.errors import Cancelled, InputError
from arming_cap.core.formats import write_mesh
from arming_cap.core.make.assembly import assemble, put_together
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose

FOUR = cut_in_four()


def scattered(parts, seed):
    rng = np.random.default_rng(seed)
    motions = [Pose.of(rng.uniform(-400, 400, 3), rng.uniform(-180, 180, 3)) for _ in parts]
    return motions, Piece("helm", tuple(Part(p.name, p.mesh.moved(m)) for p, m in zip(parts, motions)))


def off_mm(parts, motions, poses) -> float:
    """How far corners of parts lie from where they belong, beside the first part."""
    home = motions[0].then(poses[parts[0].name]).inverse()
    worst = 0.0
    for part, motion in zip(parts, motions):
        back = motion.then(poses[part.name]).then(home)
        worst = max(worst, float(np.linalg.norm(back.apply(part.mesh.vertices) - part.mesh.vertices, axis=1).max()))
    return worst


@settings(max_examples=4)
@given(st.integers(0, 10**6))
def test_four_parts_come_together_wherever_they_lie(seed):
    motions, piece = scattered(FOUR, seed)
    found = assemble(piece)
    assert not found.loose and len(found.seams) == 3
    assert off_mm(FOUR, motions, found.poses) < 0.1
    assert max(seam.gap_mm for seam in found.seams) < 0.05


def test_what_fits_two_ways_round_is_said_to():
    # A round shell with a level cut: above and below fit at any turn.
    round_ = Manifold.sphere(80, 48) - Manifold.sphere(76, 48)
    halves = [
        Part(n, meshed(half(round_.trim_by_plane((0, 0, 1), -60), (0, 0, s), s * 10.0), n))
        for n, s in (("a", 1), ("b", -1))
    ]
    _, piece = scattered(halves, 2)
    together, said = put_together(piece)
    assert len(together.parts) == 2 and any("another way round" in text for text in said)
    _, piece = scattered(FOUR, 2)
    assert not any("another way round" in text for text in put_together(piece)[1])


def test_pins_and_holes_in_a_seam_do_not_matter():
    whole = helm()
    pin = Manifold.cylinder(10, 1.4, 1.4, 24)
    top = half(whole, (0, 0, 1), 21.0)
    below = half(whole, (0, 0, -1), -21.0)
    for angle in (20, 150, 265):
        at = (90.5 * np.cos(np.radians(angle)), 6 + 109.0 * np.sin(np.radians(angle)), 16)
        top, below = top + (pin.translate(at) ^ whole), below - pin.translate(at)
    parts = [Part("top", meshed(top, "top")), Part("below", meshed(below, "below"))]
    motions, piece = scattered(parts, 5)
    found = assemble(piece)
    assert not found.loose and off_mm(parts, motions, found.poses) < 0.2


def test_what_matches_nothing_is_refused_by_name():
    ball = Part("ball", shapes.sphere(40, 32))
    _, piece = scattered(FOUR, 1)
    mixed = Piece("helm", (*piece.parts, ball))
    assert assemble(mixed).loose == ("ball",)
    with pytest.raises(InputError, match="no flat face of ball"):
        put_together(mixed)


def test_the_command_line_puts_parts_together(tmp_path, capsys):
    # The larger part is left where it is worn, the other lies turned beside it.
    larger, other = (part.mesh for part in cut_in_two())
    write_mesh(tmp_path / "larger.ply", larger)
    write_mesh(tmp_path / "other.ply", other.moved(Pose.of((300, 40, -90), (75, 20, 130))))
    write_mesh(tmp_path / "whole.ply", meshed(helm(), "whole"))

    placed: dict = {}

    def widths(*arguments) -> list[float]:
        assert batch.main(["section", *arguments, "--heights", "-30:50:40", "--json"]) == 0
        said = json.loads(capsys.readouterr().out)
        assert any("put together" in text for text in said["warnings"]) == ("--assemble" in arguments)
        if "--assemble" in arguments:
            placed.update({part["part"]: part for part in said["result"]["assembly"]})
        else:
            assert "assembly" not in said["result"]
        return [plane[key] for plane in said["result"]["planes"] for key in ("inner_width_mm", "inner_depth_mm")]

    apart = [str(tmp_path / name) for name in ("larger.ply", "other.ply")]
    assert widths(*apart, "--assemble") == pytest.approx(widths(str(tmp_path / "whole.ply")), abs=0.1)
    # The document says how each part was moved, and by which seam.
    back = Pose.of((300, 40, -90), (75, 20, 130)).then(
        Pose.of(placed["other"]["translation_mm"], placed["other"]["rotation_deg"])
    )
    assert np.abs(back.apply(other.vertices) - other.vertices).max() < 0.1
    assert placed["larger"]["translation_mm"] == placed["larger"]["rotation_deg"] == [0.0, 0.0, 0.0]
    assert [seam["part"] for seam in placed["other"]["matched_by"]] == ["larger"]
    assert placed["other"]["matched_by"][0]["gap_mm"] < 0.1 < placed["other"]["matched_by"][0]["area_mm2"]


def test_putting_together_tells_how_far_it_is_and_can_be_stopped():
    _, piece = scattered(FOUR, 1)
    told: list[tuple[float, str]] = []
    assemble(piece, lambda share, text: told.append((share, text)))
    shares = [share for share, _ in told]
    assert shares == sorted(shares) and shares[-1] == 1.0 and len(told) > 2 * len(FOUR)

    def stop(share, text):
        raise Cancelled

    with pytest.raises(Cancelled):
        assemble(piece, stop)
