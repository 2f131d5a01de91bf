"""A pass starts a new state of a face; readings bind the states they saw, and older ones still count for the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import STACKS, edge, planned_gaps, read, round_of, truth_of
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.job import Job, Pass
from waywright.core.next.cures import newest_faces
from waywright.core.readings import LayUp

EDGES = [edge(n) for n in "PQR"]


def scraped() -> tuple[Job, dict[str, np.ndarray], np.ndarray]:
    """Three edges read in pairs without noise, P scraped, P on Q read again: the job, the first truth, the new P."""
    rng = np.random.default_rng(1)
    plan = planned_gaps(round_of(EDGES), LayUp("P", "Q", "over"))
    truth = truth_of(plan, rng)
    before = read(plan, truth, rng, u_factor={STACKS: 0.0}, only=frozenset(s.id for s in plan.settings[:3])).job
    new = truth["P"] - np.array([0, 1, 4, 6, 4, 1, 0.0])
    last = frozenset([plan.settings[3].id])
    after = read(before, truth | {"P": new}, rng, u_factor={STACKS: 0.0}, only=last).job
    return replace(after, passes=(Pass("pass 1", "P", after=plan.settings[2].id),)), truth, new


def test_both_states_of_a_scraped_face_are_told() -> None:
    """The old state keeps its shape from the readings before the pass, the new one has the metal taken off; faces not
    cut have one state, to which readings before and after both belong."""
    job, truth, new = scraped()
    net = network(job)
    solution = Solution(net.unknowns, net.rows)
    assert sorted((f.unknown.face.name, f.unknown.state) for f in solution.faces) == [  # type: ignore[union-attr]
        *(("P", 0), ("P", 1), ("Q", 0), ("R", 0))
    ]
    for (name, state), expected in {("P", 0): truth["P"], ("P", 1): new, ("Q", 0): truth["Q"]}.items():
        f = solution.face(name, state)
        assert f is not None
        np.testing.assert_allclose(solution.heights_um(f), f.about_plane(expected[:, None])[:, 0], rtol=0, atol=1e-4)


def test_newest_states_are_the_result() -> None:
    """The faces told are those as they are now."""
    job, _, _ = scraped()
    net = network(job)
    newest = newest_faces(net, Solution(net.unknowns, net.rows))
    assert [(f.unknown.face.name, f.unknown.state) for f in newest] == [("P", 1), ("Q", 0), ("R", 0)]  # type: ignore[union-attr]


def test_the_new_state_is_as_sure_as_its_reading_and_its_partner() -> None:
    """Read once against Q, the new P has the variance of a gap and of Q together: √(1 + 3/4) of a gap's u."""
    job, _, _ = scraped()
    net = network(job)
    solution = Solution(net.unknowns, net.rows)
    new, old = solution.face("P", 1), solution.face("P", 0)
    assert new is not None
    assert old is not None
    bow = np.linspace(-1, 1, 7)[:, None] ** 2
    bow = new.about_plane(bow) / np.linalg.norm(new.about_plane(bow))
    assert solution.sigma(solution.spread(new, bow))[0] == pytest.approx(np.sqrt(1.75), rel=1e-4)
    assert solution.sigma(solution.spread(old, bow))[0] == pytest.approx(np.sqrt(0.75), rel=1e-4)


def test_a_face_scraped_and_not_read_since_has_no_newest_shape() -> None:
    """After a pass that no reading followed, the face as it is now is unread; the others stay."""
    job, _, _ = scraped()
    job = replace(job, passes=(*job.passes, Pass("pass 2", "P", after=job.settings[3].id)))
    net = network(job)
    solution = Solution(net.unknowns, net.rows)
    assert [f.unknown.face.name for f in newest_faces(net, solution)] == ["Q", "R"]  # type: ignore[union-attr]


def test_a_pass_before_everything_changes_nothing() -> None:
    """A pass that names no setting was made before all of them: one state, the same heights."""
    job, _, _ = scraped()
    one, other = (replace(job, settings=job.settings[:3], passes=passes) for passes in ((), (Pass("first", "P"),)))
    found = []
    for j in (one, other):
        net = network(j)
        solution = Solution(net.unknowns, net.rows)
        found.append([solution.heights_um(f) for f in newest_faces(net, solution)])
    np.testing.assert_allclose(found[0], found[1], rtol=0, atol=1e-12)
