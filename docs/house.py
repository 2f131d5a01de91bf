"""The picture of the house in ARCHITECTURE.md: every room, and an arrow from each to the rooms it stands on, as the
source imports them. What is reached through another room has no arrow of its own. `tests/test_house.py` compares."""

from __future__ import annotations

from dataclasses import dataclass
from graphlib import TopologicalSorter
from pathlib import Path

import grimp

PICTURE = Path(__file__).parent / "pictures" / "house.svg"
PACKAGE = "waywright."


@dataclass(frozen=True)
class Room:
    """Where a room stands: its floor, 0 at the ground; its middle, px from the left; and what it is for."""

    floor: int
    x: int
    words: str


ROOMS = {
    "units": Room(0, 560, "the one place that converts"),
    "kernels": Room(0, 330, "compiled, or plain numpy"),
    "progress": Room(0, 120, "how far long work is"),
    "core.evidence": Room(1, 560, "as typed; what comes out"),
    "core.body": Room(2, 545, "weight and warmth"),
    "core.readings": Room(2, 750, "a class a kind"),
    "core.judge": Room(2, 330, "zones, grades, decisions"),
    "core.adjust": Room(3, 525, "rows to shapes"),
    "core.results": Room(4, 520, "verdicts, who agrees"),
    "core.work": Room(5, 520, "where metal comes off"),
    "core.next": Room(6, 520, "the next move"),
    "core.report": Room(7, 520, "a job to its report"),
    "jobfile": Room(3, 110, "a job as text"),
    "record": Room(8, 110, "the book: all SQL"),
    "process": Room(8, 345, "signals and streams"),
    "views": Room(8, 565, "words, rounding, pictures"),
    "demo": Room(8, 785, "the sample shop"),
    "book_commands": Room(9, 110, "commands of the book"),
    "scripting": Room(9, 320, "the door for scripts"),
    "web": Room(9, 565, "the bench"),
    "cli": Room(10, 400, "the commands"),
}
HIGH, BOX, WIDE, ACROSS = 62, 40, 176, 900
TOP = max(room.floor for room in ROOMS.values())


def imports() -> set[tuple[str, str]]:
    """Every (room, room it imports from) of the source; the package's own front door, which only fetches, left out."""
    graph = grimp.build_graph("waywright", cache_dir=None)
    found = set()
    for module in graph.modules:
        for other in graph.find_modules_directly_imported_by(module):
            pair = room_of(module), room_of(other)
            if pair[0] and pair[1] and pair[0] != pair[1]:
                found.add(pair)
    return found  # type: ignore[return-value]


def room_of(module: str) -> str | None:
    """The room that holds a module."""
    name = module.removeprefix(PACKAGE)
    return next((room for room in ROOMS if name == room or name.startswith(f"{room}.")), None)


def arrows(pairs: set[tuple[str, str]]) -> list[tuple[str, str]]:
    """Those that no longer way leads along."""
    below: dict[str, set[str]] = {room: {b for a, b in pairs if a == room} for room in ROOMS}
    reach: dict[str, set[str]] = {}
    for room in TopologicalSorter(below).static_order():
        reach[room] = below[room].union(*(reach[b] for b in below[room]))
    kept = [(a, b) for a, b in pairs if not any(b in reach[c] for c in below[a] if c != b)]
    return sorted(kept)


def house_svg() -> str:
    """The picture."""
    high = HIGH * (TOP + 1) + 20
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {ACROSS} {high}" role="img" '
        'font-family="DejaVu Sans, sans-serif" font-size="12" fill="#1d2226">',
        "<title>The rooms of the house; each arrow runs to a room below, which knows nothing of those above</title>",
        '<defs><marker id="tip" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="7" markerHeight="7" orient="auto">'
        '<path d="M0 0 8 4 0 8" fill="none" stroke="#5b6670"/></marker></defs>',
        f'<rect width="{ACROSS}" height="{high}" fill="#faf9f5"/>',
    ]
    within = [room for name, room in ROOMS.items() if name.startswith("core.")]
    core = [_top(room) for room in within]
    left, right = min(r.x for r in within) - WIDE // 2 - 12, max(r.x for r in within) + WIDE // 2 + 12
    parts.append(
        f'<rect x="{left}" y="{min(core) - 14}" width="{right - left}" height="{max(core) - min(core) + BOX + 26}" '
        'fill="none" stroke="#b9bfc4" stroke-dasharray="4 4"/>'
        f'<text x="{left + 8}" y="{min(core) + 2}" fill="#5b6670">core</text>'
    )
    for upper, lower in arrows(imports()):
        a, b = ROOMS[upper], ROOMS[lower]
        shift = max(-60, min(60, (b.x - a.x) // 4))
        parts.append(
            f'<path d="M{a.x + shift} {_top(a) + BOX} L{b.x - shift} {_top(b)}" fill="none" stroke="#5b6670" '
            f'marker-end="url(#tip)"><title>{upper} stands on {lower}</title></path>'
        )
    for name, room in ROOMS.items():
        x, y, short = room.x - WIDE // 2, _top(room), name.removeprefix("core.")
        parts.append(
            f'<rect x="{x}" y="{y}" width="{WIDE}" height="{BOX}" fill="#ffffff" stroke="#1d2226"/>'
            f'<text x="{room.x}" y="{y + 16}" text-anchor="middle" font-weight="bold">{short}</text>'
            f'<text x="{room.x}" y="{y + 32}" text-anchor="middle" font-size="11">{room.words}</text>'
        )
    return "\n".join([*parts, "</svg>", ""])


def _top(room: Room) -> int:
    """Where its box begins, from above."""
    return 14 + HIGH * (TOP - room.floor)


if __name__ == "__main__":
    PICTURE.write_text(house_svg(), encoding="utf-8")
    print(f"drawn: {PICTURE.name}")
