"""`waywright book`: where the book is, its jobs in and out, its copies, and whether it is sound.

Nothing heavy is imported before a command runs. Errors are the book's own, told in a sentence by whoever runs these.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from waywright.record import Book, Listed

Json = dict[str, Any]

_book = click.option("--book", help="The book: a file, or a PostgreSQL address; else the one in the data folder.")
_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


def _options(command: Callable[..., None]) -> Callable[..., None]:
    """--book and --json, before the name of the command or behind it."""
    return _book(_json(click.pass_context(command)))


def _given(context: click.Context, book: str | None, as_json: bool) -> tuple[str | None, bool]:
    above = context.obj or (None, False)
    return book or above[0], as_json or above[1]


@click.group("book", invoke_without_command=True)
@_options
def book_group(context: click.Context, book: str | None, as_json: bool) -> None:
    """The book that keeps every job and reading: where it is, its copies, jobs out of it and into it.

    Example: waywright book check
    """
    context.obj = (book, as_json)
    if context.invoked_subcommand is None:
        context.invoke(where, book=book, as_json=as_json)


@book_group.command()
@_options
def where(context: click.Context, book: str | None, as_json: bool) -> None:
    """Where the book is, and what is in it.

    Example: waywright book where
    """
    book, as_json = _given(context, book, as_json)
    from waywright.record import Missing, default_path

    found: Json = {"book": book or str(default_path()), "there": False, "jobs": 0, "acts": 0, "bytes": 0, "copies": 0}
    with contextlib.suppress(Missing), _opened(book) as opened:
        jobs = opened.jobs(hidden=True)
        found |= {"there": True, "jobs": sum(not job.hidden for job in jobs), "acts": sum(job.acts for job in jobs)}
        if opened.path is not None:
            found |= {"book": str(opened.path), "bytes": opened.path.stat().st_size, "copies": len(opened.copies())}
    lines = [f"{key:<8}{value}" for key, value in found.items() if key != "there"]
    if not found["there"]:
        lines = [f"{found['book']}", "It is not there yet; the first job makes it."]
    _say(found, lines, as_json)


@book_group.command()
@_options
@click.option("--deleted", is_flag=True, help="Deleted jobs too.")
def jobs(context: click.Context, book: str | None, as_json: bool, deleted: bool) -> None:
    """The jobs in the book, last changed first, by their numbers.

    Example: waywright book jobs
    """
    book, as_json = _given(context, book, as_json)
    with _opened(book) as opened:
        found = opened.jobs(hidden=deleted)
    lines = [f"{j.id:>4}  {j.problem or _line(j)}" for j in found]
    _say({"jobs": [vars(job) for job in found]}, lines or ["There is no job in the book yet."], as_json)


@book_group.command()
@_options
def copies(context: click.Context, book: str | None, as_json: bool) -> None:
    """The copies of the book, newest first.

    Example: waywright book copies
    """
    book, as_json = _given(context, book, as_json)
    from waywright.record import copies as record_copies

    found = record_copies.listed(_file(book))
    plain = [{"name": c.path.name, "at": c.at.isoformat(), "why": c.why, "bytes": c.size} for c in found]
    lines = [f"{c.path.name}  {c.size / 1e6:.1f} MB" for c in found]
    _say({"copies": plain}, lines or ["There is no copy yet; the first is made with the first save of a day."], as_json)


@book_group.command()
@_options
@click.argument("copy", required=False)
def restore(context: click.Context, book: str | None, as_json: bool, copy: str | None) -> None:
    """Put the book back to its newest copy, or to the COPY of that name. What is there now is copied first.

    Example: waywright book restore
    """
    book, as_json = _given(context, book, as_json)
    from waywright.record import copies as record_copies

    path = _file(book)
    found = record_copies.restore(path, copy)
    with _opened(str(path)) as opened:
        count = len(opened.jobs())
    told = f"The book is as it was on {found.at:%Y-%m-%d at %H:%M} UTC, with {count} job{'' if count == 1 else 's'}."
    _say({"restored": found.path.name, "at": found.at.isoformat(), "jobs": count}, [told], as_json)


@book_group.command()
@_options
def check(context: click.Context, book: str | None, as_json: bool) -> None:
    """Whether the book is sound: its file, and that no act of any job is missing or changed.

    Example: waywright book check
    """
    book, as_json = _given(context, book, as_json)
    from rich.console import Console

    with _opened(book) as opened, Console(stderr=True).status("Checking") as status:
        found = opened.problems(lambda done, of: status.update(f"Checking job {done + 1} of {of}"))
        name = opened.name
    _say({"sound": not found, "problems": found}, found or [f"{name} is sound."], as_json)
    if found:
        from waywright.record import NotABook

        things = "1 thing is" if len(found) == 1 else f"{len(found)} things are"
        raise NotABook(f"{things} wrong with {name}; `waywright book restore` goes back to a copy.")


@book_group.command("export")
@_options
@click.argument("job", type=int)
@click.argument("file", type=click.Path(path_type=Path))
def export(context: click.Context, book: str | None, as_json: bool, job: int, file: Path) -> None:
    """Write the JOB of that number into FILE: whole, with its past and attachments. Ending in .toml, as a job file;
    in .jsonl, what is stored of it, row by row, however damaged.

    Example: waywright book export 3 edges.zip
    """
    book, as_json = _given(context, book, as_json)
    with _opened(book) as opened, _new_file(file) as out:
        if file.suffix.lower() == ".toml":
            out.write(opened.export_toml(job).encode("utf-8"))
        elif file.suffix.lower() == ".jsonl":
            out.writelines(opened.export_raw(job))
        else:
            opened.export(job, out)
    _say({"job": job, "file": str(file), "bytes": file.stat().st_size}, [f"Written: {file}"], as_json)


@book_group.command("import")
@_options
@click.argument("file", type=click.Path(path_type=Path))
def import_(context: click.Context, book: str | None, as_json: bool, file: Path) -> None:
    """Bring the job in FILE into the book: one that was exported, or a job file. No job in the book is changed.

    Example: waywright book import edges.zip
    """
    book, as_json = _given(context, book, as_json)
    from waywright.jobfile.text import open_file
    from waywright.record import Book

    with open_file(file) as source, Book.open(book) as opened:
        found = opened.import_(source, str(file))
    told = {
        "new": f"It is job {found.job_id}.",
        "known": f"It is here already, whole, as job {found.job_id}.",
        "copied": f"It is job {found.job_id}, of its own: the same job is here with other acts, and stays as it is.",
    }
    _say({"job": found.job_id, "acts": found.acts, "how": found.how}, [told[found.how]], as_json)


def _line(job: Listed) -> str:
    return f"{job.changed[:10]}  {job.title or 'Untitled'}{'  (deleted)' if job.hidden else ''}"


def _opened(book: str | None) -> Book:
    """The book, which must be there."""
    from waywright.record import Book

    return Book.open(book, create=False)


def _file(book: str | None) -> Path:
    """The file of the book, which may be too damaged to be opened."""
    from waywright.record import Missing, default_path

    if book is not None and book.startswith("postgresql"):
        raise Missing("A book on PostgreSQL is copied with PostgreSQL's own tools, pg_dump and pg_restore.")
    return Path(book or default_path()).expanduser().absolute()


@contextlib.contextmanager
def _new_file(path: Path) -> Iterator[IO[bytes]]:
    """A file that was not there; gone again if it cannot be written whole."""
    from waywright.record import BookError

    try:
        file = open(path, "x+b")  # noqa: SIM115 (closed below; what was there stays)
    except FileExistsError:
        raise BookError(f"{path} is there already; name another file.") from None
    except (OSError, ValueError) as error:
        raise BookError(f"{path} cannot be written: {_reason(error)}.") from None
    try:
        with file:
            yield file
            file.flush()
            os.fsync(file.fileno())
    except BaseException as error:
        path.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise BookError(f"{path} cannot be written: {_reason(error)}.") from None
        raise


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or "its name or its disk does not allow it").lower()


def _say(data: Json, lines: list[str], as_json: bool) -> None:
    if as_json:
        from waywright.views.as_json import dump

        click.echo(dump(data))
    else:
        click.echo("\n".join(lines))
