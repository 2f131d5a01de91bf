"""Carrying jobs: out as one file, in from one; a pencil sheet."""

from __future__ import annotations

import io
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from waywright.core.evidence.job import JobError
from waywright.jobfile import JobFileError
from waywright.record import BadBundle, Refused, Snapshot, TooLarge
from waywright.views.cautions import LIFTING
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for
from waywright.web.contexts import Page, head_of
from waywright.web.drawing import Drawing, reach_um
from waywright.web.entry import Grid, grids_of
from waywright.web.facing import facing
from waywright.web.page_parts import shapes_of
from waywright.web.pages.job import number_of
from waywright.web.pages.setting import found
from waywright.web.pages.shop import shop_page

SPOOLED, CHUNK = 1 << 20, 1 << 16  # bytes of an export kept in memory, and sent at once
BROUGHT = {
    "known": "Every act in the file is in the book. Nothing was changed.",
    "copied": "The same job is here with other acts. It stays as it is; what was in the file stands beside it, whole.",
}


@dataclass(frozen=True)
class BroughtPage(Page):
    """What came of bringing in a job that was here already."""

    words: str = ""
    url: str = ""


@dataclass(frozen=True)
class SheetPage(Page):
    """A pencil sheet for one setting."""

    words: str = ""
    instrument: str = ""
    facing: Drawing | None = None
    grids: tuple[Grid, ...] = ()
    cautions: tuple[str, ...] = ()


def carry(bench: Bench, request: Request) -> Response:
    """How a job leaves the book."""
    opened = bench.book.snapshot(number_of(request))
    return bench.show(request, "carry.html", Page(title="Export", job=head_of(opened)))


def whole(bench: Bench, request: Request) -> Response:
    """The whole job with its past and attachments."""
    number = number_of(request)
    name = _name(bench.book.snapshot(number), "waywright.zip")
    file: IO[bytes] = tempfile.SpooledTemporaryFile(SPOOLED)  # noqa: SIM115 (closed when it was sent)
    try:
        bench.book.export(number, file)
    except BaseException:
        file.close()
        raise
    size = file.seek(0, io.SEEK_END)
    return StreamingResponse(_sent(file), headers=_headers("application/zip", name) | {"Content-Length": str(size)})


def _sent(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        file.seek(0)
        while part := file.read(CHUNK):
            yield part


def raw(bench: Bench, request: Request) -> Response:
    """What is stored of a job, row by row, however damaged."""
    number = number_of(request)
    lines = bench.book.export_raw(number)
    return StreamingResponse(lines, headers=_headers("application/jsonl", f"job-{number}-as-stored.jsonl"))


def toml(bench: Bench, request: Request) -> Response:
    """The job file."""
    number = number_of(request)
    text = bench.book.export_toml(number)
    return Response(text.encode(), headers=_headers("application/toml", _name(bench.book.snapshot(number), "toml")))


def _headers(kind: str, name: str) -> dict[str, str]:
    """Of a file to keep."""
    return {"Content-Type": kind, "Content-Disposition": f'attachment; filename="{name}"'}


def _name(opened: Snapshot, ending: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", opened.job.title.lower()).strip("-")[:60]
    return f"{plain or 'job'}.{ending}"


def bring_in(bench: Bench, request: Request, given: Given) -> Response:
    """A job from a file."""
    file = given.files.get("file")
    if file is None or not file.filename:
        return shop_page(bench, request, "Choose a file first.")
    name = "".join(c for c in file.filename.replace("\\", "/").rsplit("/", 1)[-1] if c.isprintable())[:100]
    try:
        found = bench.book.import_(file.file, name or "the file", by_of(request))
    except (BadBundle, TooLarge, Refused, JobError, JobFileError) as error:
        return shop_page(bench, request, str(error))
    if found.how == "new":
        return goes_to(f"/jobs/{found.job_id}")
    title = "It is here already" if found.how == "known" else "Brought in as a job of its own"
    page = BroughtPage(title=title, words=BROUGHT[found.how], url=f"/jobs/{found.job_id}")
    return bench.show(request, "brought.html", page)


def sheet(bench: Bench, request: Request) -> Response:
    """A page to print and fill in with a pencil."""
    opened, shown = bench.book.snapshot(number_of(request)), shown_for(request)
    one = found(opened, request)
    shapes = shapes_of(bench.solver.solved(opened).report)
    instrument = opened.job.instrument(one)
    page = SheetPage(
        title=one.geometry.words(shown),
        job=head_of(opened),
        words=one.geometry.words(shown),
        instrument=f"{instrument.name} ({instrument.kind})" if instrument is not None else "",
        facing=facing(opened.job, one, shapes, reach_um(shapes.values()), shown),
        grids=grids_of(opened, one, shown, {}),
        cautions=(LIFTING,),
    )
    return bench.show(request, "sheet.html", page)


FORMS = (
    Form("/import", bring_in, ("file",), files=True),
)
