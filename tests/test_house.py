"""The house: who may import whom (ARCHITECTURE.md), and what the core keeps away from.

A new room is one line in ARROWS. A wrong arrow is mended, not added to EXCEPTIONS, unless there is a reason to write
beside it.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from graphlib import TopologicalSorter
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType

import grimp
import pytest

from waywright.core.readings import KINDS

# Each room and the rooms it stands on; it may import those, and whatever they stand on. Rooms may be still to build.
ARROWS: dict[str, set[str]] = {
    "waywright": set(),  # the version; importing it must cost nothing
    "waywright.process": set(),  # signals and streams; knows no subject
    "waywright.units": set(),
    "waywright.kernels": set(),  # whether kernels are compiled; knows no subject
    "waywright.progress": set(),  # how far long work is; knows no subject
    "waywright.core": set(),
    "waywright.core.evidence": {"waywright.units"},  # what is known, as typed; the forms of what comes out
    "waywright.core.readings": {"waywright.core.evidence"},  # a class a kind; blocks and the stacks they make
    # numbers only: no faces, no networks
    "waywright.core.judge": {"waywright.units", "waywright.kernels", "waywright.progress"},
    "waywright.core.adjust": {"waywright.core.evidence", "waywright.kernels"},  # never body: report hands bends
    "waywright.core.body": {"waywright.core.evidence"},
    "waywright.core.blue": {"waywright.core.evidence"},
    # from a solution to what was asked, and what a lay-up should show
    "waywright.core.results": {"waywright.core.adjust", "waywright.core.readings", "waywright.core.judge"},
    "waywright.core.work": {"waywright.core.results"},  # where metal comes off, and what a hand takes
    "waywright.core.bed": {"waywright.core.work", "waywright.core.body"},
    "waywright.core.next": {"waywright.core.bed", "waywright.core.blue"},  # what to do next
    "waywright.core.report": {"waywright.core.next"},
    "waywright.jobfile": {"waywright.core.report", "waywright"},
    "waywright.record": {"waywright.jobfile"},  # a job leaves the book as a job file; both check what goes in
    "waywright.views": {"waywright.core.report", "waywright"},
    "waywright.demo": {"waywright.jobfile"},  # the sample shop is a job file that ships with the package
    "waywright.papers": {"waywright.views", "waywright.record", "waywright.jobfile"},
    "waywright.web": {"waywright.papers", "waywright.demo", "waywright.process"},
    "waywright.book_commands": {"waywright.record", "waywright.views"},  # apart, so that `--help` loads no book
    "waywright.scripting": {"waywright.views", "waywright.jobfile"},  # the door for scripts
    "waywright.cli": {"waywright.web", "waywright.book_commands"},
    "waywright.__main__": {"waywright.cli"},
}

# (importer, imported): why this one arrow may run the other way.
EXCEPTIONS: dict[tuple[str, str], str] = {
    ("waywright", "waywright.scripting"): "fetched when a script first uses one of its names, and not before",
}

# (module, kind of reading it names): why it names one, where others ask any kind what they want to know of it.
KINDS_NAMED: dict[tuple[str, str], str] = {
    ("waywright.cli", "Laid"): "`expect` asks about two faces that nobody laid up yet",
    ("waywright.core.results.expect", "Blue"): "the answer to what was expected is kept as blue marks",
    ("waywright.demo", "LayUp"): "the sample shop reads its edges in lay-ups",
    ("waywright.web.pages.shop", "LayUp"): "a job begins with a lay-up",
    ("waywright.web.pages.specimens", "LayUp"): "shows a lay-up that touches",
}

# What the core may take from outside: numbers, and the parts of the standard library that touch nothing.
PURE = {
    *("numpy", "scipy", "numba"),
    *(
        "__future__",
        "abc",
        "bisect",
        "collections",
        "contextlib",
        "contextvars",
        "copy",
        "dataclasses",
        "datetime",
        "difflib",
    ),
    *(
        "decimal",
        "enum",
        "fractions",
        "functools",
        "hashlib",
        "heapq",
        "itertools",
        "math",
        "numbers",
        "operator",
        "re",
    ),
    *("statistics", "string", "textwrap", "types", "typing", "unicodedata", "warnings"),
}

# Calls that would read a file, the clock or the keyboard, or write to the screen.
TOUCHING = {"open", "print", "input", "now", "today", "utcnow", "read_text", "read_bytes", "write_text", "write_bytes"}
TOUCHING |= {"fromfile", "tofile", "loadtxt", "savetxt", "genfromtxt", "save", "savez", "memmap"}


@cache
def graph() -> grimp.ImportGraph:
    """Every import of the package, as it stands in the source, function-local and type-only ones included."""
    return grimp.build_graph("waywright", include_external_packages=True, cache_dir=None)


def ours() -> list[str]:
    """Every module of the package."""
    return sorted(module for module in graph().modules if module.split(".")[0] == "waywright")


def room_of(module: str, rooms: Iterable[str]) -> str | None:
    """The innermost room that holds the module. A package that is only a corridor holds itself alone."""
    corridors = {"waywright", "waywright.core"}
    held = [room for room in rooms if module == room or (module.startswith(room + ".") and room not in corridors)]
    return max(held, key=len, default=None)


def reach(arrows: dict[str, set[str]]) -> dict[str, set[str]]:
    """What each room may import: itself, what it stands on, and what that stands on. CycleError if it is a circle."""
    allowed: dict[str, set[str]] = {}
    for room in TopologicalSorter(arrows).static_order():
        allowed[room] = {room}.union(*(allowed[below] for below in arrows.get(room, set())))
    return allowed


def wrong_arrows(imports: Iterable[tuple[str, str]], arrows: dict[str, set[str]]) -> list[tuple[str, str]]:
    """Those of the (importer, imported) pairs that no arrow allows."""
    allowed = reach(arrows)
    wrong = []
    for importer, imported in imports:
        upper, lower = room_of(importer, arrows), room_of(imported, arrows)
        if upper is None or lower is None or lower not in allowed[upper]:
            wrong.append((importer, imported))
    return wrong


def all_imports() -> list[tuple[str, str]]:
    """Every (importer, imported) pair within the package."""
    return [
        (importer, imported)
        for importer in ours()
        for imported in sorted(graph().find_modules_directly_imported_by(importer))
        if imported.split(".")[0] == "waywright"
    ]


def test_every_module_belongs_to_a_room() -> None:
    """A module in no room is known to no arrow: it gets a line in ARROWS, or moves into a room."""
    assert [module for module in ours() if room_of(module, ARROWS) is None] == []


def test_arrows_hold() -> None:
    """No room imports one that does not stand below it, except where EXCEPTIONS says why."""
    assert [pair for pair in wrong_arrows(all_imports(), ARROWS) if pair not in EXCEPTIONS] == []


def test_exceptions_are_still_needed() -> None:
    """An exception that nothing needs any more is deleted."""
    assert set(EXCEPTIONS) - set(wrong_arrows(all_imports(), ARROWS)) == set()


def test_a_wrong_arrow_is_seen() -> None:
    """Arrows that run up, across or to an unknown room are found; those that run down, near or far, are not."""
    right = [
        ("waywright.core.results.expect", "waywright.core.readings.layup"),
        ("waywright.core.report", "waywright.units"),
        ("waywright.core.work.maps", "waywright.core.judge.zones"),
        ("waywright.cli", "waywright.core.judge"),
    ]
    wrong = [
        ("waywright.core.adjust.network", "waywright.core.body.sag"),
        ("waywright.core.judge.zones", "waywright.core.evidence.things"),
        ("waywright.core.readings.layup", "waywright.core.adjust"),
        ("waywright.units", "waywright.core.evidence.things"),
        ("waywright.core.report", "waywright.views"),
        ("waywright.jobfile", "waywright.record"),
        ("waywright.core.evidence.things", "waywright.core.attic"),
    ]
    assert wrong_arrows(right + wrong, ARROWS) == wrong


def sources() -> Iterator[tuple[str, ast.Module]]:
    """Each module of the package, parsed."""
    found = find_spec("waywright")
    assert found is not None
    assert found.submodule_search_locations
    package = Path(found.submodule_search_locations[0])
    for path in sorted(package.rglob("*.py")):
        name = ".".join(("waywright", *path.relative_to(package).with_suffix("").parts))
        yield name.removesuffix(".__init__"), ast.parse(path.read_text(encoding="utf-8"))


def kinds_named(tree: ast.Module) -> set[str]:
    """The kinds of reading that a module imports, and the bases they share."""
    names = {kind.__name__ for kind in KINDS.values()} | {"Laid"}
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    ours = [node for node in imports if str(node.module).startswith("waywright.core.readings")]
    return names & {alias.name for node in ours for alias in node.names}


def lists_compared(tree: ast.Module) -> list[int]:
    """The lines on which the list a reading stands in is compared with a word: `reading.entry == "spacers"`."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            asks = any(isinstance(side, ast.Attribute) and side.attr == "entry" for side in sides)
            if asks and any(isinstance(side, ast.Constant | ast.Tuple | ast.Set) for side in sides):
                found.append(node.lineno)
    return sorted(found)


