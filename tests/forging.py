"""Exported jobs, forged: anything in them changed, and where that is wanted sealed again, as if nothing had been."""

from __future__ import annotations

import hashlib
import io
import json
import random
import zipfile
from collections.abc import Callable
from typing import Any

from waywright.record.bundle import JOB, LOG, MANIFEST

YEAR_1, YEAR_9999 = "0001-01-01T00:00:00.000000+00:00", "9999-12-31T23:59:59.999999+00:00"
ODD: list[Any] = [
    *("", " ", "\ud800", "Z", "\x00", "\x1b[2J", "a\nb", "a" * 3000, "<b>", "{{7*7}}", "../..", "٣", "\u2028"),
    *("layups[0]", "layups", "over", "level", "blocks", "goes_mm", "mm", "in", "head", "goal", "undo", "P", "Q"),
    *(YEAR_1, YEAR_9999, "2026-02-30T08:00:00.000000+00:00", "9" * 400, "20,0 in"),
    *(-1, 0, 1, 2, 3, 7, 10**6, 2**63, 10**30, -1.0, -0.0, 0.5, 600.0, 1e5, 1e9, 1e16, 1e300, float("nan")),
    float("inf"),
    *(None, True, False, [], {}, [[]], [0.0], [0.0, 0.0], [600.0, 0.0], ["P"], {"number": -1.0, "unit": "mm"}),
]
MORE = ["note", "new", "y_mm", "at_mm", "corrects", "kind", "low", "grade", "part", "faces", "u_um", "touching"]
Files = dict[str, bytes]


def unpacked(data: bytes) -> Files:
    """What is in an exported job."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def packed(files: Files, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """The same in one file again."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", method) as out:
        for name, data in files.items():
            out.writestr(name, data)
    return file.getvalue()


def sealed(files: Files, acts: list[dict[str, Any]] | None = None) -> Files:
    """The files with a manifest that fits them; with `acts` also a log whose checksums do."""
    if acts is not None:
        before = ""
        for act in acts:
            said = {key: value for key, value in act.items() if key not in ("versions", "digest")}
            before = hashlib.sha256(_text([before, said, act.get("versions")]).encode("ascii")).hexdigest()
            act["digest"] = before
        files = files | {LOG: "".join(f"{_text(act)}\n" for act in acts).encode("ascii")}
    about = json.loads(files[MANIFEST])
    about["acts"] = files[LOG].count(b"\n")
    about["files"] = {
        name: {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in files.items()
        if name != MANIFEST
    }
    return files | {MANIFEST: json.dumps(about).encode()}


def acts_in(files: Files) -> list[dict[str, Any]]:
    """The acts of a log, their parts as plain values."""
    acts = [json.loads(line) for line in files[LOG].splitlines()]
    for act in acts:
        for version in act["versions"]:
            version["body"] = json.loads(version["body"])
    return acts


def with_acts(files: Files, change: Callable[[list[dict[str, Any]]], None]) -> Files:
    """The files with their acts changed, everything sealed again."""
    acts = acts_in(files)
    change(acts)
    for act in acts:
        for version in act.get("versions") or ():
            if isinstance(version, dict) and "body" in version:
                version["body"] = _text(version["body"])
    return sealed(files, acts)


def forged(files: Files, rng: random.Random) -> bytes:
    """One of them, with something wrong in it."""
    how = rng.randrange(10)
    if how < 6:
        files = with_acts(files, lambda acts: _spoil_acts(acts, rng))
    elif how == 6:
        lines = files[LOG].splitlines(keepends=True)
        _shuffled(lines, rng)
        files = sealed(files | {LOG: b"".join(lines)})
    elif how == 7:
        about = json.loads(files[MANIFEST])
        _spoil(about, rng)
        files = files | {MANIFEST: json.dumps(about).encode()}
    elif how == 8:
        name = rng.choice([*files, JOB, "../evil", "attachments/" + "0" * 64, "log.jsonl "])
        other = {name: rng.choice([b"", b"x", b"\xff", b"{" * 5000, b"\x00" * 10_000, b"9" * 5000])}
        files = files | other if name == MANIFEST else sealed(files | other)
    data = bytearray(packed(files, rng.choice([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])))
    if how == 9:
        for _ in range(rng.randrange(1, 6)):
            data[rng.randrange(len(data))] = rng.randrange(256)
        if rng.random() < 0.3:
            del data[rng.randrange(len(data)) :]
    return bytes(data)


def _spoil_acts(acts: list[dict[str, Any]], rng: random.Random) -> None:
    for _ in range(rng.choice([1, 1, 1, 2, 4])):
        if not acts:
            return
        how, act = rng.randrange(8), rng.choice(acts)
        versions = act["versions"]
        if how == 0:
            _shuffled(acts, rng)
        elif how == 1:
            act[rng.choice([*act])] = rng.choice(ODD)
            if not isinstance(act["versions"], list):
                act["versions"] = versions
        elif how == 2 and versions:
            _shuffled(versions, rng)
        elif how == 3 and versions:
            version = rng.choice(versions)
            version[rng.choice([*version])] = rng.choice(ODD)
        elif versions:
            _spoil(rng.choice(versions)["body"], rng)


def _spoil(plain: Any, rng: random.Random) -> None:
    """Somewhere in it another value, one less, or one more."""
    while isinstance(plain, dict | list) and plain:
        key = rng.choice([*plain]) if isinstance(plain, dict) else rng.randrange(len(plain))
        inner = plain[key]
        if isinstance(inner, dict | list) and inner and rng.random() < 0.7:
            plain = inner
            continue
        how = rng.randrange(6)
        if how == 0:
            del plain[key]
        elif how == 1 and isinstance(plain, dict):
            plain[rng.choice(MORE)] = rng.choice(ODD)
        else:
            plain[key] = rng.choice(ODD)
        return


def _shuffled(things: list[Any], rng: random.Random) -> None:
    how, i, j = rng.randrange(4), rng.randrange(len(things)), rng.randrange(len(things))
    if how == 0:
        del things[i]
    elif how == 1:
        things.insert(j, json.loads(json.dumps(things[i])) if not isinstance(things[i], bytes) else things[i])
    elif how == 2:
        things[i], things[j] = things[j], things[i]
    else:
        del things[i:]


def _text(plain: object) -> str:
    return json.dumps(plain, ensure_ascii=True, sort_keys=True, separators=(",", ":"))
