"""A person who has nothing but the words of a move, and the faces and instruments on the bench: what they would set up.

Nothing here knows how the program makes its sentences; a phrase that is not understood raises `Unclear`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from waywright.core.evidence.job import Job, Setting
from waywright.core.readings import Cross, LayUp, Rider, Rolls, Run, Slide, Step, Thickness
from waywright.units import METRIC

Place = tuple[float, ...]


class Unclear(ValueError):
    """Words that do not say what to do."""


@dataclass(frozen=True)
class Deed:
    """One setting as set up: of what kind, on which faces, with what numbers, where read, on what stood."""

    kind: str
    faces: tuple[str, ...]
    numbers: tuple[float, ...]
    flags: frozenset[str]
    read: tuple[Place, ...] = ()
    stood: tuple[Place, ...] = ()
    instrument: str = ""
    rest: tuple[str, ...] = field(default=(), compare=False)

    def same(self, other: Deed) -> bool:
        """Whether both set up the same, to what words round (a thousandth of a millimetre)."""
        plain = (self.kind, self.faces, self.flags, self.instrument) == (
            other.kind,
            other.faces,
            other.flags,
            other.instrument,
        )
        pairs = (
            (self.numbers, other.numbers),
            *((a, b) for a, b in ((self.read, other.read), (self.stood, other.stood))),
        )
        return plain and all(_alike(a, b) for a, b in pairs)


def _alike(one: tuple[object, ...], other: tuple[object, ...]) -> bool:
    a, b = np.array(sorted(one), float), np.array(sorted(other), float)  # type: ignore[type-var]
    return a.shape == b.shape and bool(np.allclose(a, b, rtol=2e-6, atol=2e-3))


# -- what a sentence says


NUMBER = r"[−-]?\d+(?:\.\d+)?"
LINE = rf"the (?:near|far) line \(y {NUMBER}\)|the line y {NUMBER}|the centre line"


def number(text: str) -> float:
    return float(text.replace("−", "-"))


def numbers(text: str) -> list[float]:
    return [number(n) for n in re.findall(NUMBER, text)]


def lines(text: str) -> list[float]:
    """The y of every line named; the near one must lie near, the far one far."""
    if found := re.fullmatch(r"the lines y (.+)", text):
        return numbers(found[1])
    told = []
    for name in re.findall(LINE, text):
        y = numbers(name)[0] if "y" in name else 0.0
        if ("near" in name and y >= 0) or ("far" in name and y <= 0):
            raise Unclear(name)
        told.append(y)
    return told


def stations(text: str) -> list[float]:
    """Every place along a line that "at 30 and 105 mm, then every 75 mm from 180 to 630 mm" names."""
    found: list[float] = []
    for part in text.split(", then "):
        if run := re.fullmatch(rf"every ({NUMBER}) mm from ({NUMBER}) to ({NUMBER}) mm", part):
            step, first, last = map(number, run.groups())
            found += np.linspace(first, last, round((last - first) / step) + 1).tolist()
        elif re.fullmatch(rf"at {NUMBER}(?:, {NUMBER})*(?: and {NUMBER})? mm", part):
            found += numbers(part)
        else:
            raise Unclear(part)
    return found


def spots(text: str) -> tuple[Place, ...]:
    """Places line by line; of a reading without lines y is 0."""
    found: list[Place] = []
    for part in text.split("; "):
        named = re.fullmatch(
            rf"on ((?:{LINE})(?: and (?:{LINE}))?|the lines y [^a-z]+?and {NUMBER}) ((?:at|every) .+)", part
        )
        ys, along = (lines(named[1]), named[2]) if named else ([0.0], part)
        found += [(x, y) for y in ys for x in stations(along)]
    return tuple(found)


def sentences(text: str) -> list[str]:
    return [one.rstrip(".") for one in re.split(r"\. (?=[A-Z])", text)]


# -- what is set up


def deeds(text: str, job: Job, faces: tuple[str, ...] = ()) -> list[Deed]:
    """Every setting that the words ask for, one after the other."""
    person = _Person(job, (*job.faces(), *faces))
    said = sentences(text)
    found: list[Deed] = []
    at = 0
    while at < len(said):
        begun = person.begin(said[at])
        if begun is None:
            at += 1
            continue
        end = at + 1
        while end < len(said) and person.begin(said[end]) is None and not said[end].startswith("All else"):
            end += 1
        rest = said[at + 1 : end]
        if end < len(said) and said[end] == "All else as before":
            rest, end = list(found[-1].rest), end + 1
        found += [replace(deed, rest=tuple(rest)) for deed in person.finish(begun, rest)]
        at = end
    return found


class _Person:
    def __init__(self, job: Job, faces: tuple[str, ...]) -> None:
        self.job = job
        names = sorted(faces, key=len, reverse=True)
        self.face = "(" + "|".join(map(re.escape, names)) + ")"
        self.kit = {f"the {i.name}": i.name for i in job.instruments} | {i.name: i.name for i in job.instruments}

    def begin(self, said: str) -> Deed | None:
        """What a sentence begins to set up; nothing where it goes on with what stands."""
        f, n = self.face, f"({NUMBER})"
        if m := re.match(
            rf"(?:Read it )?[Ll]ay {f} on {f}, marks (together|opposite), its (marked|far) end (.+)", said
        ):
            upper, lower, turn, end, where = m.groups()
            if (turn == "together") != (end == "marked"):
                raise Unclear(said)
            moved = re.match(rf"{n} mm from {re.escape(lower)}'s marked end( beyond it)?", where)
            if moved is None and not where.startswith(f"over {lower}'s"):
                raise Unclear(where)
            offset = (number(moved[1]) * (-1 if moved[2] else 1)) if moved else 0.0
            flags = {turn, *(["wedge"] if "a wedge rising" in where else [])}
            return Deed("lay", (lower, upper), (offset,), frozenset(flags))
        if m := re.match(rf"Step (.+) along {f}, its feet {n} mm apart", said):
            return Deed("step", (m[2],), (number(m[3]),), frozenset(), instrument=self._owned(m[1]))
        if m := re.match(rf"Set (.+) across {f}, one foot on ({LINE}), one on ({LINE})", said):
            near, far = lines(m[3])[0], lines(m[4])[0]
            return Deed("cross", (m[2],), (far - near, (near + far) / 2), frozenset(), instrument=self._owned(m[1]))
        if m := re.match(
            rf"Step a bridge with (.+) along {f} on two feet {n} mm apart, the tip in line .*, {n} mm from the first",
            said,
        ):
            apart, tip = number(m[3]), number(m[4])
            return Deed("rider", (m[2],), (0, 0, apart, 0, tip, 0), frozenset(), instrument=self._owned(m[1]))
        if m := re.match(rf"Run (.+) along {f} on (.+?), {f} (as it lies|rolled over its long edge)", said):
            return Deed("run", (m[2],), (), frozenset({m[3], m[5]}), instrument=self._owned(m[1]))
        if m := re.match(rf"Measure the thickness from {f} to {f} with (.+), {f} up", said):
            return Deed("thickness", (m[1], m[2]), (), frozenset(), instrument=self._owned(m[3]))
        if m := re.match(r"Measure ((?:over|between) .+) with (.+)", said):
            return Deed("rolls", (), (), frozenset({m[1]}), instrument=self._owned(m[2]))
        return None

    def _owned(self, words: str) -> str:
        """The instrument that is meant; one that is none of the owner's is to be borrowed."""
        return self.kit.get(words, "")

    def finish(self, deed: Deed, rest: list[str]) -> Iterator[Deed]:
        """With all that the sentences after the first say."""
        for said in rest:
            if m := re.fullmatch(r"Stand it on blocks (.+)", said):
                for group in m[1].split("; and of "):
                    size, where = group.removeprefix("of ").split(" mm, ", 1)
                    stood = tuple((*at, number(size)) for at in spots(where))
                    deed = replace(deed, stood=(*deed.stood, *stood))
            elif m := re.fullmatch(
                r"Read the gap(?: with (.+?))? ((?:on|at|every) .+), counted from the lower face's marked end", said
            ):
                deed = replace(deed, read=spots(m[2]), instrument=self._owned(m[1] or ""))
            elif m := re.fullmatch(r"Slide stacks in from the wide end(?: with (.+))? until they stop", said):
                deed = replace(deed, instrument=self._owned(m[1] or ""))
            elif (m := re.fullmatch(r"Choose such as stop (.+)", said)) or (
                m := re.match(
                    r"(?:The foot nearer the marked end|The first foot|It|The anvils) stands? (.+?)(?: of .+)?$", said
                )
            ):
                deed = replace(deed, read=spots(m[1]))
            elif said == "Type the largest stack that goes and the smallest that does not":
                deed = replace(deed, flags=deed.flags | {"bracket"})
            elif deed.kind in ("run", "rolls") and (m := re.fullmatch(r"Read it ((?:on|at|every) .+)", said)):
                deed = replace(deed, read=spots(m[1]))
            elif deed.kind == "run" and (m := re.match(rf"Then lay {self.face} rolled over its long edge", said)):
                yield deed
                deed = replace(deed, flags=deed.flags - {"as it lies"} | {"rolled over its long edge"})
        if deed.kind != "step":
            yield deed
            return
        for y in sorted({y for _, y in deed.read}):
            yield replace(deed, numbers=(*deed.numbers, y), read=tuple(p for p in deed.read if p[1] == y))


