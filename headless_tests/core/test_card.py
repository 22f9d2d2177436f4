# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearer card: by hand, round trip, and two writers at once."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from arming_cap.core.errors import InputError
from arming_cap.core.wearer import worn
from arming_cap.core.wearer.card import Card, KnownFit, parse_card, read_card
from arming_cap.core.wearer.reading import Reading

BY_HAND = """\
# Ilse, measured in the green room
card = 1
name = "Ilse"
sex = "f"
unit = "in"      # my tape has no millimetres

[readings]
head_circumference = 22.1   # twice
head_breadth = "5.8±0.1"
weight = 61
wrist_circumference = { value = 6.1, sd = 0.05 }

[allowance.hair]
default = 0.1
crown = 0.3   # bun

[allowance.liner]
default = 0.25

[allowance.ears]
ear = -0.25
ear_left = -0.1   # sore
"""


@pytest.fixture
def card_file(tmp_path):
    path = tmp_path / "ilse.toml"
    path.write_text(BY_HAND, encoding="utf-8")
    return path


def test_a_card_by_hand(card_file):
    card = read_card(card_file)
    assert (card.name, card.sex, card.unit) == ("Ilse", "f", "in")
    assert card.readings["head_circumference"] == Reading(pytest.approx(22.1 * 25.4))
    assert card.readings["head_breadth"].sd == pytest.approx(2.54)
    assert card.readings["weight"].value == 61
    assert card.readings["wrist_circumference"].sd == pytest.approx(1.27)
    room = card.allowance_mm()
    assert room["default"] == pytest.approx(0.35 * 25.4)
    assert room["crown"] == pytest.approx(0.55 * 25.4)
    assert room["ear_right"] == pytest.approx(0.10 * 25.4)
    assert room["ear_left"] == pytest.approx(0.25 * 25.4)
    assert card.estimate().dimensions["head_length"].source == "estimated"


def test_writing_back_an_unchanged_card_changes_no_byte(card_file):
    read_card(card_file).write()
    assert card_file.read_text(encoding="utf-8") == BY_HAND


def test_a_change_keeps_comments(card_file):
    card = read_card(card_file)
    changed = replace(card, sex="any", readings={**card.readings, "head_length": Reading(190.5, 2.54)})
    again = changed.write()
    text = card_file.read_text(encoding="utf-8")
    for comment in ("# Ilse, measured", "# my tape has no", "# twice", "# bun", "# sore"):
        assert comment in text
    assert again.readings["head_length"] == Reading(pytest.approx(190.5), pytest.approx(2.54))
    assert again.sex == "any" and "head_circumference = 22.1   # twice" in text


def test_a_change_leaves_what_another_program_wrote(card_file):
    mine, theirs = read_card(card_file), read_card(card_file)
    replace(theirs, readings={**theirs.readings, "stature": Reading(1650)}).write()
    theirs.record_known_fit(KnownFit("Lantern helm", "tight", scale=0.9))
    got = replace(mine, readings={**mine.readings, "calf_circumference": Reading(360)}).write()
    assert {"stature", "calf_circumference"} <= got.readings.keys()
    assert [fit.piece for fit in got.known_fits] == ["Lantern helm"]


