"""The cheapest readings that let a blind spot be seen, found by trying candidates: each is added to the job with
placeholder values (what a reading would say does not change how well it sees) and the job's sight is worked out anew.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from waywright.core.adjust.blind import WEAK, Blindness, Visibility
from waywright.core.adjust.network import Network, network
from waywright.core.adjust.solution import Heights, Solution
from waywright.core.evidence.bends import NOTHING_MORE, Given
from waywright.core.evidence.findings import Cure
from waywright.core.evidence.job import Job
from waywright.core.evidence.kind import Candidate, Kind
from waywright.core.evidence.lying import TURNS, Lying
from waywright.core.evidence.things import Piece
from waywright.core.readings import KINDS
from waywright.progress import each
from waywright.units import Showing

MAKING_A_PIECE_MIN = 1800.0  # a third edge from a casting; common practice, no source
MOST_TRIALS = 40


def newest_faces(net: Network, solution: Solution) -> list[Heights]:
    """The read faces of a solution in their newest states, in the order of the job."""
    states = net.job.states()
    found = (solution.face(name, state) for name, state in states.items())
    return [f for f in found if f is not None]


def visibility(job: Job, given: Given = NOTHING_MORE) -> tuple[Solution, Visibility]:
    """What the readings of a job see, whatever they say."""
    net = network(job, given)
    solution = Solution(net.unknowns, net.rows.take((net.rows.sense == 0).nonzero()[0]))
    return solution, Visibility(solution, newest_faces(net, solution))


def cures(
    job: Job,
    spots: Sequence[Blindness],
    kinds: Sequence[type[Kind]] | None = None,
    given: Given = NOTHING_MORE,
) -> dict[int, Cure]:
    """The cheapest cure of each blind spot, by its number; one that no candidate cures has none."""
    found: dict[int, Cure] = {}
    for candidate in each(candidates(job, kinds)[:MOST_TRIALS]):
        left = [i for i in range(len(spots)) if i not in found]
        if not left:
            break
        _, seen = visibility(candidate.added_to(job), given)
        for i in left:
            ratio = seen.ratio(spots[i].mode, spots[i].weights)
            if ratio < WEAK:
                found[i] = Cure(candidate.minutes, ratio, candidate)
    return found


def candidates(job: Job, kinds: Sequence[type[Kind]] | None = None) -> list[Candidate]:
    """What could be taken next, setting by setting and in sets that belong together, the cheapest first."""
    once: dict[tuple[Kind, ...], Candidate] = {}
    for kind in kinds or tuple(KINDS.values()):
        for candidate in kind.candidates(job):  # with whichever instrument, a reading sees the same
            once.setdefault(tuple(s.geometry for s in candidate.settings), candidate)
    singles = [c for c in once.values() if not _taken(job, c)]
    return sorted([*singles, *_together(job, singles)], key=lambda c: c.minutes)


def _taken(job: Job, candidate: Candidate) -> bool:
    """Whether such a lay-up was already made of the faces as they are now: again would show nothing new."""
    states = job.states()
    for setting in candidate.settings:
        for number, old in enumerate(job.settings):
            same = setting.geometry in (old.geometry, old.geometry.mirrored())
            whole = len(old.geometry.to_read(old.readings)) >= len(setting.geometry.to_read(setting.readings))
            if same and whole and all(job.state_at(f, number) == states[f] for f in old.geometry.faces()):
                return True
    return False


def _together(job: Job, singles: Sequence[Candidate]) -> Iterator[Candidate]:
    """Sets of candidates that belong together: rounds of all pairs, a level as well, a third face."""
    by_kind = {
        turn: [c for c in singles if (lying := _by_stacks(c)) is not None and lying.turn == turn] for turn in TURNS
    }
    slopes = [c for c in singles if c.settings[0].geometry.slope]
    rounds = [_sum(c) for c in (*by_kind.values(), [*by_kind["over"], *by_kind["end for end"]]) if c]
    rounds = [r for r in rounds if len(r.settings) > 1]
    yield from rounds
    yield from (a + b for a, b in itertools.product(rounds, slopes[:4]))
    yield from (a + b for a, b in itertools.combinations(slopes, 2) if a.settings[0].geometry != b.settings[0].geometry)
    third = _third(job)
    if third is not None:
        yield third
        across = next((c for c in slopes if c.settings[0].geometry.slope == "across"), None)
        if across is not None:
            yield third + across


def _by_stacks(candidate: Candidate) -> Lying | None:
    """How its faces lie, where it is a lay-up read with stacks."""
    kind = candidate.settings[0].geometry
    return kind.lying if kind.by_stacks else None


def _sum(candidates: Sequence[Candidate]) -> Candidate:
    total = candidates[0]
    for candidate in candidates[1:]:
        total = total + candidate
    return total


@dataclass(frozen=True)
class _Third(Candidate):
    """A new face, laid on each of the two there are."""

    def acts(self, shown: Showing) -> tuple[tuple[str, ...], ...]:
        """To make it, and each lay-up."""
        made = [face.name for piece in self.pieces for face in piece.faces]
        old = dict.fromkeys(name for s in self.settings for name in s.geometry.faces() if name not in made)
        alone = (Candidate((s,), 0.0, self.kit, self.instruments) for s in self.settings)
        make = f"make a third face like {next(iter(old))}, here called {' and '.join(made)}"
        return ((make,), *(s.settings[0].geometry.asks(s, shown) for s in alone))


def _third(job: Job) -> Candidate | None:
    """A new face laid on each of the two there are, marks together and marks opposite."""
    faces = list(job.faces().values())
    if len(faces) != 2 or len(job.pieces) != 2:
        return None
    name = "third"
    while name in job.faces():
        name += "'"
    piece = Piece(name, (replace(faces[0], name=name),), job.pieces[0].material)
    wider = replace(job, pieces=(*job.pieces, piece))
    every = (c for kind in KINDS.values() for c in kind.candidates(wider) if _by_stacks(c) is not None)
    new = [c for c in every if name in c.settings[0].geometry.faces()]
    settings = tuple(s for c in new for s in c.settings)
    minutes = MAKING_A_PIECE_MIN + sum(c.minutes for c in new)
    return _Third(settings, minutes, new[0].kit, instruments=new[0].instruments, pieces=(piece,)) if new else None
