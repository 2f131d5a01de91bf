"""A whole job as one file: it opens the same elsewhere, and no file can do harm."""

from __future__ import annotations

import io
import json
import random
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tests.record.conftest import ticking
from waywright import jobfile
from waywright.core.evidence.job import Job, Pass, Reading, Setting, Typed
from waywright.core.readings import KINDS, LayUp, Step
from waywright.record import Add, BadBundle, Book, BookError, By, Delete, Imported, Memo, Ref, TooLarge
from waywright.record.bundle import LARGEST, LOG, MANIFEST, MOST_FILES


def gap(x_mm: float = 30.0, mm: float = 20.007) -> Reading:
    return Reading("", "gaps", x_mm, -14.0, key="gap_mm", value=Typed(mm, "mm"))


@pytest.fixture
def other(tmp_path: Path) -> Book:
    """Another, empty book."""
    return Book.open(tmp_path / "elsewhere" / "other.sqlite", clock=ticking())


@pytest.fixture
def worked(book: Book, three: Job) -> int:
    """A job with a past: appended, corrected, deleted, undone, a photograph, a memo."""
    job_id = book.begin(three, By(who="Ann"))
    book.append(job_id, "layups[0]", [gap()], By(client="tab", sequence=1))
    book.correct(job_id, "layups[0].gaps[3]", 1, gap(255, 20.009))
    book.attach(job_id, "blue.jpg", "image/jpeg", bytes(1000), about=Ref("setting", "layups[0]"))
    book.change(job_id, Delete(Ref("setting", "layups[5]"), 1))
    book.undo(job_id)
    book.change(job_id, Add(Memo("m", "text")))
    return job_id


def exported(book: Book, job_id: int) -> bytes:
    """The file a person would carry away."""
    file = io.BytesIO()
    book.export(job_id, file)
    return file.getvalue()


