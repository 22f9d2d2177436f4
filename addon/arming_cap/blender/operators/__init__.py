# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panel's buttons do."""

from . import check, export, passage, place, roles, wearer

classes = (*roles.classes, *wearer.classes, *check.classes, *place.classes, *passage.classes, *export.classes)
