"""The worked examples: the true shapes behind them, and the hand that read them. `python docs/examples/make.py`
writes the job files of this folder anew; a test holds them together.

Invented for Waywright, in the boatyard of the sample shop (`waywright/demo.py`). Besides Alder, Birch and Rowan the
yard has a marking-out plate, the Quay; the ram of the shaper that is being brought back; and three short edges for its
cross slide, Hazel, Holly and Willow. The first evening they had only coarse blocks; then they worked in three rounds;
in the end Hazel was proved on the mill.

What an instrument shows is worked out here from the true heights, apart from the program: heights are linear between
nodes, + proud, and every face has its marked end at x = 0 and its far edge at + y. The program never sees the truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from waywright.core.evidence.things import Face, FloatArray

SEED = 20261203
HERE = Path(__file__).parent
Place = tuple[float, float]

PLATE = Face("Quay", 720, 540, tuple(40.0 + 80 * i for i in range(9)), tuple(-240.0 + 60 * j for j in range(9)))
RAM_TOP = Face("Ram top", 560, 60, tuple(40.0 + 60 * i for i in range(9)), (-20.0, 20.0), "top", "ground")
RAM_UNDER = Face("Ram under", 560, 60, RAM_TOP.stations_mm, (-20.0, 20.0), "bottom", "ground")
SHORT = tuple(Face(name, 400, 24, tuple(20.0 + 40 * i for i in range(10))) for name in ("Hazel", "Holly", "Willow"))
RESTS_MM = (90.0, 310.0)
RAM_MM = 46.0
SPACER_MM = 20.0


# -- the true shapes


def quay() -> FloatArray:
    """The plate, (81,) µm: worn hollow where it was always used, left of the middle, one corner low, a little rough."""
    x, y = PLATE.x_mm, PLATE.y_mm
    hollow = -7.0 * np.exp(-(((x - 300) / 190) ** 2) - ((y + 40) / 150) ** 2)
    corner = -4.0 * np.exp(-(((x - 680) / 170) ** 2) - ((y - 240) / 150) ** 2)
    return np.asarray(hollow + corner + 0.4 * _rng(1).standard_normal(len(x)))


def ram() -> tuple[FloatArray, FloatArray]:
    """The ram's way and its underside, (18,) µm each: the way worn by its stroke, most near; the underside never ran.

    The ram is thicker at its far end, by 15 µm over the stations: that is in the underside's heights.
    """
    x, y = RAM_TOP.x_mm, RAM_TOP.y_mm
    worn = -11.0 * np.exp(-(((x - 300) / 150) ** 2)) * (1 - y / 100)
    top = worn + 0.4 * _rng(2).standard_normal(len(x))
    under = 1.5 * ((x - 280) / 240) ** 2 + 15.0 * (x - 40) / 480 + 0.4 * _rng(3).standard_normal(len(x))
    return np.asarray(top), np.asarray(under)


def short_edges(state: int = 0) -> dict[str, FloatArray]:
    """The three short edges, (10,) µm each, after `state` rounds of work: as filed, Holly and Willow scraped, then
    Willow again. What a pass takes is what `scraped` does."""
    s = 2 * SHORT[0].x_mm / 400 - 1
    rng = _rng(4)
    bow = {"Hazel": 2.6, "Holly": 8.0, "Willow": -13.0}  # of the middle over the ends
    skew = {"Hazel": 0.8, "Holly": -1.2, "Willow": 2.0}
    edges = {
        f.name: bow[f.name] * (1 - s**2) + skew[f.name] * 2.5 * (s**3 - 0.6 * s) + 0.3 * rng.standard_normal(10)
        for f in SHORT
    }
    for name in (("Holly", "Willow"), ("Willow",))[:state]:
        edges |= {one: scraped(edges[one], rng) for one in name}
    return edges


def scraped(before_um: FloatArray, rng: np.random.Generator) -> FloatArray:
    """An edge after a pass: most of what stands above its lowest fifth, no more than some 5 µm, and never evenly."""
    x = np.arange(len(before_um), dtype=float)
    about = before_um - np.polyval(np.polyfit(x, before_um, 1), x)
    proud = np.minimum(0.85 * np.maximum(about - np.quantile(about, 0.2), 0.0), 5.0)
    return np.asarray(before_um - proud * rng.uniform(0.85, 1.15, len(x)) - 0.2 * rng.uniform(0, 1, len(x)))


def table_um(at_mm: FloatArray) -> FloatArray:
    """The path of the mill's table, (n,) µm, + towards the indicator: longer than the edge, and far from straight."""
    return np.asarray(24.0 * np.sin(at_mm / 160.0) + 2.5 * np.cos(at_mm / 31.0) + 0.02 * at_mm)


