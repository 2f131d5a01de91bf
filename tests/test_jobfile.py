"""The job file: what is read is what was typed, what is written reads back the same, comments stay where they were."""

from __future__ import annotations

import os
import random
import re
import stat
import tomllib
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import get_args

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.jobs import NAMES, TWO, jobs, kinds_of_setting
from waywright import jobfile
from waywright.core.evidence.goal import Goal, Workpiece
from waywright.core.evidence.job import Hung, Job, Pass, PassZone, Reading, Setting, Typed
from waywright.core.evidence.material import Material
from waywright.core.evidence.section import Hole, Section
from waywright.core.evidence.things import Face, Hand, Instrument, Piece
from waywright.core.readings import KINDS, Cross, LayUp
from waywright.demo import shop
from waywright.jobfile import JobFileError, dumps, loads
from waywright.jobfile.reader import JOB_KEYS, READING_KEYS, SETTING_KEYS, read_job
from waywright.jobfile.walk import cut, line_of, walk, written
from waywright.jobfile.writer import onto_text, whole_text

DOCUMENT = Path(__file__).resolve().parent.parent / "docs" / "job-file.md"


def test_everything_typed_is_in_the_job() -> None:
    """Each value of a small file is found in the job, in the unit of its key, readings as they were typed."""
    job = loads(TWO)
    p = job.faces()["P"]
    assert (job.title, p.length_mm, p.lines_mm, p.side) == ("Two edges", 609.6, (-15.0, 15.0), "top")
    assert job.instruments == (
        Instrument("blocks", "gauge blocks", u_um=0.3),
        Instrument("level", "level", u_um_per_m=4.0),
    )
    first = job.settings[0]
    assert first.geometry == LayUp("P", "Q", "over")
    assert first.readings[0].value == Typed(0.4, "thou", "0,4 thou")
    assert (first.readings[1].low, first.readings[1].high) == (Typed(0.012, "mm"), Typed(0.5, "thou", "0.5 thou"))
    assert (first.readings[2].key, first.readings[2].when) == ("just_mm", "2026-03-01")
    assert job.settings[1].geometry == Cross("P", 30.0)
    assert job.settings[1].readings[0].value == Typed(2.0, "arcsec", "2 arcsec")
    assert job.goal == Goal(straightness_um=6.0)


def test_settings_stand_in_the_order_taken() -> None:
    """Blocks of different kinds keep the order in which they stand in the file, however they are written."""
    assert [s.id for s in loads(TWO).settings] == ["layups[0]", "crosses[0]", "layups[1]"]
    misled = TWO.replace('title = "Two edges"', 'note = """\n[[crosses]]\n"""\ntitle = "Two edges"')
    assert [s.id for s in loads(misled).settings] == ["layups[0]", "crosses[0]", "layups[1]"]


def test_a_reading_is_named_by_its_own_id_or_its_place() -> None:
    """A reading without an id is known by its place, and behind a setting's own id if it has one."""
    assert [r.id for _, r in loads(TWO).readings()][:4] == [
        "layups[0].gaps[0]",
        "layups[0].gaps[1]",
        "layups[0].gaps[2]",
        "crosses[0].readings[0]",
    ]
    named = loads(
        TWO.replace("{ x_mm = 300, goes", '{ id = "dark", x_mm = 300, goes').replace(
            "[[crosses]]\n", '[[crosses]]\nid = "c"\n'
        )
    )
    assert [r.id for _, r in named.readings()][1:4] == ["dark", "layups[0].gaps[2]", "c.readings[0]"]


@given(jobs())
@settings(max_examples=200)
def test_written_and_read_again_is_the_same_job(job: Job) -> None:
    """loads(dumps(job)) == job, for any job that can be; written again it is the same text."""
    text = dumps(job)
    again = loads(text)
    assert again == job
    assert dumps(again) == text


@given(kinds_of_setting())
def test_a_setting_of_any_kind_is_written_and_read(setting: Setting) -> None:
    """Whatever fields and lists a kind of reading has, they are written and read again the same."""
    text = whole_text(Job(settings=(setting,)))
    assert read_job(text, tomllib.loads(text))[0].settings == (setting,)


@given(jobs())
def test_written_onto_itself_is_the_same_text(job: Job) -> None:
    """dumps(loads(text), onto=text) is text, byte for byte."""
    text = _commented(dumps(job))
    assert dumps(loads(text), onto=text) == text