def test_no_kind_of_reading_is_asked_for_by_its_name() -> None:
    """Outside `core/readings` no module names a kind, or one of its lists, but where KINDS_NAMED
    says why; a kind is asked what it is (`lying`, `rests`, `by_stacks`), so that a new one is treated as it says."""
    named, compared = set(), {}
    for module, tree in sources():
        if not module.startswith("waywright.core.readings"):
            named |= {(module, kind) for kind in kinds_named(tree)}
            compared[module] = lists_compared(tree)
    assert named == set(KINDS_NAMED)
    assert {module: lines for module, lines in compared.items() if lines} == {}


def test_a_kind_asked_for_by_its_name_is_seen() -> None:
    """The check above finds an import of a kind from any module of the room, and a list compared with a word."""
    tree = ast.parse(
        "from waywright.core.readings import KINDS, LayUp\nfrom waywright.core.readings.laid import Laid as L\n"
        "from waywright.core.evidence.lying import Lying\n"
        "a = [r for r in s if r.entry == 'spacers']\nb = 'gaps' != r.entry\nc = r.entry == entry.name\n"
        "d = r.entry in ('stops', 'gaps')\n"
    )
    assert kinds_named(tree) == {"LayUp", "Laid"}
    assert lists_compared(tree) == [4, 5, 7]


