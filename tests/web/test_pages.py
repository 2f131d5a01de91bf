"""What the pages are given: asserted on the template's context, no browser in between."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from urllib.parse import quote

import numpy as np
import pytest
from starlette.testclient import TestClient

from tests.simulate import STACKS, edge, read, round_of, truth_of
from tests.web.driving import until
from waywright import jobfile
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job
from waywright.core.evidence.section import Solid
from waywright.core.report import report
from waywright.demo import shop
from waywright.record import Book, Head, Ref
from waywright.views.moves import next_words
from waywright.views.numbers import METRIC
from waywright.views.result import result
from waywright.web.pages import PAGES
from waywright.web.solved import Solver


def page_of(client: TestClient, path: str) -> object:
    """The context of a page that is there."""
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    return answer.context["page"]


def test_pages_print_the_view_of_the_terminal(client: TestClient, book: Book, shop_job: int) -> None:
    """A job's page holds the very view model that the command line prints."""
    page = page_of(client, f"/jobs/{shop_job}")
    told = report(book.job(shop_job))
    view = result(told, METRIC)
    assert page.result == view
    assert page.next == next_words(told.moves)
    assert [part.name for part in page.faces] == ["Alder", "Birch", "Rowan"]
    assert page.retakes[0].where == view.retakes[0].where


def test_a_suspect_leads_to_its_place(client: TestClient, shop_job: int) -> None:
    """The page of a suspect opens the lay-up at that reading, which is marked there."""
    page = page_of(client, f"/jobs/{shop_job}")
    setting = page_of(client, page_of(client, page.retakes[0].url).correct)
    marked = [row for grid in setting.grids for row in grid.rows if row.suspect]
    assert [row.place for row in marked] == ["gaps;180;14;"]
    assert setting.focus == marked[0].reading
    assert "8.5 µm more" in marked[0].suspect


def test_one_solve_an_act(client: TestClient, book: Book, shop_job: int) -> None:
    """Looking at a job from all sides works it out once; a reading makes one more."""
    solver = client.app.state.bench.solver
    setting = f"/jobs/{shop_job}/setting?id=layups%5B0%5D"
    for path in (f"/jobs/{shop_job}", setting, f"/jobs/{shop_job}/rounds", f"/jobs/{shop_job}/face?name=Birch"):
        page_of(client, path)
    assert solver.solves == 1
    form = {"place.0": "gaps;30;-14;", "reading.0": "", "version.0": "0", "just_mm.0": "19,997"}
    answer = client.post(setting, data=form, headers={"X-Requested-With": "waywright"})
    assert answer.status_code == 200
    first, second = (json.loads(line) for line in answer.text.splitlines())
    assert set(first["drawings"]) == {"facing", "side Alder", "above Alder", "side Birch", "above Birch"}
    assert second["head"]
    page_of(client, setting)
    assert solver.solves == 2


def test_a_glance_is_the_report(book: Book, shop_job: int) -> None:
    """The shapes drawn at once are those of the report, to the last digit, and what is judged rests on that solve."""
    solver, opened = Solver(), book.snapshot(shop_job)
    seen = solver.glance(opened)
    told = solver.solved(opened).report
    assert told is not None
    assert solver.solves == 1
    for shape in told.shapes:
        np.testing.assert_array_equal(seen[shape.face].height_um, shape.height_um)
        np.testing.assert_array_equal(seen[shape.face].sigma_um, shape.sigma_um)


def test_numbers_in_inches(client: TestClient, shop_job: int) -> None:
    """A browser may choose inches; the readings stay as typed."""
    client.post("/units", data={"units": "inch", "back": f"/jobs/{shop_job}"})
    page = page_of(client, f"/jobs/{shop_job}")
    assert (page.units, page.result.height_unit, page.result.length_unit) == ("inch", "tenths", "in")
    setting = page_of(client, f"/jobs/{shop_job}/setting?id=layups%5B0%5D")
    assert setting.grids[0].rows[0].texts[0] == "19.996"


@pytest.mark.parametrize("back", ["//evil.example", "/\\evil.example", "https://evil.example", "javascript:x"])
def test_forms_return_to_our_own_pages_alone(client: TestClient, shop_job: int, back: str) -> None:
    """Where a form wants to return to may not be elsewhere."""
    answer = client.post("/units", data={"units": "mm", "back": back}, follow_redirects=False)
    assert answer.headers["location"] == "/"
    client.post(f"/jobs/{shop_job}/goal", data={"version": "1", "straightness_um": "5"})
    answer = client.post(f"/jobs/{shop_job}/undo", data={"back": back}, follow_redirects=False)
    assert answer.headers["location"] == f"/jobs/{shop_job}"


