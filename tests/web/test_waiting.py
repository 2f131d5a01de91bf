"""A past moment that takes longer is worked out behind its page, which says how far it is."""

from __future__ import annotations

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
from waywright.record import Book, Snapshot
from waywright.web.app import bench_app
from waywright.web.serve import HOST, listen
from waywright.web.solved import Reported, Solver
from waywright.web.waiting import MOST, Waiting


class Gated(Solver):
    """A solver that begins when it is let, and notes what it worked out."""

    def __init__(self) -> None:
        super().__init__()
        self.gate = threading.Semaphore(0)
        self.began: list[int] = []

    def glance(self, opened: Snapshot) -> dict[str, object]:  # type: ignore[override]
        """The shapes, once the gate is open."""
        self.began.append(opened.number)
        self.gate.acquire()
        return super().glance(opened)  # type: ignore[return-value]


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
    assert page.working.startswith("step 1 of 2: the readings are solved, for 0 s")
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

    class Quick(Gated):
        def glance(self, opened: Snapshot) -> dict[str, object]:  # type: ignore[override]
            self.began.append(opened.number)
            self.gate.acquire()
            return {}

        def solved(self, opened: Snapshot) -> Reported:
            return Reported(None, "not worked out here")

    solver, waiting = Quick(), Waiting(patience_s=0.0)
    moments = {n: book.snapshot(typed, n) for n in range(1, MOST + 5)}
    assert isinstance(waiting.solved(solver, moments[1]), str)
    until(lambda: solver.began == [1])
    for n in range(2, MOST + 5):
        assert waiting.solved(solver, moments[n]) == "another moment is worked out first"
    assert waiting.solved(solver, moments[3]) == "another moment is worked out first"
    for _ in range(MOST + 5):
        solver.gate.release()
    until(lambda: len(solver.began) == MOST + 1)
    until(lambda: isinstance(waiting.solved(solver, moments[6]), Reported))
    assert solver.began == [1, 3, *range(MOST + 4, 5, -1)]


def test_a_fault_is_told_to_who_asked(book: Book, typed: int) -> None:
    """A fault while working is raised for the page that waits, and the next moment is worked out all the same."""

    class Faulty(Solver):
        def glance(self, opened: Snapshot) -> dict[str, object]:  # type: ignore[override]
            if opened.number == 2:
                raise RuntimeError("broken here")
            return {}

    waiting, solver = Waiting(patience_s=30.0), Faulty()
    with pytest.raises(RuntimeError, match="broken here"):
        waiting.solved(solver, book.snapshot(typed, 2))
    with pytest.raises(RuntimeError, match="broken here"):
        waiting.solved(solver, book.snapshot(typed, 2))
    assert isinstance(waiting.solved(solver, book.snapshot(typed, 3)), Reported)


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
