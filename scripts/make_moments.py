# SPDX-License-Identifier: GPL-3.0-or-later
"""Turn the ANSUR II subjects into the moments the extension ships: no person's row leaves this script.

    python scripts/make_moments.py PATH/ansur2.csv

writes addon/arming_cap/core/wearer/ansur2_moments.json. The CSV holds the public release (see its provenance note);
columns are the survey's own names, millimetres, ``weightkg`` in kg.
"""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import numpy as np

OUT = Path(__file__).resolve().parent.parent / "addon/arming_cap/core/wearer/ansur2_moments.json"
Z90 = 1.6448536269514722
COLUMNS = {
    "head_breadth": "headbreadth",
    "head_length": "headlength",
    "head_circumference": "headcircumference",
    "tragion_top_of_head": "tragiontopofhead",
    "menton_sellion_length": "mentonsellionlength",
    "bizygomatic_breadth": "bizygomaticbreadth",
    "bitragion_chin_arc": "bitragionchinarc",
    "bitragion_submandibular_arc": "bitragionsubmandibulararc",
    "ear_breadth": "earbreadth",
    "ear_length": "earlength",
    "ear_protrusion": "earprotrusion",
    "interpupillary_breadth": "interpupillarybreadth",
    "neck_circumference": "neckcircumference",
    "neck_base_circumference": "neckcircumferencebase",
    "biceps_circumference_flexed": "bicepscircumferenceflexed",
    "forearm_circumference_flexed": "forearmcircumferenceflexed",
    "wrist_circumference": "wristcircumference",
    "hand_circumference": "handcircumference",
    "hand_breadth": "handbreadth",
    "hand_length": "handlength",
    "shoulder_elbow_length": "shoulderelbowlength",
    "radiale_stylion_length": "radialestylionlength",
    "forearm_hand_length": "forearmhandlength",
    "thigh_circumference": "thighcircumference",
    "lower_thigh_circumference": "lowerthighcircumference",
    "calf_circumference": "calfcircumference",
    "ankle_circumference": "anklecircumference",
    "heel_ankle_circumference": "heelanklecircumference",
    "ball_of_foot_circumference": "balloffootcircumference",
    "foot_length": "footlength",
    "foot_breadth": "footbreadthhorizontal",
    "heel_breadth": "heelbreadth",
    "bimalleolar_breadth": "bimalleolarbreadth",
    "knee_height_midpatella": "kneeheightmidpatella",
    "tibial_height": "tibialheight",
    "lateral_malleolus_height": "lateralmalleolusheight",
    "crotch_height": "crotchheight",
    "shoulder_length": "shoulderlength",
    "biacromial_breadth": "biacromialbreadth",
    "bideltoid_breadth": "bideltoidbreadth",
    "shoulder_circumference": "shouldercircumference",
    "chest_circumference": "chestcircumference",
    "chest_breadth": "chestbreadth",
    "chest_depth": "chestdepth",
    "waist_circumference": "waistcircumference",
    "waist_breadth": "waistbreadth",
    "waist_depth": "waistdepth",
    "stature": "stature",
    "sitting_height": "sittingheight",
    "eye_height_sitting": "eyeheightsitting",
    "weight": "weightkg",
}


def read_people(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Return the subjects (n, p) in the order of `COLUMNS`, and whether each is a man (n,)."""
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    people = np.array([[float(row[column]) for column in COLUMNS.values()] for row in rows])
    return people, np.array([row["sex"] == "male" for row in rows])


def moments(people: np.ndarray) -> dict:
    """Return n, mean, covariance (lower triangle by rows) and the tail factors of a group.

    A tail factor is how much farther than a normal's the 5th (low) or 95th (high) percentile lies from the mean; never
    less than 1, so that it only widens.
    """
    mean, covariance = people.mean(axis=0), np.cov(people.T)
    z = (people - mean) / np.sqrt(covariance.diagonal())
    low, high = np.quantile(z, [0.05, 0.95], axis=0)
    return {
        "n": len(people),
        "mean": mean.round(4).tolist(),
        "covariance": [row[: i + 1].round(5).tolist() for i, row in enumerate(covariance)],
        "tail_low": np.maximum(1.0, -low / Z90).round(3).tolist(),
        "tail_high": np.maximum(1.0, high / Z90).round(3).tolist(),
    }


def all_moments(people: np.ndarray, men: np.ndarray) -> dict:
    """Return the document that the extension reads."""
    return {
        "source": "ANSUR II, US Army 2010-12, NATICK/TR-15/007; 80 % of the public release, moments only",
        "names": list(COLUMNS),
        "m": moments(people[men]),
        "f": moments(people[~men]),
        "pooled": moments(people),
    }


if __name__ == "__main__":
    document = all_moments(*read_people(Path(sys.argv[1])))
    OUT.write_text(json.dumps(document, separators=(",", ":")) + "\n", encoding="utf-8")
    print(f"{OUT.name}: {document['m']['n']} men, {document['f']['n']} women, {OUT.stat().st_size} bytes")
