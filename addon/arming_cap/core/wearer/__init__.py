# SPDX-License-Identifier: GPL-3.0-or-later
"""Who will wear it: dimensions, population, forms and their distance field."""