def height(face: Face, nodes_um: FloatArray, at: Place) -> float:
    """The true height at a place: linear along each line, then across."""
    grid = nodes_um.reshape(len(face.stations_mm), len(face.lines_mm))
    return float(np.interp(at[1], face.lines_mm, [np.interp(at[0], face.stations_mm, line) for line in grid.T]))


def _rng(number: int) -> np.random.Generator:
    return np.random.default_rng([SEED, number])


# -- a plate by level: eight lines, any directions, one zero


def corners_and_lines() -> dict[str, tuple[Place, Place, int]]:
    """The eight lines by name: where each starts and ends, and the base that makes eight steps of it, mm."""
    x0, x1, y0, y1 = 40.0, 680.0, -240.0, 240.0
    return {
        "the first diagonal": ((x0, y0), (x1, y1), 100),
        "the second diagonal": ((x0, y1), (x1, y0), 100),
        "the near side": ((x0, y0), (x1, y0), 80),
        "the far side": ((x0, y1), (x1, y1), 80),
        "the marked end": ((x0, y0), (x0, y1), 60),
        "the far end": ((x1, y0), (x1, y1), 60),
        "the centre line along": ((x0, 0.0), (x1, 0.0), 80),
        "the centre line across": ((360.0, y0), (360.0, y1), 60),
    }


def plate() -> str:
    """Eight lines of the Quay, read with a level on a bridge whose feet are set to 100, 80 and 60 mm."""
    rng, truth = _rng(10), quay()
    zero, lies = 31.0, (-64.0, 45.0)  # of the bubble; of the plate, along and across, µm/m
    level_u, seat, division = 2.5, 0.3, 20.0
    tools = '[instruments.level]\nkind = "level"\num_per_m_per_div = 20\nu_um_per_m = 2.5\n'
    parts = [_head("The marking-out plate, by level on eight lines", tools), _pieces(PLATE)]
    for name, (start, end, base) in corners_and_lines().items():
        length = math.dist(start, end)
        along = ((end[0] - start[0]) / length, (end[1] - start[1]) / length)
        rows = []
        for at in range(0, round(length), base):
            feet = [(start[0] + d * along[0], start[1] + d * along[1]) for d in (at, at + base)]
            first, far = (height(PLATE, truth, foot) for foot in feet)
            slope = (far - first) / base * 1e3 + lies[0] * along[0] + lies[1] * along[1] + zero
            slope += rng.normal(0, math.hypot(level_u, math.sqrt(2) * seat / base * 1e3))
            rows.append(f"at_mm = {at}, div = {slope / division:.1f}")
        parts.append(
            f'# {name}\n[[steps]]\nface = "Quay"\nsetting = "one morning"   # the level was not touched in between\n'
            f"base_mm = {base}\nseat_um = {seat}\n"
            f"from_mm = [{start[0]:g}, {start[1]:g}]\nto_mm = [{end[0]:g}, {end[1]:g}]\n" + _list("readings", rows)
        )
    return "\n".join([*parts, '[goal]\ngrade = "DIN 876 grade 1"\n'])


# -- an edge by reversal on the mill's table


