# SPDX-License-Identifier: GPL-3.0-or-later
"""Taking results out of Blender: as files, or as text for a problem report."""

from pathlib import Path
from typing import TYPE_CHECKING

import bpy
from bpy.props import BoolProperty, StringProperty
from bpy.types import Context, Operator

from ... import __version__
from ...core import engines
from .. import results
from ..language import tr, tr_error


class IntoFolder:
    """Mixed into an operator that writes files: a chooser that shows folders."""

    if TYPE_CHECKING:
        directory: str
        filter_folder: bool
    else:
        directory: StringProperty(name="Folder", description="Where to write the files", subtype="DIR_PATH")
        filter_folder: BoolProperty(
            name="Folders Only", description="Show only folders", default=True, options={"HIDDEN"}
        )

    def invoke(self, context: Context, event: object) -> set[str]:
        """Let the user choose the folder."""
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}


class ARMINGCAP_OT_export_report(IntoFolder, Operator):
    """Write the verdicts with their drawings to a folder: report.html, report.json and junit.xml"""

    bl_idname = "arming_cap.export_report"
    bl_label = "Export Report"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if not results.of(context.scene).fits:
            cls.poll_message_set(tr("Run the checks first"))
            return False
        if not context.scene.arming_cap.report_files:
            cls.poll_message_set(tr("Run the checks again: these verdicts came without a report"))
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        from ...core.errors import InputError
        from ...core.report.write import write_files

        files = results.files_of(context.scene)
        if not files:
            self.report({"ERROR"}, tr("the report kept here is not of these verdicts; run the checks again"))
            return {"CANCELLED"}
        folder = Path(bpy.path.abspath(self.directory))
        try:
            write_files(files, folder)
        except InputError as error:
            self.report({"ERROR"}, tr_error(error))
            return {"CANCELLED"}
        self.report({"INFO"}, tr("Report written to {folder}", folder=folder))
        return {"FINISHED"}


class ARMINGCAP_OT_copy_details(Operator):
    """Copy the versions of Blender, Python and the packages, for a problem report"""

    bl_idname = "arming_cap.copy_details"
    bl_label = "Copy Details"
    bl_options = {"REGISTER"}

    def execute(self, context: Context) -> set[str]:
        head = f"Arming Cap {__version__} in Blender {bpy.app.version_string}"
        context.window_manager.clipboard = f"{head}\n{engines.details()}"
        self.report({"INFO"}, tr("Versions copied"))
        return {"FINISHED"}


classes = (ARMINGCAP_OT_export_report, ARMINGCAP_OT_copy_details)
