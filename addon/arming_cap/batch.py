# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: ``arming-cap VERB ...``, in plain Python, with the bpy module and in background Blender.

Exit status: 0 every verdict is pass or marginal; 1 a verdict is fail, or a check that was asked for could not be made;
2 the input or the call is wrong, said in one line; 3 a fault of ours, with the traceback in a log file.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NoReturn

# Before numpy is imported: our systems of equations are so small that its threads cost more than they save.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from . import __version__
from .core.errors import Cancelled, InputError, OutOfTime
from .core.progress import Progress, within

PASSED, FAILED, WRONG_INPUT, OUR_FAULT, STOPPED = 0, 1, 2, 3, 130
SCALES = "scales that are looked through, such as 0.5,2"
LINE_EVERY_S = 5.0  # without a terminal, how often it is said how far the work is
# What is read by then is read: a wrong input is told in one line, on a busy machine too.
FIRST_LINE_S = 15.0
AXES = ("x", "-x", "y", "-y", "z", "-z")
SIGNED = re.compile(r"-(\.?\d|[xyz]$)")


class _Parser(argparse.ArgumentParser):
    """A parser that says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        raise InputError(message, remedy=f"see {self.prog} --help")


def parser() -> argparse.ArgumentParser:
    """Return the parser of every verb."""
    top = _Parser(prog="arming-cap", description="Will this printed piece fit this wearer?")
    top.add_argument("--version", action="version", version=f"arming-cap {__version__}")
    verbs = top.add_subparsers(dest="verb", metavar="VERB", required=True, parser_class=_Parser)

    everywhere = _Parser(add_help=False)
    everywhere.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
    units = ("mm", "cm", "m", "in")
    everywhere.add_argument("--units", choices=units, help="of meshes that say nothing (default mm)")
    everywhere.add_argument("--scale", type=_positive, default=1.0, metavar="S", help="uniform scale of the piece")
    everywhere.add_argument("--budget", type=_positive, metavar="SECONDS", help="time for each piece on each wearer")
    everywhere.add_argument("--seed", type=int, default=0, help="where anything is sampled: same seed, same bytes")

    def bare(name: str, about: str, within: Any = verbs) -> argparse.ArgumentParser:
        return within.add_parser(name, help=about, description=about, parents=[everywhere])  # type: ignore[no-any-return]

    def verb(name: str, about: str, within: Any = verbs) -> argparse.ArgumentParser:
        one = bare(name, about, within)
        one.add_argument("--out", type=Path, metavar="DIR", help="folder for what is written")
        return one

    def shaped(one: argparse.ArgumentParser) -> None:
        one.add_argument("--piece-units", choices=units, help="of the piece's files alone")
        one.add_argument("--wearer-units", choices=units, help="of the wearer's mesh alone")
        one.add_argument(
            "--known-length", type=_known_length, metavar="MODEL=MM", help="what measures MODEL in the files is MM long"
        )
        one.add_argument("--face", choices=AXES, default="-y", help="where the piece's face looks in its files (-y)")
        one.add_argument("--up", choices=AXES, default="z", help="which way is up in its files (z)")
        one.add_argument(
            "--assemble", action="store_true", help="put parts that lie as for printing together by their flat faces"
        )
        one.add_argument("--removable", action="append", default=[], metavar="NAME", help="a part that may come off")
        one.add_argument(
            "--hinge",
            action="append",
            default=[],
            metavar="NAME=X,Y,Z,AX,AY,AZ[,DEG]",
            help="a part that swings about an axis instead; without a sign of DEG, the way that frees the face",
        )

    def fitted(name: str, about: str) -> argparse.ArgumentParser:
        one = verb(name, about)
        one.add_argument("--wearer", required=True, metavar="FORM", help="a wearer card or any closed mesh")
        one.add_argument("--piece", required=True, nargs="+", metavar="MESH", help="one file for each part")
        shaped(one)
        return worn(one)

    def worn(one: argparse.ArgumentParser) -> argparse.ArgumentParser:
        one.add_argument("--seat", choices=("fixed", "best"), default="fixed", help="fixed: the files' own positions")
        one.add_argument(
            "--allowance",
            metavar="MM|NAME",
            help="standoff to keep everywhere (0), or what is worn: 'foam 6+glasses'",
        )
        one.add_argument(
            "--allow-padding",
            type=_number,
            default=25.0,
            metavar="MM",
            help="most padding that eye openings may ask for where the piece rests (25)",
        )
        return one

    one = verb("check", "every check of every job; writes report.json, report.html and junit.xml")
    one.add_argument("jobs", nargs="+", metavar="JOB.toml|SCENE.blend")
    one.add_argument(
        "--workers", type=_count, metavar="N", help="processes that share the fittings (default: all cores)"
    )
    one.add_argument("--scales", type=_span, metavar="LO,HI", help=SCALES)

    one = verb("section", "closed and open loops of planes n.x = d")
    shaped(one)
    one.add_argument("mesh", nargs="+", metavar="MESH")
    one.add_argument("--plane", action="append", default=[], type=_four, metavar="NX,NY,NZ,D")
    one.add_argument("--heights", type=_heights, metavar="A:B:STEP", help="horizontal planes from A to B")

    fitted("clearance", "standoff of the piece from the wearer, whole and by region")
    one = fitted("size", "smallest uniform scale about the files' origin that keeps a clearance")
    one.add_argument("--clearance", type=_number, required=True, metavar="MM")
    one.add_argument("--scales", type=_span, default=(0.5, 2.0), metavar="LO,HI", help=SCALES)
    one.add_argument(
        "--loosest", type=_number, metavar="MM", help="for the largest scale: most room over the allowance"
    )
    one.add_argument(
        "--distortion", type=_share, default=0.0, metavar="PERCENT", help="how far axes may differ (try 4)"
    )
    one.add_argument("--passage", action="store_true", help="also the smallest scale at which it goes on as a whole")
    one.add_argument(
        "--walls",
        type=_positive,
        nargs="?",
        const=0.8,
        metavar="MM",
        help="also the thinnest wall; warn under MM (0.8)",
    )
    one.add_argument(
        "--pin", action="append", default=[], metavar="FREEDOM", help="what seating leaves alone: pitch, ..."
    )
    one.add_argument("--foam", type=_foam, default=[3, 5, 10, 15, 20, 25], metavar="MM,MM,...", help="foam in stock")
    one = fitted("don", "whether the piece can be put on, and its tightest place")
    one.add_argument("--scales", type=_span, default=(0.5, 2.0), metavar="LO,HI", help=SCALES)
    one.add_argument("--no-scale", action="store_true", help="do not look for the smallest scale that passes")
    one.add_argument("--no-mends", action="store_true", help="do not try what would mend it")
    one.add_argument(
        "--neck-bend", type=_number, default=0.0, metavar="DEG", help="how far the head may bow (default 0)"
    )
    one.add_argument(
        "--springs",
        type=_number,
        default=0.0,
        metavar="MM",
        help="how far a slit is held open on the way",
    )

    one = worn(verb("sight", "field of view through the openings"))
    shaped(one)
    one.add_argument("--piece", required=True, nargs="+", metavar="MESH", help="one file for each part")
    eyes = one.add_mutually_exclusive_group(required=True)
    eyes.add_argument("--wearer", metavar="FORM", help="whose recognised eyes look out")
    eyes.add_argument("--eyes", type=_six, metavar="X,Y,Z,X,Y,Z", help="left eye, then right")

    one = worn(verb("ring", "try-on rings and paper templates"))
    shaped(one)
    one.add_argument("--piece", required=True, nargs="+", metavar="MESH", help="one file for each part")
    one.add_argument("--wearer", metavar="FORM", help="chooses the levels, and is drawn inside the templates")
    one.add_argument("--plane", action="append", default=[], type=_four, metavar="NX,NY,NZ,D")
    one.add_argument("--page", choices=("A4", "Letter"), default="A4", help="paper of the templates")
    one.add_argument("--rim", action="append", default=[], type=_number, metavar="Z", help="along the rim below z = Z")
    one.add_argument("--most", type=_count, default=4, metavar="N", help="rings where their levels are chosen (4)")
    one.add_argument(
        "--pinch",
        choices=("lift", "way", "none"),
        default="lift",
        help="its tightest place on the way on: drawn straight off (default), over all ways (a minute), or not sought",
    )
    one.add_argument("--keep-loose", action="store_true", help="keep what touches the ring nowhere")
    one.add_argument("--label", default="", metavar="TEXT", help="cut into the rings too: scale, date or code")
    one.add_argument("--volume", type=_volume, metavar="WxDxH", help="of the printer, in mm; larger rings are cut")

    one = fitted("relief", "room made inside where it is lacking; the outside and the scale stay")
    one.add_argument("--clearance", type=_number, default=0.0, metavar="MM", help="wanted over the allowances")
    one.add_argument("--wall", type=_positive, default=1.2, metavar="MM", help="left under the outside everywhere")

    one = verb("hollow", "a solid sculpt made a shell with a wall of your choice, open below")
    shaped(one)
    one.add_argument("mesh", nargs="+", metavar="MESH")
    one.add_argument("--wall", required=True, type=_positive, metavar="MM", help="left everywhere; 2 to 4 is common")

    one = verb("split", "parts that fit the printer, with joints, oriented and laid out")
    shaped(one)
    one.add_argument("mesh", nargs="+", metavar="MESH", help="one file for each part of the piece")
    one.add_argument("--volume", required=True, type=_volume, metavar="WxDxH", help="of the printer, in mm")
    one.add_argument("--margin", type=_not_negative, default=0.0, metavar="MM", help="kept free all round, for a brim")
    one.add_argument("--no-joints", action="store_true", help="plain cut faces, nothing cut into them")
    one.add_argument("--no-numbers", action="store_true", help="no part numbers and arrows cut in")
    one.add_argument("--plan-only", action="store_true", help="say what would be cut, and write nothing")
    one.add_argument("--lock", action="append", default=[], type=_four, metavar="NX,NY,NZ,D", help="a cut to make")
    one.add_argument(
        "--forbid", action="append", default=[], type=_four, metavar="NX,NY,NZ,D", help="a cut not to make"
    )
    one.add_argument("--whole", action="append", default=[], type=_ball, metavar="X,Y,Z,R", help="a place left whole")
    one.add_argument(
        "--near",
        action="append",
        default=[],
        type=_seven,
        metavar="NX,NY,NZ,D,X,Y,Z",
        help="a cut to make through the part nearest X,Y,Z alone",
    )
    one.add_argument(
        "--weight",
        action="append",
        default=[],
        type=_weight,
        metavar="NAME=W",
        help="what plans are judged by: front, shown, square, joints, sliver, symmetry, stand, even",
    )
    one.add_argument("--pin", type=_positive, default=1.75, metavar="MM", help="diameter of the pins (filament: 1.75)")
    one.add_argument("--play", type=_not_negative, default=0.2, metavar="MM", help="by how much holes are wider")
    one.add_argument("--depth", type=_positive, default=6.0, metavar="MM", help="of a hole on each side")
    one.add_argument(
        "--joint",
        choices=("pin", "dowel", "magnet", "tongue"),
        default="pin",
        help="pins or magnets of diameter --pin, dowels to print of that diameter, or tongues where walls are thick",
    )
    one.add_argument("--magnets", action="store_const", const="magnet", dest="joint", help="the same as --joint magnet")
    one.add_argument("--gap", type=_not_negative, default=0.0, metavar="MM", help="room for glue between two faces")
    one.add_argument("--shrinkage", type=_percent, default=(0.0, 0.0, 0.0), metavar="X,Y,Z", help="in per cent, or one")
    one.add_argument("--material", default="", help="a word for the build sheet")
    one.add_argument("--thin", action="store_true", help="split it though its wall is thinner than a line")
    one.add_argument("--smallest", type=_not_negative, default=15.0, metavar="MM", help="least thickness of a part")
    one.add_argument("--close", type=_not_negative, default=60.0, metavar="MM", help="longest rim of a hole to close")

    wearer = verbs.add_parser("wearer", help="the wearer's dimensions and form").add_subparsers(
        dest="action", metavar="estimate|form|record", required=True, parser_class=_Parser
    )
    one = verb("estimate", "the dimensions not measured, each with its spread", wearer)
    one.add_argument("--sex", default="any", metavar="f|m|any", help="or a word: female, male")
    one.add_argument("--known", nargs="+", action="extend", default=[], metavar="NAME=MM[±SD]")
    one = bare("record", "how a piece was when it was tried on, into the wearer's card", wearer)
    one.add_argument("card", metavar="CARD.toml")
    one.add_argument("--piece", required=True, nargs="+", metavar="MESH", help="what was tried on, at --scale")
    one.add_argument("--outcome", required=True, choices=("would-not-pass", "tight", "good", "loose"))
    one.add_argument("--region", metavar="NAME", help="where; left out: the piece as a whole")
    one.add_argument(
        "--level",
        type=_number,
        metavar="MM",
        help="height of a try-on ring in the file, as printed: only its band then counts",
    )
    one.add_argument("--gap", type=_number, metavar="MM", help="room that was felt there")
    one = bare("form", "the form of a card or a scan, with its landmarks and its dimensions", wearer)
    one.add_argument("wearer", metavar="CARD.toml|SCAN", help="a wearer card, or a scan of a head, a bust or a body")
    one.add_argument("--out", type=Path, required=True, metavar="FORM.ply", help="the mesh file to write")
    one.add_argument(
        "--landmark",
        action="append",
        default=[],
        metavar="NAME=X,Y,Z",
        help="tragion_left, tragion_right and sellion in the scan's own numbers, where it asks for them",
    )
    one.add_argument(
        "--offset", action="append", default=[], metavar="REGION=MM", help="thickness of cap or hair to take off"
    )
    one.add_argument(
        "--known", nargs="+", action="extend", default=[], metavar="NAME=MM", help="readings to check a scan's size by"
    )
    one.add_argument("--deviation", type=Path, metavar="MAP.ply", help="write how far the scan lies from the form")
    return top


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number") from None
    if not abs(value) < 1e9:  # refuses nan as well
        raise argparse.ArgumentTypeError(f"{text} is out of range")
    return value


def _known_length(text: str) -> tuple[float, float]:
    words = text.split("=")
    if len(words) != 2:
        raise argparse.ArgumentTypeError(f"'{text}' is not MODEL=MM: what it measures in the files, and what it is")
    return _positive(words[0]), _positive(words[1])


def _positive(text: str) -> float:
    value = _number(text)
    if not value > 0:
        raise argparse.ArgumentTypeError(f"{text} is not above 0")
    return value


def _count(text: str) -> int:
    value = _number(text)
    if value != int(value) or not 1 <= value <= 64:
        raise argparse.ArgumentTypeError(f"{text} is not a whole number from 1 to 64")
    return int(value)


def _span(text: str) -> tuple[float, float]:
    numbers = [_positive(word) for word in text.split(",")]
    if len(numbers) != 2 or not numbers[0] < numbers[1]:
        raise argparse.ArgumentTypeError(f"'{text}' is not LO,HI: a smaller and a larger scale with a comma between")
    return numbers[0], numbers[1]


def _share(text: str) -> float:
    value = _number(text)
    if not 0 <= value <= 25:
        raise argparse.ArgumentTypeError(f"{text} is not a number of per cent from 0 to 25")
    return value


def _foam(text: str) -> list[float]:
    return [_positive(word) for word in text.split(",")]


def _four(text: str) -> tuple[float, float, float, float]:
    words = text.split(",")
    if len(words) != 4:
        raise argparse.ArgumentTypeError(f"'{text}' is not NX,NY,NZ,D: four numbers with commas between them")
    a, b, c, d = map(_number, words)
    if not (a or b or c):
        raise argparse.ArgumentTypeError("the normal NX,NY,NZ has no length")
    return a, b, c, d


def _not_negative(text: str) -> float:
    value = _number(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"{text} is below 0")
    return value


def _volume(text: str) -> tuple[float, float, float]:
    words = re.split("[xX×]", text)
    if len(words) != 3:
        raise argparse.ArgumentTypeError(f"'{text}' is not WxDxH: width, depth and height with an x between them")
    width, depth, height = map(_positive, words)
    return width, depth, height


def _seven(text: str) -> list[float]:
    words = text.split(",")
    if len(words) != 7:
        raise argparse.ArgumentTypeError(f"'{text}' is not NX,NY,NZ,D,X,Y,Z: seven numbers with commas between them")
    numbers = [_number(word) for word in words]
    if not any(numbers[:3]):
        raise argparse.ArgumentTypeError("the normal NX,NY,NZ has no length")
    return numbers


def _weight(text: str) -> tuple[str, float]:
    name, sign, value = text.partition("=")
    known = ("front", "shown", "square", "joints", "sliver", "symmetry", "stand", "even")
    if not sign or name not in known:
        raise argparse.ArgumentTypeError(f"'{text}' is not NAME=W with NAME one of {', '.join(known)}")
    return name, _number(value)


def _percent(text: str) -> tuple[float, float, float]:
    numbers = [_number(word) for word in text.split(",")]
    if len(numbers) not in (1, 3):
        raise argparse.ArgumentTypeError(f"'{text}' is not X,Y,Z: one or three numbers with commas between them")
    x, y, z = numbers * 3 if len(numbers) == 1 else numbers
    return x, y, z


def _ball(text: str) -> tuple[float, float, float, float]:
    words = text.split(",")
    if len(words) != 4:
        raise argparse.ArgumentTypeError(f"'{text}' is not X,Y,Z,R: a point and a radius with commas between them")
    x, y, z = map(_number, words[:3])
    return x, y, z, _positive(words[3])


def _six(text: str) -> list[float]:
    words = text.split(",")
    if len(words) != 6:
        raise argparse.ArgumentTypeError(f"'{text}' is not X,Y,Z,X,Y,Z: six numbers with commas between them")
    return [_number(word) for word in words]


def _heights(text: str) -> list[float]:
    words = text.split(":")
    if len(words) != 3:
        raise argparse.ArgumentTypeError(f"'{text}' is not A:B:STEP: three numbers with colons between them")
    low, high, step = map(_number, words)
    if not step > 0 or high < low:
        raise argparse.ArgumentTypeError("A:B:STEP goes upwards with a STEP above 0")
    count = int((high - low) / step + 1e-9) + 1
    if count > 10_000:
        raise argparse.ArgumentTypeError(f"{count} planes are more than 10000")
    return [low + step * i for i in range(count)]


def _with_signs_attached(arguments: Sequence[str]) -> list[str]:
    """Join an option and a value that begins with a minus sign, which argparse would take for an option."""
    joined: list[str] = []
    for word in arguments:
        if joined and SIGNED.match(word) and re.fullmatch(r"--[a-z-]+", joined[-1]):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb and return the exit status."""
    given = _with_signs_attached(sys.argv[1:] if arguments is None else arguments)
    try:
        options = parser().parse_args(given)
        return _run(options)
    except InputError as error:
        print(f"arming-cap: {error}", file=sys.stderr)
        return WRONG_INPUT
    except OutOfTime:
        print("arming-cap: no answer within the time it was given; give it a larger --budget", file=sys.stderr)
        return FAILED
    except (KeyboardInterrupt, Cancelled):
        print("arming-cap: stopped; nothing was left half-written", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # whoever read our table has read enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return STOPPED
    except SystemExit as end:  # --help and --version
        return int(end.code or 0)
    except Exception:
        return _our_fault(traceback.format_exc())


def _our_fault(told: str) -> int:
    handle, path = tempfile.mkstemp(prefix="arming-cap-", suffix=".log")
    with os.fdopen(handle, "w", encoding="utf-8") as log:
        log.write(told)
    print(f"arming-cap: a fault of the program itself; the traceback is in {path}", file=sys.stderr)
    return OUR_FAULT


def _run(options: argparse.Namespace) -> int:
    from . import verbs
    from .core.report import as_json

    with _own_stdout() as stdout, shown_progress() as progress:
        verb = getattr(options, "action", options.verb)
        outcome = getattr(verbs, verb)(options, progress if verb == "check" else within(progress, options.budget))
    if options.json:
        name = options.verb if verb == options.verb else f"{options.verb} {verb}"
        document = as_json.document(name, outcome.inputs, outcome.warnings, outcome.document)
        stdout.write(as_json.dumps(document))
    else:
        for warning in outcome.warnings:
            print(f"note: {warning}", file=sys.stderr)
        outcome.show(stdout)
    stdout.flush()
    if outcome.faults:
        return _our_fault("\n".join(outcome.faults))
    if outcome.stopped:
        print("arming-cap: stopped; what was done by then is in the answer", file=sys.stderr)
        return STOPPED
    return FAILED if outcome.failed else PASSED


@contextlib.contextmanager
def _own_stdout() -> Iterator[Any]:
    """Yield the real standard output while everything that libraries or Blender print there goes to stderr."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # no such file: somebody replaced the streams altogether
        yield sys.stdout
        return
    stream = sys.stdout
    same = stream.isatty() or _is_descriptor(stream, 1)
    try:
        os.dup2(2, 1)
        yield stream
    finally:
        if same:
            # Text that others left in Python's buffer belongs to stderr too.
            stream.flush()
        os.dup2(kept, 1)
        os.close(kept)


def _is_descriptor(stream: Any, number: int) -> bool:
    try:
        return bool(stream.fileno() == number)
    except (OSError, ValueError, AttributeError):
        return False


@contextlib.contextmanager
def shown_progress() -> Iterator[Progress]:
    """Yield a progress callback that draws a bar on a terminal, and elsewhere writes a line every few seconds."""
    if not sys.stderr.isatty():
        yield progress_lines(sys.stderr)
        return
    from .terminal import progress_bar

    with progress_bar() as progress:
        yield progress


def progress_lines(stream: Any, every_s: float = LINE_EVERY_S, first_s: float = FIRST_LINE_S) -> Progress:
    """Return a progress callback that writes a line to a stream every few seconds; none for what is done sooner."""
    last = time.monotonic() + first_s - every_s

    def tell(fraction: float, text: str) -> None:
        nonlocal last
        if time.monotonic() - last >= every_s:
            last = time.monotonic()
            print(f"{100 * min(max(fraction, 0.0), 1.0):3.0f} % {' '.join(text.split())}", file=stream, flush=True)

    return tell


if __name__ == "__main__":
    sys.exit(main())
