# SPDX-License-Identifier: GPL-3.0-or-later
"""Verdicts to JSON, HTML, JUnit and SVG."""
