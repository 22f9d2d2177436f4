# SPDX-License-Identifier: GPL-3.0-or-later
"""Recording how a piece was when it was tried on, so that the next size is better."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bpy.props import EnumProperty
from bpy.types import Context, Event, Operator, Scene

from ...core.errors import InputError
from ...core.wearer.card import OUTCOMES
from .. import cards, results
from .. import scene as scenes
from ..language import tr, tr_error
from ..properties import REGIONS
from ..words import within
from .split import cast_to_split

FELT = {
    "would not pass": "It did not go on, or could not be worn",
    "tight": "It went on and pressed",
    "good": "It sat as it should",
    "loose": "It moved about",
}
OUTCOME_ITEMS = tuple((name, name.title(), FELT[name]) for name in OUTCOMES)
PLACES = (("whole", "All Round", "Not at one place more than at another"), *REGIONS)


def _card_of(scene: Scene, cast: scenes.Cast) -> Path | None:
    """Return the card of the wearer of a piece."""
    form = scene.objects.get(cast.form)
    return None if form is None else scenes.card_of(scene, form)


class ARMINGCAP_OT_record_outcome(Operator):
    """Write into the card of the piece's wearer how the active piece was when it was tried on, at its size here"""

    bl_idname = "arming_cap.record_outcome"
    bl_label = "Record Outcome"
    bl_options = {"INTERNAL"}

    if TYPE_CHECKING:
        outcome: str
        region: str
    else:
        outcome: EnumProperty(name="Outcome", description="How it was", items=OUTCOME_ITEMS, default="good")
        region: EnumProperty(name="Where", description="Where it was so", items=PLACES, default="whole")

    @classmethod
    def poll(cls, context: Context) -> bool:
        cast = cast_to_split(context)
        if cast is None or not cast.form:
            cls.poll_message_set(tr("Make a part of the piece that was tried on the active object first"))
            return False
        path = _card_of(context.scene, cast)
        if path is None:
            said = tr("'{form}' has no wearer card: select it and choose its Card, or save one so named")
            cls.poll_message_set(said.format(form=cast.form))
            return False
        if not path.exists():
            said = tr("The card of '{form}' is not there any more: {file}", form=cast.form, file=path.name)
            cls.poll_message_set(said)
            return False
        return True

    def invoke(self, context: Context, event: object) -> set[str]:
        return context.window_manager.invoke_props_dialog(self, width=340)

    def draw(self, context: Context) -> None:
        layout, cast = self.layout, cast_to_split(context)
        layout.use_property_split = True
        layout.label(text=tr("{piece} on {wearer}", piece=cast.piece, wearer=cast.form), icon="USER")
        layout.label(text=tr("In {file}", file=_card_of(context.scene, cast).name), icon="FILE_TEXT")
        layout.prop(self, "outcome")
        layout.prop(self, "region")

    def execute(self, context: Context) -> set[str]:
        from ...core.checks.tried import keep_meshes, record

        scene = context.scene
        cast = cast_to_split(context)
        path = _card_of(scene, cast)
        mm, depsgraph = scenes.mm_per_unit(scene), scenes.depsgraph_of(scene)
        # What was printed is the file at a scale, and that is what the card tells.
        scale = scenes.file_scale((scene.objects[name] for name in cast.parts), mm) or 1.0
        try:
            meshes = [scenes.mesh_of(scene.objects[name], depsgraph, mm).scaled(1.0 / scale) for name in cast.parts]
            card, _, _ = record(
                path,
                keep_meshes(path, meshes),
                self.outcome,
                scale=scale,
                region="" if self.region == "whole" else self.region,
            )
        except InputError as error:
            self.report({"ERROR"}, tr_error(error))
            return {"CANCELLED"}
        if cards.path_of(scene.arming_cap.card) == path:
            cards.read_history(scene.arming_cap.card)
        results.look_again()
        count = len(card.known_fits)
        said = {"piece": cast.piece, "outcome": within(self.outcome).lower(), "wearer": cast.form}
        said |= {"card": card.name, "count": count}
        self.report({"INFO"}, tr("{piece} was {outcome} on {wearer}; outcomes in {card}: {count}", **said))
        return {"FINISHED"}


class ARMINGCAP_OT_forget_outcome(Operator):
    """Take this outcome out of the open card's file"""

    bl_idname = "arming_cap.forget_outcome"
    bl_label = "Forget Outcome"
    bl_options = {"INTERNAL"}

    if TYPE_CHECKING:
        row: int
    else:
        row: results.hidden_row("Row", "Which of the outcomes, counted from 0")

    @classmethod
    def poll(cls, context: Context) -> bool:
        if cards.history_of(context.scene.arming_cap.card):
            return True
        cls.poll_message_set(tr("Open a card with outcomes first"))
        return False

    def invoke(self, context: Context, event: Event) -> set[str]:
        return context.window_manager.invoke_confirm(self, event)

    def execute(self, context: Context) -> set[str]:
        own = context.scene.arming_cap.card
        try:
            cards.forget_outcome(own, self.row)
        except InputError as error:
            self.report({"ERROR"}, tr_error(error))
            return {"CANCELLED"}
        results.look_again()
        return {"FINISHED"}


classes = (ARMINGCAP_OT_record_outcome, ARMINGCAP_OT_forget_outcome)
