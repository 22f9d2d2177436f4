# SPDX-License-Identifier: GPL-3.0-or-later
"""`seat`, keeping a picture of each answer where ARMING_CAP_PICTURES names a folder: would one wear it so?"""

from __future__ import annotations

import os
import re
from itertools import count
from pathlib import Path

import numpy as np

from arming_cap.core.fit.seat import seating
from arming_cap.core.fit.seat.rest import Rest, Seat
from arming_cap.core.piece import Piece
from arming_cap.core.report.shaded import Camera, render
from arming_cap.core.wearer.form import Wearer

_number = count(1)


def seat(piece: Piece, wearer: Wearer, *args, **named) -> Seat:
    """Seat a piece as `seating.seat` does."""
    found = seating.seat(piece, wearer, *args, **named)
    keep(piece, wearer, found.rest)
    return found


def keep(piece: Piece, wearer: Wearer, rest: Rest) -> None:
    """Keep a picture of a rest: from the side, the near half taken off, and from three quarters before."""
    folder = os.environ.get("ARMING_CAP_PICTURES")
    if not folder:
        return
    from PIL import Image

    worn = piece.mesh.scaled(rest.scale).moved(rest.pose)
    body = wearer.form.mesh
    low, high = worn.bounds
    reach = 40.0 + 0.5 * float(np.max(high - low))
    middle = 0.5 * (low + high)
    near = (np.abs(body.corners.mean(axis=1) - middle) < reach).all(axis=1)
    body = body.submesh(near if near.any() else np.ones(len(near), bool))
    far = worn.submesh(worn.corners.mean(axis=1)[:, 0] < middle[0] + 2.0)
    views = ((far, Camera.turned(90, 0)), (worn, Camera.turned(30, 12)))
    shown = [render((body, one), ("#b9aea2", "#4f7f9f"), camera, (420, 420)).pixels for one, camera in views]
    test = re.sub(r"[^\w.-]+", "_", os.environ.get("PYTEST_CURRENT_TEST", "seat").split("::")[-1].split(" ")[0])
    Path(folder).mkdir(parents=True, exist_ok=True)
    name = f"seat_{test}_{next(_number):02d}_{rest.kind}.png"
    Image.fromarray(np.concatenate(shown, axis=1)).save(Path(folder) / name)
