"""Where a photograph was taken: found in what is kept beside the picture, and taken out of it.

A camera writes the place into the Exif block: in its first directory an entry, GPSInfo (tag 0x8825), points at a
directory of its own (CIPA DC-008, Exif 2.32, 4.6.3 and 4.6.6; from memory). The entry is taken out of the one and the
other is wiped where they stand: nothing moves, no other entry changes, the picture is not touched. XMP and IPTC blocks
that name a place are wiped whole. What cannot be taken out so is told, and it is for a person to decide.
"""

from __future__ import annotations

import itertools
import re
import struct
import zlib
from dataclasses import dataclass

from waywright.record.errors import PlaceStays

_GPS = 0x8825
_BELOW = (0x8769, 0x014A)  # directories that an entry points at: of Exif, and of further pictures
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}  # bytes of a value, by its type
_MOST_DIRECTORIES = 32
_MOST = 256  # blocks in one file, and entries in one block: more were put there to be found
_HEAD = re.compile(rb"II\*\x00|MM\x00\*")  # of an Exif block, in whatever kind of file
# FF E1 stands nowhere in the coded picture of a JPEG, where FF is followed by 00 or D0 to D7 (ITU-T T.81, B.1.1.5, from
# memory).
_JPEG_BLOCK = re.compile(
    rb"\xff(?:\xe1(?P<size>..)(?P<exif>Exif\x00\x00)|"
    rb"\xe1(?P<xmp_size>..)http://ns\.adobe\.com/(?:xap/1\.0|xmp/extension)/\x00|"
    rb"\xed(?P<iptc_size>..)Photoshop 3\.0\x00)",
    re.DOTALL,
)
_NAMED = re.compile(
    rb"GPS(?:Latitude|Longitude|Position|Coordinates)|Iptc4xmpCore:Location|LocationShown|LocationCreated|"
    rb"photoshop:(?:City|State|Country)|com\.apple\.quicktime\.location|\xa9xyz.{4}[+-][0-9]",
    re.DOTALL,
)
_IPTC = re.compile(rb"\x1c\x02[\x1a\x1b\x5a\x5c\x5f\x64\x65]")  # content location; city to country (IIM 4.2)
_PNG, _PNG_TEXTS = b"\x89PNG\r\n\x1a\n", (b"tEXt", b"zTXt", b"iTXt")
_PNG_NAMES = re.compile(rb"XML:com\.adobe\.xmp\x00|Raw profile type (?:exif|APP1|iptc|xmp)\x00", re.IGNORECASE)


@dataclass(frozen=True)
class Cleaned:
    """A file without the place; `found`: it told one before. `stays`: it tells one that cannot be taken out."""

    data: bytes
    found: bool
    stays: bool


def without_place(data: bytes) -> Cleaned:
    """A photograph (JPEG, PNG or WebP) without where it was taken; any other file as it is, with whether it tells."""
    changed, found = bytearray(data), False
    if data.startswith(b"\xff\xd8\xff"):
        found = _clean_jpeg(changed)
    elif data.startswith(_PNG):
        changed, found = _clean_png(data)
    elif data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        found = _clean_webp(changed)
    stays = tells_place(bytes(changed))
    return Cleaned(bytes(changed) if found else data, found or stays, stays)


def placed(data: bytes, name: str, *, keep: bool) -> tuple[bytes, str | None]:
    """A file as it is to be kept, and what became of its place: "removed", "kept", None where it tells none.

    Raises `PlaceStays` where it should go and cannot.
    """
    if keep:
        return data, "kept" if tells_place(data) else None
    cleaned = without_place(data)
    if cleaned.stays:
        raise PlaceStays(
            f"{name} tells where it was taken, which cannot be taken out of this kind of file; save it as JPEG or PNG "
            "first, or keep the place knowingly."
        )
    return cleaned.data, "removed" if cleaned.found else None


def tells_place(data: bytes) -> bool:
    """Whether a file tells where something was taken, as far as can be seen: in any Exif block in it, or by name."""
    blocks = list(itertools.islice(_HEAD.finditer(data), _MOST + 1))
    if len(blocks) > _MOST or any(_entries_of(data, block.start(), len(data), _GPS) for block in blocks):
        return True
    return _NAMED.search(data) is not None


def _clean_jpeg(data: bytearray) -> bool:
    """Of the picture, and of those that may follow it in the same file."""
    found, extensions = False, list[tuple[int, int]]()
    for match in itertools.islice(_JPEG_BLOCK.finditer(bytes(data)), _MOST):
        size = match["size"] or match["xmp_size"] or match["iptc_size"]
        start, end = match.end(), min(len(data), match.start() + 2 + int.from_bytes(size, "big"))
        if match["exif"] is not None:
            found |= _take_out(data, start, end)
        elif match["iptc_size"] is not None:
            found |= _wiped(data, match.start() + 4, end, _IPTC.search(data, start, end) is not None)
        elif b"/xmp/extension/" in match[0]:
            extensions.append((match.start() + 4, end))
        else:
            found |= _wiped(data, match.start() + 4, end, _NAMED.search(data, start, end) is not None)
    named = _NAMED.search(b"".join(bytes(data[start + 75 : end]) for start, end in extensions)) is not None
    for start, end in extensions:  # of one text in several pieces
        found |= _wiped(data, start, end, named)
    return found