def reversal() -> str:
    """Hazel on the mill's table, rolled over between the runs, each done twice in the order 1, 2, 2, 1."""
    rng, edge, truth = _rng(20), SHORT[0], short_edges(2)["Hazel"]
    tools = '[instruments.dial]\nkind = "indicator"\nu_um = 0.5     # divisions of 1 µm, read to half of one\n'
    parts = [_head("Hazel proved on the mill, by reversal", tools), _pieces(edge)]
    for sign in (1, -1, -1, 1):
        drift, tilt = rng.normal(0, 4), rng.normal(0, 0.01)  # clamped and touched off anew
        shown = table_um(edge.x_mm) + sign * truth + drift + tilt * edge.x_mm + rng.normal(0, 0.5, 10)
        rows = [f"x_mm = {x:g}, um = {round(2 * um) / 2 + 0.0:.1f}" for x, um in zip(edge.x_mm, shown, strict=True)]
        says = "as it lies" if sign > 0 else "rolled over, the dial on its other side and + counted as plunger out"
        parts.append(
            f'# {says}\n[[runs]]\nface = "Hazel"\nguide = "mill table"\nsign = {sign}\nseat_um = 0.3\n'
            + _list("readings", rows)
        )
    return "\n".join([*parts, '[goal]\ngrade = "DIN 874-2"\n'])


# -- a flat way by micrometer, and a level


def micrometer(with_level: bool) -> str:
    """The ram's way over its underside, every 60 mm on two lines; then also stepped along with a level."""
    rng, (top, under) = _rng(35), ram()
    tools = '[instruments.micrometer]\nkind = "micrometer"\nu_um = 1.0\n'
    if with_level:
        tools += '\n[instruments.level]\nkind = "level"\nu_um_per_m = 3.0\n'
    rows = []
    for x, y in zip(RAM_TOP.x_mm.tolist(), RAM_TOP.y_mm.tolist(), strict=True):
        proud = height(RAM_TOP, top, (x, y)) + height(RAM_UNDER, under, (x, -y))
        size = RAM_MM + (proud + rng.normal(0, math.hypot(1.0, 0.3, 0.3))) / 1e3
        rows.append(f"x_mm = {x:g}, y_mm = {y:g}, size_mm = {size:.3f}")
    title = "The shaper's ram, by micrometer" + (" and level" if with_level else "")
    parts = [_head(title, tools), _pieces(RAM_TOP, RAM_UNDER, name="Ram")]
    parts.append('[[thickness]]\ntop = "Ram top"\nbottom = "Ram under"\n' + _list("readings", rows))
    if with_level:
        parts += _level_on_the_way(rng, top)
    return "\n".join([*parts, '[goal]\nstraightness_um = 6\nfaces = ["Ram top"]\n'])


def _level_on_the_way(rng: np.random.Generator, top: FloatArray) -> Iterator[str]:
    """Along both lines of the ram's way and across at every station; the ram lies still, tilted in both directions."""

    def slope(first: Place, far: Place) -> str:
        rise = height(RAM_TOP, top, far) - height(RAM_TOP, top, first)
        base_m = math.dist(first, far) / 1e3
        lies = 112.0 if far[0] > first[0] else -38.0
        return f"{rise / base_m + lies + rng.normal(0, math.hypot(3.0, math.sqrt(2) * 0.3 / base_m)):.0f}"

    head = 'face = "Ram top"\nsetting = "level on the way"\n'
    for y in RAM_TOP.lines_mm:
        rows = [f"x_mm = {x:g}, um_per_m = {slope((x, y), (x + 60, y))}" for x in RAM_TOP.stations_mm[:-1]]
        yield f"[[steps]]\n{head}base_mm = 60\ny_mm = {y:g}\n" + _list("readings", rows)
    rows = [f"x_mm = {x:g}, um_per_m = {slope((x, -20.0), (x, 20.0))}" for x in RAM_TOP.stations_mm]
    yield f"[[crosses]]\n{head}base_mm = 40\n" + _list("readings", rows)


# -- a wedge with a coarse block set


