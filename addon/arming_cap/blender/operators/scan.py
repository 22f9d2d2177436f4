# SPDX-License-Identifier: GPL-3.0-or-later
"""A scan of the wearer: brought in as it is, then its head is found, by itself or by three landmarks."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import bpy
import numpy as np
from bpy.props import EnumProperty, StringProperty
from bpy.types import Context, Object, Operator

from ... import errands
from ...core.errors import InputError
from ...core.wearer.regions import UNDER_A_CAP
from .. import cards, forms, results, work
from ..language import tr, tr_error
from ..scene import mm_per_unit

DEVIATION = "deviation_mm"
SPAN_MM = 4.0
"""Where the deviation's colours end."""

# What is asked for, with a first guess of where: along the scan's box, 0 to 1.
LANDMARKS = {
    "tragion_left": ("Left Ear", (1.0, 0.5, 0.5)),
    "tragion_right": ("Right Ear", (0.0, 0.5, 0.5)),
    "sellion": ("Nose Root", (0.5, 0.0, 0.5)),
}
UNITS = (
    ("FIND", "Find It", "The unit in which the scan is as large as a head"),
    ("mm", "Millimetres", "One number of the file is 1 mm"),
    ("cm", "Centimetres", "One number of the file is 10 mm"),
    ("m", "Metres", "One number of the file is 1000 mm"),
    ("in", "Inches", "One number of the file is 25.4 mm"),
)


def is_scan(ob: Object | None) -> bool:
    """Return whether this object is a scan as it was read."""
    return ob is not None and ob.type == "MESH" and bool(ob.arming_cap.scan_unit)


def landmarks_of(scan: Object) -> dict[str, Object]:
    """Return the empties that mark a scan's landmarks, by the landmarks' names."""
    return {ob.arming_cap.landmark: ob for ob in scan.children if ob.arming_cap.landmark}


def _scan_of(context: Context) -> Object | None:
    """Return the active scan, also where one of its landmarks is the active object."""
    ob = context.active_object
    if ob is not None and ob.arming_cap.landmark:
        ob = ob.parent
    return ob if is_scan(ob) else None


class _FindsHead(work.InBackground):
    """Turns a scan that stands in the scene into a form."""

    doing = "Finding the head"

    _scan: str

    def search(self, context: Context, scan: Object) -> work.Work:
        """Copy out the scan and what is known besides; return the work to do."""
        from ...core.mesh import TriangleMesh

        own, mm = context.scene.arming_cap.card, mm_per_unit(context.scene)
        self._scan = scan.name
        scan.data.calc_loop_triangles()
        vertices = np.empty(3 * len(scan.data.vertices), np.float32)
        triangles = np.empty(3 * len(scan.data.loop_triangles), np.int32)
        scan.data.vertices.foreach_get("co", vertices)
        scan.data.loop_triangles.foreach_get("vertices", triangles)
        # The mesh keeps the file's own numbers, as if they were millimetres; only the object is shown larger.
        mesh = TriangleMesh(vertices.reshape(-1, 3).astype(float) * mm, triangles.reshape(-1, 3).astype(int), scan.name)
        marked = {n: np.array(ob.matrix_basis.translation) * mm for n, ob in landmarks_of(scan).items()}
        cap = round(own.cap_mm, 3)
        offsets = dict.fromkeys(UNDER_A_CAP, cap) if cap > 0 else None
        known = {row.name: row.value_mm for row in own.readings if row.name != "weight"}
        units = None if scan.arming_cap.scan_unit == "FIND" else scan.arming_cap.scan_unit

        options = {"units": units, "landmarks": marked or None, "offsets_mm": offsets, "known_mm": known}
        return work.Work(partial(errands.find_head, mesh, options), "Reading the scan")

    def end(self, context: Context, result: Any) -> set[str]:
        """Put the form beside the scan, painted with how far the scan deviates from it."""
        from ...core.report.ramp import linear_colours

        scene, own = context.scene, context.scene.arming_cap.card
        scan = scene.objects.get(self._scan)
        name = own.title.strip() or (scan.name if scan else tr("Wearer"))
        try:
            room = cards.card_of(own).allowance_mm() if own.path else {}
        except InputError:
            room = {}
        form = forms.add_form(scene, result.form, name, room, mm_per_unit(scene))
        form.arming_cap.card = str(cards.path_of(own) or "")
        forms.paint(form, DEVIATION, result.deviation_mm, linear_colours(result.deviation_mm, SPAN_MM))
        forms.show_colours()
        if scan is not None:
            for ob in (scan, *landmarks_of(scan).values()):
                ob.hide_set(True)
        unit = result.unit if result.unit_found else tr("{unit}, as stated", unit=result.unit)
        said = tr("{sure}: {reason}. The scan's unit is {unit}; {noise:.1f} mm of noise")
        form.arming_cap.scan_says = said.format(
            sure=_sure(result.confidence), reason=result.reasons[0], unit=unit, noise=result.noise_mm
        )
        for text in result.warnings:
            self.say("WARNING", text)
        results.look_again()
        self.say("INFO", tr("The head was found, {sure}", sure=_sure(result.confidence)))
        return {"FINISHED"}

    def refused(self, context: Context, error: InputError) -> set[str]:
        """Say why, and put the three landmarks where they can be dragged."""
        scan = context.scene.objects.get(self._scan)
        if scan is None or landmarks_of(scan):
            self.say("ERROR", tr_error(error))
            return {"CANCELLED"}
        _add_landmarks(context, scan)
        said = tr(
            "{what}: drag the three landmarks to both ears and the nose root, then Find Head", what=tr(error.what)
        )
        self.say("WARNING", said)
        return {"FINISHED"}


