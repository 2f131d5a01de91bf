"""What a job is at one moment: the newest version of each of its parts, and the `Job` they make."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Pass, Reading, Setting
from waywright.core.evidence.things import Instrument, Piece
from waywright.record.parts import Attachment, Head, Item, Memo, Ref, ref_of

HEAD, GOAL = 1, 2  # the first things of every job


@dataclass(frozen=True)
class Held:
    """One part as the book holds it. `number` is its version: that of the act that wrote it."""

    thing: int
    number: int
    part: Item
    parent: int | None = None
    position: float = 0.0
    hidden: bool = False

    @property
    def ref(self) -> Ref:
        """How it is named."""
        return ref_of(self.part)


@dataclass(frozen=True)
class State:
    """A job after its act `number`; `things` holds every part there ever was, hidden ones too."""

    number: int
    things: Mapping[int, Held]

    def with_(self, changed: Iterable[Held]) -> State:
        """The state with these parts instead, or besides."""
        return replace(self, things={**self.things, **{held.thing: held for held in changed}})

    def shows(self, held: Held) -> bool:
        """Whether it is to be seen: neither it nor what it belongs to is hidden."""
        while not held.hidden:
            if held.parent is None:
                return True
            held = self.things[held.parent]
        return False

    @cached_property
    def shown(self) -> dict[Ref, Held]:
        """Every part to be seen, in order."""
        ordered = sorted(self.things.values(), key=lambda held: (held.position, held.thing))
        return {held.ref: held for held in ordered if self.shows(held)}

    @cached_property
    def claimed(self) -> set[str]:
        """Every id a setting, reading, pass or attachment ever had: none is given twice, even after deleting."""
        return {held.ref.key for held in self.things.values() if not isinstance(held.part, Piece | Instrument)}

    def of(self, cls: type[Item]) -> list[Held]:
        """The parts of one class to be seen, in order."""
        return [held for held in self.shown.values() if isinstance(held.part, cls)]

    @cached_property
    def readings(self) -> dict[int, list[Held]]:
        """The readings to be seen by the thing number of their setting, in the order of the kind's lists."""
        found: dict[int, list[Held]] = {}
        for held in self.of(Reading):
            found.setdefault(held.parent or 0, []).append(held)
        for thing, readings in found.items():
            setting = self.things[thing].part
            assert isinstance(setting, Setting)
            order = {entry.name: i for i, entry in enumerate(setting.geometry.entries)}
            readings.sort(key=lambda held: order[held.part.entry] if isinstance(held.part, Reading) else 0)
        return found

    @cached_property
    def corrections(self) -> dict[str, list[Held]]:
        """The readings to be seen that replace another, by its id."""
        found: dict[str, list[Held]] = {}
        for held in self.of(Reading):
            if isinstance(held.part, Reading) and held.part.corrects is not None:
                found.setdefault(held.part.corrects, []).append(held)
        return found

    @cached_property
    def job(self) -> Job:
        """The job as the rest of Waywright knows it."""
        head, goal = self.things[HEAD].part, self.things[GOAL].part
        assert isinstance(head, Head)
        assert isinstance(goal, Goal)
        return Job(
            title=head.title,
            pieces=tuple(h.part for h in self.of(Piece) if isinstance(h.part, Piece)),
            instruments=tuple(h.part for h in self.of(Instrument) if isinstance(h.part, Instrument)),
            settings=tuple(self._whole(h) for h in self.of(Setting)),
            passes=tuple(h.part for h in self.of(Pass) if isinstance(h.part, Pass)),
            goal=goal,
            hand=head.hand,
            temperature_c=head.temperature_c,
            note=head.note,
            without=head.without,
            materials=head.materials,
        )

    def _whole(self, held: Held) -> Setting:
        """A setting with its readings."""
        assert isinstance(held.part, Setting)
        readings = self.readings.get(held.thing, [])
        return replace(held.part, readings=tuple(h.part for h in readings if isinstance(h.part, Reading)))

    @property
    def attachments(self) -> tuple[Attachment, ...]:
        """What is attached."""
        return tuple(h.part for h in self.of(Attachment) if isinstance(h.part, Attachment))

    @property
    def memos(self) -> dict[str, str]:
        """What pages keep with the job, by their ids."""
        return {h.part.id: h.part.text for h in self.of(Memo) if isinstance(h.part, Memo)}


EMPTY = State(0, {})


def lacks(state: State) -> Iterator[str]:
    """What a state lacks that every job has: its head and goal, and for each part what it belongs to."""
    begun = isinstance(_part(state, HEAD), Head) and isinstance(_part(state, GOAL), Goal)
    if not begun or state.things[GOAL].hidden:
        yield "it does not begin as a job does"
        return
    for thing, held in state.things.items():
        if held.parent is None:
            if isinstance(held.part, Reading):
                yield f"{held.ref} has no setting"
        elif held.parent not in state.things or held.parent >= thing:
            yield f"{held.ref} belongs to nothing"
        elif isinstance(held.part, Reading):
            setting = state.things[held.parent].part
            if not isinstance(setting, Setting) or not any(e.name == held.part.entry for e in setting.geometry.entries):
                yield f"{held.ref} belongs to no setting"
        elif not isinstance(held.part, Attachment):
            yield f"{held.ref} belongs to {state.things[held.parent].ref}"


def _part(state: State, thing: int) -> Item | None:
    return state.things[thing].part if thing in state.things else None
