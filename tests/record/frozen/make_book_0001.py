"""Makes book-0001.sqlite, the frozen sample of the schema 0001, and beside it what it says. Kept as it was run.

    python tests/record/frozen/make_book_0001.py

Run once, when the schema was new; every later version of Waywright opens the file. Never run it again after a release.
"""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from waywright import jobfile
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Pass, PassZone, Reading, Setting, Typed
from waywright.core.evidence.things import Face, Hand, Instrument, Piece
from waywright.core.readings import Step
from waywright.demo import shop
from waywright.record import Add, Append, Book, By, Delete, Head, Memo, Ref

HERE = Path(__file__).resolve().parent
UID = "5ca1ab1e" * 4


def main() -> None:
    """Make the three files anew."""
    path = HERE / "book-0001.sqlite"
    path.unlink(missing_ok=True)
    at = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
    with Book.open(path, clock=lambda: at) as book:
        job_id = book.begin(jobfile.loads(shop()), By(who="Ann", at=at), uid=UID)

        def by(client: str | None = None, sequence: int | None = None) -> By:
            minutes = book.snapshot(job_id).newest
            return By("Ann", at + timedelta(minutes=minutes), client, sequence)

        gap = Reading("", "gaps", 330.0, 14.0, key="just_mm", value=Typed(0.7879, "in", "0,7879 in"), when="14:05")
        book.append(job_id, "layups[0]", [gap], by("bench-1", 1))
        book.append(job_id, "layups[0]", [replace(gap, x_mm=405.0, u_um=0.4, block="20 mm")], by("bench-1", 2))
        book.correct(job_id, "layups[1].gaps[5]", 1, replace(gap, note="read again", x_mm=180.0), by())
        head = Head("Three edges, frozen", 20.25, "µ, ä and a line\nbelow", Hand(2.5, 0.4, 0.25))
        book.put(job_id, Ref("head"), 1, head, by())
        book.put(job_id, Ref("goal"), 1, Goal(straightness_um=4.5, leave_out_mm=15.0, faces=("Alder",)), by())
        plate = Piece("Plate", (Face("Plate", 400.0, 300.0, (20.0, 380.0), (-130.0, 0.0, 130.0), finish="lapped"),))
        level = Instrument("old level", "level", u_um_per_m=8.0, um_per_m_per_div=50.0)
        step = Setting(
            "", Step("Plate", 100.0, from_mm=(20.0, -130.0), to_mm=(380.0, 130.0)), (), "diagonal", "old level"
        )
        first = Reading("", "readings", at_mm=0.0, key="div", value=Typed(1.5, "div", "1.5 div"))
        book.change(job_id, Add(plate), Add(level), Add(step), Append("steps[0]", (first,)), by=by())
        zones = (PassZone(0.0, 150.0, passes=2), PassZone(300.0, 400.0, y_from_mm=0.0))
        cut = Pass("", "Alder", "layups[2]", depth_um=1.5, zones=zones, note="45° one way")
        book.change(job_id, Add(cut), by=by())
        book.attach(job_id, "blue.png", "image/png", bytes(range(256)), about=Ref("setting", "layups[0]"), by=by())
        book.change(job_id, Add(Memo("ticks layups[0]", "stoned, wiped")), by=by())
        book.change(job_id, Delete(Ref("setting", "layups[5]"), 1), by=by())
        book.undo(job_id, by=by())
        book.redo(job_id, by=by())
        told = book.snapshot(job_id)
        (HERE / "book-0001.toml").write_text(book.export_toml(job_id), encoding="utf-8")
    lines = [f"{act.number} {act.at} {act.kind} {act.who or '-'} {act.digest}\n" for act in told.acts]
    (HERE / "book-0001.txt").write_text("".join(lines), encoding="utf-8")
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA journal_mode=DELETE")  # one file, for keeping
    raw.close()


if __name__ == "__main__":
    main()
