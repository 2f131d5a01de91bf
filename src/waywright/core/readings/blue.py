"""Blue marks: one face blued, laid on the other and rubbed; what the other then shows.

A bright place was touched by metal through the film: no gap there. A blue one came within the film: a gap of at most
its thickness. A bare one did not: a gap of at least that. How thick a film is nobody knows better than to a factor.

Only bright places move the result. A blue place is a limit, as a bare one is, and is held against the result: were it a
value (half the film, say), then with twice the film on the same metal places that were bare, and said "at least", would
turn blue and say "half a film, more or less", and the face would seem better known for being more thickly blued.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from waywright.core.evidence.job import Job, JobError, Setting
from waywright.core.evidence.kind import Candidate, Entry, spots_of
from waywright.core.evidence.rows import (
    AT_LEAST,
    AT_MOST,
    EQUAL,
    Doubt,
    Equations,
    Influence,
    Site,
    on_line,
)
from waywright.core.evidence.things import FloatArray
from waywright.core.evidence.where import length
from waywright.core.readings.laid import CONTACT_UM, Laid
from waywright.units import Showing

CARRIERS = ("upper", "lower")
FILMS_UM = {"thin": 1.0, "normal": 3.0, "heavy": 8.0}  # guesses, editable: no source
FILM_FACTOR = 2.0  # a film may be half or twice as thick as its name says; a guess, no source
THROUGH = 0.25  # of the film may be left where metal shows bright; a guess, no source
SAYS = {"bright": (EQUAL, 0.0), "blue": (AT_MOST, FILM_FACTOR), "bare": (AT_LEAST, 1 / FILM_FACTOR)}  # of the film
MARKS = tuple(SAYS)
_DOUBTS = {
    "bright": "touched, and the others say it could not",
    "blue": "is blue, and the others say the faces are too far apart there",
    "bare": "is bare, and the others say the faces come that near",
}


@dataclass(frozen=True)
class Blue(Laid):
    """Marks on the face that did not carry the blue, at its own x, y. `carried` is "upper" or "lower": the blued face.

    `film` is "thin", "normal" or "heavy", or `film_um` its thickness. Rubbed to and fro by `rub_mm`, a mark may come
    from anywhere so far along the blued face, where that lies higher or lower by its usual `slope_um_per_m`.
    """

    block: ClassVar[str] = "blues"
    title: ClassVar[str] = "Blue: where it marks"
    entries: ClassVar[tuple[Entry, ...]] = (Entry("readings", ("x_mm", "y_mm"), (), marks=MARKS),)
    instrument_kinds: ClassVar[tuple[str, ...]] = ()

    carried: str = field(kw_only=True)
    film: str = field(default="normal", kw_only=True)
    film_um: float | None = field(default=None, kw_only=True)
    rub_mm: float = field(default=0.0, kw_only=True)
    slope_um_per_m: float = field(default=50.0, kw_only=True)  # a guess, no source

    @property
    def touches(self) -> bool:
        """It has to."""
        return True

    def words(self, shown: Showing) -> str:
        """For a person: "Q on P, marks together, P blued"."""
        return f"{super().words(shown)}, {self.upper if self.carried == 'upper' else self.lower} blued"

    def asks(self, candidate: Candidate, shown: Showing) -> tuple[str, ...]:
        """For a person: which face is blued, how it is laid, and where to look."""
        blued, other = (self.upper, self.lower) if self.carried == "upper" else (self.lower, self.upper)
        film = self.film if self.film_um is None else f"{shown.text(self.film_um, 'µm')} thick"
        rub = f", rub it to and fro by {length(self.rub_mm, shown)}" if self.rub_mm else ""
        return (
            f"blue {blued}, the film {film}",
            f"{self.lay(shown)}{rub}, and lift it off",
            f"look at {other} {spots_of(candidate.settings[0], shown)}: bright, blue or bare",
        )

    def check(self, job: Job) -> None:
        """Refuse what no lay-up can be, a face that is neither, and a film that is none."""
        super().check(job)
        if self.carried not in CARRIERS:
            raise JobError(f'The blue was carried by the "upper" or the "lower" face, not {self.carried!r}.', "carried")
        if self.film not in FILMS_UM:
            raise JobError(f'The film {self.film!r} is not known; it is "thin", "normal" or "heavy".', "film")
        if self.film_um is not None and not self.film_um > 0:
            raise JobError(
                f"A film of {self.film_um:g} µm marks nothing; give its thickness or leave it out.", "film_um"
            )
        for key in ("rub_mm", "slope_um_per_m"):
            if getattr(self, key) < 0:
                raise JobError(f"{getattr(self, key):g} cannot be; {key} is 0 or more.", key)

    @property
    def thickness_um(self) -> float:
        """Of the film, as far as it is known."""
        return FILMS_UM[self.film] if self.film_um is None else self.film_um

    def _places(self, site: Site) -> tuple[FloatArray, FloatArray]:
        """Where the marks are, (n,) mm each, on the lower face."""
        x, y = on_line(site.readings, 0.0)
        return self.on_lower(site.face(self.upper), x, y) if self.carried == "lower" else (x, y)

    def equations(self, setting: Setting, site: Site) -> Equations:
        """Rows in µm: bright places as gaps of 0, blue and bare ones as limits, and that the faces do not cross."""
        for reading in site.readings:
            if reading.mark not in MARKS:
                raise JobError('A mark is "bright", "blue" or "bare"; say which.', reading.id)
        touching = self.not_crossing(site)
        x, y = self._places(site)
        x0, y0 = on_line(touching, 0.0)
        gap = self.gap_terms(site, np.concatenate([x, x0]), np.concatenate([y, y0]))
        marks = np.array([str(r.mark) for r in site.readings])
        said = np.array([r.u_um or 0.0 for r in site.readings])
        film, rub = self.thickness_um, self.slope_um_per_m * self.rub_mm / 1e3
        bright = marks == "bright"
        ours, rest = said == 0, np.zeros(len(touching))  # marks without a u of their own; the limits that touching sets
        return Equations(
            readings=site.readings + touching,
            value_um=np.concatenate([film * np.array([SAYS[str(m)][1] for m in marks]), rest]),
            noise_um2={
                Influence("blue", "film"): np.concatenate([ours * bright * (THROUGH * film) ** 2, rest]),
                Influence("blue", "rub"): np.concatenate([ours * (rub**2 / 3), rest]),
                Influence("blue", "contact"): np.concatenate(
                    [np.where(ours, CONTACT_UM, said) ** 2, rest + CONTACT_UM**2]
                ),
            },
            heights=gap.heights,
            own=gap.own,
            unknowns=gap.unknowns,
            sense=np.array([SAYS[str(m)][0] for m in marks] + [AT_LEAST] * len(touching), np.intp),
            doubts=self.crossing_doubts(touching) | {r.id: Doubt(_DOUBTS[str(r.mark)]) for r in site.readings},
            source="blue",
        )
