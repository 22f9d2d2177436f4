# SPDX-License-Identifier: GPL-3.0-or-later
"""The names of body regions, as reports, cards and the panel use them.

A name that ends in ``_left`` or ``_right`` is the wearer's own left or right (+X is left).
"""

from __future__ import annotations


def _pairs(*names: str) -> tuple[str, ...]:
    return tuple(f"{name}_{side}" for name in names for side in ("left", "right"))


HEAD = (
    "crown",
    "forehead",
    "nape",
    "occiput",
    "nose",
    "chin",
    "throat",
    *_pairs("temple", "parietal", "ear", "face", "jaw", "neck", "shoulder"),
)
BODY = ("chest", "back", "waist", "hip", "body")
LIMB = _pairs(
    "upper_arm",
    "elbow",
    "forearm",
    "wrist",
    "hand",
    "thumb",
    "thigh",
    "knee",
    "calf",
    "ankle",
    "foot",
    "heel",
    "instep",
)
ALL = HEAD + BODY + LIMB


# What lies under a bald cap or a close cap of hair. Common practice, no source.
UNDER_A_CAP = ("crown", "parietal", "occiput")


def in_words(region: str) -> str:
    """Return a region's name as a sentence would say it: ``left temple`` for ``temple_left``."""
    for side in ("left", "right"):
        if region.endswith(f"_{side}"):
            region = f"{side} {region[: -len(side) - 1]}"
    return region.replace("_", " ")