def test_a_depth_brings_weight_into_a_new_job(client: TestClient, book: Book) -> None:
    """An edge whose depth is typed has a section, and what is assumed of it is said. Without a depth all of weight is
    left out, as the result says; what no edge weighs or is deep is refused at its field."""
    form = {"edges": "P, Q", "length_mm": "600", "width_mm": "40", "depth_mm": "80", "mass_kg": "14"}
    client.post("/jobs/new", data=form)
    piece = book.job(1).pieces[0]
    assert (piece.material, piece.section, piece.mass_kg) == ("cast iron", Solid(depth_mm=80.0, width_mm=40.0), 14.0)
    page = page_of(client, "/jobs/1")
    assert "Every edge is of cast iron, solid to its depth; say otherwise at its piece." in page.assumed
    client.post("/jobs/new", data={"edges": "P, Q"})
    assert book.job(2).pieces[0].section is None
    for wrong in ({"depth_mm": "-3"}, {"mass_kg": "0"}):
        answer = client.post("/jobs/new", data={**form, **wrong})
        assert answer.status_code == 422
        assert [f.problem for f in answer.context["page"].fields if f.problem]


def test_first_job_assumes_and_says_so(client: TestClient, book: Book) -> None:
    """With nothing typed there are three edges, blocks, a lay-up on its spacers, and a list of what was assumed."""
    answer = client.post("/jobs/new", data={})
    assert answer.context["page"].words == "Q on P, marks together"
    page = page_of(client, "/jobs/1")
    assert len(page.assumed) == 7
    job = book.job(1)
    assert [r.x_mm for r in job.settings[0].readings] == [125.0, 475.0]  # 0.211 L from the ends, to 5 mm
    client.post("/jobs/new", data={"length_mm": "24 in", "lines_mm": "-12; 12", "grade": "0"})
    face = book.job(2).faces()["P"]
    assert face.length_mm == 609.6
    assert face.lines_mm == (-12.0, 12.0)
    assert len(page_of(client, "/jobs/2").assumed) == 4


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"length_mm": "long"}, "length_mm"),
        ({"stations_mm": "0 700"}, "stations_mm"),
        ({"stations_mm": "300 100"}, "stations_mm"),
        ({"lines_mm": "-99 99"}, "lines_mm"),
        ({"edges": ";"}, "edges"),
        ({"block_mm": "-20"}, "block_mm"),
        ({"straightness_um": "0"}, "straightness_um"),
    ],
)
def test_a_wrong_field_is_told_beside_it(client: TestClient, book: Book, given: dict[str, str], field: str) -> None:
    """What was typed stands there still, the sentence beside the field; nothing was saved."""
    answer = client.post("/jobs/new", data={"title": "kept", **given})
    page = answer.context["page"]
    if field == "edges" and answer.status_code == 200:
        return  # an empty list is the default
    assert answer.status_code == 422
    assert [f.name for f in page.fields if f.problem] == [field]
    assert next(f.value for f in page.fields if f.name == "title") == "kept"
    assert book.jobs() == ()


def test_history_of_a_face(client: TestClient, book: Book, shop_job: int) -> None:
    """A face can be seen as it was after any act, and a pass begins a new state of it."""
    client.post(f"/jobs/{shop_job}/pass", data={"face": "Birch", "act": "scrape", "after": "crosses[0]"})
    now = page_of(client, f"/jobs/{shop_job}/face?name=Birch")
    until(lambda: not page_of(client, f"/jobs/{shop_job}/face?name=Birch&act=1").working)
    then = page_of(client, f"/jobs/{shop_job}/face?name=Birch&act=1")
    assert (now.acts, then.act) == (2, 1)
    assert now.passes == ("scrape, after crosses[0]",)
    assert then.table
    assert not now.table  # nothing was read since
    assert book.job(shop_job).states() == {"Alder": 0, "Birch": 1, "Rowan": 0}


def test_what_can_hurt_stands_under_the_moves(client: TestClient, shop_job: int) -> None:
    """The moves of the sample shop lay one edge on another and scrape one: both cautions stand there, once."""
    for headers in ({}, {"hx-request": "true"}):
        text = client.get(f"/jobs/{shop_job}/next", headers=headers).text
        assert (text.count("never reach under"), text.count("push from the hip")) == (1, 1)


