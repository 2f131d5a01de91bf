"""A photograph keeps its picture and loses its place."""

from __future__ import annotations

import io
import random
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.ExifTags import IFD, Base
from starlette.testclient import TestClient

from waywright.core.evidence.job import Job
from waywright.record import Book, PlaceStays
from waywright.record.photographs import placed, tells_place, without_place
from waywright.web.app import bench_app

NORTH = {1: "N", 2: (47.0, 22.0, 33.25), 3: "E", 4: (8.0, 32.0, 12.5), 29: "2026:11:25"}
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF><rdf:Description exif:GPSLatitude="47,22.5N" tiff:Make="camera"/>'
    b"</rdf:RDF></x:xmpmeta>"
)


def picture() -> Image.Image:
    """Marks of blue on metal."""
    marks = np.random.default_rng(20261125).integers(0, 255, (48, 64, 3), dtype=np.uint8)
    return Image.fromarray(marks)


def exif(*, place: bool = True) -> Image.Exif:
    """What a camera writes beside a picture."""
    found = Image.Exif()
    found[Base.Make], found[Base.Orientation], found[Base.DateTime] = "camera", 6, "2026:11:25 14:07:00"
    found.get_ifd(IFD.Exif)[Base.ExposureTime] = 0.01
    if place:
        found.get_ifd(IFD.GPSInfo).update(NORTH)
    return found


def photograph(kind: str, *, place: bool = True, **more: object) -> bytes:
    """A file of a kind, with the place or without."""
    file = io.BytesIO()
    picture().save(file, kind, exif=exif(place=place), **more)
    return file.getvalue()


def read(data: bytes) -> Image.Image:
    """The picture in a file."""
    found = Image.open(io.BytesIO(data))
    found.load()
    return found


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_the_place_goes_and_the_picture_stays(kind: str) -> None:
    """Every dot of the picture and all else that was said of it is as it was; where it was taken is nowhere."""
    data = photograph(kind)
    cleaned = without_place(data)
    assert (cleaned.found, cleaned.stays) == (True, False)
    before, after = read(data), read(cleaned.data)
    assert np.array_equal(np.asarray(before), np.asarray(after))
    assert before.getexif().get_ifd(IFD.GPSInfo)
    assert not after.getexif().get_ifd(IFD.GPSInfo)
    assert IFD.GPSInfo not in after.getexif()
    for tag in (Base.Make, Base.Orientation, Base.DateTime):
        assert after.getexif()[tag] == before.getexif()[tag]
    assert after.getexif().get_ifd(IFD.Exif) == before.getexif().get_ifd(IFD.Exif)
    assert len(cleaned.data) == len(data)
    assert b"2026:11:25\x00" not in cleaned.data.replace(b"2026:11:25 14", b"")  # the day of the place is gone too
    assert struct.pack(">L", 3325) not in cleaned.data  # and its seconds, 33.25
    assert without_place(cleaned.data).data == cleaned.data
    assert not without_place(cleaned.data).found


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "GIF", "BMP"])
def test_what_tells_no_place_is_kept_byte_for_byte(kind: str) -> None:
    """A file without a place is kept as it is, whatever else is in it."""
    file = io.BytesIO()
    picture().save(file, kind)
    for data in (file.getvalue(), photograph(kind, place=False) if kind not in ("GIF", "BMP") else b"", b"", b"text"):
        assert placed(data, "a", keep=False) == (data, None)
        assert placed(data, "a", keep=True) == (data, None)


def test_the_coded_picture_of_a_jpeg_is_not_touched() -> None:
    """From the first table to the end of the file not one byte changes; before it only what told the place."""
    data = photograph("JPEG", quality=95)
    cleaned = without_place(data).data
    tables = data.index(b"\xff\xdb")
    assert cleaned[tables:] == data[tables:]
    assert cleaned[:20] == data[:20]


def test_words_beside_the_picture_go_too() -> None:
    """A place named in XMP or IPTC, in one piece or several, goes; a picture in the same file loses its own."""
    bare = photograph("JPEG", place=False)
    iptc = b"Photoshop 3.0\x008BIM\x04\x04\x00\x00\x00\x00\x00\x0c\x1c\x02\x5a\x00\x07Z\xfcrich."

    def block(marker: bytes, payload: bytes) -> bytes:
        return b"\xff" + marker + struct.pack(">H", len(payload) + 2) + payload

    head = b"http://ns.adobe.com/xmp/extension/\x00" + b"0" * 32 + bytes(8)
    named = XMP.index(b"GPSLatitude") + 4
    cases = [
        block(b"\xe1", b"http://ns.adobe.com/xap/1.0/\x00" + XMP),
        block(b"\xe1", head + XMP[:named]) + block(b"\xe1", head + XMP[named:]),
        block(b"\xed", iptc),
    ]
    for more in cases:
        data = bare[:2] + more + bare[2:]
        cleaned = without_place(data)
        assert (cleaned.found, cleaned.stays, len(cleaned.data)) == (True, False, len(data))
        assert np.array_equal(np.asarray(read(cleaned.data)), np.asarray(read(data)))
        assert cleaned.data[2 + len(more) :] == data[2 + len(more) :]
    two = bare + photograph("JPEG")
    cleaned = without_place(two)
    assert (cleaned.found, cleaned.stays) == (True, False)
    assert not read(cleaned.data[len(bare) :]).getexif().get_ifd(IFD.GPSInfo)


