"""A kind of reading that is not blind to the lift and tilt of a piece is refused, not solved wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pytest

from waywright import demo, jobfile
from waywright.core.adjust import rigid
from waywright.core.adjust.network import network
from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError, Reading, Setting, Typed
from waywright.core.evidence.kind import Entry, Kind
from waywright.core.evidence.rows import Equations, HeightTerm, Label, OwnTerm, Site, every, places
from waywright.core.evidence.things import Face, Piece
from waywright.units import Showing


@dataclass(frozen=True)
class Height(Kind):
    """Heights over some datum; `lift` and `tilt` say which of the datum's own unknowns are left free."""

    block: ClassVar[str] = "heights_over_a_datum"
    entries: ClassVar[tuple[Entry, ...]] = ()
    instrument_kinds: ClassVar[tuple[str, ...]] = ()
    face: FaceName
    free: tuple[str, ...] = ()

    def words(self, shown: Showing) -> str:
        return f"heights of {self.face}"

    def equations(self, setting: Setting, site: Site) -> Equations:
        x, y = places(site.readings)
        n = len(x)
        shapes = {"lift": np.ones(n), "tilt": x / 1e3}
        own = tuple(OwnTerm(site.label(name), every(n), shapes[name]) for name in self.free)
        value = np.array([r.value.to("µm") for r in site.readings if r.value])
        term = HeightTerm(self.face, every(n), x, y, np.ones(n))
        unknowns: dict[Label, float | None] = {site.label(name): None for name in self.free}
        return Equations(site.readings, value, {"datum": np.ones(n)}, (term,), own, unknowns)


def job(free: tuple[str, ...]) -> Job:
    face = Face("P", 400.0, 40.0, (0.0, 100.0, 200.0, 300.0, 400.0))
    readings = tuple(
        Reading(f"r{i}", "readings", x, value=Typed(0.1 * i, "µm"), u_um=1.0) for i, x in enumerate(face.stations_mm)
    )
    return Job(pieces=(Piece("P", (face,)),), settings=(Setting("s", Height("P", free), readings),))


@pytest.mark.parametrize("free", [(), ("lift",), ("tilt",)])
def test_a_kind_that_sees_lift_or_tilt_is_refused(free: tuple[str, ...]) -> None:
    """Heights over a datum whose lift or tilt is not left free would be swallowed by the pins: refused, and named."""
    with pytest.raises(JobError, match="heights of P would change if a piece were lifted or tilted"):
        rigid.check(network(job(free)))


def test_a_kind_that_leaves_both_free_is_taken() -> None:
    """With lift and tilt free the same readings are good ones."""
    rigid.check(network(job(("lift", "tilt"))))


@pytest.mark.parametrize("name", ["three_edges", "two_edges"])
def test_the_sample_shop_is_blind_to_its_pieces_places(name: str) -> None:
    """No reading of the sample shop changes when an edge is lifted or tilted."""
    rigid.check(network(jobfile.loads(demo.shop(name), name)))
