"""Advice can be carried out from its words alone: a reader that has only the sentence, the faces and the names of the
instruments sets up what the program meant, for every kind of move and of reading."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.kinds.worlds import DIAL, MICROMETER, job_of
from tests.moves.person import deeds, meant, number, spots
from tests.moves.test_words import shops
from tests.simulate import LEVEL, STACKS, edge, planned_gaps, planned_slopes, read, round_of, truth_of
from waywright import jobfile
from waywright.core.evidence.findings import Move, Report
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Setting, Typed
from waywright.core.evidence.kind import Candidate
from waywright.core.evidence.things import Face, Instrument
from waywright.core.next.faults import FindFault
from waywright.core.next.reading_moves import MakePiece, TakeSetting, TryStack
from waywright.core.next.retakes import TakeAgain
from waywright.core.next.scraping import Scrape, TakeTwist
from waywright.core.readings import KINDS, Cross, LayUp, Rolls, Step
from waywright.core.report import report
from waywright.demo import shop
from waywright.views.moves import how
from waywright.views.numbers import METRIC, sentence

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"
GENERATED = 32
SET_MM = (1.0, 1.005, 1.01, 10.0, 20.0)


def drawn(seed: int) -> Job:
    """A bench and some readings on it: two or three faces, one to three lines, even or uneven stations, here a wrong
    reading, there a limit of another kind, an offset, a level not owned, a dial, a micrometer."""
    rng = np.random.default_rng(seed)
    lines = [(0.0,), (-14.0, 14.0), (-14.0, 0.0, 14.0)][seed % 3]
    faces = [_face(name, rng, lines) for name in ("Ash", "Elm bar", "Yew")[: 2 + seed % 2]]
    plan = round_of(faces, ("over", "end for end") if seed % 4 < 2 else ("over",))
    if seed % 5 == 0 and len(lines) > 1:
        plan = planned_slopes(plan, Cross(faces[0].name, lines[-1] - lines[0]), faces[0].stations_mm)
    if seed % 5 == 1:
        step = Step(faces[1].name, float(np.diff(faces[1].stations_mm)[0]), lines[0])
        plan = planned_slopes(plan, step, faces[1].stations_mm[:1])
    if seed % 7 == 3:
        at = LayUp(faces[0].name, faces[1].name, "over", float(-faces[0].stations_mm[1]))
        plan = planned_gaps(plan, at)
    kit: list[Instrument] = [replace(i, um_per_m_per_div=20.0) if i.name == LEVEL else i for i in plan.instruments]
    kit = [replace(i, name="box level" if seed % 2 else i.name) if i.name == LEVEL else i for i in kit]
    kit += [DIAL] if seed % 3 == 1 else []
    job = read(plan, truth_of(plan, rng, 4.0), rng).job
    job = replace(job, settings=tuple(_renamed(s, kit) for s in job.settings))
    if seed % 3 == 0:
        job = _spoiled(job, rng)
    if seed % 4 == 3:
        kit = [replace(i, blocks_mm=SET_MM) if i.name == STACKS else i for i in kit]
    if seed % 5 > 1:
        kit = [i for i in kit if i.kind != "level"]
    limits = [Goal(straightness_um=3.0), Goal(straightness_um=8.0), Goal(flatness_um=6.0), Goal(twist_um_per_m=30.0)]
    wide = len(lines) > 1
    return replace(job, instruments=tuple(kit), goal=limits[seed % 4 if wide else seed % 2])


def _face(name: str, rng: np.random.Generator, lines: tuple[float, ...]) -> Face:
    face = edge(name, 600.0, 7, lines)
    if rng.random() < 0.4:
        return face
    moved = np.round(np.array(face.stations_mm) + np.r_[0, rng.uniform(-20, 20, 5), 0], 1)
    return replace(face, stations_mm=tuple(moved.tolist()))


def _renamed(setting: Setting, kit: Sequence[Instrument]) -> Setting:
    level = next((i.name for i in kit if i.kind == "level"), LEVEL)
    return replace(setting, instrument=level) if setting.instrument == LEVEL else setting


def _spoiled(job: Job, rng: np.random.Generator) -> Job:
    """One gap misread by 30 µm."""
    number_ = int(rng.integers(len([s for s in job.settings if isinstance(s.geometry, LayUp)])))
    setting = job.settings[number_]
    at = int(rng.integers(len(setting.readings)))
    one = setting.readings[at]
    assert one.value is not None
    wrong = replace(one, value=Typed(one.value.number + 0.03, "mm"))
    readings = tuple(wrong if i == at else r for i, r in enumerate(setting.readings))
    return replace(
        job, settings=tuple(replace(setting, readings=readings) if s is setting else s for s in job.settings)
    )


def example_jobs() -> Iterator[tuple[str, Job]]:
    """The sample shops and what may become of them, and the examples of the documents."""
    yield from shops().items()
    yield "two edges without a level", replace(jobfile.loads(shop("two_edges")), without=("level", "autocollimator"))
    for path in sorted(EXAMPLES.glob("*.toml")):
        yield path.stem, jobfile.read(path)


def told_of(move: Move, job: Job) -> bool:
    """Whether the words of a move, carried out, are what it holds; False where it holds nothing to carry out."""
    words = sentence(how(move))
    match move:
        case TakeSetting():
            candidate = move.offer.candidate
            some = {s.id: {r.id for r in readings} for s, readings in move.some}
            settings = [
                replace(
                    s, readings=tuple(r for r in s.readings if r.id in some[s.id] or r in s.geometry.rests(s.readings))
                )
                for s in candidate.settings
                if s.id in some
            ]
            agree(words, settings or list(candidate.settings), job, candidate)
        case MakePiece() if move.cure.candidate is not None:
            agree(words, list(move.cure.candidate.settings), job, move.cure.candidate)
        case TakeAgain() if move.retake.begun is None:
            anew = move.retake.anew
            agree(words, [anew], job)
            if "The place in doubt is" in words:
                doubt = re.search(r"The place in doubt is (.+?); the others check it", words)
                assert doubt is not None
                same_places(spots(doubt[1]), [(r.x_mm, r.y_mm) for r in move.retake.again])
        case TryStack():
            told = re.match(
                r"While (.+), still lies there, try a stack of ([\d.]+) mm(?: \([^)]+\))? (.+)\. Type", words
            )
            assert told is not None
            assert told[1] == move.stack.setting.geometry.words(METRIC)
            assert number(told[2]) == pytest.approx(move.stack.size_mm, abs=1e-4)
            same_places(spots(told[3]), [(r.x_mm, r.y_mm) for r in move.stack.readings])
        case FindFault() if move.again is not None:
            agree(words, list(move.again.settings), job)
        case Scrape():
            zones = re.findall(r"from ([\d.]+) to ([\d.]+) mm(?:, (near|far) half)?: (\d+) pass", words)
            held = [z for z in move.map.zones if z.width != "strip"]
            want = [(z.from_mm, z.to_mm, z.width if z.width != "whole" else "", z.passes) for z in held]
            assert [(float(a), float(b), half, int(n)) for a, b, half, n in zones] == [
                (pytest.approx(a, abs=0.05), pytest.approx(b, abs=0.05), half, n) for a, b, half, n in want
            ]
        case TakeTwist():
            far, near = (f"the {edge} edge at the {end} end" for edge, end in _corners(move.far_up))
            assert far in words
            assert near in words
        case _:
            return False
    return True


def _corners(far_up: bool) -> tuple[tuple[str, str], tuple[str, str]]:
    return (("far", "far"), ("near", "marked")) if far_up else (("near", "far"), ("far", "marked"))


def same_places(said: Sequence[tuple[float, ...]], held: Sequence[tuple[float | None, float | None]]) -> None:
    want = sorted((x or 0.0, y or 0.0) for x, y in held)
    assert np.allclose(sorted(said), want, rtol=2e-6, atol=2e-3)


def agree(words: str, settings: Sequence[Setting], job: Job, candidate: Candidate | None = None) -> None:
    """What the words set up is what the settings are."""
    made = tuple(f.name for p in candidate.pieces for f in p.faces) if candidate is not None else ()
    said = deeds(words, job, made)
    wanted = [meant(s, job) for s in settings]
    left = list(said)
    for want in wanted:
        found = next((deed for deed in left if deed.same(want)), None)
        assert found is not None, f"{words}\n\nmeant {want}\n\nsaid {said}"
        left.remove(found)
    assert not left, words
    borrowed = re.findall(r"Borrow (?:a|a set of) ([a-z ]+?)(?: that reads|, grade)", words)
    assert set(borrowed) == ({i.kind for i in candidate.instruments} if candidate is not None else set())


@pytest.fixture(scope="module")
def seen() -> Counter[str]:
    """How many moves of each kind were carried out."""
    found: Counter[str] = Counter()
    for name, job in [*example_jobs(), *((f"seed {seed}", drawn(seed)) for seed in range(GENERATED))]:
        told: Report = report(job, with_cures=False)
        for move in told.moves:
            if told_of(move, job):
                found[type(move).__name__] += 1
            else:
                found[f"no setting: {type(move).__name__}"] += 1
        assert name
    return found


def test_every_move_can_be_carried_out_from_its_words(seen: Counter[str]) -> None:
    """Over the samples, the examples and the generated jobs each kind of move that sets something up is met."""
    met = {"TakeSetting", "TakeAgain", "TryStack", "FindFault", "MakePiece", "Scrape"}
    assert met <= set(seen), seen
    assert seen["TakeSetting"] > 40


@pytest.mark.parametrize("seed", range(GENERATED))
def test_every_proposal_can_be_carried_out_from_its_words(seed: int) -> None:
    """Whatever any kind of reading proposes, alone, with and without an instrument to borrow, whole and in part."""
    job = drawn(seed)
    first = next(iter(job.faces().values()))
    under = replace(first, name="Ash under", side="bottom")
    pieces = (replace(job.pieces[0], faces=(first, under)), *job.pieces[1:])
    kit = (*(i for i in job.instruments if i.kind != "indicator"), DIAL, MICROMETER)
    wide = replace(
        job,
        pieces=pieces,
        instruments=tuple(replace(i, blocks_mm=SET_MM) if i.kind == "gauge blocks" else i for i in kit),
    )
    rng = np.random.default_rng(seed)
    for one in (job, wide, over_rolls()):
        for kind in KINDS.values():
            for candidate in kind.candidates(one):
                agree(sentence(candidate.words(METRIC)), candidate.settings, one, candidate)
                some = candidate.of(_thinned(s, rng) for s in candidate.settings)
                agree(sentence(some.words(METRIC)), some.settings, one, candidate)


def _thinned(setting: Setting, rng: np.random.Generator) -> Setting:
    """With about half of what is read."""
    taken = setting.geometry.to_read(setting.readings)
    kept = {taken[0].id, *(r.id for r in taken if rng.random() < 0.5)}
    return replace(setting, readings=tuple(r for r in setting.readings if r not in taken or r.id in kept))


def over_rolls() -> Job:
    """A dovetail measured over two rolls."""
    kind = Rolls("Ash", "Ash floor", 60.0)
    job = job_of((edge("Ash"), edge("Ash floor")), kit=(MICROMETER,))
    return replace(job, settings=(Setting("rolls[0]", kind, ()),))


def test_a_reader_does_not_guess() -> None:
    """Other words set up something else: places, lines, the turn, the sign of an offset and a block are all read."""
    job = drawn(1)
    candidate = next(iter(LayUp.candidates(job)))
    words = sentence(candidate.words(METRIC))
    others = (
        ("marks together, its marked", "marks opposite, its far"),
        ("near line (y −14)", "near line (y −13)"),
        ("of 20 mm", "of 25 mm"),
        ("and 600 mm", "and 590 mm"),
        ("with the stacks", "with the feelers"),
    )
    for old, new in others:
        assert old in words
        with pytest.raises(AssertionError):
            agree(words.replace(old, new), candidate.settings, job, candidate)
