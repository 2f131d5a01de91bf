"""Is a face better for being scraped by the map, and is nothing taken below the target?

Three edges are read against each other in both turns, one of them is scraped by its map, all are read again, and so on
until it was scraped twice or is inside. Where the map asks for more readings they are taken and count with those of the
same state. The truth is kept on the pencil grid: even between stations at first, then with every pass's own depth.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # many small solves

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from studies.table import track, write_table
from tests.simulate import edge, planned_slopes, read, round_of, truth_of
from waywright.core.adjust.network import network
from waywright.core.adjust.suspects import screen
from waywright.core.evidence.things import Face, FloatArray, Hand
from waywright.core.judge.form import FormPosterior, form_posterior
from waywright.core.judge.limits import Limit
from waywright.core.judge.zones import minimum_zone_lines, minimum_zone_planes
from waywright.core.readings import Cross
from waywright.core.work.maps import ScrapingMap, Taken
from waywright.core.work.pencil import Pencil, pencil
from waywright.core.work.plan import crown_weights
from waywright.core.work.scraping import scraping_map

SEED = 20_260
SHOPS = 67  # of each kind
PASSES = 2
ROUNDS = 8  # of reading, at most
DRAWS = 2000
CHANCE = 0.95
BELOW = 0.05  # of jobs that may have a place below its target
SEEN = 3.0  # gaps' u from which a face must come out better

ONE, TWO, HOLLOW = "edges read on one line", "edges read on two lines, and a level across", "references, hollow only"
KINDS = (ONE, TWO, HOLLOW)


@dataclass(frozen=True)
class Shop:
    """One shop: three faces, an instrument, a hand, and what is wanted."""

    faces: tuple[Face, ...]
    truth_um: Mapping[str, FloatArray]
    u_um: float
    hand: Hand  # as believed
    true_depth_um: float
    limit: Limit | None
    measure: str
    side: str


@dataclass
class Metal:
    """The true face P on its pencil grid: even between stations, less what was taken from each square."""

    grid: Pencil
    nodes_um: FloatArray
    taken_um: FloatArray  # (squares,) truly
    told: Taken | None  # by the maps
    measure: str

    @property
    def read_um(self) -> FloatArray:
        """(nodes,) what an instrument stands on."""
        return np.asarray(self.nodes_um - self.grid.node_squares @ self.taken_um)

    @property
    def places_um(self) -> FloatArray:
        """(places,) true heights, on both sides of every pencil line."""
        return np.asarray(self.grid.weights @ self.nodes_um - self.taken_um[self.grid.square])

    @property
    def zone_um(self) -> float:
        """What is judged: straightness of the worst line, or flatness."""
        g, h = self.grid, self.places_um[None, :]
        if self.measure == "flatness":
            return float(minimum_zone_planes(g.at_x_mm, g.at_y_mm, h)[0])
        on = [np.abs(g.at_y_mm - y) < 1e-6 for y in g.face.lines_mm]
        return max(float(minimum_zone_lines(g.at_x_mm[i], h[:, i])[0]) for i in on)

    @property
    def crown_um(self) -> float:
        """How high the middle stands above the ends."""
        return float(crown_weights(self.grid) @ self.places_um)


@dataclass(frozen=True)
class Round:
    """One round: what the map said, how many scraped places were taken below its target, what is truly left."""

    outcome: str
    below: int
    told_um: float | None
    zone_um: float
    crown_um: float


@dataclass(frozen=True)
class Worked:
    """One shop's face through its rounds."""

    u_um: float
    start_um: float
    crown_um: float
    hollow: bool  # asked for
    rounds: tuple[Round, ...]

    @property
    def seen(self) -> bool:
        """Whether there was something to see, and the first map did not call the face finished."""
        return self.start_um > SEEN * self.u_um and self.rounds[0].outcome not in ("inside", "near")

    @property
    def passes(self) -> int:
        """How many maps took something."""
        return sum(r.outcome == "scrape" for r in self.rounds)

    @property
    def better(self) -> bool:
        """Whether less is left, or the middle no longer stands high where it may not."""
        last = self.rounds[-1]
        return last.zone_um < self.start_um - 1e-9 or (self.hollow and last.crown_um <= 0 < self.crown_um)

    @property
    def made_crowned(self) -> bool:
        """Whether a round left a hollow face crowned."""
        before = (self.crown_um, *(r.crown_um for r in self.rounds[:-1]))
        return self.hollow and any(b <= 0 < r.crown_um for b, r in zip(before, self.rounds, strict=True))