def changed(data: bytes, change: Callable[[dict[str, bytes]], None], *, seal: bool = True) -> bytes:
    """The same file with its contents changed; with `seal` its manifest tells the new sizes and checksums."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    change(files)
    if seal:
        import hashlib

        about = json.loads(files[MANIFEST])
        about["files"] = {
            name: {"size": len(text), "sha256": hashlib.sha256(text).hexdigest()}
            for name, text in files.items()
            if name != MANIFEST
        }
        files[MANIFEST] = json.dumps(about).encode()
    return packed_up(files)


def packed_up(files: dict[str, bytes]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, text in files.items():
            packed.writestr(name, text)
    return file.getvalue()


def test_a_job_opens_the_same_elsewhere(book: Book, other: Book, worked: int) -> None:
    """The job, all its past, versions, attachments and what can be undone are the same in another book."""
    found = other.import_(io.BytesIO(exported(book, worked)))
    assert (found.acts, found.how) == (7, "new")
    here, there = book.snapshot(worked), other.snapshot(found.job_id)
    assert replace(there, id=here.id) == here
    assert [other.job(found.job_id, n) for n in range(1, 8)] == [book.job(worked, n) for n in range(1, 8)]
    assert other.attachment(here.attachments[0].digest) == bytes(1000)
    assert other.problems() == []
    assert exported(other, found.job_id) == exported(book, worked)
    other.undo(found.job_id)
    assert other.append(found.job_id, "layups[0]", [gap()], By(client="tab", sequence=1)).repeated


def test_the_job_file_inside_is_the_job(book: Book, worked: int) -> None:
    """The job.toml in the exported file reads as the job, and so does the job file alone."""
    with zipfile.ZipFile(io.BytesIO(exported(book, worked))) as packed:
        text = packed.read("job.toml").decode()
    assert jobfile.loads(text) == book.job(worked)
    assert text == book.export_toml(worked)


def test_a_job_file_is_imported(book: Book, other: Book, worked: int) -> None:
    """What was exported as a job file comes back as the same job; what is no job file is told in its sentence."""
    found = other.import_(io.BytesIO(book.export_toml(worked).encode()), "a.toml")
    assert other.job(found.job_id) == book.job(worked)
    for data, sentence in ((b"title = 3", "a.toml"), (b"\xff\xfe", "neither"), (b"", "")):
        if not sentence:
            assert other.job(other.import_(io.BytesIO(data)).job_id) == Job()
            continue
        with pytest.raises(jobfile.JobFileError, match=sentence):
            other.import_(io.BytesIO(data), "a.toml")


def test_a_job_in_the_making_is_exported(book: Book, other: Book, three: Job) -> None:
    """A lay-up without gaps stays out of the job file, said in a comment, and is in the log: nothing is lost."""
    job_id = book.begin(replace(three, passes=(Pass("p", "Alder", "layups[1]"),)))
    rests = tuple(r for r in three.settings[0].readings if r.entry == "spacers")
    bare = Setting(
        "bare", LayUp("Alder", "Birch", "over"), tuple(replace(r, id="") for r in rests), instrument="blocks"
    )
    book.change(job_id, Add(bare), Add(Pass("q", "Alder", "bare")))
    book.correct(job_id, "layups[0].gaps[3]", 1, gap(255))
    text = book.export_toml(job_id)
    assert "# Left out, not read yet: Birch on Alder, marks together" in text
    loaded = jobfile.loads(text)
    assert [s.id for s in loaded.settings] == [s.id for s in three.settings]
    assert [p.after for p in loaded.passes] == ["layups[1]", three.settings[-1].id]
    found = other.import_(io.BytesIO(exported(book, job_id)))
    assert other.job(found.job_id) == book.job(job_id)


def test_no_file_changes_a_job_that_is_here(book: Book, other: Book, worked: int) -> None:
    """The same job again is known. With other acts, more or different ones, it comes in as a job of its own, and that
    which is here stays as it is; the same file again is then known too, also when that job went on."""
    old = exported(book, worked)
    there = other.import_(io.BytesIO(old)).job_id
    assert (again := other.import_(io.BytesIO(old))).how == "known"
    assert (again.job_id, again.acts) == (there, 0)
    seen = other.snapshot(there)
    book.append(worked, "layups[0]", [gap(105)])
    longer = exported(book, worked)
    grown = other.import_(io.BytesIO(longer))
    assert (grown.acts, grown.how) == (8, "copied")
    assert other.snapshot(there) == seen
    assert other.job(grown.job_id) == book.job(worked)
    assert other.snapshot(grown.job_id).uid != seen.uid
    assert other.import_(io.BytesIO(longer)) == Imported(grown.job_id, 0, "known")
    assert other.import_(io.BytesIO(old)).how == "known"
    other.append(grown.job_id, "layups[0]", [gap(180)])
    assert other.import_(io.BytesIO(longer)) == Imported(grown.job_id, 0, "known")
    other.append(there, "layups[0]", [gap(180)])
    book.append(worked, "layups[0]", [gap(255)])
    before = other.job(there)
    copied = other.import_(io.BytesIO(exported(book, worked)))
    assert copied.how == "copied"
    assert copied.job_id not in (there, grown.job_id)
    assert other.job(copied.job_id) == book.job(worked)
    assert other.job(there) == before
    assert other.problems() == []


def test_a_changed_log_is_found(book: Book, other: Book, worked: int) -> None:
    """Whatever is changed, left out or moved in a log is found, even where the checksums of the file were made anew."""
    data = exported(book, worked)

    def lines(change: Callable[[list[bytes]], None]) -> bytes:
        def edit(files: dict[str, bytes]) -> None:
            kept = files[LOG].splitlines(keepends=True)
            change(kept)
            files[LOG] = b"".join(kept)
            about = json.loads(files[MANIFEST])
            files[MANIFEST] = json.dumps({**about, "acts": len(kept)}).encode()

        return changed(data, edit)

    def set_line(n: int, old: bytes, new: bytes) -> Callable[[list[bytes]], None]:
        def change(kept: list[bytes]) -> None:
            assert old in kept[n]
            kept[n] = kept[n].replace(old, new)

        return change

    for change in (
        lambda kept: kept.pop(2),
        lambda kept: kept.reverse(),
        lambda kept: kept.insert(1, kept[1]),
        lambda kept: kept.append(b"[]\n"),
        lambda kept: kept.append(b"{" * 100_000 + b"\n"),
        lambda kept: kept.append(b"9" * 10_000 + b"\n"),
        set_line(1, b"20.007", b"20.006"),
        set_line(0, b"Ann", b"Bob"),
        set_line(1, b'"number":2', b'"number":true'),
        set_line(1, b'"position":', b'"position":NaN,"was":'),
    ):
        with pytest.raises(BadBundle):
            other.import_(io.BytesIO(lines(change)))
    assert other.jobs(hidden=True) == ()


def test_files_that_escape_or_are_added_are_refused(book: Book, other: Book, worked: int, tmp_path: Path) -> None:
    """Only the four names of an exported job are taken; nothing is ever written to a path."""
    data = exported(book, worked)
    before = sorted(path for path in tmp_path.rglob("*") if "sqlite" not in path.name)
    into = "attachments/"
    for name in ("../evil", "/tmp/evil", "C:\\evil", f"{into}../../evil", into + "g" * 64, into):
        with pytest.raises(BadBundle, match="no exported job does"):
            other.import_(io.BytesIO(changed(data, lambda files, name=name: files.update({name: b"x"}))))
    for change in (
        lambda files: files.update({into + "0" * 64: b"x"}),
        lambda files: files.pop(next(name for name in files if name.startswith(into))),
        lambda files: files.pop(LOG),
    ):
        for seal in (False, True):
            with pytest.raises(BadBundle, match="not whole"):
                other.import_(io.BytesIO(changed(data, change, seal=seal)))
    for manifest in (b"[]", b'{"format": 1}', b'{"format": 1, "uid": "x", "files": {}}', b"{" * 10_000, b"\xff"):
        with pytest.raises(BadBundle, match="manifest"):
            other.import_(io.BytesIO(changed(data, lambda f, m=manifest: f.update({MANIFEST: m}), seal=False)))
    with pytest.raises(BadBundle, match="newer version"):
        other.import_(io.BytesIO(changed(data, lambda f: f.update({MANIFEST: b'{"format": 2}'}), seal=False)))
    doubled = io.BytesIO(data)
    with zipfile.ZipFile(doubled, "a") as packed, pytest.warns(UserWarning, match="Duplicate"):
        packed.writestr(LOG, b"x")
    with pytest.raises(BadBundle):
        other.import_(doubled)
    assert sorted(path for path in tmp_path.rglob("*") if "sqlite" not in path.name) == before
    assert other.jobs(hidden=True) == ()


def test_files_that_explode_are_refused(book: Book, other: Book, worked: int) -> None:
    """What unpacks to more than it may is stopped while it is counted, whatever sizes the file claims."""
    data = exported(book, worked)
    digest = next(iter(book.snapshot(worked).attachments)).digest
    bomb = bytes(LARGEST["attachments/"] + 1)
    for name in ("attachments/" + digest, MANIFEST):
        with pytest.raises(TooLarge):
            other.import_(io.BytesIO(changed(data, lambda files, name=name: files.update({name: bomb}), seal=False)))
    many = packed_up({f"attachments/{n:064x}": b"" for n in range(MOST_FILES + 4)})
    with pytest.raises(TooLarge, match="more files"):
        other.import_(io.BytesIO(many))
    liar = bytearray(packed_up({MANIFEST: bytes(LARGEST[MANIFEST] + 1000)}))
    claimed = struct.pack("<I", LARGEST[MANIFEST] + 1000)
    while (at := liar.find(claimed)) >= 0:
        liar[at : at + 4] = struct.pack("<I", 10)  # it says 10 bytes, and holds a million
    with pytest.raises((BadBundle, TooLarge)):
        other.import_(io.BytesIO(bytes(liar)))
    long_list = data[:-22] + b"PK\x06\x07" + bytes(16) + data[-22:]
    with pytest.raises(BadBundle):
        other.import_(io.BytesIO(long_list))


def test_no_damage_gets_through(book: Book, other: Book, worked: int) -> None:
    """Two hundred files cut short or with a byte changed: each is refused in one sentence, or is the same job still."""
    data = exported(book, worked)
    rng = random.Random(20261125)
    same, sentences = 0, []
    for _ in range(200):
        damaged = bytearray(data)
        if rng.random() < 0.3:
            del damaged[rng.randrange(len(data)) :]
        else:
            damaged[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        try:
            found = other.import_(io.BytesIO(bytes(damaged)))
        except (BookError, jobfile.JobFileError) as error:
            sentences.append(str(error))
            continue
        assert other.job(found.job_id) == book.job(worked)
        same += 1
    assert [text for text in sentences if len(text.splitlines()) != 1] == []
    assert same < 40  # dates and flags of the zip that nothing depends on
    assert len(other.jobs(hidden=True)) == (same > 0)
    assert zlib.crc32(exported(book, worked)) == zlib.crc32(data)


def test_a_kind_that_is_not_known_here_is_told(
    book: Book, other: Book, three: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A job with readings of a kind this Waywright lacks is refused by the kind's name."""
    job_id = book.begin(replace(three, settings=(*three.settings, Setting("s", Step("Alder", 75.0), (), "s"))))
    data = exported(book, job_id)
    monkeypatch.delitem(KINDS, "steps")
    with pytest.raises(BadBundle, match="'steps'"):
        other.import_(io.BytesIO(data))
