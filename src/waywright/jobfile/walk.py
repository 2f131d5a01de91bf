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
    """Every header, key and list element of a valid TOML text, in order."""
    return _Walker(text).events()


def line_of(text: str, path: Path) -> int | None:
    """The line, from 1, on which `path` or else the nearest thing around it stands; None for the file as a whole."""
    try:
        starts: dict[Path, int] = {}
        for event in walk(text):
            starts.setdefault(event.path, event.start)
    except (ValueError, IndexError, RecursionError):  # nesting as deep as that has no line worth naming
        return None
    while path and path not in starts:
        path = path[:-1]
    return text.count("\n", 0, starts[path]) + 1 if path else None


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
        self.tokens = [(m.lastgroup, m.start(), m.end()) for m in _TOKEN.finditer(text) if m.lastgroup != "comment"]
        self.at = 0
        self.counts: dict[Path, int] = {}  # how many elements each [[array]] has so far

    def events(self) -> Iterator[Event]:
        here: Path = ()
        while self.at < len(self.tokens):
            kind, start, end = self.tokens[self.at]
            if kind == "newline":
                self.at += 1
            elif self.text[start:end] == "[":
                here = self.header()
                yield Event(here, start, header=True)
            else:
                yield from self.pair(here)

    def is_mark(self, mark: str) -> bool:
        kind, start, _ = self.tokens[self.at]
        return kind == "mark" and self.text[start] == mark

    def header(self) -> Path:
        """[a.b] or [[a.b]]: the path of the table it opens, arrays met on the way by their last element."""
        self.at += 1
        array = self.is_mark("[")
        self.at += array
        parts = self.key()
        self.at += 2 if array else 1
        path: Path = ()
        for i, part in enumerate(parts):
            path = (*path, part)
            last = i == len(parts) - 1
            if last and array:
                self.counts[path] = self.counts.get(path, 0) + 1
            if path in self.counts:
                path = (*path, self.counts[path] - 1)
        return path

    def key(self) -> list[str]:
        """A bare, quoted or dotted key."""
        parts = []
        while True:
            kind, start, end = self.tokens[self.at]
            raw = self.text[start:end]
            if kind == "string":
                raw = raw[1:-1] if raw[0] == "'" else _ESCAPED.sub(_unescape, raw[1:-1])
            parts.append(raw)
            self.at += 1
            if not self.is_mark("."):
                return parts
            self.at += 1

    def pair(self, here: Path) -> Iterator[Event]:
        start = self.tokens[self.at][1]
        path = here
        for part in self.key():
            path = (*path, part)
            yield Event(path, start)
        self.at += 1  # the equals sign
        yield from self.value(path)

    def value(self, path: Path) -> Iterator[Event]:
        if self.is_mark("["):
            yield from self.array(path)
        elif self.is_mark("{"):
            self.at += 1
            self.skip()
            while not self.is_mark("}"):
                yield from self.pair(path)
                self.skip(",")
            self.at += 1
        else:  # a scalar, which may hold points: 1.5, 07:32:00.5
            while self.at < len(self.tokens) and (self.tokens[self.at][0] in ("bare", "string") or self.is_mark(".")):
                self.at += 1

    def array(self, path: Path) -> Iterator[Event]:
        self.at += 1
        self.skip()
        index = 0
        while not self.is_mark("]"):
            element = (*path, index)
            yield Event(element, self.tokens[self.at][1])
            yield from self.value(element)
            self.skip(",")
            index += 1
        self.at += 1

    def skip(self, also: str = "") -> None:
        """Pass newlines, and the comma between elements."""
        while self.tokens[self.at][0] == "newline" or (also and self.is_mark(also)):
            self.at += 1


def _unescape(match: re.Match[str]) -> str:
    code = match.group(1) or match.group(2)
    return chr(int(code, 16)) if code else _ESCAPES.get(match.group(3), match.group(3))
