"""Anything at all as a job file or a table: an answer or one sentence, never a traceback, and the file untouched."""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from click.testing import CliRunner
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.jobs import TWO
from waywright import jobfile
from waywright.cli import cli
from waywright.core import report as heart
from waywright.core.evidence.findings import Fit, Report
from waywright.demo import shop
from waywright.jobfile import JobFileError
from waywright.jobfile.heights import parse_heights

GOOD = {"two": TWO, "shop": shop(), "shop two": shop("two_edges")}
# One block of every other kind of reading, so that each of their keys is spoiled too.
KINDS = TWO.replace(
    "[goal]",
    """\
[instruments.dial]
kind = "indicator"
u_um = 1.0

[[pieces]]
name = "R"
[[pieces.faces]]
name = "R"
length_mm = 600
width_mm = 40
stations_mm = [0, 300, 600]
[[pieces.faces]]
name = "R under"
length_mm = 600
width_mm = 40
stations_mm = [0, 300, 600]
side = "bottom"

[[steps]]
face = "P"
instrument = "level"
base_mm = 100
from_mm = [0, -15]
to_mm = [600, 15]
readings = [ { at_mm = 0, um_per_m = 5 }, { at_mm = 100, um_per_m = 5, u_um = 0.5 } ]

[[slides]]
lower = "P"
upper = "Q"
turn = "over"
u_x_mm = 1
instrument = "blocks"
spacers = [ { x_mm = 0, size_mm = 10.0 }, { x_mm = 600, size_mm = 10.02 } ]
stops = [ { x_mm = 300, size_mm = 10.01 } ]

[[thickness]]
top = "R"
bottom = "R under"
instrument = "dial"
readings = [ { x_mm = 0, y_mm = 0, size_mm = 60.012 }, { x_mm = 600, size_mm = 60 } ]

[[runs]]
face = "R"
guide = "table"
sign = 1
instrument = "dial"
readings = [ { x_mm = 0, um = 0 }, { x_mm = 300, um = 3.5 }, { x_mm = 600, um = 1 } ]

[[riders]]
face = "R"
feet_mm = [[0, 0], [200, 0]]
tip_mm = [100, 0]
instrument = "dial"
readings = [ { x_mm = 0, um = 0 }, { x_mm = 200, um = 3.5 } ]

[[blues]]
lower = "P"
upper = "Q"
turn = "over"
carried = "lower"
readings = [ { x_mm = 0, mark = "bright" }, { x_mm = 300, mark = "bare" } ]

[[hinges]]
lower = "P"
upper = "R"
turn = "over"
pushed = "far end"
readings = [ { pivot_mm = 150 } ]

[[passes]]
face = "P"
after = "turned"

[goal]
""",
)
ODD = [
    *(0, -1, 1, 2**63, 10**30, -0.0, 1e308, -1e308, 5e-324, float("inf"), float("nan")),
    *("", " ", "x", "P", "Q", "0,5", "1e400 mm", "5 thou", "-3 µm", "3 kg", "\\x00", "ﬁ", "a" * 5000),
    *(True, False, [], {}, [[]], [{}], [0], [1, 2, 3], ["P"], {"x_mm": 0}, [{"x_mm": 0}], {"a": {"b": [1]}}),
]

odd_values = st.sampled_from(ODD) | st.floats() | st.integers() | st.text(max_size=20)


@pytest.fixture(autouse=True)
def _quick_heart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading and checking are fuzzed here; solving has its own tests and would take hours."""

    def report(job: Any, **_: object) -> Report:
        return Report(job, (), (), (), (), (), (), Fit(0.0, 0.0, ()), (), ())

    monkeypatch.setattr(heart, "report", report)


def answered(path: Path, data: bytes, command: str) -> None:
    """Run a command on the bytes: exit 0, or 2 with one sentence; the file is as it was."""
    path.write_bytes(data)
    found = CliRunner().invoke(cli, [command, str(path), "--json"])
    assert found.exit_code in (0, 2), (found.exception, found.stderr)
    if found.exit_code == 2:
        assert found.stdout == ""
        assert found.stderr.count("\n") == 1
        assert "Something went wrong" not in found.stderr
        assert str(path) in found.stderr
        assert len(found.stderr) < 900
    assert path.read_bytes() == data
    assert list(path.parent.iterdir()) == [path]


fuzz = settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], max_examples=300)


def test_the_good_file_of_every_kind_is_good() -> None:
    """What the mutations start from is a job, with every kind of reading in it."""
    job = jobfile.loads(KINDS)
    assert {s.geometry.block for s in job.settings} >= {"layups", "slides", "steps", "crosses", "thickness", "runs"}
    assert jobfile.loads(jobfile.dumps(job)) == job


@fuzz
@given(st.binary(max_size=300))
def test_any_bytes_are_answered(tmp_path: Path, data: bytes) -> None:
    """Random bytes as a job and as a table."""
    answered(tmp_path / "x", data, "solve")
    answered(tmp_path / "x", data, "judge")


@fuzz
@given(st.text(max_size=300))
def test_any_text_is_answered(tmp_path: Path, text: str) -> None:
    """Random text as a job and as a table."""
    data = text.encode("utf-8", "surrogatepass")
    answered(tmp_path / "x", data, "solve")
    answered(tmp_path / "x", data, "judge")


@fuzz
@given(st.sampled_from([*GOOD.values(), KINDS]), st.randoms(use_true_random=False), st.integers(1, 4))
def test_spoiled_good_files_are_answered(tmp_path: Path, text: str, rng: random.Random, times: int) -> None:
    """Lines lost, doubled, swapped, letters changed, the end cut off."""
    for _ in range(times):
        text = _spoiled(text, rng)
    answered(tmp_path / "x", text.encode(), "solve")


def _spoiled(text: str, rng: random.Random) -> str:
    lines = text.splitlines(keepends=True) or [""]
    i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
    how = rng.randrange(7)
    if how == 0:
        del lines[i]
    elif how == 1:
        lines.insert(j, lines[i])
    elif how == 2:
        lines[i], lines[j] = lines[j], lines[i]
    elif how == 3:
        k = rng.randrange(len(lines[i]) + 1)
        lines[i] = lines[i][:k] + rng.choice("[]{}\"'=,.#\n\\ 0-9eE+xyµ\x00") + lines[i][k + rng.randrange(2) :]
    elif how == 4:
        return text[: rng.randrange(len(text) + 1)]
    elif how == 5:
        numbers = list(re.finditer(r"\d+(\.\d+)?", text))
        if numbers:
            found = rng.choice(numbers)
            return text[: found.start()] + rng.choice(["-1", "1e9", "0", '"3 in"', "nan"]) + text[found.end() :]
    else:
        words = list(re.finditer(r"\w+", text))
        if words:
            found, other = rng.choice(words), rng.choice(words)
            return text[: found.start()] + other.group() + text[found.end() :]
    return "".join(lines)


def _places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every key and element of a file."""
    for key, one in value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ():
        yield (*path, key)
        yield from _places(one, (*path, key))


