"""The commands, as a person and a script meet them: results on stdout, one sentence on stderr, never a traceback."""

from __future__ import annotations

import functools
import json
import math
import os
import re
import subprocess
import sys
import sysconfig
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

import waywright
from tests.jobs import TWO
from waywright import jobfile
from waywright.cli import cli
from waywright.core import report as heart
from waywright.demo import shop

COMMAND = str(Path(sysconfig.get_path("scripts")) / ("waywright.exe" if os.name == "nt" else "waywright"))

# Seven places 100 mm apart on a guideway, heights from an autocollimator's mean angles, 1″ taken as 0.5 µm per base:
# university lecture notes on straightness by autocollimator; published answer 3 µm about the end points.
GUIDEWAY = "x_mm,height_um\n0,0\n100,0\n200,1.5\n300,5\n400,4\n500,4\n600,6\n"


def run(*arguments: str | Path) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def asked(*arguments: str | Path) -> dict[str, Any]:
    """The JSON object a command prints; nothing else may stand on stdout."""
    found = run(*arguments, "--json")
    assert found.exit_code == 0, found.stderr
    answer = json.loads(found.stdout)
    assert isinstance(answer, dict)
    return answer


def refused(found: Result, *says: str) -> str:
    """One plain sentence on stderr, nothing on stdout, exit 2."""
    assert found.exit_code == 2
    assert found.stdout == ""
    message = found.stderr
    assert message.count("\n") == 1
    assert "Traceback" not in message
    assert message.rstrip().endswith((".", "?"))
    for words in says:
        assert words in message
    return message


@pytest.fixture
def edges(tmp_path: Path) -> Path:
    """The sample shop as a file."""
    path = tmp_path / "edges.toml"
    path.write_text(shop(), encoding="utf-8")
    return path


@functools.cache
def sample(*options: str) -> Result:
    """What `demo --once` says of the sample shop; worked out once."""
    found = run("demo", "--once", *options)
    assert found.exit_code == 0
    return found


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A small job that is solved in no time."""
    path = tmp_path / "bench.toml"
    path.write_text(TWO, encoding="utf-8")
    return path


# -- about the program


@pytest.mark.parametrize("command", sorted(cli.commands))
def test_every_command_has_help_with_an_example(command: str) -> None:
    """Each command says what it does, with an example, and can print JSON; the bench alone has no result to print."""
    found = run(command, "--help")
    assert found.exit_code == 0
    assert f"Example: waywright {command}" in found.stdout
    assert ("--json" in found.stdout) == (command != "bench")


def test_alone_it_prints_its_help() -> None:
    """Without arguments the command lists what it can do."""
    assert run().stdout == run("--help").stdout
    assert all(name in run().stdout for name in cli.commands)


def test_help_costs_no_numerics() -> None:
    """Asking for help or for the version imports neither numpy nor scipy nor anything that draws."""
    code = (
        "import contextlib, io, sys\n"
        "from waywright.cli import main\n"
        "for words in (['--help'], ['solve', '--help'], ['--version']):\n"
        "    sys.argv = ['waywright', *words]\n"
        "    with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "        main()\n"
        "print([name for name in ('numpy', 'scipy', 'matplotlib', 'numba', 'rich') if name in sys.modules])\n"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out == "[]\n"


def test_version_and_where() -> None:
    """--version and --where say what runs, and where data is kept, as text and as JSON."""
    assert run("--version").stdout == f"waywright {waywright.__version__}\n"
    assert asked("--version") == {"version": waywright.__version__}
    found = asked("--where")
    assert set(found) == {"data", "waywright", "python", "numpy", "scipy", "compiled"}
    assert found["numpy"] == np.__version__
    assert Path(found["data"]).name == "waywright"
    text = run("--where").stdout
    assert all(str(found[key]) in text for key in ("data", "python", "scipy"))
    assert ("compiled   yes" in text) == found["compiled"]


def test_as_a_module_it_is_the_same() -> None:
    """`python -m waywright` is `waywright`."""
    out = subprocess.run([sys.executable, "-m", "waywright", "--version"], capture_output=True, text=True, check=True)
    assert out.stdout == run("--version").stdout


# -- judge


def test_judge_gives_the_published_straightness(tmp_path: Path) -> None:
    """The lecture notes' guideway is straight to 3 µm about its ends; the minimum zone is 3, least squares 3.0357."""
    path = tmp_path / "guideway.csv"
    path.write_text(GUIDEWAY)
    found = asked("judge", path)["straightness_um"]
    assert set(found) == {"minimum_zone", "least_squares", "end_points"}
    assert found["end_points"] == pytest.approx(3.0, abs=1e-9)
    assert found["minimum_zone"] == pytest.approx(3.0, abs=1e-9)
    assert found["least_squares"] == pytest.approx(3.035714, abs=1e-6)


