# SPDX-License-Identifier: GPL-3.0-or-later
"""At which scale a piece fits, and how sure that is."""
