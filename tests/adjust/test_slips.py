"""Settings typed wrong as a whole: each slip is named, alone, where it shows; nobody who typed right is accused;
nothing is changed unasked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studies import slips as study
from studies.blunders import KINDS, moved, spoiled
from tests.simulate import STACKS, Simulated, edge, planned_gaps, planned_slopes, read, round_of, truth_of
from waywright import demo, jobfile
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.job import Job, Pass, Reading, Setting, Typed
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.things import FloatArray
from waywright.core.readings import Cross, LayUp, Run, Step, Thickness
from waywright.core.report import solve_readings
from waywright.views.numbers import METRIC
from waywright.views.slips import slip_words

BOTH = ("over", "end for end")


def taken(size_um: float = 6.0, seed: int = 3) -> Simulated:
    """Three edges on two lines, every pair in both turns on spacers and one more pair moved along, levels on all."""
    job = round_of([edge(n, 600.0, 7, (-15.0, 15.0)) for n in "PQR"], BOTH)
    job = planned_gaps(job, LayUp("P", "Q", "over", 100.0), *_both_ways(job))
    for name in "PQR":
        job = planned_slopes(job, Step(name, 100.0, 15.0), edge(name).stations_mm[:-1])
        job = planned_slopes(job, Cross(name, 30.0), edge(name).stations_mm)
    job = replace(job, settings=tuple(on_spacers(s) if isinstance(s.geometry, LayUp) else s for s in job.settings))
    rng = np.random.default_rng(seed)
    return read(job, truth_of(job, rng, size_um), rng)


def _both_ways(job: Job) -> tuple[FloatArray, FloatArray]:
    face = job.faces()["P"]
    inside = (face.x_mm >= 100.0) & (face.x_mm <= 500.0)
    return face.x_mm[inside], face.y_mm[inside]


def on_spacers(setting: Setting) -> Setting:
    """The same on two blocks of 20 mm and a third across."""
    places = ((150.0, -15.0), (450.0, -15.0), (300.0, 15.0))
    spacers = tuple(
        Reading(f"{setting.id}.spacers[{i}]", "spacers", x, y, key="size_mm", value=Typed(20.0, "mm"))
        for i, (x, y) in enumerate(places)
    )
    return replace(setting, readings=(*spacers, *setting.readings))


def with_(job: Job, *settings: Setting) -> Job:
    """The job with some settings typed otherwise."""
    otherwise = {setting.id: setting for setting in settings}
    return replace(job, settings=tuple(otherwise.get(s.id, s) for s in job.settings))


WRONG = {
    "turn": ("the wrong turn", 2),
    "offset sign": ("an offset with its sign reversed", 6),
    "wrong end": ("places from the wrong end", 3),
    "unit": ("inches typed as millimetres", 1),
    "block": ("a block wrong in every stack", 4),
    "level turned": ("a level turned round", 7),
}


@pytest.mark.parametrize("slip", WRONG)
def test_each_slip_is_named_alone_and_mended_by_what_was_meant(slip: str) -> None:
    """It is the only one told, with its setting and the faces that hang on it; as it was meant nothing is told any
    more, and the readings fit."""
    what, number = WRONG[slip]
    job = taken().job
    typed = study.WRONGS[what][1](job, job.settings[number], np.random.default_rng(1))
    assert typed is not None
    wrong = with_(job, typed)
    fit = solve_readings(wrong).screened.fit
    (found,) = fit.slips
    assert (found.setting, found.slip) == (typed.id, slip)
    assert set(typed.geometry.faces()) <= set(found.faces)
    assert fit.misfits == ()
    assert not fit.holds
    mended = solve_readings(with_(wrong, *found.meant)).screened.fit
    assert mended.slips == ()
    assert mended.holds
    assert found.chi2_after < 1.5 * mended.redundancy
    assert found.chi2_before > found.chi2_after + study.LOWER


def test_one_line_of_a_lay_up_from_the_wrong_end_is_named() -> None:
    """Alone of two; mended by what was meant, the readings fit; its words tell which line."""
    job = taken().job
    typed = study.WRONGS["one line of several from the wrong end"][1](job, job.settings[4], np.random.default_rng(1))
    assert typed is not None
    y = next(now.y_mm for was, now in zip(job.settings[4].readings, typed.readings, strict=True) if was != now)
    wrong = with_(job, typed)
    (found,) = solve_readings(wrong).screened.fit.slips
    assert (found.setting, found.slip, found.y_mm) == (typed.id, "wrong end", y)
    assert {s.id: s.readings for s in found.meant} == {typed.id: job.settings[4].readings}
    words = slip_words(found, typed, METRIC)
    assert f"if its places on the {'far' if y > 0 else 'near'} line (y" in words
    assert solve_readings(with_(wrong, *found.meant)).screened.fit.holds


@pytest.mark.parametrize(("back", "turned"), [(True, True), (True, False), (False, True)])
def test_one_line_of_a_level_stepped_the_other_way_is_named(back: bool, turned: bool) -> None:
    """Of two lines stepped without touching the zero one was read from the far end, or with the level turned, or both;
    lay-ups and the level across tell which."""
    job = taken().job
    for name in "PQR":
        job = planned_slopes(job, Step(name, 100.0, -15.0), edge(name).stations_mm[:-1])
    lines = [s for s in job.settings if isinstance(s.geometry, Step) and s.geometry.face == "P"]
    job = with_(job, *(replace(s, name="S") for s in lines))
    fresh = frozenset(s.id for s in job.settings if isinstance(s.geometry, Step))
    rng = np.random.default_rng(4)
    start = np.random.default_rng(3)
    job = read(job, truth_of(job, start, 6.0), rng, only=fresh).job
    line = next(s for s in job.settings if s.id == lines[0].id)
    typed = line
    if back:
        typed = replace(typed, readings=tuple(replace(r, x_mm=500.0 - (r.x_mm or 0.0)) for r in typed.readings))
    if turned:
        minus = ((r, r.value) for r in typed.readings)
        told = (replace(r, value=None if v is None else Typed(-v.number, v.unit)) for r, v in minus)
        typed = replace(typed, readings=tuple(told))
    wrong = with_(job, typed)
    (found,) = solve_readings(wrong).screened.fit.slips
    assert (found.setting, found.slip) == (line.id, "wrong end" if back else "level turned")
    assert found.y_mm == 15.0
    assert ("the level the other way round" in slip_words(found, typed, METRIC)) == (back and turned)
    assert solve_readings(with_(wrong, *found.meant)).screened.fit.holds


def test_nothing_is_changed_unasked() -> None:
    """Heights with a slip named are those of the readings as typed."""
    job = taken().job
    typed = study.WRONGS["the wrong turn"][1](job, job.settings[2], np.random.default_rng(1))
    assert typed is not None
    wrong = with_(job, typed)
    seen = solve_readings(wrong)
    assert seen.screened.fit.slips
    assert seen.job == wrong
    net = seen.net
    as_typed = Solution(net.unknowns, net.rows.take(np.flatnonzero(net.rows.sense == 0)))
    assert np.array_equal(seen.screened.solution.mean_um, as_typed.mean_um)
    assert screen(network(wrong)).suspects  # but none is told while the whole setting is in question
    assert seen.screened.suspects == ()


def test_a_block_is_told_by_as_much_as_it_is_off() -> None:
    """All gaps read 5 µm too much: a block is 5 µm smaller than typed; without spacers nobody can tell."""
    job = taken().job
    off = replace(
        job.settings[4], readings=tuple(moved(r, 5.0) if r.entry == "gaps" else r for r in job.settings[4].readings)
    )
    (found,) = solve_readings(with_(job, off)).screened.fit.slips
    assert found.off_um == pytest.approx(5.0, abs=1.5)
    bare = replace(job, settings=tuple(_bare(s) for s in job.settings))
    assert solve_readings(with_(bare, _bare(off))).screened.fit.slips == ()


def _bare(setting: Setting) -> Setting:
    return replace(setting, readings=tuple(r for r in setting.readings if r.entry != "spacers"))


def test_a_turn_of_even_faces_is_absorbed() -> None:
    """Faces alike from end to end and edge to edge fit in either turn: nobody is asked."""
    plan = round_of([edge(n, 600.0, 7) for n in "PQR"], BOTH)
    rng = np.random.default_rng(2)
    truth = {n: 8.0 * (2 * plan.faces()[n].x_mm / 600 - 1) ** 2 for n in "PQR"}
    job = read(plan, truth, rng).job
    typed = study.WRONGS["the wrong turn"][1](job, job.settings[2], rng)
    assert typed is not None
    assert solve_readings(with_(job, typed)).screened.fit.slips == ()


def test_two_that_fit_alike_are_told_as_one_of_these() -> None:
    """In the sample shop one lay-up may have been turned or typed from the wrong end: both are told, the likelier
    first."""
    job = jobfile.loads(demo.shop(), "the sample shop")
    setting = job.settings[5]
    assert isinstance(setting.geometry, LayUp)
    typed = replace(setting, geometry=replace(setting.geometry, turn="over"))
    found = solve_readings(with_(job, typed)).screened.fit.slips
    assert [(s.setting, s.slip) for s in found] == [(setting.id, "turn"), (setting.id, "wrong end")]
    assert found[0].chi2_after < found[1].chi2_after


def test_neither_a_misreading_nor_a_rough_hand_is_a_slip() -> None:
    """One reading off by 15 µm is a suspect, stacks at 2.5 times their claim are scatter: no setting is accused."""
    clean = taken()
    job = clean.job
    one = spoiled(job, job.settings[2].readings[6].id, 15.0)
    assert solve_readings(one).screened.fit.slips == ()
    rough = read(job, clean.truth_um, np.random.default_rng(8), u_factor={STACKS: 2.5}).job
    assert solve_readings(rough).screened.fit.slips == ()


@pytest.mark.parametrize("off_um", [10.0, 100.0, 1000.0, -18_000.0])
def test_a_misread_gap_is_a_suspect_and_accuses_no_other_lay_up(off_um: float) -> None:
    """One gap off by a block, or typed with its decimal point a place too far: inches, or another turn, of an innocent
    lay-up may fit a little better; what is wrong is that one reading, and it is said."""
    for seed in range(6):
        job = taken(seed=seed).job
        wrong = job.settings[seed % 6].readings[(5 * seed) % 14]
        screened = solve_readings(spoiled(job, wrong.id, off_um)).screened
        assert screened.fit.slips == ()
        assert wrong.id in {name for s in screened.suspects for name in (s.reading, *s.like)}


def test_a_clean_job_is_solved_no_more_often(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where χ² is as honest readings make it no hypothesis is solved."""
    from waywright.core.adjust import slips as asked

    job = taken().job
    tried: list[Job] = []
    monkeypatch.setattr(asked, "network", lambda job, given: tried.append(job) or network(job, given))
    assert solve_readings(job).screened.fit.slips == ()
    assert tried == []


