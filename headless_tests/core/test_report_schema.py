# SPDX-License-Identifier: GPL-3.0-or-later
"""The published schema takes what the verbs say and refuses a document that lacks a key of the contract.

Referee: the jsonschema library, draft 2020-12.
"""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path

import numpy as np
import pytest
import shapes
from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError

import arming_cap
from arming_cap.core.distance.clearance import measure
from arming_cap.core.geometry.section import cut
from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report import as_json
from arming_cap.core.report.model import FitReport, RunReport
from arming_cap.core.verdict import Place, Status, Verdict
from arming_cap.core.wearer.form import Form, Wearer

SCHEMA = json.loads((Path(arming_cap.__file__).parent / "core/report/schema.json").read_text("utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)
POSE = {"translation_mm": [0.0, 2.5, -4.0], "rotation_deg": [6.0, 0.0, 0.0]}
VIEW = {"nasal_deg": 40.0, "temporal_deg": 70.5, "up_deg": 30.0, "down_deg": 45.0, "open_sr": 1.2}
PRINT = {"grams": 12.0, "metres": 4.0, "minutes": 25.0}
RING = {
    "name": "brow", "files": ["brow.3mf", "brow.stl"], "normal": [0, 0, 1], "offset": 1624.0,
    "inner_girth_mm": 640.0, "inner_width_mm": 190.0, "inner_depth_mm": 220.0, "ring": PRINT, "whole": PRINT,
}  # fmt: skip
# Results as the contract of the command line words them.
WORDED = {
    "size": {"scale": 0.9, "range": [0.88, 0.93], "limited_by": {"region": "crown", "part": "shell", "at": None},
             "margins": {"crown": 0.0}},
    "don": {"passes": False, "pinch_mm": -3.0, "at": None, "pinch_pose": POSE, "path": [POSE, POSE],
            "smallest_scale": None, "take_off": ["face_plate"]},
    "sight": {"left": VIEW, "right": VIEW, "both_eyes_deg": 104.0, "open_fraction": 0.4,
              "seen": {"left": VIEW, "right": VIEW, "both_eyes_deg": 100.0, "open_fraction": 0.3}},
    "ring": {"rings": [RING]},
    "relief": {"parts": [{"part": "shell", "file": "shell-relieved.stl", "watertight": True}], "removed_mm3": 2.5e4,
               "margin_before_mm": -2.0, "margin_after_mm": 0.0, "short": [], "verdict": "pass"},
    "hollow": {"parts": [{"part": "bust", "file": "bust-hollow.stl", "watertight": True, "wall_mm": 3.0,
                          "opening_mm": [120.0, 140.0]}]},
    "split": {"parts": [{"file": "a.3mf", "size_mm": [100, 90, 80], "volume_mm3": 1e5, "watertight": True}],
              "cuts": [], "joints": []},
    "wearer estimate": {"dimensions": {"head_breadth": {"mean_mm": 154.3, "sd_mm": 5.5, "source": "estimated"}}},
    "wearer form": {"file": "form.ply", "landmarks": {"sellion": [0.0, -95.0, 1600.0]}},
    "wearer record": {"card": "ilse.toml", "known_fits": 1, "known_fit": {
        "piece": "lantern.stl", "sha256": "0f" * 32, "scale": 0.95, "verdict": "good"}},
}  # fmt: skip


def wrapped(verb: str, result: dict) -> dict:
    made = as_json.document(verb, [{"file": "a.stl", "sha256": "0f" * 32}], ["one"], result)
    return json.loads(as_json.dumps(made))


def checked() -> dict:
    verdicts = (
        Verdict("clearance", Status.FAIL, -3.25, limited_by=Place("temple_left", "shell", (70.0, -12.5, 1612.0))),
        Verdict("sight", Status.NOT_CHECKED, None, "°", why="no eye opening"),
    )
    regions = {"throat": {k: math.nan for k in ("min_mm", "mean_mm", "p5_mm", "allowance_mm", "margin_mm")}}
    fits = (FitReport("Helm", "Orla", 0.9, POSE, verdicts, regions), FitReport("Helm", "Tam", 1.0, POSE, ()))
    return RunReport("Play", fits, settings={"limits": {"a": 1.0}}).as_dict()


def sectioned() -> dict:
    planes = cut(shapes.tube(40, 45, 100), [(0, 0, 1), (0, 0, 1)], [50.0, 900.0])
    return {"planes": [s.as_dict() for s in planes]}


def cleared() -> dict:
    ball, dome = shapes.sphere(80, segments=24), shapes.dome(90, 94, segments=24, rings=12)
    return measure(Piece("dome", (Part("dome", dome),)), Wearer("ball", Form(ball)), Pose()).as_dict()


RESULTS = {**WORDED, "check": checked(), "section": sectioned(), "clearance": cleared()}


def required_paths(schema: dict, value: object, path: tuple = ()):
    """Yield the path of every key that the schema requires of this value."""
    if "$ref" in schema:
        yield from required_paths(SCHEMA["$defs"][schema["$ref"].rsplit("/", 1)[1]], value, path)
    if isinstance(value, dict):
        for key in schema.get("required", ()):
            yield (*path, key)
        for key, item in value.items():
            within = schema.get("properties", {}).get(key, schema.get("additionalProperties", {}))
            if isinstance(within, dict):
                yield from required_paths(within, item, (*path, key))
    if isinstance(value, list) and value:
        yield from required_paths(schema.get("items", {}), value[0], (*path, 0))


def without(document: dict, path: tuple) -> dict:
    changed = copy.deepcopy(document)
    *way, last = path
    place = changed
    for step in way:
        place = place[step]
    del place[last]
    return changed


def test_schema_is_itself_valid_and_names_every_verb():
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["properties"]["verb"]["enum"] == [
        "check", "section", "clearance", "size", "don", "sight", "ring", "relief", "hollow", "split",
        "wearer estimate", "wearer form", "wearer record",
    ]  # fmt: skip
    assert set(SCHEMA["properties"]["verb"]["enum"]) == set(RESULTS)


@pytest.mark.parametrize("verb", RESULTS)
def test_documents_of_every_verb_are_taken_and_no_required_key_may_be_missing(verb):
    document = wrapped(verb, RESULTS[verb])
    VALIDATOR.validate(document)
    name = verb.removeprefix("wearer ") + "_result"
    paths = list(required_paths(SCHEMA["$defs"][name], document["result"], ("result",)))
    assert len(paths) >= len(SCHEMA["$defs"][name]["required"])
    for path in [*((key,) for key in document), *paths]:
        with pytest.raises(ValidationError):
            VALIDATOR.validate(without(document, path))


@pytest.mark.parametrize(
    "verb,path,value",
    [
        ("check", ("verdict",), "ok"),
        ("check", ("fits", 0, "verdicts", 0, "number"), None),  # a fail always has its number
        ("check", ("fits", 0, "verdicts", 0, "limited_by", "at"), [1.0, 2.0]),
        ("section", ("planes", 0, "loops", 0, "role"), "hole"),
        ("section", ("planes", 0, "loops", 0, "area_mm2"), -1.0),
        ("clearance", ("min_standoff_mm",), "9.9"),
        ("size", ("range",), [0.9]),
        ("size", ("scale",), 0.0),
        ("don", ("passes",), "yes"),
        ("sight", ("open_fraction",), 1.2),
        ("relief", ("short",), None),
        ("split", ("parts", 0, "watertight"), 1),
        ("wearer estimate", ("dimensions", "head_breadth", "source"), "guessed"),
    ],
)
def test_a_wrong_value_is_refused(verb, path, value):
    document = wrapped(verb, RESULTS[verb])
    place = document["result"]
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(ValidationError):
        VALIDATOR.validate(document)


@pytest.mark.parametrize(
    "change", [{"verb": "dance"}, {"tool": "other"}, {"extra": 1}, {"inputs": [{"file": "a", "sha256": "zz"}]}]
)
def test_the_envelope_is_closed(change):
    with pytest.raises(ValidationError):
        VALIDATOR.validate({**wrapped("section", RESULTS["section"]), **change})


def test_numpy_and_missing_numbers_arrive_as_json_numbers_and_null():
    result = {**WORDED["don"], "passes": np.bool_(True), "pinch_mm": np.float64("nan"), "at": np.zeros(3)}
    document = wrapped("don", result)
    VALIDATOR.validate(document)
    assert document["result"]["pinch_mm"] is None and document["result"]["passes"] is True