def test_judge_tells_the_three_measures_apart(tmp_path: Path) -> None:
    """h = x³ on [−1, 1]: minimum zone 0.5 and least squares 0.8 (Chebyshev T₃/4), end points 4/(3√3)."""
    x = np.linspace(-1, 1, 2001)
    path = tmp_path / "cubic.csv"
    path.write_text("x_mm,height_um\n" + "".join(f"{a:.17g},{a**3:.17g}\n" for a in x))
    found = asked("judge", path)["straightness_um"]
    assert found["minimum_zone"] == pytest.approx(0.5, abs=1e-6)
    assert found["least_squares"] == pytest.approx(0.8, abs=2e-3)
    assert found["end_points"] == pytest.approx(4 / (3 * math.sqrt(3)), abs=1e-6)


def test_judge_finds_flatness_and_twist(tmp_path: Path) -> None:
    """A pure twist of 40 µm/m over 500 × 200 mm: corners ± 2 µm, so flat to 4 µm."""
    rows = [f"{x},{y},{(x - 250) / 500 * 0.040 * y}" for x in range(0, 501, 100) for y in (-100, 0, 100)]
    path = tmp_path / "plate.csv"
    path.write_text("x_mm,y_mm,height_um\n" + "\n".join(rows))
    found = asked("judge", path)
    assert set(found["flatness_um"]) == {"minimum_zone", "least_squares"}
    assert found["twist_um_per_m"] == pytest.approx(40.0, rel=1e-9)
    assert found["flatness_um"]["minimum_zone"] == pytest.approx(4.0, rel=1e-9)


FORMS = {
    "any order of columns": "height_um,x_mm\n0,0\n0,100\n1.5,200\n5,300\n4,400\n4,500\n6,600\n",
    "semicolons, decimal commas": "x_mm;height_um\n0;0\n100;0\n200;1,5\n300;5,0\n400;4\n500;4\n600;6\n",
    "tabs": GUIDEWAY.replace(",", "\t"),
    "line ends and a mark of another system": "\ufeff" + GUIDEWAY.replace("\n", "\r\n"),
    "empty lines and blanks": "\n" + GUIDEWAY.replace(",", " , ").replace("\n", "\n\n"),
    "no last line end": GUIDEWAY.rstrip(),
    "other units": "x_m,height_mm\n0,0\n0.1,0\n0.2,0.0015\n0.3,0.005\n0.4,0.004\n0.5,0.004\n0.6,0.006\n",
    "units in brackets": GUIDEWAY.replace("x_mm,height_um", "X (mm),Height [µm]"),
    "units with the numbers": GUIDEWAY.replace("200,1.5", "20 cm,1.5 µm").replace("600,6", "600,0.006 mm"),
    "shuffled rows": "x_mm,height_um\n300,5\n0,0\n600,6\n100,0\n500,4\n200,1.5\n400,4\n",
}


@pytest.mark.parametrize("form", FORMS)
def test_judge_reads_tables_as_people_save_them(form: str, tmp_path: Path) -> None:
    """Commas, semicolons or tabs, either decimal sign, any order, any unit: the same answer."""
    path = tmp_path / "t.csv"
    path.write_bytes(FORMS[form].encode())
    found = asked("judge", path)["straightness_um"]
    assert found["end_points"] == pytest.approx(3.0, abs=1e-9)
    assert found["least_squares"] == pytest.approx(3.0357142857, abs=1e-9)


def test_judge_reads_inches(tmp_path: Path) -> None:
    """A table in inches and tenths is judged in µm: 0.0001 in is 2.54 µm."""
    path = tmp_path / "inch.csv"
    path.write_text("x_in,height_tenths\n0,0\n10,1\n20,0\n")
    assert asked("judge", path)["straightness_um"]["minimum_zone"] == pytest.approx(2.54)
    assert "1.00 tenths" in run("judge", path, "--units", "inch").stdout


