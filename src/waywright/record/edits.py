"""What can be done to a job: edits, each applied to a state to give the next. Pure: nothing is stored here.

Several edits make one act. An edit of what is there names the version it was made from; when that is no longer the
newest, it is refused with `Conflict`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import singledispatch

from waywright.core.evidence.fields import faces_named, pieces_named, with_renamed
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Pass, Reading, Setting
from waywright.core.evidence.things import Instrument, Piece
from waywright.jobfile.values import unfit
from waywright.record.errors import Conflict, Missing, Refused
from waywright.record.parts import Attachment, Head, Item, Memo, Ref, ref_of, sort_of
from waywright.record.state import Held, State


@dataclass(frozen=True)
class Add:
    """A new piece, instrument, setting (with its readings, if it has any), pass or memo. Attachments: `Book.attach`.

    An empty id is filled in. It comes last of its sort, or stands before the part `before`. `about`: for an attachment,
    what it belongs to.
    """

    part: Piece | Instrument | Setting | Pass | Attachment | Memo
    before: Ref | None = None
    about: Ref | None = None


@dataclass(frozen=True)
class Put:
    """`part` instead of `ref` at `version`; of a setting all but its readings. Readings are corrected instead."""

    ref: Ref
    version: int
    part: Head | Goal | Piece | Instrument | Setting | Pass | Attachment | Memo


@dataclass(frozen=True)
class Append:
    """New readings of the setting with the id `setting`; an empty id is filled in."""

    setting: str
    readings: tuple[Reading, ...]


@dataclass(frozen=True)
class Correct:
    """`by` replaces the reading with the id `reading` at `version`; that one is kept and no longer used."""

    reading: str
    version: int
    by: Reading


@dataclass(frozen=True)
class Delete:
    """Hide a part and what belongs to it; a reading with all that it corrects. Ref("head") hides the whole job."""

    ref: Ref
    version: int


@dataclass(frozen=True)
class Move:
    """Put a part before another of its sort, or last."""

    ref: Ref
    version: int
    before: Ref | None = None


@dataclass(frozen=True)
class Rename:
    """Another name for a piece, an instrument or a face, Ref("face", its name), here and wherever it is named."""

    ref: Ref
    name: str


Edit = Add | Put | Append | Correct | Delete | Move | Rename


def apply_all(state: State, edits: Sequence[Edit]) -> State:
    """The state after one act that does all of these; raises `Conflict`, `Missing` or `Refused`."""
    number = state.number + 1
    for edit in edits:
        state = replace(apply(edit, state, number), number=state.number)
    return replace(state, number=number)


@singledispatch
def apply(edit: Edit, state: State, number: int) -> State:
    """The state after one edit of the act `number`."""
    raise TypeError(f"{type(edit).__name__} is no edit")


@apply.register
def _add(edit: Add, state: State, number: int) -> State:
    part, thing = edit.part, _next(state)
    if isinstance(part, Head | Goal | Reading):
        raise Refused(f"A {sort_of(part)} cannot be added so; every job has one head and goal, readings are appended.")
    if isinstance(part, Setting | Pass | Attachment):
        part = _with_id(part, state)
    _refuse_taken(part, state)
    parent = _find(state, edit.about).thing if edit.about is not None and isinstance(part, Attachment) else None
    readings: tuple[Reading, ...] = ()
    if isinstance(part, Setting):
        part, readings = replace(part, readings=()), part.readings
    held = Held(thing, number, part, parent, _last(state))
    state = state.with_([held])
    if edit.before is not None:
        state = state.with_(_placed(state, held, edit.before, number))
    return _appended(state, held, readings, number) if readings else state


@apply.register
def _put(edit: Put, state: State, number: int) -> State:
    part = replace(edit.part, readings=()) if isinstance(edit.part, Setting) else edit.part
    held = _at_version(state, edit.ref, edit.version, part)
    if type(part) is not type(held.part) or isinstance(part, Reading):
        raise Refused(f"A {sort_of(part)} cannot stand for {edit.ref}.", edit.ref)
    if ref_of(part) != held.ref:
        if not isinstance(part, Piece | Instrument):
            raise Refused(f"{held.ref} keeps its id; it cannot become {ref_of(part).key!r}.", edit.ref)
        _refuse_taken(part, state)
    if isinstance(part, Setting):
        for reading in state.readings.get(held.thing, []):
            assert isinstance(reading.part, Reading)
            refuse_unfit(part, reading.part)
    return state if part == held.part else state.with_([replace(held, number=number, part=part)])


@apply.register
def _append(edit: Append, state: State, number: int) -> State:
    return _appended(state, _find(state, Ref("setting", edit.setting)), edit.readings, number)


@apply.register
def _correct(edit: Correct, state: State, number: int) -> State:
    ref = Ref("reading", edit.reading)
    held = _at_version(state, ref, edit.version, edit.by)
    by = replace(edit.by, corrects=edit.reading)
    if newer := state.corrections.get(edit.reading):
        if any(replace(by, id=h.ref.key) == h.part for h in newer):
            return state  # both say the same
        raise _conflict(newer[-1], by)
    assert held.parent is not None
    return _appended(state, state.things[held.parent], (by,), number)


@apply.register
def _delete(edit: Delete, state: State, number: int) -> State:
    held = _at_version(state, edit.ref, edit.version, None)
    if isinstance(held.part, Goal):
        raise Refused("A goal cannot be deleted; save an empty one.", edit.ref)
    if isinstance(held.part, Reading) and (newer := state.corrections.get(held.part.id)):
        raise _conflict(newer[-1], None)
    if users := list(_users(state, held)):
        more = f", and {len(users) - 1} more" if len(users) > 1 else ""
        raise Refused(f"{held.ref} is used by {users[0]}{more}; delete or change that first.", edit.ref)
    return state.with_(replace(one, number=number, hidden=True) for one in _chain(state, held))


@apply.register
def _rename(edit: Rename, state: State, number: int) -> State:
    sort, old = edit.ref
    if not edit.name.strip():
        raise Refused(f"A {sort} needs a name.", edit.ref)
    owners = [h for h in state.shown.values() if _owns(h.part, sort, old)]
    if not owners:
        raise Missing(f"There is no {edit.ref} here, or no longer.")
    if edit.name != old and any(_owns(h.part, sort, edit.name) for h in state.shown.values()):
        raise Refused(f"There is a {sort} called {edit.name!r} already; give this one another name.", edit.ref)
    changed = ((held, renamed(held.part, sort, old, edit.name)) for held in state.shown.values())
    return state.with_(replace(held, number=number, part=part) for held, part in changed if part != held.part)


@apply.register
def _move(edit: Move, state: State, number: int) -> State:
    held = _at_version(state, edit.ref, edit.version, None)
    return state.with_(_placed(state, held, edit.before, number))


def _next(state: State) -> int:
    return max(state.things, default=0) + 1


def _last(state: State) -> float:
    """A place behind everything there is."""
    return max((held.position for held in state.things.values()), default=0.0) + 1.0


def _find(state: State, ref: Ref) -> Held:
    if ref not in state.shown:
        raise Missing(f"There is no {ref} here, or no longer.")
    return state.shown[ref]


def _at_version(state: State, ref: Ref, version: int, mine: Item | None) -> Held:
    """The part under `ref`, if it is still the version that was read."""
    held = state.shown.get(ref)
    if held is not None and (held.number == version or held.part == mine):
        return held
    if held is not None:
        raise _conflict(held, mine)
    was = [h for h in state.things.values() if h.ref == ref]
    if not was:
        raise Missing(f"There is no {ref} here, or no longer.")
    raise Conflict(f"{ref} was deleted meanwhile; undo that, or let yours go.", ref, mine, None, was[-1].number)


def _conflict(held: Held, mine: Item | None) -> Conflict:
    what = "yours would delete it" if mine is None else "yours is different"
    message = f"{held.ref} was changed meanwhile and {what}; look at both and keep one."
    return Conflict(message, held.ref, mine, held.part, held.number)


def _appended(state: State, setting: Held, readings: Sequence[Reading], number: int) -> State:
    assert isinstance(setting.part, Setting)
    if not readings:
        raise Refused("There are no readings here; type one.", setting.ref)
    entries = setting.part.geometry.entries
    counts = {entry.name: 0 for entry in entries}
    for held in state.things.values():
        if held.parent == setting.thing and isinstance(held.part, Reading):
            counts[held.part.entry] += 1
    claimed, thing, place, new = set(state.claimed), _next(state), _last(state), list[Held]()
    for reading in readings:
        refuse_unfit(setting.part, reading)
        if not reading.id:
            own = _free(f"{setting.part.id}.{reading.entry}", counts[reading.entry], claimed)
            reading = replace(reading, id=own)
        elif reading.id in claimed:
            raise Refused(f"The id {reading.id!r} is used already; every id is used once.", ref_of(reading))
        claimed.add(reading.id)
        counts[reading.entry] += 1
        new.append(Held(thing + len(new), number, reading, setting.thing, place + len(new)))
    return state.with_(new)


def refuse_unfit(setting: Setting, reading: Reading) -> None:
    """Refuse a reading that the job file could not hold under this setting."""
    entry = next((e for e in setting.geometry.entries if e.name == reading.entry), None)
    if entry is None:
        lists = ", ".join(e.name for e in setting.geometry.entries)
        raise Refused(f"{setting.id} has no list {reading.entry!r}; its lists are {lists}.", ref_of(reading))
    if sentence := unfit(entry, reading):
        raise Refused(sentence, ref_of(reading))


def _with_id(part: Setting | Pass | Attachment, state: State) -> Setting | Pass | Attachment:
    """The part with an id: its own, or its place in a job file as far as that is free."""
    if part.id:
        return part
    if isinstance(part, Setting):
        block = part.geometry.block
        alike = [h for h in state.things.values() if isinstance(h.part, Setting) and h.part.geometry.block == block]
    else:
        block = "passes" if isinstance(part, Pass) else "attachments"
        alike = [h for h in state.things.values() if isinstance(h.part, type(part))]
    return replace(part, id=_free(block, len(alike), state.claimed))


def _free(stem: str, count: int, claimed: set[str]) -> str:
    while f"{stem}[{count}]" in claimed:
        count += 1
    return f"{stem}[{count}]"


def _refuse_taken(part: Item, state: State) -> None:
    """Refuse a name or id that something else has."""
    ref = ref_of(part)
    if isinstance(part, Piece | Instrument):
        if not part.name.strip():
            raise Refused(f"A {ref.sort} needs a name.", ref)
        if ref in state.shown:
            raise Refused(f"There is a {ref.sort} called {ref.key!r} already; give this one another name.", ref)
    elif ref.key in state.claimed:
        raise Refused(f"The id {ref.key!r} is used already; every id is used once.", ref)


def _chain(state: State, held: Held) -> Iterator[Held]:
    """A part to be hidden, and for a reading those it corrects, which would come back otherwise."""
    yield held
    if isinstance(held.part, Reading) and held.part.corrects is not None:
        corrected = state.shown.get(Ref("reading", held.part.corrects))
        if corrected is not None and len(state.corrections[held.part.corrects]) == 1:
            yield from _chain(state, corrected)


def _users(state: State, held: Held) -> Iterator[Ref]:
    """What would be left hanging without this part."""
    part = held.part
    if isinstance(part, Piece):
        names = {face.name for face in part.faces}
        for ref, other in state.shown.items():
            stood = {name for _, name in pieces_named(other.part)}
            if part.name in stood or names & {name for _, name in faces_named(other.part)}:
                yield ref
    elif isinstance(part, Instrument):
        for ref, other in state.shown.items():
            if isinstance(other.part, Setting) and other.part.instrument == part.name:
                yield ref
    elif isinstance(part, Setting):
        others = {name for h in state.of(Setting) if h is not held for name in _names(h.part)}
        gone = _names(part) - others
        yield from (h.ref for h in state.of(Pass) if isinstance(h.part, Pass) and h.part.after in gone)


def _names(part: Item) -> set[str]:
    return {part.id, part.group} if isinstance(part, Setting) else set()


def _owns(part: Item, sort: str, name: str) -> bool:
    """Whether this is the piece or instrument of that name, or the piece with the face."""
    if sort == "face":
        return isinstance(part, Piece) and any(face.name == name for face in part.faces)
    return isinstance(part, Piece | Instrument) and ref_of(part) == (sort, name)


def renamed(part: Item, sort: str, old: str, new: str) -> Item:
    """The part with another name for a piece, instrument or face, wherever it names it."""
    if sort == "face":
        if isinstance(part, Piece):
            part = replace(part, faces=tuple(replace(f, name=new) if f.name == old else f for f in part.faces))
        return with_renamed(part, "face", old, new)
    if sort == "instrument" and isinstance(part, Setting):
        return replace(part, instrument=new) if part.instrument == old else part
    part = with_renamed(part, "piece", old, new) if sort == "piece" else part
    return replace(part, name=new) if isinstance(part, Piece | Instrument) and ref_of(part) == (sort, old) else part


def _placed(state: State, held: Held, before: Ref | None, number: int) -> list[Held]:
    """`held` before another of its sort or last; where there is no room left, all of the sort spread out anew."""
    alike = sorted(
        (h for h in state.things.values() if type(h.part) is type(held.part) and h.thing != held.thing),
        key=lambda h: (h.position, h.thing),
    )
    at = len(alike)
    if before is not None:
        target = _find(state, before)
        if type(target.part) is not type(held.part) or target.thing == held.thing:
            raise Refused(f"{held.ref} cannot stand before {before}.", held.ref)
        at = next(i for i, h in enumerate(alike) if h.thing == target.thing)
    low = alike[at - 1].position if at else alike[0].position - 2.0 if alike else 0.0
    high = alike[at].position if at < len(alike) else 2.0 * _last(state) - low
    middle = (low + high) / 2
    if low < middle < high:
        return [replace(held, number=number, position=middle)]
    ordered = [*alike[:at], held, *alike[at:]]
    return [replace(h, number=number, position=float(i)) for i, h in enumerate(ordered)]