def test_a_kind_offers_its_slips_itself() -> None:
    """What a setting may have been meant as is asked of its kind; a plain kind offers nothing, readings keep their ids,
    and what is offered for what was typed right would be typed wrong."""
    job = taken().job

    def offered(setting: Setting) -> list[str]:
        return [meant.slip for meant in setting.geometry.slips(job, setting)]

    assert sorted(set(offered(job.settings[0]))) == ["block", "turn", "unit", "wrong end"]
    assert "offset sign" in offered(job.settings[6])
    assert offered(job.settings[7]) == ["level turned"]
    assert list(Kind().slips(job, job.settings[0])) == []
    for setting in job.settings:
        for meant in setting.geometry.slips(job, setting):
            (block,) = meant.settings
            assert [r.id for r in block.readings] == [r.id for r in setting.readings]
            assert block != setting or meant.slip == "block"
    for kind in (Run("P"), Thickness("P", "Q")):
        reading = Reading("a", "readings", 100.0, key="um", value=Typed(3.0, "µm"))
        assert {m.slip for m in kind.slips(job, Setting("x", kind, (reading,)))} == {"wrong end", "unit"}


def test_blocks_of_one_setting_are_put_right_together() -> None:
    """A lay-up typed in two blocks of one name, both with the wrong turn: both are meant otherwise, so that they still
    lie alike."""
    job = taken().job
    whole = job.settings[2]
    half = len(whole.readings) // 2
    first = replace(whole, name="once", readings=whole.readings[:half])
    second = replace(whole, id="more", name="once", readings=whole.readings[half:])
    blocks = [study.WRONGS["the wrong turn"][1](job, s, np.random.default_rng(1)) for s in (first, second)]
    typed = [s for s in blocks if s is not None]
    wrong = replace(job, settings=(*job.settings[:2], *typed, *job.settings[3:]))
    (found,) = solve_readings(wrong).screened.fit.slips
    assert (found.setting, found.slip) == (first.id, "turn")
    assert [s.id for s in found.meant] == [first.id, "more"]
    assert found.meant == (first, second)
    assert solve_readings(with_(wrong, *found.meant)).screened.fit.holds


