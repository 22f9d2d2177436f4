# SPDX-License-Identifier: GPL-3.0-or-later
"""The checks and their verdicts."""

from __future__ import annotations

from typing import Any

from bpy.types import Context, Panel, UILayout

from ...core import engines
from ...core.report.model import CARE_LINE
from ...core.report.sizes import foam, per_cent, sentences, steps
from ...core.verdict import Status
from ...core.wearer.regions import in_words
from .. import overlay, results, work
from .. import scene as scenes
from ..language import OURS, tr
from ..operators import act, margins
from ..words import figure, sentence, within
from .shared import DONE, ICONS, OLD, OPEN, Tab, paragraph


def so_far() -> dict[str, Any] | None:
    """Return the document of what the run in progress has finished, or None."""
    busy = work.running
    finished = busy.finished_so_far if busy is not None else None
    return finished.document if finished is not None else None


class ARMINGCAP_PT_fit(Tab, Panel):
    """The checks and their verdicts"""

    bl_label = "Fit"
    bl_translation_context = OURS
    bl_order = 2

    @staticmethod
    def state(context: Context) -> str:
        """Done when there are verdicts of the scene as it is."""
        kept = results.of(context.scene)
        return OPEN if not kept.fits else OLD if kept.changes else DONE

    def draw(self, context: Context) -> None:
        layout, scene = self.layout, context.scene
        if scene.arming_cap.preview_of:
            paragraph(
                layout,
                context,
                tr("A passage of {scene}: play the timeline", scene=scene.arming_cap.preview_of),
                "INFO",
            )
            layout.operator("arming_cap.end_passage", icon="LOOP_BACK")
            return
        settings = layout.column()
        settings.use_property_split = True
        settings.use_property_decorate = False
        settings.prop(scene.arming_cap, "unit")
        settings.prop(scene.arming_cap, "seat")
        settings.prop(scene.arming_cap, "padding_gives_mm")
        settings.prop(scene.arming_cap, "loosest_mm")
        settings.prop(scene.arming_cap, "springs_mm")
        walls = settings.row(heading="Walls")
        walls.prop(scene.arming_cap, "with_walls", text="")
        thinnest = walls.row()
        thinnest.active = scene.arming_cap.with_walls
        thinnest.prop(scene.arming_cap, "wall_mm", text="")
        self._doubts(layout, context)
        own = scene.arming_cap
        layout.operator("arming_cap.live_section", icon="MOD_BOOLEAN", depress=own.section_on)
        busy = work.running
        if busy is None:
            row = layout.row()
            row.scale_y = 1.4
            row.operator("arming_cap.check_fit", icon="PLAY")
            if trouble := scenes.missing(scene):
                paragraph(layout, context, sentence(tr(trouble.remedy)), "INFO")
        else:
            row = layout.row(align=True)
            row.progress(factor=busy.fraction, text=f"{busy.fraction:.0%}")
            row.operator("arming_cap.stop", text="", icon="X")
            paragraph(layout, context, sentence(tr(busy.text)), "TIME")

    @staticmethod
    def _doubts(layout: UILayout, context: Context) -> None:
        scene = context.scene
        doubts = scenes.size_doubts(scene)
        if not doubts:
            layout.label(text=sentence(scenes.unit_in_words(scene)), icon="DRIVER_DISTANCE")
            return
        box = layout.box()
        paragraph(box, context, doubts[0], "ERROR")
        if unit := scenes.unit_that_helps(scene):
            box.operator("arming_cap.set_unit", text=tr(UNIT_WORDS[unit]), icon="CHECKMARK").unit = unit
        elif found := scenes.rescale_that_helps(scene):
            name, _, factor = found
            button = box.operator(
                "arming_cap.rescale", text=tr("Scale {name} by {factor}", name=name, factor=scenes.FACTORS[factor])
            )
            button.thing, button.factor = name, factor


UNIT_WORDS = {"MM": "Use 1 Unit = 1 mm", "M": "Use 1 Unit = 1 m"}


