# SPDX-License-Identifier: GPL-3.0-or-later
"""What the extension keeps in a .blend: one group on scenes, one on objects, both called `arming_cap`."""

from typing import TYPE_CHECKING, Any

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    PointerProperty,
    StringProperty,
)
from bpy.types import Context, Object, PropertyGroup

from ..core.wearer.card import BODY_PARTS
from ..core.wearer.dimension import DIMENSIONS
from ..core.wearer.regions import ALL, in_words
from . import cards, results
from .language import OURS

ROLES = (
    ("NONE", "None", "Takes no part in the checks", "BLANK1", 0),
    ("FORM", "Wearer", "The closed surface that stands for the wearer, the form: a body mesh or a scan", "USER", 1),
    ("PART", "Part", "Part of a piece, in its worn position", "MESH_CUBE", 2),
    ("REMOVABLE", "Removable Part", "Part of a piece that comes off while it is put on", "MOD_EXPLODE", 3),
)

DIGITS = 4
"""Blender counts the precision of a length in digits, before the point too: 1.75 and 566.5 are shown whole."""

JOINTS = (
    ("NONE", "Glue Alone", "Plain cut faces, nothing cut into them"),
    ("pin", "Pins", "Holes for lengths of filament"),
    ("dowel", "Dowels", "Holes for dowels, which are written to be printed"),
    ("magnet", "Magnets", "A hole for a magnet on each side, for parts that come off"),
    ("tongue", "Tongues", "Tongues with draft where the wall is thick enough, pins elsewhere"),
)
WEIGHTS = {
    "front": ("Seam in Front", "For each 100 mm of seam that is seen from the front", 0.25),
    "shown": ("Seam on Show", "For each 1000 mm of seam on any outer surface", 0.12),
    "square": ("Along Wall", "For a cut that lies along the wall; a square one costs nothing", 0.3),
    "joints": ("No Joints", "For a cut without room for joints anywhere along it", 0.35),
    "sliver": ("Sliver", "For a part that is thinner than the smallest size, or next to nothing", 0.5),
    "symmetry": ("Not Alike", "For a cut whose mirror image is no cut, on a piece that is alike left and right", 0.6),
    "stand": ("No Flat", "For a part that fits the printer askew only", 0.2),
    "even": ("Uneven", "For a cut that takes next to nothing off; one that halves costs nothing", 0.1),
}
"""What a plan is judged by, each counted in parts: 1 is as bad as one part more."""
UNITS = (
    ("SCENE", "From the Scene", "As the scene's unit settings say; without a unit system a unit is a millimetre"),
    ("MM", "1 Unit Is 1 mm", "As in files that come from or go to a printer"),
    ("M", "1 Unit Is 1 m", "As Blender counts in a new file"),
)

SEATS = (
    ("fixed", "As Placed", "Each piece is worn just where it stands in the scene"),
    ("best", "Find the Seat", "Each piece is moved to where it comes to rest on its wearer, for the checks only"),
)

SEXES = (
    ("any", "Not Stated", "Estimates weigh men and women by how well each explains the readings"),
    ("f", "Female", "Estimates from the women of the survey"),
    ("m", "Male", "Estimates from the men of the survey"),
)

PARTS_OF_BODY = tuple((name, name.title(), "The readings shape a form of this part of the body") for name in BODY_PARTS)

CUTS = (
    ("NONE", "None", "This object is no cut"),
    ("PLANNED", "Planned", "A cut of the plan; the next plan may cut elsewhere"),
    ("LOCKED", "Locked", "The next plan makes this cut first"),
    ("FORBIDDEN", "Forbidden", "The next plan does not cut here"),
)

REGIONS = tuple((name, in_words(name).title(), "A region of the form; left is the wearer's own left") for name in ALL)


def _changed(group: PropertyGroup, context: Context) -> None:
    results.look_again()


def sections_moved(group: PropertyGroup, context: Context) -> None:
    """Cut anew where the plane has gone."""
    from . import sections

    sections.cut_now(context.scene)


def _is_empty(group: PropertyGroup, ob: Object) -> bool:
    return ob.type == "EMPTY"


def _can_wear(group: PropertyGroup, ob: Object) -> bool:
    return bool(ob.arming_cap.role == "FORM")


def _length(name: str, description: str, default: float) -> Any:
    """Return a property in millimetres whatever the scene counts in: Blender shows its camera unit as mm always."""
    return FloatProperty(
        name=name,
        description=description,
        subtype="DISTANCE_CAMERA",
        default=default,
        min=-50.0,
        max=200.0,
        soft_min=-10.0,
        soft_max=30.0,
        precision=DIGITS,
        update=_changed,
    )


