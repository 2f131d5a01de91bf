"""Whether each value of a job can be what it is, by itself: the limits that a job file and a form hold, for any part
however it came in.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

from waywright.core.evidence.fields import One, fields_of
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.kind import Entry
from waywright.jobfile.fields import unfit_number, unfit_text, unfit_typed, unfit_word

Wrong = tuple[str, str]  # a key, or keys behind each other, and the sentence


def values(job: Job) -> None:
    """Raise `JobError` at the first value that cannot be."""
    for place, part in _parts(job):
        for key, sentence in wrong_values(part):
            raise JobError(sentence, f"{place}.{key}" if place else key)
    for i, setting in enumerate(job.settings):
        for j, reading in enumerate(setting.readings):
            for key, sentence in wrong_reading(setting, reading):
                named = _named(reading.id, f"{_named(setting.id, f'settings[{i}]')}.readings[{j}]")
                raise JobError(sentence, f"{named}.{key}" if key else named)


def _parts(job: Job) -> Iterator[tuple[str, Any]]:
    """Every part but the readings, and its place."""
    yield "", dataclasses.replace(job, pieces=(), instruments=(), settings=(), passes=(), materials=())
    for i, piece in enumerate(job.pieces):
        yield f"pieces[{i}]", piece
    for i, instrument in enumerate(job.instruments):
        yield _named(f"instruments.{instrument.name}", f"instruments[{i}]"), instrument
    for i, material in enumerate(job.materials):
        yield _named(f"materials.{material.name}", f"materials[{i}]"), material
    for i, setting in enumerate(job.settings):
        yield _named(setting.id, f"settings[{i}]"), setting
    for i, each in enumerate(job.passes):
        yield _named(each.id, f"passes[{i}]"), each


def _named(name: str, place: str) -> str:
    """What a sentence calls a part: its name, where that can be said at all."""
    return place if unfit_text(name, "id") else name


def wrong_values(part: Any) -> Iterator[Wrong]:
    """What cannot be in the fields of a dataclass: a part of a job, without the readings of a setting."""
    for name, field in fields_of(type(part)).items():
        value = getattr(part, name)
        if name == "geometry":
            yield from wrong_values(value)
        elif name != "readings":
            yield from _wrong(value, name, name)
            if isinstance(field.form, One) and value is not None and (wrong := unfit_word(value, field.form.words)):
                yield name, wrong


def _wrong(value: Any, key: str, place: str) -> Iterator[Wrong]:
    if isinstance(value, str):
        sentence = unfit_text(value, key)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        sentence = unfit_number(value, key)
    elif isinstance(value, tuple):
        for i, one in enumerate(value):
            yield from _wrong(one, key, f"{place}[{i}]")
        return
    elif dataclasses.is_dataclass(value):
        for inner, sentence in wrong_values(value):
            yield f"{place}.{inner}", sentence
        return
    else:
        return
    if sentence:
        yield place, sentence


def wrong_reading(setting: Setting, reading: Reading, *, strict: bool = True) -> Iterator[Wrong]:
    """What cannot be in a reading under a setting; unless `strict` only whether its list takes it."""
    entry = next((e for e in setting.geometry.entries if e.name == reading.entry), None)
    if entry is None or (sentence := unfit(entry, reading)):
        lists = ", ".join(e.name for e in setting.geometry.entries)
        yield "", sentence if entry is not None else f"There is no list {reading.entry[:40]!r} here; there are {lists}."
        return
    if not strict:
        return
    for key, typed in ((reading.key, reading.value), (entry.low, reading.low), (entry.high, reading.high)):
        if typed is not None and key is not None and (sentence := unfit_typed(typed, key)):
            yield key, sentence
    for key in ("x_mm", "y_mm", "at_mm"):
        if getattr(reading, key) is not None and key not in entry.places:
            yield key, f"The {entry.name} have no {key}; take it out."
    for key, value in vars(reading).items():
        if value is not None and not isinstance(value, Typed):
            yield from _wrong(value, key, key)


def unfit(entry: Entry, reading: Reading) -> str:
    """Why a reading cannot stand in a list, in a sentence; "" if it can."""
    if reading.value is not None and reading.key not in entry.values:
        return f"A value of {entry.name} cannot stand under {reading.key!r}."
    if (reading.low is not None and entry.low is None) or (reading.high is not None and entry.high is None):
        return f"The {entry.name} take no bracket; give a value."
    if reading.value is not None and (reading.low is not None or reading.high is not None):
        return "One reading cannot say both a value and a bracket; split it in two."
    if reading.mark is not None and reading.mark not in entry.marks:
        return f"The {entry.name} take no mark {reading.mark!r}."
    if reading.value is None and reading.low is None and reading.high is None and reading.mark is None:
        return "This reading has no value; give one."
    return ""
