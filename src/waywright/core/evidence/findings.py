"""What comes out: shapes, blind spots, suspects, verdicts, and the report that holds them. Frozen, full precision."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import ClassVar, Literal

from waywright.core.evidence.bends import Given, Place
from waywright.core.evidence.goal import Workpiece
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.kind import Candidate, Kind
from waywright.core.evidence.lying import Lying
from waywright.core.evidence.meant import Slipped
from waywright.core.evidence.rows import Doubt, Influence, Label
from waywright.core.evidence.things import FloatArray, Hand

Measure = Literal["straightness", "flatness", "twist"]
Decided = Literal["inside", "outside", "open", "not measured"]
Claim = tuple[Literal["feel", "u"], float, Literal["µm", "µm/m"]]
Act = Literal["measure", "scrape", "rub", "soak", "machine", "ask", "stop"]
KNOWN_UM = 50.0  # a standard uncertainty: heights known no better than this belong to a shape that no reading sees


@dataclass(frozen=True)
class Shape:
    """Heights of a face in one state, about the unweighted least-squares plane (line for one line) of its read nodes.

    All (nodes,), lines fastest; NaN where no reading touches. `straightness_um` are the minimum zones of each line's
    heights as they stand, without the form prior; flatness and twist need two lines and are None without. `seen_um`
    and `seen_sigma_um` are the same heights less the shapes that no reading sees: None where all is seen, or nothing.
    """

    face: str
    state: int
    x_mm: FloatArray
    y_mm: FloatArray
    height_um: FloatArray
    sigma_um: FloatArray
    lines_mm: tuple[float, ...]
    straightness_um: tuple[float | None, ...]  # one for each line; None with fewer than three read stations
    flatness_um: float | None = None
    twist_um_per_m: float | None = None
    seen_um: FloatArray | None = None
    seen_sigma_um: FloatArray | None = None

    @property
    def as_seen(self) -> Shape:
        """The part of it that readings see, to be drawn; itself where that is all, or nothing."""
        if self.seen_um is None or self.seen_sigma_um is None:
            return self
        return replace(self, height_um=self.seen_um, sigma_um=self.seen_sigma_um)


@dataclass(frozen=True)
class Cure:
    """The cheapest readings, found by trial, that let a blind spot be seen: a candidate, of a burr `layups` read at the
    stations of both faces, or any reading of a `face` that none touches."""

    minutes: float
    ratio: float  # what is left of the blind spot, as a share of the prior
    candidate: Candidate | None = None
    layups: tuple[Lying, ...] = ()
    face: str = ""


BURR = "burr"  # the mode of what is read alike wherever its station is; see `adjust.burrs`


@dataclass(frozen=True)
class BlindSpot:
    """A shape change that no reading so far would notice (ratio ≥ 0.5) or hardly (weak, 0.05 to 0.5).

    `faces` gives each face that takes part and the sign with which it does; `sigma_um` is that of the shape's
    largest height; `effect_um` what it may do to the goal; `count` is above 1 for the finer ones taken together.
    Of a burr nothing is seen, but that leaves no verdict open: it is told with the weak ones, without a size (nan).
    """

    mode: str
    faces: Mapping[str, int]
    ratio: float
    sigma_um: float
    effect_um: float
    cure: Cure | None = None
    count: int = 1

    @property
    def weak(self) -> bool:
        """Hardly seen, but not blind; or a burr."""
        return self.ratio < 0.5 or self.mode == BURR


@dataclass(frozen=True)
class Suspect:
    """A reading that disagrees with the others more than its instrument allows; left out of the result.

    `setting` is the id of the one it was read in, `standardised` its residual over the residual's own sigma; `like` are
    readings that cannot be told from it. `off_um`: how much more it says than the others do; of a limit `doubt` says
    what that means. `lies` False: the faces could not lie as it asks, whatever their lift and tilt.
    `hangs` are the faces whose verdict is another when it is used as read, or that stay open until it is taken again.
    """

    reading: str
    standardised: float
    redundancy: float
    like: tuple[str, ...]
    setting: str
    off_um: float
    doubt: Doubt | None = None
    lies: bool = True
    hangs: tuple[str, ...] = ()


@dataclass(frozen=True)
class Standing:
    """Which spacers of a setting carry its upper face: `on`, `free` of it, and `untold`, those of which it cannot be
    said; `carrying` are the readings of those `on`. `balanced` False: on no set of them would it stay."""

    setting: str
    on: tuple[Place, ...]
    free: tuple[Place, ...]
    untold: tuple[Place, ...]
    carrying: tuple[str, ...]
    balanced: bool = True


@dataclass(frozen=True)
class Scatter:
    """What an instrument claims and what its readings show: `factor` times the claim is used.

    `claim` is the claim that most of it comes from, a hand's `feel` or u in µm or µm/m; None where none can be named.
    """

    instrument: str
    factor: float
    found: float
    redundancy: float
    claim: Claim | None = None


@dataclass(frozen=True)
class Misfit:
    """Readings that disagree beyond what suspects and an honest scatter explain: no verdict stands on them.

    `what` is "setting" (it scatters apart from all others), "instrument" (it scatters more than twice its claim) or
    "fit" (χ² is improbable, and nothing stands out); `name` is the setting's id or the instrument, `setting` the id of
    the one to take anew first. `times`: the scatter over what it should be; `chance`: how seldom honest readings come
    to that; `chi2` and `spare`, the redundancy, of all the readings, are given of a "fit".
    """

    what: Literal["setting", "instrument", "fit"]
    name: str
    setting: str
    times: float
    chance: float
    chi2: float = 0.0
    spare: float = 0.0


@dataclass(frozen=True)
class Slip:
    """A setting that fits if it was typed wrong as a whole: χ² with every instrument as it claims, before and after.

    `setting` is the id of its first block that then reads otherwise, `meant` are all of these as they should read,
    `units` those typed and meant, and `off_um` what a wrong block makes its gaps read too much. `faces` are those whose
    heights, as they are now, hang on it. `y_mm`: the one line of several that alone was typed so.
    """

    setting: str
    slip: Slipped
    chi2_before: float
    chi2_after: float
    meant: tuple[Setting, ...]
    faces: tuple[str, ...]
    units: tuple[str, str] | None = None
    off_um: float | None = None
    y_mm: float | None = None

    @property
    def name(self) -> str:
        """Which of the slips of a setting: "wrong end", "wrong end of the line y = 14"."""
        return self.slip if self.y_mm is None else f"{self.slip} of the line y = {self.y_mm:g}"


@dataclass(frozen=True)
class Fit:
    """How well the readings agree: chi2 should be near the redundancy (the number of readings to spare).

    `slips`: the setting that was typed wrong as a whole, several where it is one of these; `misfits`: why else they are
    not good enough to decide on. Verdicts stay open while there are any.
    """

    chi2: float
    redundancy: float
    instruments: tuple[Scatter, ...]
    misfits: tuple[Misfit, ...] = ()
    slips: tuple[Slip, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether something may be built on it: metal taken, or more readings."""
        return not self.slips and not self.misfits


