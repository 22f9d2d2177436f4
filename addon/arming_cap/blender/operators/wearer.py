# SPDX-License-Identifier: GPL-3.0-or-later
"""The wearer card and the form that is made from it."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import bpy
from bpy.props import StringProperty
from bpy.types import Context, Operator

from ... import errands
from ...core.errors import InputError
from ...core.wearer.dimension import DIMENSIONS, Dimension
from .. import cards, forms, results, work
from ..language import tr, tr_error
from ..scene import mm_per_unit


class ARMINGCAP_OT_new_card(Operator):
    """Begin a wearer card with nothing in it"""

    bl_idname = "arming_cap.new_card"
    bl_label = "New Card"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: Context) -> set[str]:
        cards.clear(context.scene)
        return {"FINISHED"}


class _CardFile:
    """A file chooser that shows wearer cards."""

    if TYPE_CHECKING:
        filepath: str
        filter_glob: str
    else:
        filepath: StringProperty(name="File", description="The card's file", subtype="FILE_PATH", options={"SKIP_SAVE"})
        filter_glob: StringProperty(
            name="Files Shown", description="Only wearer cards are shown", default="*.toml", options={"HIDDEN"}
        )


class ARMINGCAP_OT_open_card(_CardFile, Operator):
    """Read a wearer card from its file"""

    bl_idname = "arming_cap.open_card"
    bl_label = "Open Card"
    bl_options = {"REGISTER", "UNDO"}

    def invoke(self, context: Context, event: object) -> set[str]:
        if self.filepath:  # it was dropped
            return self.execute(context)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context: Context) -> set[str]:
        try:
            card = cards.load(context.scene, Path(bpy.path.abspath(self.filepath)))
        except InputError as error:
            path = Path(self.filepath)
            job = path.is_file() and b"[[piece" in path.read_bytes()  # dropped for a card
            told = tr("{file}: this is a job, no card; bring in the meshes that it names instead", file=path.name)
            self.report({"ERROR"}, told if job else tr_error(error))
            return {"CANCELLED"}
        self.report({"INFO"}, tr("Card of {wearer} opened", wearer=card.name))
        return {"FINISHED"}


class ARMINGCAP_OT_save_card(_CardFile, Operator):
    """Write the wearer card to its file; comments and whatever else the file holds stay"""

    bl_idname = "arming_cap.save_card"
    bl_label = "Save Card"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        own = context.scene.arming_cap.card
        if own.trouble:
            cls.poll_message_set(own.trouble)
            return False
        if not own.readings and not own.path:
            cls.poll_message_set(tr("The card is empty: add a reading first"))
            return False
        return True

    def invoke(self, context: Context, event: object) -> set[str]:
        own = context.scene.arming_cap.card
        if own.path:
            self.filepath = str(cards.path_of(own))
            return self.execute(context)
        self.filepath = f"{own.title.strip().lower().replace(' ', '_') or 'wearer'}.toml"
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context: Context) -> set[str]:
        own = context.scene.arming_cap.card
        given = self.filepath or str(cards.path_of(own) or "")
        if not given:
            self.report({"ERROR"}, tr("no file was chosen"))
            return {"CANCELLED"}
        path = Path(bpy.path.abspath(given)).with_suffix(".toml")
        try:
            cards.save(own, path)
        except InputError as error:
            self.report({"ERROR"}, tr_error(error))
            return {"CANCELLED"}
        results.look_again()
        self.report({"INFO"}, tr("Card written to {file}", file=path.name))
        return {"FINISHED"}


class _OfDimension:
    """An operator on one dimension, named in its tooltip."""

    if TYPE_CHECKING:
        dimension: str
    else:
        dimension: StringProperty(name="Dimension", description="Name of the dimension, as cards write it")

    def _known(self) -> bool:
        if self.dimension in DIMENSIONS:
            return True
        self.report({"ERROR"}, tr("no dimension is called '{name}'", name=self.dimension))
        return False


def _measured(of: Dimension) -> tuple[str, str, str]:
    """Return what a dimension is, how it is taken, and where that goes wrong."""
    tool = tr("With the {tool}: {how}", tool=of.tool, how=of.how)
    return of.definition, tool, tr("Usual mistake: {mistake}", mistake=of.mistakes)


class ARMINGCAP_OT_how_to_measure(_OfDimension, Operator):
    """Say what this dimension is and how it is taken"""

    bl_idname = "arming_cap.how_to_measure"
    bl_label = "How to Measure"
    bl_options = {"INTERNAL"}

    @classmethod
    def description(cls, context: Context, properties: Any) -> str:
        of = DIMENSIONS.get(properties.dimension)
        if of is None:
            return tr("What this dimension is and how it is taken")
        return "\n".join(_measured(of)).rstrip(".")

    def invoke(self, context: Context, event: object) -> set[str]:
        return context.window_manager.invoke_popup(self, width=420)

    def execute(self, context: Context) -> set[str]:
        return {"FINISHED"} if self._known() else {"CANCELLED"}

    def draw(self, context: Context) -> None:
        from ..panels.shared import lines

        of = DIMENSIONS[self.dimension]
        self.layout.label(text=tr(of.in_words.title()), icon="DRIVER_DISTANCE")
        for text in _measured(of):
            lines(self.layout, text, 64)


class ARMINGCAP_OT_make_form(work.InBackground, Operator):
    """Make the form that this card describes and let it be the wearer. Esc stops"""

    bl_idname = "arming_cap.make_form"
    bl_label = "Make Form"
    bl_options = {"UNDO"}

    doing = "Making the form"

    _card = ""

    @classmethod
    def poll(cls, context: Context) -> bool:
        own = context.scene.arming_cap.card
        if own.trouble:
            cls.poll_message_set(own.trouble)
            return False
        if not own.readings and not own.path:
            cls.poll_message_set(tr("Add a reading first, or open a card"))
            return False
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Take the card as the panel has it."""
        card = cards.card_of(context.scene.arming_cap.card)
        self._card = str(card.path) if card.path is not None and card.path.exists() else ""
        return work.Work(partial(errands.make_form, card), "Reading the card")

    def end(self, context: Context, result: Any) -> set[str]:
        """Put the form into the scene; the one made before from a card of this name goes."""
        scene, wearer = context.scene, result.wearer
        old = next((ob for ob in scene.objects if ob.arming_cap.form_facts and ob.name == wearer.name), None)
        if old is not None:
            mesh = old.data
            bpy.data.objects.remove(old)
            if not mesh.users:
                bpy.data.meshes.remove(mesh)
        form = forms.add_form(scene, wearer.form, wearer.name, wearer.allowance_mm, mm_per_unit(scene))
        form.arming_cap.card = self._card
        for text in result.warnings:
            self.say("WARNING", text)
        results.look_again()
        said = tr("The form of {wearer} is made; it keeps {room:g} mm of allowance")
        self.say("INFO", said.format(wearer=wearer.name, room=form.arming_cap.allowance_mm))
        return {"FINISHED"}


classes = (
    ARMINGCAP_OT_new_card,
    ARMINGCAP_OT_open_card,
    ARMINGCAP_OT_save_card,
    ARMINGCAP_OT_how_to_measure,
    ARMINGCAP_OT_make_form,
)
