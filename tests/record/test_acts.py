"""Acts: readings appended, corrected, deleted; everything undone again; no save lost and none made twice."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, JobError, Pass, Reading, Setting, Typed
from waywright.core.evidence.things import Instrument
from waywright.core.readings import LayUp
from waywright.record import (
    Add,
    Append,
    Book,
    By,
    Conflict,
    Correct,
    Delete,
    Head,
    Memo,
    Missing,
    Move,
    NumberReused,
    OutOfOrder,
    Put,
    Ref,
    Refused,
    Rename,
    TooLarge,
)
from waywright.record.tables import metadata

GAP = "layups[0].gaps[3]"


def gap(x_mm: float = 30.0, mm: float = 20.007, **more: object) -> Reading:
    """A gap on the near line, its id left to the book."""
    return Reading("", "gaps", x_mm, -14.0, key="gap_mm", value=Typed(mm, "mm"), **more)  # type: ignore[arg-type]


def read(job: Job, one: str) -> Reading | None:
    """The reading of an id, if it is in the job."""
    return next((r for _, r in job.readings() if r.id == one), None)


def numbers(book: Book, job_id: int) -> list[float]:
    """The values of the gaps that were appended by these tests, in order."""
    return [r.value.number for _, r in book.job(job_id).readings() if r.value and r.note == "n"]


def test_readings_are_appended_in_order_and_named_by_their_place(book: Book, three: Job) -> None:
    """New readings come last in their list, with the ids they would have in the job file."""
    job_id = book.begin(three)
    count = sum(r.entry == "gaps" for r in three.settings[0].readings)
    saved = book.append(job_id, "layups[0]", [gap(30), gap(105)])
    assert saved.refs == (Ref("reading", f"layups[0].gaps[{count}]"), Ref("reading", f"layups[0].gaps[{count + 1}]"))
    setting = book.job(job_id).settings[0]
    assert [r.x_mm for r in setting.readings[-2:]] == [30, 105]
    assert setting.readings[:-2] == three.settings[0].readings


def test_a_reading_is_kept_as_typed(book: Book, three: Job) -> None:
    """Number, unit and the text as written come back, to the last digit."""
    job_id = book.begin(three)
    typed = Typed(0.30000000000000004, "thou", "0,30000000000000004  thou ")
    (ref,) = book.append(job_id, "layups[0]", [replace(gap(), value=typed, note="\t½ µ\r\n𝕏")]).refs
    found = read(book.job(job_id), ref.key)
    assert found is not None
    assert found.value == typed
    assert found.note == "\t½ µ\r\n𝕏"


def test_a_correction_names_what_it_replaces(book: Book, three: Job) -> None:
    """The old reading stays in the job beside the new one, which names it."""
    job_id = book.begin(three)
    version = book.snapshot(job_id).versions[Ref("reading", GAP)]
    (ref,) = book.correct(job_id, GAP, version, gap(255, 20.009)).refs
    job = book.job(job_id)
    old, new = read(job, GAP), read(job, ref.key)
    assert old == read(three, GAP)
    assert new is not None
    assert new.corrects == GAP
    assert job.corrected() == {GAP}


def test_the_second_of_two_corrections_gets_both_values(book: Book, three: Job) -> None:
    """Two tabs change one reading from the same version: the second is told what each of them says; nothing is lost."""
    job_id = book.begin(three)
    version = book.snapshot(job_id).versions[Ref("reading", GAP)]
    (first,) = book.correct(job_id, GAP, version, gap(255, 20.009)).refs
    with pytest.raises(Conflict, match="changed meanwhile") as found:
        book.correct(job_id, GAP, version, gap(255, 20.005))
    assert isinstance(found.value.mine, Reading)
    assert found.value.mine.value == Typed(20.005, "mm")
    assert isinstance(found.value.theirs, Reading)
    assert found.value.theirs.value == Typed(20.009, "mm")
    assert found.value.ref == first
    saved = book.correct(job_id, found.value.ref.key, found.value.version, gap(255, 20.005))
    assert read(book.job(job_id), saved.refs[0].key) is not None


def test_the_same_correction_twice_is_no_conflict(book: Book, three: Job) -> None:
    """Two tabs that say the same do not disagree: it is stored once."""
    job_id = book.begin(three)
    version = book.snapshot(job_id).versions[Ref("reading", GAP)]
    first = book.correct(job_id, GAP, version, gap(255, 20.009))
    assert book.correct(job_id, GAP, version, gap(255, 20.009)).number == first.number


def test_a_stale_change_of_any_part_is_refused(book: Book, three: Job) -> None:
    """Whatever was changed meanwhile gives a conflict with both values, and what was deleted meanwhile says so."""
    job_id = book.begin(three)
    versions = book.snapshot(job_id).versions
    parts = {
        Ref("head"): (Head("A"), Head("B")),
        Ref("goal"): (Goal(straightness_um=5.0), Goal(straightness_um=7.0)),
        Ref("instrument", "level"): tuple(Instrument("level", "level", u_um_per_m=u) for u in (2.0, 3.0)),
        Ref("piece", "Alder"): tuple(replace(three.pieces[0], material=m) for m in ("grey iron", "granite")),
        Ref("setting", "layups[1]"): tuple(replace(three.settings[1], note=n, readings=()) for n in "ab"),
    }
    for ref, (theirs, mine) in parts.items():
        book.put(job_id, ref, versions[ref], theirs)
        with pytest.raises(Conflict) as found:
            book.put(job_id, ref, versions[ref], mine)
        assert (found.value.mine, found.value.theirs) == (mine, theirs)
        book.put(job_id, ref, found.value.version, mine)
    setting = Ref("setting", "layups[1]")
    book.delete(job_id, setting, book.snapshot(job_id).versions[setting])
    with pytest.raises(Conflict, match="deleted meanwhile") as found:
        book.put(job_id, setting, versions[setting], three.settings[1])
    assert found.value.theirs is None


def test_what_is_deleted_is_hidden_and_comes_back(book: Book, three: Job) -> None:
    """A deleted setting goes with its readings and returns with them, in its old place."""
    job_id = book.begin(three)
    ref = Ref("setting", "layups[2]")
    book.delete(job_id, ref, 1)
    assert ref.key not in {s.id for s in book.job(job_id).settings}
    book.undo(job_id)
    assert book.job(job_id) == three
    book.redo(job_id)
    assert len(book.job(job_id).settings) == len(three.settings) - 1
    with pytest.raises(Refused, match="used already"):
        book.change(job_id, Add(replace(three.settings[2], readings=())))


def test_deleting_a_correction_deletes_what_it_replaced(book: Book, three: Job) -> None:
    """A reading deleted by the person who sees its newest value does not come back with its first."""
    job_id = book.begin(three)
    (new,) = book.correct(job_id, GAP, 1, gap(255, 20.009)).refs
    with pytest.raises(Conflict):
        book.delete(job_id, Ref("reading", GAP), 1)
    book.delete(job_id, new, 2)
    job = book.job(job_id)
    assert read(job, GAP) is None
    assert read(job, new.key) is None
    book.undo(job_id)
    book.undo(job_id)
    assert book.job(job_id) == three


def test_what_others_need_is_not_deleted(book: Book, three: Job) -> None:
    """A piece that was read, an instrument in use and a lay-up a pass comes after stay until those are gone."""
    job_id = book.begin(replace(three, passes=(Pass("p", "Alder", "layups[5]"),)))
    for ref in (Ref("piece", "Birch"), Ref("instrument", "blocks"), Ref("setting", "layups[5]")):
        with pytest.raises(Refused, match="used by"):
            book.delete(job_id, ref, 1)
    book.change(job_id, Delete(Ref("pass", "p"), 1), Delete(Ref("setting", "layups[5]"), 1))


def test_undo_goes_back_act_by_act_and_redo_forward(book: Book, three: Job) -> None:
    """Undo takes back the newest act that stands, redo the newest undoing; a new act ends redoing."""
    job_id = book.begin(three)
    for mm in (20.001, 20.002, 20.003):
        book.append(job_id, "layups[0]", [gap(mm=mm, note="n")])
    for left in ([20.001, 20.002], [20.001]):
        book.undo(job_id)
        assert numbers(book, job_id) == left
    book.redo(job_id)
    assert numbers(book, job_id) == [20.001, 20.002]
    book.redo(job_id)
    assert numbers(book, job_id) == [20.001, 20.002, 20.003]
    with pytest.raises(Missing, match="nothing to do again"):
        book.redo(job_id)
    book.undo(job_id)
    book.append(job_id, "layups[0]", [gap(mm=20.004, note="n")])
    with pytest.raises(Missing):
        book.redo(job_id)
    book.undo(job_id)
    book.undo(job_id)
    assert numbers(book, job_id) == [20.001]


def test_an_older_act_is_undone_unless_a_later_one_built_on_it(book: Book, three: Job) -> None:
    """Any act can be taken back by its number; where its parts were changed again, that act is named."""
    job_id = book.begin(three)
    first = book.append(job_id, "layups[0]", [gap(mm=20.001, note="n")]).number
    book.append(job_id, "layups[0]", [gap(mm=20.002, note="n")])
    book.undo(job_id, first)
    assert numbers(book, job_id) == [20.002]
    with pytest.raises(Refused, match="undone already"):
        book.undo(job_id, first)
    made = book.put(job_id, Ref("head"), 1, Head("A")).number
    book.put(job_id, Ref("head"), made, Head("B"))
    with pytest.raises(Refused, match=f"changed again by act {made + 1}"):
        book.undo(job_id, made)


def test_undoing_the_first_act_hides_the_job(book: Book, three: Job) -> None:
    """Even how a job began can be taken back, when it is named, and that again."""
    job_id = book.begin(three)
    with pytest.raises(Missing, match="nothing to undo"):
        book.undo(job_id)
    book.undo(job_id, 1)
    assert book.jobs() == ()
    assert book.jobs(hidden=True)[0].hidden
    book.redo(job_id)
    assert [job.title for job in book.jobs()] == [three.title]
    assert book.job(job_id) == three


def test_any_past_moment_can_be_read(book: Book, three: Job) -> None:
    """The job as it was after each act is what was seen then."""
    job_id = book.begin(three)
    seen = {1: three}
    for act in (
        lambda: book.append(job_id, "layups[0]", [gap()]),
        lambda: book.correct(job_id, GAP, 1, gap(255)),
        lambda: book.undo(job_id),
        lambda: book.put(job_id, Ref("goal"), 1, Goal(flatness_um=3.0)),
        lambda: book.delete(job_id, Ref("setting", "layups[3]"), 1),
    ):
        number = act().number
        seen[number] = book.job(job_id)
    assert [book.job(job_id, at=number) for number in seen] == list(seen.values())
    for outside in (0, 7):
        with pytest.raises(Missing, match="acts 1 to 6"):
            book.job(job_id, at=outside)


def test_what_came_twice_is_stored_once(book: Book, three: Job) -> None:
    """The same number of the same client gives the first answer again, on any day and after a restart."""
    job_id = book.begin(three)
    by = By(client="tab", sequence=1)
    first = book.append(job_id, "layups[0]", [gap(note="n")], by=by)
    book.append(job_id, "layups[0]", [gap(mm=20.1, note="n")], by=replace(by, sequence=2))
    again = book.append(job_id, "layups[0]", [gap(note="n")], by=by)
    assert again == replace(first, repeated=True)
    for sequence in (3, 4):
        undo = book.undo(job_id, by=replace(by, sequence=sequence))
        assert book.undo(job_id, by=replace(by, sequence=sequence)) == replace(undo, repeated=True)
    for sequence in (5, 6):
        redo = book.redo(job_id, by=replace(by, sequence=sequence))
        assert book.redo(job_id, by=replace(by, sequence=sequence)) == replace(redo, repeated=True)
    assert numbers(book, job_id) == [20.007, 20.1]


def test_a_client_is_heard_in_order(book: Book, three: Job) -> None:
    """A number before its turn is refused with the one to send first; a refused number may be used again."""
    job_id = book.begin(three)
    with pytest.raises(OutOfOrder) as found:
        book.append(job_id, "layups[0]", [gap()], by=By(client="tab", sequence=2))
    assert found.value.expected == 1
    with pytest.raises(JobError, match="outside"):
        book.append(job_id, "layups[0]", [gap(9999.0)], by=By(client="tab", sequence=1))
    book.append(job_id, "layups[0]", [gap()], by=By(client="tab", sequence=1))
    with pytest.raises(NumberReused):
        book.append(job_id, "layups[0]", [gap(105)], by=By(client="tab", sequence=1))
    book.append(job_id, "layups[0]", [gap()], by=By(client="other", sequence=1))
    for wrong in (By(client="tab"), By(sequence=1), By(client="a b", sequence=1), By(client="tab", sequence=0)):
        with pytest.raises(Refused, match="numbers"):
            book.append(job_id, "layups[0]", [gap()], by=wrong)


def test_a_refused_act_leaves_no_trace(book: Book, three: Job) -> None:
    """When one of several edits cannot be, none is made."""
    job_id = book.begin(three)
    good = Append("layups[0]", (gap(),))
    for bad, error in (
        (Append("layups[99]", (gap(),)), Missing),
        (Append("layups[0]", (gap(9999.0),)), JobError),
        (Append("layups[0]", (replace(gap(), entry="slips"),)), Refused),
        (Append("layups[0]", (replace(gap(), key="um"),)), Refused),
        (Append("layups[0]", (replace(gap(), value=None),)), Refused),
        (Append("layups[0]", (replace(gap(), value=Typed(float("nan"), "mm")),)), (Refused, JobError)),
        (Append("layups[0]", ()), Refused),
        (Correct(GAP, 99, gap()), Conflict),
        (Add(three.pieces[0]), Refused),
        (Put(Ref("piece", "Alder"), 1, Goal()), Refused),
        (Put(Ref("setting", "layups[0]"), 1, replace(three.settings[0], id="x")), Refused),
        (Put(Ref("setting", "layups[0]"), 1, replace(three.settings[-1], id="layups[0]")), Refused),
        (Delete(Ref("goal"), 1), Refused),
        (Move(Ref("setting", "layups[0]"), 1, Ref("piece", "Alder")), Refused),
        (Rename(Ref("face", "Alder"), "Birch"), Refused),
    ):
        with pytest.raises(error):
            book.change(job_id, good, bad)
    assert book.job(job_id) == three
    assert book.snapshot(job_id).newest == 1
    with pytest.raises(TooLarge):
        book.change(job_id)


def test_a_change_that_spoils_what_was_read_is_refused(book: Book, three: Job) -> None:
    """Stations may not move so that a reading falls off its face: the sentence says which."""
    job_id = book.begin(three)
    piece = three.pieces[0]
    short = replace(piece, faces=(replace(piece.faces[0], stations_mm=(30.0, 300.0)),))
    with pytest.raises(JobError, match="outside the stations of face Alder"):
        book.put(job_id, Ref("piece", "Alder"), 1, short)


def test_a_job_grows_from_nothing(book: Book, three: Job) -> None:
    """Begun empty and filled edit by edit, as at the bench, a job is the same as one put in whole."""
    job_id = book.begin()
    book.put(job_id, Ref("head"), 1, Head(three.title, three.temperature_c, three.note))
    book.put(job_id, Ref("goal"), 1, three.goal)
    book.change(job_id, *(Add(part) for part in (*three.pieces, *three.instruments)))
    for setting in three.settings:
        (ref,) = book.change(job_id, Add(replace(setting, id="", readings=()))).refs
        for reading in setting.readings:
            book.append(job_id, ref.key, [replace(reading, id="")])
    assert book.job(job_id) == three


def test_a_setting_stands_where_it_was_taken(book: Book, three: Job) -> None:
    """A lay-up remembered late goes before the pass it was taken before, and a hundred can."""
    job_id = book.begin(three)
    layup = LayUp("Alder", "Birch", "over")
    late = [Setting(f"late{i}", layup, (gap(),), instrument="blocks") for i in range(100)]
    book.change(job_id, *(Add(setting, before=Ref("setting", "layups[1]")) for setting in late))
    ids = [s.id for s in book.job(job_id).settings]
    assert ids[:3] == ["layups[0]", "late0", "late1"]
    assert ids[100:102] == ["late99", "layups[1]"]
    ref = Ref("setting", "late50")
    book.change(job_id, Move(ref, book.snapshot(job_id).versions[ref]))
    book.change(job_id, Add(Setting("last", layup, (gap(),), instrument="blocks")))
    assert [s.id for s in book.job(job_id).settings][-2:] == ["late50", "last"]


def test_a_new_name_is_used_everywhere(book: Book, three: Job) -> None:
    """A renamed face, piece or instrument is renamed in every setting, pass and goal that names it."""
    job_id = book.begin(replace(three, passes=(Pass("p", "Alder"),), goal=Goal(5.0, faces=("Alder", "Birch"))))
    book.change(
        job_id,
        Rename(Ref("face", "Alder"), "Yew"),
        Rename(Ref("piece", "Alder"), "Yew edge"),
        Rename(Ref("instrument", "blocks"), "old set"),
    )
    job = book.job(job_id)
    assert set(job.faces()) == {"Yew", "Birch", "Rowan"}
    assert job.pieces[0].name == "Yew edge"
    assert {s.geometry.faces()[0] for s in job.settings} <= set(job.faces())
    assert {s.instrument for s in job.settings} == {"old set", "level"}
    assert job.passes[0].face == "Yew"
    assert job.goal.faces == ("Yew", "Birch")
    book.undo(job_id)
    assert book.job(job_id).settings == three.settings


def test_attachments_are_kept_with_what_they_show(book: Book, three: Job) -> None:
    """Bytes come back as they went in; the name loses its folders; too much and no media type are refused."""
    job_id = book.begin(three)
    data = bytes(range(256)) * 40
    book.attach(job_id, "C:\\shop\\blue\n1.jpg", "image/jpeg", data, about=Ref("setting", "layups[0]"))
    book.attach(job_id, "../../etc/passwd", "text/plain", data)
    first, second = book.snapshot(job_id).attachments
    assert (first.name, second.name) == ("blue 1.jpg", "passwd")
    assert book.attachment(first.digest) == data
    book.delete(job_id, Ref("setting", "layups[0]"), 1)
    assert book.snapshot(job_id).attachments == (second,)
    with pytest.raises(TooLarge):
        book.attach(job_id, "film", "video/mp4", bytes(32 * 1024 * 1024 + 1))
    with pytest.raises(Refused, match="media type"):
        book.attach(job_id, "x", "<script>", b"")
    with pytest.raises(Missing):
        book.attachment("0" * 64)


def test_memos_are_versioned_like_everything(book: Book, three: Job) -> None:
    """What a page keeps with a job is no part of the job, and as safe."""
    job_id = book.begin(three)
    book.change(job_id, Add(Memo("ticks layups[0]", "stoned wiped")))
    version = book.snapshot(job_id).versions[Ref("memo", "ticks layups[0]")]
    book.put(job_id, Ref("memo", "ticks layups[0]"), version, Memo("ticks layups[0]", "stoned"))
    assert book.snapshot(job_id).memos == {"ticks layups[0]": "stoned"}
    assert book.job(job_id) == three


def test_acts_say_when_and_who(book: Book, three: Job) -> None:
    """The time is the caller's, else the clock's, kept as UTC; the name is kept if one was given."""
    job_id = book.begin(three)
    at = datetime(2026, 1, 11, 23, 30, tzinfo=timezone(timedelta(hours=-2)))
    book.append(job_id, "layups[0]", [gap()], by=By(who="Ann\nBee ", at=at))
    first, second = book.snapshot(job_id).acts
    assert (first.who, second.who) == (None, "Ann Bee")
    assert second.at == "2026-01-12T01:30:00.000000+00:00"
    assert first.at.startswith("2026-01-12T08:00:0")
    with pytest.raises(Refused, match="time zone"):
        book.append(job_id, "layups[0]", [gap()], by=By(at=datetime(2026, 1, 11)))


def test_the_history_tells_each_act(book: Book, three: Job) -> None:
    """Every act is told with the parts it wrote or hid, and whether it stands taken back."""
    job_id = book.begin(three)
    book.append(job_id, "layups[0]", [gap()])
    book.correct(job_id, GAP, 1, gap(255, 20.009))
    book.undo(job_id)
    first, second, third, fourth = book.history(job_id)
    assert len(first.parts) == len(book.snapshot(job_id, 1).versions)
    assert [part.value for part in second.parts if isinstance(part, Reading)] == [Typed(20.007, "mm")]
    assert [done.undone for done in (first, second, third, fourth)] == [False, False, True, False]
    assert fourth.parts == ()
    assert fourth.gone == third.parts
    assert fourth.act.undoes == 3


def test_a_job_is_begun_once(book: Book, three: Job) -> None:
    """The same uid twice, from a form sent twice, is one job."""
    uid = "0123456789abcdef" * 2
    assert book.begin(three, uid=uid) == book.begin(three, uid=uid)
    assert len(book.jobs()) == 1
    with pytest.raises(Refused, match="32"):
        book.begin(three, uid="../x")
    with pytest.raises(Missing):
        book.job(99)


def test_the_tables_refuse_to_change(book: Book, three: Job) -> None:
    """Not even another program can overwrite or delete a row: the database itself refuses."""
    job_id = book.begin(three)
    book.attach(job_id, "x", "text/plain", b"x")
    for table in metadata.sorted_tables:
        column = list(table.columns)[-1].name
        for statement in (f"DELETE FROM {table}", f"UPDATE {table} SET {column} = {column}"):
            with pytest.raises(DBAPIError, match="only grows"), book._store.engine.begin() as raw:
                raw.execute(text(statement))
    assert book.problems() == []


def test_many_at_once(book: Book, three: Job) -> None:
    """Eight clients type into one job at the same time: every reading is there once, each client's in order."""
    job_id = book.begin(three)
    failed: list[Exception] = []

    def work(client: int) -> None:
        try:
            for i in range(1, 13):
                reading = replace(gap(mm=20 + client + i / 1000), note="n")
                book.append(job_id, "layups[0]", [reading], by=By(client=f"c{client}", sequence=i))
        except Exception as error:
            failed.append(error)

    threads = [threading.Thread(target=work, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    found = numbers(book, job_id)
    assert len(found) == len(set(found)) == 96
    for client in range(8):
        own = [mm for mm in found if int(mm) == 20 + client]
        assert own == sorted(own)