def test_rounds_show_every_pair(client: TestClient, shop_job: int) -> None:
    """Who agrees with whom: each pair in both turns, the same from both sides."""
    page = page_of(client, f"/jobs/{shop_job}/rounds")
    table = dict(page.rows)
    assert table["Alder"][1] == table["Birch"][0]
    assert re.fullmatch(r"[\d.]+ ± [\d.]+ µm marks together; [\d.]+ ± [\d.]+ µm marks opposite", table["Alder"][1][0])
    assert len(page.pairs) == 6


def test_undo_and_do_again(client: TestClient, book: Book, shop_job: int) -> None:
    """Every act can be taken back from the page, and done again."""
    before = book.job(shop_job)
    page = page_of(client, f"/jobs/{shop_job}")
    client.follow_redirects = False  # each page takes a solve of its own
    versions = dict(page.versions)
    client.post(f"/jobs/{shop_job}/goal", data={"version": versions["goal"], "straightness_um": "4,5"})
    assert book.job(shop_job).goal.straightness_um == 4.5
    client.post(f"/jobs/{shop_job}/undo")
    assert book.job(shop_job) == before
    client.post(f"/jobs/{shop_job}/redo")
    assert book.job(shop_job).goal.straightness_um == 4.5
    client.post(f"/jobs/{shop_job}/delete", data={"sort": "setting", "key": "layups[2]", "version": "1"})
    assert len(book.job(shop_job).settings) == len(before.settings) - 1
    client.post(f"/jobs/{shop_job}/undo")
    assert book.job(shop_job).settings == before.settings


def test_a_new_name_is_used_everywhere(client: TestClient, book: Book, shop_job: int) -> None:
    """A face and its piece renamed on their form: every reading of it follows."""
    page = page_of(client, f"/jobs/{shop_job}/things")
    alder = page.pieces[0]
    form = {f.name: f.value for f in alder.fields} | {"name": "Elm", "was": "Alder", "of": alder.of}
    answer = client.post(f"/jobs/{shop_job}/piece", data=form | {"version": str(alder.version)})
    assert answer.status_code == 200
    job = book.job(shop_job)
    assert [p.name for p in job.pieces] == ["Elm", "Birch", "Rowan"]
    assert job.settings[0].geometry.lower == "Elm"


def test_pieces_and_instruments_are_added(client: TestClient, book: Book, shop_job: int) -> None:
    """A new piece and a new instrument; one that cannot be is told beside its field."""
    url = f"/jobs/{shop_job}"
    client.post(f"{url}/piece", data={"name": "Yew", "length_mm": "300", "width_mm": "30"})
    client.post(f"{url}/instrument", data={"name": "dial", "kind": "indicator", "u_um": "0.04 thou"})
    job = book.job(shop_job)
    assert job.faces()["Yew"].stations_mm == (0.0, 50.0, 100.0, 150.0, 200.0, 250.0, 300.0)
    assert job.instruments[-1].u_um == pytest.approx(1.016)
    answer = client.post(f"{url}/instrument", data={"name": "dial2", "kind": "indicator", "u_um": "-1"})
    assert answer.status_code == 422
    assert [f.name for f in answer.context["page"].new_instrument if f.problem] == ["u_um"]


def test_stacks_answer_a_question(client: TestClient, shop_job: int) -> None:
    """Blocks for the stacks wanted at once, none twice, and a next stack for each open lay-up."""
    page = page_of(client, f"/jobs/{shop_job}/stacks?wanted=20;20,002;0.7874 in")
    assert page.rows == ()
    assert "half micrometres" in page.words
    page = page_of(client, f"/jobs/{shop_job}/stacks?wanted=20;20,002")
    assert page.rows == (("20", "20"), ("20.002", "19 + 1.002"))
    assert len(page.next) == 6
    assert page.set.endswith("; its finest step is 0.5 µm")


def test_export_and_import_elsewhere(client: TestClient, book: Book, shop_job: int) -> None:
    """The job file goes in again; the whole job is known when it comes back."""
    toml = client.get(f"/jobs/{shop_job}/export.toml")
    assert 'filename="three-straightedges' in toml.headers["content-disposition"]
    answer = client.post("/import", files={"file": ("job.toml", toml.content)})
    assert answer.url.path == f"/jobs/{shop_job + 1}"
    assert book.job(shop_job + 1) == book.job(shop_job)
    whole = client.get(f"/jobs/{shop_job}/export.zip")
    assert whole.headers["content-length"] == str(len(whole.content))
    again = client.post("/import", files={"file": ("job.zip", whole.content)}).context["page"]
    assert (again.title, again.url) == ("It is here already", f"/jobs/{shop_job}")


