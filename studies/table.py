"""What every study shares: its progress on the screen and its table under docs/tables."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TypeVar

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

TABLES = Path(__file__).resolve().parent.parent / "docs" / "tables"

T = TypeVar("T")


def track(items: Iterable[T], what: str, count: int | None = None) -> Iterator[T]:
    """Go through `items`, `count` where they have no length, with a bar on stderr; `what` says what is being done."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as progress:
        yield from progress.track(items, total=count, description=what)


def write_table(
    name: str, title: str, *, seed: int, header: Sequence[str], rows: Sequence[Sequence[str]], notes: str = ""
) -> Path:
    """Write docs/tables/NAME.md and return its path.

    `header`, each of `rows`: cells as they are to be read, numbers already rounded to the digits that matter.
    `notes`: how the jobs were drawn and what was counted; stands above the table.
    The seed, the date and the versions stand under the title, so that anyone can run it again.
    Raises ValueError where a row has not as many cells as the header.
    """
    body = [f"# {title}", f"{_origin(seed)}\n", *([f"{notes.strip()}\n"] if notes else []), markdown(header, rows)]
    TABLES.mkdir(parents=True, exist_ok=True)
    path = TABLES / f"{name}.md"
    path.write_text("\n".join(body) + "\n", encoding="utf-8")
    return path


def markdown(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table, its columns padded so that it reads as well in a terminal.

    Raises ValueError where a row has not as many cells as the header.
    """
    for row in rows:
        if len(row) != len(header):
            raise ValueError(f"a row has {len(row)} cells, the header {len(header)}: {list(row)}")
    cells = [header, *rows]
    widths = [max(len(line[column]) for line in cells) for column in range(len(header))]
    padded = [[text.ljust(width) for text, width in zip(line, widths, strict=True)] for line in cells]
    lines = [f"| {' | '.join(line)} |" for line in padded]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    return "\n".join(lines)


def _origin(seed: int) -> str:
    """Where the figures come from."""
    told = [f"Python {platform.python_version()}"]
    told += [f"{package} {importlib.metadata.version(package)}" for package in ("waywright", "numpy", "scipy")]
    return f"Written by `make proof`: seed {seed}, {date.today().isoformat()}, {', '.join(told)}."