BAD_TABLES = {
    "": "column x is missing",
    "\n\n": "column x is missing",
    "x_mm,height_um\n": "no rows of numbers",
    "x_mm,height_um\n0,0\n": "one row of numbers",
    "0,1\n1,2\n": "'0' is no column that is known",
    "a,b\n1,2\n": "(line 1): 'a' is no column",
    "x_mm\n1\n2\n": "column height is missing",
    "x_mm,height_kg\n1,2\n2,3\n": "(line 1): '1 kg' is a mass",
    "x_mm,height_foo\n1,2\n2,3\n": "unit in '1 foo' is not known",
    "x_mm,x_mm,height_um\n1,2,3\n": "the column x is there twice",
    "x_mm,height_um,note\n1,2,3\n": "'note' is no column",
    "x_mm,height_um\n0,0\n100\n": "(line 3): there are 1 values for 2 columns.",
    "x_mm,height_um\n0,0\n\n100,1,5\n": "(line 4): there are 3 values for 2 columns; part them by semicolons",
    "x_mm,height_um\n0,0\n100,abc\n": "(line 3), height: 'abc' is not a number",
    "x_mm,height_um\n0,0\n100,\n": "(line 3), height: '' is not a number",
    "x_mm,height_um\n0,0\n100,nan\n": "(line 3), height: 'nan' is not a number",
    "x_mm,height_um\n0,0\n100,inf\n": "(line 3), height: 'inf' is not a number",
    "x_mm,height_um\n0,0\n100,1e300\n": "(line 3), height: 1e+300 µm is no height on a face",
    "x_mm,height_um\n0,0\n1e300,1\n": "(line 3), x: 1e+300 mm is no place on a face",
    "x_mm,height_um\n0,0\n100,1\n0,2\n": "(line 4): x = 0 mm was already given on line 2",
    "x_mm,y_mm,height_um\n0,0,1\n0,0,1\n": "(line 3): x = 0 mm, y = 0 mm was already given on line 2",
    'x_mm,height_um\n0,"0\n': "'0' is",
    "x_mm,height_a" + " " * 4_000 + "a\n1,2\n2,3\n": "is longer than any number",
    "x_mm,height_um\n0,0\n100," + " " * 4_000 + "x\n": "(line 3), height: 'x' is not a number",
}


@pytest.mark.parametrize("table", BAD_TABLES, ids=[repr(table[:60]) for table in BAD_TABLES])
def test_judge_refuses_what_is_no_table(table: str, tmp_path: Path) -> None:
    """Anything else is one sentence with the line, exit 2."""
    path = tmp_path / "t.csv"
    path.write_bytes(table.encode())
    if table.endswith('"0\n'):  # an open quote takes the rest of the file: one row is left
        refused(run("judge", path), "one row")
    else:
        refused(run("judge", path), BAD_TABLES[table], "t.csv")
    assert path.read_bytes() == table.encode()


def test_judge_refuses_what_is_no_file(tmp_path: Path) -> None:
    """A folder, nothing, and bytes that are no text."""
    refused(run("judge", tmp_path), "folder")
    refused(run("judge", tmp_path / "no.csv"), "There is no file")
    path = tmp_path / "b.csv"
    path.write_bytes(b"x_mm,height_um\n1,\xff\n")
    refused(run("judge", path), "(line 2)", "UTF-8")
    path.write_bytes(np.random.default_rng(1).bytes(10_000_000))
    start = time.process_time()
    refused(run("judge", path))
    assert time.process_time() - start < 5


def test_judge_takes_large_files(tmp_path: Path) -> None:
    """100,000 rows are judged within a few seconds."""
    x = np.arange(100_000) * 0.01
    path = tmp_path / "scan.csv"
    path.write_text("x_mm,height_um\n" + "".join(f"{a:.2f},{h:.4f}\n" for a, h in zip(x, np.sin(x / 50), strict=True)))
    start = time.process_time()
    found = asked("judge", path)
    assert found["points"] == 100_000
    assert 1.9 < found["straightness_um"]["minimum_zone"] < 2.1
    assert time.process_time() - start < 20


# -- solve


