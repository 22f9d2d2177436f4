# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearer card in the panel: typed, estimated, saved, and made into a form that keeps what it is."""

from __future__ import annotations

import json

import bpy
import numpy as np
import pytest
import shapes
from stage_props import put

from arming_cap.core.wearer.card import read_card

CARD = """# taken after rehearsal
card = 1
name = "Oda"
sex = "f"
unit = "in"

[readings]
head_circumference = 22.1   # twice
head_breadth = 5.8

[allowance.hair]
default = 0.1
crown = 0.25

[[known_fit]]
piece = "Lantern helm"
verdict = "good"
"""


@pytest.fixture
def own(scene):
    return scene.arming_cap.card


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "oda.toml"
    path.write_text(CARD, encoding="utf-8")
    return path


def values(own):
    from arming_cap.blender import cards

    return cards.estimates_of(own)["values"]


def form_of(ob):
    from arming_cap.blender import scene as scenes
    from arming_cap.errands import Body

    scene = bpy.context.scene
    mm = scenes.mm_per_unit(scene)
    depsgraph = scenes.depsgraph_of(scene)
    mesh, regions = scenes._read(ob, depsgraph, mm)
    return Body(mesh, regions, scenes.facts_of(ob, mm), scenes.allowances_of(ob)).wearer(ob.name)


def test_a_reading_narrows_the_estimates_as_the_core_says(own):
    from arming_cap.core.wearer.population import estimate
    from arming_cap.core.wearer.reading import Reading

    own.typed_head_circumference = "56.1 cm"
    own.sex = "f"
    expected = estimate({"head_circumference": Reading(561.0)}, "f").dimensions
    assert values(own)["head_circumference"][2] == "measured"
    mean, sd, source = values(own)["head_length"]
    assert source == "estimated"
    assert (mean, sd) == (round(expected["head_length"].mean, 2), round(expected["head_length"].sd, 2))
    own.typed_head_circumference = ""
    assert not own.readings
    assert values(own)["head_circumference"][2] == "estimated"


def test_a_slip_of_the_unit_is_named_and_stops_what_rests_on_it(own):
    own.typed_head_breadth = "150"
    own.readings[0].value_mm = 15.0
    assert "centimetres" in own.trouble and values(own) == {}
    for name in ("make_form", "save_card"):
        with pytest.raises(RuntimeError, match="not plausible"):
            getattr(bpy.ops.arming_cap, name)()
    own.readings[0].value_mm = 150.0
    assert own.trouble == ""
    own.typed_head_breadth = "15"  # and typed, it does not take the place of the reading that was there
    assert "centimetres" in own.trouble and own.typed_head_breadth == "150 mm"


@pytest.mark.parametrize(
    ("typed", "mm"), [("567", 567), ("56.75 cm", 567.5), ("22 3/8 in", 568.325), ('22.5"', 571.5), ("560 ± 3", 560)]
)
def test_a_reading_is_typed_as_the_tape_says_it(own, typed, mm):
    own.typed_head_circumference = typed
    assert own.trouble == "" and own.readings[0].value_mm == pytest.approx(mm, abs=1e-3)
    # What the row then shows can be typed again and means the same.
    shown = own.typed_head_circumference
    own.typed_head_circumference = shown
    assert own.readings[0].value_mm == pytest.approx(mm, abs=6e-3) and len(own.readings) == 1


def test_a_card_goes_through_the_panel_and_keeps_the_rest_of_its_file(own, file):
    bpy.ops.arming_cap.open_card(filepath=str(file))
    assert (own.title, own.sex, own.body_part) == ("Oda", "f", "head")
    assert [row.name for row in own.readings] == ["head_circumference", "head_breadth"]
    bpy.ops.arming_cap.save_card(filepath=str(file))
    assert file.read_text(encoding="utf-8") == CARD  # nothing was changed, so nothing is
    own.typed_head_length = "190.5"
    own.title = "Oda K."
    bpy.ops.arming_cap.save_card()
    text = file.read_text(encoding="utf-8")
    assert "# taken after rehearsal" in text and "# twice" in text and "Lantern helm" in text
    card = read_card(file)
    assert card.name == "Oda K." and card.readings["head_length"].value == pytest.approx(190.5, abs=0.01)
    assert card.readings["head_circumference"].value == pytest.approx(22.1 * 25.4, abs=1e-9)