def test_core_takes_only_numbers_from_outside() -> None:
    """The core imports numpy, scipy, numba and those parts of the standard library that touch nothing outside."""
    taken = {
        (module, imported)
        for module in ours()
        if module.startswith("waywright.core")
        for imported in graph().find_modules_directly_imported_by(module)
        if imported.split(".")[0] not in PURE | {"waywright"}
    }
    assert taken == set()


def core_trees() -> Iterator[tuple[str, ast.Module]]:
    """Each source file of the core, parsed."""
    found = find_spec("waywright")
    assert found is not None
    assert found.submodule_search_locations
    core = Path(found.submodule_search_locations[0]) / "core"
    for path in sorted(core.rglob("*.py")):
        yield str(path.relative_to(core)), ast.parse(path.read_text(encoding="utf-8"))


def calls_that_touch(tree: ast.Module) -> list[tuple[int, str]]:
    """(line, name) of each call in the tree whose name is one of TOUCHING."""
    called = [(node.lineno, node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)]
    named = [(line, f.attr if isinstance(f, ast.Attribute) else getattr(f, "id", "")) for line, f in called]
    return [(line, name) for line, name in named if name in TOUCHING]


def test_core_reads_and_writes_nothing() -> None:
    """The core opens no file, prints nothing and never asks what time it is."""
    assert {name: found for name, tree in core_trees() if (found := calls_that_touch(tree))} == {}


def test_a_touching_call_is_seen() -> None:
    """The check above finds a call by plain and by dotted name, and leaves others alone."""
    tree = ast.parse("open('a')\nwhen = datetime.datetime.now()\nnp.sum([1])\n")
    assert calls_that_touch(tree) == [(1, "open"), (2, "now")]


def thawed(tree: ast.Module) -> list[str]:
    """Names of the dataclasses in the tree that are not frozen."""
    names = []
    for node in ast.walk(tree):
        if not isinstance(node, ast.ClassDef):
            continue
        for mark in node.decorator_list:
            if "frozen=True" not in ast.unparse(mark) and ast.unparse(mark).split("(")[0].endswith("dataclass"):
                names.append(node.name)
    return names


def test_core_dataclasses_are_frozen() -> None:
    """What goes into the core and what comes out cannot be changed on the way."""
    assert {name: found for name, tree in core_trees() if (found := thawed(tree))} == {}


# -- the picture


def drawn() -> ModuleType:
    """`docs/house.py`, which draws the picture."""
    path = Path(__file__).parents[1] / "docs" / "house.py"
    if not path.exists():
        pytest.skip("the documents are not here, so the picture of the house cannot be compared")
    found = spec_from_file_location("house", path)
    assert found is not None
    assert found.loader is not None
    house = module_from_spec(found)
    sys.modules["house"] = house  # its dataclasses look their module up
    found.loader.exec_module(house)
    return house


def test_the_picture_shows_what_the_source_imports() -> None:
    """Drawn anew from the imports of the source, the picture in ARCHITECTURE.md is the same; every arrow runs down."""
    house = drawn()
    assert house.PICTURE.read_text(encoding="utf-8") == house.house_svg(), "run docs/house.py, or mend the import"
    floor = {name: room.floor for name, room in house.ROOMS.items()}
    assert [(a, b) for a, b in house.arrows(house.imports()) if floor[a] <= floor[b]] == []


def test_every_room_is_in_the_picture_and_in_words() -> None:
    """No module is left out of the picture but the package's own doors, and ARCHITECTURE.md names each room."""
    house = drawn()
    left_out = {module for module in ours() if house.room_of(module) is None}
    assert left_out == {"waywright", "waywright.__main__", "waywright.core"}
    text = (Path(__file__).parents[1] / "ARCHITECTURE.md").read_text(encoding="utf-8")
    assert [room for room in house.ROOMS if f"`{room.replace('.', '/')}" not in text] == []
