"""Forms, written once over the fields of a frozen dataclass, as the job file is: a field's name is its key, the ending
of the name its unit, its type what may stand there, its default whether it may be left out.
"""

from __future__ import annotations

import dataclasses
import re
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from waywright.core.evidence.job import Job
from waywright.core.evidence.things import INSTRUMENT_KINDS, SEAT_UM, SIDES
from waywright.core.judge.decisions import RULES
from waywright.core.judge.limits import SIDES as LIMIT_SIDES
from waywright.core.readings.blocks import GRADES
from waywright.core.readings.laid import ENDS, TURNS
from waywright.jobfile.fields import Refused, required, types_of
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
    left_out, found = set(skip), []
    for name, kind in types_of(cls).items():
        if name in left_out or dataclasses.is_dataclass(kind):
            continue
        needed = name in required(cls)
        # A tick that is not set is not sent and reads as the default: where that is yes, no must be said.
        chosen = kind is bool and _default(cls, name) is True
        words = YES_OR_NO if chosen else choices.get(name, ())
        offered = tuple(Choice(value, SAID.get(value, value)) for value in words)
        if offered and not needed and not chosen:
            offered = (Choice("", "–"), *offered)
        found.append(
            Field(
                name=name,
                label=label_of(name),
                value=given.get(name, "") or ("yes" if chosen else ""),
                unit=unit_of_key(name),
                choices=offered,
                required=needed,
                tick=kind is bool and not chosen,
                long=typing.get_origin(kind) is tuple,
                problem=str(wrong) if wrong is not None and wrong.field == name else "",
            )
        )
    return tuple(found)


def _default(cls: type, name: str) -> object:
    """What a field is when it is left out."""
    return next(f.default for f in dataclasses.fields(cls) if f.name == name)


def label_of(name: str) -> str:
    """What a field is called on a page."""
    if name in WORDS:
        return WORDS[name]
    bare = re.sub(r"_(mm|um|deg|c|n|kg|min)$", "", name)
    return bare.replace("_", " ").capitalize()


def given_of(thing: object) -> dict[str, str]:
    """What a form shows for a dataclass that is there."""
    return {f.name: shown(getattr(thing, f.name)) for f in dataclasses.fields(thing)}  # type: ignore[arg-type]


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
    left_out = set(skip) | {name for name, kind in types_of(cls).items() if dataclasses.is_dataclass(kind)}
    table: dict[str, Any] = {}
    for name, kind in types_of(cls).items():
        text = given.get(name, "").strip()
        if len(text) > LONGEST:
            raise Wrong(f"More than {LONGEST} letters stand here; shorten it.", name)
        if name in left_out or not text:
            continue
        if typing.get_origin(kind) is tuple:
            element = typing.get_args(kind)[0]
            if typing.get_origin(element) is tuple:  # places, one behind the other
                table[name] = [parts_of(one) for one in re.split(r"[;\n]", text) if one.strip()]
            else:
                table[name] = parts_of(text, numbers=element is float)
        else:
            table[name] = text == "yes" if kind is bool else _whole(text, name) if kind is int else text
    try:
        return read_fields(cls, table, (), skip=left_out)
    except Refused as error:
        raise Wrong(str(error), str(error.path[0]) if error.path else "") from None


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
    faces = tuple(job.faces())
    named = dict.fromkeys(getattr(kind, "face_fields", ()), faces)
    fitting = getattr(kind, "instrument_kinds", ())
    owned = tuple(i.name for i in job.instruments if not fitting or i.kind in fitting)
    return {**CHOICES, **named, "instrument": owned}


INSTRUMENT_CHOICES: Choices = {"kind": INSTRUMENT_KINDS, "grade": GRADES}
FACE_CHOICES: Choices = {"side": SIDES, "finish": tuple(SEAT_UM)}
GOAL_CHOICES: Choices = {"side": LIMIT_SIDES, "rule": RULES}
