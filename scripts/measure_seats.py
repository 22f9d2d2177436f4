# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure whether a helmet sits the same however its file holds it.

Helmets are generated (`headless_tests/armoury.py`): open, brimmed, closed, with a nose guard, with cheeks, flat-topped
and tall; half of them the same before and behind, half with a top that lies back and an edge that rises. Each is seated
on each wearer as it was drawn, and again from a file that lies in one of six attitudes, turned by up to 30 degrees
about each axis and moved by up to 40 mm. An answer counts as *same* within 0.5 mm and 0.5 degrees (of the inside's
middle), turned about by its own symmetry where it has one; as *asked* where the tool cannot tell how it is worn and
says so; as *different* else.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "addon"), str(ROOT / "headless_tests")]

LYING = ((0, 0, 0), (90, 0, 0), (180, 0, 0), (270, 0, 0), (0, 90, 0), (0, 270, 0))
TURN_DEG, MOVE_MM = 30.0, 40.0
SAME_MM, SAME_DEG = 0.5, 0.5
HAIR = {"default": 6.0, "ear_left": -3.0, "ear_right": -3.0, "nose": 0.0, "chin": 0.0, "throat": 0.0, "nape": 2.0} | {
    f"{name}_{side}": 0.0 for side in ("left", "right") for name in ("shoulder", "face", "jaw", "neck")
}


def helmet_of(number: int):
    """Return the family and the helmet of a number: the seven families in turn, even rounds symmetrical."""
    import armoury

    family = list(armoury.FAMILIES)[number % len(armoury.FAMILIES)]
    seed = number // len(armoury.FAMILIES)
    return family, (armoury.uneven if seed % 2 else armoury.drawn)(seed, family)


def wearer_of(number: int):
    """Return a wearer whose head's girth, length and breadth were drawn at random."""
    from arming_cap.core.wearer.form import Wearer
    from arming_cap.core.wearer.headform import form_from_dimensions

    rng = np.random.default_rng([number, 7])
    girth = rng.uniform(530, 600)
    known = {"head_circumference": girth, "head_length": girth * rng.uniform(0.335, 0.355)}
    name = f"{girth:.0f}"
    return Wearer(name, form_from_dimensions({key: (mean, 2.0) for key, mean in known.items()}), HAIR)


def differs(drawn, turned, turn, centre, alike: bool) -> tuple[float, float]:
    """Return by how many mm (of the inside's middle) and degrees a turned file's seat is off the drawn one's."""
    back = drawn.inverse()
    both = turn.then(turned).then(back)
    flips = (np.eye(3), np.diag([-1.0, -1.0, 1.0])) if alike else (np.eye(3),)
    found = []
    for flip in flips:
        cosine = 0.5 * (np.trace(both.rotation @ flip) - 1)
        moved = float(np.linalg.norm(both.apply(centre[None])[0] - flip @ centre))
        found.append((moved, float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))))
    return min(found, key=sum)


def main() -> int:
    """Print a line for each helmet on each wearer, and the shares; return 1 where a seat differs."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--helmets", type=int, default=42)
    asked.add_argument("--wearers", type=int, default=10)
    asked.add_argument("--attitudes", type=int, default=6)
    asked.add_argument("--every", type=int, default=1, help="each wearer meets one helmet in so many, each another one")
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--turn", type=float, default=TURN_DEG, help="degrees about each axis; 0: lying alone")
    asked.add_argument("--only", default="", help="families, comma between")
    asked.add_argument("--quiet", action="store_true", help="print the shares, and what differs, alone")
    args = asked.parse_args()
    import armoury

    from arming_cap.core.errors import InputError
    from arming_cap.core.fit.seat.seating import Seater
    from arming_cap.core.piece import Part, Piece
    from arming_cap.core.pose import Pose

    tally: Counter[tuple[str, str]] = Counter()
    worst: dict[str, tuple[float, float]] = {}
    start = time.process_time()
    for who in range(args.wearers):
        wearer = wearer_of(who)
        for number in range(args.helmets):
            family, helmet = helmet_of(number)
            if (who + number) % args.every:
                continue
            if args.only and family not in args.only.split(","):
                continue
            kind = family if helmet.alike or not helmet.slant else f"{family}, uneven"
            mesh = armoury.mesh_of(helmet, 96, 48)
            drawn = Seater(Piece("helmet", (Part("helmet", mesh),)), wearer)
            rest = drawn.seat()
            rng = np.random.default_rng([args.seed, who, number])
            said = []
            for lying in LYING[: args.attitudes]:
                turn = Pose.of((0, 0, 0), lying).then(
                    Pose.of(rng.uniform(-MOVE_MM, MOVE_MM, 3), rng.uniform(-1, 1, 3) * args.turn)
                )
                try:
                    turned = Seater(Piece("helmet", (Part("helmet", mesh.moved(turn)),)), wearer).seat()
                except InputError:
                    tally[kind, "asked"] += 1
                    said.append("asked")
                    continue
                off = differs(rest.pose, turned.pose, turn, drawn.attitude.middle, helmet.alike)
                same = off[0] <= SAME_MM and off[1] <= SAME_DEG and rest.kind == turned.kind
                tally[kind, "same" if same else "different"] += 1
                worst[kind] = max(worst.get(kind, (0.0, 0.0)), off)
                said.append(f"{off[0]:.2f}/{off[1]:.2f}" + ("" if same else "!"))
            if not args.quiet or any("!" in one for one in said):
                print(
                    f"{wearer.name} {number:2d} {kind:18} {rest.kind:6} free {rest.free_mm:6.2f} pad "
                    f"{rest.padding_mm:4.1f} pitch {rest.off_level_deg:5.1f} | {' '.join(said)}",
                    flush=True,
                )
    total = Counter()
    print(f"\n{'family':20} same  asked  different   farthest")
    for kind in sorted({k for k, _ in tally}):
        row = [tally[kind, what] for what in ("same", "asked", "different")]
        for what, count in zip(("same", "asked", "different"), row):
            total[what] += count
        far = worst.get(kind, (0.0, 0.0))
        print(f"{kind:20} {row[0]:4d} {row[1]:6d} {row[2]:10d}   {far[0]:.2f} mm, {far[1]:.2f} deg")
    every = max(sum(total.values()), 1)
    print(
        ", ".join(f"{what} {100 * total[what] / every:.1f} %" for what in ("same", "asked", "different")), f"of {every}"
    )
    print(f"{time.process_time() - start:.0f} s of processor time")
    return 1 if total["different"] else 0


if __name__ == "__main__":
    sys.exit(main())
