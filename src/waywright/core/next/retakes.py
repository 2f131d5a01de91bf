"""How a suspect is taken again.

While its setting still stands as it was read, one place can be read again. Once lifted it cannot: a lay-up made anew
has a lift and tilts of its own, a level set up anew a zero, and what one place says goes into those. So as many places
are read anew as check one another, in a setting of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from waywright.core.adjust.columns import free_of
from waywright.core.adjust.network import Network, network
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import CHECKED
from waywright.core.evidence.bends import Given
from waywright.core.evidence.findings import Improvement, Move, Report, Suspect
from waywright.core.evidence.job import Job, Reading, Setting
from waywright.core.evidence.kind import Candidate, Kind
from waywright.core.evidence.rows import EQUAL
from waywright.core.evidence.things import SAME_MM, FloatArray, Instrument, IntArray

LEAST_LAID = 4  # places of a lay-up: its lift and tilts use up to three
WELL_CHECKED = 0.3  # redundancy at which half of a misreading (its root) shows; a guess, no source
ENOUGH = 0.8  # of what the whole setting read anew would give


@dataclass(frozen=True)
class Retake:
    """What to read to settle the suspects of one setting, the most suspect first.

    `anew`: the setting to make, its readings those to take, with the values they had; `redundancy`: the least that the
    suspects' places then have. `stands`: the setting they were read in may not have been touched since. `begun`: it was
    made anew already, and `anew` holds what is still to be read. `twice`: made anew once, it read so again. `kit`:
    what it is read with, where that is known; `known` its readings with their settings, by id.
    """

    suspects: tuple[Suspect, ...]
    of: Setting
    anew: Setting
    redundancy: float
    stands: bool
    begun: Setting | None
    twice: bool
    kit: Instrument | None = None
    known: Mapping[str, tuple[Setting, Reading]] = field(default_factory=dict)

    @property
    def ids(self) -> set[str]:
        """The readings it is about, with those that cannot be told from them."""
        return {name for s in self.suspects for name in (s.reading, *s.like)}

    @property
    def hangs(self) -> tuple[str, ...]:
        """The faces whose verdict hangs on it."""
        return tuple(dict.fromkeys(face for s in self.suspects for face in s.hangs))

    @property
    def again(self) -> tuple[Reading, ...]:
        """Of the readings to take, those at the suspects' own places."""
        return tuple(r for r in self.to_read if r.id in _anew(self.ids))

    @property
    def to_read(self) -> tuple[Reading, ...]:
        """The readings to take: what it stands on is known beforehand."""
        return self.anew.geometry.to_read(self.anew.readings)

    @property
    def candidate(self) -> Candidate:
        """What is to be made anew, as any other setting to take."""
        return Candidate((self.anew,), self.minutes, self.kit)

    @property
    def minutes(self) -> float:
        """Setting up, where that is still to be done, and reading."""
        geometry = self.of.geometry
        set_up = 0.0 if self.begun is not None else geometry.setting_up_min
        return set_up + geometry.reading_min * len(self.to_read)


@dataclass(frozen=True, kw_only=True)
class TakeAgain(Move):
    """Suspects of one setting to be taken again."""

    retake: Retake

    @classmethod
    def of(cls, retake: Retake) -> TakeAgain:
        """The move, with where and how long."""
        return cls(
            faces=retake.of.geometry.faces(),
            where_mm=tuple(sorted({p for r in retake.to_read for p in (r.x_mm, r.at_mm) if p is not None})),
            gain=Improvement("standardised residual", "", abs(retake.suspects[0].standardised), 0.0),
            minutes=retake.minutes,
            retake=retake,
        )


AGAIN = "again "  # before the id of what is taken again


def _anew(ids: Iterable[str]) -> frozenset[str]:
    """The ids under which readings are taken again."""
    return frozenset(AGAIN + name for name in ids)


def retakes(job: Job, report: Report) -> tuple[Retake, ...]:
    """One for each setting that has suspects which are not left out for good; those on which a verdict hangs first."""
    home = {s.reading: home_of(job, s) for s in report.suspects}
    left = [s for s in report.suspects if left_out_because(job, report, s) is None]
    found: dict[tuple[str, Kind], list[Suspect]] = {}
    done: set[str] = set()
    for suspect in left:
        if suspect.reading in done:
            continue
        group = [s for s in left if s.reading in (suspect.reading, *suspect.like)]
        done |= {s.reading for s in group}
        at = [(home[s.reading].group, home[s.reading].geometry) for s in group]
        most = max(dict.fromkeys(at), key=at.count)  # where most of them are read in one go
        found.setdefault(most, []).append(group[at.index(most)])
    again = (_retake(job, report, home[suspects[0].reading], tuple(suspects)) for suspects in found.values())
    return tuple(sorted(again, key=lambda r: not r.hangs))


