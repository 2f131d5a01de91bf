"""Forms, written once over the fields of a frozen dataclass, as the job file is: a field's name is its key, the ending
of the name its unit, its type what may stand there, its default whether it may be left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from waywright.core.evidence.fields import Each, Form, Many, One, Within, by_piece, fields_of
from waywright.core.evidence.job import Job
from waywright.core.evidence.lying import ENDS, TURNS
from waywright.core.evidence.things import INSTRUMENT_KINDS, SEAT_UM, SIDES
from waywright.core.judge.decisions import RULES
from waywright.core.judge.limits import SIDES as LIMIT_SIDES
from waywright.core.readings.blocks import GRADES
from waywright.jobfile.fields import Refused
from waywright.jobfile.fields import fields as read_fields
from waywright.units import unit_of_key

LONGEST = 2_000  # letters in one field; a list of stations may be long
Choices = Mapping[str, tuple[str, ...]]
Given = Mapping[str, str]

CHOICES: Choices = {
    "turn": TURNS,
    "held": ENDS,
    "pushed": ENDS,
    "finish": tuple(SEAT_UM),
    "rule": RULES,
}
WORDS = {
    "u_um": "Standard uncertainty of one reading",
    "u_um_per_m": "Standard uncertainty of one reading",
    "feel_um": "Feel for a stack that drags",
    "um_per_m_per_div": "One division of the level",
    "blocks_mm": "Blocks of the set",
    "length_mm": "Length",
    "width_mm": "Width",
    "stations_mm": "Stations, from the marked end",
    "lines_mm": "Lines, from the centre line",
    "offset_mm": "Upper moved along by",
    "offset_y_mm": "Upper moved across by",
    "angle_deg": "Upper turned by",
    "turn": "How it lies",
    "lower": "Below",
    "upper": "On it",
    "held": "End held down",
    "pushed": "End pushed sideways",
    "feet_mm": "Feet from where it stands, x and y each, parted by ;",
    "tip_mm": "Tip from where it stands, x and y",
    "touching": "Touching, without spacers",
    "straightness_um": "Straightness",
    "flatness_um": "Flatness",
    "twist_um_per_m": "Twist",
    "leave_out_mm": "Left out at each end",
    "temperature_c": "Temperature",
    "seat_um": "Seating of one foot",
    "rested": "Untouched since",
    "mass_kg": "Weighed",
    "carried_mm": "Stands on, from its marked end",
    "depth_mm": "Depth, from the face to the back",
    "web_mm": "Web, or each wall",
    "flange_mm": "Each flange",
    "area_mm2": "Area, where you worked it out",
    "inertia_mm4": "Second moment of area",
    "shear_mm2": "Area that carries shear",
    "name": "Name",
    "grade": "Grade",
    "kind": "Kind",
    "base_mm": "Base",
    "rolls": "Guide may roll",
    "line_mm": "Guide's own line, from the centre line",
    "faces": "Faces",
}
YES_OR_NO = ("yes", "no")
SAID = {"over": "marks together (rolled over)", "end for end": "marks opposite (end for end)"}


class Wrong(ValueError):
    """A field that cannot be used; `field` names it, the message is one plain sentence."""

    def __init__(self, message: str, field: str = "") -> None:
        super().__init__(message)
        self.field = field


@dataclass(frozen=True)
class Choice:
    """One of the things a field may be."""

    value: str
    words: str


@dataclass(frozen=True)
class Field:
    """One field of a form, as the template prints it."""

    name: str
    label: str
    value: str
    unit: str = ""
    choices: tuple[Choice, ...] = ()
    required: bool = False
    tick: bool = False
    long: bool = False  # a list of numbers
    problem: str = ""

    @property
    def checked(self) -> bool:
        """Whether a tick is set."""
        return self.tick and self.value == "yes"


def form_of(
    cls: type, given: Given, skip: Iterable[str] = (), choices: Choices = CHOICES, wrong: Wrong | None = None
) -> tuple[Field, ...]:
    """The fields of a form for a dataclass, filled in with what was `given`."""
    found = []
    for line in lines_of(cls, skip):
        chosen = line.said
        words = YES_OR_NO if chosen else choices.get(line.name, line.words)
        offered = tuple(Choice(value, SAID.get(value, value)) for value in words)
        if offered and (line.loose or not (line.needed or chosen)):
            offered = (Choice("", "–"), *offered)
        found.append(
            Field(
                name=line.name,
                label=label_of(line.name),
                value=given.get(line.name, "") or ("yes" if chosen and not line.loose else ""),
                unit=unit_of_key(line.name),
                choices=offered,
                required=line.needed,
                tick=line.yes_or_no and not chosen,
                long=isinstance(line.form, Many | Each),
                problem=str(wrong) if wrong is not None and wrong.field == line.name else "",
            )
        )
    return tuple(found)


@dataclass(frozen=True)
class Line:
    """One field that a line of text, a choice or a tick can hold. Of a dataclass within: "carrier.face"."""

    name: str
    form: Form
    needed: bool
    default: object = None
    loose: bool = False  # what it is within may be left out

    @property
    def yes_or_no(self) -> bool:
        """Whether it is one of the two."""
        return isinstance(self.form, One) and self.form.type is bool

    @property
    def said(self) -> bool:
        """A tick that is not set is not sent and reads as the default: where that is yes, no must be said."""
        return self.yes_or_no and self.default is True

    @property
    def face(self) -> bool:
        """Whether it names a face."""
        return isinstance(self.form, One) and self.form.face

    @property
    def words(self) -> tuple[str, ...]:
        """The only words it may be, where its type says so."""
        return self.form.words if isinstance(self.form, One) else ()


def lines_of(cls: type, skip: Iterable[str] = ()) -> Iterator[Line]:
    """The fields of a dataclass and, behind their name and a point, of those within it. Of several told apart by a tag
    the tag comes first, and then whatever any of them has, which none needs. Lists of dataclasses are no line."""
    left_out = set(skip)
    for field in fields_of(cls).values():
        if field.name in left_out:
            continue
        if isinstance(field.form, Within):
            for inner in _lines_within(field.form):
                needed, loose = inner.needed and field.required, inner.loose or not field.required
                yield Line(f"{field.name}.{inner.name}", inner.form, needed, inner.default, loose)
        elif field.name not in _no_lines(cls):
            yield Line(field.name, field.form, field.required, field.default)


def _lines_within(table: Within) -> Iterator[Line]:
    if not table.tag:
        yield from lines_of(table.classes[0])
        return
    yield Line(table.tag, One(str, words=tuple(table.tagged())), True)
    seen = {table.tag}
    for line in (line for cls in table.classes for line in lines_of(cls)):
        if line.name not in seen:
            seen.add(line.name)
            yield Line(line.name, line.form, False, line.default, True)


def _no_lines(cls: type) -> tuple[str, ...]:
    """The fields that no line can hold."""
    return tuple(f.name for f in fields_of(cls).values() if isinstance(f.form, Many | Each) and _of_dataclasses(f.form))


def _of_dataclasses(form: Form) -> bool:
    if isinstance(form, Many | Each):
        forms = form.of if isinstance(form, Each) else (form.of,)
        return by_piece(form) is not None or any(map(_of_dataclasses, forms))
    return isinstance(form, Within)


def kept(thing: object) -> dict[str, Any]:
    """What a form of a dataclass that is there cannot show, and so leaves as it is."""
    return {name: getattr(thing, name) for name in _no_lines(type(thing))}


def label_of(name: str) -> str:
    """What a field is called on a page."""
    if name in WORDS:
        return WORDS[name]
    if "." in name:
        outer, _, inner = name.partition(".")
        return f"{label_of(outer)}: {label_of(inner)[:1].lower()}{label_of(inner)[1:]}"
    bare = re.sub(r"_(mm|um|deg|c|n|kg|min)$", "", name)
    return bare.replace("_", " ").capitalize()


def given_of(thing: object) -> dict[str, str]:
    """What a form shows for a dataclass that is there."""
    found: dict[str, str] = {}
    for field in fields_of(type(thing)).values():
        value = getattr(thing, field.name)
        if isinstance(field.form, Within):
            found |= {f"{field.name}.{inner}": text for inner, text in (given_of(value) if value else {}).items()}
        else:
            found[field.name] = shown(value)
    return found


def shown(value: object) -> str:
    """A value as a person would type it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, tuple):
        return ("; " if any(isinstance(one, tuple) for one in value) else "  ").join(shown(one) for one in value)
    return str(value)


