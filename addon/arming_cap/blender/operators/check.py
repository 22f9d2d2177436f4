# SPDX-License-Identifier: GPL-3.0-or-later
"""Running the checks: the scene is read first, the core works on its own, the scene is written last."""

from __future__ import annotations

import sys
from functools import partial
from typing import TYPE_CHECKING, Any

import bpy
from bpy.props import EnumProperty, FloatProperty, StringProperty
from bpy.types import Context, Operator
from mathutils import Matrix

from ... import errands
from .. import results, work
from ..language import tr, tr_error
from ..properties import UNITS


class ARMINGCAP_OT_check_fit(work.InBackground, Operator):
    """Check every piece of the scene on its wearer. Esc stops and leaves the scene as it is"""

    bl_idname = "arming_cap.check_fit"
    bl_label = "Check Fit"
    bl_options = {"UNDO"}

    doing = "Checking fit"

    _scene: int = 0
    _footing: dict[str, Any]

    @classmethod
    def poll(cls, context: Context) -> bool:
        from .. import scene as scenes

        if trouble := scenes.missing(context.scene):
            cls.poll_message_set(tr_error(trouble))
            return False
        if doubts := scenes.size_doubts(context.scene):
            cls.poll_message_set(doubts[0])
            return False
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Read the scene, and note what its verdicts will rest on."""
        from .. import scene as scenes

        self._scene = context.scene.session_uid
        draft = scenes.draft_of(context.scene)
        self._footing = results.footing(context.scene)
        return work.Work(partial(errands.check, draft))

    def end(self, context: Context, result: errands.Checked) -> set[str]:
        """Write the verdicts onto the scene."""
        # An undo meanwhile may have replaced every object: the scene is looked up again.
        scene = next((one for one in bpy.data.scenes if one.session_uid == self._scene), None)
        if scene is None:
            self.say("WARNING", "the scene that was checked is gone; its verdicts are dropped")
            return {"CANCELLED"}
        results.keep(scene, result.document, self._footing, result.files)
        level = {"fail": "WARNING", "not checked": "WARNING"}.get(result.verdict, "INFO")
        self.say(level, tr("Checks done: {verdict}", verdict=tr(result.verdict)))
        for fault in result.faults:
            sys.stderr.write(f"{fault}\n")
            self.say("ERROR", "a fault of ours kept a piece from being checked; the console holds its trace")
        return {"FINISHED"}

    def stopped(self, context: Context, finished: errands.Checked) -> set[str]:
        """Keep the verdicts that were there when the run was stopped."""
        return self.end(context, finished)


class ARMINGCAP_OT_stop(Operator):
    """Stop what is running and leave the scene as it is"""

    bl_idname = "arming_cap.stop"
    bl_label = "Stop"
    bl_options = {"INTERNAL"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if work.running is None:
            cls.poll_message_set(tr("Nothing is running"))
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        work.stop()
        return {"FINISHED"}


class ARMINGCAP_OT_set_unit(Operator):
    """Count one Blender unit as this long, so that the sizes are those of things that are worn"""

    bl_idname = "arming_cap.set_unit"
    bl_label = "Set Unit"
    bl_options = {"UNDO"}

    if TYPE_CHECKING:
        unit: str
    else:
        unit: EnumProperty(name="Unit", description="How long one Blender unit is", items=UNITS, default="MM")

    def execute(self, context: Context) -> set[str]:
        context.scene.arming_cap.unit = self.unit
        return {"FINISHED"}


class ARMINGCAP_OT_rescale(Operator):
    """Scale what was read in another unit, about the file's origin"""

    bl_idname = "arming_cap.rescale"
    bl_label = "Rescale to the Scene's Unit"
    bl_options = {"UNDO"}

    if TYPE_CHECKING:
        thing: str
        factor: float
    else:
        thing: StringProperty(name="Thing", description="The wearer or piece to scale", options={"HIDDEN", "SKIP_SAVE"})
        factor: FloatProperty(
            name="Factor", description="By how much", default=1.0, min=1e-6, options={"HIDDEN", "SKIP_SAVE"}
        )

    def execute(self, context: Context) -> set[str]:
        from .. import scene as scenes

        found = scenes.rescale_that_helps(context.scene)
        if found is None or found[0] != self.thing:
            self.report({"ERROR"}, tr("the size of '{name}' is in no doubt any more", name=self.thing))
            return {"CANCELLED"}
        scenes.transform(context.scene, found[1], Matrix.Scale(self.factor, 4))
        return {"FINISHED"}


classes = (ARMINGCAP_OT_check_fit, ARMINGCAP_OT_stop, ARMINGCAP_OT_set_unit, ARMINGCAP_OT_rescale)
