# SPDX-License-Identifier: GPL-3.0-or-later
"""The piece on its wearer in colours: what is tight is seen from outside, and marks lie on their places."""

from __future__ import annotations

import base64
import io

import numpy as np
import shapes
from PIL import Image

from arming_cap.core.piece import Part, Piece
from arming_cap.core.pose import Pose
from arming_cap.core.report.portrait import SIZE, portraits
from arming_cap.core.verdict import Place, Status, Verdict
from arming_cap.core.wearer.form import Form, Wearer

BALL = Wearer("Ball", Form(shapes.sphere(80, 64)))


def seen(piece, verdicts=()):
    """The three pictures (h, w, 3) and their marks."""
    found = portraits(piece, BALL, verdicts)
    images = [np.asarray(Image.open(io.BytesIO(base64.b64decode(one.image.split(",")[1])))) for one in found]
    return [image.astype(int) for image in images], found


def test_a_wall_that_touches_inside_is_seen_in_the_colour_of_too_little_from_outside():
    """Its outside stands off by 2 mm, its inside lies 3 mm in: what counts is the inside."""
    (front, side, _), _ = seen(Piece("dome", (Part("dome", shapes.dome(77, 82)),)))
    loose = seen(Piece("dome", (Part("dome", shapes.dome(92, 97)),)))[0][0]
    for image, redder in ((front, True), (side, True), (loose, False)):
        red, _, blue = image[SIZE[1] // 3, SIZE[0] // 2]
        assert bool(red > blue) is redder


def test_marks_lie_where_the_places_are_seen():
    """A at the front of the dome, in the middle of the first picture and at the left edge of the second."""
    place = Place("whole", "dome", (0.0, -92.0, 20.0))
    verdicts = (Verdict("clearance", Status.PASS, 1.0, limited_by=place), Verdict("mesh", Status.PASS, 0))
    _, found = seen(Piece("dome", (Part("dome", shapes.dome(92, 97).moved(Pose())),)), verdicts)
    ((label, (x, y)),) = found[0].marks
    assert label == "A" and abs(x - SIZE[0] / 2) < 1 and 0 < y < SIZE[1]
    ((_, (x, _)),) = found[1].marks
    assert x < 0.25 * SIZE[0]


def test_a_mark_on_the_far_side_is_dashed_and_the_face_is_in_the_picture():
    """The place at the back of the dome: behind from the front, beside from the left; the chin is seen."""
    place = Place("whole", "dome", (0.0, 92.0, 20.0))
    dome = Piece("dome", (Part("dome", shapes.dome(92, 97, 10)),))
    verdicts = (Verdict("clearance", Status.PASS, 1.0, limited_by=place),)
    chin = {"menton": np.array([0.0, -70.0, -60.0])}
    found = portraits(dome, Wearer("Ball", Form(BALL.form.mesh, landmarks=chin)), verdicts)
    assert found[0].behind == ("A",) and found[1].behind == ()
    plain = portraits(dome, BALL, verdicts)
    # The frame reaches down to the chin: the same place lies higher up in the picture.
    assert found[0].marks[0][1][1] < plain[0].marks[0][1][1]


def test_a_piece_ten_metres_long_is_drawn_too():
    strip = Piece("strip", (Part("strip", shapes.box((10_000, 20, 20), (0, -95, 0))),))
    assert len(seen(strip)[0]) == 3