def test_a_slip_before_a_pass_leaves_what_was_cut_since_alone() -> None:
    """A lay-up of the round before the last pass is asked about, but no verdict of faces cut since rests on it."""
    job = taken().job
    again = tuple(
        replace(s, id=f"again {s.id}", readings=tuple(replace(r, id=f"again {r.id}") for r in s.readings))
        for s in job.settings
    )
    passes = tuple(Pass(f"pass {name}", name, after=job.settings[-1].id) for name in "PQR")
    typed = study.WRONGS["the wrong turn"][1](job, job.settings[2], np.random.default_rng(1))
    assert typed is not None
    wrong = replace(with_(job, typed), passes=passes)
    (found,) = solve_readings(replace(wrong, settings=(*wrong.settings, *again))).screened.fit.slips
    assert (found.setting, found.slip, found.faces) == (typed.id, "turn", ())


def test_a_unit_keeps_the_number_as_typed() -> None:
    """0.7877 typed as mm and meant in inches stays 0.7877: what was typed is evidence, only its unit was not said."""
    reading = Reading("g", "gaps", 0.0, 0.0, key="gap_mm", value=Typed(0.7877, "mm"))
    setting = Setting("s", LayUp("P", "Q", "over"), (reading,))
    (meant,) = [m for m in setting.geometry.slips(taken().job, setting) if m.slip == "unit"]
    assert meant.settings[0].readings[0].value == Typed(0.7877, "in", "0.7877 in")
    assert meant.factor == pytest.approx(25.4)


def test_clean_jobs_are_left_in_peace_and_slips_are_named() -> None:
    """A short form of docs/tables/slips.md: of six jobs a slip all that show are named; of 39 clean ones nobody is."""
    for what in study.WRONGS:
        found = [study.tried(what, 50_000 + i) for i in range(6)]
        assert all(f.named for f in found if f.identifiable), what
        assert not any(f.falsely for f in found), what
    assert not any(study.accused(kind, 50_000 + i) for kind in (*study.DESIGNS, *KINDS) for i in range(3))
