# SPDX-License-Identifier: GPL-3.0-or-later
"""Geometry and verdicts, without Blender: arrays in, dataclasses out, millimetres and degrees."""

__version__ = "0.1.0"
