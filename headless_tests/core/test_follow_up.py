# SPDX-License-Identifier: GPL-3.0-or-later
"""A further ring is proposed only where the outcomes left a doubt."""

from __future__ import annotations

import math

import pytest

from arming_cap.core.make.rings.follow_up import follow_up
from arming_cap.core.make.rings.levels import RingPlane
from arming_cap.core.wearer.card import KnownFit, read_card

UP = (0.0, 0.0, 1.0)
BROW = RingPlane("brow", UP, 40.0, "the forehead", ("forehead", "temple_left"))
NECK = RingPlane("opening", UP, -60.0, "the opening")
GIRTHS = (2 * math.pi * 95, 2 * math.pi * 90)


def left(*fits, scale=0.95, sha=""):
    return {p.name: p.proves for p in follow_up((BROW, NECK), GIRTHS, scale, fits, "helm", sha)}


def at(verdict, level=40.0, scale=0.95, **more):
    return KnownFit("helm", verdict, scale=scale, level_mm=level, **more)


def test_nothing_tried_leaves_everything():
    assert left() == {"brow": "not tried yet; the forehead", "opening": "not tried yet; the opening"}


@pytest.mark.parametrize("verdict", ["would not pass", "tight", "good", "loose"])
def test_an_outcome_at_this_scale_settles_its_level_alone(verdict):
    assert list(left(at(verdict))) == ["opening"]
    assert left(at(verdict), at("good", -60.0)) == {}


def test_contradictions_settle_nothing():
    found = left(at("good"), at("tight"), at("good", -60.0))
    assert found == {"brow": "its outcomes contradict each other: tight and good; the forehead"}


def test_another_scale_tells_what_it_can():
    # At a radius of 95 mm one per cent of scale is 0.95 mm all round: not to be told by hand. Two are.
    assert list(left(at("good", 40 * 0.955 / 0.95, 0.955))) == ["opening"]
    there = {s: at("good", 40 * s / 0.95, s) for s in (0.90, 1.00)}
    for scale, fit in there.items():
        assert left(fit)["brow"].startswith(f"good at {100 * scale:.1f} %, which does not tell for 95.0 %")
    # Tight when larger, or loose when smaller, is no better now.
    assert list(left(at("tight", 40 / 0.95, 1.0))) == ["opening"]
    assert list(left(at("loose", 40 * 0.9 / 0.95, 0.9))) == ["opening"]
    assert "tight at 90.0 %" in left(at("tight", 40 * 0.9 / 0.95, 0.9))["brow"]


def test_outcomes_of_other_pieces_levels_and_regions_do_not_count():
    assert "brow" in left(KnownFit("bracer", "good", level_mm=40.0, scale=0.95))
    assert "brow" in left(at("good", sha256="aa"), sha="bb")
    assert "brow" not in left(at("good", sha256="aa"), sha="aa")
    assert "brow" in left(at("good", 46.0))
    assert "brow" in left(at("good", region="chin")) and "brow" not in left(at("good", region="temple"))


def test_an_outcome_of_the_whole_piece_settles_every_level():
    assert left(KnownFit("helm", "good", scale=0.95)) == {}


def test_from_a_card_on_disk(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text('card = 1\nname = "A"\nunit = "cm"\n', encoding="utf-8")
    card = read_card(path).record_known_fit(at("good"))
    assert [p.name for p in follow_up((BROW, NECK), GIRTHS, 0.95, card.known_fits, "helm")] == ["opening"]
