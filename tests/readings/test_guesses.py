"""What readings take for granted without a source is told where a person looks for it."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GUESS = re.compile(r"^([A-Z_]+) = ([\d.]+)  # .*guess", re.MULTILINE)


def guesses() -> dict[str, float]:
    """Every constant of a kind of reading that its own line calls a guess."""
    files = sorted((ROOT / "src/waywright/core/readings").glob("*.py"))
    return {name: float(number) for f in files for name, number in GUESS.findall(f.read_text(encoding="utf-8"))}


def test_every_guess_of_a_reading_is_documented_as_one() -> None:
    """Each number that a kind of reading guesses, how well a block repeats itself when wrung anew among them, stands in
    docs/uncertainty.md, in a paragraph that calls it a guess."""
    page = (ROOT / "docs/uncertainty.md").read_text(encoding="utf-8")
    told = [set(re.findall(r"\d+(?:\.\d+)?", part)) for part in page.split("\n- ") if "guess" in part]
    found = guesses()
    assert {"WRINGING_UM", "CONTACT_UM"} <= found.keys()
    assert [name for name, number in found.items() if not any(f"{number:g}" in numbers for numbers in told)] == []