def shop(kind: str, rng: np.random.Generator) -> Shop:
    """A shop at random."""
    length = float(rng.choice([300, 400, 500, 600, 800, 1000]))
    stations = int(rng.integers(7, 14))
    lines = (-14.0, 14.0) if kind == TWO or (kind == HOLLOW and rng.random() < 0.5) else (0.0,)
    faces = tuple(edge(name, length, stations, lines) for name in "PQR")
    u = float(rng.uniform(0.5, 2.0))
    job = round_of(faces, u_um=u)
    truth = truth_of(job, rng, float(rng.uniform(2.0, 8.0)))
    depth = float(rng.uniform(2.0, 4.0))
    hand = Hand(depth, 0.1 * depth, float(rng.uniform(0.1, 0.25)))
    side = "hollow only" if kind == HOLLOW else "between"
    limit = Limit(float(rng.uniform(2.0, 8.0)) * u, side) if rng.random() < 0.5 else None
    measure = "flatness" if len(lines) > 1 and rng.random() < 0.5 else "straightness"
    return Shop(faces, truth, u, hand, depth + 0.1 * depth * float(rng.standard_normal()), limit, measure, side)


def known(one: Shop, truth_um: Mapping[str, FloatArray], rng: np.random.Generator) -> tuple[FloatArray, FormPosterior]:
    """Heights of P and the shapes it may have, from one reading of all three pairs in both turns."""
    plan = round_of(one.faces, ("over", "end for end"), u_um=one.u_um)
    if len(one.faces[0].lines_mm) > 1:  # what all three share and is odd both ways is seen by a level alone
        plan = planned_slopes(plan, Cross("P", 28.0), one.faces[0].stations_mm)
    job = read(plan, truth_um, rng).job
    solution = screen(network(job)).solution
    face = solution.face("P", 0)
    assert face is not None
    height = solution.heights_um(face)
    covariance = solution.face_covariance(face)
    return height, form_posterior(face.x_mm, face.y_mm, height, covariance, draws=DRAWS, seed=1)


def worked(kind: str, number: int) -> Worked:
    """One shop of a kind, by its number."""
    rng = np.random.default_rng([SEED, KINDS.index(kind), number])
    one = shop(kind, rng)
    p = one.faces[0]
    grid = pencil(p, p.x_mm, p.y_mm, quarters=True)
    metal = Metal(grid, one.truth_um["P"], np.zeros(len(grid.area_mm2)), None, one.measure)
    start, crown = metal.zone_um, metal.crown_um
    rounds: list[Round] = []
    times = 0  # the face was read as it is now
    while len(rounds) < ROUNDS and sum(r.outcome == "scrape" for r in rounds) < PASSES:
        times += 1
        found, hand = _map(replace(one, u_um=one.u_um / times**0.5), metal, rng)
        rounds.append(_scraped(metal, found, hand, one.true_depth_um / one.hand.depth_um, rng))
        if found.outcome == "scrape":
            times = 0
        elif found.outcome == "inside":
            break
    return Worked(one.u_um, start, crown, kind == HOLLOW, tuple(rounds))


def _map(one: Shop, metal: Metal, rng: np.random.Generator) -> tuple[ScrapingMap, Hand]:
    """What the map says; where it asks for lighter passes, those are taken."""
    p = one.faces[0]
    height, form = known(one, {**one.truth_um, "P": metal.read_um}, rng)
    hand = one.hand

    def ask(hand: Hand) -> ScrapingMap:
        return scraping_map(
            p, p.x_mm, p.y_mm, height, form.draws_um, hand=hand, limit=one.limit,
            side=one.side, measure=one.measure, chance=CHANCE, taken=metal.told,
        )  # fmt: skip

    found = ask(hand)
    if found.lighter_um is not None:
        hand = hand.lighter(found.lighter_um / hand.depth_um)
        found = ask(hand)
    return found, hand


