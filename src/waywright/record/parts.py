"""The parts a job is made of in the book, how they are named, and their plain form.

The plain form of a part is written once over the fields of its dataclass (`core.evidence.fields`), as the job file is:
a new kind of reading or a new field needs nothing here and no change of the tables. Every field that is not None is
written, defaults too, so that a default which changes later does not change what was recorded. Numbers keep their unit
and the text they were typed as.
"""

from __future__ import annotations

import dataclasses
import json
import math
import typing
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

from waywright.core.evidence.fields import Each, Form, Many, Within, fields_of
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Pass, Reading, Setting
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.material import Material
from waywright.core.evidence.things import Hand, Instrument, Piece
from waywright.core.readings import KINDS


@dataclass(frozen=True)
class Head:
    """What a job says of itself: the fields of `Job` that hold no parts."""

    title: str = ""
    temperature_c: float | None = None
    note: str | None = None
    hand: Hand | None = None
    without: tuple[str, ...] = ()
    materials: tuple[Material, ...] = ()


@dataclass(frozen=True)
class Attachment:
    """A photograph or paper kept with a job; its bytes are found by `digest` (SHA-256, hexadecimal).

    `place`: where it was taken was "removed" before it was kept, or "kept" with it; None: it did not tell.
    """

    id: str
    name: str
    media_type: str
    size: int
    digest: str
    note: str | None = None
    place: str | None = None


@dataclass(frozen=True)
class Memo:
    """What a page keeps with a job and no shape depends on: ticks of a checklist, what was assumed.

    `id` is chosen by whoever keeps it, `text` is theirs to read.
    """

    id: str
    text: str


Item = Head | Goal | Piece | Instrument | Setting | Reading | Pass | Attachment | Memo

SORTS: dict[str, type] = {
    "head": Head,
    "goal": Goal,
    "piece": Piece,
    "instrument": Instrument,
    "setting": Setting,
    "reading": Reading,
    "pass": Pass,
    "attachment": Attachment,
    "memo": Memo,
}
LONGEST_BODY = 1 << 20  # letters of a part in its plain form
_SORT_OF = {cls: sort for sort, cls in SORTS.items()}


class Ref(NamedTuple):
    """Names one part of a job: its sort and its key: the name of a piece or instrument, the id of the others.

    "head" and "goal" are there once, with the key "".
    """

    sort: str
    key: str = ""

    def __str__(self) -> str:
        return f"{self.sort} {self.key}".strip()


class BodyError(ValueError):
    """A plain form that cannot be read back."""


def sort_of(part: Item) -> str:
    """The sort of a part: "reading", "piece", ..."""
    return _SORT_OF[type(part)]


def ref_of(part: Item) -> Ref:
    """How a part is named."""
    key = "" if isinstance(part, Head | Goal) else part.name if isinstance(part, Piece | Instrument) else part.id
    return Ref(sort_of(part), key)


def dump(part: Item) -> str:
    """A part as one line of JSON, pure ASCII, the same for equal parts; a setting without its readings.

    Raises `BodyError` for a number that is not finite, and for what is longer than any part.
    """
    plain = to_plain(part)
    if isinstance(part, Setting):
        del plain["readings"]
    text = text_of(plain)
    if len(text) > LONGEST_BODY:
        raise BodyError(f"it takes {len(text):,} letters, and {LONGEST_BODY:,} is the most")
    return text


def text_of(plain: object) -> str:
    """Plain values as JSON, the same for equal values."""
    return json.dumps(plain, ensure_ascii=True, allow_nan=False, sort_keys=True, separators=(",", ":"))


def load(sort: str, text: str) -> Item:
    """The part of a sort in its plain form; raises `BodyError`."""
    # Parts cannot change, so those read before are given again. Settings are not: what their kinds mean is registered.
    return _load(sort, text) if sort == "setting" else _load_once(sort, text)


