# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures show what is in front, in true proportion. Referees: closed forms, Pillow for the PNG."""

from __future__ import annotations

import io

import numpy as np
import pytest
import shapes
from PIL import Image

from arming_cap.core.report.shaded import INK, PAPER, TINTS, Camera, png, render

FRONT = Camera.turned(0, 0)


def shown(picture):
    return (picture.pixels != PAPER.astype(np.uint8)).any(axis=2)


def test_a_ball_fills_its_circle():
    picture = render([shapes.sphere(50, 64)], TINTS, FRONT, (300, 300))
    side = picture.per_mm * 100
    assert side == pytest.approx(0.92 * 300, rel=1e-6)
    assert shown(picture).sum() == pytest.approx(np.pi / 4 * side**2, rel=0.02)


def test_what_is_in_front_hides_what_is_behind():
    near, far = shapes.box((40, 2, 40), (0, -30, 0)), shapes.box((100, 2, 100), (0, 30, 0))
    for order in ((0, 1), (1, 0)):
        meshes, tints = [(near, far)[i] for i in order], [("#ff0000", "#0000ff")[i] for i in order]
        picture = render(meshes, tints, FRONT, (200, 200))
        r, _, b = picture.pixels[100, 100].astype(int)
        assert r > b
        r, _, b = picture.pixels[30, 30].astype(int)
        assert b > r


def test_a_label_lies_on_its_point():
    spot = np.array([30.0, -50.0, 20.0])
    picture = render(
        [shapes.box((100, 100, 100)), shapes.box((4, 4, 4), spot)], ["#ffffff", "#000000"], FRONT, (200, 200)
    )
    x, y = picture.place(spot)
    assert picture.pixels[int(y), int(x)].max() < 60


def test_the_png_is_the_picture():
    pixels = np.random.default_rng(0).integers(0, 256, (31, 47, 3)).astype(np.uint8)
    assert (np.asarray(Image.open(io.BytesIO(png(pixels)))) == pixels).all()


def test_the_camera_sees_the_front_with_the_wearers_left_on_the_right():
    assert pytest.approx([1, 0, 0]) == FRONT.right
    assert pytest.approx([0, -1, 0]) == FRONT.towards
    assert (INK < PAPER).all()
