# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panel's buttons do."""

from . import act, bring, check, export, margins, outcome, passage, place, relief, rings, roles, scan, split, wearer

classes = (
    *roles.classes,
    *wearer.classes,
    *scan.classes,
    *bring.classes,
    *check.classes,
    *act.classes,
    *relief.classes,
    *rings.classes,
    *split.classes,
    *place.classes,
    *margins.classes,
    *outcome.classes,
    *passage.classes,
    *export.classes,
)