def _load(sort: str, text: str) -> Item:
    if len(text) > LONGEST_BODY:
        raise BodyError("it is longer than any part")
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError):
        raise BodyError("it is not JSON") from None
    if sort == "setting" and isinstance(plain, dict):
        plain = {**plain, "readings": []}
    if sort not in SORTS:
        raise BodyError(f"it is of the sort {sort[:40]!r}")
    try:
        return typing.cast(Item, _dataclass(SORTS[sort], plain, sort))
    except OverflowError:
        raise BodyError("a number in it is too large") from None


_load_once = lru_cache(maxsize=1 << 16)(_load)


def to_plain(thing: Any) -> Any:
    """A dataclass, or what may stand in a field of one, as JSON can hold it; raises `BodyError`."""
    if isinstance(thing, Kind):
        return {"kind": thing.block, **_plain_fields(thing)}
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        return _plain_fields(thing)
    if isinstance(thing, tuple):
        return [to_plain(one) for one in thing]
    if isinstance(thing, float) and not math.isfinite(thing):
        raise BodyError(f"{thing} cannot be measured")
    if thing is None or isinstance(thing, str | bool | int | float):
        return thing
    raise BodyError(f"a {type(thing).__name__} cannot be kept")


def _plain_fields(thing: Any) -> dict[str, Any]:
    """The fields of a dataclass, an edit too; None is left out where it is the default."""
    return {
        field.name: to_plain(value)
        for field in dataclasses.fields(thing)
        if (value := getattr(thing, field.name)) is not None or field.default is not None
    }


def _value(form: Form, plain: Any, where: str) -> Any:
    """`plain` as a field of that form; raises `BodyError` with `where`."""
    if isinstance(form, Within):
        return _within(form, plain, where)
    if isinstance(form, Many | Each):
        if not isinstance(plain, list):
            raise BodyError(f"{where} is no list")
        forms = form.of if isinstance(form, Each) else (form.of,) * len(plain)
        if len(plain) != len(forms):
            raise BodyError(f"{where} has {len(plain)} parts")
        return tuple(_value(one, part, where) for one, part in zip(forms, plain, strict=True))
    if form.type is Kind:
        return _geometry(plain, where)
    number = isinstance(plain, int | float) and not isinstance(plain, bool)
    if form.type is float and number and math.isfinite(plain):
        return float(plain)
    if form.type in (str, bool, int) and type(plain) is form.type and (not form.words or plain in form.words):
        return plain
    raise BodyError(f"{where} cannot be {str(plain)[:40]!r}")


def _within(form: Within, plain: Any, where: str) -> Any:
    """A dataclass within another; of several the one that the tag names."""
    if not form.tag:
        return _dataclass(form.classes[0], plain, where)
    word = plain.get(form.tag) if isinstance(plain, dict) else None
    cls = form.tagged().get(word) if isinstance(word, str) else None
    if cls is None:
        raise BodyError(f"{where} has the {form.tag} {str(word)[:40]!r}, which this version of Waywright does not know")
    return _dataclass(cls, plain, where)


def _dataclass(cls: type, plain: Any, where: str) -> Any:
    known = fields_of(cls)
    if not isinstance(plain, dict):
        raise BodyError(f"{where} is no table")
    for key in plain:
        if key not in known:
            raise BodyError(f"{where} has {str(key)[:40]!r}, which this version of Waywright does not know")
    found: dict[str, Any] = {}
    for name, field in known.items():
        if name not in plain:
            if field.required:
                raise BodyError(f"{where} has no {name}")
        elif plain[name] is None and field.optional:
            found[name] = None
        else:
            found[name] = _value(field.form, plain[name], f"{where}.{name}")
    try:
        return cls(**found)
    except ValueError as error:
        raise BodyError(f"{where} cannot be: {error}") from None


def _geometry(plain: Any, where: str) -> Kind:
    if not isinstance(plain, dict):
        raise BodyError(f"{where} is no table")
    kind = KINDS.get(str(plain.get("kind")))
    if kind is None:
        raise BodyError(f"{where} is of the kind {str(plain.get('kind'))[:40]!r}, which this Waywright does not know")
    rest = {key: value for key, value in plain.items() if key != "kind"}
    return typing.cast(Kind, _dataclass(kind, rest, where))