def _wiped(data: bytearray, start: int, end: int, named: bool) -> bool:
    if named:
        data[start:end] = bytes(end - start)
    return named


def _clean_png(data: bytes) -> tuple[bytearray, bool]:
    out, at, found = bytearray(_PNG), len(_PNG), False
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        kind, body, end = data[at + 4 : at + 8], bytearray(data[at + 8 : at + 8 + size]), at + 12 + size
        if end > len(data):
            break
        if kind == b"eXIf" and _take_out(body, 0, len(body)):
            found = True
            out += data[at : at + 8] + body + zlib.crc32(kind + body).to_bytes(4, "big")
        elif kind in _PNG_TEXTS and _PNG_NAMES.match(body) and (kind == b"zTXt" or _named_in(body)):
            found = True  # a text beside the picture, gone whole
        else:
            out += data[at:end]
        at = end
        if kind == b"IEND":
            break
    return out + data[at:], found


def _named_in(body: bytes | bytearray) -> bool:
    """Whether a text of a PNG may name a place: in words, or in a form that is not read here."""
    return _NAMED.search(body) is not None or body.startswith(b"Raw profile") or body.find(b"\x00\x01\x00") > 0


def _clean_webp(data: bytearray) -> bool:
    at, found = 12, False
    while at + 8 <= len(data):
        kind, size = bytes(data[at : at + 4]), int.from_bytes(data[at + 4 : at + 8], "little")
        start, end = at + 8, min(len(data), at + 8 + size)
        if kind == b"EXIF":
            found |= _take_out(data, start + 6 * data.startswith(b"Exif\x00\x00", start), end)
        elif kind == b"XMP " and _NAMED.search(data, start, end):
            data[start:end] = b" " * (end - start)
            found = True
        at = start + size + size % 2
    return found


# Directories of the Exif block


def _take_out(data: bytearray, base: int, end: int) -> bool:
    """Take every GPSInfo entry out of the block from `base` to `end`, and wipe what it points at."""
    found = False
    for _ in range(_MOST_DIRECTORIES):
        at = next(iter(_entries_of(data, base, end, _GPS)), None)
        if at is None:
            break
        order = _order(data, base)
        directory, place = at
        (count,) = struct.unpack_from(order + "H", data, directory)
        (below,) = struct.unpack_from(order + "L", data, place + 8)
        last = directory + 2 + 12 * count
        data[place : last - 8] = data[place + 12 : last + 4]  # with where the next directory is
        data[last - 8 : last + 4] = bytes(12)
        struct.pack_into(order + "H", data, directory, count - 1)
        _wipe(data, order, base, base + below, end)
        found = True
    return found


def _wipe(data: bytearray, order: str, base: int, directory: int, end: int) -> None:
    """A directory and the values it points at, all zero."""
    if not base + 8 <= directory <= end - 2:
        return
    (count,) = struct.unpack_from(order + "H", data, directory)
    for place in range(directory + 2, min(directory + 2 + 12 * count, end - 11), 12):
        kind, many, value = _entry(data, order, place)
        size = _SIZES.get(kind, 1) * many
        if size > 4 and base + value + size <= end:
            data[base + value : base + value + size] = bytes(size)
    last = min(end, directory + 2 + 12 * count)
    data[directory:last] = bytes(last - directory)


def _entry(data: bytes | bytearray, order: str, place: int) -> tuple[int, int, int]:
    """The type, the count and the value of an entry."""
    kind, many, value = struct.unpack_from(order + "HLL", data, place + 2)
    return kind, many, value


def _order(data: bytes | bytearray, base: int) -> str:
    return "<" if data[base : base + 2] == b"II" else ">"


def _entries_of(data: bytes | bytearray, base: int, end: int, tag: int) -> list[tuple[int, int]]:
    """Where the entries with a tag are, each with its directory; none in what is no Exif block."""
    if not _HEAD.match(data, base) or base + 8 > end:
        return []
    order = _order(data, base)
    waiting, seen, found = list(struct.unpack_from(order + "L", data, base + 4)), set[int](), list[tuple[int, int]]()
    while waiting and len(seen) < _MOST_DIRECTORIES:
        offset = waiting.pop()
        directory = base + offset
        if offset < 8 or offset in seen or directory + 2 > end:
            continue
        seen.add(offset)
        (count,) = struct.unpack_from(order + "H", data, directory)
        if directory + 2 + 12 * count + 4 > end:
            continue
        for place in range(directory + 2, directory + 2 + 12 * count, 12):
            (own,) = struct.unpack_from(order + "H", data, place)
            if own == tag:
                found.append((directory, place))
            elif own in _BELOW:
                waiting.append(_entry(data, order, place)[2])
        waiting.append(struct.unpack_from(order + "L", data, directory + 2 + 12 * count)[0])
    return found
