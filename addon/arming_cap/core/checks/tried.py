# SPDX-License-Identifier: GPL-3.0-or-later
"""How a piece was when it was tried on, into the wearer's card: the road of the panel and of the command line."""

from __future__ import annotations

import datetime
import os
from collections.abc import Sequence
from pathlib import Path

from ..errors import InputError
from ..fit.size.knownfit import SEPARATOR, identity
from ..formats import read_mesh, write_mesh
from ..make.split.handover import safe_stem
from ..mesh import TriangleMesh
from ..wearer.card import Card, KnownFit, read_card


def record(
    card_path: Path,
    files: Sequence[Path],
    outcome: str,
    *,
    scale: float = 1.0,
    region: str = "",
    level_mm: float | None = None,
    gap_mm: float | None = None,
) -> tuple[Card, KnownFit, list[str]]:
    """Add an outcome to a card; return the card as it then stands, the new known fit, and the files' SHA-256.

    Parameters
    ----------
    files
        One for each part, in millimetres, in worn position. The card keeps their paths and what they held.
    outcome
        ``would not pass``, ``tight``, ``good`` or ``loose``.
    scale
        At which it was tried, about the files' origin.
    region
        Where it was so; empty for the whole.
    level_mm, gap_mm
        Height of the try-on ring, and the gap that was felt.

    Raises
    ------
    InputError
        If the card or a file cannot be read, or the card would no longer be one that can be read.
    """
    card = read_card(card_path)
    folder = Path(card_path).resolve().parent
    places = [Path(file).resolve() for file in files]
    digests = [read_mesh(place).sha256 for place in places]
    fit = KnownFit(
        SEPARATOR.join(_beside(place, folder) for place in places),
        outcome,
        identity(digests),
        scale,
        region,
        level_mm,
        gap_mm,
        datetime.date.today().isoformat(),
    )
    return card.record_known_fit(fit), fit, digests


def _beside(file: Path, folder: Path) -> str:
    """Return a file's path as a card names it: from the card's folder where that can be said."""
    try:
        return Path(os.path.relpath(file, folder)).as_posix()
    except ValueError:  # on another drive
        return file.as_posix()


def keep_meshes(card_path: Path, meshes: Sequence[TriangleMesh]) -> list[Path]:
    """Write meshes that stand in no file beside a card, so that it can name them; return their paths.

    A file is named by what it holds: the same part, tried on twice, is kept once.
    """
    if not meshes:
        raise InputError("there is no part to keep", source=str(card_path), remedy="choose the piece that was tried on")
    folder = Path(card_path).parent / f"{Path(card_path).stem}_tried_on"
    paths = []
    for mesh in meshes:
        path = folder / f"{safe_stem(mesh.name)}-{mesh.content_hash[:12]}.ply"
        if not path.exists():
            folder.mkdir(parents=True, exist_ok=True)
            write_mesh(path, mesh)
        paths.append(path)
    return paths
