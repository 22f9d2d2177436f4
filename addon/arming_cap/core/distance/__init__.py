# SPDX-License-Identifier: GPL-3.0-or-later
"""How far: the distance field of a form, the surface of a piece, and the least standoff between the two."""
