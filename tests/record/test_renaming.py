"""Another name for a face goes wherever a reading names it, in every kind there is."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from tests.kinds.test_kinds_in_job_files import BLOCKS, HEAD
from waywright.core.adjust.network import network
from waywright.core.evidence.fields import faces_named
from waywright.core.evidence.job import Job
from waywright.core.readings import KINDS
from waywright.core.report import report
from waywright.jobfile import loads
from waywright.record import Book, Delete, Ref, Refused, Rename
from waywright.web.forms import lines_of

OTHER_SIDE = """
[[pieces.faces]]
name = "other flank"
length_mm = 600
width_mm = 20
stations_mm = [0, 300, 600]
[[pieces.faces]]
name = "other floor"
length_mm = 600
width_mm = 20
stations_mm = [0, 300, 600]
[[pieces.faces]]
name = "side"
length_mm = 600
width_mm = 20
stations_mm = [0, 300, 600]
"""
MORE = """
[[rolls]]
flank = "flank"
floor = "floor"
angle_deg = 55
other_flank = "other flank"
other_floor = "other floor"
instrument = "micrometer"
readings = [ { x_mm = 0, size_mm = 80.012 }, { x_mm = 300, size_mm = 80.015 }, { x_mm = 600, size_mm = 80.013 } ]
[[rolls]]
flank = "flank"
floor = "floor"
angle_deg = 55
against = "side"
instrument = "micrometer"
readings = [ { x_mm = 0, size_mm = 80.012 }, { x_mm = 300, size_mm = 80.018 }, { x_mm = 600, size_mm = 80.013 } ]
[[crosses]]
face = "P"
base_mm = 30
instrument = "level"
readings = [ { x_mm = 0, um_per_m = 3 }, { x_mm = 300, um_per_m = 8 } ]
"""


def everything() -> Job:
    """A job with every kind in it, every field that can name a face used."""
    return loads(HEAD + OTHER_SIDE + "".join(BLOCKS.values()) + MORE)


def test_every_field_that_names_a_face_is_known_by_its_type() -> None:
    """Every field that holds the name of a face is a `FaceName`, those that may be left out too; a kind speaks of its
    faces in the order of these fields; and the job of these tests uses every one of them."""
    job = everything()
    used: dict[str, set[str]] = {}
    for setting in job.settings:
        kind = setting.geometry
        values = {f.name: getattr(kind, f.name) for f in fields(kind)}  # type: ignore[arg-type]
        naming = {name for name, value in values.items() if isinstance(value, str) and value in job.faces()}
        assert naming == {place for place, _ in faces_named(kind)}
        assert kind.faces() == tuple(dict.fromkeys(values[name] for name in values if name in naming))
        used.setdefault(kind.block, set()).update(naming)
    assert used == {block: {line.name for line in lines_of(kind) if line.face} for block, kind in KINDS.items()}


def test_a_renamed_face_is_renamed_in_every_kind(book: Book) -> None:
    """Every face of a job with every kind of reading renamed, one after another: the numbers are those of before, the
    guide of a run keeps its name, and one step back brings the old name back."""
    job = everything()
    job_id = book.begin(job)
    before, told = network(book.job(job_id)).rows, report(book.job(job_id), with_cures=False)
    for name in job.faces():
        book.change(job_id, Rename(Ref("face", name), f"new {name}"))
    now = book.job(job_id)
    assert set(now.faces()) == {f"new {name}" for name in job.faces()}
    assert {name for s in now.settings for name in s.geometry.faces()} == set(now.faces())
    after = network(now).rows
    np.testing.assert_array_equal(after.matrix.toarray(), before.matrix.toarray())
    np.testing.assert_array_equal(after.value_um, before.value_um)
    for was, shape in zip(told.shapes, report(now, with_cures=False).shapes, strict=True):
        assert shape.face == f"new {was.face}"
        np.testing.assert_array_equal(shape.height_um, was.height_um)
    assert [s.geometry.guide for s in now.settings if s.geometry.block == "runs"] == ["mill table"] * 2  # type: ignore[attr-defined]
    book.undo(job_id)
    assert list(book.job(job_id).faces())[-1] == "side"


@pytest.mark.parametrize("piece", ["P", "Q", "slide"])
def test_a_face_that_any_reading_names_is_not_taken_away(book: Book, piece: str) -> None:
    """A piece whose faces readings speak of, in whatever field, is refused with what would be left hanging."""
    job_id = book.begin(everything())
    version = book.snapshot(job_id).versions[Ref("piece", piece)]
    with pytest.raises(Refused):
        book.change(job_id, Delete(Ref("piece", piece), version))