# -- what the program meant


def meant(setting: Setting, job: Job) -> Deed:
    """The same of a setting of the program."""
    kind = setting.geometry
    taken = kind.to_read(setting.readings)
    line = getattr(kind, "y_mm", 0.0) if not isinstance(kind, Cross) else 0.0
    at = tuple((r.x_mm or 0.0, line if r.y_mm is None else r.y_mm) for r in taken)
    owned = job.instrument(setting)
    name = owned.name if owned is not None and owned in job.instruments else ""
    match kind:
        case LayUp() | Slide():
            stood = tuple(
                (r.x_mm or 0.0, r.y_mm or 0.0, r.value.to("mm"))
                for r in kind.rests(setting.readings)
                if r.value is not None
            )
            bracket = any(r.low is not None and r.high is not None for r in taken)
            flags = {"together" if kind.turn == "over" else "opposite", *(["bracket"] if bracket else [])}
            flags |= {"wedge"} if isinstance(kind, Slide) else set()
            return Deed("lay", (kind.lower, kind.upper), (kind.offset_mm,), frozenset(flags), at, stood, name)
        case Step():
            return Deed("step", (kind.face,), (kind.base_mm, kind.y_mm), frozenset(), at, (), name)
        case Cross():
            return Deed("cross", (kind.face,), (kind.base_mm, kind.y_mm), frozenset(), at, (), name)
        case Rider():
            flat = tuple(v for place in (*kind.feet_mm, kind.tip_mm) for v in place)
            return Deed("rider", (kind.face,), flat, frozenset(), at, (), name)
        case Run():
            lies = "rolled over its long edge" if kind.turned_over else "as it lies"
            return Deed("run", (kind.face,), (), frozenset({kind.guide or "", lies}), at, (), name)
        case Thickness():
            return Deed("thickness", (kind.top, kind.bottom), (), frozenset(), at, (), name)
        case Rolls():
            return Deed("rolls", (), (), frozenset({kind.words(METRIC)}), at, (), name)
    raise Unclear(kind.block)
