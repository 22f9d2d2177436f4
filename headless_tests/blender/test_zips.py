# SPDX-License-Identifier: GPL-3.0-or-later
"""Each platform's zip as it would be given away, where it has been built: wheels, size, manifest."""

from __future__ import annotations

import re
import tomllib
import zipfile
from pathlib import Path

import pytest

import build_extension

DIST = Path(__file__).resolve().parents[2] / "dist"
MEGABYTE = 1_000_000


@pytest.mark.parametrize("platform", list(build_extension.PLATFORMS))
def test_a_zip_holds_what_its_manifest_claims(platform):
    path = DIST / f"arming_cap-{build_extension.version()}-{platform.replace('-', '_')}.zip"
    if not path.exists():
        pytest.skip(f"not built: python3 scripts/dev.py build --platform {platform}")
    assert path.stat().st_size < 60 * MEGABYTE
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        manifest = tomllib.loads(archive.read("blender_manifest.toml").decode())
    assert manifest["platforms"] == [platform] and manifest["version"] == build_extension.version()
    assert all(0 < len(reason) <= 64 for reason in manifest["permissions"].values())
    assert [f"./{name}" for name in names if name.endswith(".whl")] == manifest["wheels"]
    assert {"__init__.py", "worker.py", "errands.py", "LICENSE"} <= set(names)
    held = [Path(name).name for name in names if name.endswith(".whl")]
    for package, version in build_extension.pinned().items():
        mine = [n for n in held if n.lower().startswith(f"{package.replace('-', '_')}-{version}-")]
        for python in build_extension.PYTHONS_OF[platform]:
            assert any(_serves(name, python) for name in mine), (package, python, mine)
    assert not any(re.match(r"(numpy|scipy)-", name) for name in held)


def _serves(wheel: str, python: str) -> bool:
    tag, abi = wheel.removesuffix(".whl").split("-")[2:4]
    minor = int(python.split(".")[1])
    return tag == f"cp3{minor}" or tag.endswith("py3") or (abi == "abi3" and int(tag[3:]) <= minor)
