"""docs/book.md says what is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from waywright import record
from waywright.book_commands import book_group
from waywright.record.tables import metadata

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "book.md").read_text(encoding="utf-8")


def test_every_command_is_told() -> None:
    """The table names every command of `waywright book`, and no other."""
    assert set(re.findall(r"`waywright book (\w+)", TEXT)) == set(book_group.commands)


def test_the_example_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page's program does what its comments say."""
    (code,) = re.findall(r"```python\n(.+?)```", TEXT, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    exec(compile(code, "book.md", "exec"), {})
    with record.Book.open("shop.sqlite") as book:
        assert book.problems() == []
        assert [act.kind for act in book.snapshot(1).acts] == ["begin", "add", "append", "correct", "undo"]


def test_every_error_and_edit_is_told() -> None:
    """What the room offers to programmers is named on its page."""
    errors = {
        name
        for name in record.__all__
        if isinstance(found := getattr(record, name), type) and issubclass(found, record.BookError)
    }
    edits = {"Add", "Put", "Append", "Correct", "Delete", "Move", "Rename"}
    assert {name for name in errors | edits if f"`{name}`" not in TEXT} == set()


def test_the_tables_are_told() -> None:
    """Every table with every column, in order."""
    for table in metadata.sorted_tables:
        columns = ", ".join(column.name for column in table.columns)
        assert re.search(rf"^{table.name} +{columns}$", TEXT, re.MULTILINE), table.name
