# SPDX-License-Identifier: GPL-3.0-or-later
"""What an unsound mesh means for one answer, in a line that every verb can give."""

from __future__ import annotations

from collections.abc import Sequence

from ..mesh import TriangleMesh
from .foils import foils

# What missing faces do to each answer. The verbs that measure standoff say the same.
_CUT = "small holes are closed before it is cut, larger ones are refused"
_MEASURED = "where faces are missing nothing is measured, so a standoff there may be smaller than told"
TORN = {
    "section": "tears of a wall up to 5 mm are taken as closed, wider ones bridged by a straight line",
    "clearance": _MEASURED,
    "size": _MEASURED,
    "don": _MEASURED,
    "sight": "what is seen through a hole of the mesh counts as seen",
    "ring": _CUT,
    "relief": _CUT,
    "split": _CUT,
    "hollow": _CUT,
}
# What copies and turned faces do: no measure asks which way a face looks, and one face more in a place is no farther.
MENDED = {"ring", "relief", "split", "hollow"}


def doubts(meshes: Sequence[TriangleMesh], answer: str) -> list[str]:
    """Return what is unsound about a piece's parts, with counts, and what it does to an answer; one line for each kind.

    Parameters
    ----------
    meshes
        The parts, each named.
    answer
        A verb of the command line.
    """
    sound = [(m, m.soundness) for m in meshes]
    bare = [m for m, facts in sound if facts.open_edges and foils(m).all()]
    torn = [(m, facts) for m, facts in sound if facts.open_edges and not any(m is b for b in bare)]
    turned = sum(facts.flipped_edges for _, facts in sound)
    twice = sum(facts.duplicate_triangles for _, facts in sound)
    forked = sum(facts.non_manifold_edges for _, facts in sound)
    lines = []
    if bare:
        edges = sum(facts.open_edges for m, facts in sound if any(m is b for b in bare))
        what = "as of a surface without thickness, or of faces that do not meet"
        lines.append(
            f"{_named(bare)} open, {edges} open edges, {what}: a wall to be printed may be missing from this answer"
        )
    if torn:
        edges = sum(facts.open_edges for _, facts in torn)
        lines.append(f"{_named([m for m, _ in torn])} torn, {edges} open edges: {TORN[answer]}")
    counts = {
        "edges between flipped faces": turned,
        "duplicate triangles": twice,
        "edges with more than two faces": forked,
    }
    if any(counts.values()):
        said = ", ".join(f"{n} {what}" for what, n in counts.items() if n)
        means = "they are mended before it is cut" if answer in MENDED else "they change nothing here"
        lines.append(f"the mesh has {said}: {means}")
    return lines


def _named(meshes: Sequence[TriangleMesh]) -> str:
    """Return some meshes by name with a verb: ``'a' is``, or ``3 parts ('a', 'b' and others) are``."""
    names = [f"'{m.name}'" for m in meshes]
    if len(names) == 1:
        return f"{names[0]} is"
    shown = " and ".join(names) if len(names) == 2 else f"{names[0]}, {names[1]} and others"
    return f"{len(names)} parts ({shown}) are"