def test_a_longer_past_comes_in_beside_the_job(client: TestClient, book: Book, shop_job: int) -> None:
    """A file with more acts than the job here changes no page of it: what came in is a job of its own, as is said."""
    with Book.open(book.path.parent / "other.sqlite") as other:  # type: ignore[union-attr]
        there = other.import_(io.BytesIO(client.get(f"/jobs/{shop_job}/export.zip").content)).job_id
        other.put(there, Ref("head"), 1, Head("Another title"))
        file = io.BytesIO()
        other.export(there, file)
    paths = [f"/jobs/{shop_job}{page}" for page in ("", "/history", "/things", "/setting?id=layups%5B0%5D")]
    before = [client.get(path).content for path in paths]
    page = client.post("/import", files={"file": ("job.zip", file.getvalue())}).context["page"]
    assert (page.title, page.url) == ("Brought in as a job of its own", f"/jobs/{shop_job + 1}")
    assert [client.get(path).content for path in paths] == before
    assert client.get(page.url).context["page"].title == "Another title"


def test_a_deleted_job_is_listed_and_comes_back(client: TestClient, book: Book, shop_job: int) -> None:
    """The shop lists what was deleted, with a button that brings it back as it was."""
    before = book.job(shop_job)
    version = str(dict(page_of(client, f"/jobs/{shop_job}").versions)["head"])
    client.post(f"/jobs/{shop_job}/delete", data={"sort": "head", "key": "", "version": version})
    shop = page_of(client, "/")
    assert [job.url for job in shop.jobs] == []
    assert [job.url for job in shop.deleted] == [f"/jobs/{shop_job}"]
    client.post(f"/jobs/{shop_job}/undo")
    shop = page_of(client, "/")
    assert shop.deleted == ()
    assert [job.url for job in shop.jobs] == [f"/jobs/{shop_job}"]
    assert book.job(shop_job) == before


def test_a_copy_is_a_job_of_its_own(client: TestClient, book: Book, shop_job: int) -> None:
    """A copy says all that the job says, and what is done to it leaves the job alone."""
    before = book.job(shop_job)
    page = client.post(f"/jobs/{shop_job}/duplicate")
    copy = int(str(page.url).rsplit("/", 1)[1])
    assert copy != shop_job
    assert book.job(copy).title == f"{before.title}, copy"
    assert replace(book.job(copy), title=before.title).settings == before.settings
    setting = book.job(copy).settings[0]
    book.delete(copy, Ref("setting", setting.id), book.snapshot(copy).versions[Ref("setting", setting.id)])
    assert book.job(shop_job) == before


def test_a_deleted_job_is_told(client: TestClient, shop_job: int) -> None:
    """The address of a job that was deleted says so and where to bring it back; nothing breaks."""
    client.post(f"/jobs/{shop_job}/delete", data={"sort": "head", "key": "", "version": "1"})
    answer = client.get(f"/jobs/{shop_job}")
    assert answer.status_code == 404
    assert "was deleted" in answer.context["page"].words
    client.post(f"/jobs/{shop_job}/undo", data={"act": "2"})
    assert client.get(f"/jobs/{shop_job}").status_code == 200


def test_ticks_are_kept(client: TestClient, shop_job: int) -> None:
    """What was seen to before reading is there when the page is opened again."""
    setting = f"/jobs/{shop_job}/setting?id=layups%5B0%5D"
    client.post(f"/jobs/{shop_job}/setting/ticks?id=layups%5B0%5D", data={"stoned": "yes", "wiped": "yes"})
    page = page_of(client, setting)
    assert [t.name for t in page.ticks if t.done] == ["stoned", "wiped"]
    assert page.supports == "Support Alder straight under the blocks, at 145 and 515 mm."


def test_every_kind_has_a_form(client: TestClient, book: Book, shop_job: int) -> None:
    """Each kind of reading can be begun from its form; what it needs is asked for."""
    from waywright.core.readings import KINDS

    for kind in KINDS:
        page = page_of(client, f"/jobs/{shop_job}/setting/new?kind={kind}")
        assert page.kind == kind
        assert page.fields
        assert page.title != kind
    form = {"kind": "crosses", "face": "Birch", "base_mm": "28", "instrument": "level"}
    answer = client.post(f"/jobs/{shop_job}/setting/new", data=form)
    assert answer.context["page"].words.startswith("a level across Birch")
    assert len(answer.context["page"].grids[0].rows) == 9 + 2


