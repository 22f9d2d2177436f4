# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane geometry: sections of a mesh, how their loops nest, and the opening that they leave."""