class ARMINGCAP_PG_allowance(PropertyGroup):
    """The room that one region of a form keeps for itself."""

    if TYPE_CHECKING:
        region: str
        room_mm: float
    else:
        region: EnumProperty(
            name="Region", description="A region of the form", items=REGIONS, default="ear_left", update=_changed
        )
        room_mm: _length("Allowance", "Room this region must keep; negative where flesh gives", -2.0)


def _read_anew(group: PropertyGroup, context: Context) -> None:
    cards.refresh(group.id_data.arming_cap.card)


def _reading(name: str, description: str, **limits: float) -> Any:
    return FloatProperty(
        name=name,
        description=description,
        subtype="DISTANCE_CAMERA",
        precision=DIGITS,
        min=0.0,
        update=_read_anew,
        **limits,
    )


class ARMINGCAP_PG_reading(PropertyGroup):
    """One dimension as it was measured; its name is the dimension's."""

    if TYPE_CHECKING:
        value_mm: float
        sd_mm: float
        weight_kg: float
    else:
        value_mm: _reading("Reading", "What tape, caliper or boards read", max=3000.0)
        sd_mm: _reading(
            "Spread of Reading", "Standard deviation of the reading; 0 stands for the tool's usual one", max=100.0
        )
        weight_kg: FloatProperty(
            name="Weight",
            description="Body mass in kilograms",
            min=0.0,
            max=300.0,
            precision=1,
            update=_read_anew,
        )


def _typed(name: str) -> Any:
    """Return the field of one dimension: what is typed becomes the reading, in any unit that a tape has."""
    of = DIMENSIONS[name]
    return StringProperty(
        name=of.in_words.title(),
        description=f"{of.definition.rstrip('.')}. Such as 567, 56.7 cm, 22 3/8 in, 566-569; nothing for the estimate",
        get=lambda own: cards.typed(own, name),
        set=lambda own, text: cards.type_in(own, name, text),
    )


# One field for each dimension; written out, they would be fifty lines that say the same.
_Typed = type("_Typed", (), {"__annotations__": {f"typed_{name}": _typed(name) for name in DIMENSIONS}})


class ARMINGCAP_PG_card(_Typed, PropertyGroup):
    """The wearer card that the panel shows."""

    if TYPE_CHECKING:
        path: str
        title: str
        sex: str
        body_part: str
        readings: Any
        cap_mm: float
        estimates: str
        history: str
        trouble: str
    else:
        path: StringProperty(
            name="File",
            description="The card's file; empty until it is saved",
            subtype="FILE_PATH",
            options={"PATH_SUPPORTS_BLEND_RELATIVE"},
        )
        title: StringProperty(name="Name", description="What the wearer is called in reports")
        sex: EnumProperty(
            name="Sex",
            description="Whose survey the estimates come from",
            items=SEXES,
            default="any",
            update=_read_anew,
        )
        body_part: EnumProperty(
            name="Body Part", description="What the readings shape", items=PARTS_OF_BODY, default="head"
        )
        readings: CollectionProperty(
            name="Readings", description="The dimensions that were measured", type=ARMINGCAP_PG_reading
        )
        cap_mm: FloatProperty(
            name="Cap Thickness",
            description="Cap or hair that the scan shows on crown, sides and back of the head: it is taken off",
            subtype="DISTANCE_CAMERA",
            min=0.0,
            max=50.0,
            precision=DIGITS,
        )
        estimates: StringProperty(
            name="Estimates", description="Every dimension with its spread, as JSON", options={"HIDDEN"}
        )
        history: StringProperty(name="History", description="What was tried on, as JSON", options={"HIDDEN"})
        trouble: StringProperty(name="Trouble", description="What is wrong with the readings", options={"HIDDEN"})


def _printer_length(name: str, description: str, default: float, low: float, high: float) -> Any:
    return FloatProperty(
        name=name,
        description=description,
        subtype="DISTANCE_CAMERA",
        default=default,
        min=low,
        max=high,
        precision=DIGITS,
    )