def test_solve_prints_the_contract_in_full_precision(edges: Path) -> None:
    """The JSON of `solve` has the documented keys, and its numbers are the report's own to the last bit."""
    found = json.loads(sample("--json").stdout)
    keys = {"faces", "blind", "weak", "suspects", "unchecked", "untouched", "past", "fit", "verdicts", "budget"}
    assert keys <= set(found)
    assert set(found["fit"]) == {"chi2", "redundancy", "instruments", "misfits"}
    report = heart.report(jobfile.read(edges))
    for shape in report.shapes:
        face = found["faces"][shape.face]
        assert face["height_um"] == shape.height_um.tolist()
        assert face["sigma_um"] == shape.sigma_um.tolist()
        assert [line["y_mm"] for line in face["lines"]] == list(shape.lines_mm)
        assert {"x_mm", "y_mm", "flatness_um", "twist_um_per_m"} <= set(face)
    first = found["suspects"][0]
    assert {"reading", "standardised", "redundancy", "with"} <= set(first)
    assert first["reading"] == "layups[1].gaps[5]"
    for verdict in found["verdicts"]:
        assert {"face", "value_um", "interval_95", "limit_um", "chance_inside", "decision", "prior"} <= set(verdict)


def test_solve_lists_what_is_blind_with_signs_and_a_cure(tmp_path: Path) -> None:
    """Of two edges the bow of one against the other is listed, with both signs and what would show it."""
    path = tmp_path / "two.toml"
    path.write_text(shop("two_edges"), encoding="utf-8")
    blind = {spot["mode"]: spot for spot in asked("solve", path)["blind"]}
    assert set(blind["bow"]) >= {"mode", "faces", "ratio", "sigma_um", "cure"}
    assert sorted(blind["bow"]["faces"].values()) == [-1, 1]
    assert blind["bow"]["ratio"] > 0.5
    assert blind["bow"]["cure"]["words"]


def test_unread_stations_are_null(bench: Path) -> None:
    """A station that no reading touches has no height: null, not NaN and not nought."""
    text = run("solve", bench, "--json").stdout
    assert "NaN" not in text
    assert "Infinity" not in text
    p, q = (json.loads(text)["faces"][name] for name in "PQ")
    assert "straightness_um" in q  # one line: no lines, flatness or twist
    assert "lines" not in q
    assert [h is None for h in p["height_um"]] == [u is None for u in p["sigma_um"]]
    assert {h is None for h in p["height_um"]} == {True, False}


def test_the_form_prior_changes_heights_and_not_verdicts(edges: Path) -> None:
    """With --form-prior heights are the verdicts' own; verdicts are the same either way."""
    plain, prior = json.loads(sample("--json").stdout), asked("solve", edges, "--form-prior")
    assert plain["verdicts"] == prior["verdicts"]
    assert plain["faces"]["Alder"]["height_um"] != prior["faces"]["Alder"]["height_um"]


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_text_fits_a_pipe_of_80_columns(units: str) -> None:
    """Printed into a pipe nothing is wider than 80 columns, cut short or followed by blanks."""
    text = sample("--units", units).stdout
    lines = text.splitlines()
    assert max(map(len, lines)) <= 80
    assert all(line == line.rstrip() for line in lines)
    assert "…" not in text
    assert "\x1b" not in text
    assert ("tenths" in text) == (units == "inch")


def test_the_next_thing_stands_first() -> None:
    """The text begins with the title and the next thing to do; the suspect, on which no verdict hangs, is named with
    where it is."""
    text = sample("--units", "mm").stdout
    assert text.index("Next") < text.index("Verdicts") < text.index("Suspects") < text.index("Alder: ")
    assert "Scrape Birch" in text.split("Verdicts")[0]
    suspects = " ".join(text.split("Suspects")[1].split("Alder: ")[0].split())
    assert "Rowan on Alder, marks together, at 180 mm on the far line (y 14)" in suspects
    assert suspects.endswith("No verdict hangs on it: it stays left out.")


def test_a_bad_verdict_is_not_an_error(edges: Path) -> None:
    """Exit 0 whatever the verdict."""
    edges.write_text(shop().replace("straightness_um = 6", "straightness_um = 0.5"), encoding="utf-8")
    found = run("solve", edges)
    assert found.exit_code == 0
    assert "outside" in found.stdout


