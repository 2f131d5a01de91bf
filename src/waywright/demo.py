"""The sample shop: three cast-iron straightedges in mid-work, and where every number in it comes from.

Invented for Waywright. The boatyard of Alder Reach brings a bench shaper with a 560 mm ram slide back to truth and
has made three straightedges for it, Alder, Birch and Rowan, 660 × 42 mm. They are in their second round: read in both
turns with gauge-block stacks that go, just go or do not go, and with a level across Alder. One stack was misread.

The job files in `shop/` are what `write_shop` makes from the true shapes below and a fixed seed; a test holds them
together. The truth is never shown to the program: tests and documents use it to see how near the answers come.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np

from waywright.core.evidence.things import Face, FloatArray
from waywright.core.readings import LayUp

SEED = 20261125
LENGTH_MM, WIDTH_MM = 660.0, 42.0
STATIONS_MM = tuple(30.0 + 75.0 * i for i in range(9))
LINES_MM = (-14.0, 14.0)
RESTS_MM = (145.0, 515.0)
BLOCK_MM = 20.0
STEP_MM = 0.002  # the finest step of the shop's block set
FEEL_UM, STACK_UM, LEVEL_UM_PER_M, SEAT_UM = 0.8, 0.25, 4.0, 0.3

# Bow, S, twist (µm from end to end), and local waviness of each edge: cut by hand, a little everywhere.
CHARACTER = {
    "Alder": (3.6, -1.2, 2.5, 0.35),
    "Birch": (-7.5, 0.8, -1.5, 0.45),
    "Rowan": (1.0, 2.2, 1.0, 0.30),
}
MISREAD = ("Alder", "Rowan", "over", 5, 8.0)  # lower, upper, turn, which gap, µm read too much


def shop(name: str = "three_edges") -> str:
    """The text of a sample job: "three_edges" or "two_edges"."""
    return (files("waywright") / "shop" / f"{name}.toml").read_text(encoding="utf-8")


def shop_path(name: str = "two_edges") -> Path:
    """Where a sample job file lies on this machine."""
    return Path(str(files("waywright") / "shop" / f"{name}.toml"))


def face(name: str) -> Face:
    """One of the sample edges."""
    return Face(name, LENGTH_MM, WIDTH_MM, STATIONS_MM, LINES_MM, "top", "scraped")


def truth() -> dict[str, FloatArray]:
    """The true heights of each edge at its nodes, (18,) µm."""
    rng = np.random.default_rng(SEED)
    heights = {}
    for name, (bow, s_shape, twist, rough) in CHARACTER.items():
        edge = face(name)
        s, t = 2 * edge.x_mm / LENGTH_MM - 1, 2 * edge.y_mm / WIDTH_MM
        heights[name] = bow * (1 - s**2) + s_shape * (s**3 - 0.6 * s) * 2.5 + twist / 2 * s * t
        heights[name] = heights[name] + rough * rng.standard_normal(len(s))
    return heights


@dataclass(frozen=True)
class _Hand:
    """The person at the bench: reads true gaps as stacks that go or do not go."""

    rng: np.random.Generator

    def gap(self, true_mm: float) -> str:
        """One gap as typed: a bracket one step wide, or a stack that just goes."""
        felt = true_mm + self.rng.normal(0, STACK_UM) / 1e3
        nearest = round(felt / STEP_MM) * STEP_MM
        if abs(felt - nearest) < 0.0003:
            return f"just_mm = {nearest:.3f}"
        goes = np.floor(felt / STEP_MM) * STEP_MM
        return f"goes_mm = {goes:.3f}, stops_mm = {goes + STEP_MM:.3f}"


def layup_gaps(layup: LayUp, heights: Mapping[str, FloatArray], tilt_um: float, rng: np.random.Generator) -> FloatArray:
    """True gaps at the nodes of the lower edge, mm: it rests on two blocks and leans a little across."""
    lower, upper = face(layup.lower), face(layup.upper)

    def both(x: FloatArray, y: FloatArray) -> FloatArray:
        total = np.zeros(len(x))
        for edge, (u, v) in ((lower, (x, y)), (upper, layup.on_upper(upper, x, y))):
            nodes, weights = edge.interpolate(u, v)
            total += (heights[edge.name][nodes] * weights).sum(axis=1)
        return total

    rests = both(np.array(RESTS_MM), np.zeros(2)) + rng.normal(0, STACK_UM, 2)
    slope = (rests[1] - rests[0]) / (RESTS_MM[1] - RESTS_MM[0])
    lift = rests[0] + slope * (lower.x_mm - RESTS_MM[0])
    return np.asarray(BLOCK_MM + (lift + tilt_um * lower.y_mm / 14 - both(lower.x_mm, lower.y_mm)) / 1e3)


def _layups(names: tuple[str, ...], turns: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """Each lay-up of the job and its lines in the file."""
    rng = np.random.default_rng([SEED, 1])
    hand, heights = _Hand(rng), truth()
    for turn in turns:
        for i, lower in enumerate(names):
            for upper in names[i + 1 :]:
                true = layup_gaps(LayUp(lower, upper, turn), heights, float(rng.normal(0, 1.5)), rng)
                lines = [f'[[layups]]\nlower = "{lower}"\nupper = "{upper}"\nturn = "{turn}"\ninstrument = "blocks"']
                rests = ", ".join(f"{{ x_mm = {x:g}, y_mm = 0, size_mm = {BLOCK_MM:.1f} }}" for x in RESTS_MM)
                lines.append(f"spacers = [ {rests} ]\ngaps = [")
                edge = face(lower)
                for k, gap in enumerate(true):
                    read = gap + (MISREAD[4] / 1e3 if (lower, upper, turn, k) == MISREAD[:4] else 0.0)
                    place = f"x_mm = {edge.x_mm[k]:g}, y_mm = {edge.y_mm[k]:g}"
                    lines.append(f"  {{ {place}, {hand.gap(read)} }},")
                lines.append("]\n")
                yield f"{upper} on {lower}", "\n".join(lines)


def _level() -> str:
    """A level set across Alder at every station, on feet 28 mm apart."""
    rng = np.random.default_rng([SEED, 2])
    heights = truth()["Alder"].reshape(len(STATIONS_MM), 2)
    zero, base = float(rng.normal(0, 30)), LINES_MM[1] - LINES_MM[0]
    u = float(np.hypot(LEVEL_UM_PER_M, np.sqrt(2) * SEAT_UM / base * 1e3))
    rows = [
        f"  {{ x_mm = {x:g}, um_per_m = {(far - near) / base * 1e3 + zero + rng.normal(0, u):.0f} }},"
        for x, (near, far) in zip(STATIONS_MM, heights, strict=True)
    ]
    head = f'[[crosses]]\nface = "Alder"\ninstrument = "level"\nbase_mm = {base:g}\nseat_um = {SEAT_UM}\nreadings = ['
    return "\n".join([head, *rows, "]\n"])


def _head(title: str, names: tuple[str, ...], level: bool) -> str:
    stations = ", ".join(f"{s:g}" for s in STATIONS_MM)
    pieces = "\n".join(
        f'[[pieces]]\nname = "{name}"\n[[pieces.faces]]\nname = "{name}"\nlength_mm = {LENGTH_MM:g}\n'
        f'width_mm = {WIDTH_MM:g}\nstations_mm = [{stations}]\nlines_mm = [-14, 14]\nfinish = "scraped"\n'
        for name in names
    )
    tool = '[instruments.level]\nkind = "level"\num_per_m_per_div = 20\nu_um_per_m = 4.0\n\n' if level else ""
    return f"""# The sample shop of Waywright: invented, see waywright/demo.py for the shapes it was made from.
title = "{title}"
temperature_c = 20.4

[instruments.blocks]
kind = "gauge blocks"
grade = "1"        # ISO 3650
feel_um = {FEEL_UM}      # how well this hand tells a stack that drags

{tool}{pieces}
"""


def three_edges() -> str:
    """The main sample: three edges, both turns, a level across, one stack misread."""
    names = tuple(CHARACTER)
    parts = [_head("Three straightedges for the shaper, second round", names, level=True)]
    parts += [text for _, text in _layups(names, ("over", "end for end"))]
    parts += [_level(), "[goal]\nstraightness_um = 6\n"]
    return "\n".join(parts)


def two_edges() -> str:
    """The second sample: two edges only, laid marks together. Only their sum is seen."""
    names = ("Alder", "Birch")
    parts = [_head("Two straightedges, the first evening", names, level=False)]
    parts += [text for _, text in _layups(names, ("over",))]
    parts += ["[goal]\nstraightness_um = 6\n"]
    return "\n".join(parts)


def write_shop(folder: Path) -> None:
    """Write the sample job files anew."""
    for name, text in (("three_edges", three_edges()), ("two_edges", two_edges())):
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write_shop(Path(__file__).parent / "shop")
