"""Photographs and papers kept with a job, a lay-up or a piece: added, looked at, hidden.

What a file is, its first bytes say; its name and what the browser claims are not believed. It is given back as a file
to keep, never as a page: nothing in it can run here.
"""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.job import Job, JobError
from waywright.record import Attachment, Missing, PlaceStays, Ref, Refused, Snapshot, TooLarge
from waywright.record.integrity import LARGEST_ATTACHMENT
from waywright.views.numbers import Shown, plural
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for
from waywright.web.contexts import Page, head_of
from waywright.web.forms import LONGEST, Choice, Field, Wrong
from waywright.web.pages.job import number_of
from waywright.web.times import told

PICTURES = {"image/jpeg": b"\xff\xd8\xff", "image/png": b"\x89PNG\r\n\x1a\n", "image/gif": b"GIF8"}
BEGINNINGS = {**PICTURES, "application/pdf": b"%PDF-"}
WEBP, UNKNOWN = "image/webp", "application/octet-stream"
KIND_WORDS = {UNKNOWN: "file", "application/pdf": "PDF", "image/jpeg": "photograph"}
LIMITS = (
    f"One file at a time, {LARGEST_ATTACHMENT // 1024**2} MB at most. Where a photograph was taken is taken out of it "
    "before it is kept, unless you tick that it stays; the picture itself is kept as it is."
)
PLACES = {"removed": ", without where it was taken", "kept": ", with where it was taken"}
KEEP = "keep_place"  # the tick
POLICY = "default-src 'none'; sandbox"


@dataclass(frozen=True)
class Paper:
    """A photograph or paper kept with the job: what it is, and the link that opens it."""

    id: str
    name: str
    url: str
    about: str
    told: str
    note: str
    picture: bool
    version: int


@dataclass(frozen=True)
class PapersPage(Page):
    """What is kept with a job: photographs of the blue, drawings, certificates."""

    papers: tuple[Paper, ...] = ()
    fields: tuple[Field, ...] = ()
    limits: str = ""
    only: str = ""


def kind_of(data: bytes) -> str:
    """The media type that the first bytes of a file show; what is not known is just bytes."""
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return WEBP
    return next((kind for kind, start in BEGINNINGS.items() if data.startswith(start)), UNKNOWN)


def papers(bench: Bench, request: Request) -> Response:
    """Everything kept with the job, or with the part that `about` names."""
    return _papers(bench, request, request.query_params.get("about", ""))


def _papers(
    bench: Bench, request: Request, about: str, note: str = "", wrong: Wrong | None = None, keep: bool = False
) -> Response:
    opened = bench.book.snapshot(number_of(request))
    offered = abouts(opened.job, shown_for(request))
    about = about if about in offered else ""
    shown = [one for one in opened.attachments if not about or str(opened.about.get(one.id, "")) == about]
    choices = tuple(Choice(value, words) for value, words in offered.items())
    page = PapersPage(
        title="Photographs and papers",
        job=head_of(opened),
        problem=str(wrong) if wrong is not None else "",
        papers=tuple(_paper(opened, one, offered) for one in shown),
        fields=(
            Field("about", "Belongs to", about, choices=choices),
            Field("note", "Note", note),
            Field(KEEP, "Keep where it was taken, with the photograph", "yes" if keep else "", tick=True),
        ),
        limits=LIMITS,
        only=offered[about] if about else "",
    )
    return bench.show(request, "papers.html", page, 422 if wrong else 200)


def abouts(job: Job, shown: Shown) -> dict[str, str]:
    """What a paper may belong to, by the name of the part, in words."""
    found = {"": "the job"}
    found |= {str(Ref("setting", one.id)): one.geometry.words(shown) for one in job.settings}
    return found | {str(Ref("piece", one.name)): one.name for one in job.pieces}


def papers_of(opened: Snapshot, ref: Ref) -> tuple[str, str]:
    """The address of what belongs to a part, and in words how much that is."""
    many = sum(one == ref for one in opened.about.values())
    words = f"{plural(many, 'photograph or paper', 'photographs and papers')}" if many else "Add a photograph or paper"
    return f"/jobs/{opened.id}/papers?about={quote(str(ref), safe='')}", words


def _paper(opened: Snapshot, one: Attachment, offered: dict[str, str]) -> Paper:
    version = opened.versions[Ref("attachment", one.id)]
    size = f"{one.size / 1e6:.1f} MB" if one.size >= 100_000 else f"{max(one.size / 1e3, 0.1):.1f} kB"
    kind = KIND_WORDS.get(one.media_type, "picture" if one.media_type.startswith("image/") else "file")
    return Paper(
        id=one.id,
        name=one.name,
        url=f"/jobs/{opened.id}/paper?id={quote(one.id, safe='')}",
        about=offered.get(str(opened.about.get(one.id, "")), ""),
        told=f"{kind}, {size}, {told(opened.acts[version - 1].at)}{PLACES.get(one.place or '', '')}",
        note=one.note or "",
        picture=one.media_type in (*PICTURES, WEBP),
        version=version,
    )


def paper(bench: Bench, request: Request) -> Response:
    """The file itself, to keep: never a page of this place."""
    opened = bench.book.snapshot(number_of(request))
    wanted = request.query_params.get("id", "")
    one = next((one for one in opened.attachments if one.id == wanted), None)
    if one is None:
        raise Missing("There is no such paper here, or no longer.")
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "._- ") else "_" for c in one.name)
    named = f"filename=\"{plain}\"; filename*=UTF-8''{quote(one.name, safe='')}"
    headers = {
        "Content-Type": one.media_type if one.media_type in (*BEGINNINGS, WEBP) else UNKNOWN,
        "Content-Disposition": f"attachment; {named}",
        "Content-Security-Policy": POLICY,
    }
    return Response(bench.book.attachment(one.digest), headers=headers)


def attach(bench: Bench, request: Request, given: Given) -> Response:
    """Keep a file with the job."""
    number, texts = number_of(request), given.texts
    about, note, keep = texts.get("about", ""), texts.get("note", "").strip(), texts.get(KEEP) == "yes"
    try:
        if about not in abouts(bench.book.job(number), shown_for(request)):
            raise Wrong("What this belongs to is not there any more; choose again.")
        if len(note) > LONGEST:
            raise Wrong(f"A note has at most {LONGEST} letters; shorten it.")
        name, data = _file(given)
        sort, _, key = about.partition(" ")
        belongs = Ref(sort, key) if about else None
        by, kind = by_of(request), kind_of(data)
        bench.book.attach(number, name, kind, data, note=note or None, about=belongs, keep_place=keep, by=by)
    except (Wrong, TooLarge, PlaceStays, JobError, Refused) as error:
        return _papers(bench, request, about, note, Wrong(str(error)), keep)
    return goes_to(f"/jobs/{number}/papers" + (f"?about={quote(about, safe='')}" if about else ""))


def _file(given: Given) -> tuple[str, bytes]:
    """Its name and its bytes; raises `Wrong`."""
    file = given.files.get("file")
    if file is None or not file.filename:
        raise Wrong("Choose a file first.")
    data = file.file.read(LARGEST_ATTACHMENT + 1)
    if not data:
        raise Wrong(f"{file.filename[:100]} is empty; choose another.")
    return file.filename, data


FORMS = (Form("/jobs/{job:int}/papers", attach, ("file", "about", "note", KEEP), files=True),)
