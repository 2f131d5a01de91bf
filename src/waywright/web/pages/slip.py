"""A setting that seems typed wrong as a whole: the one button that changes it to what was meant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from starlette.requests import Request
from starlette.responses import Response

from waywright.core.evidence.job import Setting
from waywright.record import Correct, Edit, Missing, Put, Ref, Snapshot
from waywright.web.app import Bench, Form, Given, by_of, goes_to
from waywright.web.contexts import setting_url
from waywright.web.forms import Wrong
from waywright.web.pages.job import number_of, version_in
from waywright.web.pages.setting import setting_page

GONE = "This was answered already, or the readings changed since; look at what they say now."


def change(bench: Bench, request: Request, given: Given) -> Response:
    """Change a setting to what it was meant as, in one act: how it lies, or every reading of it by a correction."""
    number = number_of(request)
    opened = bench.book.snapshot(number)
    asked = given.texts.get("setting", ""), given.texts.get("slip", "")
    report = bench.solver.solved(opened).report if version_in(given, "act") == opened.number else None
    meant = next((s.meant for s in report.fit.slips if (s.setting, s.name) == asked), None) if report else None
    blocks = {s.id: s for s in opened.job.settings}
    typed = blocks.get(asked[0])
    if typed is None:
        raise Missing("There is no such setting here, or no longer.")
    if meant is None:
        return setting_page(bench, request, opened, typed, Wrong(GONE))
    edits = (edit for block in meant for edit in _edits(opened, blocks[block.id], block))
    bench.book.change(number, *edits, by=by_of(request), kind="slip")
    return goes_to(setting_url(number, typed.id))


def _edits(opened: Snapshot, typed: Setting, meant: Setting) -> Iterator[Edit]:
    """What makes of a block the one that was meant; nothing that was typed is lost."""
    if meant.geometry != typed.geometry:
        ref = Ref("setting", typed.id)
        yield Put(ref, opened.versions[ref], replace(meant, readings=()))
    corrected = opened.job.corrected()
    for was, now in zip(typed.readings, meant.readings, strict=True):
        if was != now and was.id not in corrected:
            yield Correct(was.id, opened.versions[Ref("reading", was.id)], replace(now, id="", corrects=None))


FORMS = (Form("/jobs/{job:int}/slip", change, ("setting", "slip", "act")),)
