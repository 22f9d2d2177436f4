#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Set up and run everything: the demo, the tests, the bench, the build.

    python3 scripts/dev.py demo     check the demo production and write its report
    python3 scripts/dev.py test     pass the tests
    python3 scripts/dev.py help     all commands

Needs nothing but Python 3.11 or 3.13: it makes a virtual environment in .venv and installs the versions that
scripts/requirements.lock pins. Where Python 3.13 is found it takes Blender 5.2 LTS, else Python 3.11 with Blender 5.0;
--blender 4.5, 5.0 or 5.2 chooses.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LOCK = ROOT / "scripts/requirements.lock"
PYTHON_OF = {"5.2": "3.13", "5.0": "3.11", "4.5": "3.11"}
PREFERRED = ("5.2", "5.0")


def say(text: str) -> None:
    """Tell the user what is going on, beside whatever the command itself prints."""
    print(text, file=sys.stderr, flush=True)


def find_python(version: str) -> str | None:
    """Return an interpreter of a version such as ``3.13`` that can make environments, or None."""
    homes = [Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"]
    candidates = [sys.executable, shutil.which(f"python{version}"), shutil.which("python3")]
    candidates += [str(p) for home in homes for p in sorted(home.glob(f"{version}*/bin/python{version}"), reverse=True)]
    probe = "import sys, venv, ensurepip; print('%d.%d' % sys.version_info[:2])"
    for candidate in filter(None, candidates):
        try:
            found = subprocess.run([candidate, "-c", probe], capture_output=True, text=True, timeout=30, check=False)
        except (OSError, subprocess.TimeoutExpired):
            continue
        if found.returncode == 0 and found.stdout.strip() == version:
            return candidate
    return None


def choose(blender: str | None) -> tuple[str, str]:
    """Return the Blender version to use and the interpreter for it, or end with one line."""
    for wanted in (blender,) if blender else PREFERRED:
        if python := find_python(PYTHON_OF[wanted]):
            return wanted, python
    versions = PYTHON_OF[blender] if blender else "3.11 or 3.13"
    raise SystemExit(f"no Python {versions} with the venv module was found; install one and run this again")


def pins(sections: Sequence[str], blender: str) -> list[str]:
    """Return the lines of some sections of the lock, with Blender's own version put in."""
    found: list[str] = []
    section = ""
    for line in LOCK.read_text(encoding="utf-8").splitlines():
        if heading := re.match(r"# \[([\w. ]+)\]", line):
            section = heading[1]
        elif section in sections and line and not line.startswith("#"):
            found.append(line)
        elif section == f"blender {blender}" and line.startswith("# bpy=="):
            found = [pin for pin in found if not pin.startswith("bpy==")] + [line[2:]]
    return found


def environment(blender: str | None, sections: Sequence[str]) -> str:
    """Return the interpreter of an environment that holds some sections of the lock, made where it is missing."""
    version, python = choose(blender)
    folder = ROOT / (".venv" if version == choose(None)[0] else f".venv-{version}")
    inside = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    wanted = pins(sections, version)
    stamp = folder / "installed.txt"
    have = stamp.read_text(encoding="utf-8").splitlines() if stamp.exists() else []
    if inside.exists() and set(wanted) <= set(have):
        say(f"Python {PYTHON_OF[version]}, Blender {version} (bpy module), in {folder.name}")
        return str(inside)
    say(f"Python {PYTHON_OF[version]} ({python}), Blender {version}: setting up {folder.name}, a few minutes")
    if not inside.exists() or not have:
        subprocess.run([python, "-m", "venv", "--clear", str(folder)], check=True)
    stamp.unlink(missing_ok=True)  # an interrupted installation must not look complete
    everything = sorted({*wanted, *have})
    listing = folder / f"wanted-{hashlib.sha256(''.join(everything).encode()).hexdigest()[:8]}.txt"
    listing.write_text("\n".join(everything) + "\n", encoding="utf-8")
    pip = [str(inside), "-m", "pip", "--disable-pip-version-check", "install", "--quiet"]
    done = subprocess.run([*pip, "--no-deps", "-r", str(listing)], check=False)
    if done.returncode == 0:  # the package itself, editable: what is edited is what runs
        done = subprocess.run([*pip, "--no-deps", "-e", str(ROOT)], check=False)
    if done.returncode:
        raise SystemExit(f"the installation did not succeed (pip exit status {done.returncode}); see above")
    listing.unlink()
    stamp.write_text("\n".join(everything) + "\n", encoding="utf-8")
    return str(inside)


def run(python: str, *arguments: str) -> int:
    """Run a command of the environment in the project's folder and return its exit status."""
    return subprocess.run([python, *arguments], cwd=ROOT, check=False).returncode


def main() -> int:
    parser = argparse.ArgumentParser(prog="dev.py", description="Set up and run everything")
    parser.add_argument("--blender", choices=list(PYTHON_OF), help="which Blender; by itself 5.2 where Python 3.13 is")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, about in {
        "demo": "check the demo production and write its report",
        "test": "pass the tests; further arguments go to pytest",
        "test-gui": "drive the built zip in a real window; needs blender-gui; ARMING_CAP_PICTURES keeps the pictures",
        "bench": "measure speed as ratios against other libraries; further arguments name topics",
        "lint": "ruff and mypy",
        "build": "build the extension's zip into dist/; --platform windows-x64 or macos-arm64 for others",
        "try": "install the zip in dist/ into this Blender and run a check with it",
        "scenes": "make the demo production again",
        "pictures": "make the pictures of README and guide again; needs chromium and blender-gui",
        "help": "show this",
    }.items():
        commands.add_parser(name, help=about, add_help=False)
    options, rest = parser.parse_known_args()

    if options.command == "help":
        parser.print_help()
        return 0
    if options.command == "demo":
        return run(environment(options.blender, ["run"]), "scripts/demo_check.py", *rest)
    if options.command == "test":
        # Up to four processes: each takes some 1.5 GB.
        together = ["-q", "-n", str(min(os.cpu_count() or 1, 4)), "--dist", "worksteal"]
        return run(environment(options.blender, ["run", "test"]), "-m", "pytest", "-m", "not gui", *(rest or together))
    if options.command == "test-gui":
        everything = ["-q", "headless_tests/gui"]
        return run(environment(options.blender, ["run", "test"]), "-m", "pytest", "-m", "gui", *(rest or everything))
    if options.command == "bench":
        return run(environment(options.blender, ["run", "test"]), "scripts/bench/__main__.py", *rest)
    if options.command == "lint":
        # The oldest numpy supported decides: newer type stubs differ, and code must suit both.
        python = environment(options.blender or "5.0", ["run", "test"])
        checks = (["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"])
        return max(run(python, "-m", *check) for check in checks)
    if options.command == "pictures":
        return run(environment(options.blender, ["run", "test"]), "scripts/draw_pictures.py", *rest)
    if options.command == "build":
        return run(environment(options.blender, ["run"]), "scripts/build_extension.py", *rest)
    if options.command == "try":
        zips = sorted((ROOT / "dist").glob("*-linux_x64.zip"), key=lambda p: p.stat().st_mtime)
        if not zips:
            raise SystemExit("there is no zip for Linux in dist; run: python3 scripts/dev.py build")
        return run(environment(options.blender, ["run"]), "scripts/try_extension.py", str(zips[-1]), *rest)
    return run(environment(options.blender, ["run"]), "scripts/make_demo_scenes.py", *rest)


if __name__ == "__main__":
    sys.exit(main())
