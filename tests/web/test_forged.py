"""Files to bring in that somebody forged: whatever is in them, only the answer to bringing them in tells of it."""

from __future__ import annotations

import io
import random
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from tests.forging import YEAR_1, YEAR_9999, Files, forged, packed, unpacked, with_acts
from tests.web.conftest import BASE
from waywright import jobfile
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Reading, Typed
from waywright.demo import shop
from waywright.record import Add, Book, By, Delete, Head, Memo, Ref
from waywright.web.app import bench_app
from waywright.web.pages.shop import ASSUMED
from waywright.web.solved import Reported, Solver

OTHERS = ("", "/history", "/things", "/papers", "/rounds", "/setting?id=layups%5B0%5D")
TRULY = 12  # of the forged jobs that are taken in so many are truly solved; it takes long


def worked(book: Book) -> int:
    """A job with a past: two edges, appended, corrected, deleted, undone, a photograph, memos."""
    job = jobfile.loads(shop("two_edges"), "two edges")
    layup = job.settings[0]
    job = replace(job, settings=(replace(layup, readings=layup.readings[:8]), *job.settings[1:]))
    number = book.begin(job, By(who="Ann"))
    gap = Reading("", "gaps", 300.0, key="gap_mm", value=Typed(20.007, "mm", "20,007"))
    (ref,) = book.append(number, "layups[0]", [gap], By(client="tab", sequence=1)).refs
    book.correct(number, ref.key, 2, replace(gap, value=Typed(20.008, "mm")))
    book.attach(number, "blue.jpg", "image/jpeg", b"a photograph", about=Ref("setting", "layups[0]"))
    book.change(number, Delete(Ref("setting", "layups[0]"), 1))
    book.undo(number)
    book.change(number, Add(Memo(ASSUMED, "all")), Add(Memo("ticks layups[0]", '["wiped"]')))
    book.put(number, Ref("goal"), 1, Goal(straightness_um=5.0))
    return number


@dataclass
class Shelf:
    """A bench over a book with two jobs, and their files."""

    client: TestClient
    book: Book
    files: tuple[Files, ...]
    solver: Few
    before: dict[str, bytes]
    jobs: tuple[object, ...]


class Few(Solver):
    """Truly solves what it solved before and a few more."""

    left = 100

    def solved(self, opened: object) -> Reported:
        key = (opened.uid, opened.number)  # type: ignore[attr-defined]
        if key not in self._kept["report"] and not self.left:
            return Reported(None, "not worked out here")
        self.left -= key not in self._kept["report"]
        return super().solved(opened)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def shelf() -> Iterator[Shelf]:
    """Two jobs on the shelf, and the files of the first, of the first as it went on elsewhere, and of one not here."""
    with ExitStack() as opened:
        folder = Path(opened.enter_context(TemporaryDirectory()))
        book, other = (opened.enter_context(Book.open(folder / name)) for name in "ab")
        numbers = [worked(book), book.begin(Job("Another"))]
        there = other.import_(io.BytesIO(exported(book, 1))).job_id
        other.put(there, Ref("head"), 1, Head("Elsewhere"))
        elsewhere = worked(other)
        files = [exported(book, 1), exported(other, there), exported(other, elsewhere)]
        app = bench_app(book)
        solver = Few(patience_s=60.0)
        object.__setattr__(app.state.bench, "solver", solver)
        client = opened.enter_context(TestClient(app, base_url=BASE, raise_server_exceptions=False))
        paths = [f"/jobs/{number}{page}" for number in numbers for page in OTHERS[: 6 if number == 1 else 5]]
        before = {path: client.get(path).content for path in paths}
        solver.left = TRULY
        jobs = client.get("/").context["page"].jobs
        yield Shelf(client, book, tuple(map(unpacked, files)), solver, before, jobs)


def exported(book: Book, number: int) -> bytes:
    """A whole job as one file."""
    file = io.BytesIO()
    book.export(number, file)
    return file.getvalue()


def pages_of(book: Book, number: int) -> list[str]:
    """Every page of a job."""
    job, base = book.job(number), f"/jobs/{number}"
    found = [base + page for page in ("", "/history", "/things", "/papers", "/rounds", "/carry", "/stacks")]
    found += [f"{base}/export.{ending}" for ending in ("zip", "toml", "jsonl")]
    found += [f"{base}/{page}?id={quote(s.id, safe='')}" for s in job.settings[:2] for page in ("setting", "sheet")]
    return found + [f"{base}/face?name={quote(name, safe='')}" for name in [*job.faces()][:2]]


Acts = list[dict[str, Any]]


def body(acts: Acts, sort: str, act: int = 0) -> dict[str, Any]:
    """The first part of a sort that an act wrote."""
    found = next(version["body"] for version in acts[act]["versions"] if version["sort"] == sort)
    assert isinstance(found, dict)
    return found


