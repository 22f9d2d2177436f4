# SPDX-License-Identifier: GPL-3.0-or-later
"""The sidebar's tab: it draws what is kept, and computes nothing."""

from . import card, cast, fit, printing

classes = (*card.classes, *cast.classes, *fit.classes, *printing.classes)
