# SPDX-License-Identifier: GPL-3.0-or-later
"""Shaded pictures of meshes without a renderer: parallel projection, a depth buffer, and a PNG of it."""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..mesh import TriangleMesh

PAPER = np.array([0xFD, 0xFC, 0xF9], float)
INK = np.array([0x22, 0x26, 0x2B], float)
# Apart in lightness first, so that grey print tells neighbours apart; numbers stand on the parts besides.
TINTS = ("#d9c9a3", "#8fa9c4", "#b7c7a0", "#c49a8a", "#a79fbf", "#e3dcd2", "#7f9a94", "#cfa9b8")
ROWS_AT_ONCE = 60_000
FINER = 2  # drawn this much finer each way, then averaged


@dataclass(frozen=True, eq=False)
class Camera:
    """A parallel projection: picture right and up in the frame of what is shown, unit vectors (3,)."""

    right: FloatArray
    up: FloatArray

    @property
    def towards(self) -> FloatArray:
        """From what is shown to the eye."""
        return np.cross(self.right, self.up)

    @classmethod
    def turned(cls, around_deg: float, above_deg: float) -> Camera:
        """Return a view of the front (-Y), walked round to the right of the picture, and raised."""
        a, b = np.radians(around_deg), np.radians(above_deg)
        right = np.array([np.cos(a), np.sin(a), 0.0])
        back = np.array([-np.sin(a), np.cos(a), 0.0])
        return cls(right, np.sin(b) * back + np.cos(b) * np.array([0.0, 0.0, 1.0]))


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture, and how to find a point of the scene in it.

    Attributes
    ----------
    pixels
        (h, w, 3) uint8.
    camera, low, per_mm
        The projection, the lower left corner of the picture in it, and pixels per millimetre.
    """

    pixels: Any
    camera: Camera
    low: FloatArray
    per_mm: float
    depth: FloatArray

    def hides(self, point: FloatArray, by_mm: float) -> bool:
        """Return whether something lies so far before a point (3,), or it is not in the picture."""
        finer = self.depth.shape[0] / self.pixels.shape[0] * self.per_mm
        flat = np.array([point @ self.camera.right, point @ self.camera.up])
        column, row = ((flat - self.low) * finer).astype(int)
        inside = 0 <= row < self.depth.shape[0] and 0 <= column < self.depth.shape[1]
        return not inside or bool(self.depth[row, column] > point @ self.camera.towards + by_mm)

    def place(self, point: FloatArray) -> tuple[float, float]:
        """Return where a point (3,) is seen: x to the right and y down, in pixels."""
        flat = np.array([point @ self.camera.right, point @ self.camera.up])
        x, y = (flat - self.low) * self.per_mm
        return float(x), float(self.pixels.shape[0] - y)

    def data_uri(self) -> str:
        """Return the picture as PNG, for the source of an image element."""
        return "data:image/png;base64," + base64.b64encode(png(self.pixels)).decode("ascii")


Tint = str | FloatArray
"""A colour ``#rrggbb`` for a whole mesh, or (m, 3) float sRGB, 0 to 1, for each of its triangles."""


def render(
    meshes: Sequence[TriangleMesh],
    tints: Sequence[Tint],
    camera: Camera,
    size: tuple[int, int],
    frame: FloatArray | None = None,
) -> Picture:
    """Draw meshes, each in its tint, as large as they fit.

    Parameters
    ----------
    meshes, tints
        What to draw, and in which colours.
    size
        Width and height of the picture in pixels.
    frame
        (n, 3) points that are to be in the picture; all of the meshes unless given.
    """
    width, height = size
    w, h = width * FINER, height * FINER
    axes = np.column_stack([camera.right, camera.up, camera.towards])
    seen = [m.vertices @ axes for m in meshes]
    everything = np.concatenate([s[:, :2] for s in seen] if frame is None else [(frame @ axes)[:, :2]])
    low, high = everything.min(axis=0), everything.max(axis=0)
    per_mm = float(min(0.92 * w / max(high[0] - low[0], 1e-6), 0.92 * h / max(high[1] - low[1], 1e-6)))
    corner = 0.5 * (low + high) - 0.5 * np.array([w, h]) / per_mm
    depth = np.full((h, w), -np.inf)
    shade = np.zeros((h, w))
    face = np.full((h, w), -1, np.int64)  # triangles, counted through all meshes
    first = np.cumsum([0, *(len(mesh) for mesh in meshes)])
    light = np.array([-0.35, 0.55, 0.75]) / np.linalg.norm([-0.35, 0.55, 0.75])
    for number, (mesh, points) in enumerate(zip(meshes, seen)):
        pixels = np.column_stack([(points[:, :2] - corner) * per_mm, points[:, 2]])[mesh.triangles]
        normals = mesh.area_vectors @ axes
        normals = normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
        # Both sides are drawn: what is downloaded has flipped faces, and behind a closed surface the back is not seen.
        rows = np.flatnonzero(normals[:, 2] != 0)
        facing = normals[rows] * np.sign(normals[rows, 2])[:, None]
        bright = 0.45 + 0.55 * np.clip(facing @ light, 0, 1)
        _fill(pixels[rows], bright, rows + first[number], (depth, shade, face))
    colours = np.concatenate([_of_triangles(tint, len(mesh)) for tint, mesh in zip(tints, meshes)])
    image = np.where((face >= 0)[..., None], colours[face] * shade[..., None], PAPER)
    owner = np.where(face >= 0, np.searchsorted(first, face, side="right"), 0)
    image[_outlines(depth, owner, 3.0)] = INK
    image = image.reshape(height, FINER, width, FINER, 3).mean(axis=(1, 3))
    return Picture(image.round().clip(0, 255).astype(np.uint8)[::-1], camera, corner, per_mm / FINER, depth)


