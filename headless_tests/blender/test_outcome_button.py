# SPDX-License-Identifier: GPL-3.0-or-later
"""An outcome recorded in the panel stands in the card, names a file that is there, and changes the next size."""

from __future__ import annotations

import bpy
import pytest
from stage_props import ball_in_band, select

from arming_cap.core.fit.size.knownfit import fits_of
from arming_cap.core.wearer.card import read_card

CARD = 'card = 1\nname = "Oda"\nunit = "mm"\n\n[readings]\nhead_circumference = 560  # twice\n'


@pytest.fixture
def tried(scene, tmp_path):
    path = tmp_path / "oda.toml"
    path.write_text(CARD, encoding="utf-8")
    _, band = ball_in_band()
    select(band)
    bpy.ops.arming_cap.open_card(filepath=str(path))
    return path


def test_the_outcome_stands_in_the_card_with_a_file_beside_it(scene, tried):
    assert bpy.ops.arming_cap.record_outcome(outcome="tight", region="temple_left") == {"FINISHED"}
    card = read_card(tried)
    (fit,) = card.known_fits
    assert (fit.verdict, fit.region, fit.scale) == ("tight", "temple_left", 1.0)
    assert "# twice" in tried.read_text(encoding="utf-8")
    known, notes = fits_of(card)
    assert len(known) == 1 and not notes
    bounds = known[0].piece.mesh.bounds
    assert bounds[1] - bounds[0] == pytest.approx([206.0, 206.0, 60.0], abs=0.1)
    from arming_cap.blender import cards

    assert "was tight at the left temple" in cards.history_of(scene.arming_cap.card)[0]


def test_the_same_piece_is_kept_once_and_another_size_anew(scene, tried):
    for outcome in ("tight", "good"):
        bpy.ops.arming_cap.record_outcome(outcome=outcome)
    folder = tried.parent / "oda_tried_on"
    assert len(list(folder.glob("*.ply"))) == 1 and len(read_card(tried).known_fits) == 2
    scene.objects["Band"].scale = (1.1,) * 3
    bpy.ops.arming_cap.record_outcome(outcome="loose")
    assert len(list(folder.glob("*.ply"))) == 2 and len(read_card(tried).known_fits) == 3


def test_without_a_card_it_says_so(scene):
    _, band = ball_in_band()
    select(band)
    with pytest.raises(RuntimeError, match="save it to a file"):
        bpy.ops.arming_cap.record_outcome()
