"""Weight in every reading: with it the true heights come out whatever is read, and what is not known of it is in the
bands. The truth hangs by a second reckoning, the double integral of the moment of an even bar on two supports."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.kinds.worlds import BLOCKS, Place, What, edge, flat, height, job_of, nodes_of, random_truth, with_readings
from waywright.core.adjust.network import network
from waywright.core.body.bending import bends, standing, supports_mm
from waywright.core.body.told import left_out
from waywright.core.evidence.bends import Given, unbent
from waywright.core.evidence.findings import Report, StiffnessLearned
from waywright.core.evidence.job import Hung, Job, Reading, Setting, Typed
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.material import BUILT_IN
from waywright.core.evidence.section import Computed
from waywright.core.evidence.things import FloatArray, Instrument
from waywright.core.readings import LayUp, Rider, Run, Slide, Step, Thickness
from waywright.core.report import report
from waywright.jobfile import loads
from waywright.units import METRIC
from waywright.views.findings import note_words
from waywright.views.numbers import METRIC as SHOWN

LENGTH, AREA, INERTIA = 600.0, 900.0, 60_000.0
IRON = BUILT_IN["cast iron"]
SECTION = Computed(area_mm2=AREA, inertia_mm4=INERTIA, shear_mm2=1e14)
WEIGHT_N = 7200 * 9.80665 * AREA * 1e-6 * 0.6
FINE = np.linspace(0.0, LENGTH, 60_001)
KIT = (
    replace(BLOCKS, u_um=0.02),
    Instrument("dial", "indicator", u_um=0.02),
    Instrument("micrometer", "micrometer", u_um=0.02),
    Instrument("level", "level", u_um_per_m=0.2),
)


def hung(supports: tuple[float, float], loads: Sequence[tuple[float, float]] = (), e_gpa: float = 110.0) -> FloatArray:
    """(60001,) µm down from the supports: δ″ = −M/EI with M by the sum of moments left of each place."""
    loads = [(LENGTH / 2, WEIGHT_N), *loads]
    right = sum(f * (x - supports[0]) for x, f in loads) / (supports[1] - supports[0])
    left = sum(f for _, f in loads) - right
    moment = -WEIGHT_N / LENGTH * FINE**2 / 2
    for x, f in [(supports[0], left), (supports[1], right), *((x, -f) for x, f in loads[1:])]:
        moment = moment + f * np.maximum(FINE - x, 0.0)
    curve = -moment * 1e-3 / (e_gpa * 1e9 * INERTIA * 1e-12) * 1e6  # µm/m²
    step = 1e-3 * (FINE[1] - FINE[0])

    def integral(f: FloatArray) -> FloatArray:
        return np.concatenate([[0.0], np.cumsum(0.5 * step * (f[1:] + f[:-1]))])

    down = integral(integral(curve))
    ends = np.interp(supports, FINE, down)
    return np.asarray(down - ends[0] - (ends[1] - ends[0]) * (FINE - supports[0]) / (supports[1] - supports[0]))


class World:
    """Two iron edges, A with its underside and B, carried 60 mm from their ends; read without noise as they bend."""

    carried = (60.0, 540.0)

    def __init__(self, seed: int = 1, e_gpa: float = 110.0) -> None:
        a, under, b = edge("A"), edge("A under", side="bottom"), edge("B")
        job = job_of((a, under), b, kit=KIT)
        made = {"material": "cast iron", "section": SECTION, "carried_mm": self.carried}
        self.job = replace(job, pieces=tuple(replace(piece, **made) for piece in job.pieces))  # type: ignore[arg-type]
        self.truth = random_truth(self.job, np.random.default_rng(seed), 2.0)
        self.e_gpa = e_gpa
        self.alone = hung(self.carried, e_gpa=e_gpa)

    def h(self, name: str, x: float) -> float:
        """True height of the unloaded face."""
        return height(self.job.faces()[name], self.truth[name], x, 0.0)

    def bent(self, name: str, x: float, down: FloatArray) -> float:
        """As it is read: `down` µm against the piece's own up, against the normal of a top and with a bottom's."""
        sign = -1.0 if name == "A under" else 1.0
        return self.h(name, x) - sign * float(np.interp(x, FINE, down))

    def take(self, kind: Kind, what: What, at: list[Place], entry: str = "readings", key: str = "um") -> None:
        """One more setting."""
        unit = "mm" if key in ("gap_mm", "size_mm") else "µm/m" if key == "um_per_m" else "µm"
        of = {"um": "dial", "gap_mm": "blocks", "size_mm": "micrometer", "um_per_m": "level"}[key]
        self.job = with_readings(self.job, kind, entry, at, what, key=key, unit=unit, instrument=of)

    def runs(self) -> None:
        """A perfect guide over every face, that tells all of them."""
        for name in ("A", "A under", "B"):
            up = -self.alone if name == "A under" else self.alone  # the underside is read with it looking up
            self.take(Run(name), lambda x, y, n=name, d=up: self.bent(n, x, d) + 3 - x / 100, nodes_of(edge(name)))  # type: ignore[misc]

    def turned_over(self) -> None:
        self.take(
            Run("B", turned_over=True), lambda x, y: self.bent("B", x, -self.alone) + 5 + x / 50, nodes_of(edge("B"))
        )  # fmt: skip

    def steps(self) -> None:
        rise: What = lambda x, y: (self.bent("A", x + 100, self.alone) - self.bent("A", x, self.alone)) / 0.1 + 40  # noqa: E731
        self.take(Step("A", 100.0), rise, [(float(x), 0.0) for x in range(0, 600, 100)], key="um_per_m")
        self.job = replace(self.job, settings=(*self.job.settings[:-1], replace(self.job.settings[-1], seat_um=0.0)))

    def thickness(self) -> None:
        def size(x: float, y: float) -> float:
            return 60_000 + self.bent("A", x, self.alone) + self.bent("A under", x, self.alone)

        self.take(Thickness("A", "A under"), size, nodes_of(edge("A")), key="size_mm")

    def ride(self) -> None:
        def crown(x: float, y: float) -> float:
            at = [self.bent("A", x + foot, self.alone) for foot in (0.0, 100.0, 200.0)]
            return at[1] - 0.5 * (at[0] + at[2]) + 7

        rider = Rider("A", ((0.0, 0.0), (200.0, 0.0)), (100.0, 0.0))
        self.take(rider, crown, [(float(x), 0.0) for x in range(0, 500, 100)])

    def lay(self, turn: str, spacers: tuple[float, float], carried: tuple[float, float] | None = None) -> None:
        """B on A on two blocks, A carried as it is by itself, or as it is said."""
        kind = LayUp("A", "B", turn)
        gap = self.gap(turn, spacers, carried or self.carried)
        self.take(kind, gap, [(float(x), 0.0) for x in range(0, 700, 100)], entry="gaps", key="gap_mm")
        self.stood(spacers, (20.0, 20.0), carried)

    def gap(self, turn: str, spacers: tuple[float, float], carried: tuple[float, float], rise: float = 0.0) -> What:
        over: Callable[[float], float] = (lambda x: x) if turn == "over" else (lambda x: LENGTH - x)
        upper = hung((min(map(over, spacers)), max(map(over, spacers))), e_gpa=self.e_gpa)
        each = WEIGHT_N / (spacers[1] - spacers[0])
        pushed = [(spacers[0], each * (spacers[1] - 300)), (spacers[1], each * (300 - spacers[0]))]
        lower = hung(carried, pushed, self.e_gpa)

        def bare(x: float) -> float:  # the upper is upside down: what it hangs is out of its own face
            return -self.bent("A", x, lower) - self.bent("B", over(x), -upper)

        ends = [20_000 - bare(spacers[0]), 20_000 + rise - bare(spacers[1])]
        return lambda x, y: bare(x) + np.interp(x, spacers, ends) + self.beyond(x, spacers, ends)

    @staticmethod
    def beyond(x: float, at: tuple[float, float], ends: list[float]) -> float:
        """How far a line through two places is off what `interp` gives outside them."""
        slope = (ends[1] - ends[0]) / (at[1] - at[0])
        return slope * (min(x - at[0], 0.0) + max(x - at[1], 0.0))

    def stood(self, at: tuple[float, float], sizes: tuple[float, float], carried: tuple[float, float] | None) -> None:
        """The last setting stood on blocks, and its lower on these supports."""
        last = self.job.settings[-1]
        blocks = tuple(
            Reading(f"{last.id}.spacers[{i}]", "spacers", x, 0.0, key="size_mm", value=Typed(size, "mm"))
            for i, (x, size) in enumerate(zip(at, sizes, strict=True))
        )
        said = (("A", carried),) if carried is not None else ()
        last = replace(last, readings=(*blocks, *last.readings), carried_mm=said)
        self.job = replace(self.job, settings=(*self.job.settings[:-1], last))

    def wedge(self) -> None:
        spacers = (0.0, 600.0)
        gap = self.gap("over", spacers, self.carried, 40.0)
        self.take(Slide("A", "B", "over", u_x_mm=1.0), gap, [(float(x), 0.0) for x in (100, 250, 400, 520)],
                  entry="stops", key="size_mm")  # fmt: skip
        self.stood(spacers, (20.0, 20.04), None)
        last = self.job.settings[-1]
        self.job = replace(self.job, settings=(*self.job.settings[:-1], replace(last, instrument="blocks")))

    def worst_um(self, told: Report) -> float:
        """The largest error of a height."""
        faces = self.job.faces()
        return max(float(np.abs(s.height_um - flat(faces[s.face], self.truth[s.face])).max()) for s in told.shapes)


READ: dict[str, Callable[[World], None]] = {
    "turned over": World.turned_over,
    "steps": World.steps,
    "thickness": World.thickness,
    "riders": World.ride,
    "slides": World.wedge,
    "over": lambda world: world.lay("over", (100.0, 500.0)),
    "over, uneven": lambda world: world.lay("over", (50.0, 420.0)),
    "end for end": lambda world: world.lay("end for end", (50.0, 420.0), (20.0, 580.0)),
}


@pytest.mark.parametrize("name", READ)
def test_with_weight_every_kind_gives_the_true_heights(name: str) -> None:
    """Read without noise beside runs over every face: the heights are true to 1e-6 µm and nothing is left over. Taken
    as without weight each kind but thickness, whose two faces bend alike, is left with much."""
    world = World()
    world.runs()
    READ[name](world)
    told = report(world.job, with_cures=False)
    assert world.worst_um(told) < 1e-6
    assert told.fit.chi2 < 1e-6
    assert not told.suspects
    stiff = report(world.job, with_cures=False, bends=unbent)
    assert (world.worst_um(stiff) > 0.3) or name == "thickness"


@pytest.mark.parametrize("share", [-0.08, 0.08])
def test_a_section_wrong_by_eight_per_cent_stays_in_the_bands(share: float) -> None:
    """Pieces that sag 8 % more or less than their section says: every height within two of its sigmas; read alone on
    its supports each face's error is 8 % of its sag, and known to be."""
    world = World(e_gpa=110.0 / (1 + share))
    world.runs()
    told = report(world.job, with_cures=False)
    for shape in told.shapes:
        off = np.abs(shape.height_um - flat(world.job.faces()[shape.face], world.truth[shape.face]))
        assert off.max() > 0.05
        assert (off < 2 * shape.sigma_um + 1e-9).all()


