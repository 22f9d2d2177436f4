# SPDX-License-Identifier: GPL-3.0-or-later
"""Body dimensions: what each is, how it is taken, and how far two takings differ.

Names are the standards' terms in snake_case. Definitions follow ISO 7250-1:2017, ISO 8559-1:2017 and the ANSUR II
report (NATICK/TR-15/007), told in our own words and from memory; where ours differs, the definition says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from ..errors import InputError
from ..tables import closest

# Two readings by equally good observers differ by less than the allowance in 95 of 100 cases: r = 1.96 sqrt(2) s
# (the repeatability limit of ISO 5725-6, from memory). NATICK/TR-11/017 does not say which share its allowance
# stands for, so this conversion is ours.
ALLOWANCE_PER_SD = 1.96 * math.sqrt(2.0)

# Common practice, no source: what a careful beginner repeats to, by tool.
TOOL_SD_MM = {"caliper": 2.0, "two boards": 3.0, "tape": 3.0, "scale": 1.0}


@dataclass(frozen=True)
class Dimension:
    """One named measure of a body.

    Attributes
    ----------
    name
        Standard term in snake_case.
    group
        ``head``, ``arm``, ``leg``, ``torso`` or ``body``.
    tool
        ``tape``, ``caliper``, ``two boards`` or ``scale``.
    definition, how, mistakes
        Plain words: what it is, how to take it, what usually goes wrong.
    low, high
        Plausible limits in the dimension's unit. Wide on purpose, from a school child to well beyond the largest
        adults of the survey: a reading outside them is a slip of hand, of tape or of unit. Our own setting.
    allowance_mm
        Difference between two observers that the ANSUR II survey allowed, where published
        (NATICK/TR-11/017 App. G, at second hand); None where we found none.
    surveyed
        Whether ANSUR II took it, so that it can be estimated.
    unit
        ``mm``, or ``kg`` for the weight.
    """

    name: str
    group: str
    tool: str
    low: float
    high: float
    definition: str
    how: str
    mistakes: str
    allowance_mm: float | None = None
    surveyed: bool = True
    unit: str = "mm"

    @property
    def default_sd(self) -> float:
        """Standard deviation of one careful reading, in the dimension's unit; a card may state another."""
        if self.allowance_mm is not None:
            return round(self.allowance_mm / ALLOWANCE_PER_SD, 1)
        return TOOL_SD_MM[self.tool]

    @property
    def sd_source(self) -> str:
        """Where `default_sd` comes from, in words."""
        if self.allowance_mm is not None:
            return f"ANSUR II allowed {self.allowance_mm:g} mm between observers, taken as 1.96·√2 standard deviations"
        return "common practice, no source"

    @property
    def in_words(self) -> str:
        """The name as a sentence would say it."""
        return self.name.replace("_", " ")