def read(cls: type, given: Given, skip: Iterable[str] = ()) -> dict[str, Any]:
    """The values that were typed for the fields of a dataclass; raises `Wrong`."""
    left_out = {*skip, *_no_lines(cls)}
    names = {line.name for line in lines_of(cls, left_out)}
    try:
        return read_fields(cls, _typed(cls, given, left_out), (), skip=left_out)
    except Refused as error:
        field = ".".join(str(part) for part in error.path if isinstance(part, str))
        raise Wrong(str(error), field if field in names else "") from None


def _typed(cls: type, given: Given, skip: Iterable[str] = (), under: str = "") -> dict[str, Any]:
    """What was typed as the job file would say it, as far as anything was."""
    table: dict[str, Any] = {}
    for name, field in fields_of(cls).items():
        if name in skip:
            continue
        place = f"{under}{name}"
        if isinstance(field.form, Within):
            inner = _typed_within(field.form, given, f"{place}.")
            if inner or (field.required and not field.optional):
                table[name] = inner
            continue
        text = given.get(place, "").strip()
        if len(text) > LONGEST:
            raise Wrong(f"More than {LONGEST} letters stand here; shorten it.", place)
        if text:
            table[name] = _value_of(field.form, text, place)
    return table


def _typed_within(table: Within, given: Given, under: str) -> dict[str, Any]:
    if not table.tag:
        return _typed(table.classes[0], given, (), under)
    word = given.get(f"{under}{table.tag}", "").strip()
    cls = table.tagged().get(word)
    return {table.tag: word} | (_typed(cls, given, (table.tag,), under) if cls is not None else {}) if word else {}