def every(acts: Acts, sort: str, **values: object) -> None:
    """Changes every version of the parts of a sort."""
    for version in (v for act in acts for v in act["versions"] if v["sort"] == sort):
        version["body"].update(values)


def hides(thing: int) -> Callable[[Acts], None]:
    """Makes the first act write a part as hidden."""

    def change(acts: Acts) -> None:
        acts[0]["versions"][thing - 1]["hidden"] = True

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda acts: body(acts, "head").update(title="\ud800"), "a sign in it that no screen"),
        (lambda acts: body(acts, "head").update(title="x" * 9000), "shorten it"),
        (lambda acts: acts[-1].update(at=YEAR_1), "no time that can be"),
        (lambda acts: acts[-1].update(at=YEAR_9999), "no time that can be"),
        (lambda acts: acts[0].update(at="2026-02-30T08:00:00.000000+00:00"), "no time that can be"),
        (lambda acts: body(acts, "instrument").update(grade="Z"), "'Z' is not known"),
        (lambda acts: body(acts, "goal", -1).update(grade="Z"), "grade"),
        (lambda acts: body(acts, "piece")["faces"][0].update(length_mm=0.0), "length_mm is above 0"),
        (lambda acts: body(acts, "piece")["faces"][0].update(length_mm=-600.0), "length_mm is above 0"),
        (lambda acts: body(acts, "goal", -1).update(straightness_um=-1.0), "straightness_um is above 0"),
        (lambda acts: body(acts, "reading")["value"].update(number=1e300), "a length lies between"),
        (lambda acts: body(acts, "reading", 1)["value"].update(number=21.0), "is not the number 21"),
        (lambda acts: every(acts, "setting", instrument="none"), "no instrument called 'none'"),
        (lambda acts: body(acts, "attachment", 3).update(size=-1), "larger than any"),
        (lambda acts: acts[0]["versions"].append(acts[0]["versions"][-1]), "writes one part twice"),
        (hides(1), "was deleted"),
        (hides(2), "does not begin as a job does"),
    ],
)
def test_what_nobody_could_type_is_not_taken_in(shelf: Shelf, change: Callable[[Acts], None], words: str) -> None:
    """A file with a part that no form or job file would take, sealed as if nothing had been, is refused in a sentence
    that says so; nothing comes in, and the shop answers as before."""
    data = packed(with_acts(shelf.files[2], change))
    before = shelf.client.get("/").content
    answer = shelf.client.post("/import", files={"file": ("edges.zip", data)})
    assert answer.status_code == 422
    assert answer.context["page"].problem.startswith("edges.zip was not taken in: ")
    assert words in answer.context["page"].problem
    assert shelf.client.get("/").content == before


@pytest.mark.parametrize("many", [200, pytest.param(1000, marks=pytest.mark.slow)])
def test_no_forged_file_changes_another_page(shelf: Shelf, many: int) -> None:
    """Hundreds of forged files: each is refused in a sentence or comes in as a job whose pages all answer; no page of
    another job is another than before, and the shop lists them as before."""
    answers = {"refused": 0, "known": 0, "came": 0}

    @settings(max_examples=many)
    @given(which=st.integers(0, 2), rng=st.randoms(use_true_random=False))
    def tried(which: int, rng: random.Random) -> None:
        data, turn = forged(shelf.files[which], rng), random.Random(sum(answers.values()))
        answer = shelf.client.post("/import", files={"file": ("edges.zip", data)}, follow_redirects=False)
        assert answer.status_code in (200, 303, 422), answer.text
        shown = shelf.client.get("/")
        assert shown.status_code == 200
        lines = shown.context["page"].jobs
        assert [line for line in lines if line in shelf.jobs] == list(shelf.jobs)
        came = {int(line.url.split("/")[2]) for line in lines} - {1, 2}
        assert not any(line.problem for line in lines)
        if answer.status_code == 422:
            problem = answer.context["page"].problem
            assert problem.startswith("edges.zip was not taken in")
            assert len(problem.splitlines()) == 1
        answers["refused" if answer.status_code == 422 else "came" if came else "known"] += 1
        assert len(came) <= (answer.status_code != 422)
        for number in came:
            for path in turn.sample(pages_of(shelf.book, number), 7):
                assert shelf.client.get(path).status_code == 200, path
            head = shelf.book.snapshot(number).versions[Ref("head")]
            shelf.book.delete(number, Ref("head"), head)
        for path in turn.sample([*shelf.before], 1 if answer.status_code == 422 else 4):  # all, in the end
            assert shelf.client.get(path).content == shelf.before[path], path

    tried()
    assert min(answers.values()) >= many / 50, answers
    assert shelf.book.problems() == []