def _sure(confidence: float) -> str:
    """Return a share in words; nothing is wholly certain."""
    return tr("{share:.0%} sure", share=min(confidence, 0.99))


class ARMINGCAP_OT_import_scan(_FindsHead, work.AfterChoosing, Operator):
    """Bring in a scan of the wearer in any unit and attitude, and make the form from it. Esc stops"""

    bl_idname = "arming_cap.import_scan"
    bl_label = "Import Scan"
    bl_options = {"UNDO"}

    if TYPE_CHECKING:
        filepath: str
        filter_glob: str
        unit: str
    else:
        filepath: StringProperty(name="File", description="The scan's file", subtype="FILE_PATH")
        filter_glob: StringProperty(
            name="Files Shown",
            description="Only meshes are shown",
            default="*.obj;*.stl;*.ply;*.off;*.glb;*.3mf",
            options={"HIDDEN"},
        )
        unit: EnumProperty(name="Unit", description="What one number of the file is", items=UNITS, default="FIND")

    @classmethod
    def poll(cls, context: Context) -> bool:
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Read the file and show the scan as it is."""
        from ...core.formats import UNITS_MM, read_mesh

        scene, mm = context.scene, mm_per_unit(context.scene)
        read = read_mesh(Path(bpy.path.abspath(self.filepath)))
        scan = forms.add_mesh(scene, read.mesh, read.path.stem, mm)
        scan.arming_cap.scan_unit = self.unit
        size = float(np.ptp(read.mesh.bounds, axis=0).max())
        shown = {u: f for u, f in UNITS_MM.items() if 150.0 <= size * f <= 2600.0 and self.unit in ("FIND", u)}
        factor = next(iter(shown.values()), 1.0)
        scan.scale = (factor,) * 3
        scan.location = (-factor / mm * read.mesh.bounds.mean(axis=0)).tolist()  # in sight, wherever the file has it
        forms.choose(scan)
        return self.search(context, scan)


class ARMINGCAP_OT_find_head(_FindsHead, Operator):
    """Find the head in the active scan, at its three landmarks where it has them. Esc stops"""

    bl_idname = "arming_cap.find_head"
    bl_label = "Find Head"
    bl_options = {"UNDO"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        if _scan_of(context) is None:
            cls.poll_message_set(tr("Import a scan and make it the active object first"))
            return False
        return cls.idle()

    def begin(self, context: Context) -> work.Work:
        """Take the active scan."""
        return self.search(context, _scan_of(context))


class ARMINGCAP_OT_add_landmarks(Operator):
    """Put three empties beside the active scan, to be dragged to both ears and the nose root"""

    bl_idname = "arming_cap.add_landmarks"
    bl_label = "Add Landmarks"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        scan = _scan_of(context)
        if scan is None:
            cls.poll_message_set(tr("Import a scan and make it the active object first"))
            return False
        if len(landmarks_of(scan)) == len(LANDMARKS):
            cls.poll_message_set(tr("This scan has its three landmarks: drag them"))
            return False
        return True

    def execute(self, context: Context) -> set[str]:
        _add_landmarks(context, _scan_of(context))
        return {"FINISHED"}


def _add_landmarks(context: Context, scan: Object) -> None:
    scan.hide_set(False)
    low, high = np.array(scan.bound_box).min(axis=0), np.array(scan.bound_box).max(axis=0)
    size = float((high - low).max()) / 40.0
    there = landmarks_of(scan)
    for name, (label, share) in LANDMARKS.items():
        if name in there:
            continue
        mark = bpy.data.objects.new(tr(label), None)
        mark.empty_display_type, mark.empty_display_size = "SPHERE", size
        mark.show_name = mark.show_in_front = True
        mark.arming_cap.landmark = name
        mark.parent = scan
        mark.location = (low + (high - low) * np.array(share)).tolist()
        context.scene.collection.objects.link(mark)
    forms.choose(scan)


classes = (ARMINGCAP_OT_import_scan, ARMINGCAP_OT_find_head, ARMINGCAP_OT_add_landmarks)