def test_a_file_in_its_own_layout_stays_byte_for_byte() -> None:
    """Reading and writing changes nothing: not a comment, a decimal comma, a line end or a byte-order mark."""
    for text in (
        TWO,
        TWO.replace("\n", "\r\n"),
        "\ufeff" + TWO,
        "\ufeff" + TWO[TWO.index("[instruments") :],
        shop(),
        shop("two_edges"),
        TWO.rstrip("\n"),
    ):
        assert dumps(loads(text), onto=text) == text


@given(jobs(), jobs())
def test_any_job_can_be_written_onto_any_other(old: Job, new: Job) -> None:
    """Whatever changed, the text written onto an old one says the new job."""
    assert loads(dumps(new, onto=_commented(dumps(old)))) == new


@given(jobs(), st.randoms(use_true_random=False))
def test_changes_keep_the_comments_of_what_stays(job: Job, rng: random.Random) -> None:
    """After edits, insertions and removals every comment above a block that is still there is still there, once."""
    text = _commented(dumps(job))
    new = _edited(job, rng)
    out = onto_text(new, job, text)
    assert loads(out) == new
    gone = {s.id for s in job.settings} - {s.id for s in new.settings}
    for setting in job.settings:
        assert out.count(f"# of {setting.id}\n") == (0 if setting.id in gone else 1)


def test_one_changed_reading_changes_one_line() -> None:
    """Correcting a reading touches its value and nothing else."""
    job = loads(TWO)
    first = job.settings[0]
    reading = replace(first.readings[1], low=Typed(0.011, "mm"))
    new = replace(
        job, settings=(replace(first, readings=(first.readings[0], reading, first.readings[2])), *job.settings[1:])
    )
    changed = [(a, b) for a, b in zip(TWO.splitlines(), dumps(new, onto=TWO).splitlines(), strict=True) if a != b]
    assert changed == [
        (
            '  { x_mm = 300, goes_mm = 0.012, stops_mm = "0.5 thou" },',
            '  { x_mm = 300, goes_mm = 0.011, stops_mm = "0.5 thou" },',
        )
    ]


def test_a_new_reading_stands_behind_its_neighbour() -> None:
    """A reading that is added gets a line of its own; comments of the others stay with them."""
    job = loads(TWO)
    first = job.settings[0]
    added = Reading("layups[0].gaps[3]", "gaps", x_mm=450.0, key="gap_mm", value=Typed(0.0105, "mm", "0,0105"))
    out = dumps(replace(job, settings=(replace(first, readings=(*first.readings, added)), *job.settings[1:])), onto=TWO)
    assert 'just_mm = 0.010 },\n  { x_mm = 450, gap_mm = "0,0105" },\n]' in out
    assert out.replace('  { x_mm = 450, gap_mm = "0,0105" },\n', "") == TWO


def test_new_keys_stand_above_the_readings() -> None:
    """A key that a block did not have is written where a person looks for it: with the other keys, above the lists."""
    job = loads(TWO)
    first = replace(job.settings[0], seat_um=0.5, geometry=replace(job.settings[0].geometry, offset_mm=0.0))
    out = dumps(replace(job, settings=(first, *job.settings[1:])), onto=TWO)
    assert 'instrument = "blocks"\nseat_um = 0.5\ngaps = [                        # from the marked end' in out


def test_a_default_written_out_is_changed_where_it_stands() -> None:
    """A key that was written with its default value is changed in its line, not written twice."""
    text = TWO.replace('turn = "over"', 'turn = "over"\noffset_mm = 0   # both at the stop')
    job = loads(text)
    moved = replace(job.settings[0], geometry=replace(job.settings[0].geometry, offset_mm=-5.0))
    out = dumps(replace(job, settings=(moved, *job.settings[1:])), onto=text)
    assert out == text.replace("offset_mm = 0   #", "offset_mm = -5   #")


def test_settings_can_change_places() -> None:
    """Blocks that change their order take their comments with them."""
    job = loads(TWO)
    swapped = replace(job, settings=(job.settings[1], job.settings[0], job.settings[2]))
    out = dumps(swapped, onto=TWO)
    assert loads(out) == swapped
    assert out.index("[[crosses]]") < out.index("# The first evening.\n[[layups]]")
    assert sorted(out.split()) == sorted(TWO.split())


