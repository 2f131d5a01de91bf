"""The usual cautions, one home for all: pages, pictures and commands print these. Local codes come before them."""

from __future__ import annotations

from collections.abc import Iterable

from waywright.core.evidence.findings import Move

LIFTING = (
    "Edges and castings are heavy and top-heavy: lift with two hands or a sling, chock them, never reach under. Local "
    "codes and licensed practice come first."
)
SCRAPING = (
    "A scraper slips towards the holding hand: push from the hip, with eye protection for chips and stones. "
    "Local codes and licensed practice come first."
)
BLUEING = "Never heat Prussian blue or mix it with acid."


def cautions(moves: Iterable[Move]) -> tuple[str, ...]:
    """What the moves ask for, each once: lifting where one face is laid on another, the scraper where metal goes."""
    found = []
    for move in moves:
        if move.act == "measure" and len(move.faces) > 1:
            found.append(LIFTING)
        elif move.act in ("scrape", "rub", "machine"):
            found.append(SCRAPING)
    return tuple(dict.fromkeys(found))
