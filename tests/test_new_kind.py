"""A new kind of reading is one class: defined here, inside a test, it is read, written and solved with no other change.

The kind: an indicator on a bridge reads how much higher one named place of a face is than another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import pytest

from waywright import jobfile
from waywright.core.evidence.fields import FaceName
from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.kind import Entry, Kind
from waywright.core.evidence.meant import Meant, in_other_unit
from waywright.core.evidence.rows import Equations, HeightTerm, Influence, OwnTerm, Site, every
from waywright.core.readings import KINDS, register
from waywright.core.report import report
from waywright.jobfile import JobFileError
from waywright.units import Showing


@dataclass(frozen=True)
class Drop(Kind):
    """The height at each place less that at `home_mm` [x, y], by an indicator on a bridge that may lean."""

    block: ClassVar[str] = "drops"
    title: ClassVar[str] = "Drops: a bridge from place to place"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm", "y_mm"), ("um",)),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ("indicator",)

    face: FaceName
    home_mm: tuple[float, ...]
    bridge: str = "plain"
    legs: int = 3
    levelled: bool = False
    lean_deg: float | None = None

    def words(self, shown: Showing) -> str:
        """For a person."""
        return f"drops on {self.face} from {shown.text(self.home_mm[0], 'mm')}"

    def slips(self, job: Job, setting: Setting) -> Iterator[Meant]:
        """The dial may have been read in thou."""
        yield from in_other_unit(setting)

    def check(self, job: Job) -> None:
        """A home is one place."""
        if len(self.home_mm) != 2:
            raise JobError("Home is one place: [x, y].", "home_mm")

    def equations(self, setting: Setting, site: Site) -> Equations:
        """h(place) − h(home) + lean·(x − home), one row a reading: the dial was set to 0 at home."""
        n, rows, lean = len(site.readings), every(len(site.readings)), site.label("lean")
        x = np.array([r.x_mm or 0.0 for r in site.readings])
        y = np.array([r.y_mm or 0.0 for r in site.readings])
        home_x, home_y = self.home_mm
        return Equations(
            readings=site.readings,
            value_um=np.array([site.number(r, r.value, "µm") for r in site.readings if r.value]),
            noise_um2={Influence("dial"): np.full(n, (site.instrument().u_um or 1.0) ** 2)},
            heights=(
                HeightTerm(self.face, rows, x, y, np.ones(n)),
                HeightTerm(self.face, rows, np.full(n, home_x), np.full(n, home_y), -np.ones(n)),
            ),
            own=(OwnTerm(lean, rows, (x - home_x) / 1e3),),
            unknowns={lean: None},
        )


@pytest.fixture(autouse=True)
def _registered() -> Iterator[None]:
    """Known while these tests run, and forgotten after."""
    register(Drop)
    yield
    del KINDS[Drop.block]


SHOP = """\
[instruments.dial]
kind = "indicator"
u_um = 0.8

[[pieces]]
name = "P"
[[pieces.faces]]
name = "P"
length_mm = 400
width_mm = 40
stations_mm = [0, 100, 200, 300, 400]

[[drops]]
face = "P"
home_mm = [0, "0,0 in"]
legs = 4
levelled = true
lean_deg = 1.5
instrument = "dial"
readings = [
  { x_mm = 100, um = 2.1 },      # felt twice
  { x_mm = 200, um = "0,12 thou" },
  { x_mm = 300, um = 2.0, note = "a warm hand" },
  { x_mm = 400, um = 0.1 },
]
"""


def test_a_new_kind_is_read_from_the_job_file() -> None:
    """Its fields are the keys of its block, converted by their endings; its readings are kept as typed."""
    (setting,) = jobfile.loads(SHOP).settings
    assert setting.geometry == Drop("P", (0.0, 0.0), legs=4, levelled=True, lean_deg=1.5)
    assert [r.key for r in setting.readings] == ["um"] * 4
    typed = setting.readings[1].value
    assert typed is not None
    assert (typed.text, typed.to("µm")) == ("0,12 thou", pytest.approx(3.048))


def test_a_new_kind_is_written_to_the_job_file() -> None:
    """It is written in our layout and reads back the same; onto its own text nothing changes."""
    job = jobfile.loads(SHOP)
    assert jobfile.loads(jobfile.dumps(job)) == job
    assert jobfile.dumps(job, onto=SHOP) == SHOP


@pytest.mark.parametrize(
    ("good", "bad", "says"),
    [
        ("legs = 4", "legs = 4.5", "drops[0].legs (line 16): A whole number is wanted here, not 4.5."),
        ("legs = 4", "leg = 4", "drops[0].leg (line 16): The key 'leg' is not known; did you mean legs?"),
        ("levelled = true", "levelled = 1", "drops[0].levelled (line 17): Wanted here is true or false, not 1."),
        ('home_mm = [0, "0,0 in"]', "home_mm = [0]", "drops[0].home_mm (line 15): Home is one place: [x, y]."),
        ('home_mm = [0, "0,0 in"]\n', "", "drops[0] (line 13): The key home_mm is missing."),
        ('face = "P"', 'face = "Q"', "drops[0].face (line 14): There is no face called 'Q'"),
        ("x_mm = 300", "x_mm = 500", "drops[0].readings[2] (line 23): x = 500 mm lies outside the stations of face P"),
        ("um = 2.0", "um = 2.0, mm = 3", "drops[0].readings[2].mm (line 23): The key 'mm' is not known"),
    ],
)
def test_a_new_kind_is_checked_like_any_other(good: str, bad: str, says: str) -> None:
    """Slips in its block are refused with the line, by the same sentences as everywhere."""
    with pytest.raises(JobFileError) as caught:
        jobfile.loads(SHOP.replace(good, bad), "shop.toml")
    assert says in str(caught.value)


def test_a_new_kind_is_solved() -> None:
    """Its readings alone give the face its shape, about its own line, and its uncertainty; nothing is blind."""
    found = report(jobfile.loads(SHOP))
    read = np.array([0.0, 2.1, 3.048, 2.0, 0.1])
    line = np.polyval(np.polyfit(np.arange(5), read, 1), np.arange(5))
    (shape,) = found.shapes
    assert shape.height_um == pytest.approx(read - line, abs=1e-6)
    # The home is 0 by definition, the other four are independent with u = 0.8 µm; then about the line of all five.
    design = np.column_stack([np.ones(5), np.arange(5)])
    residual = np.eye(5) - design @ np.linalg.pinv(design)
    heights = residual @ np.diag([0, 1, 1, 1, 1]) @ residual.T * 0.8**2
    assert shape.sigma_um == pytest.approx(np.sqrt(np.diag(heights)), rel=1e-4)
    assert found.blind == ()


def test_a_slip_that_a_new_kind_offers_is_named() -> None:
    """Read once in µm and, the dial being changed, once in thou but typed as µm: the second setting is named, and as it
    was meant all fits."""
    block = SHOP[SHOP.index("[[drops]]") :]
    for as_read, typed in (("um = 0.1 ", "um = 0.004 "), ("2.1", "0.083"), ('"0,12 thou"', "0.12"), ("2.0", "0.079")):
        block = block.replace(as_read, typed)
    twice = SHOP + block
    job = jobfile.loads(twice.replace("u_um = 0.8", "u_um = 0.05"))
    (slip,) = report(job).fit.slips
    assert (slip.setting, slip.slip, slip.units) == ("drops[1]", "unit", ("µm", "thou"))
    mended = report(replace(job, settings=(job.settings[0], *slip.meant)))
    assert mended.fit.slips == ()
    assert mended.fit.holds
