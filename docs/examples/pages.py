"""The pages of this folder show what the program says; this brings it up to date. `make pictures` runs it.

A block that begins with ```console holds a command behind `$ ` and lines of what it prints, some left out. A line is
found again by its words, whatever its numbers are now; one that is no longer said is an error, for then the page must
be written anew.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
LEFT_OUT = "…"
_BLOCK = re.compile(r"(```console\n\$ )(.+?)(\n)(.*?)(^```$)", re.DOTALL | re.MULTILINE)
NUMBER = re.compile(r"[+−-]?\d+(?:\.\d+)?")


def refreshed(page: str, said: Callable[[str], str]) -> str:
    """A page with every shown line as `said` (the command → its output) says it now.

    Raises `ValueError` for a line that is no longer said.
    """
    return _BLOCK.sub(lambda found: "".join([*found.group(1, 2, 3), _shown(found[4], said(found[2])), found[5]]), page)


def words(line: str) -> str:
    """A line without its numbers, but for the first of a row of a table: that is known by its station."""
    row = re.match(r"\s*(\S+)\s{2,}(.+)", line)
    first, rest = row.groups() if row else ("", line)
    return " ".join([first, *NUMBER.sub("#", rest).split()])


def _shown(lines: str, output: str) -> str:
    now, at = output.splitlines(), 0
    found = []
    for line in lines.splitlines():
        if line.strip() in ("", LEFT_OUT):
            found.append(line)
            continue
        same = [i for i in range(at, len(now)) if words(now[i]) == words(line)]
        if not same:
            raise ValueError(f"This is no longer said after what stands before it: {line!r}")
        at = same[0] + 1
        found.append(now[same[0]])
    return "".join(f"{line}\n" for line in found)


def run(command: str) -> str:
    """What a command prints, run as a person would from the folder of the project."""
    name, *rest = command.split()
    assert name == "waywright", command
    done = subprocess.run(
        [sys.executable, "-m", "waywright", *rest], cwd=ROOT, check=True, capture_output=True, encoding="utf-8"
    )
    return done.stdout


def main() -> None:
    """Every page of this folder."""
    for path in sorted(HERE.glob("*.md")):
        text = path.read_text(encoding="utf-8")
        new = refreshed(text, run)
        if new != text:
            path.write_text(new, encoding="utf-8")
            print(f"brought up to date: {path.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
