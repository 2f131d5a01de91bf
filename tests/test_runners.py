"""The tables of `make speed` and `make proof` say what was measured, and notice what was missed."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks import run as speed
from benchmarks.row import Row
from studies import run as proof
from studies import table


@pytest.mark.parametrize(
    ("required", "ratio", "holds"),
    [(">= 100", 100.0, True), (">= 100", 99.9, False), ("<= 1.6", 1.6, True), ("<= 1.6", 1.61, False), ("", 0.0, True)],
)
def test_a_requirement_is_kept_or_missed(required: str, ratio: float, holds: bool) -> None:
    """The ratio is held against the requirement, its own bound included."""
    assert Row("a", 1.0, 2.0, ratio, required).holds is holds


@pytest.mark.parametrize("required", ["100", "> 100", ">= fast", "≥ 100"])
def test_a_requirement_that_cannot_be_read_is_refused(required: str) -> None:
    """A requirement in another form is an error, never a promise that is not held."""
    with pytest.raises(ValueError, match="required"):
        Row("a", 1.0, 2.0, 2.0, required)


def test_two_paths_with_different_answers_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """A plain path that arrives elsewhere, or a ratio below what is required, fails the run; agreeing rows do not."""
    good = Row("good", 1e-3, 1.0, 1000.0, ">= 100", answer=2.0)
    assert speed._verdict([(good, Row("good", 1.0, 1.0, 1.0, ">= 100", answer=2.0 + 1e-10))]) == 0
    other = Row("good", 1.0, 1.0, 1.0, ">= 100", answer=2.0 + 1e-8)
    slow = Row("slow", 1.0, 1.0, 1.0, ">= 100")
    assert speed._verdict([(good, other), (slow, slow)]) == 1
    told = capsys.readouterr().err
    assert "good" in told
    assert "slow: 1, required >= 100" in told


def test_figures_show_three_digits_and_a_unit() -> None:
    """Seconds are told as s, ms, µs or ns; other units as they are; nothing compared is a dash."""
    figures = [(12.345, "s"), (0.0123456, "s"), (2.4e-6, "s"), (3e-9, "s"), (0.98765, "GB"), (None, "s")]
    assert [speed._figure(value, unit) for value, unit in figures] == [
        *("12.3 s", "12.3 ms", "2.4 µs", "3 ns", "0.988 GB", "-")
    ]


def test_table_of_speed_has_both_figures() -> None:
    """The compiled and the plain figure of a row stand side by side, and a miss is named."""
    fast, plain = Row("zones", 1e-3, 0.5, 500.0, ">= 100"), Row("zones", 0.1, 0.5, 5.0, ">= 100")
    line = speed._table([(fast, plain)]).splitlines()[2]
    assert [cell.strip() for cell in line.strip("|").split("|")] == [
        *("zones", "1 ms", "100 ms", "500 ms", "500", "5", "≥ 100", "kept")
    ]
    assert "MISSED" in speed._table([(plain, plain)])


def test_machine_is_named() -> None:
    """The line under the table names the processor's cores, Python, numpy and numba."""
    line = speed.machine()
    assert all(word in line for word in ("cores", "Python 3.", "numpy ", "numba "))


def test_study_table_carries_seed_and_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A study's table says with which seed, when and with which versions it was made."""
    monkeypatch.setattr(table, "TABLES", tmp_path)
    path = table.write_table("t", "A title", seed=42, header=["kind", "share"], rows=[["bowed", "0.95"]], notes="How.")
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# A title\n")
    assert "seed 42" in text
    assert "waywright " in text
    assert "How.\n\n| kind  | share |\n|-------|-------|\n| bowed | 0.95  |\n" in text


def test_a_short_row_is_refused() -> None:
    """A row with fewer cells than the header is an error, not a table that lies."""
    with pytest.raises(ValueError, match="1 cells, the header 2"):
        table.markdown(["a", "b"], [["1"]])


def test_an_unknown_study_is_told() -> None:
    """A study that does not exist is named, and nothing is run."""
    with pytest.raises(SystemExit, match=r"No study is called nonesuch"):
        proof.main(["nonesuch"])


def test_every_benchmark_and_study_keeps_its_form() -> None:
    """Each bench file defines `rows()`, each study `main()`: the runners find nothing else."""
    for path in speed.HERE.glob("bench_*.py"):
        assert "\ndef rows(" in path.read_text(encoding="utf-8"), path.name
    for name in proof.studies():
        assert "\ndef main(" in (proof.HERE / f"{name}.py").read_text(encoding="utf-8"), name
