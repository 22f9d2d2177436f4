# SPDX-License-Identifier: GPL-3.0-or-later
"""Parts that fit the printer, with joints."""
