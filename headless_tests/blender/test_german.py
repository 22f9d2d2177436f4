# SPDX-License-Identifier: GPL-3.0-or-later
"""Every text that a user of the add-on sees goes through Blender's translation, and the German is complete.

The texts are collected in two ways: from the classes as Blender has them (labels, tooltips, items of a choice), and
from the source (what is drawn, reported or said while it runs). The bpy module comes without Blender's own catalogue,
so the words that are left to it are written down here, with the German that it has for them.
"""

from __future__ import annotations

import ast
import inspect
import re
import string
from pathlib import Path
from types import SimpleNamespace

import bpy
import pytest

BLENDER = Path(__file__).resolve().parents[2] / "addon" / "arming_cap" / "blender"
PLAIN, BUTTON = "*", "Operator"

TELLS = {"label", "paragraph", "lines", "poll_message_set", "report", "say", "tr", "InputError", "Work"}
"""Calls whose literals a user reads; `label` and the like by `text=`, see `spoken`."""
NAMED = {"operator": BUTTON, "operator_menu_enum": BUTTON, "prop": PLAIN, "label": PLAIN, "menu": PLAIN}
NAMED |= dict.fromkeys(("column", "row", "progress", "prop_search"), PLAIN)
KEEPS = {"INFO", "WARNING", "ERROR", "Arming Cap", "A4"}


NAMES = "Depth|Dimension|File|Good|Head|Height|Hinge|Label|Margin|Material|Mesh|Name|None|Nothing selected|Paper|Size"
BLENDERS = {(PLAIN, word) for word in (*NAMES.split("|"), "Back", "Weight", "Weights", "Width")}
BLENDERS |= {(BUTTON, word) for word in ("New", "Open", "Save", "Select")}
"""What Blender 5.2's own German catalogue says as we mean it. It is asked first, so an entry of ours would be dead."""

STAYS_ENGLISH = {
    *('f"Cut {}"', 'f"{} of {}"', 'f"{} hollow"', 'f"{} relieved"', 'f"{}, Taken Off"', 'f"{} (piece)"'),
    *('f"Passage of {}"', 'f"{} on the Form"', 'f"{} on the Piece"', 'f"{}, {} mm deep at most"'),
    *('f"arming_cap_{}_padding"', 'f"arming_cap_{}_{}_{}"', 'f"Arming Cap {} in Blender {}"', 'f"{} mm"'),
    'f"{}: {}\' for v in part.size_mm)} mm, {}"',
    'f"{}. Such as 567, 56.7 cm, 22 3/8 in, 566-569; nothing for the estimate"',
}
"""Composed without a table: names of objects, scenes and collections, by which the program finds them again, names
inside Blender, figures with a unit, the text of a problem report, and the definition of a dimension, the core's."""


def literals(node):
    """Return the texts that an expression may be: a literal, or either arm of a choice."""
    if isinstance(node, ast.Constant):
        return [node.value] if isinstance(node.value, str) else []
    if isinstance(node, ast.IfExp):
        return literals(node.body) + literals(node.orelse)
    return []


def composed(node):
    """Return whether an expression writes letters of its own between braces, which no table can hold."""
    if isinstance(node, ast.IfExp):
        return composed(node.body) or composed(node.orelse)
    return isinstance(node, ast.JoinedStr) and any(
        isinstance(v, ast.Constant) and re.search(r"[A-Za-z]{2}", v.value) for v in node.values
    )


def called(node):
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def spoken(path):
    """Return the texts of a source file that a user reads, by context; and the places that compose them unseen."""
    found, hidden = set(), []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "doing":
            found |= {(PLAIN, text) for text in literals(node.value)}
        if not isinstance(node, ast.Call):
            continue
        name, given = called(node), []
        if name in TELLS:
            given += [(PLAIN, arg) for arg in node.args[:3]]  # an icon may follow
        if name == "InputError":
            given += [(PLAIN, word.value) for word in node.keywords if word.arg == "remedy"]
        if name in NAMED and not any(w.arg == "translate" and not getattr(w.value, "value", 1) for w in node.keywords):
            given += [(NAMED[name], word.value) for word in node.keywords if word.arg in ("text", "heading")]
        for context, value in given:
            found |= {(context, text) for text in literals(value) if re.search("[A-Za-z]{2}", text)}
            if composed(value):
                hidden.append(f"{path.name}:{node.lineno}")
    return {(context, text) for context, text in found if text not in KEEPS}, hidden


def spelled(path):
    """Return every text with words and braces in it, by line: such as are composed without a look into a table."""
    text = path.read_text(encoding="utf-8")
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.JoinedStr):
            words = " ".join(v.value for v in node.values if isinstance(v, ast.Constant))
            if re.search(r"[A-Za-z]{2}.*[ ,]|[ ,].*[A-Za-z]{2}", words):
                found.append(re.sub(r"\{[^}]*\}", "{}", ast.get_source_segment(text, node)))
    return found


def sources():
    return sorted(BLENDER.rglob("*.py"))