# fmt: off
_TABLE = (
    # -- head --------------------------------------------------------------------------------------------------------
    Dimension("head_breadth", "head", "caliper", 110, 200,
        "Greatest breadth of the head above the ears, level and square to the middle plane.",
        "Slide the caliper back and forth above the ears until it reads most. Two boards against the sides, "
        "parallel, do as well.",
        "Taken over the ears, or with hair pressed in only on one side."),
    Dimension("head_length", "head", "caliper", 135, 260,
        "From the brow between the eyebrows (glabella) to the farthest point at the middle of the back of the head.",
        "One tip on the brow between the eyebrows, the other moved up and down the middle of the back until it "
        "reads most.",
        "Starting from the nose root or the forehead; a pony tail under the caliper."),
    Dimension("head_circumference", "head", "tape", 430, 720,
        "Largest girth of the head, just above the brow ridges and over the farthest point at the back.",
        "Tape snug over the hair, above the eyebrows and ears; move it at the back until it reads most; take it "
        "three times.",
        "Tape slipped down at the back, run over the ears, or read loose over thick hair."),
    Dimension("tragion_top_of_head", "head", "two boards", 85, 180,
        "Upright distance from the notch above the small flap in front of the ear opening (tragion) to the top "
        "of the head.",
        "Lower edge of the eye socket level with the ear notch. A board flat on the head; measure straight down "
        "to the notch.",
        "Head tipped; measured along the skin instead of straight up; hair under the board."),
    Dimension("menton_sellion_length", "head", "caliper", 75, 165,
        "From the underside of the chin at the middle (menton) to the deepest point of the nose root (sellion).",
        "Teeth lightly together. One jaw under the chin bone, the other in the hollow of the nose between the eyes.",
        "Mouth open; measured to the eyebrows; beard pushed away on one day and not on the next."),
    Dimension("bizygomatic_breadth", "head", "caliper", 90, 190,
        "Greatest breadth of the face across the cheekbone arches.",
        "Feel the arches from the cheeks towards the ears; move the caliper until it reads most; touch, do not "
        "press.",
        "Taken at the front of the cheeks, where the face is narrower."),
    Dimension("bitragion_arc", "head", "tape", 250, 450,
        "Over the crown from the ear notch (tragion) on one side to that on the other.",
        "Hold the tape's end at the notch in front of one ear, straight over the top, to the other notch.",
        "Tape drifts forward or back from the upright plane; hair under it.", surveyed=False),
    Dimension("bitragion_chin_arc", "head", "tape", 215, 450,
        "From ear notch to ear notch around the front of the chin.",
        "Tape from one notch over the foremost point of the chin to the other notch, teeth together.",
        "Tape slips under the chin."),
    Dimension("bitragion_submandibular_arc", "head", "tape", 195, 445,
        "From ear notch to ear notch under the jaw, where jaw and neck meet.",
        "Tape from one notch down under the jaw, in the corner with the neck, up to the other; look straight ahead.",
        "Chin lifted or tucked in; tape pulled into soft flesh."),
    Dimension("ear_breadth", "head", "caliper", 18, 60,
        "From the ear's front attachment to its rear edge, square to its length.",
        "Caliper flat along the head, across the widest place of the right ear.",
        "Measured aslant."),
    Dimension("ear_length", "head", "caliper", 35, 100,
        "From the top edge of the ear to the lowest edge of its lobe, along the ear.",
        "Right ear, caliper along the ear's own axis, touching without pressing.",
        "Lobe stretched by an ear-ring; measured straight down on a slanting ear."),
    Dimension("ear_protrusion", "head", "caliper", 6, 45,
        "How far the ear's outermost edge stands off the side of the head behind it.",
        "Depth rod of the caliper from the bone behind the ear out to the level of the ear's edge.",
        "Ear pressed in; measured from the hair."),
    Dimension("interpupillary_breadth", "head", "caliper", 38, 90,
        "Between the centres of the pupils, looking far away.",
        "Ruler on the brow; look past the helper at something far off; read from pupil to pupil, one eye at a time.",
        "Looking at the helper's nose: the eyes turn in and it reads 2 to 4 mm short."),
    Dimension("nose_to_back_depth", "head", "two boards", 160, 300,
        "Level distance from the tip of the nose to the farthest point of the back of the head. Our own measure: "
        "it is what a one-piece mask or helmet must clear. The survey does not have it.",
        "Stand with the back of the head against a wall, look straight ahead, hold a board upright at the nose tip.",
        "Head tipped; hair bun against the wall; confused with head length, which starts at the brow.",
        surveyed=False),
    Dimension("neck_circumference", "head", "tape", 210, 560,
        "Girth of the neck at the voice box, square to the neck's own axis.",
        "Look straight ahead; tape over the bump of the voice box, snug, not tight.",
        "Tape level although the neck leans forward; taken at the collar, which is wider.", allowance_mm=6),
    Dimension("neck_base_circumference", "head", "tape", 230, 600,
        "Girth where the neck meets shoulders and chest.",
        "Lay a thin chain round the neck, let it settle, and measure along it.",
        "Taken higher up.", allowance_mm=8),
    # -- arm ---------------------------------------------------------------------------------------------------------
    Dimension("upper_arm_circumference", "arm", "tape", 130, 560,
        "Largest girth of the hanging, relaxed upper arm. Not the flexed girth that the survey took.",
        "Arm hangs; tape square to it, midway between shoulder and elbow or where it reads most.",
        "Muscle tensed.", surveyed=False),
    Dimension("biceps_circumference_flexed", "arm", "tape", 145, 560,
        "Largest girth of the upper arm with the elbow at a right angle and the fist clenched.",
        "Upper arm level, elbow bent square, fist tight; tape over the peak of the muscle.",
        "Arm relaxed: that is upper_arm_circumference, some centimetres less."),
    Dimension("elbow_circumference", "arm", "tape", 130, 450,
        "Girth of the straight arm over the tip of the elbow.",
        "Arm hanging, nearly straight; tape over the elbow's tip and through the crease.",
        "Elbow bent: it reads more, and the piece must then be checked bent too.", surveyed=False),
    Dimension("forearm_circumference", "arm", "tape", 120, 450,
        "Largest girth of the hanging, relaxed forearm. Not the flexed girth that the survey took.",
        "Arm hangs, hand open; tape square to the forearm, a hand's breadth below the elbow, where it reads most.",
        "Fist clenched.", surveyed=False),
    Dimension("forearm_circumference_flexed", "arm", "tape", 135, 455,
        "Largest girth of the forearm with the elbow at a right angle and the fist clenched.",
        "Elbow bent square, fist tight; tape square to the forearm near the elbow.",
        "Hand open."),
    Dimension("wrist_circumference", "arm", "tape", 90, 260,
        "Girth at the wrist, over the bony knob on the little finger's side (ulnar styloid).",
        "Hand open and straight; tape square to the forearm at the knob.",
        "Taken above the knob where a watch sits.", allowance_mm=3),
    Dimension("hand_circumference", "arm", "tape", 110, 310,
        "Girth of the hand across the knuckles of the four fingers, thumb left out.",
        "Fingers together and straight; tape across the knuckles. For what must pass through a sleeve, squeeze the "
        "hand narrow with the thumb laid in and note that as a reading of its own.",
        "Thumb included."),
    Dimension("hand_breadth", "arm", "caliper", 45, 130,
        "Across the knuckles from index to little finger, thumb left out.",
        "Hand flat, fingers together; caliper across the knuckles.",
        "Fingers spread."),
    Dimension("hand_length", "arm", "caliper", 100, 280,
        "From the wrist crease at the thumb's side of the wrist bone to the tip of the middle finger.",
        "Hand flat on a table in line with the forearm.",
        "Wrist bent."),
    Dimension("shoulder_elbow_length", "arm", "two boards", 180, 520,
        "From the bony top of the shoulder to the underside of the elbow bent at a right angle.",
        "Upper arm hanging, elbow bent square; from the bone on top of the shoulder straight down.",
        "Shoulder lifted; measured along the bulge of the muscle."),
    Dimension("radiale_stylion_length", "arm", "tape", 130, 400,
        "Forearm: from the outer elbow joint (radiale) to the tip of the wrist bone on the thumb's side (stylion).",
        "Arm hanging, palm in; find the joint gap at the outer elbow by turning the hand.",
        "Started at the elbow's tip.", allowance_mm=6),
    Dimension("forearm_hand_length", "arm", "two boards", 240, 680,
        "From the back of the bent elbow to the tip of the middle finger.",
        "Elbow square against a board, forearm and hand straight.",
        "Fingers bent."),
    # -- leg ---------------------------------------------------------------------------------------------------------
    Dimension("thigh_circumference", "leg", "tape", 300, 1000,
        "Girth of the thigh just below the fold of the buttock, level.",
        "Stand with the weight on both feet, a little apart.",
        "Tape aslant; weight on one leg.", allowance_mm=6),
    Dimension("lower_thigh_circumference", "leg", "tape", 200, 650,
        "Girth of the thigh just above the kneecap, level.",
        "Stand relaxed; tape touches the top of the kneecap.",
        "Muscle tensed."),
    Dimension("knee_circumference", "leg", "tape", 190, 620,
        "Girth over the middle of the kneecap, leg straight. The survey does not have it.",
        "Stand relaxed; tape level over the middle of the kneecap and the crease behind.",
        "Knee bent: it reads more.", surveyed=False),
    Dimension("calf_circumference", "leg", "tape", 190, 600,
        "Largest girth of the lower leg, level.",
        "Stand with the weight on both feet; slide the tape up and down until it reads most.",
        "Sitting, with the muscle pressed.", allowance_mm=4),
    Dimension("ankle_circumference", "leg", "tape", 115, 350,
        "Smallest girth of the lower leg, above the ankle knobs.",
        "Stand; slide the tape until it reads least.",
        "Taken over the knobs; confused with the heel–ankle girth.", allowance_mm=4),
    Dimension("heel_ankle_circumference", "leg", "tape", 170, 490,
        "Girth round the point of the heel and the bend between foot and shin: what a greave or boot must let pass.",
        "Weight on the other foot; tape under the back of the heel and up over the crease at the front of the ankle.",
        "Taken round the ankle only, which is some 100 mm less."),
    Dimension("ball_of_foot_circumference", "leg", "tape", 125, 370,
        "Girth over the joints of the big and the little toe.",
        "Weight on both feet; tape round the widest part of the forefoot.",
        "Foot lifted: it is narrower."),
    Dimension("foot_length", "leg", "two boards", 140, 390,
        "From the back of the heel to the tip of the longest toe.",
        "Stand with the heel to a wall, weight on both feet; board to the toes.",
        "Sitting; shoe size used instead."),
    Dimension("foot_breadth", "leg", "caliper", 55, 150,
        "Greatest breadth of the foot square to its length.",
        "Weight on both feet; caliper on the floor at the joints of the toes.",
        "Measured along the slanting line of the joints."),
    Dimension("heel_breadth", "leg", "caliper", 38, 110,
        "Greatest breadth of the heel behind the ankle.",
        "Weight on both feet; caliper level, low on the heel.",
        "Taken at the ankle knobs."),
    Dimension("bimalleolar_breadth", "leg", "caliper", 38, 110,
        "Breadth across the ankle knobs.",
        "Caliper on the two knobs, level.",
        "Pressed hard."),
    Dimension("knee_height_midpatella", "leg", "two boards", 240, 700,
        "From the floor to the middle of the kneecap, standing.",
        "Barefoot, leg straight but not locked.",
        "In shoes."),
    Dimension("tibial_height", "leg", "two boards", 235, 690,
        "From the floor to the top of the shin bone at the inner knee.",
        "Barefoot; feel the gap of the joint on the inner side.",
        "In shoes; taken to the kneecap."),
    Dimension("lateral_malleolus_height", "leg", "two boards", 30, 115,
        "From the floor to the point of the outer ankle knob.",
        "Barefoot, standing.",
        "Taken to the inner knob, which is higher."),
    Dimension("crotch_height", "leg", "two boards", 420, 1200,
        "From the floor to the crotch, standing.",
        "Barefoot; a thin book drawn up between the legs, level; measure to its top edge.",
        "In trousers with a low crotch."),
    # -- torso -------------------------------------------------------------------------------------------------------
    Dimension("shoulder_length", "torso", "tape", 75, 230,
        "Along the shoulder from the side of the neck to the bony edge of the shoulder.",
        "From where the neck meets the shoulder, along the top, to the outer edge of the bone.",
        "Run on over the arm.", allowance_mm=3),
    Dimension("biacromial_breadth", "torso", "caliper", 200, 580,
        "Between the bony outer edges of the two shoulders.",
        "Sit upright; feel the edges from behind.",
        "Shoulders pulled back or hunched."),
    Dimension("bideltoid_breadth", "torso", "two boards", 240, 750,
        "Greatest breadth across the shoulder muscles, arms hanging.",
        "Sit upright between two boards, elbows bent and close to the body.",
        "Arms pressed in or held away."),
    Dimension("shoulder_circumference", "torso", "tape", 550, 1700,
        "Girth round both shoulders and arms at the widest of the shoulder muscles, level.",
        "Stand, arms hanging; tape round everything.",
        "Tape aslant at the back."),
    Dimension("chest_circumference", "torso", "tape", 480, 1650,
        "Level girth at the fullest of the chest, arms hanging, at the end of a quiet breath out.",
        "Tape level at the fullest place; breathe calmly. Armour must also let a deep breath in.",
        "Tape drops at the back; breath held.", allowance_mm=14),
    Dimension("chest_breadth", "torso", "caliper", 140, 430,
        "Breadth of the trunk at the fullest of the chest, arms left out.",
        "Caliper level, arms slightly away.",
        "Arms included."),
    Dimension("chest_depth", "torso", "caliper", 115, 420,
        "Front to back at the fullest of the chest.",
        "Caliper level, from the side.",
        "Breath held."),
    Dimension("waist_circumference", "torso", "tape", 400, 1550,
        "Level girth at the navel, belly relaxed.",
        "Tape level at the navel at the end of a quiet breath out.",
        "Belly drawn in; taken at the trouser belt.", allowance_mm=12),
    Dimension("waist_breadth", "torso", "caliper", 140, 540,
        "Breadth of the trunk at the navel.",
        "Caliper level.",
        "Belly drawn in."),
    Dimension("waist_depth", "torso", "caliper", 80, 450,
        "Front to back at the navel.",
        "Caliper level, from the side.",
        "Belly drawn in."),
    # -- body --------------------------------------------------------------------------------------------------------
    Dimension("stature", "body", "two boards", 900, 2450,
        "Standing height, barefoot.",
        "Heels and back to a wall, look straight ahead, a board flat on the head.",
        "In shoes; chin lifted.", allowance_mm=6),
    Dimension("sitting_height", "body", "two boards", 480, 1280,
        "From the seat to the top of the head, sitting upright.",
        "Sit on a hard stool against a wall; a board flat on the head.",
        "Slumped."),
    Dimension("eye_height_sitting", "body", "two boards", 420, 1150,
        "From the seat to the outer corner of the eye, sitting upright.",
        "As the sitting height, to the outer corner of the eye.",
        "Slumped."),
    Dimension("weight", "body", "scale", 20, 250,
        "Body mass. It says much about girths that were not taken.",
        "Lightly clothed.",
        "Given in pounds.", unit="kg"),
)
# fmt: on

