"""One advisor: what is next is the first move of the report wherever it is shown, and every move has words, in either
unit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.simulate import LEVEL, STACKS, bench, edge, planned_gaps, planned_slopes, read, round_of, truth_of
from waywright import demo, jobfile
from waywright.cli import cli
from waywright.core.evidence.findings import Move, Report, Slip
from waywright.core.evidence.goal import Goal, Workpiece
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.lying import TURNS
from waywright.core.evidence.things import Face, Instrument
from waywright.core.evidence.where import spots
from waywright.core.next.faults import AskPaper
from waywright.core.next.moves import SetGoal, doubted
from waywright.core.next.reading_moves import MoreStations
from waywright.core.next.scraping import AtTheLimit, TakeTwist
from waywright.core.readings import Cross, LayUp, Slide, Step
from waywright.core.report import report
from waywright.views.grounds import verdict_why
from waywright.views.moves import how, moves_view, next_words, reason
from waywright.views.moves.phrases import how_words, why_words
from waywright.views.numbers import INCH, METRIC, Shown
from waywright.views.result import result
from waywright.views.slips import question, slip_words
from waywright.views.tables import line_names

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"


def kinds(of: type[Move] = Move) -> Iterator[type[Move]]:
    """Every class of move."""
    for kind in of.__subclasses__():
        yield kind
        yield from kinds(kind)


def turned(job: Job, number: int) -> Job:
    """One lay-up typed with the wrong turn."""
    setting = job.settings[number]
    assert isinstance(setting.geometry, LayUp)
    other = TURNS[1 - TURNS.index(setting.geometry.turn)]
    typed = replace(setting, geometry=replace(setting.geometry, turn=other))
    return replace(job, settings=tuple(typed if s is setting else s for s in job.settings))


def shops() -> dict[str, Job]:
    """The sample shop and what may become of it."""
    three, two = (jobfile.loads(demo.shop(name), name) for name in ("three_edges", "two_edges"))
    rng = np.random.default_rng(3)
    plan = round_of([edge(n, 600.0, 9) for n in "PQR"], ("over", "end for end"))
    rough = read(plan, truth_of(plan, rng, 8.0), rng, u_factor={STACKS: 4.0}).job
    return {
        "three edges": three,
        "two edges": two,
        "done": replace(three, goal=Goal(straightness_um=40)),
        "no goal": replace(three, goal=Goal()),
        "a part": replace(two, goal=Goal(part=Workpiece(20.0, 300.0, 200.0))),
        "far below": replace(two, goal=Goal(straightness_um=0.3)),
        "turned": turned(three, 1),
        "turned or from the wrong end": turned(three, 5),
        "rough": replace(rough, goal=Goal(straightness_um=3.0)),
    }


@pytest.fixture(scope="module")
def reports() -> dict[str, Report]:
    return {name: report(job) for name, job in shops().items()}


def test_every_move_has_words() -> None:
    """Each class of move says what to do and why; one without words would break every page."""
    assert {kind for kind in kinds() if kind not in how_words.registry} == set()
    assert {kind for kind in kinds() if kind not in why_words.registry} == set()


def test_in_inches_nothing_is_said_in_millimetres(reports: dict[str, Report]) -> None:
    """Places, depths, sizes, limits and what kinds of reading say of themselves: all in the units asked for."""
    for name, told in reports.items():
        for move, line in zip(told.moves, moves_view(told.moves, INCH), strict=True):
            words = f"{how(move, INCH)} {reason(move, INCH)} {line.gain}"
            assert not re.search(r"\d (mm|µm|µm/m)\b", words), f"{name}: {words}"


@pytest.mark.parametrize("name", ["three_edges", "two_edges", *sorted(p.stem for p in EXAMPLES.glob("*.toml"))])
def test_solve_and_next_say_the_same(name: str, tmp_path: Path) -> None:
    """What `solve` prints under "Next" is the first that `next` lists."""
    path = EXAMPLES / f"{name}.toml"
    if not path.exists():
        path = tmp_path / "job.toml"
        path.write_text(demo.shop(name), encoding="utf-8")
    solve, listed = (CliRunner().invoke(cli, [command, str(path)]).stdout for command in ("solve", "next"))
    first = next_words(report(jobfile.read(path)).moves)
    assert first in " ".join(solve.split())
    assert first.split(". ")[0] in " ".join(listed.split())


def test_two_faces_and_one_lay_up_have_one_answer(reports: dict[str, Report]) -> None:
    """Of two faces laid on each other once the first move is the very cure of what is blind: marks opposite."""
    told = reports["two edges"]
    first = next_words(told.moves)
    assert first.startswith("Lay Birch on Alder, marks opposite")


def test_moves_are_worked_out_once_and_only_when_asked_for() -> None:
    """A report costs no plan of readings until its moves are looked at; then they stay."""
    asked: list[Report] = []
    told = replace(report(shops()["done"]), advise=lambda report: asked.append(report) or ())
    assert asked == []
    assert told.moves is told.moves
    assert len(asked) == 1


def test_two_stations_ask_for_more_stations_and_no_metal() -> None:
    """Two places are always in line: a face of two stations is not measured, and nothing is to be taken from it."""
    faces = [edge(n, 600.0, 9) for n in "PQ"]
    plan = round_of([faces[0], replace(faces[1], stations_mm=(0.0, 600.0))], ("over",))
    rng = np.random.default_rng(5)
    told = report(replace(read(plan, truth_of(plan, rng, 3.0), rng).job, goal=Goal(straightness_um=5.0)))
    assert next(v.decision for v in told.verdicts if v.face == "Q") == "not measured"
    more = [m for m in told.moves if isinstance(m, MoreStations)]
    assert [m.faces for m in more] == [("Q",)]
    assert "three stations or more" in how(more[0])
    assert not any(m.act == "scrape" and "Q" in m.faces for m in told.moves)


def test_nothing_read_asks_for_readings_and_no_metal() -> None:
    """A job of faces that nothing was read of is measured first."""
    plan = round_of([edge(n, 600.0, 9) for n in "PQR"], ("over",))
    told = report(replace(plan, settings=(), goal=Goal(straightness_um=5.0)))
    assert {v.decision for v in told.verdicts} == {"not measured"}
    assert told.moves
    assert {m.act for m in told.moves} <= {"measure", "stop"}
    assert told.moves[0].where_mm


def test_at_the_limit_metal_has_places_and_depth() -> None:
    """Known as well as the goal asks and still open: what brings it inside is a map, with places and passes."""
    told = report(shops()["three edges"])
    zone = next(s for s in told.shapes if s.face == "Birch").straightness_um
    limit = max(z for z in zone if z is not None)
    found: list[Move] = []
    for goal in np.linspace(0.8, 1.0, 9) * limit:
        again = report(replace(told.job, goal=Goal(straightness_um=float(goal), faces=("Birch",))))
        found += [m for m in again.moves if isinstance(m, AtTheLimit)]
    mapped = [m for m in found if isinstance(m, AtTheLimit)]
    assert mapped
    for move in mapped:
        assert move.where_mm
        assert move.minutes > 0
        assert re.search(r"take Birch a little further inside its limit: passes of about [\d.]+ µm: from ", how(move))


def test_without_a_limit_a_goal_is_asked_for_and_no_metal(reports: dict[str, Report]) -> None:
    """Nothing can be decided without a limit: that comes first where all is seen, and nothing is to be scraped. (The
    proud places were to be taken down, for a limit that nobody had given.)"""
    first, *rest = reports["no goal"].moves
    assert isinstance(first, SetGoal)
    assert not any(move.act == "scrape" for move in rest)


def levelled(face: Face) -> Job:
    """A level to be stepped along each line of a face and set across it at every station."""
    plan = bench([face], u_um_per_m=2.0)
    for y in face.lines_mm:
        plan = planned_slopes(plan, Step(face.name, 100.0, y), face.stations_mm[:-1])
    return planned_slopes(plan, Cross(face.name, face.lines_mm[-1] - face.lines_mm[0]), face.stations_mm)


def test_a_twist_outside_is_taken_off_at_two_corners() -> None:
    """A plate twisted by + 60 µm/m that is flat enough: its far edge comes down at the far end, its near edge at the
    marked end, each by half of what the twist is from edge to edge. (It was told to be inside: the limit of the twist
    was held against its flatness.)"""
    face = edge("P", 600.0, 7, (-45.0, 45.0), width_mm=100.0)
    twist_um = 60.0 * face.width_mm / 1e3
    truth = {"P": twist_um * (face.x_mm / 600.0 - 0.5) * face.y_mm / face.width_mm}
    job = read(levelled(face), truth, np.random.default_rng(2), u_factor={LEVEL: 0.0}).job
    told = report(replace(job, goal=Goal(twist_um_per_m=20.0)))
    (verdict,) = told.verdicts
    assert verdict.decision == "outside"
    move = next(m for m in told.moves if isinstance(m, TakeTwist))
    assert move.far_up
    assert move.corner_um == pytest.approx(twist_um / 2, rel=0.05)
    assert "the far edge at the far end and the near edge at the marked end" in how(move)
    assert not any("inside with a chance" in reason(m) for m in told.moves)


def test_a_limit_of_which_no_map_is_drawn_is_no_fault() -> None:
    """A straightness that may only rise: the moves say that no map is drawn for it, and go on."""
    told = report(replace(shops()["three edges"], goal=Goal(straightness_um=2.0, side="rise only")))
    assert "outside" in {v.decision for v in told.verdicts}
    assert any("no map is drawn for a limit of rise only" in how(m) for m in told.moves)


def test_what_can_be_proved_of_a_twist_is_told_in_its_own_unit() -> None:
    """A goal of a tenth of a µm/m is below what a level proves: asked for is no less than so many µm/m."""
    face = edge("P", 600.0, 7, (-15.0, 15.0))
    job = read(levelled(face), {"P": np.zeros(14)}, np.random.default_rng(2)).job
    found = report(replace(job, goal=Goal(twist_um_per_m=0.1))).moves
    assert any(re.search(r"prove about [\d.]+ µm/m", reason(m)) for m in found)


def test_a_slip_is_asked_before_anything_is_built_on_it(reports: dict[str, Report]) -> None:
    """While a setting seems typed wrong the first move is to look at the paper, some minutes; no reading, no suspect
    and no metal is advised beside it, no face may be scraped, and each verdict says why it is open."""
    told = reports["turned"]
    (move,) = told.moves
    assert isinstance(move, AskPaper)
    assert next_words(told.moves).startswith("Look at the paper: did Rowan lie marks together on Alder? If not, ")
    assert 0 < move.minutes < 5
    assert move.gain is not None
    assert move.gain.then is not None
    assert move.gain.then < move.gain.now
    assert doubted(told.job, told) == set(told.job.faces())
    assert {(v.decision, v.chance_inside) for v in told.verdicts} == {("open", None)}
    assert all("typed wrong as a whole" in verdict_why(v) for v in told.verdicts)
    assert not any(s.setting == "layups[1]" for s in told.suspects)
    assert result(told, METRIC).slips[0].words == "Rowan on Alder fits if it lay marks together: was it?"
    assert "or were the places of" in next_words(reports["turned or from the wrong end"].moves)


@pytest.mark.parametrize(
    ("slip", "says", "asks"),
    [
        (
            {"slip": "offset sign"},
            "Q on P, marks together, moved +1 in, fits if it was moved −1 in: was it?",
            "was Q moved −1 in on P, not +1 in",
        ),
        (
            {"slip": "wrong end"},
            "Q on P, marks together, moved +1 in, fits if its places were counted from the far end: was it?",
            "were the places of Q on P, marks together, moved +1 in, counted from the far end",
        ),
        (
            {"slip": "unit", "units": ("mm", "in")},
            "Q on P, marks together, moved +1 in, fits if it was read in inches, not millimetres: was it?",
            "was Q on P, marks together, moved +1 in, read in inches, not millimetres",
        ),
        (
            {"slip": "block", "off_um": -5.08},
            "Q on P, marks together, moved +1 in, fits if a block in every stack was 2.00 tenths larger than typed: "
            "was it?",
            "was a block 2.00 tenths larger than typed in every stack of Q on P, marks together, moved +1 in",
        ),
    ],
)
def test_every_slip_has_words_in_the_units_asked_for(slip: dict[str, object], says: str, asks: str) -> None:
    """What it was typed as, what it may have been, and the question to the paper."""
    typed = Setting("a", LayUp("P", "Q", "over", 25.4), ())
    meant = Setting("a", LayUp("P", "Q", "over", -25.4), ())
    found = Slip(setting="a", chi2_before=90.0, chi2_after=20.0, meant=(meant,), faces=("P",), **slip)  # type: ignore[arg-type]
    assert slip_words(found, typed, INCH) == says
    assert question([found], Job(settings=(typed,)), INCH) == asks


def test_a_level_turned_round_has_words() -> None:
    """Steps and crosses would fit."""
    typed = Setting("a", Step("P", 100.0), ())
    found = Slip("a", "level turned", 90.0, 20.0, (typed,), ("P",))
    says = "Steps of 100 mm along P would fit if the level stood the other way round: was it?"
    assert slip_words(found, typed, METRIC) == says
    assert question([found], Job(settings=(typed,)), METRIC) == (
        "did the level stand the other way round for steps of 100 mm along P"
    )


def test_what_is_done_twice_is_said_once(reports: dict[str, Report]) -> None:
    """The words of a move stand once in a list; where it comes again it says under which number."""
    lines = moves_view(reports["two edges"].moves)
    whole = [line.how for line in lines]
    assert len(set(whole)) == len(whole)
    again = [re.fullmatch(r"Do what stands under (\d) once more\.", how_) for how_ in whole]
    assert any(again)
    moves = reports["two edges"].moves
    for at, found in enumerate(again):
        assert found is None or how(moves[int(found[1]) - 1]) == how(moves[at])


@pytest.mark.parametrize("shown", [METRIC, INCH])
def test_no_power_of_ten_and_no_place_in_a_file_is_read(reports: dict[str, Report], shown: Shown) -> None:
    """No "1e+09", no "layups[1].gaps[44]", no name of a shape made for machines."""
    codes = re.compile(r"\d[eE][+-]?\d|\[\d+\]|(?:bow|S)-across|cross-bow")
    for name, told in reports.items():
        view = result(told, shown)
        said = [view.unchecked, view.hand, *view.misfits, *view.notes, *view.agreement, *view.parallels, *view.rounds]
        said += [f"{v.value} {v.interval} {v.why} {v.seen}" for v in view.verdicts]
        said += [f"{u.words} {u.cure}" for u in view.unseen] + [f"{r.where} {r.told}" for r in view.retakes]
        said += [f"{t.caption} {t.zones}" for t in view.shapes] + [s.words for s in view.shares]
        said += [f"{line.words} {line.gain}" for line in moves_view(told.moves, shown)]
        for words in said:
            assert not codes.search(words), f"{name}: {words}"


def test_a_face_is_called_by_the_numbers_of_its_verdict(reports: dict[str, Report]) -> None:
    """The caption of a face has the value and band that its verdict has; the plain zone is a detail, and named."""
    view = result(reports["three edges"], METRIC)
    for table, verdict in zip(view.shapes, view.verdicts, strict=True):
        assert table.caption == f"straight to {verdict.value} µm ({verdict.interval}), {verdict.decision}"
        assert table.zones.startswith("Of the heights as they stand, noise in it: ")


def test_blocks_of_a_wedge_are_told_apart_in_inches() -> None:
    """A wedge rises by some µm: the sizes of its blocks keep them whatever the unit."""
    blocks = Instrument(STACKS, "gauge blocks", u_um=0.3, blocks_mm=(1.0, 1.005, 1.01, 10.0, 20.0))
    plan = replace(round_of([edge(n, 600.0, 7) for n in "PQ"]), instruments=(blocks,), settings=())
    words = next(Slide.candidates(plan)).words(INCH)
    assert (
        "blocks of 0.787402 in, on the centre line at 0 in; and of 0.788583 in, on the centre line at 23.622 in"
        in words
    )


def test_lines_on_one_side_of_the_middle_have_names_of_their_own() -> None:
    """Of a plate no two lines are "the near line": in moves, in the table of a face and beside its picture."""
    assert spots([(50.0, -150.0), (150.0, -50.0)], METRIC) == "on the line y −150 at 50 mm; on the line y −50 at 150 mm"
    assert spots([(50.0, -14.0), (150.0, 14.0)], METRIC).startswith("on the near line (y −14) at 50 mm")
    plate = Face("T", 600.0, 400.0, (50.0, 300.0, 550.0), (-150.0, -50.0, 50.0, 150.0))
    job = bench([plate])
    for candidate in Cross.candidates(job):
        feet = re.findall(r"one foot on ([^,]+), one on ([^,.]+)", candidate.words(METRIC))
        named = [name for pair in feet for name in pair]
        assert len(set(named)) == (2 if len(feet) == 1 else 4)
    assert line_names(plate.lines_mm, METRIC) == ("y −150", "y −50", "y 50", "y 150")
    assert line_names((-14.0, 14.0), METRIC) == ("near, y −14", "far, y 14")


def test_what_is_borrowed_says_what_to_type_for_it() -> None:
    """Its u, as it then stands in the kit, so that what is planned with it is what it is solved with."""
    job = replace(bench([edge("P", 600.0, 7)]), instruments=())
    (candidate,) = Step.candidates(job)
    words = candidate.words(METRIC)
    assert "borrow a level that reads to 10 µm/m on a base of 100 mm (type it as u = 4 µm/m)" in words.replace("B", "b")
    assert candidate.instruments[0].u_um_per_m == 4.0


def test_a_place_off_the_other_face_is_refused_with_what_was_typed() -> None:
    """The place as typed, and the offset that takes it off the upper face, come first."""
    job = planned_gaps(bench([edge("P", 600.0, 7), edge("Q", 600.0, 7)]), LayUp("P", "Q", "over"))
    moved = replace(job.settings[0], geometry=LayUp("P", "Q", "over", 700.0))
    with pytest.raises(JobError, match="x = 0 mm as typed, with an offset of 700 mm, comes to lie off"):
        report(replace(job, settings=(moved,)))
