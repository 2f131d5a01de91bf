"""A past moment that takes longer is worked out behind its page, which says how far it is."""

from __future__ import annotations

import gc
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
import uvicorn
from playwright.sync_api import Page
from starlette.testclient import TestClient

from tests.web.conftest import BASE
from tests.web.driving import until
from tests.web.test_pages import page_of
from waywright.core.evidence.job import Reading, Typed
from waywright.progress import done, listening, part
from waywright.record import Book, Snapshot
from waywright.web.app import bench_app
from waywright.web.serve import HOST, listen
from waywright.web.solved import Reported, Solver
from waywright.web.waiting import MOST, StillWorking, Waiting


class Gated(Solver):
    """A solver that begins when it is let, and notes what it worked out."""

    def __init__(self) -> None:
        super().__init__()
        self.gate = threading.Semaphore(0)
        self.began: list[int] = []

    def solved(self, opened: Snapshot) -> Reported:
        """The report, once the gate is open."""
        self.began.append(opened.number)
        with part(0.0, 0.5):
            self.gate.acquire()
        return super().solved(opened)


@pytest.fixture
def typed(book: Book, shop_job: int) -> int:
    """The sample shop with some more readings, an act each."""
    for n in range(20):
        reading = Reading("", "gaps", 30.0, -14.0, key="just_mm", value=Typed(19.997 + n / 1e5, "mm"))
        book.append(shop_job, "layups[0]", [reading])
    return shop_job


def test_the_page_says_how_far_it_is_and_then_shows_it(book: Book, typed: int) -> None:
    """While a past moment is worked out the page is there and says so; afterwards it is what the solver gives."""
    app, solver = bench_app(book), Gated()
    bench = replace(app.state.bench, solver=solver, waiting=Waiting(patience_s=0.05))
    object.__setattr__(app.state.bench, "solver", solver)
    object.__setattr__(app.state.bench, "waiting", bench.waiting)
    client = TestClient(app, base_url=BASE)
    url = f"/jobs/{typed}/face?name=Birch&act=3"
    page = page_of(client, url)
    assert page.working.startswith("0 % done, for 0 s")
    assert page.part is None
    assert f'hx-get="{url.replace("&", "&amp;")}"' in client.get(url).text
    solver.gate.release()
    until(lambda: not page_of(client, url).working)
    page = page_of(client, url)
    told = Solver().solved(book.snapshot(typed, 3)).report
    assert told is not None
    assert page.part.caption.startswith("straight to ")
    assert len(page.table) == len(told.shapes[1].x_mm) // 2
    assert solver.began == [3]


def test_the_moment_asked_for_last_comes_first(book: Book, typed: int) -> None:
    """Who moves through a history waits for the moment where they stop, not for all they passed; each is worked out
    once, and those passed long ago not at all."""

    began: list[int] = []
    gate = threading.Semaphore(0)

    def work(opened: Snapshot) -> int:
        began.append(opened.number)
        gate.acquire()
        return opened.number

    def asked(opened: Snapshot) -> int | str:
        try:
            return waiting.of((opened.uid, opened.number), lambda: work(opened))
        except StillWorking as still:
            return still.words

    waiting = Waiting(patience_s=0.0)
    moments = {n: book.snapshot(typed, n) for n in range(1, MOST + 5)}
    assert isinstance(asked(moments[1]), str)
    until(lambda: began == [1])
    for n in range(2, MOST + 5):
        assert asked(moments[n]) == "another is worked out first"
    assert asked(moments[3]) == "another is worked out first"
    for _ in range(MOST + 5):
        gate.release()
    until(lambda: len(began) == MOST + 1)
    until(lambda: asked(moments[6]) == 6)
    assert began == [1, 3, *range(MOST + 4, 5, -1)]