def shown_of(cls):
    """Return the texts that Blender shows of a registered class, by context."""
    found, rna = set(), cls.bl_rna
    if issubclass(cls, bpy.types.Operator):
        rna = getattr(bpy.ops.arming_cap, cls.bl_idname[11:]).get_rna_type()
        found |= {(BUTTON, cls.bl_label), (PLAIN, rna.description)}
    elif issubclass(cls, (bpy.types.Panel, bpy.types.Menu)):
        found |= {(getattr(cls, "bl_translation_context", PLAIN), cls.bl_label), (PLAIN, cls.__doc__)}
    elif issubclass(cls, (bpy.types.FileHandler, bpy.types.GizmoGroup)):
        found |= {(PLAIN, cls.bl_label)}
    own = {name for base in cls.__mro__ for name in vars(base).get("__annotations__", {})}
    for prop in rna.properties:
        if prop.identifier not in own or prop.is_hidden:
            continue
        found |= {(prop.translation_context, prop.name)}
        if not prop.identifier.startswith("typed_"):  # a dimension's definition is the core's
            found |= {(PLAIN, prop.description)}
        if prop.type == "ENUM":
            found |= {(prop.translation_context, item.name) for item in prop.enum_items}
            found |= {(PLAIN, item.description) for item in prop.enum_items}
    return {(context, text) for context, text in found if text not in KEEPS}


def named_elsewhere():
    """Return what the source looks up by a name that it has from elsewhere."""
    from arming_cap.blender.operators.scan import LANDMARKS
    from arming_cap.blender.panels.cast import ROLE_BUTTONS
    from arming_cap.blender.panels.fit import UNIT_WORDS
    from arming_cap.blender.panels.printing import WHAT_GOES_IN
    from arming_cap.blender.properties import WEIGHTS
    from arming_cap.blender.work import Work
    from arming_cap.core.checks.job import CHECKS, EXTRA
    from arming_cap.core.report.model import CARE_LINE
    from arming_cap.core.verdict import Status

    found = {inspect.signature(Work.__init__).parameters["text"].default}
    found |= {CARE_LINE, *(one.value for one in Status), *(name.title() for name in (*CHECKS, *EXTRA))}
    found |= {*ROLE_BUTTONS.values(), *UNIT_WORDS.values(), *WHAT_GOES_IN.values()}
    found |= {title for title, *_ in WEIGHTS.values()} | {label for label, _ in LANDMARKS.values()}
    return {(PLAIN, text) for text in found}


def wanted():
    from arming_cap import blender

    found = named_elsewhere()
    for cls in blender.classes:
        found |= shown_of(cls)
    for path in sources():
        found |= spoken(path)[0]
    return found


@pytest.fixture(scope="module")
def german():
    from arming_cap.blender import language

    return language.table_of("de_DE")


def test_every_text_has_its_german(extension, german):
    texts = wanted()
    assert len(texts) > 550  # what the collecting found when it was written: it has not gone blind
    assert sorted(texts - german.keys() - BLENDERS) == []


def test_no_german_is_dead(extension, german):
    assert sorted(german.keys() - wanted()) == []
    assert BLENDERS <= wanted()


def test_braces_agree(german):
    def fields(text):
        return sorted((name, how, kind) for _, name, how, kind in string.Formatter().parse(text) if name is not None)

    for (_, english), told in german.items():
        assert fields(english) == fields(told), english
        assert told.strip() == told and told.endswith(".") == english.endswith("."), english


def test_nothing_is_composed_past_the_table():
    assert [place for path in sources() for place in spoken(path)[1]] == []
    assert sorted({text for path in sources() for text in spelled(path)} - STAYS_ENGLISH) == []


@pytest.fixture
def in_german(extension, german, monkeypatch):
    """Blender's call answered from the table, as its own lookup does: this bpy module is built without it."""
    from arming_cap.blender import language

    told = {text: word for (context, text), word in german.items() if context == PLAIN}
    call = SimpleNamespace(pgettext_iface=lambda text: told.get(text, text))
    monkeypatch.setattr(language, "translations", call)


def test_what_is_composed_comes_out_in_german(scene, in_german):
    from arming_cap.blender import results, words
    from arming_cap.blender import scene as scenes
    from arming_cap.blender.language import tr_error

    trouble = "Scene: kein Objekt ist ein Träger; den Körper des Trägers auswählen und ihm die Rolle Träger geben"
    assert tr_error(scenes.missing(scene)) == trouble
    assert scenes.unit_in_words(scene) == "1 Einheit ist 1 mm"
    now = {"objects": {"Helm": 1, "Visier": 1}, "settings": {}}
    changes = results.changes_since({"objects": {"Helm": 0, "Kragen": 0}, "settings": {}}, now)
    assert changes == ["„Helm“ hat sich geändert", "„Kragen“ nimmt nicht mehr teil", "„Visier“ ist neu"]
    assert words.within("left temple") == "Linke Schläfe" and words.within("clearance") == "Spielraum"
    assert words.figure({"number": None, "verdict": "not checked"}) == "nicht geprüft"


def test_a_button_says_in_german_why_it_is_off(scene, in_german):
    with pytest.raises(RuntimeError, match="Erst prüfen"):
        bpy.ops.arming_cap.show_place()


def test_english_stays_as_it_is_without_a_table(scene):
    from arming_cap.blender import words

    assert words.within("left temple") == "left temple" and words.within("") == ""


def test_blender_has_the_table_while_we_are_registered(extension, german, monkeypatch):
    from arming_cap.blender import language

    calls = []
    extension.unregister()
    given = SimpleNamespace(register=lambda *args: calls.append(args), unregister=lambda *args: calls.append(args))
    try:
        monkeypatch.setattr(language, "translations", given)
        extension.register()
        extension.unregister()
    finally:
        monkeypatch.undo()
        extension.register()
    assert calls == [("arming_cap.blender", {"de_DE": german}), ("arming_cap.blender",)]
