# SPDX-License-Identifier: GPL-3.0-or-later
"""What the command line draws: a table on stdout, a progress bar on stderr.

Every verdict stands there as a word; colour, where the terminal has it, only repeats the word.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

from .core.progress import Progress
from .core.report.model import CARE_LINE, FitReport, RunReport
from .core.report.sizes import foam, sentences
from .core.report.table import HEADS, cast_rows, counted, remarks, rows
from .core.report.words import figure, printable
from .core.verdict import Status

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

STYLES = {
    Status.PASS: "blue",
    Status.MARGINAL: "yellow",
    Status.FAIL: "bold red",
    Status.NOT_CHECKED: "bold magenta",
}
# Widest a column grows before its text wraps; the last one takes what is left of the line.
WIDEST = (16, 11, 18, 20)
# What to write where the terminal's encoding is not Unicode: a lost minus sign would turn a fail into a pass.
PLAIN = str.maketrans({"−": "-", "–": "-", "±": "+/-", "°": " deg", "×": "x"})


def print_table(run: RunReport, console: Console | TextIO | None = None) -> None:
    """Print a run: for each piece on each wearer a table of its verdicts, at the end the count of each verdict.

    Parameters
    ----------
    run
        What to print.
    console
        Where to: a console, or a text stream; standard output unless given.
    """
    from rich.console import Console
    from rich.padding import Padding

    if not isinstance(console, Console):
        console = Console(file=console, highlight=False)
    everything = [HEADS, *(row for fit in run.fits for row in rows(fit))]
    needed = [max(_text(console, row[i]).cell_len for row in everything) for i in range(len(WIDEST))]
    widths = [min(pair) for pair in zip(WIDEST, needed)]
    for fit in run.fits:
        heading = f"{fit.piece} on {fit.wearer}, at {figure(100 * fit.scale)} %: "
        console.print(_text(console, heading, "bold") + _text(console, fit.status.value, STYLES[fit.status]))
        if fit.advice is not None:
            console.print(_text(console, fit.advice.says, "bold"))
            console.print()
        console.print(_table(console, fit, widths))
        sized = sentences(fit.size) if fit.size is not None else []
        if fit.size is not None and (plan := foam(fit.size)):
            sized.append(
                f"padding at the smallest scale, where a gap takes it: {plan[-1][1]} in all; by region in the report"
            )
        for remark in [*remarks(fit), *sized]:
            console.print(Padding(_text(console, remark), (0, 0, 0, 2)))
        console.print()
    if cast := cast_rows(run.fits):
        console.print(_text(console, "Who can wear what, at which scale in %", "bold"))
        console.print(_grid(console, cast))
        console.print()
    for warning in [*run.warnings, *(f"{fit.piece} on {fit.wearer}: {w}" for fit in run.fits for w in fit.warnings)]:
        console.print(_text(console, f"Warning: {warning}"))
    total = _text(console, "")
    for status, count in counted(run.fits).items():
        total += _text(console, f"{count} {status.value}", STYLES[status] if count else "") + _text(console, ", ")
    console.print(total[:-2])
    console.print(_text(console, CARE_LINE))


def _text(console: Console, words: str, style: str = "") -> Text:
    """Return words as they may be printed: no markup, no control characters, nothing the encoding cannot hold."""
    from rich.text import Text

    shown = " ".join(printable(words).splitlines()).replace("\t", " ")
    if not console.encoding.lower().startswith("utf"):
        shown = shown.translate(PLAIN).encode(console.encoding, "replace").decode(console.encoding)
    return Text(shown, style)


def _table(console: Console, fit: FitReport, widths: list[int]) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="", padding=(0, 1, 0, 0))
    for name, width in zip(HEADS, [*widths, None]):
        table.add_column(name, width=width, overflow="fold")
    statuses = [v.status for v in fit.verdicts] or [fit.status]
    for row, status in zip(rows(fit), statuses):
        table.add_row(*(_text(console, cell, STYLES[status] if i == 1 else "") for i, cell in enumerate(row)))
    return table


def _grid(console: Console, cells: list[tuple[str, ...]]) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="", padding=(0, 1, 0, 0))
    for head in cells[0]:
        table.add_column(_text(console, head), overflow="fold")
    for row in cells[1:]:
        table.add_row(*(_text(console, cell) for cell in row))
    return table


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """Yield a progress callback that draws one bar on standard error, gone again when the block ends.

    Where standard error is no terminal nothing is drawn, so that a log holds only what was said on purpose.
    """
    from rich.console import Console
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar
    from rich.table import Column

    console = Console(stderr=True)
    bar = Bar(
        TextColumn("{task.description}", markup=False, table_column=Column(ratio=1, no_wrap=True, overflow="ellipsis")),
        BarColumn(bar_width=24),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        expand=True,
        disable=not console.is_terminal,
        redirect_stdout=False,
        redirect_stderr=False,
    )
    with bar:
        task = bar.add_task("", total=1.0)

        def draw(fraction: float, text: str) -> None:
            bar.update(task, completed=min(max(fraction, 0.0), 1.0), description=_text(console, text).plain)

        yield draw