@dataclass(frozen=True)
class SeenLine:
    """A line of a face of which nothing is hidden, though something of the face is: at `y_mm`, None the mean of all."""

    y_mm: float | None
    value_um: float
    interval_95_um: tuple[float, float]
    chance_inside: float | None


@dataclass(frozen=True)
class Grounds:
    """What a decision rests on, beside its chance and what is unseen.

    `lacks`: why it could not be taken, or was not asked for. `doubt`: why its readings are not trusted. `hardly`: what
    is unseen is seen a little. `level`: the chance that was asked for, None by the simple rule. `wrong_side`: its value
    is of the sign that is not allowed. `unread`: at how many places of the face nothing was read.
    """

    lacks: Literal["", "limit", "readings", "stations"] = ""
    doubt: Literal["", "slip", "misfits"] = ""
    hardly: bool = False
    level: float | None = None
    wrong_side: bool = False
    unread: int = 0


@dataclass(frozen=True)
class Verdict:
    """A face against its limit. `decision` is inside, outside, open or not measured, on its `grounds`.

    While `unseen` shapes leave it open, `at_least_um` is what the measure comes to whatever they are (with a chance of
    95 %), and `seen` are the lines they do nothing to. `as_made`: it is inside
    because how true the face was made bounds what is not seen.
    """

    face: str
    measure: Measure  # of a twist the numbers are in µm/m
    value_um: float | None
    interval_95_um: tuple[float, float] | None
    limit_um: float | None
    side: str
    chance_inside: float | None
    decision: Decided
    grounds: Grounds
    prior: str
    grade: str | None = None
    unseen: tuple[str, ...] = ()  # the modes, not or hardly seen, that leave it open
    at_least_um: float | None = None
    seen: tuple[SeenLine, ...] = ()
    as_made: bool = False


@dataclass(frozen=True)
class Share:
    """How much of the variance of one result comes from one named influence; the shares of a result add up to 1."""

    face: str
    result: str
    source: Influence | Label
    share: float

    @property
    def name(self) -> str:
        """For a person: "blocks, feel"."""
        return str(self.source)


@dataclass(frozen=True)
class Improvement:
    """What a move betters: a number of `unit` ("" for a ratio, "share" for a part of 1), `now` and `then`."""

    what: str
    unit: Literal["", "share", "µm", "µm/m"]
    now: float
    then: float | None


