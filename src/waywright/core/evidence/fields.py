"""The fields of a frozen dataclass: what may stand in each, and where it names a face. Job file, book and forms are all
written over these, so that a new kind of reading, or a new part of one, needs nothing in any of them.

A field's type is made of few things: a text, a number, yes or no (`One`), a list of such (`Many`, `Each`), and another
frozen dataclass (`Within`). A list of pairs that begin with the name of a piece (`PieceName`) stands in the job file as
a table by these names. A field `shape: Literal["I"] = "I"` is a tag: a union of dataclasses that each have one
under the same name (`kw_only`, to stand first) is told apart by it. A field that names a face is of the type
`FaceName`, at whatever depth.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Annotated, Any, Literal, TypeVar

T = TypeVar("T")
PLAIN = (str, float, int, bool)
_A_FACE = "the name of a face"
FaceName = Annotated[str, _A_FACE]
_A_PIECE = "the name of a piece"
PieceName = Annotated[str, _A_PIECE]


@dataclass(frozen=True)
class One:
    """One value. `type` is one of `PLAIN`, or a class whose derived dataclasses say themselves what they hold."""

    type: type
    face: bool = False  # it is the name of a face
    piece: bool = False  # it is the name of a piece
    words: tuple[str, ...] = ()  # it is one of these


@dataclass(frozen=True)
class Many:
    """A list of any length."""

    of: Form


@dataclass(frozen=True)
class Each:
    """A list of so many, each of its own form."""

    of: tuple[Form, ...]


@dataclass(frozen=True)
class Within:
    """A frozen dataclass; or one of several, told apart by the word under the key `tag`."""

    classes: tuple[type, ...]
    tag: str = ""

    def tagged(self) -> Mapping[str, type]:
        """Each class by its word; by "" where there is but one."""
        if not self.tag:
            return {"": self.classes[0]}
        return {str(fields_of(cls)[self.tag].default): cls for cls in self.classes}


Form = One | Many | Each | Within


def by_piece(form: Form) -> Form | None:
    """What a list of pairs holds for each piece; None for a form of any other kind."""
    if isinstance(form, Many) and isinstance(form.of, Each) and len(form.of.of) == 2:
        name, of = form.of.of
        return of if isinstance(name, One) and name.piece else None
    return None


@dataclass(frozen=True)
class Field:
    """One field: what may stand in it, whether None may, whether it may be left out, and what it is then."""

    name: str
    form: Form
    optional: bool
    required: bool
    default: Any  # None where it is required
    tag: bool = False  # says which of several classes this is: always written


def fields_of(cls: type) -> Mapping[str, Field]:
    """The fields of a dataclass by their names, in their order; TypeError for a type that is none of the above."""
    return _fields_of(cls)


@cache
def _fields_of(cls: type) -> Mapping[str, Field]:
    hints = typing.get_type_hints(cls, include_extras=True)
    found = {}
    for field in dataclasses.fields(cls):
        form, optional = _form(hints[field.name], f"{cls.__name__}.{field.name}")
        default, make = field.default, field.default_factory
        required = default is dataclasses.MISSING and make is dataclasses.MISSING
        if default is dataclasses.MISSING:
            default = None if make is dataclasses.MISSING else make()
        tag = isinstance(form, One) and form.words == (default,)
        found[field.name] = Field(field.name, form, optional, required, default, tag)
    return types.MappingProxyType(found)


def _form(hint: Any, where: str) -> tuple[Form, bool]:
    """The form of a type, and whether None may stand there."""
    parts = typing.get_args(hint) if typing.get_origin(hint) in (typing.Union, types.UnionType) else (hint,)
    left = [part for part in parts if part is not types.NoneType]
    optional = len(left) < len(parts)
    if len(left) > 1:
        return _told_apart(left, where), optional
    (hint,) = left
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if origin is Annotated:
        form, inner = _form(arguments[0], where)
        if isinstance(form, One):
            form = replace(form, face=_A_FACE in arguments[1:], piece=_A_PIECE in arguments[1:])
        return form, optional or inner
    if origin is Literal and all(isinstance(word, str) for word in arguments):
        return One(str, words=arguments), optional
    if origin is tuple and arguments[-1] is Ellipsis:
        return Many(_form(arguments[0], where)[0]), optional
    if origin is tuple:
        return Each(tuple(_form(part, where)[0] for part in arguments)), optional
    if dataclasses.is_dataclass(hint):
        return Within((typing.cast(type, hint),)), optional
    if isinstance(hint, type) and origin is None:
        return One(hint), optional
    raise TypeError(f"{where} is of the type {hint}, which neither a job file nor a book can hold.")


def _told_apart(hints: list[Any], where: str) -> Within:
    if all(dataclasses.is_dataclass(hint) for hint in hints):
        tags = [{f.name: str(f.default) for f in fields_of(hint).values() if f.tag} for hint in hints]
        for name in tags[0]:
            words = {each.get(name) for each in tags}
            if len(words) == len(hints) and None not in words:
                return Within(tuple(hints), name)
    raise TypeError(f"{where} may be one of several, and no key with a word of its own tells them apart.")


# -- the faces and pieces it names

Sort = Literal["face", "piece"]


def _naming(cls: type, sort: Sort) -> tuple[Field, ...]:
    """Those of its fields in which one may be named."""
    return _naming_of(cls, sort)


@cache
def _naming_of(cls: type, sort: Sort) -> tuple[Field, ...]:
    return tuple(field for field in fields_of(cls).values() if _may_name(field.form, sort))


def _may_name(form: Form, sort: Sort) -> bool:
    match form:
        case One():
            return _names(form, sort) or form.type not in PLAIN
        case Many(of=one):
            return _may_name(one, sort)
        case Each(of=forms):
            return any(_may_name(one, sort) for one in forms)
        case Within(classes=classes):
            return any(_naming(cls, sort) for cls in classes)


def _names(form: One, sort: Sort) -> bool:
    return form.face if sort == "face" else form.piece


def faces_named(thing: Any) -> Iterator[tuple[str, str]]:
    """Every face that a dataclass names, in the order of its fields, behind where: ("against.face", "P")."""
    return _all_named(thing, "face")


def pieces_named(thing: Any) -> Iterator[tuple[str, str]]:
    """The same of pieces."""
    return _all_named(thing, "piece")


def _all_named(thing: Any, sort: Sort) -> Iterator[tuple[str, str]]:
    for field in _naming(type(thing), sort):
        yield from _named(field.form, getattr(thing, field.name), field.name, sort)


def _named(form: Form, value: Any, place: str, sort: Sort) -> Iterator[tuple[str, str]]:
    if value is None:
        return
    if isinstance(form, One) and _names(form, sort):
        yield place, value
    elif isinstance(form, Many | Each):
        forms = form.of if isinstance(form, Each) else (form.of,) * len(value)
        for i, (one, part) in enumerate(zip(forms, value, strict=True)):
            yield from _named(one, part, place if by_piece(form) else f"{place}[{i}]", sort)
    elif dataclasses.is_dataclass(value):
        yield from ((f"{place}.{inner}", name) for inner, name in _all_named(value, sort))


def with_renamed(thing: T, sort: Sort, old: str, new: str) -> T:
    """The dataclass with the face, or piece, `new` wherever it named `old`."""
    values = [(field, getattr(thing, field.name)) for field in _naming(type(thing), sort)]
    changed = {f.name: now for f, was in values if (now := _renamed(f.form, was, sort, old, new)) != was}
    return replace(thing, **changed) if changed else thing  # type: ignore[type-var]


def _renamed(form: Form, value: Any, sort: Sort, old: str, new: str) -> Any:
    if isinstance(form, One) and _names(form, sort):
        return new if value == old else value
    if isinstance(value, tuple) and isinstance(form, Many | Each):
        forms = form.of if isinstance(form, Each) else (form.of,) * len(value)
        return tuple(_renamed(one, part, sort, old, new) for one, part in zip(forms, value, strict=True))
    return with_renamed(value, sort, old, new) if dataclasses.is_dataclass(value) else value
