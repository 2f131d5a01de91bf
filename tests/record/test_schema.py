"""The schema: its steps lead to the tables the code speaks of, and books of every released schema still open."""

from __future__ import annotations

import importlib.resources
import shutil
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from waywright import jobfile
from waywright.record import Book, Ref, schema
from waywright.record.tables import metadata

FROZEN = sorted((Path(__file__).parent / "frozen").glob("book-*.sqlite"))


def test_the_steps_lead_to_the_tables(book: Book) -> None:
    """A book made by the steps has exactly the tables, columns, keys and indexes that the code speaks of."""
    with book._store.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


def test_the_steps_end_where_the_code_says() -> None:
    """The last step is the schema the code reads and writes, and the steps are one line."""
    script = ScriptDirectory(str(schema.MIGRATIONS))
    assert script.get_heads() == [schema.HEAD]
    numbers = [step.revision for step in reversed(list(script.walk_revisions()))]
    assert numbers == [f"{n:04d}" for n in range(1, len(numbers) + 1)]


def test_the_steps_ship_with_the_package() -> None:
    """The steps are found where the package is installed, wherever that is."""
    folder = importlib.resources.files("waywright") / "record" / "migrations" / "versions"
    assert (folder / f"rev_{schema.HEAD}.py").is_file()


def test_every_schema_has_its_frozen_book() -> None:
    """Each schema up to this one has a book made when it was new, and the script that made it."""
    wanted = [f"{n:04d}" for n in range(1, int(schema.HEAD) + 1)]
    assert [path.stem.removeprefix("book-") for path in FROZEN] == wanted
    assert all(path.with_name(f"make_{path.stem.replace('-', '_')}.py").is_file() for path in FROZEN)


@pytest.mark.parametrize("frozen", FROZEN, ids=lambda path: path.stem)
def test_a_frozen_book_opens(frozen: Path, tmp_path: Path) -> None:
    """A book of an old schema is brought up, sound, and says what it said; it can be worked on."""
    path = tmp_path / "book.sqlite"
    shutil.copy(frozen, path)
    with Book.open(path, create=False) as book:
        assert book.problems() == []
        opened = book.snapshot(1)
        assert opened.job == jobfile.read(frozen.with_suffix(".toml"))
        told = frozen.with_suffix(".txt").read_text(encoding="utf-8").splitlines()
        assert [f"{act.number} {act.at} {act.kind} {act.who or '-'} {act.digest}" for act in opened.acts] == told
        for attachment in opened.attachments:
            assert len(book.attachment(attachment.digest)) == attachment.size
        for number in range(1, opened.newest + 1):
            assert book.job(1, at=number).title
        head = book.snapshot(1).versions[Ref("head")]
        book.delete(1, Ref("head"), head)
        book.undo(1)
        assert book.job(1) == opened.job
        assert book.problems() == []
