# SPDX-License-Identifier: GPL-3.0-or-later
"""What a mesh file claims to hold, held against its bytes before any reader believes it.

A count in a header is a promise that a reader would allocate memory for; so is an archive's size. Both are checked
first. What cannot be known beforehand (an ASCII file with fewer faces than declared) is counted afterwards.
"""

from __future__ import annotations

import io
import json
import re
import struct
import zipfile
from pathlib import Path, PurePosixPath

from .errors import InputError
from .ply import Header, header_of

# Unpacked, a 3MF file of ten million triangles takes about this many bytes of XML.
MOST_UNPACKED = 2_000_000_000
# XML of coordinates packs to a third or a tenth; what packs to less than this is no mesh.
MOST_PACKED = 1000
AGAIN = "export or copy it again"


def refuse_mislabelled(path: Path, ending: str, content: bytes) -> None:
    """Raise where the first bytes belong to another format than the name says."""
    head = content[:512].lstrip()
    looks = next(
        (
            other
            for other, so in {
                ".3mf": content.startswith(b"PK"),
                ".glb": content.startswith(b"glTF"),
                ".ply": head.startswith(b"ply"),
                ".off": re.match(rb"(ST)?C?N?4?n?OFF\b", head) is not None,
            }.items()
            if so
        ),
        None,
    )
    if looks != ending and (looks or ending in (".3mf", ".glb", ".ply", ".off")):
        what = f"this is a {looks} file by its content" if looks else f"the content is not {ending[1:].upper()}"
        raise InputError(what, source=str(path), remedy=f"rename it to end in {looks}" if looks else "export it again")


def refuse_lying(path: Path, ending: str, content: bytes) -> None:
    """Raise where a file cannot hold what it says it holds, or says what no reader should follow."""
    check = {".stl": _stl, ".obj": _obj, ".ply": _ply, ".off": _off, ".glb": _glb, ".3mf": _3mf}[ending]
    check(path, content)


def without_short_faces(content: bytes) -> tuple[bytes, int]:
    """Return an OBJ file's text without its faces of fewer than three corners, and how many there were."""
    if b"\\\n" in content or b"\\\r\n" in content:  # lines that go on: a face may look short and not be
        content = content.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
    lines = content.split(b"\n")
    short = [i for i, line in _faces(lines) if len(line) < 6 or len(line.split(b"#")[0].split()) < 4]
    for i in short:
        lines[i] = b""
    return (b"\n".join(lines) if short else content), len(short)


def _faces(lines: list[bytes]) -> list[tuple[int, bytes]]:
    """Return the faces among an OBJ file's lines, each with its row."""
    return [(i, line) for i, line in enumerate(lines) if line[:1] in b"f \t" and line.lstrip()[:2] in (b"f ", b"f\t")]


def refuse_fewer(path: Path, declared: int, held: int) -> None:
    """Raise where a file holds fewer faces than its header declares."""
    if held < declared:
        raise InputError(f"the header declares {declared} faces, the file holds {held}", source=str(path), remedy=AGAIN)


def _stl(path: Path, content: bytes) -> None:
    declared = _stl_count(content)
    if len(content) >= 84 and len(content) == 84 + 50 * declared:
        return
    if content[:512].lstrip().lower().startswith(b"solid") and b"\0" not in content[:512]:
        if b"endsolid" not in content[-512:].lower():
            raise InputError("the STL text breaks off before 'endsolid'", source=str(path), remedy="export it again")
        return
    if len(content) < 84:
        raise InputError("too short to be an STL file", source=str(path), remedy=AGAIN)
    held = (len(content) - 84) // 50
    raise InputError(
        f"the STL header declares {declared} triangles, the file holds {held}", source=str(path), remedy=AGAIN
    )


def _stl_count(content: bytes) -> int:
    """Return how many triangles a binary STL declares."""
    return int(struct.unpack_from("<I", content, 80)[0]) if len(content) >= 84 else 0


def _obj(path: Path, content: bytes) -> None:
    if b"\0" in content[:4096]:
        raise InputError("the content is not OBJ text", source=str(path), remedy="export it again")
    for i, line in _faces(content.split(b"\n")):
        if b" 0" in line or b"\t0" in line:
            if any(word.split(b"/")[0] == b"0" for word in line.split(b"#")[0].split()[1:]):
                raise InputError(
                    f"line {i + 1}: a face names corner 0, and OBJ counts from 1",
                    source=str(path),
                    remedy="export it again",
                )


