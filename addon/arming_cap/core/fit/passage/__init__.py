# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a piece goes on and comes off, and by which way."""