class ARMINGCAP_PG_printer(PropertyGroup):
    """The printer, and what is planned for it."""

    if TYPE_CHECKING:
        volume_width_mm: float
        volume_depth_mm: float
        volume_height_mm: float
        margin_mm: float
        joint: str
        joint_wide_mm: float
        joint_play_mm: float
        joint_deep_mm: float
        glue_mm: float
        smallest_mm: float
        close_mm: float
        shrinkage: Any
        material: str
        weights: Any
        plan: str
    else:
        volume_width_mm: _printer_length("Width", "Width that the printer can print", 220.0, 20.0, 2000.0)
        volume_depth_mm: _printer_length("Depth", "Depth that the printer can print", 220.0, 20.0, 2000.0)
        volume_height_mm: _printer_length("Height", "Height that the printer can print", 250.0, 20.0, 2000.0)
        margin_mm: _printer_length("Margin", "Kept free round the edge of the plate, for a brim", 0.0, 0.0, 100.0)
        joint: EnumProperty(
            name="Kind of Joint", description="What holds the parts in place", items=JOINTS, default="pin"
        )
        joint_wide_mm: _printer_length("Joint Width", "Diameter of the pin, dowel or magnet", 1.75, 0.5, 30.0)
        joint_play_mm: _printer_length("Joint Play", "By how much a hole is wider than what goes in", 0.2, 0.0, 2.0)
        joint_deep_mm: _printer_length("Joint Depth", "Depth of a hole on each side of the cut", 6.0, 1.0, 50.0)
        glue_mm: _printer_length("Gap for Glue", "Room between two cut faces; half is taken off each", 0.0, 0.0, 2.0)
        smallest_mm: _printer_length("Smallest Part", "Least thickness of a part, laid any way", 15.0, 0.0, 200.0)
        close_mm: _printer_length(
            "Close Holes", "Holes in the mesh are closed where their rim is no longer than this", 60.0, 0.0, 5000.0
        )
        shrinkage: FloatVectorProperty(
            name="Shrinkage",
            description="By how much a print shrinks along the printer's axes, in per cent; the files are made larger",
            size=3,
            min=-9.0,
            max=9.0,
            precision=2,
            subtype="XYZ",
        )
        material: StringProperty(name="Material", description="A word for the files and the build sheet")
        weights: FloatVectorProperty(
            name="Weights",
            description="What a plan is judged by; 1 is as bad as one part more",
            size=len(WEIGHTS),
            default=tuple(default for *_, default in WEIGHTS.values()),
            min=-10.0,
            max=10.0,
            precision=2,
        )
        plan: StringProperty(name="Plan", description="The last plan's figures, as JSON", options={"HIDDEN"})


class ARMINGCAP_PG_scene(PropertyGroup):
    """What holds for the whole scene."""

    if TYPE_CHECKING:
        unit: str
        seat: str
        padding_gives_mm: float
        loosest_mm: float
        springs_mm: float
        with_walls: bool
        wall_mm: float
        left_wall_mm: float
        shell_wall_mm: float
        margins_shown: bool
        section_on: bool
        section_at: Any
        section_turn: Any
        card: Any
        printer: Any
        preview_of: str
        begins_with_tab: bool
        results: str
        report_files: str
    else:
        unit: EnumProperty(
            name="Unit",
            description="How long one Blender unit is. The checks count in millimetres",
            items=UNITS,
            default="SCENE",
            update=_changed,
        )
        seat: EnumProperty(
            name="Seat",
            description="Where the pieces are while they are checked",
            items=SEATS,
            default="fixed",
            update=_changed,
        )
        padding_gives_mm: _length("Padding Gives", "How far hair, liner and padding flatten on the way on and off", 0.0)
        loosest_mm: _length(
            "Loosest",
            "How far what carries a piece may stand off over its allowance before it is too large",
            25.0,
        )
        springs_mm: _length("Slit Springs", "How far a slit from end to end is held open on the way on and off", 0.0)
        with_walls: BoolProperty(
            name="Walls",
            description="Also look for walls that are too thin to print; takes some seconds for each piece",
            default=False,
            update=_changed,
        )
        wall_mm: _length("Thinnest Wall", "Walls thinner than this are warned of: two lines of the nozzle", 0.8)
        left_wall_mm: FloatProperty(
            name="Wall Left",
            description="Wall that is left under the outside everywhere when room is made inside",
            subtype="DISTANCE_CAMERA",
            default=1.2,
            min=0.2,
            max=50.0,
            precision=DIGITS,
        )
        shell_wall_mm: FloatProperty(
            name="Wall of Shell",
            description="Wall that is left all around when a solid piece is made hollow; 2 to 4 mm is common practice",
            subtype="DISTANCE_CAMERA",
            default=3.0,
            min=0.4,
            max=50.0,
            precision=DIGITS,
        )
        margins_shown: BoolProperty(
            name="Margins", description="Whether the margins are painted on wearer and piece", options={"HIDDEN"}
        )
        section_on: BoolProperty(
            name="Live Section",
            description="Whether a plane cuts piece and wearer, with its figures beside it",
            options={"HIDDEN"},
        )
        section_at: FloatVectorProperty(
            name="Section's Middle", description="A point of the plane", size=3, subtype="XYZ", update=sections_moved
        )
        section_turn: FloatVectorProperty(
            name="Section's Tilt", description="How the plane is turned", size=3, subtype="EULER", update=sections_moved
        )
        card: PointerProperty(
            name="Wearer Card", description="What is known of the wearer that is worked on", type=ARMINGCAP_PG_card
        )
        printer: PointerProperty(
            name="Printer", description="The printer that pieces are split for", type=ARMINGCAP_PG_printer
        )
        preview_of: StringProperty(
            name="Preview Of",
            description="The scene whose passage this one plays",
            options={"HIDDEN"},
        )
        begins_with_tab: BoolProperty(
            name="Begins with the Tab",
            description="Whether the sidebar opens at our tab when this file is opened the next time",
            options={"HIDDEN"},
        )
        results: StringProperty(
            name="Verdicts",
            description="What the last run of the checks found, as JSON",
            options={"HIDDEN"},
        )
        report_files: StringProperty(
            name="Report",
            description="The last run's report as it can be exported, compressed",
            options={"HIDDEN"},
        )