class ARMINGCAP_PT_verdicts(Tab, Panel):
    """What the last run found, or the present one so far"""

    bl_label = "Verdicts"
    bl_order = 3

    @staticmethod
    def state(context: Context) -> str:
        """Failed where anything fails, or could not be checked."""
        kept = results.of(context.scene)
        worst = max((Status(fit["verdict"]) for fit in kept.fits), key=lambda s: s.severity, default=None)
        if worst is None or so_far() is not None:
            return OPEN
        return OLD if kept.changes else ICONS[worst.value]

    @classmethod
    def poll(cls, context: Context) -> bool:
        return bool(results.of(context.scene).fits) or so_far() is not None

    def draw(self, context: Context) -> None:
        layout = self.layout
        document = so_far()
        if document is not None:
            for fit in document["result"]["fits"]:
                box = layout.box().column(align=True)
                box.label(text=tr("{piece} on {wearer}", piece=fit["piece"], wearer=fit["wearer"]))
                for verdict in fit["verdicts"]:
                    pending = bool(verdict["details"].get("stopped"))
                    line = box.split(factor=0.6)
                    line.active = not pending
                    icon = "SORTTIME" if pending else ICONS[verdict["verdict"]]
                    line.label(text=tr(verdict["check"].capitalize()), icon=icon)
                    line.label(text="" if pending else figure(verdict, spread=False))
            return
        kept = results.of(context.scene)
        if kept.changes:
            box = layout.box()
            box.alert = True
            more, said = len(kept.changes) - 1, tr("Out of date: {change}", change=kept.changes[0])
            paragraph(
                box, context, tr("{said} and {count} more", said=said, count=more) if more else said, "FILE_REFRESH"
            )
        for warning in kept.document.get("warnings", []):
            paragraph(layout, context, warning, "ERROR")
        for row, fit in enumerate(kept.fits):
            self._fit(layout, context, row, fit)
        if len(kept.fits) > 1:
            for one in kept.document["result"].get("cast") or []:
                if one["serves"] is not None:
                    served = {"scale": per_cent(one["serves"]), "wearers": ", ".join(one["served"])}
                    text = tr("{piece} at {scale} serves {wearers}", piece=one["piece"], **served)
                    paragraph(layout, context, text, "COMMUNITY")
        layout.operator("arming_cap.export_report", icon="EXPORT")
        paragraph(layout, context, CARE_LINE, "INFO")

    def _fit(self, layout: UILayout, context: Context, row: int, fit: dict[str, Any]) -> None:
        head = layout.box().column(align=True)
        head.active = not results.of(context.scene).changes
        head.label(text=tr("{piece} on {wearer}", piece=fit["piece"], wearer=fit["wearer"]))
        word = head.row()
        word.alert = fit["verdict"] == "fail"
        wrong = [within(v["check"]) for v in fit["verdicts"] if v["verdict"] == fit["verdict"] != "pass"]
        word.label(
            text=f"{tr(fit['verdict']).upper()}{': ' if wrong else ''}{', '.join(wrong)}", icon=ICONS[fit["verdict"]]
        )
        wanted, says = act.scaling(context.scene, row), fit.get("says") or ""
        if wanted is not None and wanted[1] is not None and abs(wanted[1] / wanted[0] - 1.0) > 1e-4:
            # What stands here is not the file as it is: the scale to print at is told against the file.
            says = tr("Print at {scale} of the file.", scale=per_cent(wanted[1])) + says.partition("%.")[2]
        if says:
            paragraph(head, context, says)
        if wanted is not None and abs(wanted[0] - 1.0) > 1e-4:
            factor, of_file = wanted
            word = tr("Scale to {scale} of the File") if of_file else tr("Scale to {scale}")
            word = word.format(scale=per_cent(of_file or factor))
            head.operator("arming_cap.scale_piece", text=word, icon="FULLSCREEN_ENTER").fit = row
        shown = margins.shown(context.scene)
        word = tr("Hide Margins") if shown else tr("Show Margins")
        head.operator("arming_cap.show_margins", text=word, icon="SHADING_RENDERED", depress=shown).fit = row
        # What fails comes first: a page of passes would push it out of sight.
        order = sorted(enumerate(fit["verdicts"]), key=lambda pair: -Status(pair[1]["verdict"]).severity)
        for number, verdict in order:
            body = self._verdict(layout, context, row, number, verdict)
            if body is not None and verdict["check"] == "size" and fit.get("size"):
                self._size(body, context, row, fit["size"])
        for warning in fit.get("warnings", []):
            paragraph(layout, context, warning, "ERROR")
        if any(any(fit["seat"][key]) for key in ("translation_mm", "rotation_deg")) if fit.get("seat") else False:
            layout.operator("arming_cap.move_to_seat", icon="SNAP_ON").fit = row

    @staticmethod
    def _verdict(layout: UILayout, context: Context, row: int, number: int, verdict: dict[str, Any]) -> UILayout | None:
        status = verdict["verdict"]
        # A pass that asks for something, such as a part taken off, is not folded away; what was stopped says nothing.
        plain = status == "pass" and not verdict["details"].get("take_off")
        plain = plain or bool(verdict["details"].get("stopped"))
        # Its own name for each status: what was opened to read a fail is folded again once it passes.
        header, body = layout.panel(f"arming_cap_{row}_{verdict['check']}_{status}", default_closed=plain)
        after = "" if status == "not checked" else f", {tr(status)}"  # there the figure says it
        header.label(text=f"{tr(verdict['check'].capitalize())}{after}", icon=ICONS[status])
        value = header.row()
        value.alignment = "RIGHT"
        value.alert = status == "fail"
        value.label(text=figure(verdict, spread=False))
        if body is None:
            return None
        if verdict["uncertainty"] > 0:
            paragraph(body, context, tr("Found: {figure}", figure=figure(verdict)))
        if verdict["requirement"]:
            paragraph(body, context, tr("Asked: {requirement}", requirement=verdict["requirement"]))
        place = verdict["limited_by"]
        region = within(in_words(place["region"])) if place["region"] != "whole" else ""  # a mesh without regions
        where = ", ".join(word for word in (region, place["part"]) if word)
        if where:
            paragraph(body, context, tr("Limited by: {place}", place=where))
        for said in (verdict["why"], verdict["mend"]):
            if said:
                paragraph(body, context, sentence(said))
        if place["part"] or place["at"]:
            line = body.row(align=True)
            here = overlay.place_shown() == (row, number)
            word = tr("Go Back") if here else tr("Show Place")
            button = line.operator("arming_cap.show_place", text=word, icon="ZOOM_SELECTED", depress=here)
            button.fit, button.verdict = row, number
            if place["at"] and verdict["check"] in {"clearance", "donning", "size"}:
                button = line.operator("arming_cap.ring_there", text="", icon="MESH_TORUS")
                button.fit, button.verdict = row, number
        if verdict["details"].get("passage"):
            body.operator("arming_cap.play_passage", icon="PLAY").fit = row
        if status != "pass" and verdict["check"] == "placement":
            found = act.cast_of_fit(context.scene, row)
            if found is not None and len(found[1].parts) > 1:
                body.operator("arming_cap.put_together", icon="MOD_MIRROR").fit = row
        if verdict["details"].get("placing") == "solid":
            column = body.column(align=True)
            column.operator("arming_cap.make_hollow", icon="MOD_THICKNESS").fit = row
            column.prop(context.scene.arming_cap, "shell_wall_mm")
        if status != "pass" and verdict["check"] == "clearance":
            body.operator("arming_cap.make_room", icon="MOD_SKIN")
        if status != "pass" and verdict["check"] == "donning" and place["part"]:
            ob = context.scene.objects.get(place["part"])
            found = act.cast_of_fit(context.scene, row)
            if ob is not None and ob.arming_cap.role == "PART" and found is not None and len(found[1].parts) > 1:
                button = body.operator(
                    "arming_cap.take_part_off", text=tr("Let {part} Come Off", part=ob.name), icon="MOD_EXPLODE"
                )
                button.fit, button.part = row, ob.name
        return body

    @staticmethod
    def _size(layout: UILayout, context: Context, row: int, size: dict[str, Any]) -> None:
        """Draw what a sizing says, the chance of fitting at a few scales, and the padding plan."""
        shown = steps(size)
        for said in sentences(size, chances=not shown):
            paragraph(layout, context, sentence(said))
        if shown:
            column = layout.column(align=True)
            column.label(text="Chance of Fitting")
            for scale, chance in shown:
                line = column.split(factor=0.3, align=True)
                line.label(text=per_cent(scale))
                line.progress(factor=chance, text=tr("{chance:.0f} in 100", chance=100 * chance))
        if plan := foam(size):
            header, body = layout.panel(f"arming_cap_{row}_padding", default_closed=True)
            header.label(text="Padding Plan", icon="MOD_THICKNESS")
            if body is not None:
                for region, sheets in plan:
                    paragraph(body, context, f"{tr(region.title())}: {sheets}")


class ARMINGCAP_PT_packages(Tab, Panel):
    """What keeps the checks from running"""

    bl_label = "Packages"
    bl_order = 5

    @classmethod
    def poll(cls, context: Context) -> bool:
        return bool(engines.known_problem())

    def draw(self, context: Context) -> None:
        box = self.layout.box()
        paragraph(box, context, engines.known_problem(), "ERROR")
        box.operator("arming_cap.copy_details", icon="COPYDOWN")


class ARMINGCAP_PT_messages(Tab, Panel):
    """What the last runs had to say: Blender itself shows the last message alone"""

    bl_label = "Messages"
    bl_order = 6
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context: Context) -> bool:
        return bool(work.said)

    def draw(self, context: Context) -> None:
        for level, text in reversed(work.said):
            paragraph(self.layout, context, text, {"INFO": "INFO", "WARNING": "ERROR"}.get(level, "CANCEL"))


classes = (ARMINGCAP_PT_packages, ARMINGCAP_PT_fit, ARMINGCAP_PT_verdicts, ARMINGCAP_PT_messages)