def _value_of(form: Form, text: str, name: str) -> Any:
    if isinstance(form, Many | Each):
        element = form.of if isinstance(form, Many) else form.of[0]
        if isinstance(element, Many | Each):  # places, one behind the other
            return [parts_of(one) for one in re.split(r"[;\n]", text) if one.strip()]
        return parts_of(text, numbers=isinstance(element, One) and element.type is float)
    kind = form.type if isinstance(form, One) else str
    return text == "yes" if kind is bool else _whole(text, name) if kind is int else text


def _whole(text: str, name: str) -> int:
    if not re.fullmatch(r"[+-]?\d{1,9}", text):
        raise Wrong("A whole number is wanted here.", name)
    return int(text)


def parts_of(text: str, numbers: bool = True) -> list[str]:
    """A list as typed: parted by semicolons, line ends, tabs, or a comma with a space; numbers also by spaces alone.

    "0 100 200", "0, 100, 200" and "0,5; 1,5" all read as people mean them.
    """
    if not numbers:
        return [part.strip() for part in re.split(r"[;\n]|,\s", text) if part.strip()]
    found = re.split(r"[;\n\t]|,\s|(?<!\s)\s++(?=[-+−.\d])", text)  # blanks are looked at once, not from each on
    return [part.strip().rstrip(",") for part in found if part.strip()]


def choices_in(job: Job, kind: type | None = None) -> Choices:
    """What the fields of a setting may name in this job: its faces, its instruments."""
    named = dict.fromkeys((line.name for line in lines_of(kind) if line.face) if kind else (), tuple(job.faces()))
    fitting = getattr(kind, "instrument_kinds", ())
    owned = tuple(i.name for i in job.instruments if not fitting or i.kind in fitting)
    return {**CHOICES, **named, "instrument": owned}


INSTRUMENT_CHOICES: Choices = {"kind": INSTRUMENT_KINDS, "grade": GRADES}
FACE_CHOICES: Choices = {"side": SIDES, "finish": tuple(SEAT_UM)}
GOAL_CHOICES: Choices = {"side": LIMIT_SIDES, "rule": RULES}