def test_a_card_that_cannot_be_read_changes_nothing(own, file, tmp_path):
    bpy.ops.arming_cap.open_card(filepath=str(file))
    for text in ("not toml", CARD.replace("22.1", "nan"), CARD.replace("head_breadth", "head_bredth")):
        bad = tmp_path / "bad.toml"
        bad.write_text(text, encoding="utf-8")
        with pytest.raises(RuntimeError, match=r"bad\.toml"):
            bpy.ops.arming_cap.open_card(filepath=str(bad))
        assert own.title == "Oda" and len(own.readings) == 2


def test_the_form_keeps_regions_landmarks_and_spread(scene, own, file):
    """What the object says of itself is what the core made, whatever unit the scene counts in."""
    from arming_cap.core.wearer.cardform import wearer_of_card

    scene.unit_settings.scale_length = 1.0
    bpy.ops.arming_cap.open_card(filepath=str(file))
    assert bpy.ops.arming_cap.make_form() == {"FINISHED"}
    ob = bpy.context.view_layer.objects.active
    assert ob.arming_cap.role == "FORM" and ob.name == "Oda"
    made, own_word = wearer_of_card(file).wearer, form_of(ob)
    assert own_word.form.region_names == made.form.region_names
    assert own_word.form.source == "card" and own_word.form.spread_mm == dict(made.form.spread_mm)
    assert (own_word.form.region_of_triangle == made.form.region_of_triangle).all()
    assert np.abs(own_word.form.mesh.corners - made.form.mesh.corners).max() < 1e-3
    for name, point in made.form.landmarks.items():
        assert np.abs(own_word.form.landmarks[name] - point).max() < 1e-6
    assert own_word.allowance("crown") == pytest.approx(6.35, abs=2e-3)
    assert own_word.allowance("nape") == pytest.approx(2.54, abs=2e-3)


def test_a_form_that_is_moved_takes_its_landmarks_along(scene, own, file):
    bpy.ops.arming_cap.open_card(filepath=str(file))
    bpy.ops.arming_cap.make_form()
    ob = bpy.context.view_layer.objects.active
    before = form_of(ob).form.landmarks["sellion"]
    ob.location = (10.0, 20.0, 30.0)
    bpy.context.view_layer.update()
    assert form_of(ob).form.landmarks["sellion"] - before == pytest.approx([10.0, 20.0, 30.0], abs=1e-6)


def test_making_it_again_replaces_it(scene, own, file):
    bpy.ops.arming_cap.open_card(filepath=str(file))
    bpy.ops.arming_cap.make_form()
    bpy.ops.arming_cap.make_form()
    assert [ob.name for ob in scene.objects] == ["Oda"]


@pytest.mark.parametrize("text", ["{", "[]", '{"regions": 3}', '{"regions": ["whole"], "landmarks": {"x": "y"}}'])
def test_a_form_said_by_another_version_is_looked_at_anew(scene, text):
    ob = put(shapes.sphere(90.0, 24), "FORM", "Ball")
    ob.arming_cap.form_facts = text
    assert form_of(ob).form.region_names == ("whole",)


def test_every_dimension_says_how_it_is_taken(extension):
    from arming_cap.blender.operators.wearer import ARMINGCAP_OT_how_to_measure as how
    from arming_cap.core.wearer.dimension import DIMENSIONS

    for name in DIMENSIONS:
        tip = how.description(bpy.context, type("Asked", (), {"dimension": name}))
        assert tip.count("\n") == 2 and not tip.endswith(".")


def test_estimates_of_another_version_are_none(own):
    from arming_cap.blender import cards

    for text in ("{", "[]", json.dumps({"values": 3})):
        own.estimates = text
        assert cards.estimates_of(own)["values"] == {}