@dataclass(frozen=True)
class Pair:
    """Two edges of one length laid on each other: `lower`, `upper` and how the upper's x lies over the lower's."""

    lower: str
    upper: str
    turn: str

    def sum_um(self, truth: dict[str, FloatArray], x_mm: float) -> float:
        """How much closer the two faces are at x of the lower than two true ones would be, µm."""
        lower, upper = (next(f for f in SHORT if f.name == name) for name in (self.lower, self.upper))
        over = x_mm if self.turn == "over" else upper.length_mm - x_mm
        return height(lower, truth[self.lower], (x_mm, 0.0)) + height(upper, truth[self.upper], (over, 0.0))


def resting(pair: Pair, truth: dict[str, FloatArray], rests: Sequence[Place]) -> Callable[[float], float]:
    """The gap of a pair at x, mm, when it stands on blocks: `rests` are two places x and sizes, mm each."""
    (a, low), (b, high) = ((x, size + pair.sum_um(truth, x) / 1e3) for x, size in rests)
    return lambda x: low + (high - low) * (x - a) / (b - a) - pair.sum_um(truth, x) / 1e3


def wedge() -> str:
    """Each pair of the short edges on blocks unequal by nine steps of the set, wide first at the far, then at the near
    end; a stack slid in from the wide end stops where the gap is its size."""
    rng, truth = _rng(41), short_edges(0)
    blocks = [coarse_set_mm()[start : start + 9] for start in (0, 9, 18, 27)]
    tools = (
        '[instruments.blocks]\nkind = "gauge blocks"\ngrade = "1"\nfeel_um = 0.8\n'
        "blocks_mm = [                   # none finer than 0.01 mm\n"
        + "".join(f"  {', '.join(f'{b:g}' for b in row)},\n" for row in blocks)
        + "]\n"
    )
    parts = [_head("Three short edges, by wedge, the first evening", tools), _pieces(*SHORT)]
    ends = (SHORT[0].stations_mm[0], SHORT[0].stations_mm[-1])
    for lower, upper in combinations((f.name for f in SHORT), 2):
        for wide in (1, 0):
            sizes = [SPACER_MM + 0.09 * (end == wide) for end in (0, 1)]
            real = [size + rng.normal(0, 0.25) / 1e3 for size in sizes]
            gap = resting(Pair(lower, upper, "over"), truth, list(zip(ends, real, strict=True)))
            rows = []
            for step in range(8, 0, -1):
                size = SPACER_MM + 0.01 * step
                felt = size + rng.normal(0, math.hypot(0.25, 0.8)) / 1e3
                rows.append(f"x_mm = {_stop(gap, felt) + rng.normal(0, 0.8):.0f}, size_mm = {size:.2f}")
            stands = [f"x_mm = {x:g}, size_mm = {size:.2f}" for x, size in zip(ends, sizes, strict=True)]
            parts.append(
                f'[[slides]]\nlower = "{lower}"\nupper = "{upper}"\nturn = "over"\nu_x_mm = 1\n'
                + _list("spacers", stands)
                + _list("stops", rows)
            )
    return "\n".join([*parts, '[goal]\ngrade = "DIN 874-2"\n'])


def coarse_set_mm() -> list[float]:
    """The yard's old set: nine blocks each of steps of 0.01, 0.1 and 1 mm, and the tens."""
    return [round(b, 2) for step in (0.01, 0.1, 1.0) for b in (step * i + (step < 1) for i in range(1, 10))] + [10, 20]


def _stop(gap: Callable[[float], float], size_mm: float) -> float:
    """Where along the edges the gap is a stack's size: it grows from one end to the other, so there is one place."""
    first, last = SHORT[0].stations_mm[0], SHORT[0].stations_mm[-1]
    return float(brentq(lambda x: gap(x) - size_mm, first, last))


# -- a whole round of three, with passes


