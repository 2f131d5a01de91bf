"""How a job begins, and how an act is taken back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from waywright.core.evidence.job import Job, Pass, Setting
from waywright.core.evidence.things import Instrument, Piece
from waywright.record.edits import Add, apply_all
from waywright.record.errors import Missing, Refused
from waywright.record.log import Act
from waywright.record.parts import Head
from waywright.record.state import GOAL, HEAD, Held, State


def parts_of(job: Job) -> list[Held]:
    """Every part of a job as the first act writes them."""
    head = Head(job.title, job.temperature_c, job.note, job.hand, job.without, job.materials)
    state = State(0, {HEAD: Held(HEAD, 1, head, position=1.0), GOAL: Held(GOAL, 1, job.goal, position=2.0)})
    parts: list[Piece | Instrument | Setting | Pass] = [*job.pieces, *job.instruments, *job.settings, *job.passes]
    edits = [Add(part) for part in parts]
    return list(apply_all(state, edits).things.values())


def undone(acts: Iterable[Act]) -> frozenset[int]:
    """The numbers of the acts that stand taken back: undone by an act that is not undone itself."""
    found: set[int] = set()
    for act in sorted(acts, key=lambda act: act.number, reverse=True):
        if act.undoes is not None and act.number not in found:
            found.add(act.undoes)
    return frozenset(found)


def next_undo(acts: Sequence[Act]) -> Act | None:
    """The newest act that stands and is no undoing; never the first, which would hide the job."""
    back = undone(acts)
    return next((act for act in reversed(acts[1:]) if act.undoes is None and act.number not in back), None)


def next_redo(acts: Sequence[Act]) -> Act | None:
    """The newest undoing that stands, as long as nothing else was done after it."""
    back = undone(acts)
    for act in reversed(acts):
        if act.undoes is None:
            return None
        if act.number not in back and acts[act.undoes - 1].undoes is None:
            return act
    return None


def to_undo(acts: Sequence[Act], number: int | None, *, again: bool) -> int:
    """Which act is to be taken back: the one named, or else the next; raises `Missing` or `Refused`."""
    if number is None:
        chosen = next_redo(acts) if again else next_undo(acts)
        if chosen is None:
            raise Missing(f"There is nothing to {'do again' if again else 'undo'}.")
        return chosen.number
    if not 1 <= number <= len(acts):
        raise Missing(f"This job has the acts 1 to {len(acts)}; there is no act {number}.")
    if number in undone(acts):
        raise Refused(f"Act {number} was undone already.")
    return number


def taken_back(state: State, number: int, before: State, written: Sequence[Held]) -> State:
    """The state with every part that act `number` has `written` as it was `before`; raises `Refused`."""
    changed = []
    for after in written if number > 1 else [state.things[HEAD]]:  # taking back how a job began hides it
        now, was = state.things[after.thing], before.things.get(after.thing)
        if replace(now, number=0) != replace(after, number=0):
            raise Refused(f"{now.ref} was changed again by act {now.number}; undo that first.", now.ref)
        changed.append(replace(was, number=state.number + 1) if was else _hidden(now, state.number + 1))
    return replace(state.with_(changed), number=state.number + 1)


def _hidden(held: Held, number: int) -> Held:
    return replace(held, number=number, hidden=True)