def test_how_stiff_pieces_are_is_learned_from_two_arrangements() -> None:
    """A pair read on two arrangements of supports tells that it sags 8 % more than its section says, and so does one
    read with a known weight hung; read one way, that stays as it was known."""
    once = World(e_gpa=110.0 / 1.08)
    once.lay("over", (100.0, 500.0), (0.0, 600.0))
    (note,) = (n for n in report(once.job, with_cures=False).notes if isinstance(n, StiffnessLearned))
    assert not note.learned
    assert note.prior == pytest.approx(0.15)
    once.lay("over", (100.0, 500.0), (150.0, 450.0))
    (note,) = (n for n in report(once.job, with_cures=False).notes if isinstance(n, StiffnessLearned))
    assert note.learned
    assert note.share == pytest.approx(0.08, abs=2 * note.sigma)
    assert note.share > 0.05
    loaded = World(e_gpa=110.0 / 1.08)
    loaded.runs()
    heavy = hung(loaded.carried, [(300.0, 5 * 9.80665)], loaded.e_gpa)
    loaded.take(Run("A"), lambda x, y: loaded.bent("A", x, heavy), nodes_of(edge("A")))
    last = replace(loaded.job.settings[-1], hung=(Hung("A", 300.0, 5.0),))
    loaded.job = replace(loaded.job, settings=(*loaded.job.settings[:-1], last))
    (note,) = (n for n in report(loaded.job, with_cures=False).notes if isinstance(n, StiffnessLearned))
    assert note.share == pytest.approx(0.08, abs=0.01)


