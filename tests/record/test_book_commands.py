"""`waywright book`, as a person and a script meet it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from waywright import jobfile
from waywright.book_commands import book_group
from waywright.cli import cli
from waywright.core.evidence.job import Job
from waywright.record import Book, copies


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["book", *(str(a) for a in arguments)])


def asked(*arguments: object) -> dict[str, Any]:
    """The JSON object a command prints, alone on stdout."""
    found = run(*arguments, "--json")
    assert found.exit_code == 0, found.stderr
    answer = json.loads(found.stdout)
    assert isinstance(answer, dict)
    return answer


def refused(found: Result, words: str) -> None:
    """One sentence on stderr, exit 2, nothing on stdout."""
    assert found.exit_code == 2
    assert found.stdout == ""
    assert found.stderr.count("\n") == 1
    assert "Traceback" not in found.stderr
    assert words in found.stderr


@pytest.fixture
def path(tmp_path: Path, three: Job) -> Path:
    """A book with one job."""
    with Book.open(tmp_path / "shop.sqlite") as book:
        book.begin(three)
    return tmp_path / "shop.sqlite"


@pytest.mark.parametrize("name", sorted(book_group.commands))
def test_every_command_has_help_with_an_example(name: str) -> None:
    """Each says what it does, with an example, and can print JSON."""
    text = run(name, "--help").stdout
    assert f"Example: waywright book {name}" in text
    assert "--json" in text
    assert "--book" in text


def test_where_the_book_is(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says where the book is and what is in it, and makes none by asking."""
    told = asked("where", "--book", path)
    assert (told["there"], told["jobs"], told["acts"]) == (True, 1, 1)
    assert told == asked("--book", path) == asked("--book", path, "where")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert "not there yet" in run().stdout
    assert asked()["there"] is False
    assert not (tmp_path / "data").exists()


def test_jobs_leave_and_enter(path: Path, tmp_path: Path, three: Job) -> None:
    """A job goes out whole or as a job file and comes into another book the same; what is there is not written over."""
    assert "Three straightedges" in run("jobs", "--book", path).stdout
    assert asked("jobs", "--book", path)["jobs"][0]["id"] == 1
    whole, plain, other = tmp_path / "edges.zip", tmp_path / "edges.toml", tmp_path / "other.sqlite"
    assert asked("export", 1, whole, "--book", path)["bytes"] == whole.stat().st_size
    run("export", 1, plain, "--book", path)
    assert jobfile.read(plain) == three
    assert asked("import", whole, "--book", other) == {"job": 1, "acts": 1, "how": "new"}
    assert "already" in run("import", whole, "--book", other).stdout
    assert asked("import", plain, "--book", other)["job"] == 2
    with Book.open(other) as book:
        assert book.job(1) == book.job(2) == three
    refused(run("export", 1, whole, "--book", path), "there already")
    refused(run("export", 9, tmp_path / "x.zip", "--book", path), "no job 9")
    assert not (tmp_path / "x.zip").exists()
    refused(run("export", 1, tmp_path / "none" / "x.zip", "--book", path), "cannot be written")
    refused(run("import", tmp_path / "none", "--book", path), "There is no file")
    refused(run("import", path, "--book", other), "neither an exported job nor text")
    refused(run("jobs", "--book", tmp_path / "none.sqlite"), "no book at")


def test_copies_and_the_way_back(path: Path) -> None:
    """Copies are listed, and one command goes back to the newest."""
    assert "no copy yet" in run("copies", "--book", path).stdout
    refused(run("restore", "--book", path), "no copy of")
    copies.make(path, "daily")
    with Book.open(path) as book:
        book.begin(Job(title="later"))
    (copy,) = asked("copies", "--book", path)["copies"]
    assert copy["why"] == "daily"
    assert copy["name"] in run("copies", "--book", path).stdout
    assert asked("restore", "--book", path)["jobs"] == 1
    assert len(asked("copies", "--book", path)["copies"]) == 2
    assert "with 1 job." in run("restore", copy["name"], "--book", path).stdout
    refused(run("restore", "nonesuch", "--book", path), "no copy 'nonesuch'")
    refused(run("copies", "--book", "postgresql://localhost/x"), "pg_dump")


def test_a_sound_book_and_a_changed_one(path: Path) -> None:
    """The check says that all is well; a reading changed behind its back is found, and the way out named."""
    assert "is sound" in run("check", "--book", path).stdout
    assert asked("check", "--book", path) == {"sound": True, "problems": []}
    with Book.open(path) as book, book._store.engine.begin() as raw:
        raw.exec_driver_sql("DROP TRIGGER versions_no_update")
        raw.exec_driver_sql("UPDATE versions SET body = replace(body, '20.0', '20.1') WHERE thing = 12")
    found = run("check", "--book", path)
    assert found.exit_code == 2
    assert found.stdout == "Job 1: act 1 is not as it was written.\n"
    assert "`waywright book restore`" in found.stderr
