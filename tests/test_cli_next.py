"""The command that says what to do next, and draws what is to be scraped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.jobs import TWO
from tests.test_cli import asked, run
from waywright import jobfile
from waywright.core.evidence.job import Job
from waywright.demo import shop
from waywright.views.terminal import show_moves


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """Two edges, one lay-up."""
    path = tmp_path / "bench.toml"
    path.write_text(TWO, encoding="utf-8")
    return path


def test_next_lists_moves_with_reason_and_gain(bench: Path) -> None:
    """`next` gives the moves of the contract, best first, as JSON and as sentences."""
    moves = asked("next", bench)["moves"]
    assert moves
    assert {"act", "faces", "where_mm", "how", "reason", "gain", "minutes"} <= set(moves[0])
    text = run("next", bench).stdout
    assert text.startswith("Two edges\n")
    assert "  1. " in text
    assert max(map(len, text.splitlines())) <= 80


def test_nothing_to_do_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """Without a move there is a sentence."""
    show_moves((), Job(), "mm")
    assert "Nothing to do" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("limit", "drawn"), [(6, ["scrape.svg"]), (2, [f"scrape-{name}.svg" for name in ("Alder", "Birch", "Rowan")])]
)
def test_what_is_to_be_scraped_is_drawn(tmp_path: Path, limit: int, drawn: list[str]) -> None:
    """One face is drawn into the file named, several each into one of its own; the text stays as it is without."""
    job = jobfile.loads(shop(), "the sample shop")
    settings = tuple(
        replace(s, readings=tuple(r for r in s.readings if r.id != "layups[1].gaps[5]")) for s in job.settings
    )
    path = tmp_path / "job.toml"
    path.write_text(
        jobfile.dumps(replace(job, settings=settings, goal=replace(job.goal, straightness_um=limit))), encoding="utf-8"
    )
    found = run("next", path, "--picture", tmp_path / "scrape.svg")
    assert sorted(p.name for p in tmp_path.glob("*.svg")) == drawn
    assert all((tmp_path / name).read_text(encoding="utf-8").startswith("<?xml") for name in drawn)
    assert found.stderr.count("Drawn: ") == len(drawn)
    assert found.stdout == run("next", path).stdout


def test_what_can_hurt_is_said_once(tmp_path: Path) -> None:
    """Under moves that lay faces on each other, or take metal, the usual caution stands once; else none does."""
    lifting, scraper = "never reach under", "push from the hip"
    path = tmp_path / "job.toml"
    path.write_text(shop(), encoding="utf-8")
    text = " ".join(run("next", path).stdout.split())
    assert (text.count(lifting), text.count(scraper)) == (1, 1)
    path.write_text("", encoding="utf-8")
    assert lifting not in run("next", path).stdout


def test_nothing_to_scrape_draws_nothing(bench: Path, tmp_path: Path) -> None:
    """A job with nothing to take leaves no file, and says so."""
    assert "nothing was drawn" in run("next", bench, "--picture", tmp_path / "scrape.svg").stderr
    assert list(tmp_path.glob("*.svg")) == []


def test_a_part_says_what_it_asks_and_what_can_be_proved(bench: Path) -> None:
    """Under the title what the part asks of ways and reference; beside the first move what the instruments prove."""
    bench.write_text(
        bench.read_text(encoding="utf-8").split("[goal]")[0] + "\n[goal]\npart = { diameter_um = 90, over_mm = 300 }\n",
        encoding="utf-8",
    )
    text = " ".join(run("next", bench).stdout.split())
    assert "To turn 90 µm in diameter over 300 mm" in text
    assert "these instruments prove about" in text
    assert "µm in diameter" in text
