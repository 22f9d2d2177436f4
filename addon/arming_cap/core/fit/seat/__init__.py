# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a piece rests on its wearer."""
