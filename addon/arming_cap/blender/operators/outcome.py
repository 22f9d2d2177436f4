# SPDX-License-Identifier: GPL-3.0-or-later
"""Recording how a piece was when it was tried on, so that the next size is better."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bpy.props import EnumProperty
from bpy.types import Context, Operator

from ...core.errors import InputError
from ...core.wearer.card import OUTCOMES
from .. import cards
from .. import scene as scenes
from ..properties import REGIONS
from .split import cast_to_split

FELT = {
    "would not pass": "It did not go on, or could not be worn",
    "tight": "It went on and pressed",
    "good": "It sat as it should",
    "loose": "It moved about",
}
OUTCOME_ITEMS = tuple((name, name.title(), FELT[name]) for name in OUTCOMES)
PLACES = (("whole", "All Round", "Not at one place more than at another"), *REGIONS)


class ARMINGCAP_OT_record_outcome(Operator):
    """Write into the wearer's card how the active piece was when it was tried on at the size it has here"""

    bl_idname = "arming_cap.record_outcome"
    bl_label = "Record Outcome"
    bl_options = {"REGISTER", "UNDO"}

    if TYPE_CHECKING:
        outcome: str
        region: str
    else:
        outcome: EnumProperty(name="Outcome", description="How it was", items=OUTCOME_ITEMS, default="good")
        region: EnumProperty(name="Where", description="Where it was so", items=PLACES, default="whole")

    @classmethod
    def poll(cls, context: Context) -> bool:
        path = cards.path_of(context.scene.arming_cap.card)
        if path is None or not path.exists():
            cls.poll_message_set("Open the wearer's card, or save it to a file, first")
            return False
        if cast_to_split(context) is None:
            cls.poll_message_set("Make a part of the piece that was tried on the active object first")
            return False
        return True

    def invoke(self, context: Context, event: object) -> set[str]:
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, context: Context) -> None:
        self.layout.use_property_split = True
        self.layout.prop(self, "outcome")
        self.layout.prop(self, "region")

    def execute(self, context: Context) -> set[str]:
        from ...core.checks.tried import keep_meshes, record

        scene = context.scene
        path, cast = cards.path_of(scene.arming_cap.card), cast_to_split(context)
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        try:
            meshes = [scenes.mesh_of(scene.objects[name], depsgraph, mm) for name in cast.parts]
            card, _, _ = record(
                path, keep_meshes(path, meshes), self.outcome, region="" if self.region == "whole" else self.region
            )
        except InputError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        cards.load(scene, path)
        self.report({"INFO"}, f"{cast.piece} was {self.outcome}: {card.name} has {len(card.known_fits)} known fits")
        return {"FINISHED"}


classes = (ARMINGCAP_OT_record_outcome,)