def rounds() -> str:
    """Three rounds: all pairs in both turns; Holly and Willow scraped and all pairs again; Willow scraped once more
    and its own two pairs. Nothing was taken off Hazel, so the first evening still counts for it."""
    rng = _rng(50)
    tools = '[instruments.blocks]\nkind = "gauge blocks"\ngrade = "1"\nfeel_um = 0.8\n'
    parts = [_head("Three short edges, round by round", tools), _pieces(*SHORT)]
    names = [f.name for f in SHORT]
    for number in (1, 2, 3):
        pairs = [p for p in combinations(names, 2) if number < 3 or "Willow" in p]
        both = [Pair(*p, turn) for turn in ("over", "end for end") for p in pairs]
        for i, pair in enumerate(both, 1):
            parts.append(_layup(f"round {number}.{i}", pair, short_edges(number - 1), rng))
    for face, after in (("Holly", "round 1.6"), ("Willow", "round 1.6"), ("Willow", "round 2.6")):
        parts.append(f'[[passes]]\nface = "{face}"\nafter = "{after}"\n')
    return "\n".join([*parts, '[goal]\ngrade = "DIN 874-2"\n'])


def _layup(name: str, pair: Pair, truth: dict[str, FloatArray], rng: np.random.Generator) -> str:
    """One lay-up on two equal blocks, read at every station with stacks 2 µm apart: a bracket, or one that drags."""
    real = [(x, SPACER_MM + rng.normal(0, 0.25) / 1e3) for x in RESTS_MM]
    gap, rows = resting(pair, truth, real), []
    for x in SHORT[0].stations_mm:
        felt = gap(x) + rng.normal(0, 0.35) / 1e3  # of the stack and of the hand
        below = math.floor(felt / 0.002) * 0.002
        nearest = round(felt / 0.002) * 0.002
        just = abs(felt - nearest) < 0.0002
        rows.append(
            f"x_mm = {x:g}, "
            + (f"just_mm = {nearest:.3f}" if just else f"goes_mm = {below:.3f}, stops_mm = {below + 0.002:.3f}")
        )
    stands = [f"x_mm = {x:g}, size_mm = {SPACER_MM:g}" for x in RESTS_MM]
    return (
        f'[[layups]]\nid = "{name}"\nlower = "{pair.lower}"\nupper = "{pair.upper}"\nturn = "{pair.turn}"\n'
        + _list("spacers", stands)
        + _list("gaps", rows)
    )


# -- the files


def _head(title: str, tools: str) -> str:
    return (
        "# An example of Waywright: invented, see make.py beside it for the shapes it was made from.\n"
        f'title = "{title}"\ntemperature_c = 20.2\n\n{tools}'
    )


def _pieces(*faces: Face, name: str | None = None) -> str:
    """Each face a piece of its own, or all of one piece called `name`."""
    text = "" if name is None else f'[[pieces]]\nname = "{name}"\n'
    for face in faces:
        text += f'[[pieces]]\nname = "{face.name}"\n' if name is None else ""
        text += (
            f'[[pieces.faces]]\nname = "{face.name}"\nlength_mm = {face.length_mm:g}\nwidth_mm = {face.width_mm:g}\n'
        )
        text += f"stations_mm = [{', '.join(f'{x:g}' for x in face.stations_mm)}]\n"
        text += f"lines_mm = [{', '.join(f'{y:g}' for y in face.lines_mm)}]\n" if face.lines_mm != (0.0,) else ""
        text += f'side = "{face.side}"\n' if face.side != "top" else ""
        text += f'finish = "{face.finish}"\n' if face.finish else ""
        text += "\n"
    return text.removesuffix("\n")


def _list(name: str, rows: Sequence[str]) -> str:
    """A list of readings, a line each."""
    return f"{name} = [\n" + "".join(f"  {{ {row} }},\n" for row in rows) + "]\n"


def examples() -> Iterator[tuple[str, str]]:
    """The name of each job file and its text."""
    yield "plate-by-level", plate()
    yield "edge-by-reversal", reversal()
    yield "way-by-micrometer", micrometer(with_level=False)
    yield "way-by-micrometer-and-level", micrometer(with_level=True)
    yield "edges-by-wedge", wedge()
    yield "edges-round-by-round", rounds()


def write(folder: Path) -> None:
    """Write the job files anew."""
    for name, text in examples():
        (folder / f"{name}.toml").write_text(text.rstrip("\n") + "\n", encoding="utf-8")


if __name__ == "__main__":
    write(HERE)