@pytest.mark.parametrize(
    "layout",
    [
        'layups = [ { lower = "P", upper = "Q", turn = "over", instrument = "blocks", gaps = [{x_mm=9,gap_mm=1}] } ]\n',
        "goal = { straightness_um = 6 }\n",
        "goal.straightness_um = 6\n",
        'instruments = { blocks = { kind = "gauge blocks", u_um = 0.3 }, level = { kind = "level", u_um_per_m = 4 }}\n',
        'instruments.blocks.kind = "gauge blocks"\ninstruments.blocks.u_um = 0.3\n'
        'instruments.level.kind = "level"\ninstruments.level.u_um_per_m = 4.0\n',
    ],
)
def test_other_ways_of_writing_toml_are_read_and_written(layout: str) -> None:
    """Inline tables and dotted keys say the same; changed, they still say what they should, comments kept."""
    key = layout.split(" ")[0].split(".")[0]
    text = "# kept\n" + layout + "".join(c.text for c in cut(_plain()) if not c.path or c.path[0] != key)
    job = loads(text)
    new = replace(
        job,
        title="other",
        goal=Goal(straightness_um=5.0),
        instruments=(replace(job.instruments[0], u_um=0.4), *job.instruments[1:]),
    )
    out = dumps(new, onto=text)
    assert loads(out) == new
    assert "# kept" in out


@pytest.mark.parametrize(
    "part",
    [
        "part = { diameter_um = 10, over_mm = 300 }  # a spindle\n",
        "[goal.part]  # a spindle\ndiameter_um = 10\nover_mm = 300\n",
        "part.diameter_um = 10  # a spindle\npart.over_mm = 300\n",
    ],
)
def test_a_block_within_a_block_is_changed_where_it_stands(part: str) -> None:
    """The part to start from is read, written and changed in its own layout, inline or as a block."""
    text = TWO + part
    job = loads(text)
    assert job.goal == Goal(straightness_um=6.0, part=Workpiece(10.0, 300.0))
    other = replace(job, goal=replace(job.goal, part=Workpiece(12.0, 300.0)))
    assert dumps(other, onto=text) == text.replace("diameter_um = 10", "diameter_um = 12")
    none = replace(job, goal=replace(job.goal, part=None))
    assert loads(dumps(none, onto=text)) == none


def test_readings_as_blocks_of_their_own() -> None:
    """[[layups.gaps]] blocks are readings too, and changed in place."""
    inline = "gaps = [ { x_mm = 300, gap_mm = 0.011 } ]\n"
    text = TWO.replace(inline, "[[layups.gaps]]\nx_mm = 300   # middle\ngap_mm = 0.011\n")
    job = loads(text)
    assert job == loads(TWO)
    last = job.settings[2]
    new = replace(last, seat_um=0.3, readings=(replace(last.readings[0], value=Typed(0.012, "mm")),))
    out = dumps(replace(job, settings=(*job.settings[:2], new)), onto=text)
    assert out == text.replace("gap_mm = 0.011\n", "gap_mm = 0.012\n").replace(
        'instrument = "blocks"\n[[layups.gaps]]', 'instrument = "blocks"\nseat_um = 0.3\n[[layups.gaps]]'
    )


def test_writing_keeps_the_file_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A write that fails leaves the old file as it was and nothing beside it; the file keeps its permissions."""
    path = tmp_path / "job.toml"
    path.write_bytes(TWO.encode())
    path.chmod(0o640)
    job = replace(jobfile.read(path), title="New")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(JobFileError, match="cannot be written: no space left"):
        jobfile.write(path, job)
    assert path.read_bytes() == TWO.encode()
    assert list(tmp_path.iterdir()) == [path]
    monkeypatch.undo()
    jobfile.write(path, job)
    assert path.read_text() == TWO.replace('"Two edges"', '"New"')
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_nothing_is_written_over_what_is_no_job(tmp_path: Path) -> None:
    """A file that cannot be read as a job is not overwritten."""
    path = tmp_path / "letter.txt"
    path.write_text("Dear Sir,")
    with pytest.raises(JobFileError):
        jobfile.write(path, loads(TWO))
    assert path.read_text() == "Dear Sir,"
    with pytest.raises(JobFileError, match="cannot be written"):
        jobfile.write(tmp_path / "no folder" / "job.toml", loads(TWO))


def test_the_line_named_is_the_line_meant() -> None:
    """Every key, block and reading of a file is found on the line on which it stands."""
    lines = TWO.splitlines()
    for event in walk(TWO):
        number = line_of(TWO, event.path)
        assert number is not None
        last = event.path[-1]
        shown = lines[number - 1]
        assert last in shown if isinstance(last, str) else any(mark in shown for mark in "[{")
    assert line_of(TWO, ("pieces", 1, "faces", 0, "no such key")) == 1 + lines.index("[[pieces.faces]]", 20)
    assert line_of(TWO, ("no such block",)) is None


TREES = st.recursive(
    st.integers() | st.text(st.characters(exclude_categories=["Cs"]), max_size=8) | st.floats(allow_nan=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(NAMES, TREES, max_size=4))
def test_every_key_of_any_toml_is_found(tree: dict[str, object]) -> None:
    """The walk meets exactly the keys and elements that the standard reader finds, whatever the text looks like."""
    text = tomlkit.dumps(tree)
    met = {event.path[:parts] for event in walk(text) for parts in range(1, len(event.path) + 1)}
    assert met == set(_paths(tomllib.loads(text)))


@given(jobs())
def test_a_cut_text_is_the_text(job: Job) -> None:
    """The chunks of a text joined again are the text, and each block has a chunk."""
    text = _commented(dumps(job))
    chunks = cut(text)
    assert "".join(chunk.text for chunk in chunks) == text
    assert sum(chunk.path[0] in KINDS for chunk in chunks if chunk.path) == len(job.settings)
    assert written(("layups", 0, "gaps", 3, "goes_mm")) == "layups[0].gaps[3].goes_mm"


def documented() -> dict[str, set[str]]:
    """The keys in the first column of the tables of each part of docs/job-file.md, by the part's heading."""
    found: dict[str, set[str]] = {}
    heading = ""
    for line in DOCUMENT.read_text(encoding="utf-8").splitlines():
        heading = line.removeprefix("## ") if line.startswith("## ") else heading
        if key := re.match(r"\| `(\w+)` \|", line):
            found.setdefault(heading, set()).add(key[1])
    return found


