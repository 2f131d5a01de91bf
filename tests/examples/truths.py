"""The examples solved once, beside the shapes they were made from."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from pathlib import Path

from docs.examples import make
from waywright import jobfile
from waywright.core.adjust.network import network
from waywright.core.adjust.solution import Solution
from waywright.core.evidence.findings import Report
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import FloatArray
from waywright.core.report import report

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "docs" / "examples"
NAMES = (
    "plate-by-level",
    "edge-by-reversal",
    "way-by-micrometer",
    "way-by-micrometer-and-level",
    "edges-by-wedge",
    "edges-round-by-round",
)
ROUND_OF = {("Holly", 1): 1, ("Willow", 1): 1, ("Willow", 2): 2}  # after which round a state began; before: 0


@functools.cache
def job(name: str) -> Job:
    """An example's job file as it lies in the folder."""
    return jobfile.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"), f"{name}.toml")


@functools.cache
def found(name: str) -> Report:
    """What the program says of it."""
    return report(job(name))


def solved(some: Job) -> Solution:
    """The solution of a job's equations, nothing set aside."""
    net = network(some)
    return Solution(net.unknowns, net.rows.take((net.rows.sense == 0).nonzero()[0]))


def truth(name: str) -> Mapping[tuple[str, int], FloatArray]:
    """The true heights behind an example at all nodes, by face and state."""
    top, under = make.ram()
    known = {("Quay", 0): make.quay(), ("Ram top", 0): top, ("Ram under", 0): under}
    if name == "edge-by-reversal":  # proved after the rounds; nothing was ever taken off Hazel
        return known | {("Hazel", 0): make.short_edges(2)["Hazel"]}
    short = {(f.name, 0): make.short_edges(0)[f.name] for f in make.SHORT}
    return known | short | {state: make.short_edges(number)[state[0]] for state, number in ROUND_OF.items()}
