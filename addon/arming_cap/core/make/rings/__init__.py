# SPDX-License-Identifier: GPL-3.0-or-later
"""Try-on rings and paper templates."""
