# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the extension's zip: the package, its manifest and the wheels Blender unpacks beside it.

    python scripts/build_extension.py [--platform linux-x64|windows-x64|macos-arm64]... [--out DIR]

One zip for each platform, named as Blender names platforms; without one, for Linux.
Wheels are fetched with pip, by the versions of the lock beside this file, into build/wheels; no network after that is
needed. Blender brings numpy itself and it is never bundled; scipy is not needed (see addon/arming_cap/core/engines.py).
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ROOT / "addon" / "arming_cap"
CACHE = ROOT / "build" / "wheels"

# The project's own dependencies, then what those need in their turn.
PACKAGES = ("libigl", "manifold3d", "lib3mf", "trimesh", "rich", "tomlkit", "fpdf2")
PACKAGES += ("markdown-it-py", "mdurl", "pygments", "fonttools", "defusedxml")
# Pillow is what fpdf2 reads pictures with. Our pages hold lines and text alone, and it would be a quarter of the zip.
PURE = ("fonttools",)  # also has compiled wheels, five times as large and no use here
PYTHONS = ("3.11", "3.13", "3.14")  # Blender 4.5 and 5.0; 5.1 and 5.2; distributions that bring their own
# Blender's name of a platform, and the wheels' tags for it.
PLATFORMS = {
    "linux-x64": ("manylinux_2_28_x86_64", "manylinux_2_27_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64"),
    "windows-x64": ("win_amd64",),
    "macos-arm64": (
        *(f"macosx_{major}_0_arm64" for major in (14, 13, 12, 11)),
        "macosx_11_0_universal2",
        "macosx_10_9_universal2",
    ),
}
# Distributions that bring their own Python do so on Linux only.
PYTHONS_OF = {platform: PYTHONS if platform == "linux-x64" else PYTHONS[:2] for platform in PLATFORMS}
EPOCH = (1980, 1, 1, 0, 0, 0)  # the oldest time a zip can hold: same files, same bytes


def pinned() -> dict[str, str]:
    """Return the version of each of `PACKAGES` by scripts/requirements.lock."""
    lock = (ROOT / "scripts/requirements.lock").read_text(encoding="utf-8")
    found = {
        name.lower().replace("_", "-"): version
        for name, version in re.findall(r"^([A-Za-z0-9_.-]+)==([^\s;\\]+)", lock, re.MULTILINE)
    }
    absent = [name for name in PACKAGES if name not in found]
    if absent:
        raise SystemExit(
            f"scripts/requirements.lock: no version of {', '.join(absent)}; add a line NAME==VERSION for each"
        )
    return {name: found[name] for name in PACKAGES}


def wheels(platform: str) -> list[Path]:
    """Return the wheels of every package for every Python of a platform, fetched where they are not in the cache."""
    cache = CACHE / platform
    cache.mkdir(parents=True, exist_ok=True)
    versions, pythons = pinned(), PYTHONS_OF[platform]
    for python in pythons:
        absent = [name for name, version in versions.items() if not _for_python(cache, name, version, python)]
        for names, tags in (
            ([name for name in absent if name in PURE], ("any",)),
            ([name for name in absent if name not in PURE], PLATFORMS[platform]),
        ):
            if names:
                _download(cache, [f"{name}=={versions[name]}" for name in names], python, tags)
    held = {p for python in pythons for name, v in versions.items() if (p := _for_python(cache, name, v, python))}
    return sorted(held)


def _download(cache: Path, wanted: list[str], python: str, tags: tuple[str, ...]) -> None:
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
    command += ["--only-binary=:all:", "--python-version", python, "--dest", str(cache)]
    command += ["--implementation", "py"] if tags == ("any",) else ["--implementation", "cp"]
    command += [word for tag in tags for word in ("--platform", tag)]
    subprocess.run([*command, *wanted], check=True, stdout=subprocess.DEVNULL)