def test_a_fault_is_told_to_who_asked(book: Book, typed: int) -> None:
    """A fault while working is raised for the page that waits, and the next moment is worked out all the same."""

    def work(opened: Snapshot) -> int:
        if opened.number == 2:
            raise RuntimeError("broken here")
        return opened.number

    def asked(number: int) -> int:
        opened = book.snapshot(typed, number)
        return waiting.of((opened.uid, number), lambda: work(opened))

    waiting = Waiting(patience_s=30.0)
    with pytest.raises(RuntimeError, match="broken here"):
        asked(2)
    with pytest.raises(RuntimeError, match="broken here"):
        asked(2)
    assert asked(3) == 3


def test_of_a_job_the_newest_act_is_planned_for() -> None:
    """What is being worked out of an act ends when a newer one of that job is asked for, which comes next."""
    waiting, began, gate = Waiting(patience_s=0.0, newest=True), [], threading.Semaphore(0)

    def work(number: int) -> int:
        began.append(number)
        gate.acquire()
        done(0.5)
        return number

    def asked(number: int) -> int | None:
        try:
            return waiting.of(("job", number), lambda: work(number))
        except StillWorking:
            return None

    assert asked(1) is None
    until(lambda: began == [1])
    assert asked(2) is None
    gate.release(2)
    until(lambda: asked(2) == 2)
    assert began == [1, 2]
    assert asked(1) is None  # it was dropped
    assert waiting.of(("other", 1), lambda: 1, 5.0) == 1


def test_how_far_it_is_grows(book: Book, typed: int) -> None:
    """The share that is done of a report never falls, and comes to all of it; who listens may end the work."""
    told: list[float] = []
    with listening(told.append):
        Solver().solved(book.snapshot(typed, 3))
    assert told == sorted(told)
    assert len(told) > 10
    assert (told[0], told[-1]) == (0.0, pytest.approx(1.0))

    def enough(share: float) -> None:
        if share > 0.3:
            raise TimeoutError("nobody waits for it")

    with listening(enough), pytest.raises(TimeoutError) as ended:
        Solver().solved(book.snapshot(typed, 4))
    done(0.5)  # nobody listens any more
    del ended
    gc.collect()  # nor when the loops that were left come to their end
    done(0.5)
    with part(0.5, 1.0):
        done(1.0)


def test_a_report_that_takes_long_says_how_far_it_is(book: Book, typed: int) -> None:
    """The page of a job whose report is not there in time says how far it is and looks again by itself."""
    app, solver = bench_app(book), Gated()
    object.__setattr__(app.state.bench, "solver", solver)
    solver.reporting.patience_s = 0.0
    client = TestClient(app, base_url=BASE)
    page = client.get(f"/jobs/{typed}")
    assert page.status_code == 200
    assert "0 % done" in page.text or "another is worked out first" in page.text
    assert 'http-equiv="refresh"' in page.text
    solver.gate.release(4)
    until(lambda: "Verdicts" in client.get(f"/jobs/{typed}").text)


@pytest.fixture
def impatient(book: Book) -> Iterator[str]:
    """The address of a bench whose pages never wait."""
    app = bench_app(book)
    object.__setattr__(app.state.bench, "waiting", Waiting(patience_s=0.0))
    listening = listen(0)
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, lifespan="off", ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    yield f"http://{HOST}:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join(20)
    listening.close()


def test_the_page_renews_itself(impatient: str, typed: int, new_page: Callable[..., Page]) -> None:
    """In the browser the moment appears by itself once it is worked out; without scripts a link looks again."""
    url = f"{impatient}/jobs/{typed}/face?name=Birch&act=4"
    page = new_page()
    page.goto(url)
    assert "Working it out" in page.locator("#then").inner_text()
    page.locator("#then .face").wait_for()
    assert "Working it out" not in page.locator("#then").inner_text()
    plain = new_page(java_script_enabled=False)
    plain.goto(url.replace("act=4", "act=5"))
    late = time.monotonic() + 60
    while plain.locator(".working").count() and time.monotonic() < late:
        plain.get_by_role("link", name="Look again").click()
        plain.wait_for_load_state()
    assert plain.locator("#then .face").count() == 1