DIMENSIONS: Mapping[str, Dimension] = MappingProxyType({d.name: d for d in _TABLE})


# What makers call a dimension: what is meant by each word.
_PLAIN = {
    "eyes": "interpupillary_breadth", "pupils": "interpupillary_breadth", "ipd": "interpupillary_breadth",
    "head": "head_circumference", "hat": "hat_size", "face": "menton_sellion_length",
    "cheekbones": "bizygomatic_breadth", "ears": "ear_protrusion", "neck": "neck_circumference",
    "collar": "neck_circumference", "biceps": "upper_arm_circumference", "wrist": "wrist_circumference",
    "hand": "hand_circumference", "chest": "chest_circumference", "bust": "chest_circumference",
    "waist": "waist_circumference", "shoulders": "bideltoid_breadth", "thigh": "thigh_circumference",
    "calf": "calf_circumference", "ankle": "ankle_circumference", "foot": "foot_length", "height": "stature",
}  # fmt: skip


def dimension(name: str, source: str = "") -> Dimension:
    """Return a dimension by its exact name.

    Raises
    ------
    InputError
        If there is none of that name; the one that is meant, or the nearest name, is suggested.
    """
    try:
        return DIMENSIONS[name]
    except KeyError:
        meant = _PLAIN.get(name.strip().lower())
        remedy = f"did you mean {meant}?" if meant else closest(name, (*DIMENSIONS, "hat_size"))
        raise InputError(f"no dimension is called {name!r}", source=source, remedy=remedy) from None