def names(cls: type) -> set[str]:
    return {f.name for f in fields(cls)}


def keys() -> dict[str, set[str]]:
    """Every key that the job file knows, by the heading under which it belongs."""
    found = {
        "The file itself": set(JOB_KEYS),
        "[instruments.NAME]": names(Instrument) - {"name"},
        "[[pieces]]": names(Piece) | {key for shape in get_args(Section) for key in names(shape)} | names(Hole),
        "[materials.NAME]": names(Material) - {"name"},
        "[[pieces.faces]]": names(Face),
        "Every block of readings": set(SETTING_KEYS) | names(Hung),
        "Every reading": set(READING_KEYS),
        "[[passes]]": names(Pass) | names(PassZone),
        "[hand]": names(Hand),
        "[goal]": names(Goal) | names(Workpiece),
    }
    for block, kind in KINDS.items():
        own = names(kind)
        for entry in kind.entries:
            own |= {entry.name, *entry.places, *entry.values, *(k for k in (entry.low, entry.high) if k)}
            own |= {"mark"} if entry.marks else set()
        found[f"[[{block}]]"] = own
    return found


def test_every_key_is_documented() -> None:
    """docs/job-file.md lists exactly the keys that each block has, no fewer and no more."""
    assert documented() == keys()


def test_the_documented_example_is_a_job() -> None:
    """The example in docs/job-file.md is read without a complaint, and is what our own layout would say."""
    text = DOCUMENT.read_text(encoding="utf-8").split("```toml\n")[1].split("```")[0]
    assert [len(s.readings) for s in loads(text).settings] == [7]


# -- helpers


def _paths(value: object, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every key and list element of nested tables and lists."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in inner:
        yield (*path, key)
        yield from _paths(one, (*path, key))


def _plain() -> str:
    """The small file without its comments, in our own layout."""
    return dumps(loads(TWO))


def _commented(text: str) -> str:
    """A comment above every block of readings, with its id, and one behind every line that can have one."""
    ids = iter(s.id for s in loads(text).settings)
    out = []
    for chunk in cut(text):
        head = f"# of {next(ids)}\n" if chunk.path and chunk.path[0] in KINDS else "# here\n"
        out.append(head + chunk.text)
    return "".join(out)


def _edited(job: Job, rng: random.Random) -> Job:
    """The job after a few changes such as a person makes."""
    settings: list[Setting] = list(job.settings)
    kept: list[Setting] = []
    for setting in settings:
        what = rng.randrange(5)
        if what == 0 and not any(p.after in (setting.id, setting.name) for p in job.passes):
            continue
        if what == 1:
            setting = replace(setting, note="again", seat_um=None)
        if what == 2:
            first = setting.readings[0]
            setting = replace(setting, readings=(replace(first, note="typed anew", u_um=0.7), *setting.readings[1:]))
        if what == 3 and len(setting.readings) > 1:
            last = replace(setting.readings[-1], id=f"new {setting.id}")
            setting = replace(setting, readings=(*setting.readings, last))
        kept.append(setting)
        if what == 4:
            readings = tuple(replace(r, id=f"copy {r.id}") for r in setting.readings)
            kept.append(replace(setting, id=f"copy {setting.id}", name=None, readings=readings))
    return replace(job, title=rng.choice([job.title, "another"]), settings=tuple(kept), goal=Goal(straightness_um=3.0))
