# SPDX-License-Identifier: GPL-3.0-or-later
"""From a maker's mesh to a solid: mending, crossings, the bridge to manifold3d."""
