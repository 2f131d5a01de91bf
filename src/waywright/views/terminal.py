"""The views as text: tables that read well on a screen and in a plain pipe of 80 columns."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click
from rich import box
from rich.console import Console
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from waywright.core.evidence.findings import Move, Report
from waywright.core.evidence.job import Job
from waywright.views.cautions import cautions
from waywright.views.findings import needs_words
from waywright.views.judged import Judged
from waywright.views.moves import moves_view, next_words
from waywright.views.numbers import NONE, shown_in
from waywright.views.result import Result, result
from waywright.views.slips import ONE_OF
from waywright.views.tables import ShapeTable
from waywright.views.verdict_lines import VerdictLine

MOST_MOVES = 9  # that a person still reads
LINES_A_TABLE = 5  # so many lines across are read beside each other, where they fit
LEAST = "Under each stands the least that shows it by itself; what settles the verdicts with the least work is next."
INDENT = 2
BETWEEN = 2  # columns
WIDEST = 10_000  # of a table as it would like to be


def show_report(report: Report, units: str) -> None:
    """Print a report: what to do next, then verdicts, blind spots, suspects, shapes and what was assumed."""
    shown = shown_in(units)
    view, first = result(report, shown), next_words(report.moves, shown)
    with _printed() as console:
        _report(console, view, first)


def _report(console: Console, view: Result, first: str) -> None:
    console.print(Text(view.title, style="bold"))
    _paragraph(console, "Next", first)
    slips = tuple(slip.words for slip in view.slips)
    _list(console, "Typed wrong as a whole?", (ONE_OF, *slips) if len(slips) > 1 else slips)
    _list(console, "No verdict stands", view.misfits)
    _verdicts(console, view.verdicts)
    _unseen(console, view)
    _retakes(console, view)
    for shape in view.shapes:
        _shape(console, shape, view)
    _list(console, "How faces of a piece lie to each other", view.parallels)
    _list(console, "Who agrees with whom", (*view.rounds, *filter(None, [view.hand])))
    _list(console, "How the readings agree", (*view.agreement, *([view.unchecked] if view.unchecked else [])))
    _list(console, "Where the uncertainty comes from", tuple(share.words for share in view.shares))
    _list(console, "Assumed", view.notes)


def show_moves(moves: tuple[Move, ...], job: Job, units: str) -> None:
    """Print what to do next, best first; before it, what the part asks where one is the goal."""
    shown = shown_in(units)
    with _printed() as console:
        console.print(Text(job.title or "Untitled job", style="bold"))
        if job.goal.part is not None:
            console.print(Padding(Text(needs_words(job.goal.part, shown)), (0, 0, 0, 2)))
        for number, move in enumerate(moves_view(moves[:MOST_MOVES], shown), 1):
            console.print()
            time = f" ({move.time})" if move.time else ""
            console.print(Padding(Text(f"{number}. {move.how}{time}", style="bold"), (0, 0, 0, 2)))
            for words in filter(None, (move.reason, move.gain)):
                console.print(Padding(Text(words), (0, 0, 0, 5)))
        if len(moves) > MOST_MOVES:
            words = f"{len(moves) - MOST_MOVES} more come after these; --json has all."
            console.print(Padding(Text(words), (1, 0, 0, 2)))
        for words in cautions(moves):
            console.print(Padding(Text(words, style="dim"), (1, 0, 0, 2)))
        if not moves:
            console.print(Padding(Text(next_words(moves, shown)), (0, 0, 0, 2)))


def show_judged(found: Judged, units: str, name: str) -> None:
    """Print what `judge` found."""
    table = _table("", "", "")
    table.columns[1].justify = "right"
    table.show_header = False
    for row in found.rows(shown_in(units)):
        table.add_row(*row)
    with _printed() as console:
        console.print(Text(f"{found.title()} ({name})", style="bold"))
        console.print(table)


@contextmanager
def _printed() -> Iterator[Console]:
    """A console whose text goes to standard output; 80 columns, no colours and no blanks at line ends in a pipe."""
    wide = None if sys.stdout.isatty() else 80
    console = Console(file=sys.stdout, width=wide, highlight=False, markup=False, emoji=False)
    with console.capture() as capture:
        yield console
    for line in capture.get().splitlines():
        click.echo(line.rstrip())


def _table(*headers: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for header in headers:
        table.add_column(header, overflow="fold", no_wrap=header not in ("face", "measure"))
    return table


def _heading(console: Console, text: str) -> None:
    console.print()
    console.print(Text(text, style="bold"))


def _paragraph(console: Console, heading: str, text: str) -> None:
    _heading(console, heading)
    console.print(Padding(Text(text), (0, 0, 0, 2)))


def _list(console: Console, heading: str, items: tuple[str, ...]) -> None:
    if items:
        _heading(console, heading)
        for item in items:
            console.print(Padding(Text(item), (0, 0, 0, 2)))


def _verdicts(console: Console, verdicts: tuple[VerdictLine, ...]) -> None:
    if not verdicts:
        return
    _heading(console, "Verdicts")
    table = _table("face", "measure", "value", "95 %", "limit", "", "chance", "decision")
    for v in verdicts:
        table.add_row(v.face, v.measure, v.value, v.interval, v.limit, v.unit, v.chance, Text(v.decision, style="bold"))
    if _fits(console, table):
        console.print(Padding(table, (0, 0, 0, 2)))
    else:
        for v in verdicts:
            console.print(Padding(Text(_in_words(v)), (0, 0, 0, 2)))
    reasons = [
        f"{v.face}: {v.why}" for v in verdicts if v.why and (v.partly or v.decision not in ("inside", "outside"))
    ]
    reasons += [f"{v.face}: {v.seen}" for v in verdicts if v.seen]
    for reason in dict.fromkeys(reasons):
        console.print(Padding(Text(reason), (0, 0, 0, 2)))


def _fits(console: Console, table: Table) -> bool:
    """Whether nothing of it would be cut off: names may go on below, word by word, numbers not."""
    needed = 0
    for column in table.columns:
        cells = [console.render_str(str(column.header)), *column.cells]
        wide = [Measurement.get(console, console.options.update(max_width=WIDEST), cell) for cell in cells]
        needed += BETWEEN + max(each.maximum if column.no_wrap else each.minimum for each in wide)
    return needed - BETWEEN <= console.width - INDENT


def _in_words(v: VerdictLine) -> str:
    """A verdict whose numbers are too long for columns."""
    told = [f"{v.value} {v.unit}" if v.value != NONE else "", f"95 %: {v.interval}" if v.interval != NONE else ""]
    told += [f"limit {v.limit}" if v.limit != NONE else "", f"chance {v.chance}" if v.chance != NONE else ""]
    return f"{v.face}, {v.measure}: {'; '.join([*filter(None, told), v.decision])}"


def _unseen(console: Console, view: Result) -> None:
    for heading, weak in (("Not seen by any reading so far", False), ("Seen only weakly", True)):
        spots = [spot for spot in view.unseen if spot.weak == weak]
        if not spots:
            continue
        _heading(console, heading)
        for cure in dict.fromkeys(spot.cure for spot in spots):  # what one act shows stands together
            for spot in spots:
                if spot.cure == cure:
                    console.print(Padding(Text(spot.words), (0, 0, 0, 2)))
            if cure:
                console.print(Padding(Text(cure), (0, 0, 0, 4)))
        if any(spot.cure for spot in spots) and not weak:
            console.print(Padding(Text(LEAST, style="dim"), (0, 0, 0, 2)))


def _retakes(console: Console, view: Result) -> None:
    if not view.retakes:
        return
    _heading(console, "Suspects, left out of the result")
    for one in view.retakes:
        console.print(Padding(Text(f"{one.where}: {one.told}"), (0, 0, 0, 2)))


def _shape(console: Console, shape: ShapeTable, view: Result) -> None:
    _heading(console, f"{shape.face}: {shape.caption}" if shape.caption else shape.face)
    if not shape.rows:
        return
    start = 0
    while start < len(shape.lines):
        for end in range(min(start + LINES_A_TABLE, len(shape.lines)), start, -1):
            table = _heights(shape, range(start, end), view)
            if _fits(console, table):
                break
        console.print(Padding(table, (0, 0, 0, INDENT)))
        start = end
    if shape.left_out:
        words = f"{shape.left_out} stations between these are left out; --json has all."
        console.print(Padding(Text(words), (0, 0, 0, 2)))
    words = f"Heights in {view.height_unit}, + proud, about the face's own plane; ± is a 95 % band."
    unseen = "What no reading sees of the shape is left out of the heights and of the band." if shape.partly else ""
    for said in filter(None, (words, unseen, shape.zones)):
        console.print(Padding(Text(said, style="dim"), (0, 0, 0, 2)))


def _heights(shape: ShapeTable, columns: range, view: Result) -> Table:
    """Some of the lines of a face beside each other."""
    table = _table(f"x {view.length_unit}", *(shape.lines[i] for i in columns))
    for column in table.columns:
        column.justify = "right"
    for row in shape.rows:
        cells = [row.cells[i] for i in columns]
        table.add_row(row.x, *(h if h == NONE else f"{h} ± {band}" for h, band in cells))
    return table
