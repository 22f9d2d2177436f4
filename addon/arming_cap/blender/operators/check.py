# SPDX-License-Identifier: GPL-3.0-or-later
"""Running the checks: the scene is read first, the core works on its own, the scene is written last."""

from __future__ import annotations

from typing import Any

import bpy
from bpy.types import Context, Operator

from .. import results, work


class ARMINGCAP_OT_check_fit(work.InBackground, Operator):
    """Check every piece of the scene on its wearer. Esc stops and leaves the scene as it is"""

    bl_idname = "arming_cap.check_fit"
    bl_label = "Check Fit"
    bl_options = {"REGISTER", "UNDO"}

    doing = "Checking fit"

    _scene: int = 0
    _footing: dict[str, Any]

    @classmethod
    def poll(cls, context: Context) -> bool:
        from .. import scene as scenes

        if trouble := scenes.missing(context.scene):
            cls.poll_message_set(str(trouble))
            return False
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Read the scene, and note what its verdicts will rest on."""
        from .. import scene as scenes

        self._scene = context.scene.session_uid
        draft = scenes.draft_of(context.scene)
        self._footing = results.footing(context.scene)

        def task(progress: Any) -> Any:
            from ...core.checks.fit import check_job

            return check_job(draft.job(progress), progress)

        return work.Work(task)

    def end(self, context: Context, result: Any) -> set[str]:
        """Write the verdicts onto the scene."""
        from ...core.report.write import report_files

        # An undo meanwhile may have replaced every object: the scene is looked up again.
        scene = next((one for one in bpy.data.scenes if one.session_uid == self._scene), None)
        if scene is None:
            self.report({"WARNING"}, "the scene that was checked is gone; its verdicts are dropped")
            return {"CANCELLED"}
        results.keep(scene, results.document_of(result), self._footing, report_files(result))
        level = {"fail": "WARNING", "not checked": "WARNING"}.get(result.status.value, "INFO")
        self.report({level}, f"Checks done: {result.status.value}")
        return {"FINISHED"}


class ARMINGCAP_OT_stop(Operator):
    """Stop what is running and leave the scene as it is"""

    bl_idname = "arming_cap.stop"
    bl_label = "Stop"
    bl_options = {"INTERNAL"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if work.running is None:
            cls.poll_message_set("Nothing is running")
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        work.stop()
        return {"FINISHED"}


classes = (ARMINGCAP_OT_check_fit, ARMINGCAP_OT_stop)