def test_what_is_so_unless_said_can_be_said_not_to_be(client: TestClient, book: Book, shop_job: int) -> None:
    """That a guide rolls is offered as yes or no, yes to begin with; no is kept, shown again, and yes once more."""
    url = f"/jobs/{shop_job}/setting/new?kind=runs"
    (rolls,) = (f for f in page_of(client, url).fields if f.name == "rolls")
    assert (rolls.tick, [c.value for c in rolls.choices], rolls.value) == (False, ["yes", "no"], "yes")
    form = {"kind": "runs", "face": "Birch", "guide": "mill table", "sign": "1"}
    for sent, kept in (({}, True), ({"rolls": "no", "line_mm": "-14"}, False)):
        answer = client.post(f"/jobs/{shop_job}/setting/new", data=form | sent)
        page = answer.context["page"]
        one = next(s for s in book.job(shop_job).settings if s.id == page.id)
        assert one.geometry.rolls is kept
        assert {f.name: f.value for f in page.fields}["rolls"] == ("yes" if kept else "no")
    change = {**{f.name: f.value for f in page.fields}, "rolls": "yes", "version": str(page.version)}
    answer = client.post(f"/jobs/{shop_job}/setting/change?id={page.id}", data=change)
    one = next(s for s in book.job(shop_job).settings if s.id == page.id)
    assert (one.geometry.rolls, one.geometry.line_mm) == (True, -14.0)


def test_the_blue_to_expect_is_drawn_and_answered(client: TestClient, book: Book, shop_job: int) -> None:
    """What a lay-up should show is drawn place by place; the answer, with what differs, becomes marks of its own."""
    page = page_of(client, f"/jobs/{shop_job}/expect?id=layups%5B0%5D")
    assert len(page.marks) == 18
    assert {spot.kind for spot in page.drawing.spots} <= {"bright", "blue", "bare"}
    other = "bare" if page.marks[3].mark != "bare" else "blue"
    answer = client.post(f"/jobs/{shop_job}/blue?id=layups%5B0%5D", data={"mark.3": other})
    assert answer.status_code == 200
    marked = book.job(shop_job).settings[-1]
    assert marked.geometry.block == "blues"
    assert [r.mark for r in marked.readings] == [other if i == 3 else m.mark for i, m in enumerate(page.marks)]
    two = book.begin(jobfile.loads(shop("two_edges"), "two edges"))
    answer = client.get(f"/jobs/{two}/expect?id=layups%5B0%5D")
    assert answer.status_code == 422
    assert "nothing can be expected" in answer.context["page"].words


def test_an_empty_job_has_its_pages(client: TestClient, book: Book) -> None:
    """Every page of a job with nothing in it is there, and the job's own says what to do first."""
    number = book.begin(Job(title=""))
    for path in PAGES:
        if "{job:int}" in path and not path.endswith(
            ("/setting", "/retake", "/sheet", "/expect", "/face", "/new", ".svg", "/paper")
        ):
            assert client.get(path.replace("{job:int}", str(number))).status_code == 200, path
    assert page_of(client, f"/jobs/{number}").next == "Name the pieces first: what is on the bench?"
    assert client.get(f"/jobs/{number}/setting/new").status_code == 200


def test_readings_that_do_not_fit_are_said_wherever_a_verdict_stands(client: TestClient, book: Book) -> None:
    """On the page of the job, of each face and of each setting the words stand once, before anything is decided; the
    next move says what to look for, and nothing is drawn to be scraped."""
    rng = np.random.default_rng(3)
    plan = round_of([edge(n, 600.0, 9) for n in "PQR"], ("over", "end for end"))
    taken = read(plan, truth_of(plan, rng, 8.0), rng, u_factor={STACKS: 4.0}).job
    number = book.begin(replace(taken, goal=Goal(straightness_um=3.0)))
    told = book.job(number)
    words = "The readings do not fit together: readings with stacks scatter "
    for path in ("", "/face?name=P", f"/setting?id={quote(told.settings[0].id)}"):
        answer = client.get(f"/jobs/{number}{path}")
        assert answer.text.count(words) == 1, path
    assert page_of(client, f"/jobs/{number}").next.startswith("Check what is claimed for stacks")
    assert "Nothing is drawn to be scraped now." in client.get(f"/jobs/{number}/drawn?name=P").text