def test_texts_of_a_png_go_too() -> None:
    """XMP and older ways of keeping Exif in a PNG go whole where they name a place; other texts stay."""
    bare = photograph("PNG", place=False)

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">L", len(body)) + kind + body + struct.pack(">L", zlib.crc32(kind + body))

    at = bare.index(b"IDAT") - 4
    kept = chunk(b"tEXt", b"Comment\x00blue on Alder")
    for gone in (
        chunk(b"iTXt", b"XML:com.adobe.xmp\x00\x00\x00\x00\x00" + XMP),
        chunk(b"zTXt", b"Raw profile type exif\x00\x00" + zlib.compress(b"exif 12 4578")),
    ):
        cleaned = without_place(bare[:at] + gone + kept + bare[at:])
        assert cleaned.found
        assert cleaned.data == bare[:at] + kept + bare[at:]


def test_what_cannot_lose_its_place_is_asked_for(tmp_path: Path) -> None:
    """A TIFF, a film behind a photograph and a file of HEIC's kind that tell a place are not kept unless that is
    wanted; the sentence says what to do."""
    heic = b"\x00\x00\x00\x18ftypheic" + bytes(40) + photograph("JPEG")[24:400]
    film = b"\x00\x00\x00\x18ftypmp42" + bytes(8) + b"\xa9xyz\x00\x12\x15\xc7+47.37+8.5/"
    with Book.open(tmp_path / "book.sqlite") as book:
        number = book.begin(Job())
        for data in (TIFF, heic, photograph("JPEG", place=False) + film):
            with pytest.raises(PlaceStays, match="save it as JPEG or PNG first, or keep the place knowingly"):
                book.attach(number, "a", "image/x", data)
            book.attach(number, "a", "image/x", data, keep_place=True)
        assert [one.place for one in book.snapshot(number).attachments] == ["kept"] * 3


TIFF = exif().tobytes()[6:]  # a block of Exif by itself is one
FILES = {kind: photograph(kind) for kind in ("JPEG", "PNG", "WEBP")} | {"TIFF": TIFF}


@settings(max_examples=300)
@given(rng=st.randoms(use_true_random=False), kind=st.sampled_from(["JPEG", "PNG", "WEBP", "TIFF"]))
def test_no_file_breaks_it(rng: random.Random, kind: str) -> None:
    """Files with bytes changed anywhere, cut short or doubled: an answer each time, never a longer file, and what is
    given back as free of a place tells none."""
    data = bytearray(FILES[kind])
    for _ in range(rng.randrange(1, 12)):
        at = rng.randrange(min(len(data), rng.choice([400, len(data)])))
        data[at] = rng.choice([0, 1, 8, 0x25, 0x88, 0xFF, 0xE1])
    if rng.random() < 0.2:
        del data[rng.randrange(len(data)) :]
    cleaned = without_place(bytes(data))
    assert len(cleaned.data) <= len(data)
    assert cleaned.stays == tells_place(cleaned.data)
    if not cleaned.found:
        assert cleaned.data == data


def test_many_blocks_cost_no_time() -> None:
    """A file made of nothing but blocks and entries that point at each other is answered at once."""
    directory = b"MM\x00*\x00\x00\x00\x08" + struct.pack(">H", 5000) + struct.pack(">HHLL", 0x8825, 4, 1, 8) * 5000
    block = b"\xff\xe1" + struct.pack(">H", 60_010) + b"Exif\x00\x00" + directory + bytes(4)
    without_place(b"\xff\xd8" + block * 200)
    without_place(b"MM\x00*\x00\x00\x00\x08" * 1_000_000)
    without_place(b"\xff\xd8" + b"\xff\xe1\x00\x08Exif\x00\x00" * 500_000)


def test_the_page_takes_the_place_out_and_says_so(tmp_path: Path) -> None:
    """Beside the upload stands what is done, and a tick to keep the place; the list says for each what became of it."""
    with Book.open(tmp_path / "book.sqlite") as book:
        number = book.begin(Job())
        client = TestClient(bench_app(book), base_url="http://127.0.0.1:8731")
        url = f"/jobs/{number}/papers"
        text = client.get(url).text
        assert "Where a photograph was taken is taken out of it" in text
        assert 'type="checkbox" name="keep_place"' in text
        files = {"file": ("blue.jpg", photograph("JPEG"))}
        client.post(url, files=files)
        client.post(url, files=files, data={"keep_place": "yes"})
        client.post(url, files={"file": ("bare.jpg", photograph("JPEG", place=False))})
        gone, kept, bare = client.get(url).context["page"].papers
        assert gone.told.endswith(", without where it was taken")
        assert kept.told.endswith(", with where it was taken")
        assert "where" not in bare.told
        assert not tells_place(client.get(gone.url).content)
        assert client.get(kept.url).content == photograph("JPEG")
        refused = client.post(url, files={"file": ("blue.tif", TIFF)}, data={"note": "in oil"})
        assert refused.status_code == 422
        assert "keep the place knowingly" in refused.context["page"].problem
        assert next(f.value for f in refused.context["page"].fields if f.name == "note") == "in oil"