def three(supports: Callable[[tuple[float, float]], tuple[float, float]], **made: object) -> Job:
    """Three equal edges laid in pairs on blocks, each lower carried as `supports` has it for the blocks."""
    blocks = (100.0, 500.0)
    job = job_of(*(edge(name) for name in "PQR"), kit=KIT)
    job = replace(job, pieces=tuple(replace(piece, **made) for piece in job.pieces))  # type: ignore[arg-type]
    rng = np.random.default_rng(5)
    for number, (lower, upper) in enumerate((("P", "Q"), ("P", "R"), ("Q", "R"))):
        gaps = tuple(
            Reading(f"g{number}-{i}", "gaps", float(x), 0.0, key="gap_mm", value=Typed(20 + rng.normal(0, 2e-3), "mm"))
            for i, x in enumerate(range(0, 700, 100))
            if x not in blocks
        )
        rests = tuple(
            Reading(f"s{number}-{i}", "spacers", x, 0.0, key="size_mm", value=Typed(20.0, "mm"))
            for i, x in enumerate(blocks)
        )
        said = ((lower, supports(blocks)),)
        setting = Setting(
            f"l{number}", LayUp(lower, upper, "over"), (*rests, *gaps), instrument="blocks", carried_mm=said
        )
        job = replace(job, settings=(*job.settings, setting))
    return job


