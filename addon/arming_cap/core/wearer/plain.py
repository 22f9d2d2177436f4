# SPDX-License-Identifier: GPL-3.0-or-later
"""Plain names for what anatomy calls otherwise: ``back of the head (occiput)``. One table for all that is shown."""

from __future__ import annotations

# Regions, landmarks and dimensions whose standard names not everybody at a bench knows; all others are plain already.
PLAIN = {
    # regions
    "crown": "top of the head",
    "occiput": "back of the head",
    "parietal": "side of the skull",
    "nape": "back of the neck",
    "instep": "top of the foot",
    # landmarks
    "vertex": "top of the head",
    "sellion": "bridge of the nose between the eyes",
    "menton": "tip of the chin",
    "tragion": "notch in front of the ear hole",
    "pupil": "eye",
    # dimensions
    "tragion_top_of_head": "height from the ear hole to the top of the head",
    "menton_sellion_length": "height of the face from chin to bridge of the nose",
    "bizygomatic_breadth": "width of the face at the cheekbones",
    "bitragion_arc": "tape from ear hole to ear hole over the top",
    "bitragion_chin_arc": "tape from ear hole to ear hole round the chin",
    "bitragion_submandibular_arc": "tape from ear hole to ear hole under the jaw",
    "ear_protrusion": "distance from the head to the outer edge of the ear",
    "interpupillary_breadth": "distance between the eyes",
    "radiale_stylion_length": "length of the forearm along the bone",
    "bimalleolar_breadth": "width of the ankle over the bones",
    "knee_height_midpatella": "height of the kneecap's middle",
    "lateral_malleolus_height": "height of the outer ankle bone",
    "biacromial_breadth": "width from shoulder bone to shoulder bone",
    "bideltoid_breadth": "width over the shoulder muscles",
}


def plain(name: str) -> str:
    """Return a region's, a landmark's or a dimension's name for the bench, its standard term in brackets behind."""
    for side in ("left", "right"):
        if name.endswith(f"_{side}"):
            return f"{side} {plain(name.removesuffix(f'_{side}'))}"
    term = name.replace("_", " ")
    return f"{PLAIN[name]} ({term})" if name in PLAIN else term
