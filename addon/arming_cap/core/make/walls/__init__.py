# SPDX-License-Identifier: GPL-3.0-or-later
"""How thick the walls are, and how room is made inside them."""
