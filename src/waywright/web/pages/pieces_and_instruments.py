"""Pieces and instruments: what is on the bench and what it is read with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.body.stiffness import outline_mm
from waywright.core.evidence.job import JobError
from waywright.core.evidence.material import BUILT_IN
from waywright.core.evidence.section import Webbed
from waywright.core.evidence.things import Face, Instrument, Piece
from waywright.record import Add, Conflict, Edit, Memo, Missing, Put, Ref, Rename, Snapshot
from waywright.views.moves import a_kind
from waywright.views.numbers import Shown
from waywright.web.app import Bench, Form, Given, by_of, goes_to, shown_for
from waywright.web.contexts import Page, head_of
from waywright.web.forms import FACE_CHOICES, INSTRUMENT_CHOICES, Field, Wrong, form_of, given_of, lines_of, read
from waywright.web.pages.form_conflict import Sides, form_conflict
from waywright.web.pages.job import number_of, version_in
from waywright.web.pages.shop import ASSUMED, evenly

NEW_FACE = {"length_mm": "600", "width_mm": "40", "lines_mm": "0", "side": "top", "finish": "scraped"}
NEW_INSTRUMENT = {"kind": "gauge blocks", "grade": "1", "feel_um": "1"}


MADE_SKIPPED = ("name", "faces")  # of a piece: the form of how it is made has the rest


@dataclass(frozen=True)
class SectionDrawing:
    """A section to scale, face up: of each layer x, y, width and height, mm."""

    size: str
    wide_mm: float
    deep_mm: float
    layers: tuple[tuple[float, float, float, float], ...]

    @property
    def words(self) -> str:
        """Under it, and read aloud in its stead."""
        return f"The section in its middle, face up, {self.size}, to scale"


@dataclass(frozen=True)
class Made:
    """How a piece is made, weighed and carried, with its form."""

    piece: str
    fields: tuple[Field, ...]
    version: int
    section: SectionDrawing | None
    stiff: bool  # nothing is known of its section


@dataclass(frozen=True)
class Thing:
    """A piece or an instrument with its form."""

    name: str
    words: str
    fields: tuple[Field, ...]
    version: int
    sort: str
    of: str = ""


@dataclass(frozen=True)
class ThingsPage(Page):
    """What is on the bench."""

    pieces: tuple[Thing, ...] = ()
    made: tuple[Made, ...] = ()
    instruments: tuple[Thing, ...] = ()
    new_piece: tuple[Field, ...] = ()
    new_instrument: tuple[Field, ...] = ()
    without: tuple[tuple[str, str], ...] = ()  # kinds of instruments that are not to be had, with their words


def things(bench: Bench, request: Request) -> Response:
    """Every piece and instrument with its form."""
    return _things(bench, request, None, {}, "")


def _things(bench: Bench, request: Request, wrong: Wrong | None, given: Mapping[str, str], at: str) -> Response:
    opened = bench.book.snapshot(number_of(request))
    job = opened.job
    pieces = tuple(
        _face_form(opened, piece, face, shown_for(request), wrong if at == face.name else None, given)
        for piece in job.pieces
        for face in piece.faces
    )
    instruments = tuple(
        _instrument_form(opened, one, wrong if at == one.name else None, given) for one in job.instruments
    )
    fresh = given if not at else {}
    page = ThingsPage(
        title="Pieces and instruments",
        job=head_of(opened),
        problem=str(wrong) if wrong is not None and (not wrong.field or not at) else "",
        pieces=pieces,
        made=tuple(_made_form(opened, piece, shown_for(request), wrong, given, at) for piece in job.pieces),
        without=tuple((kind, a_kind(kind)) for kind in job.without),
        instruments=instruments,
        new_piece=form_of(Face, {**NEW_FACE, **fresh}, (), FACE_CHOICES, wrong if not at else None),
        new_instrument=form_of(
            Instrument, {**NEW_INSTRUMENT, **fresh}, (), INSTRUMENT_CHOICES, wrong if not at else None
        ),
    )
    return bench.show(request, "things.html", page, 422 if wrong else 200)


def _face_form(
    opened: Snapshot, piece: Piece, face: Face, shown: Shown, wrong: Wrong | None, given: Mapping[str, str]
) -> Thing:
    filled = {**given_of(face), **(given if wrong else {})}
    size = f"{shown.number(face.length_mm, 'mm')} × {shown.text(face.width_mm, 'mm')}"
    words = f"{size}, {len(face.stations_mm)} stations on {len(face.lines_mm)} lines"
    version = opened.versions[Ref("piece", piece.name)]
    return Thing(face.name, words, form_of(Face, filled, (), FACE_CHOICES, wrong), version, "piece", piece.name)


def _instrument_form(opened: Snapshot, one: Instrument, wrong: Wrong | None, given: Mapping[str, str]) -> Thing:
    filled = {**given_of(one), **(given if wrong else {})}
    version = opened.versions[Ref("instrument", one.name)]
    return Thing(one.name, one.kind, form_of(Instrument, filled, (), INSTRUMENT_CHOICES, wrong), version, "instrument")


def _made_form(
    opened: Snapshot, piece: Piece, shown: Shown, wrong: Wrong | None, given: Mapping[str, str], at: str
) -> Made:
    mine = at == _made_at(piece.name)
    filled = {**given_of(piece), **(given if mine else {})}
    own = [material.name for material in opened.job.materials]
    choices = {"material": tuple(filter(None, dict.fromkeys([*BUILT_IN, *own, piece.material])))}
    fields = form_of(Piece, filled, MADE_SKIPPED, choices, wrong if mine else None)
    fields = tuple(field for field in fields if field.name != "section.x_mm")  # the same all along
    version = opened.versions[Ref("piece", piece.name)]
    return Made(piece.name, fields, version, section_of(piece, shown), not piece.along)


def _made_at(piece: str) -> str:
    """Where a slip in the form of how a piece is made is told."""
    return f"made {piece}"


def section_of(piece: Piece, shown: Shown) -> SectionDrawing | None:
    """The section in the middle of a piece; None where nothing is known of it but numbers."""
    boxes = outline_mm(piece.along, 0.5 * piece.length_mm) if piece.along else []
    if not boxes:
        return None
    wide, deep = max(width for _, width, _ in boxes), max(y + thick for y, _, thick in boxes)
    layers = tuple((0.5 * (wide - width), y, width, thick) for y, width, thick in boxes)
    return SectionDrawing(f"{shown.lengths(deep)} × {shown.length_text(wide)}", wide, deep, layers)


def save_made(bench: Bench, request: Request, given: Given) -> Response:
    """How a piece is made, weighed and carried."""
    number, name = number_of(request), given.texts.get("of", "")
    opened = bench.book.snapshot(number)
    piece = next((each for each in opened.job.pieces if each.name == name), None)
    try:
        if piece is None:
            raise Missing(f"There is no piece called {name[:40]!r} here, or no longer.")
        nothing = {"material": None, "section": None, "mass_kg": None, "carried_mm": ()}
        new = replace(piece, **nothing | read(Piece, given.texts, MADE_SKIPPED))
        if isinstance(new.section, Webbed) and isinstance(piece.section, Webbed):  # no line of a form holds these
            new = replace(new, section=replace(new.section, holes=piece.section.holes))
        bench.book.change(number, Put(Ref("piece", name), version_in(given), new), by=by_of(request))
    except (Wrong, JobError) as error:
        place = error.field if isinstance(error, Wrong) else error.place.rpartition(".")[2]
        shown_at = {line.name for line in lines_of(Piece, MADE_SKIPPED)} & {place}
        return _things(bench, request, Wrong(str(error), *shown_at), dict(given.texts), _made_at(name))
    except (Conflict, Missing) as error:
        now = error.theirs if isinstance(error, Conflict) and isinstance(error.theirs, Piece) else None
        mine = form_of(Piece, given.texts, MADE_SKIPPED)
        sides = Sides.of(mine, [new] if piece is not None else [], [now])
        hidden = {"of": name} if now is not None else {"of": ""}
        return form_conflict(bench, request, opened, error, sides, hidden, f"/jobs/{number}/things")
    return goes_to(f"/jobs/{number}/things")


def save_piece(bench: Bench, request: Request, given: Given) -> Response:
    """A new piece with its face, a new face of a piece, or a face changed."""
    number, texts = number_of(request), given.texts
    opened = bench.book.snapshot(number)
    was, of = texts.get("was", ""), texts.get("of", "")
    try:
        if not texts.get("stations_mm", "").strip() and not was:
            texts = {
                **texts,
                "stations_mm": "  ".join(
                    f"{x:g}" for x in evenly(read(Face, {**texts, "stations_mm": "0"})["length_mm"])
                ),
            }
        face = Face(**read(Face, texts))
        bench.book.change(
            number, *_piece_edits(opened, face, was, of, given), by=by_of(request), kind="put" if was else "add"
        )
    except (Wrong, JobError) as error:
        wrong = error if isinstance(error, Wrong) else Wrong(str(error), error.place.rpartition(".")[2])
        return _things(bench, request, wrong, dict(given.texts), was)
    except (Conflict, Missing) as error:
        theirs = error.theirs.faces if isinstance(error, Conflict) and isinstance(error.theirs, Piece) else ()
        now = next((one for one in theirs if one.name == was), None)
        sides = Sides.of(form_of(Face, given.texts, (), FACE_CHOICES), [face], [now])
        hidden = {"was": was, "of": of} if now is not None else {"was": ""}
        return form_conflict(bench, request, opened, error, sides, hidden, f"/jobs/{number}/things")
    return goes_to(f"/jobs/{number}/things")


def _piece_edits(opened: Snapshot, face: Face, was: str, of: str, given: Given) -> list[Edit]:
    pieces = {piece.name: piece for piece in opened.job.pieces}
    if not of:
        return [Add(Piece(face.name, (face,))), *_not_assumed(opened)]
    piece = pieces.get(of)
    if piece is None:
        raise Missing(f"There is no piece called {of[:40]!r} here, or no longer.")
    version, edits = version_in(given), list[Edit]()
    if not was:
        return [Put(Ref("piece", of), version, replace(piece, faces=(*piece.faces, face)))]
    if was not in {one.name for one in piece.faces}:
        raise Missing(f"There is no face called {was[:40]!r} here, or no longer.")
    changed = tuple(replace(face, name=was) if one.name == was else one for one in piece.faces)
    edits.append(Put(Ref("piece", of), version, replace(piece, faces=changed)))
    if face.name != was:
        edits.append(Rename(Ref("face", was), face.name))
        if piece.name == was:
            edits.append(Rename(Ref("piece", was), face.name))
    return [*edits, *_not_assumed(opened)]


def _not_assumed(opened: Snapshot) -> list[Edit]:
    """Who looks at the sizes and saves them has stopped assuming them."""
    ref = Ref("memo", ASSUMED)
    if ref not in opened.versions:
        return []
    kept = [name for name in opened.memos[ASSUMED].splitlines() if name not in Face.__dataclass_fields__]
    return [Put(ref, opened.versions[ref], Memo(ASSUMED, "\n".join(kept)))]


def save_instrument(bench: Bench, request: Request, given: Given) -> Response:
    """A new instrument, or one changed."""
    number, texts = number_of(request), given.texts
    was = texts.get("was", "")
    try:
        one = Instrument(**read(Instrument, texts))
        if not was:
            bench.book.change(number, Add(one), by=by_of(request))
        else:
            edits: list[Edit] = [Put(Ref("instrument", was), version_in(given), replace(one, name=was))]
            if one.name != was:
                edits.append(Rename(Ref("instrument", was), one.name))
            bench.book.change(number, *edits, by=by_of(request))
    except (Wrong, JobError) as error:
        wrong = error if isinstance(error, Wrong) else Wrong(str(error), error.place.rpartition(".")[2])
        return _things(bench, request, wrong, dict(texts), was)
    except (Conflict, Missing) as error:
        now = error.theirs if isinstance(error, Conflict) else None
        sides = Sides.of(form_of(Instrument, texts, (), INSTRUMENT_CHOICES), [one], [now])
        opened = bench.book.snapshot(number)
        hidden = {"was": was if now else ""}
        return form_conflict(bench, request, opened, error, sides, hidden, f"/jobs/{number}/things")
    return goes_to(f"/jobs/{number}/things")


FORMS = (
    Form(
        "/jobs/{job:int}/made", save_made, (*(line.name for line in lines_of(Piece, MADE_SKIPPED)), "of", "version")
    ),
    Form("/jobs/{job:int}/piece", save_piece, (*Face.__dataclass_fields__, "was", "of", "version")),
    Form("/jobs/{job:int}/instrument", save_instrument, (*Instrument.__dataclass_fields__, "was", "version")),
)
