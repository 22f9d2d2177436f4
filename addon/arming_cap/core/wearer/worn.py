# SPDX-License-Identifier: GPL-3.0-or-later
"""What is worn under a piece, by name: the room that it takes, region by region.

Hair, caps, liners and foam lie on the skull; ears give; neck and shoulders take none. All figures are common practice,
no source: whoever knows the thickness of their own says so (``foam 12``) or gives numbers by region. Names are put
together with a plus: ``short hair + glasses``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ..errors import InputError
from ..tables import closest
from .regions import in_words

# Flesh of the ears gives under whatever is put on, mm.
BARE: Mapping[str, float] = {"default": 0.0, "ear_left": -3.0, "ear_right": -3.0}


def _on(skull: float, **places: float) -> dict[str, float]:
    """Return one layer: so much on crown, sides and back of the skull, and by name elsewhere, mm."""
    layer = {"crown": skull, "occiput": skull, "parietal": skull} | places
    sided = ("parietal", "temple", "ear", "face", "jaw", "neck")
    both = {f"{k}_{side}": v for k, v in layer.items() if k in sided for side in ("left", "right")}
    return {k: v for k, v in layer.items() if k not in sided and v} | {k: v for k, v in both.items() if v}


LAYERS: Mapping[str, Mapping[str, float]] = {
    "bare": {},
    "short hair": _on(4, temple=2, nape=2),
    "long hair": _on(6, occiput=10, temple=4, nape=8),
    "bun": _on(6, occiput=45, temple=4, nape=4),
    "wig": _on(12, temple=8, nape=8, forehead=3),
    "balaclava": _on(2, temple=2, nape=2, forehead=2, ear=2, face=2, chin=2, jaw=2, throat=2, neck=2),
    "glasses": _on(0, temple=5, ear=3, face=6, nose=4),
    "headphones": _on(3, ear=25, temple=5),
    "liner": _on(4, temple=4, forehead=4, nape=2),
    "foam": _on(10, temple=10, forehead=10),
}
NAMES = tuple(LAYERS)
_MOST_MM = 60.0


def layers_of(names: str | Iterable[str], source: str = "") -> dict[str, Mapping[str, float]]:
    """Return the layers that are worn, by name as it was given, mm by region.

    Parameters
    ----------
    names
        Names of `LAYERS`, in a list or with a plus between them; with a number after it (``foam 12``), a layer is that
        thick where it is thickest.

    Raises
    ------
    InputError
        If a name is not known, given twice, or its thickness is not plausible.
    """
    given = names.split("+") if isinstance(names, str) else list(names)
    found: dict[str, Mapping[str, float]] = {}
    for text in given:
        name = " ".join(text.lower().replace("-", " ").replace("_", " ").split())
        plain, _, thick = name.rpartition(" ")
        if thick.removesuffix("mm").replace(".", "", 1).isdigit():
            name, most = plain, float(thick.removesuffix("mm"))
        else:
            most = None
        if name not in LAYERS:
            raise InputError(f"nothing worn is called {text.strip()!r}", source=source, remedy=closest(name, NAMES))
        layer = LAYERS[name]
        if most is not None:
            if not (layer and 0 < most <= _MOST_MM):
                raise InputError(
                    f"{name} of {most:g} mm is not plausible",
                    source=source,
                    remedy=f"give its thickness, up to {_MOST_MM:g} mm",
                )
            layer = {region: mm * most / max(layer.values()) for region, mm in layer.items()}
        if name in found:
            raise InputError(f"{name} is named twice", source=source, remedy="name it once")
        found[name] = layer
    return found


def room_of(names: str | Iterable[str], source: str = "") -> dict[str, float]:
    """Return the room that what is worn takes, mm by region with ``default``; raises as `layers_of` does."""
    layers = layers_of(names, source)
    regions = dict.fromkeys([*BARE, *(region for layer in layers.values() for region in layer)])
    return {r: BARE.get(r, 0.0) + sum(layer.get(r, 0.0) for layer in layers.values()) for r in regions}


def in_figures(names: str | Iterable[str], source: str = "") -> str:
    """Return a sentence with the figures that stand behind what is worn."""
    told: dict[float, list[str]] = {}
    for region, mm in room_of(names, source).items():
        if region != "default" and not region.endswith("_right"):
            told.setdefault(mm, []).append(in_words(region.removesuffix("_left")))
    parts = [f"{mm:g} mm at {', '.join(places)}" for mm, places in sorted(told.items(), reverse=True)]
    return f"{' + '.join(layers_of(names, source))} takes {'; '.join(parts)}; 0 elsewhere (common practice, no source)"
