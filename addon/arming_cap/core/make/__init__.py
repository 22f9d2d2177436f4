# SPDX-License-Identifier: GPL-3.0-or-later
"""What to print: try-on rings, paper templates, parts that fit the printer."""
