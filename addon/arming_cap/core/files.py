# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading inputs once, and writing outputs whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from .errors import InputError


def read_input(path: Path) -> bytes:
    """Return a file's bytes; raise `InputError` in words where that cannot be done."""
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        shown = os.fsencode(path).decode("utf-8", "replace")
        raise InputError("the file's name is not valid UTF-8", source=shown, remedy="rename the file") from None
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise InputError("no such file", source=str(path), remedy="check the path") from None
    except IsADirectoryError:
        raise InputError("this is a folder, not a file", source=str(path), remedy="name a file in it") from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", source=str(path), remedy="check the file") from None
    if not content:
        raise InputError("the file is empty", source=str(path), remedy="export or copy it again")
    return content


def sha256(content: bytes) -> str:
    """Return the SHA-256 of some bytes, in hexadecimal."""
    return hashlib.sha256(content).hexdigest()


@contextlib.contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Yield a temporary path beside `path`, and rename it to `path` when the block ends well.

    On any error the temporary file is removed and what stood at `path` before is still there.

    Raises
    ------
    InputError
        If the folder cannot be written to.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:40]}.", suffix=path.suffix, dir=path.parent)
    except OSError as error:
        raise _cannot_write(error, path) from None
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        # mkstemp makes files private; what a user asked for gets the mode their other files have.
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o666 & ~mask)
        os.replace(temporary, path)
    except OSError as error:
        raise _cannot_write(error, path) from None
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def _cannot_write(error: OSError, path: Path) -> InputError:
    """Return in words why something cannot be written; what the disk has no room for asks for another remedy."""
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    remedy = "make room on the disk, or choose another folder" if full else "choose a folder you may write to"
    return InputError(f"cannot be written ({error.strerror or error})", source=str(path), remedy=remedy)


@contextlib.contextmanager
def written_together(folder: Path) -> Iterator[Path]:
    """Yield a temporary folder, and move the files in it into `folder` when the block ends well: all or none.

    On any error, in the block or while they are moved, `folder` holds what it held before; where it did not exist, it
    does not.

    Raises
    ------
    InputError
        If the folder cannot be written to.
    """
    made = [p for p in (folder, *folder.parents) if not p.exists()]
    placed: list[Path] = []
    temporary: Path | None = None
    try:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            temporary = Path(tempfile.mkdtemp(prefix=".writing.", dir=folder))
        except OSError as error:
            raise _cannot_write(error, folder) from None
        new, old = temporary / "new", temporary / "old"
        new.mkdir()
        old.mkdir()
        try:
            yield new
        except OSError as error:
            raise _cannot_write(error, folder) from None
        for file in sorted(new.iterdir()):
            place = folder / file.name
            try:
                if place.is_dir():
                    raise IsADirectoryError(21, "there is a folder of this name")
                if place.exists():
                    _set_aside(place, old / file.name)
                placed.append(place)
                os.replace(file, place)
            except OSError as error:
                raise InputError(
                    f"cannot be written ({error.strerror})",
                    source=str(place),
                    remedy="move it away, or choose a folder",
                ) from None
        made.clear()
        placed.clear()
    finally:
        for place in placed:
            place.unlink(missing_ok=True)
            if (old / place.name).exists():
                os.replace(old / place.name, place)
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)
        for folder in made:
            with contextlib.suppress(OSError):
                folder.rmdir()


def _set_aside(place: Path, aside: Path) -> None:
    """Keep a file under a second name too, so that it is never gone, not even if the run is killed now."""
    try:
        os.link(place, aside)
    except OSError:  # a file system without links
        os.replace(place, aside)


def write_bytes(path: Path, content: bytes) -> None:
    """Write a whole file at once, atomically."""
    with written_whole(path) as temporary:
        temporary.write_bytes(content)


def write_text(path: Path, content: str) -> None:
    """Write a whole UTF-8 text file at once, atomically."""
    write_bytes(path, content.encode("utf-8"))


@contextlib.contextmanager
def locked(path: Path, patience_s: float = 10.0) -> Iterator[None]:
    """Hold a file for this process; the system lets go of it if the process dies.

    The lock is a hidden file beside it and stays there: removing it would let two processes lock two files.
    """
    lock = path.with_name(f".{path.name}.lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(lock, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", source=str(path), remedy="choose a folder you may write to"
        ) from None
    try:
        give_up = time.monotonic() + patience_s
        while not _try_lock(handle):
            if time.monotonic() > give_up:
                raise InputError("another program is writing this file", source=str(path), remedy="try again")
            time.sleep(0.01)
        yield
    finally:
        os.close(handle)


def _try_lock(handle: int) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
