"""Where things stand in a TOML text: the line of every key, the order of its blocks, and the text cut into sections.

The standard reader gives values without their places, and the writer that keeps comments gathers blocks of one name
that stand apart, which would change the order readings were taken in. So the text is walked once more here, only
where a place, an order or a cut is wanted, and only after the standard reader has accepted it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

Path = tuple[str | int, ...]

_TOKEN = re.compile(
    r'''
    (?P<string>  """(?:[^"\\]++|\\.|"(?!""))*+"{3,5} | \'\'\'(?:[^']++|'(?!''))*+'{3,5}
               | "(?:[^"\\\n]++|\\.)*+" | '[^'\n]*+' )
  | (?P<comment> \#[^\n]*+ )
  | (?P<newline> \n )
  | (?P<mark>    [\[\]{},=.] )
  | (?P<bare>    [^\s\[\]{},=."'\#]++ )
    ''',
    re.VERBOSE | re.DOTALL,
)  # fmt: skip
_ESCAPED = re.compile(r"\\(?:u([0-9a-fA-F]{4})|U([0-9a-fA-F]{8})|(.))")
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b"}


def written(path: Path) -> str:
    """A path as people read it: ("layups", 0, "gaps", 3) is "layups[0].gaps[3]"."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


@dataclass(frozen=True)
class Event:
    """A header, key or list element, and where it starts in the text."""

    path: Path
    start: int
    header: bool = False


def walk(text: str) -> Iterator[Event]:
    """Every header, key and list element of a valid TOML text, in order; may raise `ValueError` on any other."""
    return _Walker(text).events()


def line_of(text: str, path: Path) -> int | None:
    """The line, from 1, on which `path` or else the nearest thing around it stands; None for the file as a whole."""
    nearest, start = 0, 0  # how many parts of the path were found so far, and where
    try:
        for event in walk(text):
            same = _common(event.path, path)
            if same > nearest:
                nearest, start = same, event.start
            if nearest == len(path):
                break
    except (ValueError, RecursionError):  # nesting as deep as that has no line worth naming
        return None
    return text.count("\n", 0, start) + 1 if nearest else None


def _common(one: Path, other: Path) -> int:
    """How many parts two paths share from the start."""
    count = 0
    for a, b in zip(one, other, strict=False):
        if a != b:
            break
        count += 1
    return count


@dataclass(frozen=True)
class Chunk:
    """A piece of the text that reads on its own: one block with the comment above it. `path` () is what comes first."""

    path: Path
    text: str


def cut(text: str) -> list[Chunk]:
    """The text in chunks, one for each [table] and [[element]] with what is nested in it; joined they are the text.

    Raises `ValueError` when a nested header stands away from its element, so that no cut is possible.
    """
    marks: list[tuple[Path, int]] = [((), 0)]
    for event in walk(text):
        if not event.header:
            continue
        top = marks[-1][0]
        if event.path[: len(top)] == top and top and len(event.path) > len(top):
            continue  # nested in the chunk above
        if len(event.path) > 2 or any(event.path == path for path, _ in marks):
            raise ValueError("a nested header stands away from its element")
        marks.append((event.path, with_comment(text, event.start)))
    ends = [start for _, start in marks[1:]] + [len(text)]
    return [Chunk(path, text[start:end]) for (path, start), end in zip(marks, ends, strict=True)]


def with_comment(text: str, start: int) -> int:
    """The start of the header's line, or of the comment lines that stand directly above it."""
    line = text.rfind("\n", 0, start) + 1
    while line:
        above = text.rfind("\n", 0, line - 1) + 1
        if not text[above:line].lstrip().startswith("#"):
            break
        line = above
    return line


class _Walker:
    """Goes through the tokens of a text that is known to be valid TOML."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.tokens = _TOKEN.finditer(text)
        self.counts: dict[Path, int] = {}  # how many elements each [[array]] has so far
        self.step()

    def step(self) -> None:
        """On to the next token; comments are none."""
        for match in self.tokens:
            if match.lastgroup != "comment":
                self.kind, self.start, self.raw = match.lastgroup, match.start(), match.group()
                return
        self.kind, self.start, self.raw = None, len(self.text), ""

    def events(self) -> Iterator[Event]:
        here: Path = ()
        while self.kind:
            if self.kind == "newline":
                self.step()
            elif self.raw == "[":
                start = self.start
                here = self.header()
                yield Event(here, start, header=True)
            else:
                yield from self.pair(here)

    def header(self) -> Path:
        """[a.b] or [[a.b]]: the path of the table it opens, arrays met on the way by their last element."""
        self.step()
        array = self.raw == "["
        if array:
            self.step()
        parts = self.key()
        for _ in range(2 if array else 1):
            self.step()
        path: Path = ()
        for i, part in enumerate(parts):
            path = (*path, part)
            if array and i == len(parts) - 1:
                self.counts[path] = self.counts.get(path, 0) + 1
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return path

    def key(self) -> list[str]:
        """A bare, quoted or dotted key."""
        parts = []
        while True:
            raw = self.raw
            if self.kind == "string":
                raw = raw[1:-1] if raw[0] == "'" else _ESCAPED.sub(_unescape, raw[1:-1])
            parts.append(raw)
            self.step()
            if self.raw != ".":
                return parts
            self.step()

    def pair(self, here: Path) -> Iterator[Event]:
        start, path = self.start, here
        for part in self.key():
            path = (*path, part)
            yield Event(path, start)
        self.step()  # the equals sign
        yield from self.value(path)

    def value(self, path: Path) -> Iterator[Event]:
        if self.raw == "[":
            yield from self.array(path)
        elif self.raw == "{":
            self.step()
            self.skip()
            while self.raw != "}":
                yield from self.pair(path)
                self.skip(",")
            self.step()
        elif self.kind not in ("bare", "string"):
            raise ValueError("this is not TOML")
        else:  # a scalar, which may hold points: 1.5, 07:32:00.5
            while self.kind in ("bare", "string") or self.raw == ".":
                self.step()

    def array(self, path: Path) -> Iterator[Event]:
        self.step()
        self.skip()
        index = 0
        while self.raw != "]":
            yield Event((*path, index), self.start)
            yield from self.value((*path, index))
            self.skip(",")
            index += 1
        self.step()

    def skip(self, also: str = "\n") -> None:
        """Pass newlines, and the comma between elements."""
        while self.raw in ("\n", also):
            self.step()


def _unescape(match: re.Match[str]) -> str:
    code = match.group(1) or match.group(2)
    return chr(int(code, 16)) if code else _ESCAPES.get(match.group(3), match.group(3))