@dataclass(frozen=True, kw_only=True)
class Move:
    """The next recommended act. Each kind of move is a class of its own in `core.next` and holds what its words are
    made of; `views.moves` makes them.

    `act` is measure, scrape, rub, soak, machine or stop; `where_mm` are places along the faces; `minutes` about what it
    takes (common practice, no source), 0 where that cannot be told.
    """

    act: ClassVar[Act] = "measure"
    faces: tuple[str, ...] = ()
    where_mm: tuple[float, ...] = ()
    gain: Improvement | None = None
    minutes: float = 0.0


@dataclass(frozen=True)
class Agreement:
    """How well two faces, each in a state, fit as they lay: the zone of their sum, raw, with its uncertainty."""

    setting: str
    lower: str
    upper: str
    states: tuple[int, int]
    turn: str
    zone_um: float
    sigma_um: float


@dataclass(frozen=True)
class Change:
    """What a pass did to a face: heights after less before, about the plane of their difference, (n,) µm."""

    face: str
    before: int
    after: int
    x_mm: FloatArray
    y_mm: FloatArray
    height_um: FloatArray
    sigma_um: FloatArray


@dataclass(frozen=True)
class Parallel:
    """How `face` lies to another face of its piece: slopes of the least-squares planes in µm/m, with their sigmas.

    Of opposite faces, `face` a top and `to` a bottom, + where the piece grows thicker towards the far end, or the far
    edge of the top; `variation_um` is the greatest less the least thickness wherever both are known: on and between
    their read nodes, on its line where one has a single line. Of faces of one side, + where `face` rises against `to`.
    None is what the read places do not tell.
    """

    face: str
    to: str
    opposite: bool
    along_um_per_m: float
    along_sigma_um_per_m: float
    across_um_per_m: float | None
    across_sigma_um_per_m: float | None
    variation_um: float | None
    variation_sigma_um: float | None


@dataclass(frozen=True)
class LeftOut:
    """Pieces of which nobody said how they are made, what they stood on or how warm, and about how much that may be.

    Without a `section`, or a place of `contact` where they touch what they lie on, their sag is left out; without
    `supports` it is in the bands of what is told. `warmth` is left out where nobody said a word of it.
    """

    pieces: tuple[str, ...]
    unsaid: Literal["section", "supports", "contact", "warmth"]
    most_um: float


@dataclass(frozen=True)
class StiffnessLearned:
    """By what share pieces of one make sag more than their section says, and how well the readings tell it.

    Where they tell nothing of it, `sigma` is what it was beforehand, `prior`.
    """

    pieces: tuple[str, ...]
    share: float
    sigma: float
    prior: float

    @property
    def learned(self) -> bool:
        """Whether the readings tell it better than it was known beforehand."""
        return self.sigma < 0.5 * self.prior


@dataclass(frozen=True)
class Soaked:
    """When a place that was read again and again came to rest, within so much, as a time of day; None: not yet.

    `early` are the readings of its setting that were taken before.
    """

    kind: Kind
    steady_at: str | None
    within_um: float
    early: tuple[str, ...]


# What was assumed: in words, or what they are made of.
Note = str | Scatter | Workpiece | LeftOut | StiffnessLearned | Soaked


def _no_moves(report: Report) -> Iterable[Move]:
    """Of a report that was put together by hand."""
    return ()


@dataclass(frozen=True)
class Report:
    """Everything worked out from one job. `past` are settings that bind only older states; `notes` what was assumed;
    `hand` what one of its passes takes, as told and as its passes showed.

    `standing` tells of each setting on spacers which of them carry; `given` is what the readings were solved with
    beside themselves. `draws_um` (m, n) by face: heights its read nodes may have, under the form prior; verdicts are
    made of them. `advise` is what gives the moves.
    """

    job: Job
    shapes: tuple[Shape, ...]
    blind: tuple[BlindSpot, ...]  # blind and weak, most harmful first
    suspects: tuple[Suspect, ...]
    unchecked: tuple[str, ...]
    untouched: tuple[str, ...]  # faces no reading touches
    past: tuple[str, ...]
    fit: Fit
    verdicts: tuple[Verdict, ...]
    budget: tuple[Share, ...]
    notes: tuple[Note, ...] = ()
    corrected: tuple[str, ...] = ()
    agreements: tuple[Agreement, ...] = ()
    changes: tuple[Change, ...] = ()
    parallels: tuple[Parallel, ...] = ()
    hand: Hand = field(default_factory=Hand)
    standing: tuple[Standing, ...] = ()
    given: Given = field(default_factory=Given)
    draws_um: Mapping[str, FloatArray] = field(default_factory=dict)
    advise: Callable[[Report], Iterable[Move]] = _no_moves

    @cached_property
    def moves(self) -> tuple[Move, ...]:
        """What to do next, best first. Worked out when first asked for: a plan of readings takes some seconds."""
        return tuple(self.advise(self))
