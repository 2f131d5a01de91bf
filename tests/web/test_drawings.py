"""What is drawn of two faces that touch, of who agrees with whom, and of what a pass did."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient

from tests.web.test_pages import page_of
from waywright import jobfile
from waywright.core.evidence.findings import Agreement
from waywright.core.evidence.job import Job
from waywright.core.evidence.lying import ENDS
from waywright.core.readings import LayUp
from waywright.core.report import report
from waywright.demo import shop
from waywright.record import Book
from waywright.views.numbers import METRIC
from waywright.web.drawing import Drawing, reach_um
from waywright.web.facing import _Profile, facing, rested
from waywright.web.page_parts import shapes_of
from waywright.web.ring import limits_um, ring, sign_of

ROUNDS = Path(__file__).parents[2] / "docs" / "examples" / "edges-round-by-round.toml"
heights = st.lists(st.floats(-50, 50), min_size=2, max_size=12)


def profile(height_um: list[float], left_mm: float, wide_mm: float) -> _Profile:
    """A face from `left_mm` on."""
    return _Profile(np.linspace(left_mm, left_mm + wide_mm, len(height_um)), np.array(height_um), True)


@given(heights, heights, st.floats(-200, 200), st.sampled_from([None, *ENDS]))
def test_a_resting_face_meets_the_other_twice_and_never_crosses_it(
    lower: list[float], upper: list[float], offset_mm: float, held: str | None
) -> None:
    """Whatever the shapes, the gap is nowhere less than nothing, nothing at two places, and widest where that is told;
    the middle lies between the two places, an end held down is one of them."""
    below, above = profile(lower, 0.0, 500.0), profile(upper, offset_mm, 400.0)
    surface, (a, b), (at, widest) = rested(below, above, held)
    left, right = max(0.0, offset_mm), min(500.0, offset_mm + 400.0)
    x = np.unique(np.concatenate([below.x_mm, above.x_mm, [left, right]]))
    x = x[(x >= left) & (x <= right)]
    line = np.interp(x, above.x_mm, surface + above.height_um)  # the tilt alone is a line: this is exact
    gap = line - np.interp(x, above.x_mm, above.height_um) - np.interp(x, below.x_mm, below.height_um)
    assert gap.min() >= -1e-9
    np.testing.assert_allclose(np.interp([a, b], x, gap), 0.0, atol=1e-9)
    assert a < b
    assert widest == pytest.approx(gap.max(), abs=1e-9)
    assert np.interp(at, x, gap) == pytest.approx(widest, abs=1e-9)
    nearest = {None: a <= (left + right) / 2 <= b, ENDS[0]: a == left, ENDS[1]: b == right}
    assert nearest[held]


def drawn(job: Job, **lie: object) -> Drawing:
    """The first lay-up of a job, laid otherwise and without spacers."""
    one = job.settings[0]
    assert isinstance(one.geometry, LayUp)
    one = replace(one, geometry=replace(one.geometry, **lie), readings=())  # type: ignore[arg-type]
    shapes = shapes_of(report(job))
    found = facing(job, one, shapes, reach_um(shapes.values()), METRIC)
    assert found is not None
    return found


def test_a_held_end_is_marked_and_said() -> None:
    """A touching pair is drawn meeting, without blocks; the end held down carries a mark and its name, and is told."""
    job = jobfile.loads(shop(), "the sample shop")
    free, marked, far = (drawn(job, touching=True, held=held) for held in (None, *ENDS))
    for one in (free, marked, far):
        assert one.boxes == ()
        assert len([spot for spot in one.spots if spot.kind == "touch"]) == 2
        assert re.search(r"They meet at .* mm; the widest gap is [\d.]+ µm, at \d+ mm\.$", one.words)
    held = [[spot.at for spot in one.spots if spot.kind == "held"] for one in (free, marked, far)]
    assert [len(found) for found in held] == [0, 1, 1]
    assert held[1][0] < 5 < 95 < held[2][0]
    assert [label.words for label in marked.labels if "held" in label.words] == ["held here, marked end"]
    assert drawn(job).boxes == ()  # on spacers, but none is there yet
    assert "They meet" not in drawn(job).words


def test_nothing_known_meets_nowhere() -> None:
    """Two faces that nothing tells of are drawn as outlines; where they meet is not claimed."""
    job = jobfile.loads(shop(), "the sample shop")
    one = replace(job.settings[0], geometry=LayUp("Alder", "Birch", "over", touching=True), readings=())
    found = facing(job, one, {}, 1.0, METRIC)
    assert found is not None
    assert [stroke.kind for stroke in found.strokes] == ["metal unknown", "metal upper unknown"]
    assert "meet" not in found.words
    assert not [spot for spot in found.spots if spot.kind == "touch"]


@pytest.mark.parametrize(
    ("zone", "sigma", "limit", "sign"),
    [
        *((3.0, 0.5, 6.0, "agree"), (5.5, 0.5, 6.0, "open"), (6.5, 0.5, 6.0, "open"), (8.0, 0.5, 6.0, "apart")),
        *((0.9, 0.5, None, "agree"), (3.0, 0.5, None, "apart")),
    ],
)
def test_faces_agree_where_that_is_sure(zone: float, sigma: float, limit: float | None, sign: str) -> None:
    """Agree or not when the zone is on one side of the limit with 95 %; without a limit, whether any zone is seen."""
    assert sign_of(Agreement("s", "P", "Q", (0, 0), "over", zone, sigma), limit) == sign


def test_the_ring_has_a_line_for_every_pair() -> None:
    """Three faces, three lines, each with its sign and zone in both turns; what was cut since is not laid."""
    told = report(jobfile.loads(shop(), "the sample shop"))
    names, states = tuple(told.job.faces()), told.job.states()
    found = ring(names, told.agreements, states, limits_um(told), METRIC)
    assert found is not None
    assert len(found.strokes) == 3
    assert len([label for label in found.labels if label.kind == "number"]) == 6
    assert found.words.count(" and ") == 6
    cut = ring(names, told.agreements, {**states, names[0]: 1}, limits_um(told), METRIC)
    assert cut is not None
    assert [stroke.kind for stroke in cut.strokes].count("pair unlaid") == 2
    assert cut.words.count("were not laid on each other as they are now") == 2
    assert ring(names[:1], (), states, {}, METRIC) is None
    assert ring(tuple("ABCDEFG"), (), dict.fromkeys("ABCDEFG", 0), {}, METRIC) is None


def test_rounds_draw_what_passes_did(client: TestClient, book: Book) -> None:
    """Each pass read before and after is a ribbon with its words, newest first."""
    number = book.begin(jobfile.loads(ROUNDS.read_text(encoding="utf-8"), "the rounds"))
    page = page_of(client, f"/jobs/{number}/rounds")
    told = report(book.job(number))
    assert [change.face for change in page.changes] == [change.face for change in reversed(told.changes)]
    for change, was in zip(page.changes, reversed(told.changes), strict=True):
        assert change.words.startswith(f"{was.face}, pass {was.after}: ")
        assert change.drawing is not None
        assert change.drawing.words.startswith(f"What pass {was.after} did: ")
        assert [stroke for stroke in change.drawing.strokes if stroke.kind.startswith("line")]
    assert page.ring is not None
    assert "limit" in page.legend
