"""Every example and every frozen book says what it said, number by number."""

from __future__ import annotations

import json

import pytest

from tests.golden.golden import HERE, differences, jobs, said

JOBS = dict(jobs())


@pytest.mark.parametrize("name", JOBS)
def test_a_kept_job_says_what_it_said(name: str) -> None:
    """All numbers of `solve` and `next` are those kept, to a millionth; CHANGES.md lists what changed and why."""
    kept = json.loads((HERE / f"{name}.json").read_text(encoding="utf-8"))
    now = json.loads(json.dumps(said(JOBS[name])))
    assert list(differences(kept, now)) == []


def test_nothing_is_kept_of_jobs_that_are_gone() -> None:
    """One file a job."""
    assert {path.stem for path in HERE.glob("*.json")} == set(JOBS)


def test_a_difference_is_seen() -> None:
    """A number off by 2e-6, a missing key and another word are found; rounding is not."""
    old = {"a": [1.0, 2.0], "b": "x", "c": None}
    assert list(differences(old, {"a": [1.0 + 1e-9, 2.0], "b": "x", "c": None})) == []
    assert len(list(differences(old, {"a": [1.0 + 2e-6, 2.0], "b": "y"}))) == 2
