"""The log as it is stored: acts, the versions they wrote, and the digests that chain them."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from waywright.record.parts import dump, load, sort_of, text_of
from waywright.record.state import Held

START = ""  # what comes before the first act

# A line of an exported log, as `act_line` writes it and no other: no deeper, no other keys.
_TEXT, _WHOLE = r'"[^"\\]*+(?:\\.[^"\\]*+)*+"', r"-?[0-9]{1,18}"
_ROW = (
    rf'\{{"body":{_TEXT},"hidden":(?:true|false),"parent":(?:null|{_WHOLE}),"position":[-+.0-9Ee]{{1,32}},'
    rf'"sort":{_TEXT},"thing":{_WHOLE}\}}'
)
LINE = re.compile(
    rf'\{{"at":{_TEXT},"client":(?:null|{_TEXT}),"digest":{_TEXT},"kind":{_TEXT},"number":{_WHOLE},'
    rf'"request":(?:null|{_TEXT}),"sequence":(?:null|{_WHOLE}),"undoes":(?:null|{_WHOLE}),'
    rf'"versions":\[(?:{_ROW},)*+(?:{_ROW})?\],"who":(?:null|{_TEXT})\}}'.encode("ascii")
)


@dataclass(frozen=True)
class Row:
    """One version as the tables hold it."""

    thing: int
    sort: str
    parent: int | None
    position: float
    hidden: bool
    body: str

    def held(self, number: int) -> Held:
        """The part; raises `BodyError`."""
        return Held(self.thing, number, load(self.sort, self.body), self.parent, self.position, self.hidden)


def row_of(held: Held) -> Row:
    """A part as the tables hold it; raises `BodyError`."""
    return Row(held.thing, sort_of(held.part), held.parent, held.position, held.hidden, dump(held.part))


@dataclass(frozen=True)
class Act:
    """One act: what was done, when (UTC, ISO 8601), by whom; `undoes` the act it takes back.

    `client`, `sequence` and `request`: who sent it, under which number, and the SHA-256 of what was sent.
    """

    number: int
    kind: str
    at: str
    who: str | None = None
    undoes: int | None = None
    client: str | None = None
    sequence: int | None = None
    request: str | None = None
    digest: str = ""

    def sealed(self, before: str, rows: Sequence[Row]) -> Act:
        """The act with its digest, over itself, the versions it wrote and the digest of the act before."""
        return Act(**{**vars(self), "digest": digest_of(before, self, rows)})


def digest_of(before: str, act: Act, rows: Iterable[Row]) -> str:
    """SHA-256, hexadecimal, of an act and its versions in the order of their things, chained to the act before."""
    said = {key: value for key, value in vars(act).items() if key != "digest"}
    whole = [before, said, [vars(row) for row in sorted(rows, key=lambda row: row.thing)]]
    return hashlib.sha256(text_of(whole).encode("ascii")).hexdigest()


def first_changed(before: Sequence[Act], acts: Sequence[Act], rows: Mapping[int, Sequence[Row]]) -> int | None:
    """The number of the first of `acts` that is not as it was written behind the last of those `before`, if one is."""
    number, digest = (before[-1].number, before[-1].digest) if before else (0, START)
    for act in acts:
        number += 1
        try:
            if act.number != number or digest_of(digest, act, rows.get(number, ())) != act.digest:
                return number
        except ValueError:  # a number that cannot be
            return number
        digest = act.digest
    return None


def act_line(act: Act, rows: Sequence[Row]) -> str:
    """An act as one line of the log of an exported job."""
    return text_of({**vars(act), "versions": [vars(row) for row in sorted(rows, key=lambda row: row.thing)]})


def act_from(plain: Mapping[str, Any]) -> tuple[Act, list[Row]]:
    """An act and its versions from such a line, types checked; raises `ValueError` or `TypeError`."""
    said = dict(plain)
    rows = [row_from(row) for row in said.pop("versions")]
    return Act(**_typed(Act, said)), rows


def row_from(plain: Mapping[str, Any]) -> Row:
    """A version from its columns, types checked; raises `ValueError` or `TypeError`."""
    return Row(**_typed(Row, plain))


_TYPES: dict[type, dict[str, tuple[type, ...]]] = {
    Row: {
        "thing": (int,),
        "sort": (str,),
        "parent": (int, type(None)),
        "position": (float,),
        "hidden": (bool,),
        "body": (str,),
    },
    Act: {
        **dict.fromkeys(("kind", "at", "digest"), (str,)),
        **{name: (str, type(None)) for name in ("who", "client", "request")},
        **{name: (int, type(None)) for name in ("undoes", "sequence")},
        "number": (int,),
    },
}


def act_alone(plain: Mapping[str, Any]) -> Act:
    """An act from its columns, types checked; raises `ValueError` or `TypeError`."""
    return Act(**_typed(Act, plain))


def _typed(cls: type, plain: Mapping[str, Any]) -> dict[str, Any]:
    """Exactly the fields of `cls`, each of its type."""
    types = _TYPES[cls]
    if plain.keys() != types.keys():
        raise ValueError("a line has other keys than an act has")
    for key, value in plain.items():
        if type(value) not in types[key]:
            raise TypeError(f"{key} cannot be {str(value)[:40]!r}")
    return dict(plain)