@pytest.mark.parametrize("e_gpa", [20.0, 110.0, 400.0])
@pytest.mark.parametrize("mass_kg", [None, 1.0, 30.0])
def test_equal_edges_carried_under_the_blocks_need_not_know_their_weight(e_gpa: float, mass_kg: float | None) -> None:
    """Carried straight under the blocks both sags are alike and cancel: the heights are those without weight, whatever
    the modulus, the section or the mass."""
    own = replace(IRON, name="own", e_gpa=e_gpa)
    job = three(lambda at: at, material="own", section=SECTION, mass_kg=mass_kg)
    job = replace(job, materials=(own,))
    with_weight, without = report(job, with_cures=False), report(job, with_cures=False, bends=unbent)
    for one, other in zip(with_weight.shapes, without.shapes, strict=True):
        np.testing.assert_allclose(one.height_um, other.height_um, rtol=0, atol=1e-3)


def test_the_middle_is_surest_carried_under_the_blocks() -> None:
    """Of all places two supports may have, straight under the blocks the middle of equal edges is known best, for there
    alone it does not hang on how stiff they are."""
    made = {"material": "cast iron", "section": SECTION}

    def middle(inset: float) -> float:
        shapes = report(three(lambda at: (at[0] + inset, at[1] - inset), **made), with_cures=False).shapes
        return float(shapes[0].sigma_um[3])

    under = middle(0.0)
    assert all(middle(inset) > under for inset in (-100.0, -50.0, -20.0, 20.0, 50.0, 100.0))


