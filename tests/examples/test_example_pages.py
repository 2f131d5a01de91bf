"""The pages of the examples: each is linked, what it shows as typed is in the job file, what it says is still said."""

from __future__ import annotations

import functools
import re
from contextlib import chdir

import pytest
from click.testing import CliRunner

from docs.examples import pages
from tests.examples.eight_lines import closures, lines_of
from tests.examples.test_example_plate import OWN_ZEROS, PLATE, SIX, spread
from tests.examples.truths import FOLDER, ROOT
from waywright.cli import cli

PAGES = sorted(path.name for path in FOLDER.glob("*.md") if path.name != "README.md")
INDEX = (FOLDER / "README.md").read_text(encoding="utf-8")


def text_of(page: str) -> str:
    return (FOLDER / page).read_text(encoding="utf-8")


@functools.cache
def said(command: str) -> str:
    """What a command of a page prints, in the folder of the project."""
    name, *rest = command.split()
    assert name == "waywright"
    with chdir(ROOT):
        done = CliRunner().invoke(cli, rest)
    assert done.exit_code == 0, done.output
    return done.stdout


def test_every_page_and_job_file_is_in_the_index() -> None:
    """docs/examples/README.md links each page and each job file of its folder, and README.md links it."""
    links = set(re.findall(r"\]\(([^)]+)\)", INDEX))
    assert set(PAGES) <= links
    assert {path.name for path in FOLDER.glob("*.toml")} <= links
    assert "docs/examples/README.md" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_every_job_file_in_the_index_has_a_page_that_solves_it() -> None:
    """Each job file that the index names is solved on a page, and its picture is shown there."""
    everything = "".join(map(text_of, PAGES))
    for link in re.findall(r"\]\(([^)]+\.toml)\)", INDEX):
        path = (FOLDER / link).resolve().relative_to(ROOT)
        assert f"$ waywright solve {path.as_posix()}" in everything
        assert f"(../pictures/{path.stem.replace('_', '-')}.svg)" in everything


def numbers(line: str) -> list[float]:
    return [float(n.replace("−", "-")) for n in pages.NUMBER.findall(line)]


def near(shown: str, now: str) -> bool:
    """Whether a line's numbers are still those shown: within two of the last place, or a twentieth."""
    places = [len(n.partition(".")[2]) for n in pages.NUMBER.findall(shown)]
    triples = zip(numbers(shown), numbers(now), places, strict=True)
    return all(abs(a - b) <= 2.01 * 10.0**-p + 0.05 * abs(b) for a, b, p in triples)


@pytest.mark.parametrize("page", PAGES)
def test_what_a_page_shows_is_what_is_said(page: str) -> None:
    """Each command of a page runs, and each line shown of its answer is said, in that order and with those numbers;
    `make pictures` brings the last digits up to date."""
    text = text_of(page)
    assert "```console\n" in text
    for old, new in zip(text.splitlines(), pages.refreshed(text, said).splitlines(), strict=True):
        assert near(old, new), f"{old!r} is now {new!r}"


def test_a_line_that_is_no_longer_said_is_told() -> None:
    """A page that shows what the program does not say fails, in whatever place the words differ."""
    page = "```console\n$ waywright solve x.toml\n  3.2 µm inside\n  2.0 µm outside\n```\n"
    new = pages.refreshed(page, lambda command: f"{command}\n  3.4 µm inside\n…\n  −12.5 µm outside\n")
    assert new == "```console\n$ waywright solve x.toml\n  3.4 µm inside\n  −12.5 µm outside\n```\n"
    with pytest.raises(ValueError, match=r"2\.0 µm outside"):
        pages.refreshed(page, lambda command: "  3.4 µm inside\n  2.0 µm open\n")
    assert not near("to 3.2 µm", "to 3.9 µm")
    assert near("to 3.2 µm", "to 3.3 µm")


def test_rows_of_a_table_are_known_by_their_station() -> None:
    """A row that is shown stays that of its station though its numbers change and rows before it are left out."""
    page = "```console\n$ waywright solve x.toml\n   100   +3.2 ± 0.6\n```\n"
    rows = "    20   −1.0 ± 0.5\n   100   +3.4 ± 0.6\n"
    assert "   100   +3.4 ± 0.6\n" in pages.refreshed(page, lambda command: rows)


@pytest.mark.parametrize("page", PAGES)
def test_what_a_page_shows_as_typed_is_in_its_job_file(page: str) -> None:
    """Each line of a TOML block stands in a job file that the page solves, in the same order."""
    text = text_of(page)
    jobs = [(ROOT / path).read_text(encoding="utf-8") for path in re.findall(r"^\$ waywright solve (\S+)$", text, re.M)]
    for block in re.findall(r"^```toml\n(.*?)^```$", text, re.M | re.S):
        lines = [line for line in block.splitlines() if line.strip() and line != pages.LEFT_OUT]
        assert any(_in_order(lines, job.splitlines()) for job in jobs), block


def _in_order(lines: list[str], whole: list[str]) -> bool:
    rest = iter(whole)
    return all(line in rest for line in lines)


@pytest.mark.parametrize("page", PAGES)
def test_other_commands_of_a_page_run(page: str) -> None:
    """What a page tells to type within a sentence runs as well."""
    for command in re.findall(r"`(waywright \w+ \S+\.toml)`", text_of(page)):
        assert said(command)


def test_the_plates_page_tells_its_closures_and_what_they_are_worth() -> None:
    """The figures of plate.md's tables are those worked out from its readings."""
    text = text_of("plate.md")
    for name, closure in zip(("along", "across"), closures(lines_of(PLATE)), strict=True):
        assert f"| the centre line {name} | {closure:.1f} µm | ± 1.8 µm |".replace("-", "−") in text
    rows = re.findall(r"\| (0\.\d\d) µm \| (0\.\d\d) µm \|", text)
    assert len(rows) == 3
    for some, (rms, centre) in zip((SIX, OWN_ZEROS, PLATE), rows, strict=True):
        sigma, middle = spread(some)
        assert f"{(sigma**2).mean() ** 0.5:.2f} {middle:.2f}" == f"{rms} {centre}"
