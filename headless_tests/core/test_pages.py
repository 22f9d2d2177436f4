# SPDX-License-Identifier: GPL-3.0-or-later
"""Every link of README, DEVELOPERS and the guide leads somewhere, and every picture there opens to its end."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
PAGES = sorted(
    [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "demo_scenes" / "README.md"]
    + list((ROOT / "addon" / "arming_cap" / "guide").rglob("*.md"))
)
LINK = re.compile(r"\]\(([^)\s]+)\)")


def targets(page: Path) -> list[str]:
    return [t for t in LINK.findall(page.read_text(encoding="utf-8")) if not re.match(r"[a-z]+:", t)]


def headings(page: Path) -> set[str]:
    """The anchors that a page's headings make, as code hosts write them."""
    lines = [line.lstrip("#").strip() for line in page.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    return {re.sub(r"[^\w\- ]", "", line.lower()).replace(" ", "-") for line in lines}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_every_link_leads_somewhere(page):
    assert targets(page) or page.name != "README.md"
    for target in targets(page):
        name, _, anchor = target.partition("#")
        place = (page.parent / name).resolve() if name else page
        assert place.exists(), f"{page.name} links to {target}"
        assert place == ROOT or ROOT in place.parents
        if anchor and place.suffix == ".md":
            assert anchor in headings(place), f"{page.name} links to {target}"


PICTURES = sorted(
    {
        (page.parent / target).resolve()
        for page in PAGES
        for target in targets(page)
        if target.lower().endswith((".png", ".svg"))
    }
    | set((ROOT / "demo_scenes" / "pictures").iterdir())
)


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
def test_every_picture_opens_to_its_end(picture):
    if picture.suffix == ".svg":
        assert ET.parse(picture).getroot().tag.endswith("svg")
        return
    with Image.open(picture) as image:
        image.load()  # raises where the file is cut off
        width, height = image.size
        low, high = image.convert("L").getextrema()
    assert min(width, height) >= 100 and high - low > 50  # something is drawn
