# SPDX-License-Identifier: GPL-3.0-or-later
"""Shaded pictures of meshes without a renderer: parallel projection, a depth buffer, and a PNG of it."""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..arrays import FloatArray
from ..mesh import TriangleMesh

PAPER = np.array([0xFD, 0xFC, 0xF9], float)
INK = np.array([0x22, 0x26, 0x2B], float)
# Apart in lightness first, so that grey print tells neighbours apart; numbers stand on the parts besides.
TINTS = ("#d9c9a3", "#8fa9c4", "#b7c7a0", "#c49a8a", "#a79fbf", "#e3dcd2", "#7f9a94", "#cfa9b8")
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

    def place(self, point: FloatArray) -> tuple[float, float]:
        """Return where a point (3,) is seen: x to the right and y down, in pixels."""
        flat = np.array([point @ self.camera.right, point @ self.camera.up])
        x, y = (flat - self.low) * self.per_mm
        return float(x), float(self.pixels.shape[0] - y)

    def data_uri(self) -> str:
        """Return the picture as PNG, for the source of an image element."""
        return "data:image/png;base64," + base64.b64encode(png(self.pixels)).decode("ascii")


def render(meshes: Sequence[TriangleMesh], tints: Sequence[str], camera: Camera, width: int, height: int) -> Picture:
    """Draw meshes, each in its tint, as large as they fit.

    Parameters
    ----------
    meshes, tints
        What to draw, and in which colour (``#rrggbb``).
    width, height
        Of the picture in pixels.
    """
    w, h = width * FINER, height * FINER
    axes = np.column_stack([camera.right, camera.up, camera.towards])
    seen = [m.vertices @ axes for m in meshes]
    everything = np.concatenate([s[:, :2] for s in seen])
    low, high = everything.min(axis=0), everything.max(axis=0)
    per_mm = float(min(0.92 * w / max(high[0] - low[0], 1e-6), 0.92 * h / max(high[1] - low[1], 1e-6)))
    corner = 0.5 * (low + high) - 0.5 * np.array([w, h]) / per_mm
    depth = np.full((h, w), -np.inf)
    shade = np.zeros((h, w))
    owner = np.full((h, w), -1, np.int64)
    light = np.array([-0.35, 0.55, 0.75]) / np.linalg.norm([-0.35, 0.55, 0.75])
    for number, (mesh, points) in enumerate(zip(meshes, seen)):
        pixels = np.column_stack([(points[:, :2] - corner) * per_mm, points[:, 2]])[mesh.triangles]
        normals = mesh.area_vectors @ axes
        normals = normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
        rows = np.flatnonzero(normals[:, 2] > 0)
        bright = 0.45 + 0.55 * np.clip(normals[rows] @ light, 0, 1)
        _fill(pixels[rows], bright, number, (depth, shade, owner))
    colours = np.array([[int(t[i : i + 2], 16) for i in (1, 3, 5)] for t in tints], float)
    image = np.where((owner >= 0)[..., None], colours[owner % len(colours)] * shade[..., None], PAPER)
    image[_outlines(depth, owner, 3.0)] = INK
    image = image.reshape(height, FINER, width, FINER, 3).mean(axis=(1, 3))
    return Picture(image.round().clip(0, 255).astype(np.uint8)[::-1], camera, corner, per_mm / FINER)


def _fill(pixels: FloatArray, bright: FloatArray, number: int, buffers: tuple[Any, Any, Any]) -> None:
    """Draw triangles (k, 3, 3) of pixel x, y and depth into the buffers, nearest on top."""
    depth, shade, owner = buffers
    h, w = depth.shape
    low = np.floor(pixels[:, :, :2].min(axis=1)).astype(np.int64).clip(0)
    high = np.ceil(pixels[:, :, :2].max(axis=1)).astype(np.int64)
    high = np.minimum(high, [w - 1, h - 1])
    span = high - low + 1
    # All pixels of all triangles' boxes at once, in batches that fit the memory.
    count = span.prod(axis=1)
    ends = np.cumsum(count)
    start = 0
    while start < len(pixels):
        stop = int(np.searchsorted(ends, (ends[start - 1] if start else 0) + 2_000_000, side="right"))
        rows = np.arange(start, max(stop, start + 1))
        start = int(rows[-1]) + 1
        which = np.repeat(rows, count[rows])
        step = np.arange(len(which)) - np.repeat(np.cumsum(count[rows]) - count[rows], count[rows])
        x = low[which, 0] + step % span[which, 0]
        y = low[which, 1] + step // span[which, 0]
        a, b, c = (pixels[which, i] for i in range(3))
        px, py = x + 0.5, y + 0.5
        area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
        area = np.where(np.abs(area) < 1e-12, 1e-12, area)
        v = ((px - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (py - a[:, 1])) / area
        u = ((b[:, 0] - a[:, 0]) * (py - a[:, 1]) - (px - a[:, 0]) * (b[:, 1] - a[:, 1])) / area
        hit = (v >= -1e-9) & (u >= -1e-9) & (u + v <= 1 + 1e-9)
        x, y, which = x[hit], y[hit], which[hit]
        z = a[hit, 2] + v[hit] * (b[hit, 2] - a[hit, 2]) + u[hit] * (c[hit, 2] - a[hit, 2])
        order = np.lexsort((z, y * w + x))
        cell = (y * w + x)[order]
        top = np.append(cell[1:] != cell[:-1], True) if len(cell) else np.zeros(0, bool)
        chosen = order[top]
        x, y, z, which = x[chosen], y[chosen], z[chosen], which[chosen]
        nearer = z > depth[y, x]
        x, y = x[nearer], y[nearer]
        depth[y, x] = z[nearer]
        shade[y, x] = bright[which[nearer]]
        owner[y, x] = number


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
