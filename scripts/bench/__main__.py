# SPDX-License-Identifier: GPL-3.0-or-later
"""Run the bench: every topic, or those named."""

from __future__ import annotations

import importlib
import pkgutil
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
for place in (HERE.parent, HERE.parent.parent / "addon", HERE.parent.parent / "headless_tests"):
    sys.path.insert(0, str(place))


def main(topics: list[str]) -> int:
    """Print the rows of some topics, all where none is named."""
    known = [m.name for m in pkgutil.iter_modules([str(HERE)]) if m.name != "__main__"]
    if unknown := [t for t in topics if t not in known]:
        print(f"no topic '{unknown[0]}'; the topics are {', '.join(known)}", file=sys.stderr)
        return 2
    for topic in topics or known:
        print(f"\n{topic}")
        for row in importlib.import_module(f"bench.{topic}").rows():
            ours = f"{row.ours_s * 1e3:9.2f} ms"
            ratio = "" if row.rival_s is None else f"  {row.rival_s / row.ours_s:6.1f}x faster than {row.rival}"
            rival = "" if row.rival_s is None else f" ({row.rival_s * 1e3:.1f} ms)"
            print(f"  {row.what:<58} {ours}{ratio}{rival}")
            for label, text in (("wanted", row.wanted), ("note", row.note)):
                if text:
                    print(f"      {label}: {text}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
