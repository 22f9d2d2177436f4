# SPDX-License-Identifier: GPL-3.0-or-later
"""Does it fit: sections, standoff, seating, size, passage and sight."""
