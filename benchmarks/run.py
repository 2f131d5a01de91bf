"""`make speed`: run every benchmark and write the table to benchmarks/README.md.

A benchmark is a file `benchmarks/bench_*.py` with a function `rows() -> list[Row]` (see `benchmarks.row.Row`).
It measures ours and the reference alternately in one process, so that the ratio holds on any machine. It is run twice,
each time in a process of its own: as installed, and with WAYWRIGHT_PLAIN=1, which makes the package use its numpy
paths even where the `fast` extra is installed. The second figure stands beside the first in the table.

    python -m benchmarks.run              every benchmark
    python -m benchmarks.run bench_help   only those named; prints the table and leaves the README alone
"""

from __future__ import annotations

import importlib
import importlib.metadata
import json
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path

from benchmarks.row import Row
from studies.table import markdown

HERE = Path(__file__).resolve().parent
README = HERE / "README.md"
COLUMNS = ("what", "ours", "plain", "reference", "ratio", "plain ratio", "required", "")


def main(arguments: Sequence[str]) -> int:
    """Run the benchmarks named, or all, print the table; returns 0 if every requirement held."""
    if arguments[:1] == ["--rows"]:
        return _child(arguments[1], Path(arguments[2]))
    names = list(arguments) or sorted(path.stem for path in HERE.glob("bench_*.py"))
    pairs: list[tuple[Row, Row]] = []
    for place, name in enumerate(names, start=1):
        print(f"[{place}/{len(names)}] {name}", file=sys.stderr, flush=True)
        pairs += _paired(name, _measure(name, plain=False), _measure(name, plain=True))
    table = _table(pairs)
    print(machine(), "", table, sep="\n")
    if not arguments:
        README.write_text(_page(table), encoding="utf-8")
    return _verdict(pairs)


def machine() -> str:
    """The machine and the libraries the figures were read on, in one line."""
    try:
        numba = importlib.metadata.version("numba")
    except importlib.metadata.PackageNotFoundError:
        numba = "not installed"
    versions = {name: importlib.metadata.version(name) for name in ("numpy", "scipy")} | {"numba": numba}
    told = ", ".join(f"{name} {version}" for name, version in versions.items())
    forced = os.environ.get("OPENBLAS_CORETYPE")
    return (
        f"{date.today().isoformat()}: {_cpu()}, {os.cpu_count()} cores, {platform.system()} {platform.machine()}, "
        f"Python {platform.python_version()}, {told}" + (f", OpenBLAS kernel set to {forced}" if forced else "")
    )


def _cpu() -> str:
    """The processor's name as the system tells it."""
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    if sys.platform == "darwin":
        asked = subprocess.run(
            ["sysctl", "-n", "machdep.cpu.brand_string"], capture_output=True, text=True, check=False
        )
        if asked.stdout.strip():
            return asked.stdout.strip()
    return platform.processor() or platform.machine()


def _measure(name: str, *, plain: bool) -> list[Row]:
    """The rows of one benchmark, from a process of its own."""
    environment = {key: value for key, value in os.environ.items() if key != "WAYWRIGHT_PLAIN"}
    if plain:
        environment["WAYWRIGHT_PLAIN"] = "1"
    with tempfile.TemporaryDirectory() as folder:
        answer = Path(folder) / "rows.json"
        command = [sys.executable, "-m", "benchmarks.run", "--rows", name, str(answer)]
        done = subprocess.run(command, cwd=HERE.parent, env=environment, check=False)
        if done.returncode != 0:
            raise SystemExit(f"{name} ended with status {done.returncode}; its own message stands above.")
        return [Row(**entry) for entry in json.loads(answer.read_text(encoding="utf-8"))]


def _child(name: str, answer: Path) -> int:
    """In the child process: measure and leave the rows in `answer`, so that a benchmark may print what it likes."""
    module = importlib.import_module(f"benchmarks.{name}")
    answer.write_text(json.dumps([asdict(row) for row in module.rows()]), encoding="utf-8")
    return 0


def _paired(name: str, installed: list[Row], plain: list[Row]) -> list[tuple[Row, Row]]:
    """Each row as installed with the same row measured plain."""
    other = {row.name: row for row in plain}
    if [row.name for row in installed] != [row.name for row in plain] or len(other) != len(plain):
        raise SystemExit(f"{name}: rows() must give the same names, each once, on every run.")
    return [(row, other[row.name]) for row in installed]


def _table(pairs: list[tuple[Row, Row]]) -> str:
    """The table as Markdown."""
    cells = [
        [
            row.name,
            _figure(row.ours, row.unit),
            _figure(plain.ours, plain.unit),
            _figure(row.reference, row.unit),
            _ratio(row.ratio),
            _ratio(plain.ratio),
            row.required.replace(">=", "≥").replace("<=", "≤"),
            ("kept" if row.holds else "MISSED") if row.required else "",
        ]
        for row, plain in pairs
    ]
    return markdown(COLUMNS, cells)


def _figure(value: float | None, unit: str) -> str:
    """A figure with three digits and its unit; seconds as s, ms or µs."""
    if value is None:
        return "-"
    if unit != "s":
        return f"{value:.3g} {unit}"
    for factor, name in ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs")):
        if value >= factor:
            return f"{_ratio(value / factor)} {name}"
    return f"{value / 1e-9:.3g} ns"


def _ratio(value: float) -> str:
    """Three digits, without an exponent."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def _page(table: str) -> str:
    """benchmarks/README.md."""
    return f"""# Speed

Written by `make speed`; run it to have this machine's own figures. {machine()}.

*ours* is measured with the `fast` extra, *plain* on the same machine with the numpy paths alone (`WAYWRIGHT_PLAIN=1`),
and the *reference* alternately with each in the same process. *ratio* is what *required* speaks of; each benchmark's
file says what it compares. Where a benchmark has an answer, both paths arrived at it to 1e-9.

{table}
"""


def _verdict(pairs: list[tuple[Row, Row]]) -> int:
    """Say what was missed; 0 if nothing was."""
    missed = [f"{row.name}: {_ratio(row.ratio)}, required {row.required}" for row, _ in pairs if not row.holds]
    missed += [
        f"{row.name}: as installed {row.answer!r}, plain {plain.answer!r}"
        for row, plain in pairs
        if not row.same_answer(plain)
    ]
    for line in missed:
        print("missed:", line, file=sys.stderr)
    return 1 if missed else 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit("Stopped; the table in benchmarks/README.md is as it was.")
