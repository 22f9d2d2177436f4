# SPDX-License-Identifier: GPL-3.0-or-later
"""The roof: every check of a job, from one entry."""
