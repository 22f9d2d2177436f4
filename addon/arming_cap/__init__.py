# SPDX-License-Identifier: GPL-3.0-or-later
"""Arming Cap: will this printed helmet or armour piece fit this wearer?

As a Blender extension this package registers a panel; as a plain Python package its
`core` needs no Blender at all. Nothing heavy is imported here: enabling the extension
must not make Blender slower to start.
"""

from .core import __version__ as __version__


def register() -> None:
    """Register the extension with Blender."""
    from . import blender

    blender.register()


def unregister() -> None:
    """Undo `register`."""
    from . import blender

    blender.unregister()
