# SPDX-License-Identifier: GPL-3.0-or-later
"""What the machine can do to a run: kill it, fill its disk, take its folders away, speak Turkish. Files stay whole."""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import shapes

from arming_cap.core import cache
from arming_cap.core.errors import InputError
from arming_cap.core.files import write_bytes, written_together
from arming_cap.core.formats import read_mesh, write_mesh
from arming_cap.core.report.html import escape

ADDON = Path(__file__).resolve().parents[2] / "addon"
POSIX = pytest.mark.skipif(os.name == "nt", reason="signals and permissions of POSIX")

WRITER = """
import sys
sys.path.insert(0, {addon!r})
from pathlib import Path
from arming_cap.core import cache
from arming_cap.core.files import write_bytes, written_together
import numpy as np
place = Path({place!r})
print("ready", flush=True)
turn = 0
while True:
    turn += 1
    mark = bytes([turn % 251]) * 400_000
    write_bytes(place / "card.toml", mark)
    with written_together(place / "parts") as folder:
        for n in range(3):
            (folder / f"part{{n}}.stl").write_bytes(mark)
    cache.store("field-x", value=np.full(50_000, turn))
"""


@POSIX
def test_a_run_killed_at_any_moment_leaves_whole_files(tmp_path, monkeypatch):
    monkeypatch.setenv("ARMING_CAP_CACHE", str(tmp_path / "cache"))
    rng = random.Random(7)
    kills = int(os.environ.get("ARMING_CAP_KILLS", "12"))
    written = False
    for _ in range(kills):
        run = subprocess.Popen(
            [sys.executable, "-c", WRITER.format(addon=str(ADDON), place=str(tmp_path))], stdout=subprocess.PIPE
        )
        assert run.stdout is not None and run.stdout.readline()
        time.sleep(rng.uniform(0.0, 0.15))
        run.send_signal(signal.SIGKILL)
        run.wait()
        for name in ("card.toml", "parts/part0.stl", "parts/part1.stl", "parts/part2.stl"):
            written = written or (tmp_path / "parts" / "part2.stl").exists()
            assert not written or (tmp_path / name).exists(), f"{name} is gone"
            if (tmp_path / name).exists():
                content = (tmp_path / name).read_bytes()
                assert len(content) == 400_000 and len(set(content)) == 1, name
        kept = cache.load("field-x")
        assert kept is None or len(set(kept["value"].tolist())) == 1
    assert written
    write_bytes(tmp_path / "card.toml", b"the next run works")
    with written_together(tmp_path / "parts") as folder:
        (folder / "part0.stl").write_bytes(b"new")
    assert (tmp_path / "parts" / "part0.stl").read_bytes() == b"new"


def test_a_full_disk_leaves_what_stood_there(tmp_path, monkeypatch):
    write_bytes(tmp_path / "card.toml", b"before")

    def full(self, content):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(InputError, match=r"cannot be written \(No space left on device\)"):
        write_bytes(tmp_path / "card.toml", b"after")
    with pytest.raises(InputError, match="No space left"), written_together(tmp_path / "parts") as folder:
        (folder / "part.stl").write_bytes(b"x")
    monkeypatch.undo()
    assert (tmp_path / "card.toml").read_bytes() == b"before"
    assert [p.name for p in tmp_path.iterdir()] == ["card.toml"]


@POSIX
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root writes everywhere")
def test_a_folder_that_may_not_be_written_is_named(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(InputError, match="cannot be written"):
        write_bytes(tmp_path / "card.toml", b"x")
    tmp_path.chmod(0o700)


def test_a_file_where_a_folder_should_be_is_named(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError, match="cannot be written"):
        write_bytes(tmp_path / "out" / "report.json", b"x")
    with pytest.raises(InputError, match="cannot be written"), written_together(tmp_path / "out" / "parts"):
        pass


def test_no_home_and_no_cache_folder_are_no_obstacle(tmp_path, monkeypatch):
    for name in ("ARMING_CAP_CACHE", "HOME", "XDG_CACHE_HOME", "USERPROFILE", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)

    def homeless():
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "home", homeless)
    cache.store("field-y", value=np.zeros(3))
    assert cache.load("field-y") is None
    monkeypatch.setenv("ARMING_CAP_CACHE", str(tmp_path / "a file"))
    (tmp_path / "a file").write_text("no folder")
    cache.store("field-y", value=np.zeros(3))
    assert cache.load("field-y") is None


