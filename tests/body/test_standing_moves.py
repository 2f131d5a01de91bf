"""What weight and warmth ask for: asked where they have the largest share in an open verdict, answered once."""

from __future__ import annotations

from dataclasses import replace

from tests.body.test_warmth import deep, warm
from tests.body.test_weight import SECTION, World, three
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.core.evidence.section import Solid
from waywright.core.next.standing import RestAndRepeat, SayWhere, Weigh, standing_moves
from waywright.core.report import report
from waywright.views.moves import moves_view


def asked(job: Job, limit_um: float) -> list[object]:
    """What is asked for of a job with this limit, all verdicts taken as undecided."""
    found = report(replace(job, goal=Goal(straightness_um=limit_um)), with_cures=False)
    moves = list(standing_moves(found.job, found, found.verdicts))
    assert all(line.how for line in moves_view(moves))
    return list(moves)


def test_what_a_piece_stood_on_is_asked_for_once() -> None:
    """Lowers of which nobody said where they stood are asked about, each in its setting; said, it is asked no more."""
    said = three(lambda at: at, material="steel", section=SECTION)
    free = replace(said, settings=tuple(replace(s, carried_mm=()) for s in said.settings))
    first = asked(free, 3.0)[0]
    assert isinstance(first, SayWhere)
    assert not [move for move in asked(said, 3.0) if isinstance(move, SayWhere)]


def test_a_steel_bar_is_weighed_where_its_sag_matters_most() -> None:
    """Of a solid steel piece read on its supports the sag is known to a tenth from its section, to 3 % once it is
    weighed: that is asked for; weighed, it is asked no more."""
    world = World()
    bar = Solid(depth_mm=30.0, width_mm=30.0)
    pieces = tuple(replace(p, material="steel", section=bar) for p in world.job.pieces)
    world.job = replace(world.job, pieces=pieces)
    world.runs()
    assert any(isinstance(move, Weigh) for move in asked(world.job, 1.0))
    weighed = replace(world.job, pieces=tuple(replace(p, mass_kg=4.24) for p in pieces))
    assert not asked(weighed, 1.0)


def test_a_rest_and_a_repeat_are_asked_for_where_warmth_is_most() -> None:
    """A face read just handled is to be read once more after a night; read so, nothing more is asked."""
    world = deep(World())
    warm(world, "A", 0.0, rested="just handled")
    (move,) = asked(world.job, 1.0)
    assert isinstance(move, RestAndRepeat)
    assert move.again.settings[0].rested == "overnight"
    warm(world, "A", 0.0, rested="overnight")
    assert not [one for one in asked(world.job, 1.0) if isinstance(one, RestAndRepeat)]
