"""`waywright --help` against `import numpy`: asking for help must not cost a numerical start-up.

Both are whole processes, started alternately from the same interpreter; the figure is the median wall time.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import sysconfig
import time
from pathlib import Path

from benchmarks.row import Row

REPEATS = 21
HEAVY = ("numpy", "scipy", "matplotlib", "numba")
ASKED = f"""
import contextlib, io, sys
from waywright.cli import main
with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
    sys.argv = ["waywright", "--help"]
    main()
print(*[name for name in {HEAVY!r} if name in sys.modules])
"""


def rows() -> list[Row]:
    """One row: help's median wall time, numpy's, and ours / reference."""
    if imported := heavy_imports():
        raise SystemExit(f"waywright --help imports {', '.join(imported)}; import numerics inside the commands.")
    help_s: list[float] = []
    numpy_s: list[float] = []
    for _ in range(REPEATS):
        help_s.append(_wall_s([command(), "--help"]))
        numpy_s.append(_wall_s([sys.executable, "-c", "import numpy"]))
    ours, reference = statistics.median(help_s), statistics.median(numpy_s)
    return [Row("waywright --help, against import numpy", ours, reference, ours / reference, "<= 1")]


def heavy_imports() -> list[str]:
    """Which of HEAVY a process has loaded that only answered `waywright --help`; CalledProcessError if it failed."""
    return subprocess.run([sys.executable, "-c", ASKED], stdout=subprocess.PIPE, text=True, check=True).stdout.split()


def command() -> str:
    """The installed `waywright` command of this interpreter."""
    name = "waywright.exe" if os.name == "nt" else "waywright"
    return str(Path(sysconfig.get_path("scripts")) / name)


def _wall_s(arguments: list[str]) -> float:
    """Wall time of one process, from start to end."""
    start = time.perf_counter()
    subprocess.run(arguments, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - start


if __name__ == "__main__":
    for row in rows():
        print(row)