def test_a_damaged_cache_entry_counts_as_none(tmp_path, monkeypatch):
    monkeypatch.setenv("ARMING_CAP_CACHE", str(tmp_path))
    cache.store("field-z", value=np.arange(5_000))
    path = tmp_path / "field-z.npz"
    sound = path.read_bytes()
    for at in (0, 10, len(sound) // 2, len(sound) - 4):
        path.write_bytes(sound[:at] + bytes(b ^ 0x55 for b in sound[at : at + 3]) + sound[at + 3 :])
        kept = cache.load("field-z")
        assert kept is None or np.array_equal(kept["value"], np.arange(5_000))
        path.write_bytes(sound[:at])
        assert cache.load("field-z") is None
    path.write_bytes(sound)
    assert np.array_equal(cache.load("field-z")["value"], np.arange(5_000))


TOGETHER = """
import sys
sys.path.insert(0, {addon!r})
from pathlib import Path
import numpy as np
from arming_cap.core import cache
from arming_cap.core.files import locked, write_text
card = Path({card!r})
for turn in range(25):
    with locked(card):
        write_text(card, card.read_text() + {mark!r})
    cache.store("field-shared", value=np.full(20_000, turn))
    kept = cache.load("field-shared")
    assert kept is None or len(set(kept["value"].tolist())) == 1
"""


def test_two_programs_share_a_card_and_a_cache(tmp_path):
    card = tmp_path / "card.toml"
    card.write_text("")
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", TOGETHER.format(addon=str(ADDON), card=str(card), mark=mark)],
            env={**os.environ, "ARMING_CAP_CACHE": str(tmp_path / "cache")},
        )
        for mark in "ab"
    ]
    assert [run.wait() for run in runs] == [0, 0]
    assert sorted(card.read_text()) == ["a"] * 25 + ["b"] * 25  # no entry of either is lost


@pytest.mark.parametrize("year_s", [0, 4_000_000_000])
def test_a_wrong_clock_spoils_no_cache(tmp_path, monkeypatch, year_s):
    # Files of 1970 or of 2096: what is kept is still found, and still gives way to what is new.
    monkeypatch.setenv("ARMING_CAP_CACHE", str(tmp_path))
    cache.store("field-then", value=np.arange(5_000))
    os.utime(tmp_path / "field-then.npz", (year_s, year_s))
    assert np.array_equal(cache.load("field-then")["value"], np.arange(5_000))
    os.utime(tmp_path / "field-then.npz", (year_s, year_s))
    monkeypatch.setattr(cache, "LIMIT_BYTES", 60_000)
    for n in range(3):
        cache.store(f"field-{n}", value=np.arange(5_000))
    assert sum(p.stat().st_size for p in tmp_path.glob("*.npz")) <= 60_000


NAMES = [
    "with space",
    'it\'s "quoted"',
    "emoji \U0001f6e1\ufe0f",
    "ünïcode İı",
    "a" * 240,
    "semi;colon & <tag>",
    "-dash",
]


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_names_of_all_kinds_are_written_and_read(tmp_path, name):
    if os.name == "nt" and any(c in name for c in '"<>'):
        pytest.skip("not a name there")
    path = tmp_path / f"{name}.stl"
    write_mesh(path, shapes.box((90, 90, 90)))
    assert len(read_mesh(path).mesh) == 12
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_reports_escape_what_they_print():
    said = escape("<script>alert('x')</script>&\"")
    assert "<" not in said and ">" not in said and '"' not in said


RUN = """
import json, socket, sys
def forbidden(*args, **kwargs):
    raise AssertionError("a socket was opened")
socket.socket = socket.create_connection = socket.getaddrinfo = forbidden
sys.path.insert(0, {addon!r})
from arming_cap.batch import main
sys.exit(main({arguments!r}))
"""


@pytest.mark.parametrize("locale", ["C", "tr_TR.UTF-8"])
def test_no_network_and_any_locale(tmp_path, locale):
    write_mesh(tmp_path / "Iı tube.ply", shapes.tube(90, 94, 100))
    arguments = ["section", str(tmp_path / "Iı tube.ply"), "--heights", "50:51:10", "--json"]
    run = subprocess.run(
        [sys.executable, "-c", RUN.format(addon=str(ADDON), arguments=arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={**os.environ, "LC_ALL": locale, "LANG": locale, "PYTHONIOENCODING": "utf-8"},
        check=False,
    )
    assert run.returncode == 0, run.stderr
    said = json.loads(run.stdout)
    assert said["result"]["planes"][0]["inner_width_mm"] == pytest.approx(180, abs=1e-3)