def left_out_because(job: Job, report: Report, suspect: Suspect) -> Literal["laid again", "cut"] | None:
    """What was done since, for which a suspect is left out for good; None while it can be taken again."""
    of = home_of(job, suspect)
    number, newest = job.settings.index(of), job.states()
    if any(job.state_at(name, number) < newest[name] for name in of.geometry.faces() if name in newest):
        return "cut"
    old = next((r for r in of.readings if r.id == suspect.reading), None)
    untold = set(report.unchecked) - {s.reading for s in report.suspects}
    for later in _anew_since(job, of):
        whole = count(later) >= count(of) > 0  # then no more can be asked of it
        here = [r for r in later.readings if _two_sided(r) and (old is None or _same_place(old, r))]
        if whole if old is None else any(whole or r.id not in untold for r in here):
            return "laid again"
    return None


def count(setting: Setting) -> int:
    """How many of its readings are read."""
    return len(setting.geometry.to_read(setting.readings))


def home_of(job: Job, suspect: Suspect) -> Setting:
    """The setting it was read in, or that makes it a limit by itself."""
    return next(setting for setting in job.settings if setting.id == suspect.setting)


def _blocks(job: Job, of: Setting) -> tuple[Setting, ...]:
    """All blocks in which readings of one setting, laid out alike, were typed."""
    return tuple(s for s in job.settings if s.group == of.group and s.geometry == of.geometry)


def _anew_since(job: Job, of: Setting) -> Iterator[Setting]:
    """Settings laid out alike after this one, with its faces as they were."""
    number, faces = job.settings.index(of), of.geometry.faces()
    for i, later in enumerate(job.settings[number + 1 :], number + 1):
        alike = later.geometry == of.geometry and later.group != of.group
        if alike and all(job.state_at(f, i) == job.state_at(f, number) for f in faces):
            yield later


def _same_place(one: Reading, other: Reading) -> bool:
    pairs = ((one.x_mm, other.x_mm), (one.y_mm, other.y_mm), (one.at_mm, other.at_mm))
    return one.entry == other.entry and all(abs((a or 0.0) - (b or 0.0)) < SAME_MM for a, b in pairs)


def _two_sided(reading: Reading) -> bool:
    """Whether it says a value, or something seen, and is no mere limit."""
    return reading.value is not None or reading.mark is not None or None not in (reading.low, reading.high)


def _retake(job: Job, report: Report, of: Setting, suspects: tuple[Suspect, ...]) -> Retake:
    """How these suspects of one setting are taken again."""
    gone = {s.reading for s in report.suspects}
    group = {name for s in suspects for name in (s.reading, *s.like)}
    own = [r for block in _blocks(job, of) for r in block.readings if r.id in group]
    since = list(_anew_since(job, of))
    begun = since[-1] if since and may_stand(job, since[-1]) else None
    before = replace(job, settings=tuple(s for s in job.settings if s is not begun))
    anew, redundancy = laid_again(before, report.given, of, group, gone)
    if begun is not None:
        read = [r for r in begun.readings if r.id not in gone and _two_sided(r)]
        rest = tuple(r for r in anew.readings if not any(_same_place(r, other) for other in read))
        if of.geometry.to_read(rest):
            anew = replace(anew, readings=rest)
        else:  # all was read that would check it, and nothing does
            begun = None
    earlier = [(s, r) for s, r in job.readings() if r.id in gone and s.group != of.group]
    return Retake(
        suspects,
        of,
        anew,
        redundancy,
        stands=bool(own) and not since and may_stand(job, of) and all(r.corrects is None for r in own),
        begun=begun,
        kit=job.instrument(of),
        known={r.id: (s, r) for s, r in job.readings() if r.id in group},
        twice=any(_same_place(r, old) and of in _anew_since(job, s) for s, old in earlier for r in own),
    )


def may_stand(job: Job, of: Setting) -> bool:
    """Whether nothing that was taken later tells that a setting was lifted: no reading of its faces, no pass."""
    faces = set(of.geometry.faces())
    last = max(i for i, s in enumerate(job.settings) if s.group == of.group)
    newest = job.states()
    cut = any(job.state_at(f, last) < newest[f] for f in faces if f in newest)
    return not cut and not any(faces & set(s.geometry.faces()) for s in job.settings[last + 1 :])