def _ply(path: Path, content: bytes) -> None:
    header = header_of(content)
    if header is None:
        raise InputError("cannot be read as PLY (its header breaks off)", source=str(path), remedy=AGAIN)
    held = len(content) - header.size
    if header.least_bytes > held:
        what = ", ".join(f"{e.count} of '{e.name}'" for e in header.elements)
        raise InputError(
            f"the PLY header declares {what}: at least {header.least_bytes} bytes, the file holds {held}",
            source=str(path),
            remedy=AGAIN,
        )


def declared_faces(content: bytes) -> int:
    """Return how many faces a PLY file declares."""
    header: Header | None = header_of(content)
    return 0 if header is None else sum(e.count for e in header.elements if e.name == "face")


def declared_triangles(ending: str, content: bytes) -> int:
    """Return the fewest triangles that a file which does not lie holds, 0 where its head does not tell."""
    if ending == ".ply":
        return declared_faces(content)
    if ending == ".off":
        return (_off_counts(content) or (0, 0))[1]
    declared = _stl_count(content) if ending == ".stl" else 0
    return declared if len(content) == 84 + 50 * declared else 0  # else it is text


def _off(path: Path, content: bytes) -> None:
    counts = _off_counts(content)
    if counts is None:
        raise InputError("cannot be read as OFF (no counts behind OFF)", source=str(path), remedy="save it as text OFF")
    vertices, faces = counts
    if 2 * 3 * vertices + 2 * 4 * faces > len(content) + 1:  # a digit and a space for every number
        raise InputError(
            f"the OFF header declares {vertices} vertices and {faces} faces, more than the file can hold",
            source=str(path),
            remedy=AGAIN,
        )


def _off_counts(content: bytes) -> tuple[int, int] | None:
    """Return how many vertices and faces an OFF file declares; None where it declares none."""
    text = re.sub(rb"#[^\n]*", b"", content[:4096])
    counts = re.search(rb"OFF\s+(\d+)\s+(\d+)", text)
    return (int(counts[1]), int(counts[2])) if counts else None


def _glb(path: Path, content: bytes) -> None:
    length = struct.unpack_from("<I", content, 12)[0] if len(content) >= 20 else 0
    try:
        said = json.loads(content[20 : 20 + length])
        counts = [int(a.get("count", 0)) for a in said.get("accessors", [])]
        outside = [b["uri"] for b in said.get("buffers", []) if not str(b.get("uri", "data:")).startswith("data:")]
    except Exception:  # whatever else is wrong with it, the reader will say
        return
    if counts and max(counts) > len(content):
        raise InputError(
            f"the file declares {max(counts)} values in {len(content)} bytes", source=str(path), remedy=AGAIN
        )
    if outside:
        raise InputError(
            f"it needs a second file, '{outside[0]}'", source=str(path), remedy="export it as one GLB file"
        )


def _3mf(path: Path, content: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
            total = sum(e.file_size for e in entries)
            if total > MOST_UNPACKED or total > MOST_PACKED * len(content):
                raise InputError(
                    f"the archive would unpack from {len(content)} to {total} bytes",
                    source=str(path),
                    remedy="export it again, or in several files",
                )
            for entry in entries:
                name = PurePosixPath(entry.filename.replace("\\", "/"))
                if name.is_absolute() or ".." in name.parts or ":" in entry.filename:
                    raise InputError(f"the archive names a place outside of it: '{name}'", source=str(path))
                if entry.filename.lower().endswith((".model", ".rels", ".xml")):
                    with archive.open(entry) as part:
                        head = part.read(65_536)
                    # The 3MF Core Specification (2.3) forbids document type declarations, and with them entities.
                    if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                        raise InputError("its XML declares entities, which 3MF forbids", source=str(path))
    except InputError:
        raise
    except Exception as error:  # a damaged archive raises as it likes
        reason = (str(error).splitlines() or [""])[0][:120] or type(error).__name__
        raise InputError(f"cannot be read as 3MF ({reason})", source=str(path), remedy="export it again") from None
