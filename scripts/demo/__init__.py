# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo production's armour and wearers, made from formulas."""