def laid_again(job: Job, given: Given, of: Setting, suspects: set[str], left_out: set[str]) -> tuple[Setting, float]:
    """The setting `of` made anew, with the suspects' places and as few others as check them; and the least redundancy
    of those places.

    All its places are taken first, then one after another is left out, what the suspects' places lose least by: with
    Q = I − H over the new rows, leaving out row j takes Q_ij²/Q_jj from the redundancy Q_ii (a Schur complement, as Q
    is the inverse of a covariance). Of what shares no unknown (a hinge) the suspects alone are taken, of marks all, and
    all where nothing is to be spared.
    """
    whole = _whole(job, of, suspects)
    net = with_anew(job, given, whole)
    mine = np.flatnonzero((net.settings == len(job.settings)) & (net.rows.sense == EQUAL))
    ids = [net.rows.reading_ids[i] for i in mine]
    theirs = _anew(suspects)
    targets = [i for i, name in enumerate(ids) if name in theirs]
    free = np.linalg.matrix_rank(_free(net, whole, mine)) if len(mine) else 0
    wanted = tuple(r for r in whole.readings if r.id in theirs)
    if not free and wanted:
        return replace(whole, readings=wanted), 1.0
    if not targets or any(r.mark is not None for r in whole.readings):
        return whole, 1.0
    q = _checks(net, mine, left_out)
    if min(q[i, i] for i in targets) < CHECKED:  # only they themselves say anything of these places
        q = _checks(net, mine, set())
    read = {r.id for r in of.geometry.to_read(whole.readings)}
    spare = [i for i, name in enumerate(ids) if i not in targets and name in read]
    least = max(free + 1, LEAST_LAID if of.geometry.lying is not None else 0)
    kept, redundancy = _fewest(q, targets, spare, least - sum(ids[i] in read for i in targets))
    names = {ids[i] for i in (*kept, *targets)}
    readings = tuple(r for r in whole.readings if r.id in names or r.id not in read)
    return replace(whole, readings=readings), redundancy


def with_anew(job: Job, given: Given, anew: Setting) -> Network:
    """The network of a job and one more setting, standing on what the one it repeats stood on."""
    carrying = given.carrying | _anew(given.carrying)
    return network(replace(job, settings=(*job.settings, anew)), replace(given, carrying=carrying))


def _whole(job: Job, of: Setting, suspects: set[str]) -> Setting:
    """All places of a setting, each once, as a setting of its own; a limit is to be read as a value."""
    corrected = job.corrected()
    places: dict[tuple[object, ...], Reading] = {}
    for block in _blocks(job, of):
        for r in (r for r in block.readings if r.id not in corrected):
            entry = next(e for e in of.geometry.entries if e.name == r.entry)
            new = replace(r, id=AGAIN + r.id, corrects=None, when=None, note=None)
            if not _two_sided(r):
                new = replace(new, low=None, high=None, value=r.low or r.high, key=(entry.values or (None,))[0])
            place = (r.entry, r.x_mm, r.y_mm or 0.0, r.at_mm)
            if place not in places or r.id in suspects:
                places[place] = new
    readings = tuple(places.values())
    return Setting(AGAIN + of.id, of.geometry, readings, instrument=of.instrument, seat_um=of.seat_um)


def _free(net: Network, whole: Setting, mine: IntArray) -> FloatArray:
    """(k, f) what the rows of a setting take of its own unknowns without a prior, each of length 1."""
    part = net.rows.matrix[mine][:, free_of(net.unknowns).get(whole.group, [])].toarray()
    size = np.linalg.norm(part, axis=0)
    return np.asarray(part[:, size > 0] / size[size > 0])


def _checks(net: Network, mine: IntArray, left_out: set[str]) -> FloatArray:
    """(k, k) Q = I − H of the new rows, over their u, when the job's own are kept but for those left out."""
    ids = net.rows.reading_ids
    new = set(mine.tolist())
    old = [i for i in np.flatnonzero(net.rows.sense == EQUAL) if i not in new and ids[i] not in left_out]
    solution = Solution(net.unknowns, net.rows.take(np.array([*old, *mine], np.intp)))
    at = len(old) + np.arange(len(mine), dtype=np.intp)
    q = np.eye(len(mine)) - solution.seen(at)[at]
    return np.asarray(0.5 * (q + q.T))


def _fewest(q: FloatArray, targets: Sequence[int], spare: Sequence[int], least: int) -> tuple[list[int], float]:
    """Which of `spare` to keep, `least` or more, so that the targets stay checked; and their least redundancy."""
    kept = list(spare)
    enough = min(WELL_CHECKED, ENOUGH * min(q[i, i] for i in targets))
    while len(kept) > max(least, 0):
        own = np.array([q[j, j] for j in kept])
        follows = q[np.ix_(targets, kept)] ** 2 / np.maximum(own, 1e-9)
        j = kept[int(np.argmin(follows.sum(axis=0)))]
        less = q - np.outer(q[:, j], q[j]) / max(q[j, j], 1e-9)
        if min(less[i, i] for i in targets) < enough:
            break
        q = less
        kept.remove(j)
    return kept, float(min(q[i, i] for i in targets))