def test_where_nobody_said_what_it_stood_on_is_in_the_bands() -> None:
    """A lower with a section and no supports: its bands hold whatever the two usual ways of standing differ by."""
    said = report(three(lambda at: at, material="cast iron", section=SECTION), with_cures=False)
    job = three(lambda at: at, material="cast iron", section=SECTION)
    free = replace(job, settings=tuple(replace(s, carried_mm=()) for s in job.settings))
    unsaid = report(free, with_cures=False)
    assert all(b.sigma_um[3] > 3 * a.sigma_um[3] for a, b in zip(said.shapes, unsaid.shapes, strict=True))
    assert any("supports" in str(share.name) for share in unsaid.budget) or not unsaid.budget


def test_an_edge_on_three_blocks_stands_on_what_bending_says() -> None:
    """A limp edge on three equal blocks sags between them; whatever the middle one carries is unknown and learned from
    the gaps: heights of both faces come out."""
    world = World()
    world.runs()
    share = 5 / 8 * 0.9  # neither all that a level third support would carry nor nothing
    middle = share * WEIGHT_N
    upper = hung((50.0, 550.0), [(300.0, -middle)])
    side = (WEIGHT_N - middle) / 2
    lower = hung(world.carried, [(50.0, side), (300.0, middle), (550.0, side)])

    def bare(x: float) -> float:
        return -world.bent("A", x, lower) - world.bent("B", x, -upper)

    ends = [20_000 - bare(50.0), 20_000 - bare(550.0)]
    third = bare(300.0) + float(np.mean(ends))
    gap: What = lambda x, y: bare(x) + np.interp(x, (50.0, 550.0), ends) + world.beyond(x, (50.0, 550.0), ends)  # noqa: E731
    world.take(LayUp("A", "B", "over"), gap, [(float(x), 0.0) for x in range(0, 700, 100) if x != 300],
               entry="gaps", key="gap_mm")  # fmt: skip
    world.stood((50.0, 550.0), (20.0, 20.0), None)
    last = world.job.settings[-1]
    extra = Reading("third", "spacers", 300.0, 0.0, key="size_mm", value=Typed(third / 1e3, "mm"))
    world.job = replace(
        world.job, settings=(*world.job.settings[:-1], replace(last, readings=(extra, *last.readings)))
    )  # fmt: skip
    told = report(world.job, with_cures=False)
    assert world.worst_um(told) < 0.01  # what it carries had a prior
    assert told.fit.chi2 < 0.01


def test_three_blocks_about_the_middle_carry_what_balance_says() -> None:
    """An edge with two lines on two blocks near and one far carries half its weight on that one, wherever it is along:
    nothing is unknown of it, and with the third in the middle it is what a third support with half the weight makes."""
    faces = [edge(name, lines=(-15.0, 15.0)) for name in "PQ"]
    job = job_of(*faces, kit=KIT)
    made = {"material": "cast iron", "section": SECTION, "carried_mm": (60.0, 540.0)}
    job = replace(job, pieces=tuple(replace(piece, **made) for piece in job.pieces))  # type: ignore[arg-type]
    rests = tuple(
        Reading(f"s{i}", "spacers", x, y, key="size_mm", value=Typed(20.0, "mm"))
        for i, (x, y) in enumerate([(100.0, -15.0), (500.0, -15.0), (300.0, 15.0)])
    )
    setting = Setting("l", LayUp("P", "Q", "over"), rests, instrument="blocks")
    found = bends(replace(job, settings=(setting,)), setting)
    assert not any("spacer" in (bend.label or "") for bend in found)
    x = np.array([0.0, 300.0, 450.0])
    (known,) = (bend for bend in found if bend.piece == "Q" and bend.label is None)
    expected = np.interp(x, FINE, hung((100.0, 500.0), [(300.0, -WEIGHT_N / 2)]))
    np.testing.assert_allclose(known.heights(faces[1], x, x), expected, rtol=0, atol=1e-6)


