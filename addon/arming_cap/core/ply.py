# SPDX-License-Identifier: GPL-3.0-or-later
"""PLY headers, and PLY files of triangle strips, which scanners write and common readers leave out.

The format is that of Turk 1994 ("The PLY polygon file format"); strips came with the Stanford scans: lists of vertex
numbers in which each three neighbours are a triangle, every second one turned, and -1 starts anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from .arrays import FloatArray, IntArray

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
LONGEST_HEADER = 65_536


@dataclass(frozen=True)
class Element:
    """One kind of row: its name, how many there are, and each property's name, type and, of a list, the count's."""

    name: str
    count: int
    properties: tuple[tuple[str, str, str | None], ...]


@dataclass(frozen=True)
class Header:
    """A PLY header: ``ascii`` or the byte order as numpy writes it, its elements, and its length in bytes."""

    order: str
    elements: tuple[Element, ...]
    size: int

    @property
    def least_bytes(self) -> int:
        """The fewest bytes that the rows declared can take: of a list its count alone, of text a digit and a space."""

        def least(kind: str, counts: str | None) -> int:
            return 2 if self.order == "ascii" else np.dtype(counts or kind).itemsize

        return sum(e.count * sum(least(k, c) for _, k, c in e.properties) for e in self.elements)


def header_of(content: bytes) -> Header | None:
    """Return the header of a PLY file; None where it is none, or holds a word that the format does not know."""
    end = content.find(b"end_header", 0, LONGEST_HEADER)
    stop = content.find(b"\n", end)
    if end < 0 or stop < 0:
        return None
    order = ""
    elements: list[Element] = []
    try:
        for line in content[:end].decode("latin-1").split("\n"):
            words = line.split()
            if words[:1] == ["format"]:
                order = {"ascii": "ascii", "binary_little_endian": "<", "binary_big_endian": ">"}[words[1]]
            elif words[:1] == ["element"]:
                elements.append(Element(words[1], int(words[2]), ()))
            elif words[:1] == ["property"]:
                last = elements[-1]
                kinds = [_TYPES[w] for w in words[2:4]] if words[1] == "list" else [_TYPES[words[1]]]
                one = (words[-1], kinds[-1], kinds[0] if len(kinds) == 2 else None)
                elements[-1] = Element(last.name, last.count, (*last.properties, one))
    except (KeyError, IndexError, ValueError):
        return None
    return Header(order, tuple(elements), stop + 1) if order and all(e.count >= 0 for e in elements) else None


def read_strips(content: bytes) -> tuple[FloatArray, IntArray] | None:
    """Return vertices (n, 3) and triangles (m, 3) of a PLY file of triangle strips; None where it has none.

    Raises
    ------
    ValueError
        If the file ends before all its rows.
    """
    header = header_of(content)
    if header is None or not any(e.name == "tristrips" and e.count for e in header.elements):
        return None
    rows = _text_rows(content, header) if header.order == "ascii" else _binary_rows(content, header)
    vertices, strips = np.empty((0, 3)), []
    for element, values in rows:
        if element.name == "vertex":
            names = [name for name, _, _ in element.properties]
            vertices = np.column_stack([values[names.index(axis)] for axis in "xyz"]).astype(float)
        elif element.name == "tristrips":
            strips += values
    return vertices, _triangles(strips)


def _triangles(strips: list[Any]) -> IntArray:
    found = [np.empty((0, 3), np.int64)]
    for strip in strips:
        numbers = np.asarray(strip, np.int64)
        for run in np.split(numbers, np.flatnonzero(numbers < 0)):
            own = run[run >= 0]
            three = np.column_stack([own[:-2], own[1:-1], own[2:]])
            three[1::2] = three[1::2, [1, 0, 2]]
            # Strips are stitched by repeated corners, which are no triangles.
            found.append(three[(three != np.roll(three, 1, axis=1)).all(axis=1)])
    return np.concatenate(found)


def _binary_rows(content: bytes, header: Header) -> Any:
    """Yield each element with its columns, or with its rows' lists where it holds one list."""
    at = header.size
    for element in header.elements:
        if all(counts is None for _, _, counts in element.properties):
            kind = np.dtype([(f"{i}", header.order + k) for i, (_, k, _) in enumerate(element.properties)])
            table = np.frombuffer(content, kind, element.count, at)
            at += kind.itemsize * element.count
            yield element, [table[name] for name in kind.names or ()]
            continue
        lists = []
        for _ in range(element.count):
            row: Any = None
            for _, kind_of, counts in element.properties:
                many = 1
                if counts is not None:
                    many = int(np.frombuffer(content, header.order + counts, 1, at)[0])
                    at += np.dtype(counts).itemsize
                    row = np.frombuffer(content, header.order + kind_of, many, at)
                at += np.dtype(kind_of).itemsize * many
            lists.append(row)
        yield element, lists


def _text_rows(content: bytes, header: Header) -> Any:
    words = content[header.size :].split()
    at = 0
    for element in header.elements:
        if all(counts is None for _, _, counts in element.properties):
            many = element.count * len(element.properties)
            table = np.array(words[at : at + many], float).reshape(element.count, -1)
            at += many
            yield element, list(table.T)
            continue
        lists = []
        for _ in range(element.count):
            row: Any = None
            for _, _, counts in element.properties:
                many = 1 if counts is None else int(words[at])
                at += counts is not None
                if counts is not None:
                    row = np.array([int(w) for w in words[at : at + many]])
                    if len(row) < many:
                        raise ValueError("the text breaks off")
                at += many
            lists.append(row)
        yield element, lists
