"""From a Job to the text of a job file: a whole new one, or the least change to one that is there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any, NamedTuple

import tomlkit
from tomlkit.items import AoT

from waywright.core.evidence.job import Job
from waywright.jobfile.plain import Plain, Rows, Section, sections
from waywright.jobfile.walk import Chunk, Path, cut, walk, with_comment


def whole_text(job: Job) -> str:
    """The job in our own layout."""
    return "\n".join(_section_text(section) for section in sections(job) if section.path or section.table)


def onto_text(job: Job, before: Job, text: str) -> str:
    """`text`, which says `before`, changed to say `job`; raises where its layout does not allow that."""
    old = {section.path: section for section in sections(before)}
    stays = {(s.group, s.id): s for s in sections(job)}
    chunks = {chunk.path: _Edited(chunk) for chunk in cut(text)}
    homes = {path: max((p for p in chunks if path[: len(p)] == p), key=len) for path in old}
    for path, section in reversed(old.items()):  # from the end, so that what is taken out moves nothing still to come
        now = stays.get((section.group, section.id))
        if now is not None:
            chunks[homes[path]].change(path, section.table, now.table)
        elif homes[path] != path:
            chunks[homes[path]].remove(path)
    at_home = {(s.group, s.id): path for path, s in old.items() if path and homes[path] == path}
    at_home = {key: path for key, path in at_home.items() if key in stays}
    housed = {(s.group, s.id) for path, s in old.items() if homes[path] != path or not path}
    queues: dict[str, list[Part]] = {}
    for key, section in stays.items():
        if key in at_home:
            queues.setdefault(section.group, []).append(Part(chunks[at_home[key]].text))
        elif key not in housed:
            queues.setdefault(section.group, []).append(Part(_section_text(section), new=True))
    slots = [old[path].group if path in at_home.values() else None if path and path in old else "" for path in chunks]
    return _joined(list(_arranged(list(chunks.values()), slots, queues)))


class Part(NamedTuple):
    """The text of a section, and whether it is new in the file."""

    text: str
    new: bool = False


def _arranged(chunks: list[_Edited], slots: list[str | None], queues: dict[str, list[Part]]) -> Iterator[Part]:
    """The parts in their new order: what stays in the slots there are, what is new behind its neighbour.

    `slots`: for each chunk the group of its section, None when it was taken out, "" when it is none of ours.
    """
    left = Counter(slots)
    for chunk, group in zip(chunks, slots, strict=True):
        if group is None:
            continue
        if group == "":
            yield Part(chunk.text)
            continue
        queue = queues[group]
        left[group] -= 1
        kept = False
        while queue and (not kept or not left[group]):
            kept = not queue[0].new or kept
            yield queue.pop(0)
    for queue in queues.values():
        yield from queue


def _joined(parts: list[Part]) -> str:
    """One text, with an empty line around what is new."""
    text = ""
    after_new = False
    for part in parts:
        if text and not text.endswith("\n"):
            text += "\n"
        if text and (part.new or after_new) and part.text and not text.endswith("\n\n"):
            text += "\n"
        text += part.text
        after_new = part.new
    return text


class _Edited:
    """A chunk of the text; it goes through the writing library only when something in it changes."""

    def __init__(self, chunk: Chunk) -> None:
        self.path = chunk.path
        self._text = chunk.text
        self._document: tomlkit.TOMLDocument | None = None

    @property
    def text(self) -> str:
        return self._text if self._document is None else tomlkit.dumps(self._document)

    def change(self, path: Path, before: Plain, after: Plain) -> None:
        if before == after:
            return
        if self.path == path and path:
            self._make_room(after)
        _merge(self._find(path), before, after)

    def _make_room(self, after: Plain) -> None:
        """Write keys that are new above the lists, where a person looks for them; the library would put them last."""
        home = tuple(0 if isinstance(part, int) else part for part in self.path)
        deep = len(home)
        events = [event for event in walk(self._text) if event.path[:deep] == home and len(event.path) > deep]
        there = {event.path[deep] for event in events}
        lists = [event.start for event in events if isinstance(after.get(str(event.path[deep])), Rows)]
        new = [key for key, value in after.items() if key not in there and not isinstance(value, Rows)]
        if lists and new:
            at = with_comment(self._text, lists[0])
            self._text = self._text[:at] + "".join(_pair_text(key, after[key]) for key in new) + self._text[at:]

    def remove(self, path: Path) -> None:
        del self._find(path[:-1])[path[-1]]

    def _find(self, path: Path) -> Any:
        """The table at `path`; an element that has a chunk of its own is the first in it."""
        if self._document is None:
            self._document = tomlkit.parse(self._text)
        found: Any = self._document
        for i, part in enumerate(path):
            found = found[0 if isinstance(part, int) and i < len(self.path) else part]
        return found


def _merge(table: Any, before: Plain, after: Plain) -> None:
    """Change in `table`, which says `before`, only what differs from `after`."""
    for key in before.keys() - after.keys():
        table.pop(key, None)
    for key, value in after.items():
        was = before.get(key)
        if was == value:
            continue
        if isinstance(value, Rows) and isinstance(was, Rows) and _same_order(was, value):
            _merge_rows(table[key], was, value)
        elif isinstance(value, dict) and isinstance(was, dict):
            _merge(table[key], was, value)
        else:
            table[key] = tomlkit.parse(_pair_text(key, value))[key]


def _same_order(before: Rows, after: Rows) -> bool:
    was, stays = set(before.ids), set(after.ids)
    return [one for one in before.ids if one in stays] == [one for one in after.ids if one in was]


def _merge_rows(array: Any, before: Rows, after: Rows) -> None:
    """The same for a list of tables, each known by its identity."""
    was, stays = dict(zip(before.ids, before.tables, strict=True)), set(after.ids)
    for i in range(len(before.ids) - 1, -1, -1):
        if before.ids[i] not in stays:
            del array[i]
    for i, (one, table) in enumerate(zip(after.ids, after.tables, strict=True)):
        if one in was and (isinstance(array, AoT) or was[one] == table):
            _merge(array[i], was[one], table)
        elif isinstance(array, AoT):
            array.insert(i, tomlkit.parse(_body(table)))
        elif one in was:
            array[i] = _row({k: array[i][k] if was[one].get(k) == value else value for k, value in table.items()})
        else:
            array.insert(i, _row(table))


def _section_text(section: Section) -> str:
    """A section in our layout, ending in a line end."""
    return f"{section.header}\n{_body(section.table, section.header)}" if section.path else _body(section.table)


def _body(table: Plain, header: str = "") -> str:
    """The keys of a table a line; faces stand as blocks of their own, readings one a line."""
    blocks = {key: value for key, value in table.items() if isinstance(value, Rows) and key == "faces"}
    text = "".join(_pair_text(key, value) for key, value in table.items() if key not in blocks)
    for key, rows in blocks.items():
        for row in rows.tables:
            text += f"\n{header[:-2]}.{key}]]\n" + _body(row)
    return text


def _pair_text(key: str, value: Any) -> str:
    if isinstance(value, Rows):
        return f"{key} = [\n" + "".join(f"  {_inline(row)},\n" for row in value.tables) + "]\n"
    return f"{key} = {_value(value)}\n"


def _row(table: Plain) -> Any:
    return tomlkit.parse(f"row = {_inline(table)}")["row"]


def _inline(table: Plain) -> str:
    return "{ " + ", ".join(f"{tomlkit.key(key).as_string()} = {_value(value)}" for key, value in table.items()) + " }"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return _inline(value)
    if isinstance(value, list) and any(isinstance(one, dict) for one in value):
        return "[ " + ", ".join(map(_value, value)) + " ]"  # on one line: the library would make it a block of its own
    return str(tomlkit.item(value).as_string())