def _for_python(cache: Path, name: str, version: str, python: str) -> Path | None:
    """Return the cached wheel that Blender would unpack for a Python, or None.

    A wheel fits when its tag is that Python's own, or abi3 of that Python or an older one, or pure.
    """
    minor = int(python.split(".")[1])
    best: tuple[int, Path] | None = None
    for path in cache.glob(f"{name.replace('-', '_')}-{version}-*.whl"):
        tag, abi = path.stem.split("-")[2:4]
        if tag == f"cp3{minor}":
            rank = 3
        elif abi == "abi3" and tag.startswith("cp3") and int(tag[3:]) <= minor:
            rank = 2
        elif tag.split(".")[-1] == "py3":
            rank = 1
        else:
            continue
        if best is None or rank > best[0]:
            best = (rank, path)
    return best[1] if best else None


def version() -> str:
    """Return the version: core/__init__.py is the one place that says it."""
    found = re.search(r'^__version__ = "([^"]+)"$', (SOURCE / "core/__init__.py").read_text(encoding="utf-8"), re.M)
    if found is None:
        raise SystemExit("addon/arming_cap/core/__init__.py: there is no line __version__ = ...")
    return found[1]


def manifest(held: list[Path], platform: str) -> str:
    """Return the manifest with its platform and its list of wheels filled in."""
    text = (SOURCE / "blender_manifest.toml").read_text(encoding="utf-8")
    names = "".join(f'    "./wheels/{path.name}",\n' for path in held)
    filled, count = re.subn(r"^wheels = \[\n\]$", f"wheels = [\n{names}]", text, flags=re.MULTILINE)
    if count != 1:
        raise SystemExit("blender_manifest.toml: there is no empty 'wheels' list to fill in")
    filled = filled.replace('platforms = ["linux-x64"]', f'platforms = ["{platform}"]')
    filled = filled.replace('version = "0.0.0"', f'version = "{version()}"')
    assert tomllib.loads(filled)["platforms"] == [platform]
    return filled


def build(out_dir: Path, platform: str = "linux-x64") -> Path:
    """Write a platform's zip into a folder and return its path."""
    held = wheels(platform)
    text = manifest(held, platform)
    out_dir.mkdir(parents=True, exist_ok=True)
    target = out_dir / f"arming_cap-{tomllib.loads(text)['version']}-{platform.replace('-', '_')}.zip"
    sources = sorted(
        path
        for path in SOURCE.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.name != "blender_manifest.toml"
    )
    with tempfile.TemporaryDirectory(dir=out_dir) as folder:
        partial = Path(folder) / target.name
        with zipfile.ZipFile(partial, "w") as archive:
            _add(archive, "blender_manifest.toml", text.encode("utf-8"))
            _add(archive, "LICENSE", (ROOT / "LICENSE").read_bytes())
            for path in sources:
                _add(archive, path.relative_to(SOURCE).as_posix(), path.read_bytes())
            for path in held:
                _add(archive, f"wheels/{path.name}", path.read_bytes())
        shutil.move(partial, target)
    return target


def _add(archive: zipfile.ZipFile, name: str, content: bytes) -> None:
    entry = zipfile.ZipInfo(name, EPOCH)
    entry.external_attr = 0o644 << 16
    entry.compress_type = zipfile.ZIP_STORED if name.endswith(".whl") else zipfile.ZIP_DEFLATED
    archive.writestr(entry, content)


def main() -> None:
    """Build what is asked for."""
    parser = argparse.ArgumentParser(description="build the extension's zip")
    parser.add_argument("--platform", action="append", choices=tuple(PLATFORMS), help="repeatable (default: linux-x64)")
    parser.add_argument("--out", type=Path, default=ROOT / "dist", metavar="DIR")
    options = parser.parse_args()
    for platform in options.platform or ["linux-x64"]:
        print(build(options.out, platform))


if __name__ == "__main__":
    main()
