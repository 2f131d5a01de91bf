"""docs/weight-and-warmth.md says what is so."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from waywright.core.body.bending import PIECE_DOUBT, RESTED_C, beam_of, stiffness_doubt
from waywright.core.evidence.findings import LeftOut, StiffnessLearned
from waywright.core.evidence.material import BUILT_IN, DOUBT
from waywright.core.report import report
from waywright.jobfile import loads

TEXT = (Path(__file__).resolve().parents[2] / "docs" / "weight-and-warmth.md").read_text(encoding="utf-8")


def test_its_example_is_solved_with_its_weight() -> None:
    """The example is read, nothing of its weight is left out, and carried under the blocks nothing of it is told."""
    job = loads(TEXT.split("```toml\n")[1].split("```")[0])
    notes = report(job, with_cures=False).notes
    assert not [note for note in notes if isinstance(note, LeftOut)]
    (told,) = (note for note in notes if isinstance(note, StiffnessLearned))
    assert not told.learned
    assert told.pieces == ("P", "Q")


def test_its_numbers_are_those_in_use() -> None:
    """The doubts and the crown of a tenth of a degree are as it says."""
    job = loads(TEXT.split("```toml\n")[1].split("```")[0])
    beam = beam_of(job, job.pieces[0])
    assert beam is not None
    assert f"{DOUBT:.0%}".replace("%", " %") in TEXT
    assert f"{PIECE_DOUBT:.0%}".replace("%", " %") in TEXT
    assert stiffness_doubt(beam) == BUILT_IN["cast iron"].e_doubt == 0.15
    found = re.search(r"([\d.]+) °C overnight, ([\d.]+) after hours, ([\d.]+) just handled", TEXT)
    assert found is not None
    assert [float(number) for number in found.groups()] == list(RESTED_C.values())
    assert 0.1 * float(beam.warmed(np.array([330.0]))[0]) == pytest.approx(0.7, abs=0.05)