def test_a_new_card_reads_back_equal(tmp_path):
    card = Card(
        "Bo",
        "m",
        "mm",
        {"head_circumference": Reading(575.0), "neck_circumference": Reading(400.0, 4.0)},
        {"wig": {"default": 4.0, "crown": 12.0}},
        "bo.glb",
        {"unit": "cm"},
        (KnownFit("Lantern helm", "good", "ab" * 32, 0.95, "temple_left", 40.0, 2.5, "2026-03-01"),),
    )
    path = tmp_path / "bo.toml"
    got = card.write(path)
    assert replace(got, path=None) == card
    assert got.scan_path == tmp_path / "bo.glb"
    # Removing goes through as well.
    fewer = replace(got, readings={}, allowances={}, scan_file=None, scan_settings={}).write()
    assert (fewer.readings, fewer.allowances, fewer.scan_file) == ({}, {}, None)
    assert len(fewer.known_fits) == 1


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("card = 1", "card = 2", "version is 2"),
        ("card = 1", "", "no wearer card"),
        ('unit = "in" ', 'unit = "ell"', "unit is not stated"),
        ('unit = "in" ', 'unit = "mm"', "inches"),
        ('sex = "f"', 'sex = "x"', "use f, m or any"),
        ("head_circumference = 22.1", "head_circumference = nan", "finite"),
        ("head_circumference = 22.1", "head_circumference = -22", "greater than 0"),
        ("head_circumference = 22.1", 'head_circumference = "big"', "is no reading"),
        ("head_circumference = 22.1", "head_circumferenc = 22.1", "did you mean head_circumference"),
        ("head_circumference = 22.1", "head_circumference = true", "finite"),
        ("head_circumference = 22.1", 'head_circumference = "22.1"', "stands in quotes"),
        ("head_circumference = 22.1", 'head_circumference = 22.1\nhat_size = "7 1/4"', "given twice"),
        ("[allowance.hair]", "deep = " + "[" * 3000 + "]" * 3000 + "\n[allowance.hair]", "nested too deep"),
        ("[allowance.hair]", '[allowance]\nworn = ["short hiar"]\n[allowance.hair]', "did you mean short hair"),
        ("[readings]", "[reading]", "did you mean readings"),
        ("crown = 0.3", "crwn = 0.3", "did you mean crown"),
        ("crown = 0.3", "crown = 30", "not plausible"),
        ("[allowance.liner]\ndefault", "[[known_fit]]\nlevel", "no piece"),
        ("sd = 0.05", "sigma = 0.05", "unknown key 'sigma'"),
        ("card = 1", "card = = 1", "not valid TOML"),
        ("card = 1", "card = true", "version is True"),
        ('unit = "in" ', 'unit = ["in"]', "unit is not stated"),
        ('sex = "f"', 'sex = ["f"]', "use f, m or any"),
        ("head_circumference = 22.1", "head_circumference = 1979-05-27", "finite"),
        ("head_circumference = 22.1", 'head_circumference = "22,1"', "with a point instead of the comma"),
        ("sd = 0.05", "sd = -0.05", "spread of wrist circumference is -1.27"),
        ("sd = 0.05", "sd = nan", "finite"),
        ("weight = 61", "weight = 361", "pounds"),
        ("[allowance.hair]", "[allowance]", "give each layer a table"),
        ("wrist_circumference = {", "hand_circumference = 5.0\nwrist_circumference = {", "were the two swapped"),
        (
            "head_circumference = 22.1",
            "head_length = 8.0\nhead_circumference = 19.8",
            "the tape slipped, or the caliper was not square",
        ),
    ],
)
def test_a_bad_card_is_one_clear_line(card_file, old, new, words):
    assert old in BY_HAND
    card_file.write_text(BY_HAND.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_card(card_file)
    message = str(caught.value)
    assert words in message and "ilse.toml" in message and "\n" not in message


def test_a_broken_card_is_not_rewritten(card_file):
    card = read_card(card_file)
    card_file.write_text("card = 1\nnonsense", encoding="utf-8")
    with pytest.raises(InputError):
        card.record_known_fit(KnownFit("Lantern helm", "good"))
    assert card_file.read_text(encoding="utf-8") == "card = 1\nnonsense"


def test_an_unknown_outcome_is_refused(card_file):
    with pytest.raises(InputError, match="did you mean tight"):
        read_card(card_file).record_known_fit(KnownFit("Lantern helm", "tigth"))
    assert card_file.read_text(encoding="utf-8") == BY_HAND


def test_what_is_worn_by_name_and_a_hat_size(card_file):
    text = BY_HAND.replace("head_circumference = 22.1   # twice", 'hat_size = "7 1/4"').replace('"f"', '"female"')
    card_file.write_text(
        text.replace("[allowance.hair]", '[allowance]\nworn = ["short hair"]\n[allowance.hair]'), encoding="utf-8"
    )
    card = read_card(card_file)
    assert card.sex == "f" and card.worn == ("short hair",)
    assert card.readings["head_circumference"].value == pytest.approx(578.5, abs=0.1)
    # Layers add up: hair and liner of the card by number, short hair by name
    room = card.allowance_mm()
    assert room["crown"] == pytest.approx(0.55 * 25.4 + 4) and room["default"] == pytest.approx(0.35 * 25.4)
    assert room["ear_right"] == pytest.approx(0.10 * 25.4 - 3)
    again = replace(card, worn=("bun",), readings={**card.readings, "head_circumference": Reading(575)}).write()
    assert again.worn == ("bun",) and again.readings["head_circumference"].value == pytest.approx(575)
    assert replace(again, worn=()).write().worn == ()


def test_what_is_worn_lies_on_the_skull():
    room = worn.room_of("long hair + glasses")
    assert room["crown"] == 6 and room["temple_left"] == 9 and room["ear_left"] == 0 and room["default"] == 0
    assert not [r for r in room if "neck" in r or "shoulder" in r]
    assert worn.room_of("foam 12")["crown"] == 12 and worn.room_of("bare")["ear_right"] == -3
    assert "common practice, no source" in worn.in_figures("foam 12") and "12 mm at crown" in worn.in_figures("foam 12")
    for bad in ("foam 90", "bun + bun", "top hat"):
        with pytest.raises(InputError):
            worn.room_of(bad)


FIT = """
[[known_fit]]
piece = "Lantern helm"
verdict = "tight"
scale = 0.95
region = "temple"
gap = -0.08
level = 3.5
date = 2026-03-01
sha256 = "{}"
""".format("0c" * 32)


def test_a_known_fit_by_hand(card_file):
    card_file.write_text(BY_HAND + FIT, encoding="utf-8")
    (fit,) = read_card(card_file).known_fits
    assert (fit.piece, fit.verdict, fit.scale, fit.region) == ("Lantern helm", "tight", 0.95, "temple")
    assert fit.gap_mm == pytest.approx(-0.08 * 25.4) and fit.level_mm == pytest.approx(3.5 * 25.4)
    assert (fit.date, fit.sha256) == ("2026-03-01", "0c" * 32)
    again = replace(fit, piece="Heron helm", gap_mm=None)
    card = read_card(card_file).record_known_fit(again)
    assert card.known_fits == (fit, replace(again, level_mm=pytest.approx(3.5 * 25.4)))
    assert card_file.read_text(encoding="utf-8").startswith(BY_HAND + FIT)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("scale = 0.95", "scale = 95", "per cent"),
        ("scale = 0.95", "scale = nan", "finite"),
        ("scale = 0.95", "scale = -1", "not above 0"),
        ("gap = -0.08", "gap = inf", "finite"),
        ("gap = -0.08", "gap = 30", "not plausible"),
        ('region = "temple"', 'region = "tempel"', "did you mean temple"),
        ('piece = "Lantern helm"', 'piece = " "', "no name"),
        ('verdict = "tight"', "verdict = 3", "no verdict"),
        ("date = 2026-03-01", 'date = "in March"', "is no date"),
        ("0c0c", "zz", "no SHA-256"),
        ("level = 3.5", "level_mm = 3.5", "did you mean level"),
    ],
)
def test_a_bad_known_fit_is_one_clear_line(card_file, old, new, words):
    assert old in FIT
    card_file.write_text(BY_HAND + FIT.replace(old, new), encoding="utf-8")
    with pytest.raises(InputError, match=words) as caught:
        read_card(card_file)
    assert "\n" not in str(caught.value)


def test_byte_order_mark_is_no_fault():
    assert parse_card("card = 1\nunit = 'mm'\n").name == ""


WRITER = """
import sys
from arming_cap.core.wearer.card import KnownFit, read_card
for i in range(15):
    read_card(sys.argv[1]).record_known_fit(KnownFit(f"{sys.argv[2]}{i}", "good"))
"""


def test_two_processes_writing_at_once_lose_nothing(card_file):
    root = Path(__file__).parents[2] / "addon"
    run = [
        subprocess.Popen(
            [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(root)!r})\n{WRITER}", str(card_file), letter]
        )
        for letter in "ab"
    ]
    assert [process.wait(60) for process in run] == [0, 0]
    assert {fit.piece for fit in read_card(card_file).known_fits} == {f"{x}{i}" for x in "ab" for i in range(15)}
    assert "# bun" in card_file.read_text(encoding="utf-8")