def test_a_picture_is_the_same_every_time(bench: Path, tmp_path: Path) -> None:
    """--picture writes an SVG, the same bytes each time; a place that cannot be written to is a sentence."""
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    assert run("solve", bench, "--picture", first).stderr == f"Drawn: {first}\n"
    assert run("solve", bench, "--picture", second, "--json").exit_code == 0
    assert first.read_bytes() == second.read_bytes()
    assert b"<svg" in first.read_bytes()
    refused(run("solve", bench, "--picture", tmp_path / "no" / "a.svg"), "cannot be written")
    for command in (("solve", bench), ("next", bench), ("expect", bench, "P", "Q")):
        refused(run(*command, "--picture", tmp_path / "a.png"), "drawn as SVG; call it a.svg, not a.png")
    assert not (tmp_path / "a.png").exists()
    assert bench.read_text(encoding="utf-8") == TWO


def test_solve_names_the_line_of_what_is_wrong(tmp_path: Path) -> None:
    """A slip in the file is one sentence with its line; the file stays as it is."""
    path = tmp_path / "edges.toml"
    text = TWO.replace("gap_mm = 0.011", "gap_mm = 10000")
    path.write_text(text, encoding="utf-8")
    refused(run("solve", path), f"{path}, layups[1].gaps[0] (line 54): A gap of 10000 mm cannot be")
    assert path.read_text(encoding="utf-8") == text


def test_a_job_without_readings_is_answered(tmp_path: Path) -> None:
    """Faces that nothing was read of are told as not measured."""
    path = tmp_path / "faces.toml"
    path.write_text(TWO[: TWO.index("# The first evening")] + "[goal]\nstraightness_um = 6\n", encoding="utf-8")
    found = asked("solve", path)
    assert found["untouched"] == ["P", "Q"]
    assert {v["decision"] for v in found["verdicts"]} == {"not measured"}
    assert set(found["faces"]["P"]["height_um"]) == {None}
    assert run("solve", path).exit_code == 0


@pytest.mark.parametrize("command", [["solve"], ["solve", "--json"], ["next"], ["expect"]])
@pytest.mark.parametrize("text", ["", "\ufeff", "\n\n", "# to be filled in\n", 'title = "Bed"\n', "format = 1\n"])
def test_a_file_without_pieces_is_told_how_to_begin(text: str, command: list[str], tmp_path: Path) -> None:
    """Who has only begun a file hears what comes first, and where an example lies that is a job file indeed."""
    path = tmp_path / "bed.toml"
    path.write_text(text, encoding="utf-8")
    words = [*command, str(path), *(["P", "Q"] if command == ["expect"] else [])]
    said = refused(run(*words), f"{path} names no piece yet", "[[pieces]]", "[[pieces.faces]]")
    example = re.search(r"example (.+) does\.", said)
    assert example is not None
    assert jobfile.read(example[1]).pieces


# -- the demo


def test_demo_prints_the_sample(edges: Path) -> None:
    """`demo --once` is `solve` of the sample shop; without --once it opens at the bench (tests/web)."""
    found = run("solve", edges)
    assert sample("--units", "mm").stdout == found.stdout
    assert sample("--units", "mm").stderr == ""


# -- what goes wrong around it


def test_a_wrong_command_or_option_is_a_sentence(edges: Path) -> None:
    """A slip on the command line is one sentence that says how to get help."""
    refused(run("slove"), "Did you mean 'solve'?", "waywright --help")
    refused(run("solve"), "Missing argument", "solve --help")
    refused(run("solve", edges, "--jsno"), "--json")
    refused(run("solve", edges, "--units", "cubits"), "inch")


@pytest.mark.parametrize("error", [RuntimeError("two\nlines"), ZeroDivisionError(), np.linalg.LinAlgError("Singular")])
def test_what_should_not_happen_is_a_sentence_too(
    bench: Path, error: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error nobody foresaw asks to be told, in one line, exit 2."""

    def fails(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(heart, "report", fails)
    refused(run("solve", bench), "Something went wrong inside Waywright", "report it", type(error).__name__)


def test_interrupted_it_is_quiet(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C ends a command without a word, exit 130."""

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(heart, "report", interrupted)
    found = run("solve", bench)
    assert (found.exit_code, found.stdout, found.stderr.strip()) == (130, "", "")


def test_interrupted_half_way_it_is_quiet_too(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was half way through when Ctrl-C came may fail in its own way on the way out: that is no fault to report."""

    def interrupted(*_: object, **__: object) -> None:
        try:
            raise KeyboardInterrupt
        finally:
            raise AssertionError  # as a database's transaction does that had only begun

    monkeypatch.setattr(heart, "report", interrupted)
    found = run("solve", bench)
    assert (found.exit_code, found.stdout, found.stderr.strip()) == (130, "", "")
