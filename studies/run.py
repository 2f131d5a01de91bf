"""`make proof`: run every large simulation study and write its table under docs/tables.

A study is a file `studies/NAME.py` (other than this one, table.py, and those that begin with an underscore) with a
function `main()` that takes nothing, goes through its jobs with `studies.table.track` and ends with
`studies.table.write_table`, which records the seed and the date. A study that finds a promise broken raises an
AssertionError with the figure; its table is written first, so that it can be read.

    python -m studies.run              every study
    python -m studies.run coverage     only those named
"""

from __future__ import annotations

import importlib
import sys
import time
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
HOUSEKEEPING = {"run", "table", "__init__"}


def studies() -> list[str]:
    """The names of all studies, in order."""
    names = (path.stem for path in HERE.glob("*.py"))
    return sorted(name for name in names if name not in HOUSEKEEPING and not name.startswith("_"))


def main(arguments: Sequence[str]) -> int:
    """Run the studies named, or all; returns how many found a promise broken."""
    known = studies()
    unknown = [name for name in arguments if name not in known]
    if unknown:
        raise SystemExit(f"No study is called {', '.join(unknown)}; there are: {', '.join(known) or 'none yet'}.")
    names = list(arguments) or known
    broken = 0
    for place, name in enumerate(names, start=1):
        print(f"[{place}/{len(names)}] {name}", file=sys.stderr, flush=True)
        start = time.monotonic()
        try:
            importlib.import_module(f"studies.{name}").main()
        except AssertionError as found:
            broken += 1
            print(f"{name}: not kept: {found}", file=sys.stderr)
        print(f"{name}: {time.monotonic() - start:.0f} s", file=sys.stderr, flush=True)
    print(f"{len(names) - broken} of {len(names)} studies kept their promises.")
    return broken


if __name__ == "__main__":
    try:
        sys.exit(min(main(sys.argv[1:]), 1))
    except KeyboardInterrupt:
        sys.exit("Stopped; the tables of the studies that had ended are written.")
