# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panel's buttons do."""

from . import check, export, place, roles

classes = (*roles.classes, *check.classes, *place.classes, *export.classes)
