"""Which verdicts hang on a suspect: those that are another when it is used as read, and open ones that taking it again
would close. A suspect on which none hangs may wait: the result stands without it. A verdict at the very edge of 95 %,
which a hair tips over, does not hang: its chance of being inside must move as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from waywright.core.adjust.blind import Blindness
from waywright.core.adjust.solution import Solution
from waywright.core.adjust.suspects import Screened
from waywright.core.evidence.bends import Given
from waywright.core.evidence.findings import Suspect, Verdict
from waywright.core.evidence.job import Setting
from waywright.core.evidence.rows import EQUAL
from waywright.core.evidence.things import FloatArray, IntArray
from waywright.core.next.retakes import home_of, laid_again, with_anew
from waywright.core.results.under_test import TWIST, Aim, FaceUnderTest, aims
from waywright.core.results.verdicts import blind_for, form_of, verdict

WORTH = 0.05  # of the chance of being inside: who decides takes less for the same; common practice, no source


@dataclass(frozen=True)
class Hanging:
    """The readings solved without their suspects, the faces as they are judged, and what was decided of them.

    `found`: for each face every verdict, in the order of its aims.
    """

    screened: Screened
    given: Given
    judges: Mapping[str, FaceUnderTest]
    spots: Sequence[Blindness]
    found: Sequence[Verdict]

    def suspects(self) -> tuple[Suspect, ...]:
        """The suspects, each with the faces whose verdict hangs on it or on one that cannot be told from it.

        While the readings do not fit together no verdict stands, whatever becomes of one of them: none hangs.
        """
        if not self.screened.fit.holds:
            return self.screened.suspects
        each = {s.reading: set(self._alone(s.reading)) for s in self.screened.suspects}
        if any(v.decision == "open" for _, _, v in self._decided()):
            for s in self.screened.suspects:
                each[s.reading] |= set(self._closed(s))
        return tuple(
            replace(s, hangs=tuple(n for n in self.judges if any(n in each.get(r, ()) for r in (s.reading, *s.like))))
            for s in self.screened.suspects
        )

    def _decided(self) -> Iterator[tuple[FaceUnderTest, Aim, Verdict]]:
        """Every verdict that a reading could change: against a limit, and open for no blind shape."""
        job = self.screened.net.job
        asked = [(name, aim) for name, face in job.faces().items() for aim in aims(job.goal, face)]
        for (name, aim), said in zip(asked, self.found, strict=True):
            judge = self.judges.get(name)
            if judge is not None and aim.limit is not None and not blind_for(judge, aim, self.spots):
                yield judge, aim, said

    def _alone(self, reading: str) -> Iterator[str]:
        """The faces of which another verdict would stand were this reading used as read."""
        solution, rows = self.screened.solution, self.screened.net.rows
        if reading not in rows.reading_ids:
            return  # one of the limits that no value holds, which no value can be
        i = rows.reading_ids.index(reading)
        row = rows.matrix[[i]][:, solution.old_columns].toarray()
        precision = self._precision(i)
        if row.any() and precision > 0:
            # One more reading is an update of rank one.
            carried = solution.carry(row.T)
            gain = 1 / (1 / precision + float(row[0] @ carried[:, 0]))
            off = gain * (float(rows.value_um[i]) - float(row[0] @ solution.mean_um))
            for judge, aim, said in self._decided():
                moves = judge.heights.about_plane(carried[judge.heights.unknown.columns])
                then = replace(
                    judge,
                    height_um=judge.height_um + off * moves[:, 0],
                    covariance_um2=judge.covariance_um2 - gain * (moves @ moves.T),
                )
                if _could(aim, said, float(np.abs(off * moves).max())) and self._differs(then, aim, said):
                    yield judge.face.name

    def _precision(self, i: int) -> float:
        """1/u² of row i as its instrument reads, less what it has in the solution already."""
        rows, kept = self.screened.net.rows, np.flatnonzero(self.screened.rows == i)
        used = sum(float(self.screened.solution.rows.u_um[k]) ** -2 for k in kept)
        return float((self._factors(rows.instrument[[i]])[0] * rows.u_um[i]) ** -2) - used

    def _factors(self, instrument: IntArray) -> FloatArray:
        """(n,) by how much instruments scatter more than they claim."""
        said = {s.instrument: s.factor for s in self.screened.fit.instruments}
        names = self.screened.net.rows.instruments
        return np.array([said.get(names[code], 1.0) if code >= 0 else 1.0 for code in instrument])

    def _closed(self, suspect: Suspect) -> Iterator[str]:
        """The faces whose open verdict would be closed were the suspect's setting made anew and all as it should be."""
        job, gone = self.screened.net.job, {s.reading for s in self.screened.suspects}
        anew, _ = laid_again(job, self.given, home_of(job, suspect), {suspect.reading, *suspect.like}, gone)
        solution = self._with(anew, gone)
        for judge, aim, said in self._decided():
            face = solution.face(judge.face.name, judge.heights.unknown.state)
            if said.decision != "open" or face is None or len(face.x_mm) != len(judge.height_um):
                continue
            if self._differs(replace(judge, covariance_um2=solution.face_covariance(face)), aim, said):
                yield judge.face.name

    def _with(self, anew: Setting, gone: set[str]) -> Solution:
        net = with_anew(self.screened.net.job, self.given, anew)
        rows = net.rows
        kept = np.array([n not in gone for n in rows.reading_ids], bool) & (rows.sense == EQUAL)
        names = {name: code for code, name in enumerate(self.screened.net.rows.instruments)}
        codes = np.array([names.get(rows.instruments[code], -1) for code in rows.instrument], np.intp)
        return Solution(net.unknowns, rows.take(np.flatnonzero(kept), self._factors(codes)))

    def _differs(self, then: FaceUnderTest, aim: Aim, said: Verdict) -> bool:
        now = verdict(then, aim, form_of(then, self.spots), self.spots, self.screened.net.job.goal)
        moved = abs((now.chance_inside or 0.0) - (said.chance_inside or 0.0))
        return now.decision != said.decision and moved >= WORTH


def _could(aim: Aim, said: Verdict, shift_um: float) -> bool:
    """Whether heights moved by so much could change a verdict: a zone changes by no more than twice that."""
    limit, interval = aim.limit, said.interval_95_um
    if limit is None or interval is None or limit.signed or aim.measure == TWIST:
        return True
    far = {"inside": limit.value - interval[1], "outside": interval[0] - limit.value}.get(said.decision, 0.0)
    return 2 * shift_um >= far
