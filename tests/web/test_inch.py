"""Who reads in inches reads no millimetre: not in a report, a move or a picture, and on no page."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from tests.moves.test_faults import BOTH, rough, taken
from tests.simulate import edge, round_of
from tests.test_views import texts
from waywright import jobfile
from waywright.core.evidence.goal import Goal, Workpiece
from waywright.core.evidence.job import Job
from waywright.core.readings.laid import Laid
from waywright.core.report import report
from waywright.core.results.expect import expected
from waywright.demo import shop
from waywright.record import Book
from waywright.views.expected import expected_figure
from waywright.views.moves import moves_view
from waywright.views.numbers import INCH
from waywright.views.picture import ribbons
from waywright.views.terminal import show_report

METRIC_UNIT = re.compile(r"(?<![\w-])(mm|µm|um)(?![\w-])")
# What a person typed stays as typed, and beside a field stands the unit in which a bare number is taken.
_UNIT = r"<span class=\"(unit|small)\">[^<]*</span>"
AS_TYPED = re.compile(rf"<(script|textarea|option|footer)\b.*?</\1>|<input\b[^>]*>|{_UNIT}", re.S)

MORE = """
[instruments.dial]
kind = "indicator"
u_um = 0.8

[[layups]]
lower = "Alder"
upper = "Birch"
turn = "over"
offset_mm = 75
touching = true
held = "far end"
instrument = "blocks"
gaps = [ { x_mm = 180, y_mm = -14, gap_mm = 0.001 }, { x_mm = 330, y_mm = 14, gap_mm = 0.002 } ]

[[runs]]
face = "Alder"
guide = "mill table"
instrument = "dial"
readings = [ { x_mm = 30, um = 0 }, { x_mm = 180, um = 1 }, { x_mm = 330, um = 2 }, { x_mm = 480, um = 1 } ]

[[riders]]
face = "Birch"
feet_mm = [ [0, 0], [150, 0] ]
tip_mm = [75, 0]
instrument = "dial"
readings = [ { x_mm = 30, um = 1 }, { x_mm = 105, um = 1 }, { x_mm = 180, um = 1 }, { x_mm = 255, um = 1 } ]

[[crosses]]
face = "Rowan"
base_mm = 28
instrument = "level"
readings = [ { x_mm = 30, um_per_m = 10 }, { x_mm = 330, um_per_m = 400 }, { x_mm = 630, um_per_m = 20 } ]

[[hinges]]
lower = "Alder"
upper = "Rowan"
turn = "over"
offset_mm = 75
pushed = "far end"
readings = [ { pivot_mm = 400 }, { pivot_mm = 310 } ]
"""


def sample() -> Job:
    return jobfile.loads(shop())


def every() -> Job:
    """The shop with a run, a rider, crosses, a touching pair and a hinge, and a part as its goal."""
    job = jobfile.loads(shop() + MORE)
    return replace(job, goal=Goal(part=Workpiece(10.0, 300.0, 200.0)))


def apart() -> Job:
    """One lay-up scatters apart from all others."""
    return rough(taken(round_of([edge(n, 600.0, 9) for n in "PQR"], BOTH)), 2)


JOBS = {"the sample shop": sample, "every kind": every, "a misfit": apart}


@pytest.fixture(scope="module", params=JOBS)
def job(request: pytest.FixtureRequest) -> Job:
    return JOBS[request.param]()


def metric_in(text: str) -> list[str]:
    """What stands around every metric unit of a text."""
    return [text[max(0, m.start() - 60) : m.end() + 20] for m in METRIC_UNIT.finditer(text)]


def test_an_inch_report_has_no_metric_unit(job: Job, capsys: pytest.CaptureFixture[str]) -> None:
    """Of jobs with runs, riders, crosses and a hinge, with suspects, misfits and a part as the goal: what is printed,
    the moves, and the words of the pictures."""
    told = report(job)
    assert told.suspects or told.fit.misfits
    show_report(told, "inch")
    moves = " ".join(f"{line.words} {line.gain}" for line in moves_view(told.moves, INCH))
    drawn = " ".join(texts(ribbons(told, "inch")))
    assert metric_in(capsys.readouterr().out) + metric_in(moves) + metric_in(drawn) == []


def test_an_expected_blue_is_told_in_inches() -> None:
    """Its picture as well: pivots and the ticks along the face."""
    told = report(sample(), with_cures=False)
    found = expected(told.job, told.shapes, Laid("Alder", "Birch", "over", 75.0))
    words = " ".join(texts(expected_figure(found, told.job.faces()["Alder"], INCH)))
    assert "moved +2.953 in" in words
    assert metric_in(words) == []


def pages(client: TestClient, number: int, job: Job) -> Iterator[str]:
    """The address of every page of a job."""
    told = report(job, with_cures=False)
    yield from (
        f"/jobs/{number}{page}" for page in ("", "/next", "/rounds", "/things", "/papers", "/history", "/stacks")
    )
    yield f"/jobs/{number}/stacks?wanted=20.004"
    yield f"/jobs/{number}/setting/new"
    for setting in job.settings:
        yield from (f"/jobs/{number}/{page}?id={setting.id}" for page in ("setting", "sheet"))
        if setting.geometry.lying is not None:
            yield f"/jobs/{number}/expect?id={setting.id}"
    for name in job.faces():
        yield from (f"/jobs/{number}/{page}?name={name}" for page in ("face", "drawn"))
    for suspect in told.suspects:
        yield f"/jobs/{number}/retake?reading={suspect.reading}"


def test_an_inch_page_has_no_metric_unit(job: Job, book: Book, client: TestClient) -> None:
    """None of a job's pages, read aloud or seen, but for what was typed and the unit a bare number is taken in."""
    number = book.begin(job)
    client.cookies.set("units", "inch")
    found, looked = [], 0
    for url in pages(client, number, job):
        answer = client.get(url)
        assert answer.status_code in (200, 409, 422), url
        if answer.status_code == 200:
            looked += 1
            found += [(url, words) for words in metric_in(html.unescape(AS_TYPED.sub("", answer.text)))]
    assert looked > 10
    assert found == []


def test_what_a_new_job_assumes_is_told_in_inches(client: TestClient) -> None:
    """The sizes nobody typed are told in the units of who reads them."""
    client.post("/jobs/new", data={})
    client.cookies.set("units", "inch")
    assumed = client.get("/jobs/1").context["page"].assumed  # type: ignore[attr-defined]
    assert "Every edge is 23.622 in long." in assumed
    assert metric_in(" ".join(assumed)) == []