PLACES = list(_places(tomllib.loads(KINDS)))


@cache
def without(block: str) -> str:
    """The file of every kind but for one of its blocks."""
    return tomlkit.dumps({key: value for key, value in tomllib.loads(KINDS).items() if key != block})


def changed(place: tuple[str | int, ...], *value: Any) -> str:
    """The file of every kind with another value at a place, or none. Raises ValueError or TypeError where TOML has no
    words for that."""
    data, (block, *_) = tomllib.loads(KINDS), place
    inner: Any = data
    for part in place[:-1]:
        inner = inner[part]
    if value:
        inner[place[-1]] = value[0]
    else:
        del inner[place[-1]]
    rest = without(str(block))
    spoiled = tomlkit.dumps({block: data[block]}) if block in data else ""
    return rest + spoiled if spoiled.startswith("[") else spoiled + rest  # tables come last


@pytest.mark.slow
@settings(fuzz, max_examples=1000)
@given(st.sampled_from(PLACES), odd_values)
@example(("layups", 0, "gaps", 0, "x_mm"), 1e308)
@example(("pieces", 0, "faces", 0, "stations_mm"), [0, 5e-324])
def test_any_value_in_any_key_is_answered(tmp_path: Path, place: tuple[str | int, ...], value: Any) -> None:
    """Each key in turn with a value of any type and size."""
    try:
        text = changed(place, value)
    except (ValueError, TypeError):  # what TOML cannot say
        return
    answered(tmp_path / "x", text.encode("utf-8", "surrogatepass"), "solve")


@fuzz
@given(st.sampled_from(PLACES))
def test_any_key_may_be_missing(tmp_path: Path, place: tuple[str | int, ...]) -> None:
    """Each key and element in turn left out."""
    answered(tmp_path / "x", changed(place).encode(), "solve")


CELLS = st.sampled_from(["0", "1", "2.5", "-3,5", "1e5", "", " ", "nan", "inf", "1e999", "x", '"', "5 in", "3 kg", "µ"])
HEADERS = st.sampled_from(["x_mm", "y_mm", "height_um", "x_in", "height (µm)", "x", "height", "", "note", '"x_mm"'])


@fuzz
@given(
    st.lists(HEADERS, min_size=1, max_size=4),
    st.lists(st.lists(CELLS, max_size=4), max_size=6),
    st.sampled_from([",", ";", "\t", ", "]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_any_table_is_answered(tmp_path: Path, head: list[str], rows: list[list[str]], comma: str, end: str) -> None:
    """Tables with odd columns, cells, delimiters and line ends."""
    text = end.join(comma.join(cells) for cells in [head, *rows])
    answered(tmp_path / "x", text.encode(), "judge")


@given(
    st.lists(st.tuples(st.integers(-9999, 9999), st.integers(-9999, 9999)), min_size=2, unique_by=lambda p: p[0]),
    st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", ",")]),
    st.sampled_from(["\n", "\r\n"]),
)
def test_good_tables_are_read_right(rows: list[tuple[int, int]], signs: tuple[str, str], end: str) -> None:
    """Numbers come out as they were put in, whichever signs part them."""
    delimiter, point = signs
    lines = [f"{x / 10}{delimiter}{h / 100}".replace(".", point) for x, h in rows]
    found = parse_heights(end.join([f"x_mm{delimiter}height_um", *lines]))
    assert found.x_mm.tolist() == [x / 10 for x, _ in rows]
    assert found.height_um.tolist() == [h / 100 for _, h in rows]
    assert found.y_mm is None


@fuzz
@given(st.sampled_from([*GOOD.values(), KINDS]), st.randoms(use_true_random=False))
def test_what_is_read_can_be_written(text: str, rng: random.Random) -> None:
    """Whatever spoiled file is still a job is written and read again the same, and onto itself byte for byte."""
    text = _spoiled(text, rng)
    try:
        job = jobfile.loads(text)
    except JobFileError:
        return
    assert jobfile.loads(jobfile.dumps(job)) == job
    assert jobfile.dumps(job, onto=text) == text