def test_what_is_proposed_is_carried_under_the_blocks() -> None:
    """A lay-up proposed for edges whose section is known has its lower supported straight under the blocks, and says
    so; of others nothing is said."""
    stiff = replace(three(lambda at: at), settings=())
    known = replace(three(lambda at: at, material="cast iron", section=SECTION), settings=())
    for job, wanted in ((stiff, False), (known, True)):
        for candidate in LayUp.candidates(job):
            (setting,) = candidate.settings
            at = tuple(sorted(r.x_mm or 0.0 for r in setting.readings if r.entry == "spacers"))
            assert setting.carried_mm == (((setting.geometry.lower, at),) if wanted else ())  # type: ignore[attr-defined]
            assert ("straight under the blocks" in candidate.words(METRIC)) == wanted


def test_a_block_that_is_not_under_the_upper_carries_nothing() -> None:
    """Blocks beyond the end of a shorter upper are none of its supports, and those at one place are one."""
    job = job_of(edge("P", range(0, 1001, 200)), edge("Q"), kit=KIT)
    made = {"material": "cast iron", "section": SECTION}
    job = replace(job, pieces=tuple(replace(piece, **made) for piece in job.pieces))  # type: ignore[arg-type]
    rests = tuple(
        Reading(f"s{i}", "spacers", x, 0.0, key="size_mm", value=Typed(20.0, "mm"))
        for i, x in enumerate((100.0, 100.2, 500.0, 900.0))
    )
    setting = Setting("l", LayUp("P", "Q", "over"), rests, instrument="blocks")
    job = replace(job, settings=(setting,))
    assert supports_mm(job.pieces[1], setting, standing(job, setting)["Q"]) == (100.0, 500.0)


@pytest.mark.parametrize("path", sorted((Path(__file__).parents[2] / "docs" / "examples").glob("*.toml")), ids=str)
def test_a_job_that_says_nothing_of_weight_keeps_its_numbers(path: Path) -> None:
    """Of a file with none of these keys every row is as it was without weight, and where faces lie on one another one
    line says how much that may be."""
    job = loads(path.read_text(encoding="utf-8"))
    plain, bent = network(job), network(job, Given(bends=bends))
    np.testing.assert_array_equal(plain.rows.value_um, bent.rows.value_um)
    assert (plain.rows.matrix != bent.rows.matrix).nnz == 0
    said = [note for note in left_out(job) if note.unsaid == "section"]
    assert len(said) == any(s.geometry.lying is not None for s in job.settings)
    assert all("could be up to" in note_words(note, SHOWN) for note in said)


def test_an_upper_that_nobody_weighed_still_pushes() -> None:
    """A lower with a section under an upper of which nothing is known hangs by a load about its own weight, known to a
    half; weighed, by what it weighs; where the two touch it is said that their weight is left out."""
    job = three(lambda at: (20.0, 580.0), material="cast iron", section=SECTION)
    p, q, r = job.pieces
    unknown = replace(job, pieces=(p, replace(q, section=None, material=None), r))
    setting = unknown.settings[0]
    x = np.array([300.0])
    found = {bend.label: bend for bend in bends(unknown, setting) if bend.piece == "P"}
    assert found["weight of Q"].prior == 0.5
    half = WEIGHT_N / 2
    loaded, alone = hung((20.0, 580.0), [(100.0, half), (500.0, half)]), hung((20.0, 580.0))
    pushed = found["weight of Q"].heights(job.faces()["P"], x, x)[0]
    assert pushed == pytest.approx(-np.interp(300.0, FINE, loaded - alone), rel=1e-4)
    weighed = replace(job, pieces=(p, replace(q, section=None, material=None, mass_kg=WEIGHT_N / 9.80665), r))
    assert "weight of Q" not in {bend.label for bend in bends(weighed, setting)}
    touching = replace(setting, readings=(), geometry=LayUp("P", "Q", "over", touching=True))
    (note,) = (note for note in left_out(replace(job, settings=(touching,))) if note.unsaid == "contact")
    assert "touch" in note_words(note, SHOWN)