class ARMINGCAP_PG_object(PropertyGroup):
    """What an object is in the checks."""

    if TYPE_CHECKING:
        role: str
        piece: str
        worn_by: Any
        hinge: Any
        opens: float
        allowance_mm: float
        allowances: Any
        form_facts: str
        card: str
        scan_unit: str
        scan_says: str
        landmark: str
        cut: str
        one_part: bool
        ring: bool
    else:
        role: EnumProperty(
            name="Role",
            description="What this object is in the checks",
            items=ROLES,
            default="NONE",
            update=_changed,
        )
        piece: StringProperty(
            name="Piece",
            description="The wearable thing that this part belongs to. Left empty, it is named after its object",
            update=_changed,
        )
        worn_by: PointerProperty(
            name="Worn By",
            description="The form this part's piece is worn on, where the scene holds several",
            type=Object,
            poll=_can_wear,
            update=_changed,
        )
        hinge: PointerProperty(
            name="Hinge",
            description="An empty on the line that this part swings open about: the empty's own Z axis. "
            "Without one the part comes off",
            type=Object,
            poll=_is_empty,
            update=_changed,
        )
        opens: FloatProperty(
            name="Opens By",
            description="How far it swings from where it is worn, by the right hand about the empty's Z axis",
            subtype="ANGLE",
            default=1.57079633,
            min=-3.14159265,
            max=3.14159265,
            update=_changed,
        )
        allowance_mm: _length(
            "Allowance", "Room that this wearer's hair, liner and padding need everywhere inside a piece", 5.0
        )
        allowances: CollectionProperty(
            name="Allowances by Region",
            description="Regions that keep another room than the rest",
            type=ARMINGCAP_PG_allowance,
        )
        form_facts: StringProperty(
            name="Form",
            description="Regions, landmarks and spread of a form that was made here, as JSON",
            options={"HIDDEN"},
        )
        card: StringProperty(
            name="Card",
            description="The file of the wearer's card: what was tried on is recorded there, and the next check knows",
            subtype="FILE_PATH",
            options={"PATH_SUPPORTS_BLEND_RELATIVE"},
        )
        scan_unit: StringProperty(
            name="Unit of the Scan",
            description="What one number of the scan's file is; empty for what is no scan",
            options={"HIDDEN"},
        )
        scan_says: StringProperty(
            name="About the Scan", description="How sure the form is that was made from a scan", options={"HIDDEN"}
        )
        landmark: StringProperty(
            name="Landmark", description="Which landmark of its parent this empty marks", options={"HIDDEN"}
        )
        cut: EnumProperty(
            name="Cut",
            description="What this cut is to the next plan",
            items=CUTS,
            default="NONE",
            translation_context=OURS,
        )
        one_part: BoolProperty(
            name="One Part Only",
            description="The cut divides only the part nearest to its own middle; all others stay whole",
        )
        ring: BoolProperty(
            name="Ring Plane", description="A try-on ring can be taken in the plane of this circle", options={"HIDDEN"}
        )


classes = (
    ARMINGCAP_PG_allowance,
    ARMINGCAP_PG_reading,
    ARMINGCAP_PG_card,
    ARMINGCAP_PG_printer,
    ARMINGCAP_PG_scene,
    ARMINGCAP_PG_object,
)


def register() -> None:
    """Hang the groups on scenes and objects."""
    bpy.types.Scene.arming_cap = PointerProperty(type=ARMINGCAP_PG_scene)
    bpy.types.Object.arming_cap = PointerProperty(type=ARMINGCAP_PG_object)


def unregister() -> None:
    """Take them off again; what a file holds stays in the file."""
    del bpy.types.Object.arming_cap
    del bpy.types.Scene.arming_cap