def _on(metal: Metal, squares: NDArray[Any]) -> NDArray[Any]:
    """A map's squares on the grid of the truth, which is ruled in quarters."""
    return np.repeat(squares, metal.grid.shape[0] // len(squares), axis=0)


def _scraped(metal: Metal, found: ScrapingMap, hand: Hand, strong: float, rng: np.random.Generator) -> Round:
    """Scrape `metal` by the map, each pass at random about what this hand truly takes."""
    passes = _on(metal, found.passes).ravel()
    level = np.stack([np.ones(len(metal.nodes_um)), metal.grid.face.x_mm, metal.grid.face.y_mm], axis=1)
    own = np.linalg.lstsq(level, metal.read_um, rcond=None)[0]  # the frame the target is told in
    rough = hand.scatter * hand.depth_um * np.sqrt(passes) * rng.standard_normal(len(passes))
    metal.taken_um = metal.taken_um + np.maximum(strong * hand.depth_um * passes + rough, 0.0)
    metal.told = found.taken if metal.told is None else metal.told + found.taken
    below, x, y = 0, metal.grid.at_x_mm, metal.grid.at_y_mm
    if found.target is not None:
        at = metal.places_um - np.stack([np.ones_like(x), x, y], axis=1) @ own
        below = int((at < found.target.height_um(x, y))[passes[metal.grid.square] > 0].sum())
    return Round(found.outcome, below, found.after_um, metal.zone_um, metal.crown_um)


def row(kind: str, shops: list[Worked]) -> tuple[list[str], str]:
    """One kind's line of the table, and what promise it broke."""
    seen = [w for w in shops if w.seen]
    once, twice = ([w for w in seen if w.passes == n] for n in (1, PASSES))
    below = sum(any(r.below for r in w.rounds) for w in shops)
    told = [r.zone_um / r.told_um for w in shops for r in w.rounds if r.told_um]
    left = float(np.median([w.rounds[-1].zone_um / w.start_um for w in seen if w.passes]))
    cells = [
        kind,
        f"{len(shops)}",
        f"{sum(r.outcome == 'scrape' for w in shops for r in w.rounds)}",
        f"{below}",
        f"{len(seen)}",
        f"{len(twice)}",
        f"{sum(w.better for w in twice)}",
        f"{len(once)}",
        f"{sum(w.better for w in once)}",
        f"{left:.2f}",
        f"{np.median(told):.2f}",
        f"{sum(w.made_crowned for w in shops)}" if kind == HOLLOW else "",
    ]
    if below > BELOW * len(shops):
        return cells, f"{below} of {len(shops)} shops had a place below its target"
    worse = sum(not w.better for w in twice)
    return cells, f"{worse} of {len(twice)} faces scraped twice came out no better" if worse else ""


def main() -> None:
    """Work every shop, write the table, and hold the promises."""
    shops = {kind: [worked(kind, i) for i in track(range(SHOPS), kind)] for kind in KINDS}
    found = {kind: row(kind, of) for kind, of in shops.items()}
    write_table(
        "scraping",
        "Scraping by the map",
        seed=SEED,
        header=HEADER,
        rows=[cells for cells, _ in found.values()],
        notes=NOTES,
    )
    broken = {kind: why for kind, (_, why) in found.items() if why}
    assert not broken, broken
    once = [w.better for of in shops.values() for w in of if w.seen and w.passes == 1]
    assert np.mean(once) >= CHANCE, f"{sum(once)} of {len(once)} faces scraped once came out better"


HEADER = [
    "faces",
    "shops",
    "rounds scraped",
    "shops with a place below its target",
    f"zone above {SEEN:g} u",
    "of them scraped twice",
    "of those better",
    "scraped once, then enough",
    "of those better",
    "zone after over before, median",
    "true zone over told, median",
    "hollow ones left crowned",
]

NOTES = f"""
Three edges of 300 to 1000 mm with 7 to 13 stations, bowed, twisted and rough by some 2 to 8 µm, are read against each
other in both turns with gaps of u = 0.5 to 2 µm; one is scraped by its map and all are read again, until it was scraped
{PASSES} times, is called inside, or was read {ROUNDS} times; readings of one state count together. A pass takes 2 to 4
µm (half or a quarter of that where the map asks for lighter ones); the hand is believed to within 10 %, and places
differ by 10 to 25 % a pass. Half the shops have a limit of 2 to 8 u, the others come as flat as the hand can; on two
lines the straightness of each or the flatness is judged. True heights are counted on both sides of every pencil line.
"Zone above {SEEN:g} u": more than {SEEN:g} standard uncertainties of a gap, and not called inside its limit, or most
likely so, by the first map. A reference that may only be hollow is better too when its middle no longer stands high.
Promises: a place below the target in at most {100 * BELOW:.0f} % of the shops; every face above {SEEN:g} u that was
scraped twice is better, of all those that had enough with once {100 * CHANCE:.0f} %.
"""


if __name__ == "__main__":
    main()
