# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panel's buttons do."""

from . import check, export, passage, place, roles, scan, wearer

classes = (
    *roles.classes,
    *wearer.classes,
    *scan.classes,
    *check.classes,
    *place.classes,
    *passage.classes,
    *export.classes,
)
