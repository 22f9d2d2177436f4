# SPDX-License-Identifier: GPL-3.0-or-later
"""What each verb of the command line does: arguments to the core, its answer to a table or a document."""

from .checking import check
from .fitting import clearance, don, section, sight, size
from .making import hollow, relief, ring, split
from .wearers import estimate, form, record

__all__ = [
    "check",
    "clearance",
    "don",
    "estimate",
    "form",
    "hollow",
    "record",
    "relief",
    "ring",
    "section",
    "sight",
    "size",
    "split",
]