def _of_triangles(tint: Tint, count: int) -> FloatArray:
    """Return the colour of each of a mesh's triangles, (m, 3), 0 to 255."""
    if isinstance(tint, str):
        return np.tile([float(int(tint[i : i + 2], 16)) for i in (1, 3, 5)], (count, 1))
    return 255.0 * tint


def _fill(pixels: FloatArray, bright: FloatArray, faces: Any, buffers: tuple[Any, Any, Any]) -> None:
    """Draw triangles (k, 3, 3) of pixel x, y and depth into the buffers, nearest on top: row by row, span by span."""
    h, w = buffers[0].shape
    low = np.ceil(pixels[:, :, 1].min(axis=1) - 0.5).astype(np.int64).clip(0, h)
    rows = (np.floor(pixels[:, :, 1].max(axis=1) - 0.5).astype(np.int64).clip(-1, h - 1) - low + 1).clip(0)
    planes = _planes(pixels)
    for few in _batches(rows, ROWS_AT_ONCE):
        which = np.repeat(few, rows[few])
        y = low[which] + _steps(rows[few])
        # Where the row's middle crosses the triangle's sides.
        left, right = np.full(len(which), np.inf), np.full(len(which), -np.inf)
        for i in range(3):
            a, b = pixels[which, i], pixels[which, (i + 1) % 3]
            rise = np.where(a[:, 1] == b[:, 1], np.inf, b[:, 1] - a[:, 1])
            share = (y + 0.5 - a[:, 1]) / rise
            on = (share >= 0) & (share <= 1) & np.isfinite(rise)
            x = a[:, 0] + share * (b[:, 0] - a[:, 0])
            left, right = np.where(on, np.minimum(left, x), left), np.where(on, np.maximum(right, x), right)
        good = right >= left
        which, y, left, right = which[good], y[good], left[good], right[good]
        start = np.ceil(left - 0.5 - 1e-9).astype(np.int64).clip(0, w)
        length = (np.floor(right - 0.5 + 1e-9).astype(np.int64).clip(-1, w - 1) - start + 1).clip(0)
        for spans in _batches(length, ROWS_AT_ONCE):
            triangle = np.repeat(which[spans], length[spans])
            at = np.repeat(start[spans], length[spans]) + _steps(length[spans])
            _put(planes, bright, faces, buffers, triangle, at, np.repeat(y[spans], length[spans]))


def _batches(count: Any, most: int) -> Iterator[Any]:
    """Yield runs of rows whose counts together stay near `most`, without those that count nothing."""
    rows = np.flatnonzero(count)
    if len(rows):
        yield from np.split(rows, np.flatnonzero(np.diff(np.cumsum(count[rows]) // most)) + 1)


def _steps(count: Any) -> Any:
    """Return 0, 1, ... up to each count, one after the other."""
    return np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)


def _planes(pixels: FloatArray) -> FloatArray:
    """Return the depth of triangles (k, 3, 3) at pixel (0, 0), its rise to the right and down, and its ends: (5, k)."""
    a, b, c = (pixels[:, i] for i in range(3))
    one, two = b - a, c - a
    area = one[:, 0] * two[:, 1] - two[:, 0] * one[:, 1]
    area = np.where(np.abs(area) < 1e-12, 1e-12, area)
    right = (one[:, 2] * two[:, 1] - two[:, 2] * one[:, 1]) / area
    down = (one[:, 0] * two[:, 2] - two[:, 0] * one[:, 2]) / area
    at_zero = a[:, 2] - right * (a[:, 0] - 0.5) - down * (a[:, 1] - 0.5)
    return np.stack([at_zero, right, down, pixels[:, :, 2].min(axis=1), pixels[:, :, 2].max(axis=1)])


def _put(
    planes: FloatArray, bright: FloatArray, faces: Any, buffers: tuple[Any, Any, Any], which: Any, x: Any, y: Any
) -> None:
    """Write the pixels (x, y) of some triangles where they are nearest."""
    depth, shade, face = (buffer.reshape(-1) for buffer in buffers)
    at_zero, right, down, least, most = (column[which] for column in planes)
    z = np.clip(at_zero + right * x + down * y, least, most)
    cell = y * buffers[0].shape[1] + x
    np.maximum.at(depth, cell, z)
    top = np.flatnonzero(z == depth[cell])
    shade[cell[top]] = bright[which[top]]
    face[cell[top]] = faces[which[top]]


def _outlines(depth: FloatArray, owner: Any, jump_mm: float) -> Any:
    """Return where a line belongs, (h, w) bool: between parts, and where the depth jumps."""
    line = np.zeros(depth.shape, bool)
    finite = np.where(np.isfinite(depth), depth, -1e6)
    for axis in (0, 1):
        apart = (np.abs(np.diff(finite, axis=axis)) > jump_mm) | (np.diff(owner, axis=axis) != 0)
        if axis == 0:
            line[1:] |= apart
        else:
            line[:, 1:] |= apart
    return line


def png(pixels: Any) -> bytes:
    """Return (h, w, 3) uint8 as a PNG file (ISO/IEC 15948): one image, no filter, no clock."""
    h, w, _ = pixels.shape
    rows = np.concatenate([np.zeros((h, 1), np.uint8), pixels.reshape(h, -1)], axis=1)

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", w, h, 8, 2, 0, 0, 0)
    body = zlib.compress(rows.tobytes(), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
