"""How a job begins, and how an act is taken back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from waywright.core.evidence import Job, Pass, Setting
from waywright.core.things import Instrument, Piece
from waywright.record.edits import Add, apply_all
from waywright.record.errors import Refused
from waywright.record.parts import Head
from waywright.record.state import GOAL, HEAD, Held, State


def parts_of(job: Job) -> list[Held]:
    """Every part of a job as the first act writes them."""
    head = Head(job.title, job.temperature_c, job.note)
    state = State(0, {HEAD: Held(HEAD, 1, head, position=1.0), GOAL: Held(GOAL, 1, job.goal, position=2.0)})
    parts: list[Piece | Instrument | Setting | Pass] = [*job.pieces, *job.instruments, *job.settings, *job.passes]
    edits = [Add(part) for part in parts]
    return list(apply_all(state, edits).things.values())


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
